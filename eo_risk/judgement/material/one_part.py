"""One part in a steady aeration, without an item around it: how long it holds EO or ECH."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from eo_risk import reference
from eo_risk.judgement.cautions import caution, worst_first
from eo_risk.judgement.inputs import ItemInputs
from eo_risk.judgement.material.bore import bore_of
from eo_risk.judgement.material.parts import (
    PartModel,
    correlation_parts,
    layer_stages,
    packaging_transfer,
    part_model,
)
from eo_risk.judgement.result import Caution
from eo_risk.judgement.risk import Draw
from eo_risk.judgement.timeline import LoadStage
from eo_risk.physics import properties
from eo_risk.physics.layer import run_layer
from eo_risk.plan.load_plan import Item, Part
from eo_risk.plan.own_numbers import OwnRecord
from eo_risk.units import celsius_to_kelvin, to_si

_SEARCHED_H = (1e-4, 1e6)  # where half of the start is looked for
_SEARCH_SAMPLES = 16_384  # more of them move the median by less than it is printed to
_SEARCH_POINTS = 41


@dataclass(frozen=True)
class OnePart:
    """What is asked: a part, what is around it, and how its aeration begins.

    `after_exposure_h` starts with the profile an exposure leaves instead of an even one;
    `bore_length_m` credits the bore of a tube by what its still air lets through.
    """

    part: Part
    packaging: str
    temperature_c: float
    substance: str = "EO"
    after_exposure_h: float | None = None
    bore_length_m: float | None = None
    own_records: tuple[OwnRecord, ...] = ()


@dataclass(frozen=True)
class PartFollowed:
    """Share of the start that is left, shape (hours, samples), and what it rests on. [-]"""

    left: np.ndarray
    model: PartModel
    inputs: ItemInputs


def _model(asked: OnePart, inputs: ItemInputs) -> PartModel:
    item = Item(name=asked.part.name, parts=(asked.part,), packaging=asked.packaging)
    model = part_model(item, 0, inputs, packaging_transfer(item, inputs))
    if asked.bore_length_m is None or model.body is None or model.body.shape != "tube":
        return model
    bore = bore_of(model.body, asked.bore_length_m)
    return replace(model, body=replace(model.body, open_faces="both"), bore=bore)


def follow_part(asked: OnePart, hours: Sequence[float], samples: int, seed: int) -> PartFollowed:
    """Run one part through its aeration.

    Parameters
    ----------
    asked : OnePart
        What is asked.
    hours : sequence of float
        Rising times since the start of the aeration. [h]
    samples, seed : int
        Number of samples and the only source of chance. [-]
    """
    own = {record.replaces: record.as_record() for record in asked.own_records}
    inputs = ItemInputs(Draw(seed, samples, own=own).item("aerate"))
    kelvin = np.full(samples, celsius_to_kelvin(asked.temperature_c))
    model = _model(asked, inputs)
    if model.body is None:
        return PartFollowed(np.zeros((len(hours), samples)), model, inputs)
    zero, one = np.zeros(samples), np.ones(samples)

    def stage(time_h: float, eo: np.ndarray, step: int | None) -> LoadStage:
        return LoadStage("aeration", np.full(samples, to_si(time_h, "h")), kelvin, kelvin, eo, eo,
                         one, one, zero, step)  # fmt: skip

    steps = [stage(hours_on, zero, 0) for hours_on in np.diff([0.0, *hours])]
    aired = layer_stages(model, steps, inputs, substance=asked.substance)
    if asked.after_exposure_h is None:
        run = run_layer(model.body, aired, start_kg_per_m3=1.0)
        return PartFollowed(run.mean_kg_per_m3[1:], model, inputs)
    taken = layer_stages(model, [stage(asked.after_exposure_h, one, None)], inputs)
    run = run_layer(model.body, taken + aired)
    return PartFollowed(run.mean_kg_per_m3[2:] / run.mean_kg_per_m3[1], model, inputs)


def half_left_h(asked: OnePart, samples: int, seed: int) -> float | None:
    """Return when the median curve reaches half its start; None when it does not. [h]

    Of the samples of the curve itself, so that the two agree.
    """

    def follow(hours: np.ndarray) -> PartFollowed:
        return follow_part(asked, list(hours), min(samples, _SEARCH_SAMPLES), seed)

    grid = np.geomspace(*_SEARCHED_H, _SEARCH_POINTS)
    found = follow(grid)
    below = np.flatnonzero(np.median(found.left, axis=1) <= 0.5)
    if found.model.body is None or below.size == 0:
        return None
    if below[0] == 0:
        return float(grid[0])
    fine = np.geomspace(grid[below[0] - 1], grid[below[0]], _SEARCH_POINTS)
    level = np.median(follow(fine).left, axis=1)
    return float(np.exp(np.interp(-0.5, -level, np.log(fine))))


def part_cautions(asked: OnePart, model: PartModel) -> tuple[Caution, ...]:
    """Collect the cautions that follow from the material and the packaging."""
    name = asked.part.name
    item = Item(name=name, parts=(asked.part,))
    found = [caution("correlation_only", where)
             for where in correlation_parts(item, asked.own_records)]  # fmt: skip
    if not reference.packagings()[asked.packaging].permeable:
        found.append(caution("pack_not_permeable", asked.packaging))
    if model.body is not None:
        kelvin = celsius_to_kelvin(asked.temperature_c)
        if any(properties.outside_range(f"{m}.diffusivity", kelvin) for m in model.members):
            found.append(caution("outside_material_range", f"{asked.temperature_c:g} C"))
        if model.data_class == "C":
            found.append(caution("estimated_material", name))
    return worst_first(found)
