"""The EO level that the load itself brings into the air around it during aeration.

Air changes carry it out; what stays holds the load back, and a heavy item slows its
neighbours. The level is found by running the load in the air of the run before.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from eo_risk import units
from eo_risk.judgement.inputs import ItemInputs
from eo_risk.judgement.timeline import Timeline
from eo_risk.plan.load_plan import LoadPlan

Gas = list[tuple[np.ndarray, np.ndarray]]

# The load is run again when its own air would keep more than this share of a limit in it.
NOTICEABLE = 0.02
# In well-changed air the level from a load in clean air is close, and on the careful side.
WELL_CHANGED_PER_H = 2.0
PASSES_IN_STILL_AIR = 4


def _volume_and_rate(
    plan: LoadPlan, index: int, inputs: ItemInputs
) -> tuple[np.ndarray, np.ndarray]:
    """Return free air volume and air changes of one aeration step. [m3], [1/s]"""
    step, field = plan.aeration[index], f"aeration[{index}]"
    if step.place == "room":
        volume = inputs.number("room.volume_m3", plan.room.volume_m3, "m3", "assumed.room_volume")
        changes = step.air_changes_per_h
        if changes is None:
            changes = plan.room.air_changes_per_h
    elif step.place == "chamber":
        volume = inputs.number("chamber.volume_l", plan.chamber.volume_l, "L",
                               "assumed.chamber_volume")  # fmt: skip
        volume = volume * inputs.draw("chamber.free_share")
        changes = step.air_changes_per_h
    else:
        volume = inputs.number(f"{field}.free_volume_l", step.free_volume_l, "L",
                               "assumed.aerator_volume")  # fmt: skip
        changes = step.air_changes_per_h
    rate = inputs.number(f"{field}.air_changes_per_h", changes, "1/h", "assumed.air_changes")
    return volume, rate


def levels(
    plan: LoadPlan, timeline: Timeline, inputs: ItemInputs, held_kg: np.ndarray
) -> np.ndarray:
    """Return the EO level of the air at every output of the aeration. [kg/m3]

    Parameters
    ----------
    plan, timeline, inputs
        Of the load.
    held_kg : ndarray, shape (outputs, samples)
        EO the whole load holds, at the start and end of every aeration stage.

    Returns
    -------
    ndarray, shape (outputs, samples)

    Notes
    -----
    Well-mixed air, V dc/dt = given off - n V c, with an even rate within a stage; a new step
    starts in clean air.
    """
    found = [np.zeros(inputs.samples)]
    now, step_before = found[0], None
    for i, stage in enumerate(timeline.aeration):
        volume, rate = _volume_and_rate(plan, stage.step, inputs)
        if stage.step != step_before:
            now, step_before = np.zeros(inputs.samples), stage.step
        seconds = np.maximum(stage.duration_s, 1e-9)
        given_off = held_kg[i] - held_kg[i + 1]
        turns = rate * seconds
        mean_left = np.where(turns > 1e-9, -np.expm1(-turns) / np.maximum(turns, 1e-9), 1.0)
        now = np.maximum(now * np.exp(-turns) + given_off / volume * mean_left, 0.0)
        found.append(now)
    return np.stack(found)


def gas_of(timeline: Timeline, level: np.ndarray) -> Gas:
    """Return start and end level of every stage from the injection on, aeration in `level`."""
    first = timeline.exposure_first
    chamber = [(s.eo_start_kg_per_m3, s.eo_end_kg_per_m3) for s in timeline.chamber[first:]]
    return chamber + [(level[i], level[i + 1]) for i in range(len(timeline.aeration))]


def stretched(gas: Gas, timeline: Timeline, longer: Timeline) -> Gas:
    """Return the levels of a plan's aeration for a longer one; at its end they stay."""
    chamber = len(timeline.chamber) - timeline.exposure_first
    known_s = np.concatenate([[0.0], np.cumsum([np.median(s.duration_s)
                                                for s in timeline.aeration])])  # fmt: skip
    level = np.stack([gas[chamber][0], *(end for _, end in gas[chamber:])])
    asked_s = np.concatenate([[0.0], np.cumsum([np.median(s.duration_s)
                                                for s in longer.aeration])])  # fmt: skip
    place = np.clip(np.searchsorted(known_s, asked_s, side="right") - 1, 0, known_s.size - 2)
    width = np.maximum(known_s[place + 1] - known_s[place], 1e-9)
    share = np.clip((asked_s - known_s[place]) / width, 0.0, 1.0)[:, None]
    found = level[place] * (1.0 - share) + level[place + 1] * share
    return gas[:chamber] + [(found[i], found[i + 1]) for i in range(len(longer.aeration))]


def relaxed(before: np.ndarray | None, found: np.ndarray, store_m3: float, volume_m3: float):
    """Return the next guess of the level, damped by how much the load stores against the air."""
    if before is None:
        before = np.zeros_like(found)
    return before + (found - before) / (1.0 + store_m3 / volume_m3)


def noticeable(level: np.ndarray, stores_m3: Sequence[float], limits_kg: Sequence[float]) -> bool:
    """Tell whether the air keeps a share of any item's limit in that item at the end."""
    high = float(np.quantile(level[-1], 0.95))
    return any(
        store * high > NOTICEABLE * limit
        for store, limit in zip(stores_m3, limits_kg, strict=True)
        if limit > 0.0
    )


def passes(plan: LoadPlan) -> int:
    """Return how many times the load is run in the air of the run before."""
    rates = [step.air_changes_per_h for step in plan.aeration if step.place != "room"]
    still = any(rate is None or rate < WELL_CHANGED_PER_H for rate in rates)
    return PASSES_IN_STILL_AIR if still else 1


def air_volume_m3(plan: LoadPlan, inputs: ItemInputs) -> float:
    """Return the smallest free air volume of the aeration, at the median. [m3]"""
    volumes = [_volume_and_rate(plan, i, inputs)[0] for i in range(len(plan.aeration))]
    return max(min(float(np.median(v)) for v in volumes), units.to_si(1.0, "L"))
