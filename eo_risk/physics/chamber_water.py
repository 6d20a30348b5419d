"""What a stay in a chamber, oven or room leaves of the water, place by place.

An open film dries from its surface; water deep in a crevice or lumen dries only through the
still gas above it. Both boil when the pressure falls below the vapour pressure at the load's
own temperature, as fast as heat arrives. A cold load first collects more water.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise
from typing import Protocol

import numpy as np
from numpy.typing import ArrayLike

from eo_risk.physics import evaporation
from eo_risk.physics.drying import (
    film_loss_kg,
    surface_drives_kg_per_m3,
    surface_flux_kg_per_m2_s,
)
from eo_risk.physics.moist_air import Fluids
from eo_risk.units import STANDARD_ATMOSPHERE_PA

# Nearer to boiling, water cools itself: diffusion is taken no faster than at the pressure of
# which the vapour is this share.
_VAPOUR_SHARE = 0.8


class Surroundings(Protocol):
    """What a stage must tell: numbers or arrays of shape (samples,).

    `temperature_k` is the load's own temperature, `gas_temperature_k` that of gas and walls;
    pressures are absolute and leave out the vapour that `relative_humidity` (of the gas, at
    its temperature) stands for.
    """

    duration_s: ArrayLike
    temperature_k: ArrayLike
    gas_temperature_k: ArrayLike
    pressure_start_pa: ArrayLike
    pressure_end_pa: ArrayLike
    relative_humidity: ArrayLike


@dataclass(frozen=True)
class Stay:
    """A plain stage: bench, cabinet, vacuum oven or one stage of a cycle."""

    duration_s: ArrayLike
    temperature_k: ArrayLike
    gas_temperature_k: ArrayLike
    pressure_start_pa: ArrayLike
    pressure_end_pa: ArrayLike
    relative_humidity: ArrayLike


@dataclass(frozen=True)
class OpenPlace:
    """An open film or bead: numbers or arrays of shape (samples,).

    `area_m2` its surface [m2]; `transfer_m_per_s` at atmospheric pressure, wrapping included
    (``drying.transfer.bench``, ``.cabinet``, ``.wrapped``) [m/s]; `heated_share`
    ``drying.surface.heated_share`` [-]; `solid_j_per_k` heat capacity of the solid in contact
    with the water [J/K]; `heat_w_per_k` transfer from the walls, ``chamber.wall.heat_transfer``
    times area [W/K].
    """

    area_m2: ArrayLike
    transfer_m_per_s: ArrayLike
    heated_share: ArrayLike = 0.5
    solid_j_per_k: ArrayLike = 0.0
    heat_w_per_k: ArrayLike = 0.0


@dataclass(frozen=True)
class DeepPlace:
    """Water below still gas, in a crevice or lumen: numbers or arrays of shape (samples,).

    `area_m2` cross-section of one face [m2]; `depth_m` from the mouth to the water [m];
    `faces` 1 or 2 of them [-]; heat as in `OpenPlace`. A crevice filled to its mouth has
    depth 0 and the area of its water over ``water.joint.depth``; a plug in a bore has the
    bore's cross-section and lies ``water.plug.depth_share`` of the length from its mouths.
    """

    area_m2: ArrayLike
    depth_m: ArrayLike
    faces: ArrayLike = 1
    solid_j_per_k: ArrayLike = 0.0
    heat_w_per_k: ArrayLike = 0.0


@dataclass(frozen=True)
class WaterByPlace:
    """Liquid water as open film, in crevices and as plugs. [kg]"""

    film_kg: np.ndarray
    crevice_kg: np.ndarray
    plug_kg: np.ndarray

    @property
    def total_kg(self) -> np.ndarray:
        return self.film_kg + self.crevice_kg + self.plug_kg


@dataclass(frozen=True, eq=False)
class MetByWater:
    """A stage and what every body of water in it meets alike, worked out once when asked.

    It stands wherever a stage is asked for, and brings its own numbers of air and water.
    """

    stage: Surroundings
    fluids: Fluids

    @cached_property
    def load_k(self) -> np.ndarray:
        return np.asarray(self.stage.temperature_k, dtype=float)

    @cached_property
    def gas_k(self) -> np.ndarray:
        return np.asarray(self.stage.gas_temperature_k, dtype=float)

    @cached_property
    def vapour_pa(self) -> np.ndarray:
        return np.asarray(self.stage.relative_humidity) * self.fluids.saturation_pa(self.gas_k)

    @cached_property
    def saturation_pa(self) -> np.ndarray:
        return self.fluids.saturation_pa(self.load_k)

    @cached_property
    def _ends_pa(self) -> tuple[np.ndarray, np.ndarray]:
        first = self.stage.pressure_start_pa + self.vapour_pa
        return first, self.stage.pressure_end_pa + self.vapour_pa

    @cached_property
    def still_pa(self) -> np.ndarray:
        """Pressure at which diffusion goes on: the mean of the part that does not boil."""
        lowest, highest = np.minimum(*self._ends_pa), np.maximum(*self._ends_pa)
        still_pa = np.sqrt(np.maximum(lowest, self.saturation_pa) * highest)
        return np.maximum(still_pa, self.saturation_pa / _VAPOUR_SHARE)

    @cached_property
    def boiling_s(self) -> np.ndarray:
        share = evaporation.boiling_share(*self._ends_pa, self.saturation_pa)
        return np.asarray(self.stage.duration_s) * share

    @cached_property
    def boiling_k(self) -> np.ndarray:
        return self.fluids.boiling_k(np.minimum(*self._ends_pa), self.load_k)

    @cached_property
    def drives_kg_per_m3(self) -> tuple[np.ndarray, np.ndarray]:
        humidity = np.asarray(self.stage.relative_humidity)
        air = self.fluids.air(self.gas_k, humidity, self.still_pa)
        return surface_drives_kg_per_m3(air, self.stage.temperature_k)

    @cached_property
    def density_kg_per_m3(self) -> np.ndarray:
        return self.fluids.water_density_kg_per_m3(self.load_k)

    @cached_property
    def recession_m2_per_s(self) -> np.ndarray:
        return evaporation.recession_m2_per_s(
            self.load_k,
            self.still_pa,
            self.saturation_pa,
            self.vapour_pa,
            self.fluids.vapour_diffusivity_m2_per_s(self.load_k, self.still_pa),
            self.fluids.water_molar_mass_kg_per_mol,
            self.density_kg_per_m3,
        )

    def boiled_kg(self, water_kg: np.ndarray, place: OpenPlace | DeepPlace) -> np.ndarray:
        """Return what boils off in this stage, as fast as heat arrives. [kg]"""
        if not np.any(self.boiling_s):
            return np.zeros_like(water_kg)
        boiled = evaporation.boil_off_kg(
            water_kg,
            self.stage.temperature_k,
            self.boiling_k,
            self.stage.gas_temperature_k,
            self.boiling_s,
            water_heat_capacity_j_per_kg_k=self.fluids.water_heat_capacity_j_per_kg_k,
            latent_heat_j_per_kg=self.fluids.latent_heat_j_per_kg(self.load_k),
            solid_j_per_k=place.solid_j_per_k,
            heat_transfer_w_per_k=place.heat_w_per_k,
        )
        return np.where(self.boiling_s > 0.0, boiled, 0.0)


Stages = Sequence[Surroundings | MetByWater]


def met_by_water(stages: Stages, fluids: Fluids) -> tuple[MetByWater, ...]:
    """Work out once what water meets in each stage, for any number of bodies of water."""
    return tuple(
        stage if isinstance(stage, MetByWater) else MetByWater(stage, fluids) for stage in stages
    )


def film_left_kg(
    water_kg: ArrayLike, place: OpenPlace, stages: Stages, fluids: Fluids
) -> np.ndarray:
    """Return the water left of an open film or bead after a list of stages. [kg]

    Parameters
    ----------
    water_kg : array_like
        Water at the start. [kg]
    place : OpenPlace
        Its surface and heat supply.
    stages : sequence of Surroundings
        In order.
    fluids : Fluids
        Numbers of air and water.

    Notes
    -----
    Transfer rises as 1/p. In a stage that boils the film loses the larger of what the heat
    allows and what diffusion takes, so that a deeper vacuum never leaves more.
    """
    left = np.asarray(water_kg, dtype=float)
    for met in met_by_water(stages, fluids):
        if left.ndim and not left.any():
            break  # dry in every sample: nothing more can leave
        boiled = met.boiled_kg(left, place)
        transfer = np.asarray(place.transfer_m_per_s) * STANDARD_ATMOSPHERE_PA / met.still_pa
        flux = surface_flux_kg_per_m2_s(transfer, met.drives_kg_per_m3, place.heated_share)
        taken = film_loss_kg(left, place.area_m2, flux, met.stage.duration_s)
        left = left - np.maximum(boiled, taken)
    return left


def deep_left_kg(
    water_kg: ArrayLike, place: DeepPlace, stages: Stages, fluids: Fluids
) -> np.ndarray:
    """Return the water left in a crevice or of a plug after a list of stages. [kg]

    Parameters
    ----------
    water_kg : array_like
        Water at the start. [kg]
    place : DeepPlace
        Its faces, depth and heat supply.
    stages : sequence of Surroundings
        In order.
    fluids : Fluids
        Numbers of air and water.

    Notes
    -----
    The meniscus recedes by Stefan diffusion, the depth carried from stage to stage. Plugs
    that a trapped gas pocket throws out or spreads are not modelled and not credited.
    """
    left = np.asarray(water_kg, dtype=float)
    depth_m = np.asarray(place.depth_m, dtype=float)
    for met in met_by_water(stages, fluids):
        if left.ndim and not left.any():
            break  # dry in every sample: nothing more can leave
        boiled = met.boiled_kg(left, place)
        moved_m = evaporation.stefan_recession_m(
            depth_m, met.recession_m2_per_s, met.stage.duration_s
        )
        depth_m = depth_m + moved_m
        section_kg = np.asarray(place.area_m2) * place.faces * met.density_kg_per_m3
        left = np.maximum(left - np.maximum(boiled, section_kg * moved_m), 0.0)
    return left


def deep_dry_s(water_kg: ArrayLike, place: DeepPlace, met: MetByWater) -> np.ndarray:
    """Return how long into a stage water in a crevice lasts; all of it where it stays. [s]

    Parameters
    ----------
    water_kg : array_like
        Water at the start of the stage. [kg]
    place : DeepPlace
        As `deep_left_kg` meets it there.
    met : MetByWater
        The stage.

    Notes
    -----
    depth^2 = depth0^2 + 2 B t of the receding meniscus; what boils off is not counted.
    """
    depth_m, whole_s = np.asarray(place.depth_m, dtype=float), met.stage.duration_s
    section_kg = np.asarray(place.area_m2) * place.faces * met.density_kg_per_m3
    deep_m = np.divide(water_kg, section_kg, out=np.zeros_like(depth_m), where=section_kg > 0.0)
    double = 2.0 * met.recession_m2_per_s
    asked = deep_m * (2.0 * depth_m + deep_m)
    lasts_s = np.divide(asked, double, out=np.full_like(asked, np.inf), where=double > 0.0)
    return np.minimum(lasts_s, whole_s)


def condensed_kg(
    stages: Sequence[Surroundings],
    load_j_per_k: ArrayLike,
    fluids: Fluids,
    share: ArrayLike = 1.0,
) -> np.ndarray:
    """Return the steam that condenses on an item as humidification begins. [kg]

    Parameters
    ----------
    stages : sequence of Surroundings
        In order; the first humid one follows at least one dry one, whose load temperature is
        taken as the load's when the steam comes.
    load_j_per_k : array_like
        Heat capacity of the item. [J/K]
    fluids : Fluids
        Numbers of air and water.
    share : array_like
        Share of the heat-balance ceiling that is reached; ``water.condensate.share``. [-]
    """
    for before, stage in pairwise(stages):
        if np.any(np.asarray(stage.relative_humidity) > 0.0):
            gas_k = np.asarray(stage.gas_temperature_k, dtype=float)
            vapour_pa = np.asarray(stage.relative_humidity) * fluids.saturation_pa(gas_k)
            return share * evaporation.condensation_kg(
                load_j_per_k,
                before.temperature_k,
                fluids.boiling_k(vapour_pa, gas_k),
                fluids.latent_heat_j_per_kg(gas_k),
            )
    return np.zeros(np.shape(load_j_per_k))


def water_at_injection(
    water: WaterByPlace,
    stages: Stages,
    fluids: Fluids,
    *,
    film: OpenPlace,
    crevice: DeepPlace,
    plug: DeepPlace,
    condensed: ArrayLike = 0.0,
    inside_share: ArrayLike = 0.0,
) -> WaterByPlace:
    """Return the liquid water that is there when EO is injected, place by place.

    Parameters
    ----------
    water : WaterByPlace
        After drying. [kg]
    stages : sequence of Surroundings
        Evacuation and conditioning, in order.
    fluids : Fluids
        Numbers of air and water.
    film, crevice, plug
        The places.
    condensed : array_like
        `condensed_kg`. [kg]
    inside_share : array_like
        Share of the condensate that forms inside lumens, their wall area over the whole
        area. It is added to the plugs at once. [-]

    Notes
    -----
    The condensate joins the water before the first humid stage, when it can still dry again.
    """
    stages = met_by_water(stages, fluids)
    humid = [bool(np.any(np.asarray(met.stage.relative_humidity) > 0.0)) for met in stages]
    first = humid.index(True) if True in humid else len(humid)
    dry, damp = stages[:first], stages[first:]
    inside = np.asarray(condensed) * inside_share
    film_kg = film_left_kg(water.film_kg, film, dry, fluids) + (condensed - inside)
    return WaterByPlace(
        film_left_kg(film_kg, film, damp, fluids),
        deep_left_kg(water.crevice_kg, crevice, stages, fluids),
        deep_left_kg(deep_left_kg(water.plug_kg, plug, dry, fluids) + inside, plug, damp, fluids),
    )
