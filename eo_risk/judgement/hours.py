"""How long an item must be aerated until it is inside its limits."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache

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


def _time_s(trace: ItemTrace) -> np.ndarray:
    """Return the times of the curves of a trace, since the end of the last air wash. [s]"""
    return np.median(trace.time_s[trace.after_wash()], axis=1)


def _lengthened_s(
    planned_s: float, level: np.ndarray, time_s: np.ndarray, curve: tuple, quantile: float
) -> float | None:
    """Return the hours of a plan that is lengthened until one curve is inside its limit. [s]

    `level` is what the plan as it stands leaves, in parts of the limit; `time_s` and `curve`
    follow the lengthened step alone. The later steps carry away what so much more time in the
    lengthened step would, and do so after a longer one too: diffusion at another temperature is
    the same course at another pace.
    """
    amount, limit = curve
    inside = hours_inside(time_s, [curve], quantile)
    left = float(np.quantile(level, quantile))
    alike = hours_inside(time_s, [(amount, limit * left)], quantile)
    return None if inside is None else planned_s + inside - alike


def _needed_s(
    planned: tuple[np.ndarray, list], far: Callable[[], tuple[np.ndarray, list]], quantile: float
) -> float | None:
    """Return when every curve is inside its limit at a quantile, along the plan's steps. [s]

    Both are times and curves; `far()` is asked only where the plan ends first.
    """
    time_s, curves = planned
    within = [hours_inside(time_s, [curve], quantile) for curve in curves]
    if None not in within:
        return max(within, default=0.0)
    far_s, followed = far()
    longer = [_lengthened_s(time_s[-1], amount[-1] / limit, far_s, curve, quantile)
              for (amount, limit), curve, found in zip(curves, followed, within, strict=True)
              if found is None]  # fmt: skip
    return None if None in longer else float(max(longer))


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

    def course(found: ItemTrace) -> tuple[np.ndarray, list]:
        return _time_s(found), curves_of(found)

    @cache
    def followed() -> tuple[np.ndarray, list]:
        return course(far())

    planned = course(trace)
    p50, p95 = (_needed_s(planned, followed, quantile) for quantile in (0.5, 0.95))
    far_s = float((planned if p95 is not None else followed())[0][-1])
    return _aeration_time(plan, item, p50, p95, far_s)


def _part_course(trace: ItemTrace, part: int, limit_kg: float) -> tuple[np.ndarray, list]:
    amount = np.maximum(trace.parts_eo[part][trace.after_wash()], 1e-300)
    return _time_s(trace), [(amount, limit_kg)]


def _part_hours(
    trace: ItemTrace, part: int, limit_kg: float, far: Callable[[], ItemTrace] | None
) -> list[float | None]:
    planned = _part_course(trace, part, limit_kg)
    return [
        _needed_s(planned, lambda: _part_course(far() if far else trace, part, limit_kg), quantile)
        for quantile in (0.05, 0.5, 0.95)
    ]


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
        hours = _part_hours(trace, part, limit_kg, far)
        found.append(None if None in hours else Band(*hours))
    return found
