"""The air a load shares: what it brings into its aerator, what it takes from its chamber.

Air changes carry EO out of an aerator; what stays holds the load back, and a heavy item slows
its neighbours. What the load gives off in clean air tells whether that is noticeable; if so,
load and air are run as one. In the exposure a load that takes up much thins the gas.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from eo_risk import reference
from eo_risk.judgement.allowed.residues import inside_from, quantile_s
from eo_risk.judgement.inputs import ItemInputs
from eo_risk.judgement.material.parts import Gas, PartModel, part_stages
from eo_risk.judgement.simulate import ItemParts
from eo_risk.judgement.timeline import LoadStage, Timeline
from eo_risk.judgement.windows import windows, within
from eo_risk.physics.layer import Stage
from eo_risk.physics.shared_air import SharedAir, SharedPart, run_shared_air
from eo_risk.plan.load_plan import AerationStep, LoadPlan


def air_changes(plan: LoadPlan, step: AerationStep) -> float | None:
    """Return the air changes of an aeration step, in a room those of the room. [1/h]"""
    if step.place == "room" and step.air_changes_per_h is None:
        return plan.room.air_changes_per_h
    return step.air_changes_per_h


def volume_and_rate(
    plan: LoadPlan, index: int, inputs: ItemInputs
) -> tuple[np.ndarray, np.ndarray]:
    """Return free air volume and air changes of one aeration step. [m3], [1/s]"""
    step, field = plan.aeration[index], f"aeration[{index}]"
    if step.place == "room":
        volume = inputs.number("room.volume_m3", plan.room.volume_m3, "m3", "assumed.room_volume")
    elif step.place == "chamber":
        volume = inputs.number("chamber.volume_l", plan.chamber.volume_l, "L",
                               "assumed.chamber_volume")  # fmt: skip
        volume = volume * inputs.draw("chamber.free_share")
    else:
        volume = inputs.number(f"{field}.free_volume_l", step.free_volume_l, "L",
                               "assumed.aerator_volume")  # fmt: skip
    rate = inputs.number(f"{field}.air_changes_per_h", air_changes(plan, step), "1/h",
                         "assumed.air_changes")  # fmt: skip
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
        EO the whole load holds, at the start and end of every aeration stage of `timeline`.

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
        volume, rate = volume_and_rate(plan, stage.step, inputs)
        if stage.step != step_before:
            now, step_before = np.zeros(inputs.samples), stage.step
        seconds = np.maximum(stage.duration_s, 1e-9)
        given_off = held_kg[i] - held_kg[i + 1]
        turns = rate * seconds
        mean_left = np.where(turns > 1e-9, -np.expm1(-turns) / np.maximum(turns, 1e-9), 1.0)
        now = np.maximum(now * np.exp(-turns) + given_off / volume * mean_left, 0.0)
        found.append(now)
    return np.stack(found)


def _airs(plan: LoadPlan, timeline: Timeline, inputs: ItemInputs) -> list[SharedAir]:
    """Return the air of every aeration stage; a new step starts in clean air."""
    found, before = [], None
    for stage in timeline.aeration + timeline.far:
        volume, rate = volume_and_rate(plan, stage.step, inputs)
        goes_on = stage.step == before or stage.after is not None
        found.append(SharedAir(volume, rate, None if goes_on else 0.0))
        before = stage.step
    return found


def shared_levels(
    plan: LoadPlan, timeline: Timeline, inputs: ItemInputs, load: Sequence[ItemParts]
) -> tuple[np.ndarray, np.ndarray]:
    """Return the EO level of the air, load and air run as one, and its sum over the time.

    In [kg/m3] and [kg s/m3], each (outputs, samples), outputs as `Timeline` has them; before the
    aeration both are 0.

    Parameters
    ----------
    plan, timeline, inputs
        Of the load.
    load : sequence of ItemParts
        Every item of the plan, as it is in clean air.

    Notes
    -----
    What earlier cycles left is taken as even, in a coated part as in equilibrium.
    """
    _airs(plan, timeline, inputs)  # what is assumed of the air is noted once, for the load
    chamber = len(timeline.injected) - len(timeline.aeration)

    def levels_of(here: slice) -> tuple[np.ndarray, np.ndarray]:
        cut = within(timeline, here, inputs.samples)
        airs = [None] * chamber + _airs(plan, cut, inputs.within(here))
        run = run_shared_air(_shared_parts(plan, cut.followed, load, here), airs)
        return run.air_kg_per_m3, run.air_total_kg_s_per_m3

    found = [levels_of(here) for here in windows(inputs.samples, _layers(load))]
    level, total = (np.concatenate(windowed, axis=1) for windowed in zip(*found, strict=True))
    return np.maximum(level, 0.0), total


def _layers(load: Sequence[ItemParts]) -> int:
    return sum(
        layer is not None and layer.body is not None
        for item in load for model in item.models for layer in (model, model.coat)
    )  # fmt: skip


def _shared_parts(
    plan: LoadPlan, stages: Sequence[LoadStage], load: Sequence[ItemParts], here: slice
) -> list[SharedPart]:
    """Return the layers of a load for a window of the samples; `stages` are cut to it."""
    found = []
    for planned, item in zip(plan.items, load, strict=True):
        inputs = item.inputs.within(here)
        for model, held in zip(item.models, item.eo_kg, strict=True):
            if model.gives_off:
                cut = within(model, here, item.inputs.samples)
                layers = part_stages(cut, stages, inputs)
                found.append(_shared_part(cut, layers, planned.quantity or 1, held[0, here]))
    return found


def _shared_part(
    model: PartModel, stages: Sequence[list[Stage]], pieces: int, held_kg: np.ndarray
) -> SharedPart:
    """Return a part, and its coat, as layers that share their air; `held_kg` of one piece."""
    layers = (model,) if model.coat is None else (model, model.coat)
    # What is held at the start is shared out as at one gas level: by volume times uptake.
    level = held_kg / sum(own[0].gas_ratio * layer.volume_m3
                          for layer, own in zip(layers, stages, strict=True))  # fmt: skip
    part, *coat = (
        SharedPart(layer.body, own, layer.volume_m3 * pieces, level * own[0].gas_ratio)
        for layer, own in zip(layers, stages, strict=True)
    )
    return replace(part, coat=coat[0]) if coat else part


def depleted_level(
    plan: LoadPlan, timeline: Timeline, inputs: ItemInputs, load: Sequence[ItemParts]
) -> np.ndarray:
    """Return the EO level at the end of the exposure if none is made up. [kg/m3], (samples,)

    The chamber is closed after the injection; its free volume and the load share what came
    in. Parameters as `shared_levels`.
    """
    inputs.number("chamber.volume_l", plan.chamber.volume_l, "L", "assumed.chamber_volume")
    count = timeline.exposure_last - timeline.exposure_first + 1

    def level_of(here: slice) -> np.ndarray:
        cut, own = within(timeline, here, inputs.samples), inputs.within(here)
        stages = cut.injected[:count]
        volume = own.number("chamber.volume_l", plan.chamber.volume_l, "L",
                            "assumed.chamber_volume")  # fmt: skip
        volume = volume * own.draw("chamber.free_share")
        full = stages[0].eo_end_kg_per_m3
        airs = [None, *(SharedAir(volume, 0.0, full if k == 0 else None)
                        for k in range(count - 1))]  # fmt: skip
        return run_shared_air(_shared_parts(plan, stages, load, here), airs).air_kg_per_m3[-1]

    return np.concatenate([level_of(h) for h in windows(inputs.samples, _layers(load))])


def gas_of(timeline: Timeline, level: np.ndarray, total: np.ndarray) -> Gas:
    """Return start and end level of every stage that is followed; `level`, `total` of its aeration.

    The level within a stage is taken as a line that ends as the level does and has its mean: on a
    line between the levels alone an item would meet too little gas while they rise fast, and
    too much while they fall.
    """
    found, chamber = [], len(timeline.injected) - len(timeline.aeration)
    for k, stage in enumerate(timeline.followed):
        if k < chamber:
            found.append((stage.eo_start_kg_per_m3, stage.eo_end_kg_per_m3))
            continue
        before, end = k if stage.after is None else stage.after + 1, level[k + 1]
        lasts = np.where(stage.duration_s > 0.0, stage.duration_s, 1.0)
        mean = (total[k + 1] - total[before]) / lasts
        found.append((np.maximum(2.0 * mean - end, 0.0), end))
    return found


def noticeable(
    time_s: np.ndarray, level: np.ndarray, held_kg: np.ndarray, store_m3: float, limit_kg: float
) -> bool:
    """Tell whether the air of an aeration changes the hours of an item, or what is left in it.

    Parameters
    ----------
    time_s : ndarray, shape (outputs,)
        Times since the aeration began. [s]
    level, held_kg : ndarray, shape (outputs, samples)
        EO in the air around the item [kg/m3]; what one piece holds in clean air.
    store_m3, limit_kg : float
        Air that holds as much as the piece at one level; limit of the piece, 0 for none.
    """
    if limit_kg <= 0.0:
        return False
    limit_share, hours_share, least_s = (
        reference.record(f"decision.own_air_{name}").value_si
        for name in ("limit_share", "hours_share", "least_time")
    )
    kept = store_m3 * level
    if np.quantile(kept[-1], 0.95) > limit_share * limit_kg:
        return True
    inside = [inside_from(time_s, held, limit_kg) for held in (held_kg, held_kg + kept)]
    for quantile in (0.5, 0.95):
        clean, aired = (quantile_s(times, quantile) for times in inside)
        if clean is None:
            continue
        if aired is None or aired > max((1.0 + hours_share) * clean, clean + least_s):
            return True
    return False
