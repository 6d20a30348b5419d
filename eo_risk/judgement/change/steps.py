"""Single changes an action can name, before anyone knows what they bring."""

from __future__ import annotations

from collections.abc import Iterator

from eo_risk import reference, units
from eo_risk.judgement.change.bench import Bench, Edit, rank
from eo_risk.judgement.change.edits import highest_allowed_c, place_of
from eo_risk.judgement.change.search import smallest
from eo_risk.judgement.hours import lengthened_step
from eo_risk.judgement.result import VERDICTS, Action, ItemResult, Verdict
from eo_risk.judgement.water.channels import ways_of
from eo_risk.plan.load_plan import Item, LoadPlan

_REWASH = {"salt_left", "oil_lubricant", "rinse_water_unknown", "lubricant_unknown"}


def time_of(name: str) -> float:
    """Return a time of the advice's records. [min]"""
    return units.from_si(reference.record(f"advice.{name}").value_si, "min")


def blocking_codes(result: ItemResult) -> set[str]:
    return {c.code for c in result.cautions if c.level == "block"}


def fixes_of(result: ItemResult) -> list[Action]:
    """Return what blocking cautions ask to be done, before it is known what that brings."""
    codes, found = blocking_codes(result), []
    if "liquid_seen" in codes:
        found.append(Action("dry again", "until no droplet shows anywhere, then look again", None,
                            "", None, time_of("dry_time")))  # fmt: skip
    if {"not_looked", "gas_access_doubtful"} & codes:
        found.append(Action("look", "look into every lumen and joint: air comes through, no "
                            "droplet shows", None, "", None, time_of("look_time")))  # fmt: skip
    if _REWASH & codes:
        found.append(Action("rewash", "rinse with treated water, use no oil, dry as before, then "
                            "look", None, "", None, time_of("rewash_time")))  # fmt: skip
    if "humidity_too_low" in codes:
        low, high = (reference.record(f"decision.humidity_{end}").value for end in ("low", "high"))
        found.append(Action("humidify", f"relative humidity in the chamber, at most {high:g} %",
                            low, "%", None, time_of("dry_time")))  # fmt: skip
    return found


def is_wet(result: ItemResult) -> bool:
    """Tell whether leftover water stands against an item."""
    spot = any(r.model == "wet_spot" and r.band.p95 > (r.limit or 0) for r in result.residues)
    wet = {"liquid_seen", "glycol_above_reference", "not_looked"}
    return spot or bool(wet & blocking_codes(result))


def lets_air_through(item: Item) -> bool:
    return bool(item.lumens) and all(ways_of(item, lumen).passes_air for lumen in item.lumens)


def more_air_for(minutes: float, verdict: Verdict | None = None) -> Action:
    detail = "more compressed air through each lumen, then look again"
    added = minutes + time_of("look_time")
    return Action("dry again", detail, float(minutes), "min", verdict, added)


def longest_air() -> int:
    return round(time_of("longest_drying"))


def may_blow(plan: LoadPlan, result: ItemResult) -> bool:
    """Tell whether more air through the lumens can be asked for: wet, and air passes."""
    return is_wet(result) and lets_air_through(plan.items[place_of(plan, result.name)])


def least_air(worse_than: Verdict, bench: Bench, edited: Edit) -> Action | None:
    """Return the fewest minutes of air that move the verdict; `edited` makes the plan of one."""

    def at(minutes: int) -> int:
        return rank(bench(edited(more_air_for(minutes)))[0])

    best = at(longest_air())
    if best <= rank(worse_than):
        return None
    minutes = smallest(0, longest_air(), lambda m: at(m) >= best, likely_low=True)
    return more_air_for(minutes, VERDICTS[best])


def hours_more(plan: LoadPlan, hours: int, verdict: Verdict | None) -> Action:
    place = plan.aeration[lengthened_step(plan)]
    at = "" if place.temperature_c is None else f" at {place.temperature_c:g} C"
    return Action("aerate longer", f"more{at}", float(hours), "h", verdict, 60.0 * hours)


def warmed_to(
    plan: LoadPlan, temperature_c: float, verdict: Verdict | None, *, same_hours: bool = True
) -> Action:
    now = plan.aeration[lengthened_step(plan)].temperature_c
    detail = f"{'for the same hours, ' if same_hours else ''}instead of {now:g} C"
    return Action("aerate longer", detail, temperature_c, "C", verdict, 0.0)


def temperatures(plan: LoadPlan) -> Iterator[float]:
    """Yield the warmer aeration temperatures every item allows, step by step."""
    allowed, now = highest_allowed_c(plan), plan.aeration[lengthened_step(plan)].temperature_c
    if allowed is None or now is None:
        return
    step = reference.record("advice.temperature_step").value
    while now + step <= allowed:
        now += step
        yield now
