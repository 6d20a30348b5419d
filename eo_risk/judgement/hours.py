"""How long an item must be aerated until it is inside its limits."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from eo_risk import reference, units
from eo_risk.judgement.allowed.residues import hours_inside
from eo_risk.judgement.cautions import required_by_others
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


def needed_s(trace: ItemTrace, curves: list, quantile: float) -> float | None:
    """Return when a quantile of every curve is inside its limit, within the trace. [s]"""
    time = np.median(trace.time_s[trace.after_wash()], axis=1)
    return hours_inside(time, curves, quantile)


def _aeration_time(
    plan: LoadPlan, item: Item, p50: float | None, p95: float | None, far_s: float
) -> AerationTime:
    asked = [(who, units.to_si(hours, "h")) for who, hours, _ in required_by_others(item, plan)]
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
    curves = curves_of(trace)
    found = {q: needed_s(trace, curves, q) for q in (0.5, 0.95)}
    far_s = float(np.median(trace.time_s[-1]))
    if any(value is None for value in found.values()):
        followed = far()
        curves = curves_of(followed)
        far_s = float(np.median(followed.time_s[-1]))
        found = {
            q: value if value is not None else needed_s(followed, curves, q)
            for q, value in found.items()
        }
    return _aeration_time(plan, item, found[0.5], found[0.95], far_s)


def _part_hours(trace: ItemTrace, part: int, limit_kg: float) -> list[float | None]:
    time = np.median(trace.time_s[trace.after_wash()], axis=1)
    curve = [(np.maximum(trace.parts_eo[part][trace.after_wash()], 1e-300), limit_kg)]
    return [hours_inside(time, curve, q) for q in (0.05, 0.5, 0.95)]


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
        hours = _part_hours(trace, part, limit_kg)
        if None in hours and far is not None:
            later = _part_hours(far(), part, limit_kg)
            hours = [b if a is None else a for a, b in zip(hours, later, strict=True)]
        found.append(None if None in hours else Band(*hours))
    return found
