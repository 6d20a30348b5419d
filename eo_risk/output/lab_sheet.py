"""The release-time sheet: one printed page that says what a release time rests on."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from eo_risk.output.html import Markup, bullets, escaped, facts, page, table, tag
from eo_risk.output.lab_chart import chart_sentence, lab_chart
from eo_risk.output.lab_wording import (
    ONE_TIME,
    RESULT_HEADER,
    amount_text,
    caution_lines,
    family_lines,
    limit_text,
    model_header,
    model_rows,
    once_facts,
    once_headline,
    other_lines,
    release_sentence,
    result_rows,
)
from eo_risk.output.numbers import moment_text, shorten
from eo_risk.output.style import style

_MOST_LOTS, _MOST_TIMES = 6, 9
_MOST_CERTIFICATES, _MOST_GROUPED = 13, 5
_MOST_CAUTIONS = 4
_MOST_MEMBERS, _MOST_COMPARISONS = 2, 1
_LONGEST_NAME = 28
_FAMILY = "Family and groups, worst first"
# Common practice, no source: what is checked again before a curve is used further.
VOIDED_BY = (
    "another material, wall thickness or design of the device",
    "another packaging, load or stacking",
    "another cycle: gas, temperature, exposure, air washes",
    "another aeration: a lower temperature, fewer air changes, a fuller aerator",
    "another extraction or laboratory method, or a re-sterilised device",
)
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
                (named, limit_text(answer)),
                ("Aeration at", _values(rows, "aeration_temperature_c", " °C")),
                ("Extraction", _values(rows, "extraction").replace("_", " ")),
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
    return tag("p", tag("b", release_sentence(answer)), class_="line-of-verdict")


def _matrix(answer: dict) -> Markup:
    """Build the results by lot and hour; what does not fit stays in the table of results."""
    rows = _used(answer)
    times, lots = answer["times_h"][:_MOST_TIMES], answer["lots"][:_MOST_LOTS]
    body = []
    for lot in lots:
        cells = []
        for hour in times:
            found = [amount_text(r) for r in rows if r["lot"] == lot and r["aeration_h"] == hour]
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
    # What counts comes first where not all fit, and of that the group the sheet is about.
    rows.sort(key=lambda r: (not r["used"], r["group"] != answer["group"]))
    # Groups need room of their own, and their names a line more in every row.
    most = _MOST_GROUPED if answer["family"] else _MOST_CERTIFICATES
    body = result_rows(r | {"group": _short(r["group"])} for r in rows[:most])
    more = len(rows) - len(body)
    return table(RESULT_HEADER, body, caption=f"Certificates ({more} more not shown)" if more
                 else "Certificates")  # fmt: skip


def _others(answer: dict) -> Markup:
    """Say what the other substances need."""
    lines = [shorten(line, 200) for line in other_lines(answer)]
    return escaped([tag("h3", "Other substances"), bullets(lines)] if lines else [])


def _cautions(answer: dict) -> Markup:
    lines = caution_lines(answer)
    more = len(lines) - _MOST_CAUTIONS
    shown = [shorten(line, 200) for line in lines[:_MOST_CAUTIONS]]
    if more > 0:
        shown.append(f"{more} more in the answer itself")
    return escaped([tag("h3", "Cautions"), bullets(shown) or tag("p", "None.")])


def _once(answer: dict) -> Markup:
    return escaped(
        [
            tag("p", tag("b", f"{once_headline(answer)} {ONE_TIME}"), class_="line-of-verdict"),
            facts(once_facts(answer)),
            _others(answer),
            _certificates(answer),
            [tag("h3", _FAMILY), bullets(_family(answer))] if answer["family"] else None,
            _cautions(answer),
        ]
    )


def _family(answer: dict) -> list[str]:
    """Say the worst members and the comparisons that matter most, the rest counted."""
    short = [m | {"name": _short(m["name"])} for m in answer["family"]]
    members = family_lines(answer | {"family": short})
    apart = []
    for c in sorted(answer["comparisons"], key=lambda c: -c["high_h"]):
        text = c["text"]
        for name in (c["name"], c["reference"]):
            text = text.replace(name, _short(name))
        apart.append(text)
    apart += answer["not_compared"]
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
        _others(answer),
        tag("h3", "What would void it"), bullets(VOIDED_BY),
        tag("h3", _FAMILY),
        bullets(_family(answer))
        or tag("p", "One group of results; nothing is said about other members."),
    ]  # fmt: skip
    pair = tag("div", tag("div", picture), tag("div", facts_beside), class_="pair")
    models = table(model_header(answer), model_rows(answer))
    return escaped([_verdict(answer), models, _matrix(answer), pair])


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
