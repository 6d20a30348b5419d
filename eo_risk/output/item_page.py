"""The page of one item: verdict line, residues, water, EO left, what would change it."""

from __future__ import annotations

from eo_risk.judgement.limits import SCREENING_NOTE
from eo_risk.output.html import Markup, bullets, escaped, facts, table, tag
from eo_risk.output.load_sheet import item_title, planned_hours, verdict_mark
from eo_risk.output.numbers import (
    NOT_COMPUTED,
    band_text,
    chance_text,
    hours_up,
    known,
    moment_text,
    printable,
    with_unit,
)
from eo_risk.output.svg_chart import Band, Mark, Scale, line_chart
from eo_risk.output.verdict_wording import (
    PERIOD,
    RESIDUE_HEADER,
    limit_text,
    model_text,
    standing_text,
    verdict_line,
    why,
)
from eo_risk.output.wording import (
    LEVEL,
    WATER_HEADER,
    action_text,
    allowed_water,
    assumed_line,
    beside_glycol,
    caution_text,
    hours_at_95,
    own_record_line,
    plain_name,
    required_hours,
    slow_tail_hours,
    slow_tail_note,
    starting_text,
    water_rows,
)
from eo_risk.plan.choices import published_practice
from eo_risk.plan.load_plan import Item, LoadPlan

_BESIDE = 3  # cautions that stand beside an item; the rest fold
_CLASS = {"A": "A, measured", "B": "B, implied by measurements", "C": "C, estimated"}
_PICTURE_REACH = 2.0  # hours needed beyond this many times the curve stand in the text only
_TIMES_SHOWN = 5  # rows of the table of residues over time
OVER_TIME_HEADER = ("After the last air wash", "EO", "ECH", "EG")
OVER_TIME_TITLE = "Residues over the aeration, one piece"
_DASH = {"limit": "10 4", "planned": "7 3 2 3", "required": "4 3"}


def residue_cells(row: dict, samples: int) -> list[object]:
    """Write one residue as cells: substance, what is compared, amount, limit, standing."""
    about = model_text(row)
    limit = limit_text(row)
    if row["kind"] == "screening" and SCREENING_NOTE not in limit:
        limit = f"{limit}; {SCREENING_NOTE}"
    if row["clause"] and row["kind"] == "limit":
        limit = f"{limit}, {printable(row['clause'])}"
    return [
        row["substance"],
        about + (" (counts for the verdict)" if row["used_for_verdict"] else ""),
        band_text(row, row["unit"], row["limit"]),
        limit,
        standing_text(row),
        chance_text(row["probability_over"], row["probability_error"], samples),
    ]


def _residues(item: dict, samples: int) -> Markup:
    rows = (residue_cells(row, samples) for row in item["residues"])
    return table(
        RESIDUE_HEADER, rows, class_="residues",
        caption="Residues at the end of the planned aeration",
    )  # fmt: skip


def _water(item: dict) -> Markup:
    found = table(WATER_HEADER, water_rows(item), class_="water",
                  caption="Leftover water per piece")  # fmt: skip
    said = [text for text in (allowed_water(item), *beside_glycol(item)) if text]
    return escaped([found, *(tag("p", text, class_="beside-water") for text in said)])


def _parts(item: dict) -> Markup:
    parts = item["parts"]
    if not parts:
        return Markup("")
    header = ["Part", "Material", "EO left", "Data class"]
    rows = [
        [part["name"], plain_name(part["material"]), band_text(part["eo_mg"], "mg"),
         _CLASS.get(part["class"], part["class"])]
        for part in parts
    ]  # fmt: skip
    if any(part["aeration_h"] for part in parts):
        header.append("Aeration needed by this part")
        for part, row in zip(parts, rows, strict=True):
            row.append(band_text(part["aeration_h"] or {}, "h"))
    return table(header, rows, class_="parts", caption="Parts")


def drawn_limit(item: dict) -> dict | None:
    """Find the strictest EO limit that is written in mg per piece, as the curve is."""
    rows = [
        row for row in item["residues"]
        if row["substance"] == "EO" and row["kind"] == "limit" and row["limit"]
        and row["quantity"] == "mg_per_device" and row["unit"] == "mg"
    ]  # fmt: skip
    return min(rows, key=lambda row: row["limit"], default=None)


def _first_inside(hours: list[float], amounts: list[float], limit: float) -> float | None:
    """Return the first hour from which the curve stays inside the limit. [h]"""
    above = [k for k, amount in enumerate(amounts) if amount > limit]
    if not above:
        return hours[0]
    return hours[above[-1] + 1] if above[-1] + 1 < len(hours) else None


