"""Searches along one quantity: the smallest whole step that moves, the largest mass that keeps."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from eo_risk import reference

_RESOLUTION = 0.01  # of the mass found
_MOST_GROWTHS = 12
_MOST_STEPS = 60


def smallest(
    low: int, high: int, moves: Callable[[int], bool], *, likely_low: bool = False
) -> int | None:
    """Return the smallest whole number in (low, high] that moves; None when `high` does not.

    `likely_low` looks close to `low` first, in steps that double.
    """
    if not moves(high):
        return None
    step = 1
    while likely_low and low + step < high:
        if moves(low + step):
            high = low + step
        else:
            low, step = low + step, 2 * step
    while high - low > 1:
        middle = (low + high) // 2
        if moves(middle):
            high = middle
        else:
            low = middle
    return high


def largest_below(
    glycol: Callable[[float], float], reference_kg: float, guess_kg: float
) -> float | None:
    """Return the largest mass of water whose EG stays below a reference. [kg]

    Parameters
    ----------
    glycol : callable
        EG of a mass of water; never falls with it. [kg] -> [kg]
    reference_kg, guess_kg : float
        EG not to be passed; a first guess of the mass, above zero. [kg]

    Returns
    -------
    float or None
        None when even no water passes the reference; infinite when no mass does. A milligram
        more than the mass returned, or a hundredth of it where that is less, passes it.
    """
    low, low_eg = 0.0, glycol(0.0)
    if low_eg > reference_kg:
        return None
    high, high_eg = guess_kg, glycol(guess_kg)
    for _ in range(_MOST_GROWTHS):
        if high_eg > reference_kg:
            break
        # EG is nearly in proportion to its water: a little beyond where it would pass.
        slope = (high_eg - low_eg) / (high - low)
        reach = 1.05 * (reference_kg - high_eg) / slope if slope > 0.0 else np.inf
        low, low_eg, high = high, high_eg, high + min(max(reach, 0.05 * high), 19.0 * high)
        high_eg = glycol(high)
    else:
        return np.inf
    before, coarsest_kg = np.inf, reference.record("advice.water_step").value_si
    for step in range(_MOST_STEPS):
        width = 0.9 * min(coarsest_kg, _RESOLUTION * high)
        if high - low <= width:
            break
        middle = 0.5 * (low + high)
        slow = step > 2 and high - low > 0.5 * before
        before = high - low
        if not slow:
            # On the line between the ends, a little towards the far one: then the bracket closes.
            middle = low + (high - low) * (reference_kg - low_eg) / (high_eg - low_eg)
            nearer_low = middle - low < high - middle
            middle = middle + (0.4 if nearer_low else -0.4) * width
            middle = min(max(middle, low + 0.2 * width), high - 0.2 * width)
        found = glycol(middle)
        if found <= reference_kg:
            low, low_eg = middle, found
        else:
            high, high_eg = middle, found
    return low
