"""How an answer is said: numbers with band and unit, verdict lines, labels of residues.

The terminal, the report and the screens share these words, so that one number never reads
differently in two places.
"""

from __future__ import annotations

import math
import re
import unicodedata
from collections.abc import Sequence
from datetime import datetime

from eo_risk.plan.choices import slow_pool_share, slow_pool_source

UNKNOWN = "unknown"
NOT_COMPUTED = "not computed"

QUANTITY = {
    "mg_per_device": "per piece",
    "ug_per_cm2": "per contact area",
    "ug_per_lens": "per lens",
}
PERIOD = {
    "day": "average per day",
    "24h": "first 24 h",
    "30d": "first 30 days",
    "lifetime": "lifetime",
    "total": "in total",
    "contact": "at contact",
}
MODEL = {
    "whole": "whole item",
    "film": "water as film",
    "plug": "water as plug",
    "ceiling": "ceiling: all water reacts",
    "wet_spot": "wet spot",
}
PLACE = {
    "film": "film on the lumen wall",
    "crevice": "crevices",
    "plug": "plug in the lumen",
    "outside": "outside",
    "sorbed": "in the material",
}
LEVEL = {"block": "blocks", "warn": "warning", "inform": "note"}
RESIDUE_HEADER = ("Substance", "Compared", "Left (5 to 95 %)", "Against", "Stands", "Chance over")
WATER_HEADER = ("Where", "Lumen", "After drying", "When EO is let in", "After aeration")
SCREENING = "screening, not a limit; says nothing about local irritation"
_UNITS = {"ug": "µg", "ug/cm2": "µg/cm²", "mg/d": "mg/day", "1/h": "air changes per h",
          "C": "°C", "F": "°F"}  # fmt: skip


def shown_unit(unit: str) -> str:
    """Spell a unit the way it is printed."""
    return _UNITS.get(unit, re.sub(r"\bug", "µg", unit).replace("cm2", "cm²").replace("m3", "m³"))


_EDITION = "ISO 10993-7"
_NUMBER_REASON = re.compile(r"(EO|ECH|EG) \d")


def printable(text: object) -> str:
    """Replace control and direction characters, which could disguise what a line says."""
    return "".join(
        " " if unicodedata.category(c) in ("Cc", "Cf", "Cs", "Co", "Zl", "Zp") else c
        for c in str(text)
    )


def significant(number: float | None, digits: int = 3) -> str:
    """Write a number with a few significant figures; what is no number is not computed."""
    if number is None or not math.isfinite(number):
        return NOT_COMPUTED
    if number == 0:
        return "0"
    text = f"{number:.{digits}g}"
    if "e" in text and 1e-4 <= abs(number) < 1e7:
        places = max(digits - 1 - math.floor(math.log10(abs(float(text)))), 0)
        text = f"{float(text):.{places}f}"
    return text


def with_unit(number: float | None, unit: str, digits: int = 3) -> str:
    """Write a number with its unit."""
    text = significant(number, digits)
    return text if text == NOT_COMPUTED else f"{text} {shown_unit(unit)}"


def _digits_apart(points: Sequence[float], limit: float | None) -> int:
    """Count the figures, 2 to 4, that keep every point on its own side of the limit."""
    if limit is None:
        return 2
    shown_limit = float(significant(limit, 4))
    for digits in (2, 3):
        rounded = [float(f"{p:.{digits}g}") for p in points]
        pairs = zip(points, rounded, strict=True)
        if all((p > limit) == (r > shown_limit) and (p == limit or r != shown_limit)
               for p, r in pairs):  # fmt: skip
            return digits
    return 4


def _figures(number: float, digits: int) -> str:
    """Write all the figures asked for: 2.0, not 2."""
    text = f"{number:#.{digits}g}".rstrip(".")
    return significant(number, digits) if "e" in text or number == 0 else text


def band_text(band: dict, unit: str, limit: float | None = None) -> str:
    """Write a median with its 5 to 95 % band: ``6.1 mg (3.9 to 9.8)``."""
    points = [band.get(key) for key in ("p05", "p50", "p95")]
    if any(p is None or not math.isfinite(p) for p in points):
        return NOT_COMPUTED
    digits = _digits_apart(points, limit)
    low, middle, high = (_figures(p, digits) for p in points)
    return f"{middle} {shown_unit(unit)} ({low} to {high})"


def hours_up(hours: float | None) -> str:
    """Write hours rounded up to a tenth: a printed time never falls short of the needed one."""
    if hours is None or not math.isfinite(hours):
        return NOT_COMPUTED
    tenths = math.ceil(hours * 10.0 - 1e-6) / 10.0
    return f"{tenths:.0f} h" if tenths == int(tenths) else f"{tenths:.1f} h"


