"""How long an item must be aerated until it is inside its limits."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache, cached_property

import numpy as np

from eo_risk import reference, units
from eo_risk.judgement.allowed.residues import inside_from, quantile_s
from eo_risk.judgement.cautions import counted_hours, required_by_others
from eo_risk.judgement.inputs import ItemInputs
from eo_risk.judgement.result import AerationTime, Band
from eo_risk.judgement.simulate import ItemTrace
from eo_risk.judgement.timeline import Timeline, with_far
from eo_risk.plan.load_plan import Item, LoadPlan

# How far beyond the cap the aeration is followed, to name a number where one exists.
_FOLLOWED_CAPS = 4.0
_POINTS_PER_DECADE = 10
_FIRST_POINT = 1e-3  # of the whole, where next to no hours are planned


def lengthened_step(plan: LoadPlan) -> int:
    """Return the index of the aeration step that is lengthened when more is needed."""
    for index, step in enumerate(plan.aeration):
        if step.place in ("cabinet", "chamber"):
            return index
    return len(plan.aeration) - 1


def cap_s(plan: LoadPlan) -> float:
    """Return the hours beyond which a measurement is asked for instead. [s]"""
    cap = plan.rules.beyond_cap_h
    default = reference.record("decision.beyond_cap").value_si
    return default if cap is None else units.to_si(cap, "h")


def with_long_aeration(plan: LoadPlan, inputs: ItemInputs, timeline: Timeline) -> Timeline:
    """Return a timeline that also follows its lengthened step far beyond the cap."""
    index = lengthened_step(plan)
    planned = units.to_si(plan.aeration[index].hours or 0.0, "h")
    far = _FOLLOWED_CAPS * max(cap_s(plan), planned)
    known = max(planned, far * _FIRST_POINT)
    count = int(np.ceil(_POINTS_PER_DECADE * np.log10(far / known)))
    times = np.geomspace(known, far, count + 1) - planned
    return with_far(timeline, plan, inputs, index, [float(t) for t in times if t > 0.0])


def _time_s(trace: ItemTrace) -> np.ndarray:
    """Return the times of the curves of a trace, since the end of the last air wash. [s]"""
    return np.median(trace.time_s[trace.after_wash()], axis=1)


@dataclass(frozen=True)
class Falling:
    """One amount over time beside its limit: times [s], shape (times, samples), limit.

    `water_kg` is what may dry up of the water it is in, `dry_s` when that has gone. [s]
    """

    time_s: np.ndarray
    amount: np.ndarray
    limit: float
    water_kg: np.ndarray | None = None
    dry_s: np.ndarray | float = np.inf

    @cached_property
    def inside_s(self) -> np.ndarray:
        """When each sample is inside its limit. [s]"""
        return inside_from(self.time_s, self.amount, self.limit, self.dry_s)


def _courses(trace: ItemTrace, curves_of: Callable[[ItemTrace], list]) -> list[Falling]:
    time_s = _time_s(trace)
    return [Falling(time_s, *curve) for curve in curves_of(trace)]


def _lengthened_s(planned: Falling, far: Falling) -> np.ndarray:
    """Return the hours of a plan that is lengthened until each sample is inside its limit. [s]

    `far` follows the lengthened step alone. The later steps carry away what so much more time
    in the lengthened step would, and do so after a longer one too: diffusion at another
    temperature is the same course at another pace. Water dries at a pace of its own: of both the
    lesser is credited.
    """
    alike = inside_from(far.time_s, far.amount, planned.amount[-1], far.dry_s)
    if planned.water_kg is not None:
        left_kg = planned.water_kg[-1]
        wet = left_kg > 0.0
        as_wet = inside_from(far.time_s, far.water_kg, np.where(wet, left_kg, 1.0), far.dry_s)
        alike = np.where(wet, np.minimum(alike, as_wet), alike)
    return planned.time_s[-1] + far.inside_s - np.minimum(alike, far.time_s[-1])


def _needed_s(
    planned: Sequence[Falling], far: Callable[[], Sequence[Falling]], quantiles: Sequence[float]
) -> list[float | None]:
    """Return when every curve is inside its limit at quantiles, along the plan's steps. [s]

    `far()` is asked only where the plan ends first.
    """
    far = cache(far)
    longer_s = cache(lambda place: _lengthened_s(planned[place], far()[place]))

    def needed(quantile: float) -> float | None:
        found = []
        for place, curve in enumerate(planned):
            at_once = curve.water_kg is not None
            inside_s = quantile_s(curve.inside_s, quantile, at_once=at_once)
            if inside_s is None:
                inside_s = quantile_s(longer_s(place), quantile, at_once=at_once)
            found.append(inside_s)
        return None if None in found else max(found, default=0.0)

    return [needed(quantile) for quantile in quantiles]


def _reached_h(plan: LoadPlan, hours: float, lowest_c: float | None) -> float:
    """Return when hours at a lowest temperature are over, along the plan's steps. [h]

    Hours of a step that is too cold pass and do not count. Where the steps end first, the warm
    ones are taken as lengthened; where none is warm enough, the hours alone are returned.
    """
    passed = counted = cold = 0.0
    for step in plan.aeration:
        warm = counted_hours((step,), lowest_c)
        if counted + warm >= hours:
            return passed + hours - counted
        passed, counted = passed + (step.hours or 0.0), counted + warm
        cold = passed - counted if warm else cold
    return hours + cold


def _aeration_time(
    plan: LoadPlan, item: Item, p50: float | None, p95: float | None, far_s: float
) -> AerationTime:
    asked = [(who, units.to_si(_reached_h(plan, hours, lowest), "h"))
             for who, hours, lowest in required_by_others(item, plan)]  # fmt: skip
    estimate = far_s if p95 is None else p95
    everyone = [*asked, ("estimate at 95 %", estimate)]
    governed_by, required = max(everyone, key=lambda pair: pair[1])
    return AerationTime(
        far_s if p50 is None else p50, estimate, required, governed_by,
        p95 is None or estimate > cap_s(plan), p95 is None,
    )  # fmt: skip


def aeration_time(
    plan: LoadPlan, item: Item, trace: ItemTrace, curves_of: Callable[[ItemTrace], list],
    far: Callable[[], ItemTrace],
) -> AerationTime:  # fmt: skip
    """Return the hours needed; `far()` follows the item further where the plan ends first."""
    planned = _courses(trace, curves_of)
    p50, p95 = _needed_s(planned, lambda: _courses(far(), curves_of), (0.5, 0.95))
    far_s = float(_time_s(trace if p95 is not None else far())[-1])
    return _aeration_time(plan, item, p50, p95, far_s)


def hours_by_part(
    trace: ItemTrace, limit_kg: float, far: Callable[[], ItemTrace] | None
) -> list[Band | None]:
    """Return when each part alone falls below the strictest EO limit. [s]

    `far()` follows the item further where the plan ends first. None for a part that holds no
    EO, or stays above the limit as far as it was followed.
    """
    found: list[Band | None] = []
    for part, model in enumerate(trace.models):
        if model.body is None or limit_kg <= 0.0:
            found.append(None)
            continue

        def held(of: ItemTrace, part: int = part) -> list:
            return [(np.maximum(of.parts_eo[part][of.after_wash()], 1e-300), limit_kg)]

        hours = _needed_s(_courses(trace, held),
                          lambda held=held: _courses(far() if far else trace, held),
                          (0.05, 0.5, 0.95))  # fmt: skip
        found.append(None if None in hours else Band(*hours))
    return found
