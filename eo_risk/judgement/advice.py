"""What to change: each action is one edit of the plan, re-assessed before it is promised.

An action names the smallest whole step (1 min of air, 1 h of aeration, 5 C) that moves the
verdict of its item; `apply` makes the edit, so that anyone can check the promise. Nothing
proposes a warmer aeration than every item allows, and nobody opens a chamber or aerator for a
single item: a split is decided before the cycle.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

from eo_risk import reference, units
from eo_risk.judgement.hours import cap_s, lengthened_step
from eo_risk.judgement.item_result import ItemDraft
from eo_risk.judgement.result import VERDICTS, Action, ItemResult, LoadResult, Verdict
from eo_risk.plan.load_plan import DryingStep, Item, LoadPlan

_ITEMS_ADVISED = 20
_NEAR_H = 4
_MOST_SETTLING_STEPS = 64


def _minutes(name: str) -> float:
    """Return a time of the advice's records. [min]"""
    return units.from_si(reference.record(f"advice.{name}").value_si, "min")


def _longest_drying_min() -> int:
    return round(_minutes("longest_drying"))


def _step_c() -> float:
    return reference.record("advice.temperature_step").value


def _rank(verdict: Verdict) -> int:
    return VERDICTS.index(verdict)


def _with_item(plan: LoadPlan, index: int, item: Item) -> LoadPlan:
    items = (*plan.items[:index], item, *plan.items[index + 1 :])
    return plan.model_copy(update={"items": items})


def _looked(item: Item) -> Item:
    """Return the item as it stands once someone looked everywhere and saw no droplet."""
    lumens = tuple(
        lumen.model_copy(update={"droplets_seen": "no", "droplets_counted": None})
        for lumen in item.lumens
    )
    return item.model_copy(update={"droplets_seen": "no", "lumens": lumens})


def _more_air(item: Item, minutes: float) -> Item:
    """Return the item with more compressed air through every lumen, looked at afterwards."""
    allowed = item.instructions.highest_air_pressure_gauge_bar
    lumens = []
    for lumen in _looked(item).lumens:
        steps = [s for s in lumen.drying if s.method == "compressed_air"]
        last = steps[-1] if steps else DryingStep(method="compressed_air")
        pressure = last.pressure_gauge_bar if last.pressure_gauge_bar is not None else allowed
        added = last.model_copy(update={"minutes": minutes, "pressure_gauge_bar": pressure})
        lumens.append(lumen.model_copy(update={"drying": (*lumen.drying, added)}))
    return _looked(item).model_copy(update={"lumens": tuple(lumens)})


def _more_hours(plan: LoadPlan, hours: float) -> LoadPlan:
    index = lengthened_step(plan)
    step = plan.aeration[index]
    longer = step.model_copy(update={"hours": (step.hours or 0.0) + hours})
    aeration = (*plan.aeration[:index], longer, *plan.aeration[index + 1 :])
    return plan.model_copy(update={"aeration": aeration})


def _warmer(plan: LoadPlan, temperature_c: float) -> LoadPlan:
    index = lengthened_step(plan)
    step = plan.aeration[index].model_copy(update={"temperature_c": temperature_c})
    aeration = (*plan.aeration[:index], step, *plan.aeration[index + 1 :])
    return plan.model_copy(update={"aeration": aeration})


def highest_allowed_c(plan: LoadPlan) -> float | None:
    """Return the highest aeration temperature every item allows; None when one is unknown."""
    highest = [item.instructions.highest_temperature_c for item in plan.items]
    return None if any(h is None for h in highest) else min(highest)


def apply(plan: LoadPlan, item_name: str, action: Action, amount: float | None = None) -> LoadPlan:
    """Return the plan after one action; `amount` replaces the action's own.

    Raises
    ------
    ValueError
        For an action that is no edit of a plan, such as ``ask`` or ``use another method``.
    """
    index = next(i for i, item in enumerate(plan.items) if item.name == item_name)
    item = plan.items[index]
    amount = action.amount if amount is None else amount
    if action.action == "dry again":
        return _with_item(plan, index, _more_air(item, amount))
    if action.action == "look":
        return _with_item(plan, index, _looked(item))
    if action.action == "rewash":
        return _with_item(plan, index, item.model_copy(update={"rinse_water": "treated"}))
    if action.action == "aerate longer":
        if action.unit == "C":
            return _warmer(plan, amount)
        longer = _more_hours(plan, amount)
        if action.with_minutes is not None:
            return _with_item(longer, index, _more_air(item, action.with_minutes))
        return longer
    raise ValueError(f"{action.action!r} is no edit of a plan")