def chance_text(probability: float | None, error: float | None) -> str:
    """Write the chance of being over a limit with its sampling error, in percent."""
    if probability is None:
        return "-"
    if probability in (0.0, 1.0):
        return "no sample" if probability == 0.0 else "every sample"
    percent = f"{100.0 * probability:.1f}"
    margin = "" if error is None else f" ± {100.0 * error:.1f}"
    return f"{percent}{margin} %"


def moment_text(moment: datetime | str | None) -> str:
    """Write a time with its offset, without seconds."""
    if moment is None:
        return UNKNOWN
    if isinstance(moment, str):
        moment = datetime.fromisoformat(moment)
    text = moment.isoformat(sep=" ", timespec="minutes")
    return f"{text[:16]} {text[16:]}".strip()


def known(value: object, unit: str = "", digits: int = 3) -> str:
    """Write a plan field with its unit; a blank says unknown."""
    if value is None or value == "":
        return UNKNOWN
    if isinstance(value, (int, float)) and not isinstance(value, bool):
        text = significant(float(value), digits)
        return f"{text} {shown_unit(unit)}".strip()
    return printable(value)


def shorten(text: str, length: int) -> str:
    """Cut text at a word, with an ellipsis that says there is more."""
    text = " ".join(printable(text).split())
    if len(text) <= length:
        return text
    head = text[: length - 1]
    at_word = head.rsplit(" ", 1)[0]
    return (at_word if len(at_word) > length // 2 else head).rstrip(" ,;:.") + "…"


def caution_text(caution: dict) -> str:
    """Say a caution with where it stands and what to do."""
    where = f"{printable(caution['where'])}: " if caution["where"] else ""
    said = (where + printable(caution["text"]), printable(caution["action"]))
    return " ".join(filter(None, said))


def assumed_line(row: dict) -> str:
    """Say which field was assumed, over which range."""
    note = f" ({printable(row['note'])})" if row["note"] else ""
    span = f"{known(row['low'])} to {known(row['high'], row['unit'])}"
    return f"{printable(row['field'])}: assumed {span}{note}"


def own_record_line(row: dict) -> str:
    """Say which number of the site's own stood in for a shipped one, and its source."""
    span = f"{known(row['value'])} ({known(row['low'])} to {known(row['high'], row['unit'])})"
    celsius = row["temperature_c"]
    at = "" if celsius is None else f" at {with_unit(celsius, '°C')}"
    return (f"{printable(row['replaces'])}: {span}{at}, own record {printable(row['id'])}, "
            f"{printable(row['source'])}, {printable(row['locator'])}")  # fmt: skip


def difference_text(row: dict) -> str:
    """Say one field in which a run differs from its plan; its unit stands in its name."""
    if row["note"]:
        return f"{printable(row['field'])} {known(row['as_run'])}, {printable(row['note'])}"
    return f"{printable(row['field'])}: planned {known(row['planned'])}, was {known(row['as_run'])}"


def starting_text(item: dict) -> str:
    """Name the fields that still stand as the starting type gave them."""
    return f"{printable(item['starting_type'])}; until a value of your own replaces it"


def allowed_water(item: dict) -> str:
    """Say how much leftover water keeps EG below its reference, and the air that reaches it."""
    allowed = item.get("water_allowed")
    if not allowed:
        return ""
    reference = f"the screening reference of EG, {with_unit(allowed['reference_mg'], 'mg')}"
    largest = allowed["largest_mg"]
    if largest is None:
        return f"No water this item can hold passes {reference}, at 95 %; {allowed['note']}."
    return (f"Up to {with_unit(floor_to(largest), 'mg')} of leftover water, weighed before the "
            f"cycle, stays below {reference}, at 95 %; {allowed['note']}.")  # fmt: skip


_NEGLIGIBLE = 0.05  # of the EG beside it: far inside the band of EG itself


def beside_glycol(item: dict) -> list[str]:
    """Say the diethylene glycol beside EG, and the EG credited as gone in the aeration."""
    said = []
    rows = [row for row in item["residues"] if row["substance"] == "EG"]
    glycol = max((row["p95"] for row in rows if row["model"] in ("film", "whole")), default=0.0)
    deg, removed = item.get("deg_mg"), item.get("glycol_removed_mg")
    glycol += removed["p95"] if removed else 0.0
    if deg and glycol > 0.0:
        share = deg["p95"] / glycol
        rule = "negligible" if share < _NEGLIGIBLE else "not negligible: add it to EG"
        said.append(f"Diethylene glycol beside EG: {band_text(deg, 'mg')}, "
                    f"{significant(100.0 * share, 2)} % of it at 95 %, {rule}.")  # fmt: skip
    if removed:
        said.append(f"EG that leaves in the aeration is credited, as the plan asks: "
                    f"{band_text(removed, 'mg')}; without it EG is higher by that.")  # fmt: skip
    return said


def floor_to(number: float, digits: int = 3) -> float:
    """Round down to a few figures: a largest amount is never printed larger than it is."""
    if number <= 0.0:
        return number
    step = 10.0 ** (math.floor(math.log10(number)) - digits + 1)
    return math.floor(number / step + 1e-9) * step


def found_wet(item: dict) -> bool:
    """Tell whether liquid was seen on an item, or its glycol passes the reference."""
    codes = {caution["code"] for caution in item["cautions"]}
    return bool({"liquid_seen", "glycol_above_reference"} & codes)


def short_water(item: dict) -> str:
    """Say the water that may stay in a few words, where the item is found wet."""
    allowed = item.get("water_allowed")
    if not allowed or not found_wet(item) or allowed["largest_mg"] is None:
        return ""
    return f"; at most {with_unit(floor_to(allowed['largest_mg'], 2), 'mg')} water, look again"


def water_rows(item: dict) -> list[list[str]]:
    """Write leftover water by place and in all, at the three moments."""
    moments = ("after_drying", "at_injection", "after_aeration")
    rows = [
        [PLACE.get(place["place"], place["place"]), printable(place["lumen"] or "-"),
         *(band_text(place[moment], "mg") for moment in moments)]
        for place in item["water_by_place"]
    ]  # fmt: skip
    total = (band_text(item["water_mg"][moment], "mg") for moment in moments)
    return [*rows, ["all liquid water", "-", *total]]


def ruling_residue(item: dict) -> dict | None:
    """Find the residue that decides: nearest to, or furthest above, its limit."""
    rows = [row for row in item["residues"] if row["used_for_verdict"]]
    with_limit = [row for row in rows if row["limit"]]
    if with_limit:
        return max(with_limit, key=lambda row: row["p95"] / row["limit"])
    return rows[0] if rows else None


def limit_text(row: dict) -> str:
    """Write a limit or screening reference with what it stands for."""
    word = "limit" if row["kind"] == "limit" else "screening reference"
    if row["limit"] is None:
        return f"no figure for the {word}"
    period = PERIOD.get(row["period"], row["period"])
    basis = printable(row["basis"])
    if basis.startswith(_EDITION):  # the edition stands once on the sheet, not in every line
        basis = basis.partition(": ")[2]
    about = ", ".join(filter(None, (period, basis)))
    return f"{word} {with_unit(row['limit'], row['unit'], 4)} ({about})"


def residue_text(row: dict) -> str:
    """Write a residue with its band and limit: ``EO 6.1 mg (3.9 to 9.8), limit 4 mg (...)``."""
    band = band_text(row, row["unit"], row["limit"])
    spot = " in a wet spot" if row["model"] == "wet_spot" else ""
    chance = f", {row['probability_over']:.0%} chance of being over" if _doubtful(row) else ""
    return f"{row['substance']} {band}{spot}, {limit_text(row)}{chance}"


def _doubtful(row: dict) -> bool:
    """Tell whether the limit lies inside the band, so that the chance of being over matters."""
    return row["probability_over"] is not None and row["p05"] <= row["limit"] < row["p95"]


def ruling_text(item: dict) -> str:
    """Write the residue that decides against its limit."""
    row = ruling_residue(item)
    return residue_text(row) if row else "no residue computed"


def causes(item: dict) -> list[str]:
    """List the reasons that are no residue; residues are said by `residue_text`."""
    return [printable(reason) for reason in item["reasons"] if not _NUMBER_REASON.match(reason)]


def one_line(reasons: Sequence[str]) -> str:
    """Put reasons behind one another."""
    return "; ".join(reason.removesuffix(".") for reason in reasons)


def short_reason(item: dict) -> str:
    """Say why in a few words: what was found, else how the ruling residue stands."""
    found = causes(item)
    if found:
        return one_line(found)
    row = ruling_residue(item)
    if row is None or row["limit"] is None:
        return "no residue could be compared with a limit"
    if row["p95"] <= row["limit"]:
        return "the 95 % bound is inside every limit"
    where = "above its limit" if row["p05"] > row["limit"] else "has its limit inside the band"
    return f"{row['substance']} {where}"


def why(item: dict) -> list[str]:
    """List every reason: what was found, then each residue over a limit or nearest to it."""
    over = [
        row for row in item["residues"]
        if row["used_for_verdict"] and row["limit"] and row["p95"] > row["limit"]
    ]  # fmt: skip
    return [*causes(item), *(map(residue_text, over) if over else [ruling_text(item)])]


def edition_text(answer: dict) -> str:
    """Name the edition the limits are from, with its standing."""
    return printable(answer["edition_note"] or answer["edition"])


def verdict_line(item: dict) -> str:
    """Say the verdict of an item in one line: word, number against limit, reason."""
    return " - ".join([item["verdict"], ruling_text(item), *causes(item)[:1]])


def model_text(row: dict) -> str:
    """Say what a residue row compares: period, quantity, model and buffering."""
    words = (
        QUANTITY.get(row["quantity"], row["quantity"]),
        PERIOD.get(row["period"], row["period"]),
        MODEL.get(row["model"], row["model"]),
        row["buffering"],
    )
    return ", ".join(filter(None, words))


def standing_text(row: dict) -> str:
    """Say how a residue stands to its limit or reference, in words that fit its kind."""
    if row["limit"] is None:
        return "no figure"
    above, inside = row["p05"] > row["limit"], row["p95"] <= row["limit"]
    if row["kind"] == "screening":
        place = "below" if inside else "above" if above else "around"
        return f"{place} the reference"
    return "inside" if inside else "above" if above else "limit inside the band"


def required_hours(item: dict) -> str:
    """Write the aeration hours an item needs, or why there are none."""
    aeration = item["aeration_h"]
    if aeration is None:
        return NOT_COMPUTED
    hours = hours_up(aeration["required"])
    return f"{hours} or more" if aeration.get("unreached") else hours


def slow_tail_note() -> str:
    """Say that a slow tail was seen, by whom, and what the hours beside it assume."""
    return (f"A slow tail of bound EO was seen ({slow_pool_source()}); the estimate leaves it "
            f"out. Beside it: hours at 95 % with {slow_pool_share()} of the EO in a slow pool.")


def slow_tail_hours(item: dict) -> str:
    """Write the hours with a slow pool beside those without; empty where it has no place."""
    aeration = item["aeration_h"]
    hours = aeration and aeration.get("with_slow_pool_p95")
    if not hours:
        return ""
    more = " or more" if aeration.get("with_slow_pool_unreached") else ""
    return f"{hours_up(hours)}{more} with the slow pool, {hours_up(aeration['p95'])} without"


def load_hours(answer: dict) -> str:
    """Write the aeration hours the load needs: those of its slowest item."""
    slowest = [i for i in answer["items"] if i["name"] == answer["load"]["slowest_item"]]
    beyond = any(i["aeration_h"] and i["aeration_h"].get("unreached") for i in slowest)
    return hours_up(answer["load"]["required_h"]) + (" or more" if beyond else "")


def action_text(action: dict) -> str:
    """Write one action, its amount first: what is cut off a long line is never the number."""
    amount = ""
    if action["amount"] is not None:
        amount = with_unit(action["amount"], action["unit"])
    what = " ".join(filter(None, (action["action"], amount)))
    return ": ".join(filter(None, (what, printable(action["detail"]))))


def main_action(item: dict) -> str:
    """Say what to do first with an item: its first action, else that of its worst caution.

    What would only make an item that is Within surer is not a thing to do before the cycle.
    """
    if item["actions"] and item["verdict"] != "Within":
        return action_text(item["actions"][0])
    blocking = [c for c in item["cautions"] if c["level"] == "block"]
    return printable(blocking[0]["action"]) if blocking else "none"


def where_text(numbers: Sequence[int]) -> str:
    """Name items by number: ``items 2, 5, 7 to 9``; without numbers, the load."""
    if not numbers:
        return "load"
    runs: list[list[int]] = []
    for number in numbers:
        if runs and number == runs[-1][-1] + 1:
            runs[-1].append(number)
        else:
            runs.append([number])
    said = [f"{run[0]} to {run[-1]}" if len(run) > 2 else ", ".join(map(str, run)) for run in runs]
    return ("items " if len(numbers) > 1 else "item ") + ", ".join(said)


def plain_name(name: str) -> str:
    """Write an id of a material or packaging in words."""
    return printable(name).replace("_", " ")


def blocking_groups(answer: dict) -> list[tuple[dict, list[int]]]:
    """Group the blocking cautions of items and load by code, with the items they stand at."""
    groups: dict[str, tuple[dict, list[int]]] = {}
    for number, item in enumerate(answer["items"], 1):
        for caution in item["cautions"]:
            if caution["level"] == "block":
                where = groups.setdefault(caution["code"], (caution, []))[1]
                if number not in where:
                    where.append(number)
    for caution in answer["cautions"]:
        if caution["level"] == "block":
            groups.setdefault(caution["code"], (caution, []))
    return list(groups.values())
