"""Edited plans tried out for one item, and the smallest whole step that moves its verdict."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from eo_risk import units
from eo_risk.judgement.change.edits import Aerators, apply, more_hours, place_of, planned_h
from eo_risk.judgement.change.search import smallest
from eo_risk.judgement.hours import lengthened_step
from eo_risk.judgement.item_result import ItemDraft
from eo_risk.judgement.result import VERDICTS, Action, Assessment, ItemResult, LoadResult, Verdict
from eo_risk.plan.load_plan import LoadPlan

_NEAR_H = 4
_MOST_SETTLING_STEPS = 64

Edit = Callable[[LoadPlan], LoadPlan]


def rank(verdict: Verdict) -> int:
    """Return how good a verdict is, 0 for Hold."""
    return VERDICTS.index(verdict)


@dataclass
class Bench:
    """Re-assesses one item of edited plans, with the same samples."""

    context: object
    name: str
    items: tuple[ItemResult, ...]
    load: LoadResult
    assess: Callable
    whole: Callable[[object, LoadPlan], Assessment]
    aerators: Aerators
    tried: dict[tuple, tuple[Verdict, ItemDraft]] = field(default_factory=dict)

    @property
    def in_own_air(self) -> bool:
        """Tell whether the load raises its own air, so that one item alone is not exact."""
        return self.context.load is not None

    def __call__(
        self, plan: LoadPlan, *, follow: bool = False, pinned: Mapping[str, float] | None = None
    ) -> tuple[Verdict, ItemDraft]:
        """Return verdict and draft of the item; `pinned` holds inputs at one quantile."""
        held = {self.context.drawn_as(name, self.name): at for name, at in (pinned or {}).items()}
        key = (plan, follow, tuple(sorted(held.items())))
        if key not in self.tried:
            index = place_of(plan, self.name)
            self.tried[key] = self.assess(self.context, plan, index, self.load, follow=follow,
                                          pinned=held)  # fmt: skip
        return self.tried[key]

    def checked(self, plan: LoadPlan) -> Verdict:
        """Return the verdict of the item when the whole edited plan is checked."""
        return self.whole(self.context, plan).items[place_of(plan, self.name)].verdict

    def done(self, plan: LoadPlan, action: Action) -> LoadPlan:
        """Return the plan after an action of this item."""
        return apply(plan, self.name, action, aerators=self.aerators)


def hours_for(
    plan: LoadPlan, start: ItemDraft, worse_than: Verdict, bench: Bench, edit: Edit
) -> tuple[int, Verdict] | None:
    """Return the fewest whole hours added to the aeration that move the verdict, and to what."""
    aeration = start.aeration
    if aeration is None or aeration.beyond_cap:
        return None
    needed_h = aeration.required_s / units.SECONDS_PER_HOUR
    most = math.ceil(needed_h - planned_h(plan)) + sum(
        math.ceil(step.hours or 0.0) for step in plan.aeration[lengthened_step(plan) + 1 :]
    ) + 1  # fmt: skip
    if most < 1:
        return None

    def at(hours: int) -> Verdict:
        return bench(edit(more_hours(plan, float(hours))))[0]

    best = at(most)
    if rank(best) <= rank(worse_than):
        return None

    def moves(hours: int) -> bool:
        return rank(at(hours)) >= rank(best)

    # The estimate is close: look just below it before halving the whole range.
    near = max(0, most - _NEAR_H)
    low = near if near == 0 or not moves(near) else 0
    hours = smallest(low, most if low else near or most, moves)
    if bench.in_own_air:
        return settled(plan, hours, best, bench, edit)
    return hours, best


def settled(
    plan: LoadPlan, hours: int, best: Verdict, bench: Bench, edit: Edit
) -> tuple[int, Verdict] | None:
    """Return the fewest hours by whole checks: a longer aeration also clears the load's air."""
    found: dict[int, bool] = {}

    def moves(asked: int) -> bool:
        if asked not in found:
            verdict = bench.checked(edit(more_hours(plan, float(asked))))
            found[asked] = rank(verdict) >= rank(best)
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
    return smallest(low, hours, moves), best
