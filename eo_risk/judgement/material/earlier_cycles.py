"""What earlier cycles left in a part: the same cycle and aeration again, coarsely, many times."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from itertools import groupby

import numpy as np

from eo_risk.judgement.timeline import LoadStage
from eo_risk.physics.layer import Stage

# Earlier cycles that are followed: a rubber has settled after a few, a glass goes on gathering.
_FEW, MOST_FOLLOWED = 3, 30
_SETTLED = 0.01  # rise of what is left from one cycle to the next that no longer matters


def coarse(made: Sequence[Stage], stages: Sequence[LoadStage]) -> list[Stage]:
    """Merge the stages of one name, such as all of the gas exposure, into one.

    Diffusivity, uptake and gas level become their means over time, by which the amount that
    gets in or out hardly changes; what is lost is the course within the cycle.
    """
    merged = []
    for _, group in groupby(zip(made, stages, strict=True), key=lambda pair: pair[1].name):
        run = [stage for stage, _ in group]
        lasts = sum(stage.duration_s for stage in run)
        weights = [stage.duration_s / np.where(lasts > 0.0, lasts, 1.0) for stage in run]
        # Where all last no time at all, the first stands for them.
        weights[0] = np.where(lasts > 0.0, weights[0], 1.0)

        def mean(values, weights=weights):
            return sum(w * v for w, v in zip(weights, values, strict=True))

        gas = mean([0.5 * (s.gas_start_kg_per_m3 + s.gas_end_kg_per_m3) for s in run])
        merged.append(
            replace(run[0], duration_s=lasts, gas_start_kg_per_m3=gas, gas_end_kg_per_m3=gas,
                    diffusivity_m2_per_s=mean([s.diffusivity_m2_per_s for s in run]),
                    gas_ratio=mean([s.gas_ratio for s in run]))
        )  # fmt: skip
    return merged


def after_earlier(
    count: int, outputs: int, end: int, run_after: Callable[[int], np.ndarray]
) -> np.ndarray:
    """Return what a part holds in its last cycle, after as many before as still matter.

    Parameters
    ----------
    count : int
        Earlier cycles.
    outputs : int
        Outputs of the last cycle.
    end : int
        The one of them at which its aeration has ended as planned.
    run_after : callable
        Runs the part with that many coarse cycles first. [kg], shape (all outputs, samples)
    """
    held = run_after(min(count, _FEW))
    if count > _FEW:
        # What the last earlier cycle left, and what this one leaves.
        rising = held[end - outputs] > (1.0 + _SETTLED) * held[-outputs]
        if np.any(rising):
            held = run_after(min(count, MOST_FOLLOWED))
    return held[-outputs:]


def unfollowed(count: int, held_kg: np.ndarray) -> tuple[float, float] | None:
    """Return what the cycles before those followed may add; None where nothing worth a word.

    Parameters
    ----------
    count : int
        Earlier cycles.
    held_kg : ndarray, shape (outputs, samples)
        What a part holds from its start in the last cycle to the end of its planned aeration.

    Returns
    -------
    rise, most : float
        Rise from one cycle to the next where the following ended, and the most by which all
        others together raise what is held, as shares of it, 95 % bounds. [-]

    Notes
    -----
    What a cycle long ago left only leaves since, so each further one adds no more than the last
    one followed.
    """
    start, end = held_kg[0], held_kg[-1]
    rise = np.where(end > start, (end - start) / np.where(end > start, end, 1.0), 0.0)
    if count <= MOST_FOLLOWED or not np.any(rise > _SETTLED):
        return None
    high = float(np.quantile(rise, 0.95))
    return high, high * (count - MOST_FOLLOWED)
