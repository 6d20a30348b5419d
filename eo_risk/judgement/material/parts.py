"""EO in the material parts of an item, over the whole cycle and aeration.

Each part becomes one layer: its shape and size, its material's diffusivity and uptake at
the load's own temperature in each stage, and the packaging as resistance outside. A coating
is a second layer on its outer face.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from eo_risk import reference, units
from eo_risk.judgement.inputs import ItemInputs
from eo_risk.judgement.material.bore import Bore, still_bore
from eo_risk.judgement.material.earlier_cycles import after_earlier, coarse
from eo_risk.judgement.material.part_geometry import (
    coat_on,
    geometry,
    larger_mass,
    lumen_of,
    walled,
)
from eo_risk.judgement.own_records import own_records
from eo_risk.judgement.timeline import LoadStage, Timeline
from eo_risk.physics import properties
from eo_risk.physics.layer import Body, Stage, run_layer
from eo_risk.physics.two_layers import run_two_layers
from eo_risk.plan.load_plan import Item, Part
from eo_risk.plan.own_numbers import OwnRecord

Gas = Sequence[tuple[np.ndarray, np.ndarray]]


@dataclass(frozen=True)
class Substance:
    """What a body is made of: one material, or for each sample one member of its family."""

    members: tuple[str, ...]
    chosen: np.ndarray | None  # which member each sample takes, for an unknown grade
    data_class: str

    def of(self, value: Callable[[str], np.ndarray]) -> np.ndarray:
        """Evaluate `value(member)` and pick each sample's own member."""
        if self.chosen is None:
            return value(self.members[0])
        return np.choose(self.chosen, [value(member) for member in self.members])

    @property
    def absorbs(self) -> bool:
        """Whether any member takes up EO; metal and glass do not."""
        return any(reference.material(m).behaviour != "none" for m in self.members)


@dataclass(frozen=True)
class PartModel:
    """One part, ready to run: geometry and material as samples. SI, shape (samples,)

    `body` is the layer that takes up EO: the part, or the coating of a part of metal or glass;
    None when nothing does. `coat` is the layer on its outer face.
    """

    part: Part
    body: Body | None
    substance: Substance
    volume_m3: np.ndarray  # of the body
    mass_kg: np.ndarray  # of the whole part
    outside_area_m2: np.ndarray
    transfer_m_per_s: np.ndarray
    coat: PartModel | None = None
    density_factor: np.ndarray | float = 1.0  # density given with the part over its record
    bore: Bore | None = None  # of a tube, where still gas in it holds the inner face back
    still_m_per_s: np.ndarray | float = np.inf  # outside it in still air

    @property
    def members(self) -> tuple[str, ...]:
        return self.substance.members

    @property
    def data_class(self) -> str:
        letters = [self.substance.data_class, *([self.coat.data_class] if self.coat else [])]
        return max(letters)

    @property
    def gives_off(self) -> bool:
        """Whether EO gets in and out: not where nothing takes it up, nor under a coat of metal."""
        return self.body is not None and (self.coat is None or self.coat.body is not None)

    def bare(self) -> PartModel:
        """Return the part without any resistance outside."""
        coat = None if self.coat is None else self.coat.bare()
        return replace(self, transfer_m_per_s=np.full_like(self.transfer_m_per_s, np.inf),
                       still_m_per_s=np.inf, coat=coat, bore=None)  # fmt: skip


def packaging_transfer(item: Item, inputs: ItemInputs) -> np.ndarray:
    """Return the transfer coefficient outside the parts. [m/s], shape (samples,)"""
    name = item.packaging or reference.UNKNOWN_PACKAGING
    if not reference.packagings()[name].permeable:
        return np.zeros(inputs.samples)
    return inputs.draw(f"packaging.{name}.transfer")


def _in_still_air(item: Item, inputs: ItemInputs) -> np.ndarray | float:
    """Return the coefficient outside a bare item where no air moves; a pack is slower anyway."""
    if item.packaging != "none":
        return np.inf
    return inputs.draw("packaging.none_still.transfer")


def substance_of(material_id: str, field: str, inputs: ItemInputs) -> Substance:
    """Return what a part is made of; a family draws one member for each sample."""
    material = reference.material(material_id)
    members = material.members or (material.id,)
    chosen = None
    if len(members) > 1:
        names = "; ".join(reference.material(member).name for member in members)
        u = inputs.choice(f"{field}.material", 1, len(members), "grades",
                          f"any of {len(members)} grades: {names}")  # fmt: skip
        chosen = np.minimum((u * len(members)).astype(int), len(members) - 1)
    letters = [
        inputs.draw.record(f"{m}.{quantity}").data_class
        for m in members
        for quantity in ("diffusivity", "uptake")
        if f"{m}.{quantity}" in reference.records()
    ]
    return Substance(members, chosen, max(letters, default="A"))


