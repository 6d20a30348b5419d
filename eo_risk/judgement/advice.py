"""What to change: each action is one edit of the plan, re-assessed before it is promised.

An action names the smallest whole step (1 min of air, 1 mg of water, 1 h of aeration, 5 C) that
moves the verdict of its item; `edits.apply` makes the edit, so that anyone can check the
promise. Nothing proposes a warmer aeration than every item allows, and nobody opens a chamber
or aerator for a single item: a split is decided before the cycle.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

from eo_risk import units
from eo_risk.judgement.change.bench import Bench, hours_for, rank, settled
from eo_risk.judgement.change.edits import (
    Aerators,
    apply,
    highest_allowed_c,
    in_aerator,
    place_of,
    planned_h,
    warmer,
    whenever_out,
)
from eo_risk.judgement.change.measurement import measure_actions
from eo_risk.judgement.change.search import smallest
from eo_risk.judgement.change.split import split_actions
from eo_risk.judgement.change.steps import (
    blocking_codes,
    fixes_of,
    hours_more,
    is_wet,
    least_air,
    lets_air_through,
    may_blow,
    temperatures,
    time_of,
    warmed_to,
)
from eo_risk.judgement.change.together import aeration_as_asked, shortest_together
from eo_risk.judgement.hours import lengthened_step
from eo_risk.judgement.item_result import ItemDraft
from eo_risk.judgement.result import VERDICTS, Action, ItemResult, LoadResult, Verdict
from eo_risk.plan.load_plan import LoadPlan

__all__ = ["LARGEST_LOAD", "apply", "highest_allowed_c", "with_actions"]

_ITEMS_ADVISED = 20
# Every trial of a change runs the air of the whole load: beyond this many items none is tried.
LARGEST_LOAD = 200

# Cautions by what is done about them; the others are asked, or end in another method.
_ASK = ("use_unknown", "requirement_unknown", "packaging_unknown", "gas_access_doubtful",
        "rinse_water_unknown", "lubricant_unknown", "irradiation_unknown")  # fmt: skip
# Where another method is the way out, and what else may be; nothing else helps the first two.
_NEVER = {
    "use_not_allowed": "the instructions for use do not allow EO",
    "needed_too_soon": "wanted before it may come out",
    "pack_not_permeable": "EO does not pass this packaging, unless it is repacked",
    "lumen_closed": "a lumen is closed, unless it is opened as the instructions say",
    "channel_blocked": "a channel is blocked, unless it is cleared",
    "oil_lubricant": "oil is on it, unless it is washed off",
    "irradiated_chlorinated": "irradiated before, unless its chlorohydrin is measured",
}
_NO_OTHER_WAY = {"use_not_allowed", "needed_too_soon"}


def _named_mg(milligrams: float) -> int:
    """Round a largest mass down: a scale, and the next samples, do not overturn two figures."""
    return math.floor(units.floor_to(milligrams, 2))


def _water_in_all(draft: ItemDraft, result: ItemResult) -> Action | None:
    """Return the water in all places at which EG stays below its reference at 95 %.

    It is what a scale would show before the cycle: what condenses or dries later is counted.
    Unpromised: where in the item it sits nobody weighs.
    """
    allowed = draft.water_allowed
    if "glycol_above_reference" not in blocking_codes(result) or allowed is None:
        return None
    keep_mg = _named_mg(units.from_si(allowed.largest_kg or 0.0, "mg"))
    if keep_mg == 0 or allowed.others_rule:
        much = "passes the reference alone" if keep_mg == 0 else "makes most of the glycol"
        return Action("dry again", "the outside and joints, and let the load warm up before the "
                      f"cycle: what condenses on it {much}; then look again",
                      None, "", None, time_of("dry_time"))  # fmt: skip
    return Action("dry again", "of water at most in all, weighed before the cycle: dry the outside "
                  "and joints too, then look again", float(keep_mg), "mg", None,
                  time_of("dry_time"))  # fmt: skip


def _dry_to(plan: LoadPlan, draft: ItemDraft, result: ItemResult, bench: Bench) -> Action | None:
    """Return the most water that may stay where no air goes through lumens.

    Named only where water decides: not where what condenses makes most of the glycol.
    """
    item = plan.items[place_of(plan, bench.name)]
    if not is_wet(result) or lets_air_through(item):
        return None
    allowed, codes = draft.water_allowed, blocking_codes(result)
    if allowed is not None and allowed.others_rule and "glycol_above_reference" in codes:
        return _water_in_all(draft, result)
    where = "in each lumen" if item.lumens else "outside"
    detail = f"of water {where} at most, weighed before the cycle, then look again"

    def action(water_mg: int, verdict: Verdict | None = None) -> Action:
        return Action("dry again", detail, float(water_mg), "mg", verdict, time_of("dry_time"))

    best = bench(bench.done(plan, action(0)))[0]
    if rank(best) <= rank(result.verdict):
        return _water_in_all(draft, result)
    enough = math.ceil(units.from_si(draft.water[0].p95, "mg")) + 1

    def stays(water_mg: int) -> bool:
        return rank(bench(bench.done(plan, action(water_mg)))[0]) < rank(best)

    if not item.lumens and allowed is not None and allowed.largest_kg:
        # One weighing, one figure: the mass named beside the item, where that is enough.
        named_mg = _named_mg(units.from_si(allowed.largest_kg, "mg"))
        if not stays(named_mg):
            return action(named_mg, best)
    too_much = smallest(0, enough, stays)
    if too_much is None:  # what is found outside may be weighed and stay: the rest passes
        return _water_in_all(draft, result)
    return action(_named_mg(too_much - 1), best)


def _aerate(plan: LoadPlan, draft: ItemDraft, result: ItemResult, bench: Bench) -> list[Action]:
    """Return the aeration that would move the verdict alone: longer, warmer, elsewhere."""
    actions = []
    found = hours_for(plan, draft, result.verdict, bench, lambda edited: edited)
    if found is not None:
        actions.append(hours_more(plan, *found))
    for temperature_c in temperatures(plan):
        verdict, _ = bench(warmer(plan, temperature_c))
        if rank(verdict) > rank(result.verdict):
            actions.append(warmed_to(plan, temperature_c, verdict))
            break
    elsewhere = _elsewhere(plan, result, bench)
    return actions + ([elsewhere] if elsewhere else [])


def _elsewhere(plan: LoadPlan, result: ItemResult, bench: Bench) -> Action | None:
    """Return the site's aerator that moves the verdict in the fewest hours of that step."""
    index = lengthened_step(plan)
    now = plan.aeration[index]
    others_h = planned_h(plan) - (now.hours or 0.0)
    allowed, found = highest_allowed_c(plan), []
    for name, aerator in bench.aerators.items():
        degrees = aerator.temperature_c
        if aerator.holds_other_load == "yes" or degrees is None:
            continue
        if degrees > (allowed if allowed is not None else now.temperature_c or degrees - 1.0):
            continue
        kept = in_aerator(plan, aerator, now.hours or 0.0)
        where = aerator.model_copy(update={"holds_other_load": now.holds_other_load})
        if in_aerator(plan, where, now.hours or 0.0) == plan:
            continue
        _, drafted = bench(kept, follow=True)
        if drafted.aeration is None or drafted.aeration.beyond_cap:
            continue
        needed_h = drafted.aeration.required_s / units.SECONDS_PER_HOUR
        most = max(1, math.ceil(needed_h - others_h) + math.ceil(others_h) + 1)

        def at(hours: int, aerator=aerator) -> int:
            return rank(bench(in_aerator(plan, aerator, float(hours)))[0])

        best = at(most)
        if best <= rank(result.verdict):
            continue
        hours = smallest(0, most, lambda h, at=at, best=best: at(h) >= best)
        found.append((-best, hours, name))
    emptied = in_aerator(plan, now, 0.0)
    for best, hours, name in sorted(found):
        def moved(edited: LoadPlan, name: str = name) -> LoadPlan:
            return in_aerator(edited, bench.aerators[name], edited.aeration[index].hours)

        # What the load gives off may tell in this air even where today's air is clean.
        settling = settled(emptied, hours, VERDICTS[-best], bench, moved)
        if settling is not None:
            return _in(plan, name, *settling, bench)
    return None


