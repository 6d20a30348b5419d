"""How an answer is said: cautions, water, hours, actions, the numbers of items.

The terminal, the report and the screens share these words, so that one number never reads
differently in two places.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

from eo_risk.judgement.change.names import said_action
from eo_risk.output.numbers import (
    NOT_COMPUTED,
    band_text,
    hours_up,
    known,
    printable,
    significant,
    with_unit,
)
from eo_risk.plan.choices import slow_pool_share, slow_pool_source
from eo_risk.units import floor_to

PLACE = {
    "film": "film on the lumen wall",
    "crevice": "crevices",
    "plug": "plug in the lumen",
    "outside": "outside",
    "sorbed": "in the material",
}
LEVEL = {"block": "blocks", "warn": "warning", "inform": "note"}
WATER_HEADER = ("Where", "Lumen", "After drying", "When EO is let in", "After aeration")
SPLIT = "split the load"
NEGLIGIBLE = 0.05  # of the EG beside it: far inside the band of EG itself


def caution_text(caution: dict) -> str:
    """Say a caution with where it stands and what to do."""
    where = f"{printable(caution['where'])}: " if caution["where"] else ""
    said = (where + printable(caution["text"]), printable(caution["action"]))
    return " ".join(filter(None, said))


def caution_line(caution: dict) -> str:
    """Say a caution with its level in front."""
    return f"{LEVEL[caution['level']]}: {caution_text(caution)}"


def assumed_line(row: dict) -> str:
    """Say which field was assumed, over which range."""
    note = f" ({printable(row['note'])})" if row["note"] else ""
    if row["unit"] == "grades":  # a choice is no range
        return f"{printable(row['field'])}: assumed {printable(row['note'])}"
    span = known(row["high"], row["unit"])
    if row["low"] != row["high"]:
        span = f"{known(row['low'])} to {span}"
    return f"{printable(row['field'])}: assumed {span}{note}"


def own_record_line(row: dict) -> str:
    """Say which number of the site's own stood in for a shipped one, and its source."""
    unit = "" if row["unit"] in ("1", "-") else row["unit"]
    span = f"{known(row['value'])} ({known(row['low'])} to {known(row['high'], unit)})"
    celsius = row["temperature_c"]
    at = "" if celsius is None else f" at {with_unit(celsius, 'C')}"
    note = f" ({printable(row['note'])})" if row["note"] else ""
    return (f"{printable(row['replaces'])}: {span}{at}, own record {printable(row['id'])}, "
            f"{printable(row['source'])}, {printable(row['locator'])}{note}")  # fmt: skip


def difference_text(row: dict) -> str:
    """Say one field in which a run differs from its plan; its unit stands in its name."""
    if row["note"]:
        return f"{printable(row['field'])} {known(row['as_run'])}, {printable(row['note'])}"
    return f"{printable(row['field'])}: planned {known(row['planned'])}, was {known(row['as_run'])}"


def starting_text(item: dict) -> str:
    """Name the fields that still stand as the starting type gave them."""
    fields = [path.rpartition(".")[2] for path in printable(item["starting_type"]).split(", ")]
    plain = (re.sub(r"_(mm|g|cm2)$", "", field).replace("_", " ") for field in fields)
    return f"{', '.join(plain)}; until a value of your own replaces it"


def allowed_water(item: dict) -> str:
    """Say how much leftover water keeps EG below its reference, and the air that reaches it.

    Where an action names minutes of air these stand alone: they serve the whole verdict, and
    two times to dry one item would leave a reader to choose.
    """
    allowed = item.get("water_allowed")
    if not allowed:
        return ""
    timed = any(a["action"] == "dry again" and a["unit"] == "min" for a in item["actions"])
    way = "dry it as long as its action says, then look again" if timed else allowed["note"]
    reference = f"the screening reference of EG, {with_unit(allowed['reference_mg'], 'mg')}"
    largest = allowed["largest_mg"]
    if allowed["others_rule"]:
        return f"Leftover water moves EG little against {reference}, at 95 %: {allowed['note']}."
    if largest is None:
        return f"No water this item can hold passes {reference}, at 95 %; {way}."
    return (f"Up to {with_unit(floor_to(largest, 2), 'mg')} of leftover water, weighed before the "
            f"cycle, stays below {reference}, at 95 %; {way}.")  # fmt: skip


