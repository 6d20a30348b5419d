"""One item through the whole cycle: parts and water, as samples over time."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from eo_risk import reference, units
from eo_risk.judgement.allowed.contact_area import ContactArea
from eo_risk.judgement.inputs import ItemInputs
from eo_risk.judgement.material.parts import (
    Gas,
    PartModel,
    packaging_transfer,
    part_model,
    run_part,
)
from eo_risk.judgement.material.polymer_ech import part_ech
from eo_risk.judgement.material.start_level import started_as_measured
from eo_risk.judgement.result import Band, PartHold
from eo_risk.judgement.timeline import Timeline, ambient_pa
from eo_risk.judgement.water import leftover
from eo_risk.judgement.water.glycol_credit import credit_of
from eo_risk.judgement.water.water_bodies import Course, Plugs, added
from eo_risk.judgement.water.wetness import (
    ItemWater,
    dried_item,
    item_water,
    sorbed_body,
    water_path,
)
from eo_risk.physics import properties
from eo_risk.plan.load_plan import Item, LoadPlan

_ACCURACY = 1e-9  # of the largest amount a part held; what the layers resolve


@dataclass(frozen=True)
class ItemTrace:
    """What one item holds at every output. SI; arrays (outputs, samples) or (samples,).

    `time_s` counts from the end of the last air wash; outputs before it are negative.
    `outputs` are those of all stages that are followed.
    """

    models: tuple[PartModel, ...]
    parts_eo: tuple[np.ndarray, ...]
    parts_ech: np.ndarray
    water: ItemWater
    time_s: np.ndarray
    outputs: np.ndarray
    at_end_of_exposure: np.ndarray
    outside_area_m2: np.ndarray
    contact_area: ContactArea
    mass_kg: np.ndarray

    @property
    def polymer_eo(self) -> np.ndarray:
        return np.sum(self.parts_eo, axis=0) if self.parts_eo else np.zeros_like(self.time_s)

    def eo(self, form: str) -> np.ndarray:
        """EO in parts and water, the water taken as ``film`` or ``plug``."""
        body = self.water.film if form == "film" or self.water.plug is None else self.water.plug
        return self.polymer_eo + body.eo

    def after_wash(self) -> np.ndarray:
        """Indices of the outputs from the end of the last air wash on."""
        return np.flatnonzero(self.time_s[:, 0] >= -1e-9)


def outputs_time_s(timeline: Timeline) -> np.ndarray:
    """Return the time of every output since the end of the last wash. [s]

    Shape (outputs, samples): the start of the injection and the end of every stage from it.
    """
    stages = timeline.injected
    steps = np.stack([np.zeros_like(stages[0].duration_s), *(s.duration_s for s in stages)])
    time = np.cumsum(steps, axis=0)
    return time - time[_last_wash(timeline)]


def _last_wash(timeline: Timeline) -> int:
    """Return the output at the end of the last air wash.

    The transfer is the last chamber stage; hours of aeration count from before it.
    """
    return len(timeline.chamber) - timeline.exposure_first - 1


def _areas(
    item: Item, inputs: ItemInputs, models: Sequence[PartModel]
) -> tuple[np.ndarray, ContactArea]:
    """Return outside [m2] and contact area; a missing contact area is a range, never dropped."""
    given = item.external_water.area_cm2
    if given is None and all(p.mass_g is not None for p in item.parts):
        outside = sum((m.outside_area_m2 for m in models), np.zeros(inputs.samples))
        if any(m.body is None for m in models):
            outside = inputs.number("external_water.area_cm2", None, "cm2", "assumed.outside_area")
        else:
            inputs.derived("external_water.area_cm2", units.from_si(outside, "cm2"), "cm2",
                           "by the size of its parts")  # fmt: skip
    else:
        outside = inputs.number("external_water.area_cm2", given, "cm2", "assumed.outside_area")
    contact = item.patient.contact_area_cm2
    if contact is not None:
        known = inputs.number("patient.contact_area_cm2", contact, "cm2", "")
        return outside, ContactArea(known, known)
    record_id = "assumed.contact_share"
    share = inputs.number("patient.contact_area_cm2", None, "cm2", record_id, "of the outside")
    least = reference.record(record_id).low_si
    return outside, ContactArea(outside * share, outside * least)


@dataclass(frozen=True)
class ItemParts:
    """The material parts of one item and the EO they hold, before its water is looked at.

    `made` are the parts by their geometry and `models` the same as what they take up was
    measured; `eo_kg` one array per part, shape (outputs, samples), outputs as `Timeline` has them;
    `store_m3` the air that would hold as much EO as the parts at one level.
    """

    inputs: ItemInputs
    made: tuple[PartModel, ...]
    models: tuple[PartModel, ...]
    eo_kg: tuple[np.ndarray, ...]
    outside_area_m2: np.ndarray
    contact_area: ContactArea
    store_m3: float

    @property
    def total_kg(self) -> np.ndarray:
        """EO in all parts of the item, shape (outputs, samples)."""
        return np.sum(self.eo_kg, axis=0) if self.eo_kg else np.zeros((1, self.inputs.samples))


def item_parts(item: Item, inputs: ItemInputs, timeline: Timeline) -> ItemParts:
    """Run the material parts of one item through its timeline, in clean air.

    Parameters
    ----------
    item : Item
        What goes in.
    inputs : ItemInputs
        Where its numbers are drawn.
    timeline : Timeline
        Stages shared by the load.
    """
    transfer = packaging_transfer(item, inputs)
    made = tuple(part_model(item, i, inputs, transfer) for i in range(len(item.parts)))
    store = sum(
        float(np.median(_ratio_at_end(layer, timeline, inputs) * layer.volume_m3))
        for model in made if model.gives_off
        for layer in (model, model.coat) if layer is not None
    )  # fmt: skip
    if item.earlier_eo_cycles is None and any(model.gives_off for model in made):
        inputs.derived("earlier_eo_cycles", 0, "cycles", "none is counted")
    held = _held(item, made, inputs, timeline, None)
    models, held = started_as_measured(made, held, inputs, _last_wash(timeline))
    return ItemParts(inputs, made, models, held, *_areas(item, inputs, made), store)


def in_other_air(parts: ItemParts, item: Item, timeline: Timeline, gas: Gas | None) -> ItemParts:
    """Run the same parts again through another timeline, or in air of another level."""
    return replace(parts, eo_kg=_held(item, parts.models, parts.inputs, timeline, gas))


def _held(
    item: Item, models: Sequence[PartModel], inputs: ItemInputs, timeline: Timeline,
    gas: Gas | None,
) -> tuple[np.ndarray, ...]:  # fmt: skip
    found = []
    for model in models:
        if model.body is None:
            found.append(np.zeros((len(timeline.followed) + 1, inputs.samples)))
            continue
        held = run_part(model, timeline, inputs, gas=gas,
                        earlier_cycles=item.earlier_eo_cycles or 0)  # fmt: skip
        # Below the accuracy of the engine nothing is claimed.
        found.append(np.where(held < _ACCURACY * held.max(axis=0), 0.0, held))
    return tuple(found)


def simulate(
    plan: LoadPlan, item: Item, parts: ItemParts, course: Course, like: ItemTrace | None = None
) -> ItemTrace:
    """Follow the chlorohydrin and the water of one item beside the EO of its parts.

    Parameters
    ----------
    plan, item : LoadPlan, Item
        What goes in.
    parts : ItemParts
        Its material parts, run through every stage that is followed.
    course : Course
        The way that is looked at.
    like : ItemTrace, optional
        The same item on the other way: it was dried and its plugs were run there.
    """
    inputs, models, timeline = parts.inputs, parts.models, course.timeline
    held = tuple(eo[course.rows] for eo in parts.eo_kg)
    time = outputs_time_s(timeline)
    ech = np.zeros(time.shape)
    for made, model, eo in zip(parts.made, models, held, strict=True):
        # A measured start level tells the EO alone; the chlorohydrin stays that of the part.
        as_made = eo * (made.volume_m3 / model.volume_m3)
        ech += part_ech(made, as_made, item, inputs, timeline)
    mass = sum((m.mass_kg for m in models), np.zeros(inputs.samples))
    outside, contact = parts.outside_area_m2, parts.contact_area
    fluids = leftover.fluids(inputs.draw)
    heat = sum((m.mass_kg * inputs.draw(_heat_record(m)) for m in models), np.zeros(inputs.samples))
    transfer = packaging_transfer(item, inputs)
    if not transfer.any():  # no EO gets in, so none meets the water either
        course = course.without_gas()
    wet = course.held_at(item.rinse_ph)
    if like is None:
        dried = dried_item(item, inputs, fluids, outside, ambient_pa(plan))
        plugs = Plugs(wet, inputs)
    else:
        dried, plugs = like.water.dried, like.water.path.plugs
    path = water_path(item, inputs, wet, plugs, fluids, outside, heat,
                      transfer, credit_of(plan))  # fmt: skip
    water = item_water(dried, path)
    sorbed = sorbed_body(item, inputs, [m.mass_kg for m in models], course.waters,
                         reference.records())  # fmt: skip
    if sorbed is not None:
        water = _with_sorbed(water, sorbed)
    exposure_end = timeline.exposure_last - timeline.exposure_first + 1
    taken = np.sum([eo[exposure_end] for eo in held], axis=0)
    return ItemTrace(models, held, ech, water, time, course.rows, taken, outside, contact, mass)


def _ratio_at_end(model: PartModel, timeline: Timeline, inputs: ItemInputs) -> np.ndarray:
    kelvin = timeline.stages[-1].temperature_k
    return model.substance.of(lambda m: properties.gas_ratio(m, kelvin, inputs.draw))


def _heat_record(model: PartModel) -> str:
    bare = reference.material(model.part.material).behaviour == "none"
    return "metal.heat_capacity" if bare else "polymer.heat_capacity"


def _with_sorbed(water: ItemWater, sorbed) -> ItemWater:
    plug = None if water.plug is None else added(water.plug, sorbed)
    return replace(water, film=added(water.film, sorbed), plug=plug, sorbed=sorbed)


def part_holds(trace: ItemTrace, hours: Sequence[Band | None]) -> tuple[PartHold, ...]:
    """Summarise what each part still holds at the end of the aeration."""
    return tuple(
        PartHold(m.part.name, m.part.material, Band.of(eo[-1]), h, m.data_class)
        for m, eo, h in zip(trace.models, trace.parts_eo, hours, strict=True)
    )


def glycol(trace: ItemTrace, form: str) -> np.ndarray:
    """Return EG over the outputs. [kg], shape (outputs, samples)"""
    body = trace.water.film if form == "film" or trace.water.plug is None else trace.water.plug
    return body.glycol * properties.glycol_per_eo()