@dataclass
class _Bench:
    """Re-assesses one item of edited plans, with the same samples."""

    context: object
    index: int
    load: LoadResult
    assess: Callable
    whole: Callable

    @property
    def in_own_air(self) -> bool:
        """Tell whether the load raises its own air, so that one item alone is not exact."""
        return self.context.gas is not None

    def __call__(self, plan: LoadPlan, *, follow: bool = False) -> tuple[Verdict, ItemDraft]:
        return self.assess(self.context, plan, self.index, self.load, follow=follow)


def _smallest(low: int, high: int, moves: Callable[[int], bool]) -> int | None:
    """Return the smallest whole number in (low, high] that moves; None when `high` does not."""
    if not moves(high):
        return None
    while high - low > 1:
        middle = (low + high) // 2
        if moves(middle):
            high = middle
        else:
            low = middle
    return high


def _codes(item: ItemResult, level: str = "block") -> set[str]:
    return {c.code for c in item.cautions if c.level == level}


def _dry(
    plan: LoadPlan, item: Item, result: ItemResult, bench: _Bench
) -> tuple[Action | None, int | None]:
    """Return more air for wet lumens; also the minutes after which only EO is left to move."""
    wet = {"liquid_seen", "glycol_above_reference", "not_looked"} & _codes(result)
    spot = any(r.model == "wet_spot" and r.band.p95 > (r.limit or 0) for r in result.residues)
    if not item.lumens or not (wet or spot):
        return None, None
    if any(lumen.open_ends != 2 or lumen.blocked == "yes" for lumen in item.lumens):
        return None, None
    found: dict[int, tuple[Verdict, ItemDraft]] = {}

    def at(minutes: int) -> tuple[Verdict, ItemDraft]:
        if minutes not in found:
            edited = _with_item(plan, bench.index, _more_air(item, float(minutes)))
            found[minutes] = bench(edited)
        return found[minutes]

    best, dried = at(_longest_drying_min())
    if _rank(best) <= _rank(result.verdict):
        return None, None if dried.missing else _longest_drying_min()
    minutes = _smallest(0, _longest_drying_min(), lambda m: _rank(at(m)[0]) >= _rank(best))
    detail = "more compressed air through each lumen, then look again"
    action = Action("dry again", detail, float(minutes), "min", best, float(minutes))
    return action, minutes


def _hours_for(
    plan: LoadPlan, start: ItemDraft, result: ItemResult, bench: _Bench, edit
) -> tuple[int, Verdict] | None:
    """Return the fewest whole hours added to the aeration that move the verdict, and to what."""
    aeration = start.aeration
    if aeration is None or aeration.beyond_cap:
        return None
    needed_h = aeration.required_s / units.SECONDS_PER_HOUR
    planned_h = sum(step.hours or 0.0 for step in plan.aeration)
    most = math.ceil(needed_h - planned_h) + sum(
        math.ceil(step.hours or 0.0) for step in plan.aeration[lengthened_step(plan) + 1 :]
    ) + 1  # fmt: skip
    if most < 1:
        return None
    found: dict[int, Verdict] = {}

    def at(hours: int) -> Verdict:
        if hours not in found:
            found[hours] = bench(edit(_more_hours(plan, float(hours))))[0]
        return found[hours]

    best = at(most)
    if _rank(best) <= _rank(result.verdict):
        return None

    def moves(hours: int) -> bool:
        return _rank(at(hours)) >= _rank(best)

    # The estimate is close: look just below it before halving the whole range.
    near = max(0, most - _NEAR_H)
    low = near if near == 0 or not moves(near) else 0
    hours = _smallest(low, most if low else near or most, moves)
    if bench.in_own_air:
        return _settled(plan, hours, best, bench, edit)
    return hours, best


