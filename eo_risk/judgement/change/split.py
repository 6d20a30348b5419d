"""Splitting a load before its cycle, into loads whose items need the same aeration.

Every part is checked as a plan of its own: its hours are what it needs alone.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

from eo_risk import reference, units
from eo_risk.judgement.allowed.exposure import rules_for
from eo_risk.judgement.change.bench import Bench, rank, settled
from eo_risk.judgement.change.edits import alone, more_hours, planned_h
from eo_risk.judgement.hours import lengthened_step
from eo_risk.judgement.result import Action, Assessment, ItemResult
from eo_risk.plan.load_plan import LoadPlan

_NAMED = 3  # items of a load named in words, so that a sheet holds them
_FULL_LOAD_FIELD = "rules.full_load"
_FULL_LOAD = ("; the full-load rule asks for full loads of one aeration time, a part load for a "
              "recorded medical necessity")  # fmt: skip


def grouped(hours_s: Iterable[tuple[float, str]]) -> list[tuple[list[str], float]]:
    """Group names whose hours are alike, the shortest first, each with its longest hours. [s]"""
    apart_s = reference.record("decision.alike_hours").value_si
    share = reference.record("decision.alike_share").value_si
    groups: list[tuple[list[str], float]] = []
    for asked_s, name in sorted(hours_s):
        alike_s = 0.0
        if groups:
            alike_s = max(apart_s, share * groups[-1][1])
        if groups and asked_s - groups[-1][1] <= alike_s:
            groups[-1][0].append(name)
            groups[-1] = (groups[-1][0], max(groups[-1][1], asked_s))
        else:
            groups.append(([name], asked_s))
    return groups


@dataclass(frozen=True)
class PartLoad:
    """One load of a split, checked as its own plan."""

    names: tuple[str, ...]
    result: Assessment
    share: float

    @property
    def words(self) -> str:
        """Items, hours and share of the full load, in words."""
        load = self.result.load
        hours = "hours not known"
        if load.required_s is not None:
            hours = units.hours_text(load.required_s / units.SECONDS_PER_HOUR)
        if any(i.aeration is not None and i.aeration.unreached for i in self.result.items):
            hours = "longer than was followed"
        more = len(self.names) - _NAMED
        names = ", ".join(self.names[:_NAMED]) + (f" and {more} more" if more > 0 else "")
        return f"{names} ({hours}, {100.0 * self.share:.0f} % of this load's pieces)"


def _parts(plan: LoadPlan, items: Sequence[ItemResult], check: Callable) -> list[PartLoad]:
    """Check every group of items of one aeration time as a plan of its own."""
    needed = [(i.aeration.required_s, i.name) for i in items if i.aeration is not None]
    groups = grouped(needed) if len(needed) == len(items) else []
    if len(groups) < 2:
        return []
    pieces = sum(item.quantity or 1 for item in plan.items)
    found = []
    for names, _ in groups:
        own = alone(plan, names)
        share = sum(item.quantity or 1 for item in own.items) / pieces
        found.append(PartLoad(tuple(i.name for i in own.items), check(own), share))
    return found


def asks_full_load(plan: LoadPlan) -> bool:
    """Tell whether the site or its jurisdiction asks for full loads of one aeration time."""
    if plan.rules.full_load == "on":
        return True
    place = plan.rules.jurisdiction
    return place is not None and any(r.plan_field == _FULL_LOAD_FIELD for r in rules_for(place))


def _with_hours(plan: LoadPlan, own: PartLoad, result: ItemResult, bench: Bench):
    """Return the whole hours of a part load that move the verdict, and to what; or None."""
    required_s = own.result.load.required_s
    if required_s is None or result.aeration is None or result.aeration.beyond_cap:
        return None
    later_h = sum(step.hours or 0.0 for step in plan.aeration[lengthened_step(plan) + 1 :])
    short_h = required_s / units.SECONDS_PER_HOUR - planned_h(plan)
    most = math.ceil(short_h) + math.ceil(later_h) + 1

    def edit(edited: LoadPlan) -> LoadPlan:
        return alone(edited, own.names)

    if most < 1:
        return None
    best = bench.checked(edit(more_hours(plan, float(most))))
    if rank(best) <= rank(result.verdict):
        return None
    return settled(plan, max(1, math.ceil(short_h)), best, bench, edit)


def split_actions(
    plan: LoadPlan, result: ItemResult, bench: Bench, kept: dict[str, list[PartLoad]]
) -> list[Action]:
    """Return a split of the load for its slowest item, or for one that is needed sooner.

    `kept` keeps the parts of this load between its items.
    """
    late = any(c.code == "needed_too_soon" for c in result.cautions)
    if len(plan.items) < 2 or not (late or bench.load.slowest_item == result.name):
        return []
    if "parts" not in kept:
        kept["parts"] = _parts(plan, bench.items, lambda p: bench.whole(bench.context, p))
    own = next((part for part in kept["parts"] if result.name in part.names), None)
    if own is None:
        return []
    into = "; ".join(part.words for part in kept["parts"])
    rule = _FULL_LOAD if asks_full_load(plan) else ""
    detail = f"before the cycle, into {len(kept['parts'])} loads: {into}{rule}"
    verdict = next(i.verdict for i in own.result.items if i.name == result.name)
    if rank(verdict) > rank(result.verdict):
        return [Action("split the load", detail, None, "", verdict, 0.0, items=own.names)]
    hours = _with_hours(plan, own, result, bench)
    if hours is None:
        # It helps the others, which need not wait for this item.
        slow = result.aeration is not None and (result.aeration.beyond_cap or late)
        if not slow or bench.load.slowest_item != result.name:
            return []
        return [Action("split the load", detail, None, "", None, 0.0, items=own.names)]
    added, best = hours
    detail = f"of aeration for the load of this item, split {detail}"
    return [Action("split the load", detail, planned_h(plan) + added, "h", best, 60.0 * added,
                   items=own.names)]  # fmt: skip
