"""How drying steps take water away: air through a lumen, air over a surface, a towel.

Air blown through a wet lumen leaves saturated, so the flow and the dryness of the air rule,
and the dry part grows from the inlet as a front. On the outside the transfer coefficient
rules. An alcohol flush earns no credit: it was found not to speed drying.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import lambertw

from eo_risk.physics import airflow
from eo_risk.physics.moist_air import Air, exit_temperature_k, vapour_kg_per_m3, wet_bulb_k

_SHORTEST = 1e-100  # a time that can still be divided by
_BRANCH = -np.exp(-1.0) * (1.0 - 1e-15)  # where Lambert's function begins


@dataclass(frozen=True)
class LumenDrying:
    """How air dries one lumen; arrays of the broadcast shape.

    `rate_kg_per_s` is that of saturated air, `transfer_units` those of the wet length,
    `first_dry_s` the time after which the first place, at the inlet, is dry (infinite
    without flow or water).
    """

    water_kg: np.ndarray
    rate_kg_per_s: np.ndarray
    transfer_units: np.ndarray
    exit_k: np.ndarray
    first_dry_s: np.ndarray

    @property
    def evaporation_kg_per_s(self) -> np.ndarray:
        """Rate at the start, while the whole length is wet. [kg/s]"""
        return self.rate_kg_per_s * airflow.exit_saturation(self.transfer_units)

    @property
    def dry_s(self) -> np.ndarray:
        """Time until the last place is dry; 0 without water, infinite without flow. [s]"""
        wet = self.water_kg > 0.0
        return np.where(wet, self.first_dry_s * (1.0 + self.transfer_units), 0.0)

    def left_kg(self, seconds: ArrayLike) -> np.ndarray:
        """Return the water left after some time of blowing. [kg]

        The even film w0 is used up at rate r/l exp(-x/l) at a distance x behind the front,
        where l is one transfer unit long. Until the inlet is dry the mass falls linearly;
        after that the front runs at constant speed with a profile w0 (1 - exp(-x/l)), and
        with y transfer units still behind it (y - 1 + exp(-y))/NTU of the water is left.
        """
        share = np.asarray(seconds) / self.first_dry_s
        ntu = np.maximum(self.transfer_units, np.finfo(float).tiny)
        behind = np.clip(ntu + 1.0 - share, 0.0, ntu)
        moving = (behind + np.expm1(-behind)) / ntu
        even = 1.0 - share * airflow.exit_saturation(ntu) / ntu
        return self.water_kg * np.clip(np.where(share <= 1.0, even, moving), 0.0, 1.0)

    def seconds_to(self, target_kg: ArrayLike) -> np.ndarray:
        """Return the time of blowing until no more than a target is left. [s]

        0 where the target holds already, infinite without flow. The inverse of `left_kg`.
        """
        wet = self.water_kg > 0.0
        share = np.clip(np.asarray(target_kg) / np.where(wet, self.water_kg, 1.0), 0.0, 1.0)
        share = np.where(wet, share, 1.0)
        ntu = np.maximum(self.transfer_units, np.finfo(float).tiny)
        even = (1.0 - share) * ntu / airflow.exit_saturation(ntu)
        level = 1.0 + share * ntu
        # y - 1 + exp(-y) = share NTU, solved by Lambert's function just inside its branch.
        behind = level + lambertw(np.maximum(-np.exp(-level), _BRANCH)).real
        steps = np.where(even <= 1.0, even, ntu + 1.0 - behind)
        needed = share < 1.0
        return np.where(needed, self.first_dry_s * np.where(needed, steps, 1.0), 0.0)


def dry_lumen(
    water_kg: ArrayLike,
    bore_m: ArrayLike,
    length_m: ArrayLike,
    flow_kg_per_s: ArrayLike,
    air: Air,
    *,
    heat_transfer_w_per_k: ArrayLike = 0.0,
    ambient_k: ArrayLike | None = None,
    wetted_share: ArrayLike = 1.0,
    time_factor: ArrayLike = 1.0,
    passes_air: ArrayLike = True,
) -> LumenDrying:
    """Describe how air blown through a lumen dries it.

    Parameters
    ----------
    water_kg : array_like
        Water in the lumen at the start, spread evenly along it. [kg]
    bore_m, length_m : array_like
        Of the lumen. [m]
    flow_kg_per_s : array_like
        Mass flow of air: measured, or `airflow.isothermal_flow_kg_per_s` times the record
        ``drying.flow.share`` for losses at connectors. [kg/s]
    air : Air
        As it enters, at the pressure of the outlet.
    heat_transfer_w_per_k : array_like
        Heat through the wall, `wall_heat_w_per_k`; 0 is the adiabatic bound. [W/K]
    ambient_k : array_like, optional
        Temperature around the lumen. [K]
    wetted_share : array_like
        Share of the wall that drops cover; ``drying.lumen.wetted_share``. [-]
    time_factor : array_like
        Drying takes this many times longer, for drops off the main flow;
        ``drying.lumen.time_factor``. [-]
    passes_air : array_like of bool
        False for a blocked or closed channel, or a branch whose air goes elsewhere: the rate
        is zero.

    Returns
    -------
    LumenDrying
    """
    shape = np.broadcast_shapes(
        *(np.shape(a) for a in (water_kg, bore_m, length_m, flow_kg_per_s, wetted_share,
                                heat_transfer_w_per_k, time_factor, passes_air,
                                air.temperature_k, air.relative_humidity))
    )  # fmt: skip
    flow = np.asarray(flow_kg_per_s, dtype=float)
    flows = (flow > 0.0) & np.asarray(passes_air)
    some = np.where(flow > 0.0, flow, 1.0)
    reynolds = airflow.reynolds_of_flow(some, bore_m, air.viscosity_pa_s)
    schmidt = np.asarray(air.viscosity_pa_s) / (
        air.density_kg_per_m3 * air.vapour_diffusivity_m2_per_s
    )
    sherwood = airflow.sherwood_tube(reynolds, schmidt, np.asarray(bore_m) / length_m)
    ntu = airflow.transfer_units(
        sherwood, length_m, some, air.density_kg_per_m3, air.vapour_diffusivity_m2_per_s
    )
    ntu = ntu * wetted_share
    exit_k = exit_temperature_k(air, some, heat_transfer_w_per_k, ambient_k)
    deficit = np.maximum(air.saturated_ratio(exit_k) - air.humidity_ratio, 0.0)
    rate = np.where(flows, some * deficit / time_factor, 0.0)
    water, rate, ntu, exit_k = (
        np.broadcast_to(np.asarray(a, dtype=float), shape) for a in (water_kg, rate, ntu, exit_k)
    )
    drying = (rate > 0.0) & (water > 0.0)
    first = np.where(drying, water / np.where(drying, rate * ntu, 1.0), np.inf)
    return LumenDrying(water, rate, ntu, exit_k, np.maximum(first, _SHORTEST))


def wall_heat_w_per_k(
    outer_diameter_m: ArrayLike,
    length_m: ArrayLike,
    coefficient_w_per_m2_k: ArrayLike,
    share: ArrayLike = 1.0,
) -> np.ndarray:
    """Return the heat transfer from the room to a lumen through its wall. [W/K]

    `coefficient_w_per_m2_k` is ``drying.room.heat_transfer``; `share` in 0 to 1 runs from the
    adiabatic bound to the bare tube, ``drying.wall_heat.share``.
    """
    area_m2 = np.pi * np.asarray(outer_diameter_m) * length_m
    return area_m2 * coefficient_w_per_m2_k * share


def plate_transfer_m_per_s(speed_m_per_s: ArrayLike, length_m: ArrayLike, air: Air) -> np.ndarray:
    """Return the mean transfer coefficient of air along a flat surface. [m/s]

    Parameters
    ----------
    speed_m_per_s, length_m : array_like
        Air speed and length along it; laminar, Re below 5e5. [m/s], [m]
    air : Air
        The air.

    References
    ----------
    Laminar boundary layer (Pohlhausen 1921): Sh = 0.664 Re^(1/2) Sc^(1/3).
    """
    kinematic = np.asarray(air.viscosity_pa_s) / air.density_kg_per_m3
    diffusivity = np.asarray(air.vapour_diffusivity_m2_per_s)
    reynolds = np.asarray(speed_m_per_s) * length_m / kinematic
    sherwood = 0.664 * np.sqrt(reynolds) * (kinematic / diffusivity) ** (1.0 / 3.0)
    return sherwood * diffusivity / length_m


def surface_drives_kg_per_m3(
    air: Air, solid_k: ArrayLike | None = None
) -> tuple[np.ndarray, np.ndarray]:
    """Return what drives vapour off a wet surface, at its two bounds. [kg/m3], both

    The first with the surface at the temperature of the solid (of the air when left out), the
    second at the wet bulb, or as the first where the solid is colder. Never below zero: water
    that condenses is the business of `chamber_water`.
    """
    molar = air.water_molar_mass_kg_per_mol
    carried = vapour_kg_per_m3(air.vapour_pa, air.temperature_k, molar)

    def drive(surface_k: np.ndarray) -> np.ndarray:
        full = vapour_kg_per_m3(air.saturation_pa(surface_k), surface_k, molar)
        return np.maximum(full - carried, 0.0)

    hot = drive(np.asarray(air.temperature_k if solid_k is None else solid_k, dtype=float))
    return hot, np.minimum(drive(wet_bulb_k(air)), hot)


def surface_flux_kg_per_m2_s(
    transfer_m_per_s: ArrayLike,
    drives_kg_per_m3: tuple[np.ndarray, np.ndarray],
    heated_share: ArrayLike = 0.5,
) -> np.ndarray:
    """Return the evaporation of a film on an outside surface. [kg/(m2 s)]

    Parameters
    ----------
    transfer_m_per_s : array_like
        Transfer coefficient: `plate_transfer_m_per_s`, or the records
        ``drying.transfer.bench``, ``.cabinet``, ``.wrapped``. [m/s]
    drives_kg_per_m3 : (ndarray, ndarray)
        `surface_drives_kg_per_m3`. [kg/m3]
    heated_share : array_like
        0 leaves the film at the wet bulb, 1 lets the solid keep it at its own temperature;
        in between the two bounds are mixed geometrically. ``drying.surface.heated_share``.
        [-]
    """
    transfer, share = np.asarray(transfer_m_per_s), np.asarray(heated_share)
    hot, cool = (transfer * drive for drive in drives_kg_per_m3)
    return cool ** (1.0 - share) * hot**share


def film_loss_kg(
    water_kg: ArrayLike, area_m2: ArrayLike, flux_kg_per_m2_s: ArrayLike, seconds: ArrayLike
) -> np.ndarray:
    """Return what evaporates from an open film or bead. [kg]

    Parameters
    ----------
    water_kg : array_like
        Film, or bead of a low edge. [kg]
    area_m2 : array_like
        Its surface; for a bead the edge length times ``drying.bead.width``. [m2]
    flux_kg_per_m2_s : array_like
        `surface_flux_kg_per_m2_s`. [kg/(m2 s)]
    seconds : array_like
        Time. [s]
    """
    return np.minimum(np.asarray(area_m2) * flux_kg_per_m2_s * seconds, water_kg)


def dry_surface(
    water_kg: ArrayLike, area_m2: ArrayLike, flux_kg_per_m2_s: ArrayLike, seconds: ArrayLike
) -> np.ndarray:
    """Return the water left on an open surface; arguments as in `film_loss_kg`. [kg]"""
    return np.asarray(water_kg) - film_loss_kg(water_kg, area_m2, flux_kg_per_m2_s, seconds)


def surface_dry_s(
    water_kg: ArrayLike,
    area_m2: ArrayLike,
    flux_kg_per_m2_s: ArrayLike,
    target_kg: ArrayLike = 0.0,
) -> np.ndarray:
    """Return the time until an open film or bead holds no more than a target. [s]

    Infinite where nothing evaporates; arguments as in `film_loss_kg`.
    """
    rate = np.asarray(area_m2) * flux_kg_per_m2_s
    over = np.maximum(np.asarray(water_kg) - target_kg, 0.0)
    drying = rate > 0.0
    return np.where(over > 0.0, np.where(drying, over / np.where(drying, rate, 1.0), np.inf), 0.0)


def drop_seconds(
    radius_m: ArrayLike,
    deficit_kg_per_m3: ArrayLike,
    diffusivity_m2_per_s: ArrayLike,
    density_kg_per_m3: ArrayLike,
) -> np.ndarray:
    """Return the life of a drop in still air, rho r^2 / (2 D (C_sat - C)). [s]

    Parameters
    ----------
    radius_m : array_like
        Radius of the free drop. [m]
    deficit_kg_per_m3 : array_like
        Vapour at the drop less that far away. [kg/m3]
    diffusivity_m2_per_s, density_kg_per_m3 : array_like
        Of vapour in air, of water. [m2/s], [kg/m3]

    Notes
    -----
    Diffusion from a sphere at constant temperature (Langmuir 1918); a drop on a wall lasts
    longer.
    """
    rate = 2.0 * np.asarray(diffusivity_m2_per_s) * deficit_kg_per_m3
    drying = rate > 0.0
    life = np.asarray(density_kg_per_m3) * np.asarray(radius_m) ** 2 / np.where(drying, rate, 1.0)
    return np.where(drying, life, np.inf)


def dry_drops_kg(water_kg: ArrayLike, life_s: ArrayLike, seconds: ArrayLike) -> np.ndarray:
    """Return the water left in drops that live `life_s`: mass falls as (1 - t/life)^(3/2)."""
    left = np.clip(1.0 - np.asarray(seconds) / np.asarray(life_s), 0.0, 1.0)
    return np.asarray(water_kg) * left**1.5


def towel_kg(outside_kg: ArrayLike, area_m2: ArrayLike, wiped_kg_per_m2: ArrayLike) -> np.ndarray:
    """Return the water on the outside after an absorbent cloth. [kg]

    `wiped_kg_per_m2` is ``water.outside.wiped.kg_per_m2``. Joints and lumens keep theirs.
    """
    return np.minimum(outside_kg, np.asarray(area_m2) * wiped_kg_per_m2)