def _settled(
    plan: LoadPlan, hours: int, best: Verdict, bench: _Bench, edit
) -> tuple[int, Verdict] | None:
    """Return the fewest hours by whole checks: a longer aeration also clears the load's air."""
    found: dict[int, bool] = {}

    def moves(asked: int) -> bool:
        if asked not in found:
            verdict = bench.whole(edit(_more_hours(plan, float(asked))), bench)
            found[asked] = _rank(verdict) >= _rank(best)
        return found[asked]

    step = 1
    while not moves(hours):
        hours, step = hours + step, 2 * step
        if step > _MOST_SETTLING_STEPS:
            return None
    low, step = hours, 1
    while low > 0 and moves(low):
        low, step = max(0, low - step), 2 * step
        if low == 0:
            break
    return _smallest(low, hours, moves), best


def _aerate(plan: LoadPlan, draft: ItemDraft, result: ItemResult, bench: _Bench) -> list[Action]:
    """Return the aeration that would move the verdict alone: longer, or warmer."""
    actions = []
    found = _hours_for(plan, draft, result, bench, lambda edited: edited)
    place = plan.aeration[lengthened_step(plan)]
    at = "" if place.temperature_c is None else f" at {place.temperature_c:g} C"
    if found is not None:
        hours, verdict = found
        actions.append(Action("aerate longer", f"more{at}", float(hours), "h", verdict,
                              60.0 * hours))  # fmt: skip
    allowed, now = highest_allowed_c(plan), place.temperature_c
    if allowed is None or now is None:
        return actions
    warm = now + _step_c()
    while warm <= allowed:
        verdict, _ = bench(_warmer(plan, warm))
        if _rank(verdict) > _rank(result.verdict):
            detail = f"for the same hours, instead of {now:g} C"
            actions.append(Action("aerate longer", detail, warm, "C", verdict, 0.0))
            break
        warm += _step_c()
    return actions


def _pair(
    plan: LoadPlan, item: Item, minutes: int, result: ItemResult, bench: _Bench
) -> Action | None:
    """Return drying and aeration together, when neither alone gives Within."""

    def edit(edited: LoadPlan) -> LoadPlan:
        return _with_item(edited, bench.index, _more_air(item, float(minutes)))

    _, dried = bench(edit(plan), follow=True)
    found = _hours_for(plan, dried, result, bench, edit)
    if found is None:
        return None
    hours, verdict = found
    detail = (f"more, together with {minutes} min more compressed air through "
              "each lumen, then look again")  # fmt: skip
    return Action("aerate longer", detail, float(hours), "h", verdict, 60.0 * hours + minutes,
                  float(minutes))  # fmt: skip


def _without_amount(
    plan: LoadPlan, item: Item, draft: ItemDraft, result: ItemResult, bench: _Bench
) -> list[Action]:
    """Return what needs no search: look, rewash, ask, measure, another method, a split."""
    codes, actions = _codes(result), []
    if "not_looked" in codes:
        verdict, _ = bench(_with_item(plan, bench.index, _looked(item)))
        better = verdict if _rank(verdict) > _rank(result.verdict) else None
        actions.append(Action("look", "look into every lumen and joint; no droplet may show",
                              None, "", better, _minutes("look_time")))  # fmt: skip
    if "salt_left" in codes:
        edited = item.model_copy(update={"rinse_water": "treated"})
        verdict, _ = bench(_with_item(plan, bench.index, edited))
        better = verdict if _rank(verdict) > _rank(result.verdict) else None
        actions.append(
            Action(
                "rewash",
                "rinse with treated water and dry",
                None,
                "",
                better,
                _minutes("rewash_time"),
            )
        )
    if "humidity_too_low" in codes:
        actions.append(
            Action(
                "humidify",
                "bring the chamber to 40 to 80 % RH",
                None,
                "",
                None,
                _minutes("dry_time"),
            )
        )
    if result.question is not None:
        actions.append(Action("ask", result.question.text, None, "", None, _minutes("look_time")))
    if "glycol_above_reference" in codes and not item.lumens:
        actions.append(_dry_to(draft, result))
    if "instructions_exceeded" in codes:
        actions.append(Action("use another method", "or a cycle and aeration inside the "
                              "instructions for use", None, "", None, 0.0))  # fmt: skip
    never = {"use_not_allowed", "pack_not_permeable", "lumen_closed", "needed_too_soon",
             "oil_lubricant"} & codes  # fmt: skip
    if never:
        why = ", ".join(sorted(code.replace("_", " ") for code in never))
        actions.append(Action("use another method", why, None, "", None, 0.0))
    if draft.aeration is not None and draft.aeration.beyond_cap:
        cap_h = cap_s(plan) / units.SECONDS_PER_HOUR
        strongest = result.matters_most[0].text if result.matters_most else "its EO"
        detail = f"more than {cap_h:g} h by the estimate; measure its EO residue ({strongest})"
        actions.append(Action("measure", detail, None, "", None, _minutes("measure_time")))
    return actions