def correlation_parts(item: Item, records: Iterable[OwnRecord]) -> Iterator[str]:
    """Name the parts whose diffusivity rests on the food-contact correlation alone.

    A diffusivity of the site's own lifts it: then a measurement stands behind the material.
    """
    own = own_records(records, item.name)
    for part in item.parts:
        coat = () if part.coating is None else (part.coating.material,)
        names = (m for m in (part.material, *coat) if reference.material(m).correlation)
        if any(f"{name}.diffusivity" not in own for name in names):
            yield part.name


def part_model(item: Item, index: int, inputs: ItemInputs, transfer: np.ndarray) -> PartModel:
    """Prepare one part of an item."""
    given, field = item.parts[index], f"parts[{index}]"
    part = larger_mass(item, walled(item, given))
    if given.wall_mm is None and part.wall_mm is not None:
        inputs.derived(f"{field}.wall_mm", part.wall_mm, "mm", "by its outside and its bore")
    if given.mass_g is None and part.mass_g is not None:
        inputs.derived(f"{field}.mass_g", part.mass_g, "g", "by its size and density")
    if plasticiser_counts(part, inputs) and part.plasticiser_percent is None:
        inputs.as_record(f"{field}.plasticiser_percent", "pvc_plasticised.plasticiser_reference",
                         "as in what was measured")  # fmt: skip
    substance = substance_of(part.material, field, inputs)
    density = by_record = substance.of(lambda m: inputs.draw(f"{m}.density"))
    if part.density_g_per_cm3 is not None:
        density = np.full(inputs.samples, units.to_si(part.density_g_per_cm3, "g/cm3"))
    if substance.absorbs or part.coating is not None:
        body, volume, area = geometry(part, field, inputs, density)
        core = PartModel(part, body, substance, volume, volume * density, area, transfer,
                         density_factor=density / by_record,
                         bore=still_bore(body, volume, lumen_of(item, part)),
                         still_m_per_s=_in_still_air(item, inputs))  # fmt: skip
        return core if part.coating is None else _coated(core, f"{field}.coating", inputs)
    # Metal and glass take up no EO: only their mass counts, for the water they collect.
    mass_kg = inputs.number(f"{field}.mass_g", part.mass_g, "g", "assumed.mass")
    return PartModel(part, None, substance, mass_kg / density, mass_kg, np.zeros(inputs.samples),
                     transfer)  # fmt: skip


def _coated(core: PartModel, field: str, inputs: ItemInputs) -> PartModel:
    """Lay a part's coating on its outer face."""
    coating = core.part.coating
    substance = substance_of(coating.material, field, inputs)
    thickness = inputs.number(f"{field}.thickness_mm", coating.thickness_mm, "mm",
                              "assumed.coating")  # fmt: skip
    core_body, body, volume = coat_on(core.body, core.volume_m3, thickness)
    mass = volume * substance.of(lambda m: inputs.draw(f"{m}.density"))
    part = core.part.model_copy(update={"material": coating.material, "coating": None,
                                        "plasticiser_percent": None})  # fmt: skip
    coat = PartModel(part, body if substance.absorbs else None, substance, volume, mass,
                     core.outside_area_m2, core.transfer_m_per_s,
                     still_m_per_s=core.still_m_per_s)  # fmt: skip
    whole = core.mass_kg + mass
    if not core.substance.absorbs:
        # On metal or glass the coat is all there is, closed towards its core.
        alone = None if coat.body is None else replace(body, open_faces="outer")
        return replace(coat, part=core.part, body=alone, mass_kg=whole)
    return replace(core, body=core_body, mass_kg=whole, coat=coat)


def _one_after_other(first: np.ndarray, second: np.ndarray) -> np.ndarray:
    """Return the transfer coefficient of two resistances in a row. [m/s]"""
    with np.errstate(divide="ignore"):
        return 1.0 / (1.0 / first + 1.0 / second)


