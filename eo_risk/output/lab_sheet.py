"""The release-time sheet: one printed page that says what a release time rests on."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from eo_risk.output.html import Markup, bullets, escaped, facts, page, table, tag
from eo_risk.output.lab_chart import chart_sentence, lab_chart
from eo_risk.output.style import style
from eo_risk.output.wording import hours_up, moment_text, shorten, significant, with_unit

_MOST_LOTS, _MOST_TIMES = 6, 9
_MOST_CERTIFICATES = 18
_MOST_CAUTIONS = 4
_MOST_MEMBERS, _MOST_COMPARISONS = 2, 1
_LONGEST_NAME = 28
# Common practice, no source: what is checked again before a curve is used further.
VOIDED_BY = (
    "another material, wall thickness or design of the device",
    "another packaging, load or stacking",
    "another cycle: gas, temperature, exposure, air washes",
    "another aeration: a lower temperature, fewer air changes, a fuller aerator",
    "another extraction or laboratory method, or a re-sterilised device",
)
_MODELS = {"pooled": "all results pooled", "lots": "lot as a random factor", "tail": "slow tail"}
_PAPER = """
.lab h1 { font-size: 1.3rem; } 
.lab td { font-variant-numeric: tabular-nums; overflow-wrap: normal; }
.lab dl.two { display: grid; grid-template-columns: 1fr 1fr; column-gap: 1.5rem; }
.lab .pair { display: grid; grid-template-columns: 1.15fr 1fr; gap: 1.2rem; align-items: start; }
@media screen and (max-width: 640px) { .lab .pair { grid-template-columns: 1fr; }
  .lab dl.two { display: block; } .lab caption { display: block; } }
@media print { .lab { break-after: auto; } .lab .chart { max-width: 72mm; }
  .lab h1 { font-size: 13pt; } .lab h3 { margin: 1.2mm 0 .4mm; font-size: 9.5pt; }
  .lab table { table-layout: auto; } .lab th { width: auto !important; }
  .lab .pair { gap: 5mm; } .lab dl > div { grid-template-columns: 25mm 1fr; } }