def beside_glycol(item: dict) -> list[str]:
    """Say the diethylene glycol beside EG, and the EG credited as gone in the aeration."""
    said = []
    rows = [row for row in item["residues"] if row["substance"] == "EG"]
    glycol = max((row["p95"] for row in rows if row["model"] in ("film", "whole")), default=0.0)
    deg, removed = item.get("deg_mg"), item.get("glycol_removed_mg")
    glycol += removed["p95"] if removed else 0.0
    if deg and glycol > 0.0:
        share = deg["p95"] / glycol
        rule = "negligible" if share < NEGLIGIBLE else "not negligible: add it to EG"
        said.append(f"Diethylene glycol beside EG: {band_text(deg, 'mg')}, "
                    f"{significant(100.0 * share, 2)} % of it at 95 %, {rule}.")  # fmt: skip
    if removed:
        said.append(f"EG that leaves in the aeration is credited, as the plan asks: "
                    f"{band_text(removed, 'mg')}; without it EG is higher by that.")  # fmt: skip
    return said


def found_wet(item: dict) -> bool:
    """Tell whether liquid was seen on an item, or its glycol passes the reference."""
    codes = {caution["code"] for caution in item["cautions"]}
    return bool({"liquid_seen", "glycol_above_reference"} & codes)


def short_water(item: dict) -> str:
    """Say the water that may stay in a few words, where the item is found wet."""
    allowed = item.get("water_allowed")
    if not allowed or not found_wet(item) or allowed["largest_mg"] is None:
        return ""
    if allowed["others_rule"]:
        said = any("warm up" in action["detail"] for action in item["actions"])
        return "" if said else "; let the load warm up, look again"
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


def edition_text(answer: dict) -> str:
    """Name the edition the limits are from, with its standing."""
    return printable(answer["edition_note"] or answer["edition"])


def _or_more(hours: float | None, unreached: bool | None) -> str:
    """Write hours, never short of what is needed; what was not reached is that and more."""
    return f"{with_unit(hours, 'h')} or more" if unreached else hours_up(hours)


def hours_at_95(aeration: dict) -> str:
    """Write the hours the estimate asks for at 95 %."""
    return _or_more(aeration["p95"], aeration.get("unreached"))


def required_hours(item: dict) -> str:
    """Write the aeration hours an item needs, or why there are none."""
    aeration = item["aeration_h"]
    if aeration is None:
        return NOT_COMPUTED
    return _or_more(aeration["required"], aeration.get("unreached"))


def slow_tail_note(items: Sequence[dict]) -> str:
    """Say that a slow tail was seen, by whom, and what the hours beside those of items assume."""
    replaced = [row["replaces"] for item in items if slow_tail_hours(item)
                for row in item["own_records"]]  # fmt: skip
    own = any(name.endswith("slow_pool.fraction") for name in replaced)
    spared = ", but for the site's own records" if own else ""
    return (f"A slow tail of bound EO was seen ({slow_pool_source()}); the estimate leaves it "
            f"out. Beside it: hours at 95 % with {slow_pool_share()} of the EO in a slow pool"
            f"{spared}.")  # fmt: skip


def slow_tail_hours(item: dict) -> str:
    """Write the hours with a slow pool beside those without; empty where it has no place."""
    aeration = item["aeration_h"]
    hours = aeration and aeration.get("with_slow_pool_p95")
    if not hours:
        return ""
    slow = _or_more(hours, aeration.get("with_slow_pool_unreached"))
    plain = hours_at_95(aeration)
    return "" if slow == plain else f"estimate {slow} with the slow pool, {plain} without"