def curve_sentence(item: dict, planned_h: float | None) -> str:
    """Say in words what the picture of EO left shows."""
    curve, eo = item["curve"], item["curve"]["eo_mg"]
    hours = curve["hours"]

    def at(k: int) -> str:
        return band_text({key: eo[key][k] for key in ("p05", "p50", "p95")}, "mg")

    said = [
        f"EO left in one piece goes from {at(0)} at the end of the last air wash to {at(-1)} "
        f"after {with_unit(hours[-1], 'h')}."
    ]
    row = drawn_limit(item)
    if row is None:
        said.append("No limit in mg per piece is drawn.")
    else:
        limit = with_unit(row["limit"], "mg")
        inside = _first_inside(hours, eo["p95"], row["limit"])
        if inside is None:
            said.append(f"The upper bound is still above {limit} at the end of the picture.")
        elif inside == hours[0]:
            said.append(f"The upper bound stays inside {limit} all along.")
        else:
            said.append(f"The upper bound stays inside {limit} from {hours_up(inside)} on.")
    if planned_h is not None:
        said.append(f"Planned aeration ends at {with_unit(planned_h, 'h')}; needed: "
                    f"{required_hours(item)}.")  # fmt: skip
    return " ".join(said)


def needed_in_picture(item: dict, planned_h: float | None) -> float | None:
    """Return the hours needed, where a picture of the curve has room to mark them. [h]"""
    aeration = item["aeration_h"]
    if not aeration or aeration["beyond_cap"]:
        return None
    last = max(item["curve"]["hours"][-1], planned_h or 0.0)
    return aeration["required"] if aeration["required"] <= _PICTURE_REACH * last else None


def curve_chart(item: dict, planned_h: float | None, scale: Scale | None = None) -> Markup:
    """Draw EO left in one piece over aeration time against its limit."""
    curve, eo = item["curve"], item["curve"]["eo_mg"]
    row = drawn_limit(item)
    limit = None
    if row:
        words = f"limit {with_unit(row['limit'], 'mg')}, {PERIOD.get(row['period'], '')}"
        limit = Mark(row["limit"], words, _DASH["limit"])
    moments = []
    if planned_h is not None:
        moments.append(Mark(planned_h, f"planned {with_unit(planned_h, 'h')}", _DASH["planned"]))
    needed_h = needed_in_picture(item, planned_h)
    if needed_h is not None:
        moments.append(Mark(needed_h, f"needed {hours_up(needed_h)}", _DASH["required"]))
    band = Band(curve["hours"], eo["p05"], eo["p50"], eo["p95"])
    sentence = curve_sentence(item, planned_h)
    return line_chart(band, limit, moments, "EO left in one piece, mg", sentence, scale)


def _curve(item: dict, plan: LoadPlan) -> Markup:
    if len(item["curve"]["hours"]) < 2 or not any(item["curve"]["eo_mg"]["p95"]):
        return tag("p", "No part of this item holds EO that a curve could show.")
    planned = planned_hours(plan)
    key = ("Solid line: median. Grey band between dotted lines: 5 to 95 %. Long dashes: limit. "
           "Dash and dot: end of the planned aeration. Short dashes: hours needed.")  # fmt: skip
    caption = tag("figcaption", curve_sentence(item, planned), " ", tag("small", key))
    return tag("figure", curve_chart(item, planned), caption)


def over_time_rows(item: dict) -> list[list[str]]:
    """Write the bands of every residue at a few times of the aeration."""
    curve = item["curve"]
    last = len(curve["hours"]) - 1
    picked = sorted({round(k * last / (_TIMES_SHOWN - 1)) for k in range(_TIMES_SHOWN)})

    def cells(k: int) -> list[str]:
        lines = (curve[f"{substance.lower()}_mg"] for substance in OVER_TIME_HEADER[1:])
        return [band_text({key: line[key][k] for key in ("p05", "p50", "p95")}, "mg")
                for line in lines]  # fmt: skip

    return [[with_unit(curve["hours"][k], "h"), *cells(k)] for k in picked]


def _over_time(item: dict) -> Markup:
    return table(OVER_TIME_HEADER, over_time_rows(item), class_="over-time",
                 caption=OVER_TIME_TITLE)  # fmt: skip


