"""Leftover water of one item through the cycle, place by place, and what EO makes of it.

Three kinds of place hold water: the open outside, the joints, and the lumens. Every body of
water is run as a well mixed film, and in a lumen also as one plug behind the lumen's own gas.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property, reduce

import numpy as np

from eo_risk import reference
from eo_risk.judgement.inputs import ItemInputs
from eo_risk.judgement.result import Band, WaterPlace
from eo_risk.judgement.water.drying_steps import (
    LumenWater,
    crevice_place,
    lumen_water,
    outside_water,
    plug_place,
)
from eo_risk.judgement.water.glycol_credit import GlycolCredit, lumen_removed, open_removed
from eo_risk.judgement.water.leftover import OutsideWater
from eo_risk.judgement.water.water_bodies import (
    Body,
    Course,
    Escape,
    FilmChemistry,
    Plugs,
    WaterStage,
    added,
    ceiling_kg,
    concentration,
    film_body,
    film_chemistry,
    film_of,
    open_escape,
)
from eo_risk.physics import chamber_water, chemistry, properties
from eo_risk.physics.chamber_water import MetByWater, met_by_water
from eo_risk.physics.moist_air import Fluids
from eo_risk.plan.load_plan import Item


@dataclass(frozen=True)
class ItemWater:
    """All water of one item: amounts, places and what became of it."""

    after_drying: np.ndarray
    at_injection: np.ndarray
    after_aeration: np.ndarray
    places: tuple[WaterPlace, ...]
    film: Body
    plug: Body | None
    ceiling_eg: np.ndarray
    wet_spot: np.ndarray | None  # over the outputs: the wettest place at each [kg/m2]
    joints_kg: np.ndarray  # over the outputs: what of it is left in joints
    joints_dry_s: np.ndarray  # since the injection began; infinite where water stays or may return
    starved: tuple[str, ...]
    deep_plugs: tuple[str, ...]
    released_kg: np.ndarray
    dried: DriedItem
    path: WaterPath
    sorbed: Body | None = None  # of it in `film` and `plug`: water in the material itself


@dataclass(frozen=True)
class DriedItem:
    """The water of one item once it was emptied and dried, before the cycle."""

    start: OutsideWater
    outside: OutsideWater
    lumens: tuple[LumenWater, ...]


@dataclass(frozen=True)
class WetPlace:
    """One place of an item: its water at three moments and what became of it. [kg]"""

    kind: str
    lumen: str
    dried_kg: np.ndarray
    injected_kg: np.ndarray
    end_kg: np.ndarray
    film: Body
    plug: Body  # the film again, where no plug can form
    ceiling_kg: np.ndarray
    spot_kg_per_m2: np.ndarray | None = None  # over the outputs, as the bodies
    left_kg: np.ndarray | float = 0.0  # over the outputs; of a joint alone
    dry_s: np.ndarray | float = np.inf  # since the injection began; of a joint alone
    starved: bool = False
    deep: bool = False

    @property
    def summary(self) -> WaterPlace:
        bands = map(Band.of, (self.dried_kg, self.injected_kg, self.end_kg))
        return WaterPlace(self.kind, self.lumen, *bands)


@dataclass(frozen=True)
class WaterPath:
    """What all water of one item goes through: the stages, its solid, its rinse water."""

    inputs: ItemInputs
    course: Course
    plugs: Plugs
    fluids: Fluids
    area_m2: np.ndarray
    heat_j_per_k: np.ndarray
    transfer_m_per_s: np.ndarray  # of vapour off open surfaces, through what the item is packed in
    chloride: np.ndarray | float  # mol/m3
    density: np.ndarray
    before: tuple[MetByWater, ...]  # the injection
    credit: GlycolCredit | None = None
    _fresh: dict[str, FilmChemistry] = field(default_factory=dict)

    @property
    def waters(self) -> tuple[WaterStage, ...]:
        """The stages from the injection on."""
        return self.course.waters

    @property
    def after(self) -> list[MetByWater]:
        """From the injection on."""
        return [water.met for water in self.waters]

    @cached_property
    def condensed_kg(self) -> np.ndarray:
        """What condenses on the item as humidification begins. [kg]"""
        return chamber_water.condensed_kg(
            [met.stage for met in self.before], self.heat_j_per_k, self.fluids,
            self.inputs.draw("water.condensate.share"),
        )  # fmt: skip

    @cached_property
    def salt_draws_water(self) -> np.ndarray:
        """Tell where the air at the item makes brine of left salt, in each stage from injection.

        Shape (stages + 1, samples), the first for all before it; a cold item meets damper air.
        """
        edge = reference.record("decision.salt_humidity").value_si

        def damp(met: MetByWater) -> np.ndarray:
            return met.vapour_pa > edge * met.saturation_pa

        before = np.any([damp(met) for met in self.before], axis=0)
        chamber = [damp(water.met) & water.in_chamber for water in self.waters]
        return np.stack([before | chamber[0], *chamber])

    def with_brine(
        self, kilograms: np.ndarray, salt_mol: np.ndarray | float, output: int
    ) -> np.ndarray:
        """Return water at an output, at least the brine that dry salt makes in damp air. [kg]"""
        if not np.any(salt_mol):
            return kilograms
        return np.maximum(kilograms, self.brine_kg(salt_mol) * self.salt_draws_water[output])

    def brine_kg(self, salt_mol: np.ndarray | float) -> np.ndarray:
        """Return the saturated brine that salt makes. [kg]"""
        return salt_mol / self.inputs.draw("brine.chloride") * self.density

    def film(
        self, kind: str, escape: Escape, kilograms: Sequence[np.ndarray],
        chloride_mol: np.ndarray | float,
    ) -> Body:  # fmt: skip
        """Run water that dries as `kilograms`, one mass per output, as a film of one kind.

        Without chloride the chemistry of a kind does not depend on its mass and is kept.
        """
        volumes = [kg / self.density for kg in kilograms]
        if np.any(chloride_mol):
            return film_body(volumes[0], self.waters, escape, chloride_mol, self.inputs, volumes)
        if kind not in self._fresh:
            self._fresh[kind] = film_chemistry(self.waters, escape, 0.0, self.inputs)
        return film_of(volumes[0], self._fresh[kind], chloride_mol, self.inputs, volumes)


def water_path(
    item: Item, inputs: ItemInputs, course: Course, plugs: Plugs, fluids: Fluids,
    area_m2: np.ndarray, heat_j_per_k: np.ndarray, packaging_m_per_s: np.ndarray,
    credit: GlycolCredit | None = None,
) -> WaterPath:  # fmt: skip
    """Collect what all water of one item goes through.

    Vapour passes a packaging at its coefficient of EO, though it diffuses faster, and no faster
    than the light wrapping of which drying is known: what dries in a pack nobody has measured.
    """
    before = course.timeline.chamber[: course.timeline.exposure_first]
    return WaterPath(
        inputs, course, plugs, fluids, area_m2, heat_j_per_k,
        np.minimum(packaging_m_per_s, inputs.draw("drying.transfer.wrapped")),
        _chloride(item, inputs),
        properties.water_density_kg_per_m3(inputs.draw("room.temperature")),
        met_by_water(before, fluids), credit,
    )  # fmt: skip


def _chloride(item: Item, inputs: ItemInputs) -> np.ndarray | float:
    """Return the chloride of the rinse water. [mol/m3]"""
    if item.rinse_water == "treated":
        return 0.0
    name = "saline.chloride" if item.rinse_water == "saline" else "tap.chloride"
    return inputs.draw(name)


def _open_film(dried: DriedItem, path: WaterPath) -> WetPlace:
    """Follow the open film outside, with what condenses on a cold load."""
    inputs, density = path.inputs, path.density
    place = chamber_water.OpenPlace(
        path.area_m2, path.transfer_m_per_s,
        inputs.draw("drying.surface.heated_share"), path.heat_j_per_k,
        inputs.draw("chamber.wall.heat_transfer") * path.area_m2,
    )  # fmt: skip
    nothing = np.zeros(inputs.samples)
    none_deep = chamber_water.DeepPlace(nothing, nothing)
    start = dried.outside.film_kg + dried.outside.bead_kg
    salt = path.chloride * (dried.start.film_kg + dried.start.bead_kg) / density
    films = [
        chamber_water.water_at_injection(
            chamber_water.WaterByPlace(start, nothing, nothing), path.before, path.fluids,
            film=place, crevice=none_deep, plug=none_deep, condensed=path.condensed_kg,
        ).film_kg
    ]  # fmt: skip
    films[0] = path.with_brine(films[0], salt, 0)
    for output, met in enumerate(path.after, 1):
        left = chamber_water.film_left_kg(films[-1], place, [met], path.fluids)
        films.append(path.with_brine(left, salt, output))
    film = path.film("open", open_escape, films, salt)
    if path.credit is not None and path.credit.open_surfaces:
        gone = open_removed(film, films, path.area_m2, path.transfer_m_per_s, path.waters, inputs,
                            path.fluids)  # fmt: skip
        film = replace(film, removed=gone)
    ceiling = ceiling_kg(films[0], density, path.waters, inputs, salt)
    return WetPlace("outside", "", start, films[0], films[-1], film, film, ceiling)


def _joints(dried: DriedItem, path: WaterPath) -> WetPlace:
    """Follow the water in joints, which recedes from their mouths."""
    inputs, density, full = path.inputs, path.density, dried.outside.joints_kg
    salt = path.chloride * dried.start.joints_kg / density
    if np.any(salt):
        # Dry salt in a joint may draw water again, up to what the mouth of its brine lets in.
        held = np.maximum(full, path.brine_kg(salt))
    else:
        held = full
    if not np.any(held):
        none = np.zeros((len(path.waters) + 1, inputs.samples))
        body = Body(none, none, none[0], none[0])
        return WetPlace("crevice", "", full, full, full, body, body, none[0], left_kg=none)
    place = crevice_place(held, inputs, path.fluids)
    first = chamber_water.deep_left_kg(full, place, path.before, path.fluids)
    filled = [path.with_brine(first, salt, 0)]
    depth = inputs.draw("water.joint.depth")
    least = np.maximum(held, np.finfo(float).tiny)
    dry_s, passed_s = np.full(inputs.samples, np.inf), 0.0
    for output, met in enumerate(path.after, 1):
        receding = replace(place, depth_m=depth * (1.0 - filled[-1] / least))
        left = chamber_water.deep_left_kg(filled[-1], receding, [met], path.fluids)
        filled.append(path.with_brine(left, salt, output))
        gone = (filled[-2] > 0.0) & (filled[-1] <= 0.0)
        if np.any(gone):
            lasts_s = chamber_water.deep_dry_s(filled[-2], receding, met)
            dry_s = np.where(gone, passed_s + lasts_s, dry_s)
        passed_s = passed_s + met.stage.duration_s
    # A crevice full of water gives off through its mouth: first mode of a sheet that deep.
    film = path.film("joint", lambda w: 4.0 * depth**2 / (np.pi**2 * w.water_diffusivity),
                     filled, salt)  # fmt: skip
    spot = None
    if np.any(filled[0]):
        # Over the mouth of the crevice: its water sits deep, but that is where it touches.
        spot = film.eo * depth * density / least
    ceiling = ceiling_kg(filled[0], density, path.waters, inputs, salt)
    return WetPlace("crevice", "", full, filled[0], filled[-1], film, film, ceiling, spot,
                    left_kg=np.stack(filled), dry_s=dry_s)  # fmt: skip


def _lumen(at: LumenWater, path: WaterPath, *, as_plug: bool) -> WetPlace:
    """Follow the water of one lumen, as a film on its wall and as one plug in its middle."""
    inputs, density, fluids, waters = path.inputs, path.density, path.fluids, path.waters
    salt = path.chloride * at.start_kg / density
    left = chamber_water.deep_left_kg(at.dried_kg, plug_place(at, at.dried_kg, inputs, fluids),
                                      path.before, fluids)  # fmt: skip
    left = path.with_brine(left, salt, 0)
    later = chamber_water.deep_left_kg(left, plug_place(at, left, inputs, fluids), path.after,
                                       fluids)  # fmt: skip
    later = path.with_brine(later, salt, -1)
    volume = left / density
    section = np.pi / 4.0 * at.bore_m**2
    wet_share = volume / (section * at.length_m)
    ends = at.faces

    def escape(water: WaterStage) -> np.ndarray:
        return chemistry.wetted_lumen_escape_s(at.length_m, wet_share, water.ratio,
                                               water.gas_diffusivity, ends)  # fmt: skip

    film = plug = film_body(volume, waters, escape, salt, inputs)
    if as_plug:
        salt_now = concentration(salt, volume, inputs)
        plug = path.plugs.body(at, volume, salt_now, film, path.course.rows)
    flow = at.lumen.aeration_flow_nl_per_min
    if path.credit is not None and path.credit.lumens and flow and at.ways.passes_air:
        film, plug = (
            replace(body, removed=lumen_removed(
                body, left, at.bore_m, at.length_m, flow, path.credit.warm_steps, waters, inputs,
                fluids,
            ))
            for body in (film, plug)
        )  # fmt: skip
    middle = waters[min(1, len(waters) - 1)]
    exposure_s = sum(w.stage.duration_s for w in waters if w.in_chamber)
    reach = chemistry.penetration_m(middle.water_diffusivity, exposure_s)
    return WetPlace(
        "plug", at.lumen.name, at.dried_kg, left, later, film, plug,
        ceiling_kg(left, density, waters, inputs, salt),
        plug.eo / (4.0 * np.maximum(volume, 1e-12) / at.bore_m),
        starved=bool(np.median(wet_share * middle.ratio) > 1.0),
        deep=bool(np.median(volume / (section * ends) / reach) > 1.0),
    )  # fmt: skip


def sorbed_body(
    item: Item, inputs: ItemInputs, part_mass_kg: Sequence[np.ndarray],
    waters: Sequence[WaterStage], records,
) -> Body | None:  # fmt: skip
    """Return what EO makes of water sorbed in cotton, paper or gel: less reactive than free."""
    total = None
    for part, mass in zip(item.parts, part_mass_kg, strict=True):
        if f"{part.material}.moisture" not in records:
            continue
        volume = mass * inputs.draw(f"{part.material}.moisture")
        volume = volume / properties.water_density_kg_per_m3(inputs.draw("room.temperature"))
        film = film_body(volume, waters, open_escape, 0.0, inputs)
        bound = inputs.draw("water.bound_factor")
        free = np.zeros_like(film.eo)
        total = added(total, Body(free, film.reacted * bound, film.ech_unbuffered * 0.0,
                                 film.ech_buffered * 0.0))  # fmt: skip
    return total


def dried_item(
    item: Item, inputs: ItemInputs, fluids: Fluids, area_m2: np.ndarray, ambient_pa: float
) -> DriedItem:
    """Empty and dry one item as the plan says."""
    start, outside = outside_water(item, inputs, fluids, area_m2, ambient_pa)
    lumens = (lumen_water(item, i, inputs, fluids, ambient_pa) for i in range(len(item.lumens)))
    return DriedItem(start, outside, tuple(lumens))


def wet_places(dried: DriedItem, path: WaterPath, *, as_plug: bool = True) -> tuple[WetPlace, ...]:
    """Carry dried water through the cycle; without `as_plug` lumens are films only."""
    lumens = (_lumen(at, path, as_plug=as_plug) for at in dried.lumens)
    return (_open_film(dried, path), _joints(dried, path), *lumens)


def item_water(dried: DriedItem, path: WaterPath) -> ItemWater:
    """Follow all water of one dried item from the injection to the end of the aeration.

    Glycol stays where it is made, but for what the path credits the aeration with.
    """
    places = wet_places(dried, path)
    joints = next(place for place in places if place.kind == "crevice")
    spots = [place.spot_kg_per_m2 for place in places if place.spot_kg_per_m2 is not None]
    before, injected, end, ceiling = (
        sum(getattr(place, key) for place in places)
        for key in ("dried_kg", "injected_kg", "end_kg", "ceiling_kg")
    )
    return ItemWater(
        before, injected, end, tuple(place.summary for place in places),
        reduce(added, (place.film for place in places)),
        reduce(added, (place.plug for place in places)) if dried.lumens else None,
        ceiling, np.max(np.stack(spots), axis=0) if spots else None,
        joints.left_kg, joints.dry_s,
        tuple(place.lumen for place in places if place.starved),
        tuple(place.lumen for place in places if place.deep),
        np.maximum(before - injected, 0.0), dried, path,
    )  # fmt: skip
