"""The answer of one group of results: a curve with its release time, or one time."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np

from eo_risk.errors import Fault, InputError
from eo_risk.judgement.result import Caution
from eo_risk.measured.certificates import one_time, stands_above
from eo_risk.measured.curve_checks import check_curve
from eo_risk.measured.device_amounts import DeviceAmount
from eo_risk.measured.dissipation import (
    Decline,
    Points,
    by_lots,
    can_fit_lots,
    can_fit_pooled,
    pooled,
)
from eo_risk.measured.lab_options import LabOptions, check_conditions

_PICTURE_POINTS = 61
_LN_CLIP = 50.0  # keeps a hopeless extrapolation printable


def later(entries: Mapping[str, dict]) -> str:
    """Name the model with the latest release hour; one without any is later than all."""
    def hour(name: str) -> float:
        value = entries[name]["release_h"]
        return math.inf if value is None else value

    return max(entries, key=hour)


def _up(hours: float | None) -> int | None:
    """Round up to whole hours; rounding noise of the fit is no further hour."""
    return None if hours is None else math.ceil(hours - 1e-9)


def _entry(decline: Decline, points: Points, ln_limit: float, options: LabOptions) -> dict:
    """Describe one model's answer; no time before the first result is credited."""
    first, last = float(points.hours.min()), float(points.hours.max())

    def counted(hours: float | None) -> float | None:
        return None if hours is None else max(hours, first)

    release = decline.release_h(ln_limit, options.confidence)
    return {
        "intercept": decline.intercept,
        "slope_per_h": decline.slope_per_h,
        "residual_sd": float(decline.residual_sd),
        "n": decline.n,
        "crossing_h": decline.crossing_h(ln_limit),
        "release_h": counted(release),
        "release_h_rounded": _up(counted(release)),
        "tolerance_95_95_h": counted(decline.tolerance_h(ln_limit, last)),
        "before_first_result": release is not None and release < first,
    }


def declines_of(points: Points, model: str) -> dict[str, Decline]:
    """Fit the models asked for, by name; raises InputError when none can be fitted."""
    found = {}
    if model != "lots":
        found["pooled"] = pooled(points)
    if model != "pooled" and can_fit_lots(points):
        found["lots"] = by_lots(points)
    if not found:
        raise InputError([Fault("--model", "lots", "", "two lots or more with known results at "
                                "two times or more", "Use --model pooled, or test more lots.")])
    return found


def _picture(
    points: Points, declines: Mapping[str, Decline], entry: dict, options: LabOptions
) -> dict:
    """Return the lines of the picture, mg per device over hours."""
    last = max(float(points.hours.max()), entry["release_h"] or 0.0, entry["crossing_h"] or 0.0)
    hours = np.linspace(0.0, max(last * 1.08, 1.0), _PICTURE_POINTS)

    def amounts(ln_mg: np.ndarray) -> list[float]:
        return np.exp(np.clip(ln_mg, -_LN_CLIP, _LN_CLIP)).tolist()

    return {
        "hours": hours.tolist(),
        "fitted_mg": {name: amounts(d.line(hours)) for name, d in declines.items()},
        "upper_mg": {name: amounts(d.upper(hours, options.confidence))
                     for name, d in declines.items()},
    }  # fmt: skip


def _curve_cautions(
    entry: dict, points: Points, options: LabOptions, group: str
) -> list[Caution]:
    last = float(points.hours.max())
    found = []
    if entry["slope_per_h"] >= 0.0:
        found.append(Caution("not_falling", "block", "The residue does not fall over the hours.",
                             "No release time; look at the data.", group))  # fmt: skip
    elif entry["release_h"] is None:
        found.append(Caution("no_release_time", "block", "The prediction limit never falls below "
                             "the limit: too few results or too much scatter.",
                             "Test more lots and later times.", group))  # fmt: skip
    elif entry["release_h"] > last:
        alone = " By lots alone the error of the slope is not counted: ask for both models."
        found.append(Caution("extrapolated", "warn", "The release time lies beyond the last "
                             f"sampled time, {last:g} h.{alone if options.model == 'lots' else ''}",
                             "Test at later times.", group))  # fmt: skip
    if entry["before_first_result"]:
        found.append(Caution("before_first_result", "inform", "The line would allow less; no time "
                             f"before the first result, {points.hours.min():g} h, is credited.",
                             "Test at earlier times.", group))  # fmt: skip
    return found


