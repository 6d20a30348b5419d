"""The gas of the chamber: concentration and pressure, mixtures, air washes, water vapour."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from eo_risk.units import GAS_CONSTANT_J_PER_MOL_K


def density_kg_per_m3(
    partial_pressure_pa: ArrayLike, temperature_k: ArrayLike, molar_mass_kg_per_mol: ArrayLike
) -> np.ndarray:
    """Return the density of a gas from its partial pressure (ideal gas). [kg/m3]"""
    moles = np.asarray(partial_pressure_pa) / (GAS_CONSTANT_J_PER_MOL_K * np.asarray(temperature_k))
    return moles * molar_mass_kg_per_mol


def partial_pressure_pa(
    density: ArrayLike, temperature_k: ArrayLike, molar_mass_kg_per_mol: ArrayLike
) -> np.ndarray:
    """Return the partial pressure of a gas from its density (ideal gas). [Pa]"""
    moles = np.asarray(density) / np.asarray(molar_mass_kg_per_mol)
    return moles * GAS_CONSTANT_J_PER_MOL_K * np.asarray(temperature_k)


def mole_fraction(
    mass_fraction: ArrayLike,
    molar_mass_kg_per_mol: ArrayLike,
    balance_molar_mass_kg_per_mol: ArrayLike,
) -> np.ndarray:
    """Return the mole fraction of one gas in a mixture of two given by mass. [-]"""
    own = np.asarray(mass_fraction) / molar_mass_kg_per_mol
    return own / (own + (1.0 - np.asarray(mass_fraction)) / balance_molar_mass_kg_per_mol)


def wash_fraction_left(low_pa: ArrayLike, high_pa: ArrayLike, washes: ArrayLike) -> np.ndarray:
    """Return the share of the gas left after air washes, mixed and with nothing fed. [-]

    A real load keeps feeding gas: this is a lower bound. A low pressure above the high one
    washes nothing out.
    """
    return np.minimum(np.asarray(low_pa) / np.asarray(high_pa), 1.0) ** washes


def lagged_temperature_k(
    start_k: ArrayLike, ambient_k: ArrayLike, duration_s: ArrayLike, lag_s: ArrayLike
) -> tuple[np.ndarray, np.ndarray]:
    """Return the mean temperature of a load over a time, and that at its end. [K], both

    Parameters
    ----------
    start_k, ambient_k : array_like
        Of the load as the time starts, and of what surrounds it. [K]
    duration_s, lag_s : array_like
        The time, 0 or more, and the time constant of the load. [s]

    Notes
    -----
    First-order approach; the mean is exact, not that of the ends.
    """
    ratio = np.asarray(duration_s, dtype=float) / lag_s
    gone = -np.expm1(-ratio)
    share = np.where(ratio > 0.0, gone / np.where(ratio > 0.0, ratio, 1.0), 1.0)
    apart = np.asarray(start_k, dtype=float) - ambient_k
    return ambient_k + apart * share, start_k - apart * gone


def added_humidity(
    water_kg: ArrayLike,
    volume_m3: ArrayLike,
    temperature_k: ArrayLike,
    saturation_pa: ArrayLike,
    water_molar_mass_kg_per_mol: ArrayLike,
) -> np.ndarray:
    """Return the relative humidity that evaporated water adds to a volume. [-]"""
    full = density_kg_per_m3(saturation_pa, temperature_k, water_molar_mass_kg_per_mol)
    return np.asarray(water_kg) / (np.asarray(volume_m3) * full)


def bulk_flow_factor(mole_fraction_absorbed: ArrayLike) -> np.ndarray:
    """Return how much the flow towards an absorbing face adds to diffusion. [-]

    -ln(1 - y) / y for a gas of mole fraction y that alone is taken up (Stefan flow).
    """
    y = np.clip(np.asarray(mole_fraction_absorbed, dtype=float), 0.0, 0.999)
    return np.where(y > 1e-6, -np.log1p(-y) / np.where(y > 1e-6, y, 1.0), 1.0)