def _in(plan: LoadPlan, name: str, hours: int, verdict: Verdict, bench: Bench) -> Action:
    now_h = plan.aeration[lengthened_step(plan)].hours or 0.0
    aerator = bench.aerators[name]
    detail = f"in {name} at {aerator.temperature_c:g} C, instead of {now_h:g} h as planned"
    if aerator.holds_other_load != "no":
        detail += ", if no other load is in it"
    return Action("aerate longer", detail, float(hours), "h", verdict, 60.0 * (hours - now_h),
                  aerator=name)  # fmt: skip


def _unpromised(draft: ItemDraft, result: ItemResult) -> list[Action]:
    """Return what no model can promise: ask, or use another method."""
    codes, actions = blocking_codes(result), []
    # What holds the item is asked first: no other answer would move it.
    unknown = [f"{c.action.removesuffix('.')} ({c.where})." if c.where else c.action
               for code in _ASK for c in result.cautions
               if c.code == code and c.level == "block"]  # fmt: skip
    others = [result.question.text] if result.question else []
    text = next(iter((*unknown, *others, *draft.missing)), None)
    if text is not None:
        actions.append(Action("ask", text, None, "", None, time_of("look_time")))
    if "instructions_exceeded" in codes:
        actions.append(Action("use another method", "or a cycle and aeration inside the "
                              "instructions for use", None, "", None, 0.0))  # fmt: skip
    never = [why for code, why in _NEVER.items() if code in codes]
    if never:
        actions.append(Action("use another method", "; ".join(never), None, "", None, 0.0))
    return actions


