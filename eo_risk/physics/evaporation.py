"""Water in a vacuum: boiling, flashing, freezing, and the slow loss from depths.

Water boils only below its vapour pressure at its own temperature, and then only as fast as
heat arrives. Above it, vapour diffuses out of a lumen or crevice through still gas. The boil
test comes first everywhere, so that no logarithm of a negative number can arise.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from eo_risk.units import GAS_CONSTANT_J_PER_MOL_K

_BELOW_TOTAL = 1.0 - 1e-9  # largest share of vapour in the gas a column diffuses through


def boils(pressure_pa: ArrayLike, saturation_pa: ArrayLike) -> np.ndarray:
    """Tell where water boils: pressure below its vapour pressure at its own temperature."""
    return np.asarray(pressure_pa) < np.asarray(saturation_pa)


def boiling_share(start_pa: ArrayLike, end_pa: ArrayLike, saturation_pa: ArrayLike) -> np.ndarray:
    """Return the share of a stage during which water boils. [-]

    Parameters
    ----------
    start_pa, end_pa : array_like
        Pressure at the ends of the stage, falling or rising exponentially as a pump or a
        leak makes it. [Pa]
    saturation_pa : array_like
        Vapour pressure of the water at its own temperature. [Pa]
    """
    start, end = np.log(start_pa), np.log(end_pa)
    low, high = np.minimum(start, end), np.maximum(start, end)
    steady = high == low
    span = np.where(steady, 1.0, high - low)
    ramp = np.clip((np.log(saturation_pa) - low) / span, 0.0, 1.0)
    return np.where(steady, boils(end_pa, saturation_pa), ramp)


def stefan_number(
    pressure_pa: ArrayLike, saturation_pa: ArrayLike, vapour_pa: ArrayLike
) -> np.ndarray:
    """Return ln[(p - p_far)/(p - p_sat)], the drive of diffusion through still gas. [-]

    0 where water boils, because no still column is left there, and where the far gas holds
    as much vapour as the water gives.
    """
    pressure_pa = np.asarray(pressure_pa, dtype=float)
    boiling = boils(pressure_pa, saturation_pa)
    near = np.where(boiling, 0.0, np.minimum(saturation_pa, _BELOW_TOTAL * pressure_pa))
    far = np.minimum(np.where(boiling, 0.0, vapour_pa), near)
    return np.log((pressure_pa - far) / (pressure_pa - near))


def stefan_rate_kg_per_s(
    area_m2: ArrayLike,
    depth_m: ArrayLike,
    temperature_k: ArrayLike,
    pressure_pa: ArrayLike,
    saturation_pa: ArrayLike,
    vapour_pa: ArrayLike,
    diffusivity_m2_per_s: ArrayLike,
    molar_mass_kg_per_mol: ArrayLike,
) -> np.ndarray:
    """Return the loss from one face of a plug at a depth below the mouth. [kg/s]

    Parameters
    ----------
    area_m2 : array_like
        Cross-section of the gas column. [m2]
    depth_m : array_like
        Length of the gas column; of a stepped bore area times the sum of L/A. [m]
    temperature_k, pressure_pa : array_like
        Of the gas column. [K], [Pa]
    saturation_pa, vapour_pa : array_like
        Vapour pressure at the water, partial pressure of vapour at the mouth. [Pa]
    diffusivity_m2_per_s : array_like
        Of vapour in the gas at this temperature and pressure. [m2/s]
    molar_mass_kg_per_mol : array_like
        Of water. [kg/mol]

    Notes
    -----
    Stefan diffusion (Bird, Stewart, Lightfoot, Transport Phenomena, section on diffusion
    through a stagnant film). Where the water boils the rate returned is 0: use `boil_off_kg`.
    """
    drive = stefan_number(pressure_pa, saturation_pa, vapour_pa)
    molar = np.asarray(pressure_pa) / (GAS_CONSTANT_J_PER_MOL_K * np.asarray(temperature_k))
    flux = np.asarray(diffusivity_m2_per_s) * molar * drive * molar_mass_kg_per_mol
    return np.asarray(area_m2) * flux / np.asarray(depth_m)


def recession_m2_per_s(
    temperature_k: ArrayLike,
    pressure_pa: ArrayLike,
    saturation_pa: ArrayLike,
    vapour_pa: ArrayLike,
    diffusivity_m2_per_s: ArrayLike,
    molar_mass_kg_per_mol: ArrayLike,
    density_kg_per_m3: ArrayLike,
) -> np.ndarray:
    """Return B of the receding meniscus, depth^2 = depth0^2 + 2 B t. [m2/s]

    Arguments as in `stefan_rate_kg_per_s`; `density_kg_per_m3` is that of water.
    """
    per_area = stefan_rate_kg_per_s(1.0, 1.0, temperature_k, pressure_pa, saturation_pa,
                                    vapour_pa, diffusivity_m2_per_s,
                                    molar_mass_kg_per_mol)  # fmt: skip
    return per_area / density_kg_per_m3


def stefan_recession_m(depth_m: ArrayLike, recession: ArrayLike, seconds: ArrayLike) -> np.ndarray:
    """Return how far a meniscus recedes from a depth in some time. [m]

    `recession` is `recession_m2_per_s`. The form avoids the difference of two near numbers.
    """
    depth_m = np.asarray(depth_m, dtype=float)
    double = 2.0 * np.asarray(recession) * seconds
    below = depth_m + np.sqrt(depth_m**2 + double)
    return double / np.where(below > 0.0, below, 1.0)


def flash_fraction(
    start_k: ArrayLike,
    boiling_k: ArrayLike,
    heat_capacity_j_per_kg_k: ArrayLike,
    latent_heat_j_per_kg: ArrayLike,
) -> np.ndarray:
    """Return the share of water that flashes off on its own heat alone. [-]

    Parameters
    ----------
    start_k, boiling_k : array_like
        First temperature, and boiling point at the pressure reached. [K]
    heat_capacity_j_per_kg_k, latent_heat_j_per_kg : array_like
        Of water: ``water.liquid.heat_capacity`` and its latent heat. [J/(kg K)], [J/kg]
    """
    cooling = np.maximum(np.asarray(start_k) - boiling_k, 0.0)
    return -np.expm1(-np.asarray(heat_capacity_j_per_kg_k) * cooling / latent_heat_j_per_kg)


def freezing_fraction(
    latent_heat_j_per_kg: ArrayLike, fusion_heat_j_per_kg: ArrayLike
) -> np.ndarray:
    """Return the share of water at its freezing point that evaporates as the rest freezes. [-]

    `fusion_heat_j_per_kg` is ``water.fusion_heat``. Only below the triple point.
    """
    fusion = np.asarray(fusion_heat_j_per_kg)
    return fusion / (np.asarray(latent_heat_j_per_kg) + fusion)


def flash_and_freeze_fraction(
    start_k: ArrayLike,
    freezing_k: ArrayLike,
    heat_capacity_j_per_kg_k: ArrayLike,
    latent_heat_j_per_kg: ArrayLike,
    fusion_heat_j_per_kg: ArrayLike,
) -> np.ndarray:
    """Return the share that evaporates on its own heat until all the rest is ice. [-]"""
    flashed = flash_fraction(start_k, freezing_k, heat_capacity_j_per_kg_k, latent_heat_j_per_kg)
    frozen = freezing_fraction(latent_heat_j_per_kg, fusion_heat_j_per_kg)
    return 1.0 - (1.0 - flashed) * (1.0 - frozen)


def boil_off_kg(
    water_kg: ArrayLike,
    start_k: ArrayLike,
    boiling_k: ArrayLike,
    around_k: ArrayLike,
    seconds: ArrayLike,
    *,
    water_heat_capacity_j_per_kg_k: ArrayLike,
    latent_heat_j_per_kg: ArrayLike,
    solid_j_per_k: ArrayLike = 0.0,
    heat_transfer_w_per_k: ArrayLike = 0.0,
) -> np.ndarray:
    """Return what boils off while the pressure holds, limited by heat. [kg]

    Parameters
    ----------
    water_kg : array_like
        Water there. [kg]
    start_k, boiling_k, around_k : array_like
        Temperature of the water and its solid, boiling point at the pressure, temperature of
        the walls around. Nothing boils unless the start is above the boiling point. [K]
    seconds : array_like
        Time below the vapour pressure. [s]
    water_heat_capacity_j_per_kg_k, latent_heat_j_per_kg : array_like
        Of water; the flash on its own heat is contained. [J/(kg K)], [J/kg]
    solid_j_per_k : array_like
        Heat capacity of the solid in good contact with the water. [J/K]
    heat_transfer_w_per_k : array_like
        From the walls to the item, coefficient ``chamber.heat_transfer`` times area. [W/K]
    """
    water_kg = np.asarray(water_kg, dtype=float)
    over = np.maximum(np.asarray(start_k) - boiling_k, 0.0)
    flashed = water_kg * flash_fraction(
        start_k, boiling_k, water_heat_capacity_j_per_kg_k, latent_heat_j_per_kg
    )
    stored = np.asarray(solid_j_per_k) * over / latent_heat_j_per_kg
    drive = np.maximum(np.asarray(around_k) - boiling_k, 0.0) * np.asarray(seconds)
    arriving = np.asarray(heat_transfer_w_per_k) * drive / latent_heat_j_per_kg
    gone = np.where(over > 0.0, flashed + stored + arriving, 0.0)
    return np.minimum(gone, water_kg)


def condensation_kg(
    load_j_per_k: ArrayLike,
    load_k: ArrayLike,
    dew_k: ArrayLike,
    latent_heat_j_per_kg: ArrayLike,
    steam_kg: ArrayLike = np.inf,
) -> np.ndarray:
    """Return the most steam that condenses on a load colder than the dew point. [kg]

    Parameters
    ----------
    load_j_per_k : array_like
        Heat capacity of the item. [J/K]
    load_k, dew_k : array_like
        Its temperature as humidification begins, and the dew point. [K]
    latent_heat_j_per_kg : array_like
        Of water. [J/kg]
    steam_kg : array_like
        Steam admitted for it, an upper limit. [kg]
    """
    cold = np.maximum(np.asarray(dew_k) - load_k, 0.0)
    return np.minimum(np.asarray(load_j_per_k) * cold / latent_heat_j_per_kg, steam_kg)


def gas_water_capacity_kg(
    free_volume_m3: ArrayLike, saturated_kg_per_m3: ArrayLike, carried_kg_per_m3: ArrayLike
) -> np.ndarray:
    """Return the vapour a closed chamber can still take up. [kg]

    More liquid than this on the whole load saturates the chamber.
    """
    room = np.maximum(np.asarray(saturated_kg_per_m3) - carried_kg_per_m3, 0.0)
    return np.asarray(free_volume_m3) * room
