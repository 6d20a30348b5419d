"""EO (and ECH) in the material parts of an item, over the whole cycle and aeration.

Each part becomes one layer: its shape and size, its material's diffusivity and uptake at
the load's own temperature in each stage, and the packaging as resistance outside.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from eo_risk import reference, units
from eo_risk.judgement.inputs import ItemInputs
from eo_risk.judgement.timeline import LoadStage, Timeline
from eo_risk.physics import properties
from eo_risk.physics.layer import Body, Stage, run_layer
from eo_risk.physics.two_layers import run_two_layers
from eo_risk.plan.load_plan import Item, Part

# A blank packaging or an unknown one takes the slowest ordinary wrapping.
_UNKNOWN_PACKAGING = "carton"


@dataclass(frozen=True)
class PartModel:
    """One part, ready to run: geometry and material as samples. SI, shape (samples,)"""

    part: Part
    body: Body | None  # None: the material takes up no EO
    volume_m3: np.ndarray
    mass_kg: np.ndarray
    outside_area_m2: np.ndarray
    members: tuple[str, ...]
    chosen: np.ndarray | None  # which member each sample takes, for an unknown grade
    transfer_m_per_s: np.ndarray
    data_class: str


def _choose(model_members: tuple[str, ...], chosen: np.ndarray | None, value) -> np.ndarray:
    """Evaluate `value(member)` and pick each sample's own member."""
    if chosen is None:
        return value(model_members[0])
    return np.choose(chosen, [value(member) for member in model_members])


def packaging_transfer(item: Item, inputs: ItemInputs) -> np.ndarray:
    """Return the transfer coefficient outside the parts. [m/s], shape (samples,)"""
    name = item.packaging or _UNKNOWN_PACKAGING
    if not reference.packagings()[name].permeable:
        return np.zeros(inputs.samples)
    return inputs.draw(f"packaging.{name}.transfer")


def _geometry(
    part: Part, field: str, inputs: ItemInputs, density: np.ndarray
) -> tuple[Body, np.ndarray, np.ndarray]:
    """Return body, volume and outer area of one part."""
    mass_kg = inputs.number(f"{field}.mass_g", part.mass_g, "g", "assumed.mass")
    volume = mass_kg / density
    shape = part.shape or "sheet"
    if shape == "tube":
        outer_m = 0.5 * inputs.number(f"{field}.outer_diameter_mm", part.outer_diameter_mm, "mm",
                                      "assumed.outer_diameter")  # fmt: skip
        wall_m = inputs.number(f"{field}.wall_mm", part.wall_mm, "mm", "assumed.wall")
        wall_m = np.minimum(wall_m, 0.98 * outer_m)
        length_m = volume / (np.pi * (outer_m**2 - (outer_m - wall_m) ** 2))
        open_faces = part.open_faces or "outer"
        return Body("tube", wall_m, outer_m, open_faces), volume, 2 * np.pi * outer_m * length_m
    if shape in ("rod", "fibre", "sphere"):
        diameter = part.outer_diameter_mm or part.thickness_mm
        radius_m = 0.5 * inputs.number(f"{field}.outer_diameter_mm", diameter, "mm",
                                       "assumed.outer_diameter")  # fmt: skip
        sides = 3.0 if shape == "sphere" else 2.0
        engine = "sphere" if shape == "sphere" else "rod"
        return Body(engine, radius_m), volume, sides * volume / radius_m
    thickness_m = inputs.number(f"{field}.thickness_mm", part.thickness_mm or part.wall_mm, "mm",
                                "assumed.thickness")  # fmt: skip
    # A sheet open on one face empties like one of twice the thickness open on both.
    # Of unknown shape it is taken as the slowest: a sheet open on one face.
    doubled = 2.0 if part.shape is None else {1: 2.0, 2: 1.0}.get(part.faces)
    if doubled is None:
        doubled = np.where(inputs.draw.own(f"{field}.faces", "uniform", 0.5, 0, 1, "-") < 0.5, 2, 1)
    return Body("sheet", thickness_m * doubled), volume, 2.0 * volume / (thickness_m * doubled)


def _mass_of_size_kg(item: Item, part: Part) -> float | None:
    """Return the mass of a tube around a lumen by its size; None where that is not known."""
    lumen = next((lm for lm in item.lumens if lm.wall_part == part.name), None)
    density = f"{part.material}.density"
    if lumen is None or density not in reference.records():
        return None
    if None in (part.wall_mm, part.outer_diameter_mm, lumen.length_mm):
        return None
    outer, wall, length = (
        units.to_si(v, "mm") for v in (part.outer_diameter_mm, part.wall_mm, lumen.length_mm)
    )
    return float(np.pi * wall * (outer - wall) * length * reference.record(density).value_si)


def _differs(item: Item, part: Part) -> float | None:
    """Return the mass by size where it and the mass given differ by more than is allowed."""
    by_size = _mass_of_size_kg(item, part)
    if by_size is None or part.mass_g is None:
        return None
    ratio = by_size / units.to_si(part.mass_g, "g")
    allowed = 1.0 + reference.record("decision.mass_geometry_share").value_si
    return by_size if max(ratio, 1.0 / ratio) > allowed else None


def mass_differs(item: Item) -> tuple[str, ...]:
    """Name the parts whose mass and size do not fit; the larger mass is used."""
    return tuple(part.name for part in item.parts if _differs(item, part) is not None)


