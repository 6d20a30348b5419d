"""Changes that move a verdict only together: the shortest pair, or all that is to be done."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import reduce
from itertools import combinations

from eo_risk.judgement.cautions import counted_hours, required_by_others
from eo_risk.judgement.change.bench import Bench, hours_for, rank
from eo_risk.judgement.change.edits import highest_allowed_c, more_hours, place_of, warmer
from eo_risk.judgement.change.names import said_action
from eo_risk.judgement.change.search import smallest
from eo_risk.judgement.change.steps import (
    blocking_codes,
    fixes_of,
    hours_more,
    longest_air,
    may_blow,
    more_air_for,
    temperatures,
    time_of,
    warmed_to,
)
from eo_risk.judgement.hours import lengthened_step
from eo_risk.judgement.result import Action, ItemResult, Verdict
from eo_risk.plan.load_plan import LoadPlan


def _said(action: Action) -> str:
    amount = "" if action.amount is None else f"{action.amount:g} {action.unit} "
    name = said_action(action.action, action.unit, action.aerator)
    return f"{name}: {amount}{action.detail}"


def _both(first: Action, second: Action) -> Action:
    """Return two actions as one, the first of them in front."""
    return replace(first, detail=f"{first.detail}; together with {_said(second)}",
                   added_minutes=first.added_minutes + second.added_minutes,
                   together=(*first.together, second))  # fmt: skip


@dataclass(frozen=True)
class _Several:
    """Several changes at once: fixes as they are, air, warmth and hours each as little as moves."""

    fixes: tuple[Action, ...] = ()
    air: bool = False
    warmth: bool = False
    hours: bool = False

    def edit(self, plan: LoadPlan, bench: Bench, minutes: int, celsius: float | None) -> LoadPlan:
        """Return the plan after these changes, but for the hours."""
        for fix in self.fixes:
            plan = bench.done(plan, fix)
        if self.air and minutes:
            plan = bench.done(plan, more_air_for(minutes))
        return plan if celsius is None else warmer(plan, celsius)

    def least(self, plan: LoadPlan, result: ItemResult, bench: Bench) -> Action | None:
        """Return these changes as one action; None where one of them brings nothing."""
        warmths = list(temperatures(plan)) if self.warmth else []
        if self.warmth and not warmths:
            return None
        most, hottest, added = longest_air(), (warmths or [None])[-1], 0

        def edit(edited: LoadPlan) -> LoadPlan:
            return self.edit(edited, bench, most, hottest)

        verdict, start = bench(edit(plan), follow=self.hours)
        if self.hours:
            worse = max(verdict, result.verdict, key=rank)
            found = hours_for(plan, start, worse, bench, edit)
            if found is None:
                return None
            added, verdict = found
        if rank(verdict) <= rank(result.verdict):
            return None
        longer = more_hours(plan, float(added))

        def brings(minutes: int, celsius: float | None) -> bool:
            done = self.edit(longer, bench, minutes, celsius)
            return rank(bench(done)[0]) >= rank(verdict)

        return self._named(plan, added, verdict, warmths, brings)

    def _named(
        self, plan: LoadPlan, added: int, verdict: Verdict, warmths: Sequence[float],
        brings: Callable[[int, float | None], bool],
    ) -> Action | None:  # fmt: skip
        """Take away what is not needed of air and warmth, and name what is left."""
        minutes, celsius, steps = longest_air(), None, list(self.fixes)
        if self.warmth:
            celsius = next(c for c in (None, *warmths) if brings(minutes, c))
            if celsius is None:
                return None
        if self.air:
            if brings(0, celsius):
                return None
            minutes = smallest(0, minutes, lambda m: brings(m, celsius), likely_low=True)
            steps.append(more_air_for(minutes))
        now = plan if celsius is None else warmer(plan, celsius)
        if celsius is not None:
            steps.append(warmed_to(plan, celsius, None, same_hours=not added))
        if added:
            steps.append(hours_more(now, added, None))
        return replace(reduce(_both, steps), new_verdict=verdict)


def _pairs(fixes: Sequence[Action], *, air: bool) -> Iterator[_Several]:
    """Yield every pair of changes."""
    for pair in combinations(fixes, 2):
        yield _Several(pair)
    for fix in fixes:
        if air and fix.action != "look":  # more air ends with a look
            yield _Several((fix,), air=True)
        yield _Several((fix,), warmth=True)
        yield _Several((fix,), hours=True)
    if air:
        yield _Several(air=True, warmth=True)
        yield _Several(air=True, hours=True)
    yield _Several(warmth=True, hours=True)


def _all(fixes: Sequence[Action], *, air: bool) -> Iterator[_Several]:
    """Yield all fixes at once, with the aeration longer, warmer or both."""
    dried = air or any(fix.action == "dry again" for fix in fixes)
    every = tuple(fix for fix in fixes if not (dried and fix.action == "look"))
    for warmth, hours in ((False, False), (False, True), (True, False), (True, True)):
        if len(every) + air + warmth + hours > 2:
            yield _Several(every, air, warmth, hours)


def shortest_together(
    plan: LoadPlan, result: ItemResult, found: Sequence[Action], bench: Bench
) -> list[Action]:
    """Return the shortest pair of changes where no single one gives Within.

    Where no pair brings anything either, all that is to be done at once.
    """
    if any(a.new_verdict == "Within" for a in found):
        return []
    alone = max((rank(a.new_verdict) for a in found if a.new_verdict), default=0)
    alone = max(alone, rank(result.verdict))
    air, fixes = may_blow(plan, result), fixes_of(result)
    if air:  # more air ends with a look, and says how much "dry again" is
        fixes = [fix for fix in fixes if fix.action != "dry again"]
    for several in (_pairs, _all):
        tried = (them.least(plan, result, bench) for them in several(fixes, air=air))
        better = [a for a in tried if a is not None and rank(a.new_verdict) > alone]
        if better:
            return [min(better, key=lambda a: (-rank(a.new_verdict), a.added_minutes))]
    return []


def aeration_as_asked(plan: LoadPlan, result: ItemResult, bench: Bench) -> list[Action]:
    """Return the aeration that instructions, site or laboratory ask for beyond what is planned.

    Unpromised where something else holds the item as well.
    """
    if "aeration_below_required" not in blocking_codes(result):
        return []
    asked = required_by_others(plan.items[place_of(plan, result.name)], plan)
    now = plan.aeration[lengthened_step(plan)].temperature_c
    allowed = highest_allowed_c(plan)
    lowest = max((low for *_, low in asked if low is not None), default=None)
    steps, done = [], plan
    if None not in (now, allowed, lowest) and now < lowest <= allowed:
        done = warmer(plan, lowest)
        steps.append(warmed_to(plan, lowest, None, same_hours=False))
    # Hours in a step that stays too cold for what is asked would not count.
    at_c = done.aeration[lengthened_step(plan)].temperature_c
    short = max((hours - counted_hours(done.aeration, low) for _, hours, low in asked
                 if low is None or (at_c is not None and at_c >= low)), default=0.0)  # fmt: skip
    if short > 0.0:
        steps.append(hours_more(done, math.ceil(short), None))
    if not steps:
        return [_not_as_warm(plan, lowest)] if lowest is not None else []
    action = reduce(_both, steps)
    verdict, _ = bench(bench.done(plan, action))
    better = verdict if rank(verdict) > rank(result.verdict) else None
    return [replace(action, new_verdict=better)]


def _not_as_warm(plan: LoadPlan, lowest_c: float) -> Action:
    """Return what is to be done where the load cannot be planned as warm as one item asks."""
    step, allowed = lengthened_step(plan), highest_allowed_c(plan)
    if plan.aeration[step].temperature_c is None:
        asked = f"What is the temperature of aeration {step + 1}?"
    elif allowed is None:
        asked = (f"What is the highest temperature of every item of this load? This one asks for "
                 f"{lowest_c:g} C.")  # fmt: skip
    else:
        detail = (f"or a load of items that all may be aerated at the {lowest_c:g} C it asks for: "
                  f"here one may be at most at {allowed:g} C")  # fmt: skip
        return Action("use another method", detail, None, "", None, 0.0)
    return Action("ask", asked, None, "", None, time_of("look_time"))
