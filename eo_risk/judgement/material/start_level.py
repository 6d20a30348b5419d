"""The EO a device held as its aeration began, by the laboratory: after which cycle it holds.

A start level belongs to the gas exposure before it. Where the plan exposes alike, the parts of
the material start their aeration with what was measured; after another exposure it says nothing,
and the uptake rules. What air washes take is in a measured level.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from eo_risk import reference
from eo_risk.judgement.inputs import ItemInputs
from eo_risk.judgement.material.parts import PartModel
from eo_risk.plan.load_plan import Cycle, Item, LoadPlan
from eo_risk.plan.own_numbers import OwnRecord


def _differs(what: str, unit: str, measured: float, planned: float | None, room: float) -> str:
    if planned is None:
        return f"{what} unknown, {measured:g} {unit} as measured"
    if abs(planned - measured) <= room * (1.0 + 1e-9):
        return ""
    return f"{what} {planned:g} {unit}, {measured:g} {unit} as measured"


def _other_exposure(record: OwnRecord, cycle: Cycle) -> list[str]:
    """Say in what the exposure of a cycle differs from the one before a measured start level."""
    share = reference.record("decision.same_exposure_share").value_si
    kelvin = reference.record("decision.same_exposure_temperature").value_si
    hours, eo = record.after_exposure_h, record.after_eo_mg_per_l
    found = (
        _differs("exposure", "h", hours, cycle.exposure_h, share * hours),
        _differs("EO", "mg/L", eo, cycle.eo_mg_per_l, share * eo),
        _differs("temperature", "C", record.after_temperature_c, cycle.temperature_c, kelvin),
    )
    return [text for text in found if text]


def start_levels_elsewhere(plan: LoadPlan, item: Item) -> dict[str, str]:
    """Say why start levels measured for an item do not hold in this plan, by record id."""
    found = {}
    for record in plan.own_records:
        if record.quantity != reference.START_LEVEL or item.name not in record.items:
            continue
        why = _other_exposure(record, plan.cycle)
        if item.earlier_eo_cycles:
            why.append(f"{item.earlier_eo_cycles} cycle(s) before")
        if why:
            found[record.id] = f"{record.id}: {', '.join(why)}"
    return found


def started_as_measured(
    models: Sequence[PartModel], held: Sequence[np.ndarray], inputs: ItemInputs, start: int
) -> tuple[tuple[PartModel, ...], tuple[np.ndarray, ...]]:
    """Let the parts of a material hold at output `start` what was measured, together.

    Uptake and release are linear: as if there were so many times as much of the material, in
    the parts that are made of it.

    Parameters
    ----------
    models, held : sequences
        The parts and the EO each holds, shape (outputs, samples). [kg]
    inputs : ItemInputs
        Where a start level of the site's own is drawn.
    start : int
        The output at which the aeration begins.
    """
    for material in dict.fromkeys(m for model in models for m in model.members):
        name = f"{material}.{reference.START_LEVEL}"
        if not inputs.draw.is_own(name):
            continue
        mine = [model.substance.of(lambda m, own=material: np.full(inputs.samples, m == own))
                for model in models]  # fmt: skip
        now = sum(np.where(own, eo[start], 0.0) for own, eo in zip(mine, held, strict=True))
        times = inputs.draw(name) / np.where(now > 0.0, now, np.inf)
        times = [np.where(own & (now > 0.0), times, 1.0) for own in mine]
        models = [_larger(model, by) for model, by in zip(models, times, strict=True)]
        held = [eo * by for eo, by in zip(held, times, strict=True)]
    return tuple(models), tuple(held)


def _larger(model: PartModel, times: np.ndarray) -> PartModel:
    coat = None if model.coat is None else _larger(model.coat, times)
    return replace(model, volume_m3=model.volume_m3 * times, coat=coat)