def part_model(item: Item, index: int, inputs: ItemInputs, transfer: np.ndarray) -> PartModel:
    """Prepare one part of an item."""
    part = item.parts[index]
    field = f"parts[{index}]"
    by_size = _differs(item, part)
    if by_size is not None:
        larger = max(part.mass_g, units.from_si(by_size, "g"))
        part = part.model_copy(update={"mass_g": larger})
    material = reference.material(part.material)
    members = material.members or (material.id,)
    chosen = None
    if len(members) > 1:
        u = inputs.draw.own(f"{field}.material", "uniform", 0.5, 0.0, 1.0, "-", assumed=True)
        chosen = np.minimum((u * len(members)).astype(int), len(members) - 1)
    density = _choose(members, chosen, lambda m: inputs.draw(f"{m}.density"))
    sorbing = [m for m in members if reference.material(m).behaviour != "none"]
    if sorbing:
        body, volume, area = _geometry(part, field, inputs, density)
    else:
        # Metal and glass take up no EO: only their mass counts, for the water they collect.
        mass_kg = inputs.number(f"{field}.mass_g", part.mass_g, "g", "assumed.mass")
        body, volume, area = None, mass_kg / density, np.zeros(inputs.samples)
    letters = [
        inputs.draw.record(f"{m}.{quantity}").data_class
        for m in sorbing
        for quantity in ("diffusivity", "uptake")
        if f"{m}.{quantity}" in reference.records()
    ]
    return PartModel(
        part, body, volume, volume * density, area, members, chosen,
        transfer, max(letters, default="A"),
    )  # fmt: skip


def layer_stages(
    model: PartModel,
    stages: Sequence[LoadStage],
    inputs: ItemInputs,
    *,
    substance: str = "EO",
    gas: Sequence[tuple[np.ndarray, np.ndarray]] | None = None,
) -> list[Stage]:
    """Give each stage this part's diffusivity, uptake, gas level and resistance.

    `gas` replaces the gas levels of the stages (start, end), for air that the load itself
    loads.
    """
    made = []
    for index, stage in enumerate(stages):
        kelvin = stage.temperature_k

        def value(function, kelvin=kelvin):
            return _choose(
                model.members,
                model.chosen,
                lambda m: function(m, kelvin, inputs.draw, substance=substance),
            )

        start, end = (
            (stage.eo_start_kg_per_m3, stage.eo_end_kg_per_m3) if gas is None else gas[index]
        )
        if substance != "EO":
            start = end = np.zeros_like(kelvin)
        made.append(
            Stage(
                duration_s=stage.duration_s,
                diffusivity_m2_per_s=value(properties.diffusivity_m2_per_s)
                * plasticiser_factor(model.part, inputs),
                gas_ratio=value(properties.gas_ratio),
                gas_start_kg_per_m3=start,
                gas_end_kg_per_m3=end,
                transfer_outer_m_per_s=model.transfer_m_per_s,
                transfer_inner_m_per_s=model.transfer_m_per_s,
            )
        )
    return made


def plasticiser_factor(part: Part, inputs: ItemInputs) -> np.ndarray | float:
    """Return how the plasticiser content moves the diffusivity of soft PVC. [-]"""
    if part.material != "pvc_plasticised" or part.plasticiser_percent is None:
        return 1.0
    reference_share = inputs.draw("pvc_plasticised.plasticiser_reference")
    slope = inputs.draw("pvc_plasticised.plasticiser_slope")
    return np.exp(slope * (part.plasticiser_percent / 100.0 - reference_share))


_CYCLES_FOLLOWED = 3  # earlier cycles; an incomplete aeration has settled by then


def run_part(
    model: PartModel,
    timeline: Timeline,
    inputs: ItemInputs,
    *,
    gas: Sequence[tuple[np.ndarray, np.ndarray]] | None = None,
    earlier_cycles: int = 0,
) -> np.ndarray:
    """Return the EO one part holds from the injection to the end of the aeration. [kg]

    Shape (outputs, samples): the start and the end of every stage. With `earlier_cycles` the
    part goes through the same cycle and aeration before, and starts with what that left.
    """
    stages = timeline.chamber[timeline.exposure_first :] + timeline.aeration
    made = layer_stages(model, stages, inputs, gas=gas)
    outputs = len(stages) + 1
    again = 1 + min(earlier_cycles, _CYCLES_FOLLOWED)
    if model.part.coating is None:
        run = run_layer(model.body, made * again)
        return run.mean_kg_per_m3[-outputs:] * model.volume_m3
    return _run_coated(model, made * again, stages, inputs, gas, again)[-outputs:]


def _run_coated(
    model: PartModel, made: list[Stage], stages: Sequence[LoadStage], inputs: ItemInputs, gas, again
) -> np.ndarray:
    """Run a part and the coating on its outer face as two layers of a sheet. [kg]"""
    coating = model.part.coating
    thickness = inputs.number(f"{model.part.name}.coating.thickness_mm", coating.thickness_mm, "mm",
                              "assumed.coating")  # fmt: skip
    members = reference.material(coating.material).members or (coating.material,)
    if reference.material(members[0]).behaviour == "none":
        # Metal on a polymer is as tight as a closed face: no EO gets through.
        return np.zeros((len(made) + 1, inputs.samples))
    skin = replace(model, members=members[:1], chosen=None)
    outer = layer_stages(skin, stages, inputs, gas=gas) * again
    depth = np.asarray(model.body.thickness_m)
    both = model.body.shape == "sheet" and model.body.open_faces == "both"
    inside = depth / 2.0 if both else depth
    run = run_two_layers(Body("sheet", thickness), Body("sheet", inside, open_faces="outer"),
                         outer, made)  # fmt: skip
    skin_m3 = model.volume_m3 / inside * thickness
    return run.inner_kg_per_m3 * model.volume_m3 + run.outer_kg_per_m3 * skin_m3