def _actions(
    plan: LoadPlan, draft: ItemDraft, result: ItemResult, bench: Bench, splits: dict
) -> tuple[Action, ...]:
    fixes = []
    for fix in fixes_of(result):
        verdict, _ = bench(bench.done(plan, fix))
        better = verdict if rank(verdict) > rank(result.verdict) else None
        fixes.append(replace(fix, new_verdict=better))
    air = None
    if may_blow(plan, result):
        air = least_air(result.verdict, bench, lambda action: bench.done(plan, action))
        if air is None and "needed_too_soon" in blocking_codes(result):
            # For how long is worth knowing even where it comes out too late.
            air = least_air(result.verdict, bench, lambda action: whenever_out(
                bench.done(plan, action), result.name))  # fmt: skip
            air = air and replace(air, new_verdict=None)
    found = [a for a in (air, _dry_to(plan, draft, result, bench)) if a is not None]
    if air is not None:  # minutes say more than "until no droplet shows"
        fixes = [f for f in fixes if f.action != "dry again"]
    found += fixes + _aerate(plan, draft, result, bench)
    found += shortest_together(plan, result, found, bench)
    if not any(a.action == "dry again" for a in found):
        in_all = _water_in_all(draft, result)
        found += [] if in_all is None else [in_all]
    if not any(b.action == "aerate longer" for a in found for b in (a, *a.together)):
        found += aeration_as_asked(plan, result, bench)
    found += measure_actions(plan, draft, result, bench) + _unpromised(draft, result)
    found += split_actions(plan, result, bench, splits)
    moved = [a for a in found if a.new_verdict is not None]
    rest = [a for a in found if a.new_verdict is None]
    best_first = sorted(moved, key=lambda a: (-rank(a.new_verdict), a.added_minutes))
    if _NO_OTHER_WAY & blocking_codes(result):  # what dries or looks comes too late
        rest.sort(key=lambda a: a.action != "use another method")
    return (*best_first, *rest)


def with_actions(
    context, drafts: list[ItemDraft], items: tuple[ItemResult, ...], load: LoadResult,
    assess: Callable, whole: Callable, aerators: Aerators | None = None,
) -> tuple[ItemResult, ...]:  # fmt: skip
    """Return the items with the changes that would move their verdicts.

    `assess(context, plan, index, load)` re-assesses one item of an edited plan and returns
    its verdict and draft, in the air of this plan; `whole(context, plan)` checks an edited plan
    as a user would; `aerators` are the site's own, by name. In a long load the first twenty of
    either kind are looked at: the others keep what their cautions say.
    """
    tried, found, splits = {"Within": 0, "other": 0}, [], {}
    for draft, item in zip(drafts, items, strict=True):
        kind = "Within" if item.verdict == "Within" else "other"
        if tried[kind] >= _ITEMS_ADVISED:
            found.append(item)
            continue
        tried[kind] += 1
        bench = Bench(context, item.name, items, load, assess, whole, dict(aerators or {}))
        if kind == "Within":
            actions = tuple(measure_actions(context.plan, draft, item, bench))
        else:
            actions = _actions(context.plan, draft, item, bench, splits)
        found.append(replace(item, actions=actions, searched=True))
    return tuple(found)
