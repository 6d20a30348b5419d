"""Chlorohydrin in the parts: made where free chloride and moisture meet EO, slow to leave.

A chlorinated polymer holds a little free chloride in its sorbed moisture, ten times as much after
gamma irradiation. What is known is one measured level after one cycle; the kinetics of EO and
chloride carry it to the cycle of the plan, so that a weaker or shorter one makes less. Liquid
on the part takes up its chloride and reacts as free water does.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np

from eo_risk import reference
from eo_risk.judgement.inputs import ItemInputs
from eo_risk.judgement.material.parts import PartModel, layer_stages
from eo_risk.judgement.timeline import LoadStage, Timeline
from eo_risk.physics import properties
from eo_risk.physics.layer import run_layer
from eo_risk.plan.load_plan import Item

_MEASURED = "pvc_plasticised"  # the polymer whose levels were measured


def holds_chloride(model: PartModel) -> bool:
    """Tell whether a part, or a member of its family, can free chloride."""
    return any(reference.material(m).contains_chlorine for m in model.members)


def part_ech(
    model: PartModel, eo_kg: np.ndarray, item: Item, inputs: ItemInputs, timeline: Timeline
) -> np.ndarray:
    """Return the chlorohydrin of one part from the injection to the end of the aeration. [kg]

    Parameters
    ----------
    model : PartModel
        The part.
    eo_kg : ndarray, shape (outputs, samples)
        EO it holds, at the start and end of every stage. [kg]
    item, inputs, timeline
        Of the load.

    Returns
    -------
    ndarray, shape (outputs, samples)

    Notes
    -----
    Leaves in the aeration by its own diffusivity and uptake; before that all of it counts, and
    what is still made while the part is aerated counts from the start. A coat gives off nothing.
    """
    stages = timeline.injected
    found = np.zeros((len(stages) + 1, inputs.samples))
    if model.coat is not None and holds_chloride(model.coat):
        around = [0.5 * (s.eo_start_kg_per_m3 + s.eo_end_kg_per_m3) for s in stages]
        found += _made(model.coat, around, stages, item, inputs) * model.coat.mass_kg
    if model.body is None or not holds_chloride(model):
        return found
    inside = _levels_inside(model, eo_kg, stages, inputs)
    density = model.substance.of(lambda m: inputs.draw(f"{m}.density")) * model.density_factor
    start = _made(model, inside, stages, item, inputs) * density
    leaving = layer_stages(model, timeline.aeration, inputs, substance="ECH")
    amounts = run_layer(model.body, leaving, start_kg_per_m3=start).mean_kg_per_m3
    found[: -len(leaving)] += amounts[0] * model.volume_m3
    found[-len(leaving) :] += amounts[1:] * model.volume_m3
    return found


def _levels_inside(
    model: PartModel, eo_kg: np.ndarray, stages: Sequence[LoadStage], inputs: ItemInputs
) -> list[np.ndarray]:
    """Return the gas level in equilibrium with the part's mean EO, in each stage. [kg/m3]"""
    ratios = (stage.gas_ratio for stage in layer_stages(model, stages, inputs))
    means = 0.5 * (eo_kg[:-1] + eo_kg[1:]) / model.volume_m3
    return [mean / ratio for mean, ratio in zip(means, ratios, strict=True)]


def _met(
    levels: Iterable[np.ndarray], stages: Iterable[tuple[np.ndarray, np.ndarray]],
    inputs: ItemInputs, *, wet: bool = False,
) -> np.ndarray:  # fmt: skip
    """Return the share of free chloride that EO turns, in sorbed moisture or in liquid. [-]

    Parameters
    ----------
    levels : iterable of ndarray
        Gas level in equilibrium with the polymer, by stage. [kg/m3]
    stages : iterable of pairs
        Temperature and duration. [K], [s]
    """
    draw = inputs.draw
    met = np.zeros(inputs.samples)
    for level, (kelvin, seconds) in zip(levels, stages, strict=True):
        dissolved = properties.water_gas_ratio(kelvin, draw) * level / draw("eo.molar_mass")
        met = met + properties.rate("eo.chloride", kelvin, draw) * dissolved * seconds
    # Sorbed water reacts less than free water does, at most as fast.
    slower = np.minimum(draw("water.bound_factor"), 1.0)
    return -np.expm1(-met if wet else -slower * met)


def _may_be_wet(item: Item) -> bool:
    """Tell whether liquid may stand on the item: only a look that found none rules it out."""
    looked = (item.droplets_seen, *(lumen.droplets_seen for lumen in item.lumens))
    return any(seen != "no" for seen in looked)


def _made(
    model: PartModel, levels: Iterable[np.ndarray], stages: Sequence[LoadStage], item: Item,
    inputs: ItemInputs,
) -> np.ndarray:  # fmt: skip
    """Return the chlorohydrin a part makes in all. [kg/kg]

    The measured level times the share turned here over that turned in the cycle of the source.
    Both shares take the same samples of the rate, so that only what differs adds to the band.
    """
    draw = inputs.draw
    here = _met(levels, [(s.temperature_k, s.duration_s) for s in stages], inputs,
                wet=_may_be_wet(item))  # fmt: skip
    there = _met(
        [draw("polymer_ech.source_level")],
        [(draw("polymer_ech.source_temperature"), draw("polymer_ech.source_exposure"))], inputs,
    )  # fmt: skip
    measured = draw(f"{_MEASURED}.ech_after_cycle") * _irradiated(item, inputs) * here / there

    def level(member: str) -> np.ndarray:
        if not reference.material(member).contains_chlorine:
            return np.zeros(inputs.samples)
        spread = "grade" if member == _MEASURED else "analogy"
        return measured * draw(f"polymer_ech.{spread}")

    return model.substance.of(level)


def _irradiated(item: Item, inputs: ItemInputs) -> np.ndarray | float:
    """Return how much more chlorohydrin a part makes after gamma irradiation. [-]

    Unknown takes all from none to the most measured.
    """
    if item.irradiated_before == "no":
        return 1.0
    clean, low, high = (
        properties.central(f"{_MEASURED}.ech_after_{what}")
        for what in ("cycle", "irradiation_low", "irradiation_high")
    )
    known = item.irradiated_before == "yes"
    least = low / clean if known else 1.0
    return inputs.draw.own("irradiated.ech", "uniform", least, least, high / clean, "-",
                           assumed=not known)  # fmt: skip