def layer_stages(
    model: PartModel,
    stages: Sequence[LoadStage],
    inputs: ItemInputs,
    *,
    substance: str = "EO",
    gas: Gas | None = None,
) -> list[Stage]:
    """Give each stage this part's diffusivity, uptake, gas level and resistance.

    `gas` replaces the gas levels of the stages (start, end), for air that the load itself
    loads.
    """
    made: list[Stage] = []
    moving = model.transfer_m_per_s
    still = np.minimum(moving, model.still_m_per_s)
    before_k = None
    for index, stage in enumerate(stages):
        kelvin = stage.temperature_k
        inside = outside = still if stage.still_air else moving
        if model.bore is not None and stage.step is not None:  # the chamber's pumping sweeps it
            inside = _one_after_other(outside, model.bore.transfer_m_per_s(kelvin, inputs))

        def value(function, kelvin=kelvin):
            return model.substance.of(
                lambda m: function(m, kelvin, inputs.draw, substance=substance)
            )

        # Of many grades it takes long, and many stages are as warm as the one before.
        if before_k is None or not np.array_equal(kelvin, before_k):
            diffusivity = value(properties.diffusivity_m2_per_s)
            diffusivity = diffusivity * plasticiser_factor(model.part, inputs)
            ratio = value(properties.gas_ratio) * model.density_factor
        before_k = kelvin
        start, end = (
            (stage.eo_start_kg_per_m3, stage.eo_end_kg_per_m3) if gas is None else gas[index]
        )
        if substance != "EO":
            start = end = np.zeros_like(kelvin)
        made.append(
            Stage(
                duration_s=stage.duration_s,
                diffusivity_m2_per_s=diffusivity,
                gas_ratio=ratio,
                gas_start_kg_per_m3=start,
                gas_end_kg_per_m3=end,
                transfer_outer_m_per_s=outside,
                transfer_inner_m_per_s=inside,
                after=stage.after,
            )
        )
    return made


def plasticiser_counts(part: Part, inputs: ItemInputs) -> bool:
    """Tell whether the plasticiser content of a part moves its diffusivity.

    A diffusivity of the site's own was measured with the content it has: nothing moves it.
    """
    own = inputs.draw.is_own("pvc_plasticised.diffusivity")
    return part.material == "pvc_plasticised" and not own


def plasticiser_factor(part: Part, inputs: ItemInputs) -> np.ndarray | float:
    """Return how the plasticiser content moves the shipped diffusivity of soft PVC. [-]"""
    if part.plasticiser_percent is None or not plasticiser_counts(part, inputs):
        return 1.0
    reference_share = inputs.draw("pvc_plasticised.plasticiser_reference")
    slope = inputs.draw("pvc_plasticised.plasticiser_slope")
    return np.exp(slope * (part.plasticiser_percent / 100.0 - reference_share))


def run_part(
    model: PartModel,
    timeline: Timeline,
    inputs: ItemInputs,
    *,
    gas: Gas | None = None,
    earlier_cycles: int = 0,
    worn: Sequence[LoadStage] = (),
    worn_from: Sequence[int] = (),
) -> np.ndarray:
    """Return the EO one part holds from the injection on. [kg]

    Shape (outputs, samples), as `Timeline` has them. With `earlier_cycles` the part goes
    through the same cycle and planned aeration before, and starts with what that left. From
    each output in `worn_from` it also goes, bare, through the stages `worn`, whose outputs
    come last.
    """
    stages, planned = timeline.followed, timeline.injected
    layers = part_stages(model, stages, inputs, gas=gas)
    if worn:
        contact = part_stages(model.bare(), worn, inputs)
        layers = [made + _from_each(worn_from, bare)
                  for made, bare in zip(layers, contact, strict=True)]  # fmt: skip
    if not earlier_cycles:
        return run_stages(model, layers)
    before = [coarse(made[: len(planned)], planned) for made in layers]

    def run_after(earlier: int) -> np.ndarray:
        return run_stages(model, [
            first * earlier + [_moved(stage, len(first) * earlier) for stage in last]
            for first, last in zip(before, layers, strict=True)
        ])  # fmt: skip

    return after_earlier(earlier_cycles, len(layers[0]) + 1, len(planned), run_after)


def _from_each(outputs: Sequence[int], stages: list[Stage]) -> list[Stage]:
    """Return the stages once from each of the outputs; output k is the end of stage k - 1."""
    first, *others = stages
    return [stage for output in outputs for stage in (replace(first, after=output - 1), *others)]


def _moved(stage: Stage, places: int) -> Stage:
    """Return a stage with so many others put before all of them."""
    return stage if stage.after is None else replace(stage, after=stage.after + places)


def part_stages(
    model: PartModel, stages: Sequence[LoadStage], inputs: ItemInputs, *, gas: Gas | None = None
) -> list[list[Stage]]:
    """Return the stages of each layer of a part for EO: the body, then its coat."""
    return [
        layer_stages(layer, stages, inputs, gas=gas)
        for layer in (model, model.coat)
        if layer is not None and layer.body is not None
    ]


def run_stages(model: PartModel, layers: Sequence[list[Stage]]) -> np.ndarray:
    """Run a part through the stages of its layers. [kg], shape (outputs, samples)"""
    if not model.gives_off:
        return np.zeros((len(layers[0]) + 1, *model.volume_m3.shape))
    if model.coat is None:
        return run_layer(model.body, layers[0]).mean_kg_per_m3 * model.volume_m3
    run = run_two_layers(model.coat.body, model.body, layers[1], layers[0])
    return run.inner_kg_per_m3 * model.volume_m3 + run.outer_kg_per_m3 * model.coat.volume_m3