def load_hours(answer: dict) -> str:
    """Write the aeration hours the load needs: those of its slowest item."""
    slowest = [i for i in answer["items"] if i["name"] == answer["load"]["slowest_item"]]
    beyond = any(i["aeration_h"] and i["aeration_h"].get("unreached") for i in slowest)
    return _or_more(answer["load"]["required_h"], beyond)


def _amount(action: dict) -> str:
    return "" if action["amount"] is None else with_unit(action["amount"], action["unit"])


def action_text(action: dict) -> str:
    """Write one action: what, how much, and how."""
    how = " ".join(filter(None, (_amount(action), printable(action["detail"]))))
    name = said_action(action["action"], action["unit"], action.get("aerator", ""))
    if how.casefold().startswith(f"{name} "):  # "ask: Ask or read the instructions"
        return name + how[len(name):]
    return ": ".join(filter(None, (name, how)))


def split_text(item: dict) -> str | None:
    """Write the loads into which an item's load may be split; None where it need not be."""
    said = (action_text(a) for a in item["actions"] if a["action"] == SPLIT)
    return next((text.removeprefix(f"{SPLIT}: ") for text in said), None)


def following(item: dict) -> list[dict]:
    """List the other actions where the first does not give Within: to be done, or may be."""
    if item["verdict"] == "Within" or not item["actions"]:
        return []
    first, *others = item["actions"]
    return [] if first["new_verdict"] == "Within" else others


def further_actions(item: dict) -> list[str]:
    """Write what else is to be done, or may be, where the first action does not give Within."""
    return [with_verdict(action) for action in following(item)]


def more_to_do(answer: dict) -> list[tuple[str, str]]:
    """Write the further actions of every item, as where and what."""
    return [(where_text([number]), action) for number, item in enumerate(answer["items"], 1)
            for action in further_actions(item)]  # fmt: skip


def with_verdict(action: dict) -> str:
    """Write an action with the verdict it brings."""
    brings = action["new_verdict"]
    return f"{action_text(action)} → {brings}" if brings else action_text(action)


def main_action(item: dict, elsewhere: str = "see its page") -> str:
    """Say what to do first with an item and what that brings, and that there is more.

    What would only make an item that is Within surer is not a thing to do before the cycle.
    Where no change was looked for, everything its cautions ask. `elsewhere` says where the
    other actions stand.
    """
    if item["verdict"] == "Within":
        return "none"
    if not item["actions"]:
        asked = [printable(c["action"]) for c in item["cautions"] if c["level"] == "block"]
        nothing = "none found" if item["searched"] else "not searched"
        return " ".join(dict.fromkeys(asked)) or nothing
    first, others = item["actions"][0], further_actions(item)
    if first["action"] == SPLIT:  # which items go into which load is a list of its own
        first = {**first, "detail": first["detail"].partition(": ")[0]}
    said = with_verdict(first)
    return f"{said}; and {len(others)} more: {elsewhere}" if others else said


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


def caution_groups(answer: dict, level: str) -> list[tuple[dict, list[int]]]:
    """Group the cautions of one level beside items by code, with the items they stand at."""
    groups: dict[str, tuple[dict, list[int]]] = {}
    for number, item in enumerate(answer["items"], 1):
        for caution in item["cautions"]:
            if caution["level"] == level:
                where = groups.setdefault(caution["code"], (caution, []))[1]
                if number not in where:
                    where.append(number)
    return list(groups.values())


def grouped_cautions(answer: dict, level: str) -> list[tuple[str, str]]:
    """Say the cautions of one level beside items in full, as where and what."""
    return [(where_text(numbers), f"{caution['text']} {caution['action']}")
            for caution, numbers in caution_groups(answer, level)]  # fmt: skip


def load_cautions(answer: dict) -> list[str]:
    """Say every caution of the load as a whole, whatever its level."""
    return list(map(caution_line, answer["cautions"]))