def _dry_to(draft: ItemDraft, result: ItemResult) -> Action:
    """Return the largest water mass at which EG stays below its reference at 95 %.

    As a film EG is proportional to water, so the mass follows from the two bounds.
    """
    row = next(r for r in result.residues
               if r.substance == "EG" and r.limit and r.model in ("film", "whole"))  # fmt: skip
    keep_mg = units.from_si(draft.water[1].p95 * row.limit / row.band.p95, "mg")
    return Action("dry again", "of water at most as EO is let in: dry the outside and joints, and "
                  "let the load warm up before the cycle, then look again", keep_mg, "mg", None,
                  _minutes("dry_time"))  # fmt: skip


def _split(plan: LoadPlan, result: ItemResult, load: LoadResult) -> list[Action]:
    """Return a split of the load before the cycle, when this item holds up the others."""
    if len(load.groups) < 2 or load.slowest_item != result.name or result.aeration is None:
        return []
    if result.aeration.governed_by != "estimate at 95 %":
        return []
    own = next((g for g in load.groups if result.name in g.items), None)
    if own is None or len(own.items) == len(plan.items):
        return []
    hours = own.aeration_p95_s / units.SECONDS_PER_HOUR
    long = "longer than was followed" if result.aeration.unreached else f"{hours:.3g} h"
    share = len(own.items) / len(plan.items)
    rule = ("; the full-load rule asks for a recorded medical reason for a part load"
            if plan.rules.full_load == "on" else "")  # fmt: skip
    detail = (f"before the cycle: {', '.join(own.items)} in a load of their own, {long}, "
              f"{share:.0%} of this load's items{rule}")  # fmt: skip
    amount = None if result.aeration.unreached else hours
    return [Action("split the load", detail, amount, "" if amount is None else "h", None, 0.0)]


def _actions(
    plan: LoadPlan, item: Item, draft: ItemDraft, result: ItemResult, bench: _Bench,
    load: LoadResult,
) -> tuple[Action, ...]:  # fmt: skip
    dry, minutes = _dry(plan, item, result, bench)
    found = ([dry] if dry else []) + _aerate(plan, draft, result, bench)
    if minutes is not None and not any(a.new_verdict == "Within" for a in found):
        pair = _pair(plan, item, minutes, result, bench)
        found += [pair] if pair else []
    found += _without_amount(plan, item, draft, result, bench) + _split(plan, result, load)
    if dry is None and "liquid_seen" in _codes(result):
        found.append(Action("dry again", "until no droplet shows anywhere, then look again", None, "", None, _minutes("dry_time")))  # fmt: skip
    moved = [a for a in found if a.new_verdict is not None]
    rest = [a for a in found if a.new_verdict is None]
    best_first = sorted(moved, key=lambda a: (-_rank(a.new_verdict), a.added_minutes))
    return (*best_first, *rest)


def with_actions(
    context, drafts: list[ItemDraft], items: tuple[ItemResult, ...], load: LoadResult, assess, whole
) -> tuple[ItemResult, ...]:
    """Return the items with the changes that would move their verdicts.

    `assess(context, plan, index, load)` re-assesses one item of an edited plan and returns
    its verdict and draft, in the air of this plan; `whole(plan, bench)` checks the edited plan
    as a user would and returns the verdict of that item.
    """
    done, found = 0, []
    for index, (draft, item) in enumerate(zip(drafts, items, strict=True)):
        if item.verdict == "Within" or done >= _ITEMS_ADVISED:
            found.append(item)
            continue
        done += 1
        bench = _Bench(context, index, load, assess, whole)
        plan = context.plan
        actions = _actions(plan, plan.items[index], draft, item, bench, load)
        found.append(replace(item, actions=actions))
    return tuple(found)