def _hours(item: dict) -> str:
    aeration = item["aeration_h"]
    if aeration is None:
        return NOT_COMPUTED
    return (f"{required_hours(item)}, governed by {printable(aeration['governed_by'])}; the "
            f"estimate alone: {hours_up(aeration['p50'])} at 50 %, "
            f"{hours_at_95(aeration)} at 95 %")  # fmt: skip


def _caution(caution: dict) -> Markup:
    return escaped([tag("b", LEVEL[caution["level"]], ": "), caution_text(caution)])


def _cautions(item: dict) -> Markup:
    cautions = item["cautions"]
    if not cautions:
        return tag("p", "No caution stands beside this item.")
    rest = cautions[_BESIDE:]
    further = "1 further caution" if len(rest) == 1 else f"{len(rest)} further cautions"
    folded = tag("details", tag("summary", further),
                 bullets(map(_caution, rest))) if rest else None  # fmt: skip
    return escaped([bullets(map(_caution, cautions[:_BESIDE])), folded])


def _change_text(action: dict) -> Markup:
    new = action["new_verdict"]
    return escaped([action_text(action), " → " if new else "", tag("b", new) if new else None])


def _changes(item: dict) -> Markup:
    if not item["actions"]:
        return tag("p", "Nothing needs to change." if item["verdict"] == "Within" else
                   "No single change was found that moves this verdict." if item["searched"] else
                   "No change was searched for.")  # fmt: skip
    found = bullets(map(_change_text, item["actions"]))
    if item["verdict"] == "Within":  # as everywhere: no action, but what would make it surer
        return escaped([tag("p", "Nothing needs to change. It would be surer with:"), found])
    return found


def _together(devices: int | None) -> str:
    if devices is None:
        return "devices used together not known, taken as those its limit is for"
    return f"{devices} devices used together"


def _contact(planned: Item | None) -> str:
    if planned is None:
        return "see the plan"
    patient = planned.patient
    return (f"{known(patient.duration)} contact, {known(patient.body_mass_kg, 'kg')} body mass, "
            f"{_together(patient.devices_used_together)}, "
            f"{known(patient.contact_area_cm2, 'cm2')} contact area")  # fmt: skip


def _identity(planned: Item | None) -> list[tuple[str, object]]:
    if planned is None:
        return []
    rows = [("Set number", planned.set_number), ("Lot", planned.lot),
            ("Starting type", planned.starting_type)]  # fmt: skip
    if planned.needed_by:
        rows.append(("Needed by", moment_text(planned.needed_by)))
    return [(name, value) for name, value in rows if value]


def _own_records(item: dict) -> Markup | None:
    lines = [own_record_line(row) for row in item.get("own_records", ())]
    return escaped([tag("h3", "The site's own records used"), bullets(lines)]) if lines else None


def item_page(
    number: int, item: dict, planned: Item | None, plan: LoadPlan, samples: int
) -> Markup:
    """Build the page of one item; `samples` is how many its bands rest on."""
    practice = published_practice(planned.packaging) if planned else ""
    rows = [
        ("Use", _contact(planned)),
        *_identity(planned),
        *([("From starting type", starting_text(item))] if item["starting_type"] else []),
        ("Packaging", known(plain_name(planned.packaging) if planned else None)),
        *([("Published practice", practice)] if practice else []),
        ("Aeration needed", _hours(item)),
        *([("Slow tail", f"{slow_tail_hours(item)}. {slow_tail_note([item])}")]
          if slow_tail_hours(item) else []),
        ("Data class", _CLASS.get(item["class"], item["class"])),
        ("Counted", item.get("residue_counted") or "the whole residue"),
    ]
    question = item["question"]
    return tag(
        "section",
        tag("h2", item_title(number, item)),
        tag("p", verdict_mark(item["verdict"]), verdict_line(item).removeprefix(item["verdict"]),
            class_="line-of-verdict"),
        tag("h3", "Why"),
        bullets(why(item)),
        tag("h3", "What would change this verdict"),
        _changes(item),
        tag("p", tag("b", "One question: "), question["text"]) if question else None,
        tag("h3", "Cautions"),
        _cautions(item),
        _residues(item, samples),
        tag("h3", "EO left over aeration time"),
        _curve(item, plan),
        _over_time(item),
        _parts(item),
        _water(item),
        tag("h3", "What matters most"),
        bullets(row["text"] for row in item["matters_most"][:3])
        or tag("p", "No input moves this answer noticeably."),
        tag("h3", "Assumed values"),
        bullets(map(assumed_line, item["assumed"])) or tag("p", "None: every number was given."),
        _own_records(item),
        facts(rows),
        class_="item",
    )