def _curve(points: Points, ln_limit: float, options: LabOptions, group: str) -> dict:
    declines = declines_of(points, options.model)
    checks = check_curve(points)
    entries = {name: _entry(d, points, ln_limit, options) for name, d in declines.items()}
    slow = checks.slow_from
    if slow is not None and slow.tail is not None:
        fits = declines_of(slow.tail, "pooled" if options.model == "pooled" else "both")
        tails = {name: _entry(d, slow.tail, ln_limit, options) for name, d in fits.items()}
        name = later(tails)
        entries["tail"] = tails[name]
        declines = declines | {"tail": fits[name]}
    ruling = later(entries)
    line = entries.get("pooled") or _entry(pooled(points), points, ln_limit, options)
    shown = entries[ruling]
    last = float(points.hours.max())
    return {
        "kind": "curve",
        **{key: line[key] for key in ("intercept", "slope_per_h", "residual_sd", "n",
                                      "crossing_h")},
        "release_h": shown["release_h"],
        "release_h_rounded": shown["release_h_rounded"],
        "tolerance_95_95_h": shown["tolerance_95_95_h"],
        "extrapolated": shown["release_h"] is None or shown["release_h"] > last,
        "ruling_model": ruling,
        "models": entries,
        "slow_from_h": None if slow is None else slow.hour,
        "lots": points.lot_names,
        "times_h": np.unique(points.hours).tolist(),
        "n_below": int(np.count_nonzero(points.below)),
        "picture": _picture(points, declines, shown, options),
        "cautions": [*_curve_cautions(shown, points, options, group), *checks.cautions],
    }  # fmt: skip


def _one_time_hour(points: Points, rows: Sequence[int]) -> float:
    """Choose the earliest hour with two results or more; raises InputError without one."""
    hours, counts = np.unique(points.hours, return_counts=True)
    enough = hours[counts > 1]
    if not enough.size:
        where = f"{'row' if len(rows) == 1 else 'rows'} {', '.join(map(str, rows))}, column result"
        raise InputError([
            Fault(where, f"{len(points.hours)} result(s) at {len(hours)} time(s)", "",
                  "three known results at two times or more for a curve, or two results at one "
                  "time", "Add results; a single one proves nothing.")
        ])  # fmt: skip
    return float(enough[0])


def _one_time(
    points: Points, amounts: Sequence[DeviceAmount], limit_mg: float, options: LabOptions,
    group: str,
) -> dict:  # fmt: skip
    hour = _one_time_hour(points, [a.row.row for a in amounts])
    chosen = points.where(points.hours == hour)
    found = one_time(chosen, options.confidence)
    cautions = [Caution(c.code, c.level, c.text, c.action, group) for c in found.cautions]
    above = [stands_above(a.amount_mg, a.below, limit_mg) for a in amounts
             if a.row.aeration_h == hour]  # fmt: skip
    if len(chosen.hours) < len(points.hours):
        cautions.append(Caution("other_times_not_used", "warn", "Too few results above detection "
                                f"for a curve: answered for {hour:g} h, the earliest time with "
                                "two results.", "Choose another with --only aeration_h=HOURS.",
                                group))  # fmt: skip
    return {
        "kind": "one_time",
        "aeration_h": hour,
        "n": found.n,
        "n_below": found.below,
        "n_above_limit": above.count(True),
        "n_open": above.count(None),
        "mean": found.mean_mg,
        "geometric_mean": found.geometric_mean_mg,
        "highest": found.highest_mg,
        "upper_ends": found.below > 0,
        "next_device_upper_95": found.next_upper_mg,
        "next_device_confidence": options.confidence,
        "next_device_below_highest_chance": found.share_below,
        "highest_above_limit": True if True in above else None if None in above else False,
        "lots": chosen.lot_names,
        "times_h": [hour],
        "cautions": cautions,
    }


def group_answer(
    amounts: Sequence[DeviceAmount], limit_mg: float, options: LabOptions, group: str
) -> dict:
    """Answer the results of one substance and group; raises InputError as `lab_answer`."""
    check_conditions(amounts, group)
    points = Points.of(amounts)
    if can_fit_pooled(points):
        return _curve(points, math.log(limit_mg), options, group)
    return _one_time(points, amounts, limit_mg, options, group)