"""


def _hours(hours: float | None) -> str:
    return "none" if hours is None else hours_up(hours)


def _named(values: Sequence[object], fallback: str = "unknown") -> str:
    return shorten(", ".join(str(v) for v in values if v not in (None, "")) or fallback, 90)


def _short(name: str) -> str:
    """Shorten a name in its middle: names of a family often differ at their end only."""
    half = _LONGEST_NAME // 2
    return name if len(name) <= _LONGEST_NAME else f"{name[:half]}…{name[-half:]}"


def _used(answer: dict) -> list[dict]:
    return [r for r in answer["results"]
            if r["used"] and r["substance"] == answer["substance"]
            and r["group"] == answer["group"]]  # fmt: skip


def _amount(row: dict) -> str:
    return ("<" if row["below"] else "") + significant(row["amount_mg"])


def _method_limits(rows: Sequence[dict]) -> str:
    found = []
    for name, words in (("detection_limit", "detection"), ("quantitation_limit", "quantitation")):
        values = sorted({f"{r[name]:g} {r['unit']}" for r in rows if r[name] is not None})
        if values:
            found.append(f"{words} {', '.join(values)}")
    return _named(found, "not given")


def _values(rows: Sequence[dict], column: str, unit: str = "") -> str:
    """Name what the results shown say in one column, each value once."""
    found = {f"{r[column]:g}{unit}" if isinstance(r[column], float) else r[column]
             for r in rows if r[column] not in (None, "")}  # fmt: skip
    return _named(sorted(found))


def _head(answer: dict, created: datetime | None) -> Markup:
    rows = _used(answer)
    named = "Reference" if answer["limit_kind"] == "screening" else "Limit"
    limit = f"{with_unit(answer['limit_mg'], 'mg')} per device"
    note = f" ({answer['limit_note']})" if answer["limit_note"] else ""
    lots = f"{len(answer['lots'])}: {', '.join(answer['lots'])}"
    times = ", ".join(f"{t:g}" for t in answer["times_h"]) + " h"
    title = "Aeration release time" if answer["kind"] == "curve" else "Residue at one time"
    return tag(
        "header",
        tag("h1", f"{title} by laboratory results: {answer['substance']}"),
        facts(
            (
                ("Device", _values(rows, "device")),
                ("Family, group", _short(answer["group"]) or "one product, no groups"),
                ("State, packaging", f"{_values(rows, 'state')}; {_values(rows, 'packaging')}"),
                (named, limit + note),
                ("Aeration at", _values(rows, "aeration_temperature_c", " °C")),
                ("Extraction", _values(rows, "extraction")),
                ("Method limits", _method_limits(rows)),
                ("Made", moment_text(created) if created else "not dated"),
            ),
            "facts two",
        ),
        facts(
            (
                ("Lots", shorten(lots, 90)),
                ("Sterilised in", _values(rows, "sterilisation_lot")),
                ("Times", shorten(times, 90)),
                ("Reports", _values(rows, "report")),
            )
        ),
    )


def _verdict(answer: dict) -> Markup:
    rounded = answer["release_h_rounded"]
    if rounded is None:
        said = "No release time: the prediction limit does not fall below the limit."
    else:
        said = (f"{rounded} h of aeration: then the one-sided {answer['confidence']:.0%} limit of "
                f"the next device is inside the limit ({_MODELS[answer['ruling_model']]} gives the "
                "longest time).")  # fmt: skip
        if answer["extrapolated"]:
            said += f" This is beyond the last sampled time, {answer['times_h'][-1]:g} h."
    return tag("p", tag("b", said), class_="line-of-verdict")


def _models(answer: dict) -> Markup:
    rows = [
        [_MODELS[name], f"{m['intercept']:.4f}", f"{m['slope_per_h']:.5f}",
         significant(m["residual_sd"]), str(m["n"]), _hours(m["crossing_h"]),
         _hours(m["release_h"]), _hours(m["tolerance_95_95_h"])]
        for name, m in answer["models"].items()
    ]  # fmt: skip
    physics = answer["physics"]
    if physics:
        name = f"layer model, {physics['material']}"
        rows.append([name, "", "", "", str(answer["n"]), "", _hours(physics["release_h"]), ""])
    header = ("Model", "Intercept, ln(mg)", "Slope, 1/h", "SD", "Results", "Line meets it",
              f"{answer['confidence']:.0%} limit meets it", "95/95 tolerance")  # fmt: skip
    return table(header, rows)


def _matrix(answer: dict) -> Markup:
    """Build the results by lot and hour; what does not fit stays in the table of results."""
    rows = _used(answer)
    times, lots = answer["times_h"][:_MOST_TIMES], answer["lots"][:_MOST_LOTS]
    body = []
    for lot in lots:
        cells = []
        for hour in times:
            found = [_amount(r) for r in rows if r["lot"] == lot and r["aeration_h"] == hour]
            cells.append(shorten(", ".join(found), 26) or "-")
        body.append([lot, *cells])
    left_out = len(answer["lots"]) - len(lots), len(answer["times_h"]) - len(times)
    note = "Results, mg per device"
    if any(left_out):
        note += f" ({left_out[0]} more lot(s), {left_out[1]} more time(s) not shown)"
    return table(["Lot", *(f"{t:g} h" for t in times)], body, caption=note)


def _certificates(answer: dict) -> Markup:
    """Build the table of results at one time, those not used as well."""
    rows = [r for r in answer["results"] if r["substance"] == answer["substance"]]
    above = {True: "above the limit", False: "not above", None: ""}
    body = [
        [r["lot"], r["state"], r["packaging"], r["extraction"], f"{r['aeration_h']:g} h",
         _amount(r), above[r["above_limit"]], r["date"],
         "used" if r["used"] else f"not used: {r['why_not_used']}"]
        for r in rows[:_MOST_CERTIFICATES]
    ]  # fmt: skip
    header = ("Lot", "State", "Packaging", "Extraction", "Aeration", "mg per device", "Limit",
              "Date", "Use")  # fmt: skip
    more = len(rows) - len(body)
    return table(header, body, caption=f"Certificates ({more} more not shown)" if more
                 else "Certificates")  # fmt: skip


def _cautions(answer: dict) -> Markup:
    physics = answer["physics"]["cautions"] if answer["physics"] else []
    lines = [f"{c['text']} {c['action']}".strip() for c in [*answer["cautions"], *physics]]
    more = len(lines) - _MOST_CAUTIONS
    shown = [shorten(line, 200) for line in lines[:_MOST_CAUTIONS]]
    if more > 0:
        shown.append(f"{more} more in the answer itself")
    return escaped([tag("h3", "Cautions"), bullets(shown) or tag("p", "None.")])


def _once(answer: dict) -> Markup:
    at_most = "at most " if answer["upper_ends"] else ""
    upper = answer["next_device_upper_95"]
    shown = "too few known results" if upper is None else with_unit(upper, "mg")
    return escaped(
        [
            tag("p", tag("b", "One time point: no release time can be derived."),
                class_="line-of-verdict"),
            facts((
                ("Mean", f"{at_most}{with_unit(answer['mean'], 'mg')}"),
                ("Highest", f"{at_most}{with_unit(answer['highest'], 'mg')}"),
                (f"Next device, {answer['next_device_confidence']:.0%} limit", shown),
            )),
            _certificates(answer),
            _cautions(answer),
        ]
    )  # fmt: skip


def _family(answer: dict) -> list[str]:
    """Say the worst members and the comparisons that matter most, the rest counted."""
    members = [f"{_short(m['name'])}: {_hours(m['release_h'])}, {m['reason']}"
               for m in answer["family"]]  # fmt: skip
    apart = []
    for c in sorted(answer["comparisons"], key=lambda c: -c["high_h"]):
        text = c["text"]
        for name in (c["name"], c["reference"]):
            text = text.replace(name, _short(name))
        apart.append(text)
    said = []
    for lines, most in ((members, _MOST_MEMBERS), (apart, _MOST_COMPARISONS)):
        said += [shorten(line, 210) for line in lines[:most]]
        if len(lines) > most:
            said.append(f"{len(lines) - most} more in the answer itself")
    return said


def _curve(answer: dict) -> Markup:
    picture = [
        tag("figure", lab_chart(answer), tag("figcaption", chart_sentence(answer))),
        _cautions(answer),
    ]
    facts_beside = [
        tag("h3", "What would void it"), bullets(VOIDED_BY),
        tag("h3", "Family and groups, worst first"),
        bullets(_family(answer))
        or tag("p", "One group of results; nothing is said about other members."),
    ]  # fmt: skip
    pair = tag("div", tag("div", picture), tag("div", facts_beside), class_="pair")
    return escaped([_verdict(answer), _models(answer), _matrix(answer), pair])


def lab_sheet_html(answer: dict, created: datetime | None) -> str:
    """Write the release-time sheet of an answer of ``lab`` as one self-contained HTML file.

    Parameters
    ----------
    answer : dict
        The answer of ``lab``, in hours and mg per device.
    created : datetime or None
        When the sheet is made; None leaves it out.

    Returns
    -------
    str
        HTML with inline style and picture; nothing is fetched and no script runs. One
        printed page.
    """
    blanks = [tag("div", tag("span", word), tag("i"), class_="line")
              for word in ("Name", "Date", "Signature")]  # fmt: skip
    body = tag(
        "section",
        _head(answer, created),
        _curve(answer) if answer["kind"] == "curve" else _once(answer),
        tag("footer", tag("p", answer["notice"], class_="notice"),
            tag("div", blanks, class_="signatures")),
        class_="sheet lab",
    )  # fmt: skip
    title = f"Release time, {answer['substance']}"
    return page(title, style("Laboratory results: a basis for judgement") + _PAPER, body)
