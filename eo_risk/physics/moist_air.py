"""Moist air: its humidity, its wet bulb and dew point, and how it leaves a wet lumen.

The vapour pressure of water comes in as a callable ``saturation_pa(temperature_k)``; every
solve takes few steps over all samples at once, until the slowest has settled.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike

from eo_risk.units import GAS_CONSTANT_J_PER_MOL_K, ZERO_CELSIUS_K

Saturation = Callable[[np.ndarray], np.ndarray]

_STEPS = 12  # of Newton's method at most; a convex function, started on its right side
_SETTLED = 1e-12  # of the temperature: a step that changes no more is the last one
_HIGHEST_SHARE = 0.8  # of the pressure that vapour may take in a humidity ratio


@dataclass(frozen=True)
class Air:
    """Air as it meets the water, and the numbers of air and vapour that go with it.

    Numbers or arrays of shape (samples,). `relative_humidity` [-] is that at
    `temperature_k` [K] and `pressure_pa` [Pa], for compressed air after its expansion.
    The rest comes from records: `molar_mass_kg_per_mol` ``air.molar_mass``,
    `heat_capacity_j_per_kg_k` ``air.heat_capacity``, `viscosity_pa_s` from
    `air_viscosity_pa_s`; the vapour's molar mass, `latent_heat_j_per_kg` and
    `vapour_diffusivity_m2_per_s` (at this temperature and pressure) belong to water.
    """

    temperature_k: ArrayLike
    relative_humidity: ArrayLike
    pressure_pa: ArrayLike
    saturation_pa: Saturation
    molar_mass_kg_per_mol: ArrayLike
    heat_capacity_j_per_kg_k: ArrayLike
    viscosity_pa_s: ArrayLike
    water_molar_mass_kg_per_mol: ArrayLike
    latent_heat_j_per_kg: ArrayLike
    vapour_diffusivity_m2_per_s: ArrayLike

    @property
    def density_kg_per_m3(self) -> np.ndarray:
        """Density of dry air at this temperature and pressure. [kg/m3]"""
        mass = np.asarray(self.pressure_pa) * self.molar_mass_kg_per_mol
        return mass / (GAS_CONSTANT_J_PER_MOL_K * np.asarray(self.temperature_k))

    @property
    def vapour_pa(self) -> np.ndarray:
        """Partial pressure of the water vapour it carries. [Pa]"""
        full_pa = self.saturation_pa(np.asarray(self.temperature_k, dtype=float))
        return np.minimum(
            np.asarray(self.relative_humidity) * full_pa,
            _HIGHEST_SHARE * np.asarray(self.pressure_pa),
        )

    @property
    def humidity_ratio(self) -> np.ndarray:
        """Vapour it carries per dry air. [kg/kg]"""
        return self.ratio_at(self.vapour_pa)

    def ratio_at(self, vapour_pa: ArrayLike) -> np.ndarray:
        """Return vapour per dry air at a partial pressure of vapour. [kg/kg]"""
        vapour_pa = np.minimum(vapour_pa, _HIGHEST_SHARE * np.asarray(self.pressure_pa))
        molar = np.asarray(self.water_molar_mass_kg_per_mol) / self.molar_mass_kg_per_mol
        return molar * vapour_pa / (self.pressure_pa - vapour_pa)

    def saturated_ratio(self, temperature_k: ArrayLike) -> np.ndarray:
        """Return the most vapour per dry air at a temperature. [kg/kg]"""
        return self.ratio_at(self.saturation_pa(temperature_k))


@dataclass(frozen=True)
class Fluids:
    """Numbers of air and water; numbers or arrays of shape (samples,), laws as callables.

    Laws: `saturation_pa`, `latent_heat_j_per_kg`, `water_density_kg_per_m3` of the
    temperature [K]; `vapour_diffusivity_m2_per_s` of temperature and pressure [K], [Pa].
    Records: `water_molar_mass_kg_per_mol`; `water_heat_capacity_j_per_kg_k`
    ``water.liquid.heat_capacity``; `air_molar_mass_kg_per_mol` ``air.molar_mass``;
    `air_heat_capacity_j_per_kg_k` ``air.heat_capacity``; `air_viscosity_0c_pa_s`
    ``air.viscosity``; `air_sutherland_k` ``air.sutherland``.
    """

    saturation_pa: Saturation
    latent_heat_j_per_kg: Callable[[np.ndarray], np.ndarray]
    water_density_kg_per_m3: Callable[[np.ndarray], np.ndarray]
    vapour_diffusivity_m2_per_s: Callable[[np.ndarray, np.ndarray], np.ndarray]
    water_molar_mass_kg_per_mol: ArrayLike
    water_heat_capacity_j_per_kg_k: ArrayLike
    air_molar_mass_kg_per_mol: ArrayLike
    air_heat_capacity_j_per_kg_k: ArrayLike
    air_viscosity_0c_pa_s: ArrayLike
    air_sutherland_k: ArrayLike

    def air(
        self, temperature_k: ArrayLike, relative_humidity: ArrayLike, pressure_pa: ArrayLike
    ) -> Air:
        """Return air of a temperature [K], humidity [-] and pressure [Pa]."""
        temperature_k = np.asarray(temperature_k, dtype=float)
        pressure_pa = np.asarray(pressure_pa, dtype=float)
        return Air(
            temperature_k=temperature_k,
            relative_humidity=relative_humidity,
            pressure_pa=pressure_pa,
            saturation_pa=self.saturation_pa,
            molar_mass_kg_per_mol=self.air_molar_mass_kg_per_mol,
            heat_capacity_j_per_kg_k=self.air_heat_capacity_j_per_kg_k,
            viscosity_pa_s=air_viscosity_pa_s(
                temperature_k, self.air_viscosity_0c_pa_s, self.air_sutherland_k
            ),
            water_molar_mass_kg_per_mol=self.water_molar_mass_kg_per_mol,
            latent_heat_j_per_kg=self.latent_heat_j_per_kg(temperature_k),
            vapour_diffusivity_m2_per_s=self.vapour_diffusivity_m2_per_s(
                temperature_k, pressure_pa
            ),
        )

    def boiling_k(self, pressure_pa: ArrayLike, near_k: ArrayLike) -> np.ndarray:
        """Return the boiling point at a pressure, or the dew point of that vapour. [K]"""
        near_k = np.asarray(near_k, dtype=float)
        return saturation_temperature_k(
            pressure_pa,
            self.saturation_pa,
            start_k=near_k,
            molar_latent_heat_j_per_mol=self.latent_heat_j_per_kg(near_k)
            * self.water_molar_mass_kg_per_mol,
        )


def air_viscosity_pa_s(
    temperature_k: ArrayLike, viscosity_0c_pa_s: ArrayLike, sutherland_k: ArrayLike
) -> np.ndarray:
    """Return the viscosity of air by Sutherland's law. [Pa s]

    Parameters
    ----------
    temperature_k : array_like
        Temperature. [K]
    viscosity_0c_pa_s, sutherland_k : array_like
        Records ``air.viscosity`` [Pa s] and ``air.sutherland`` [K].
    """
    ratio = np.asarray(temperature_k) / ZERO_CELSIUS_K
    return (
        viscosity_0c_pa_s
        * ratio**1.5
        * (ZERO_CELSIUS_K + sutherland_k)
        / (np.asarray(temperature_k) + sutherland_k)
    )


def vapour_kg_per_m3(
    vapour_pa: ArrayLike, temperature_k: ArrayLike, water_molar_mass_kg_per_mol: ArrayLike
) -> np.ndarray:
    """Return the mass concentration of vapour, an ideal gas. [kg/m3]"""
    molar = np.asarray(vapour_pa) / (GAS_CONSTANT_J_PER_MOL_K * np.asarray(temperature_k))
    return molar * water_molar_mass_kg_per_mol


def saturation_temperature_k(
    pressure_pa: ArrayLike,
    saturation_pa: Saturation,
    *,
    start_k: ArrayLike,
    molar_latent_heat_j_per_mol: ArrayLike,
    lowest_k: ArrayLike = ZERO_CELSIUS_K,
) -> np.ndarray:
    """Return the temperature at which water boils, or the dew point. [K]

    Parameters
    ----------
    pressure_pa : array_like
        Total pressure, or partial pressure of the vapour. [Pa]
    saturation_pa : callable
        Vapour pressure of water. [K] -> [Pa]
    start_k : array_like
        First guess. [K]
    molar_latent_heat_j_per_mol : array_like
        Slope of ln p against 1/T; only speeds the solve. [J/mol]
    lowest_k : array_like
        Below the vapour pressure at this temperature it is returned itself: water freezes
        there. [K]

    Notes
    -----
    ln p is nearly straight in 1/T, so a fixed slope settles in a few steps.
    """
    lowest_k = np.asarray(lowest_k, dtype=float)
    highest_k = 1.4 * lowest_k  # far above any cycle, below the critical point
    slope = GAS_CONSTANT_J_PER_MOL_K / np.asarray(molar_latent_heat_j_per_mol)
    wanted = np.log(np.maximum(pressure_pa, saturation_pa(lowest_k)))
    inverse = 1.0 / np.asarray(start_k, dtype=float)
    for _ in range(_STEPS):
        temperature_k = np.clip(1.0 / inverse, lowest_k, highest_k)
        step = slope * (wanted - np.log(saturation_pa(temperature_k)))
        inverse = 1.0 / temperature_k - step
        if np.all(np.abs(step * temperature_k) < _SETTLED):
            break
    return np.clip(1.0 / inverse, lowest_k, highest_k)


def exit_temperature_k(
    air: Air,
    flow_kg_per_s: ArrayLike = 1.0,
    heat_transfer_w_per_k: ArrayLike = 0.0,
    ambient_k: ArrayLike | None = None,
) -> np.ndarray:
    """Return the temperature at which air leaves a wet tube saturated. [K]

    Parameters
    ----------
    air : Air
        As it enters.
    flow_kg_per_s : array_like
        Mass flow, above zero; without effect when no heat comes through the wall. [kg/s]
    heat_transfer_w_per_k : array_like
        Heat transfer from the surroundings through the wall, coefficient times outer
        area. 0 gives the wet bulb, the slowest drying. [W/K]
    ambient_k : array_like, optional
        Temperature of the surroundings; that of the air when left out. [K]

    Notes
    -----
    Solves m (W_sat(T) - W) h_fg = m c_p (T_in - T) + UA (T_amb - T). The left side is convex
    in T, so Newton's method comes down to the root from the warmest temperature in sight.
    """
    start_k = np.asarray(air.temperature_k, dtype=float)
    around_k = start_k if ambient_k is None else np.asarray(ambient_k, dtype=float)
    carried = air.humidity_ratio
    latent = np.asarray(air.latent_heat_j_per_kg)
    wall = np.asarray(heat_transfer_w_per_k) / flow_kg_per_s
    sensible = np.asarray(air.heat_capacity_j_per_kg_k)
    molar = np.asarray(air.water_molar_mass_kg_per_mol)
    ratio = molar / air.molar_mass_kg_per_mol
    pressure_pa = np.asarray(air.pressure_pa)
    temperature_k = np.maximum(start_k, around_k)
    for _ in range(_STEPS):
        vapour_pa = np.minimum(air.saturation_pa(temperature_k), _HIGHEST_SHARE * pressure_pa)
        rest_pa = pressure_pa - vapour_pa
        excess = (ratio * vapour_pa / rest_pa - carried) * latent
        excess = excess - sensible * (start_k - temperature_k) - wall * (around_k - temperature_k)
        # Clausius-Clapeyron gives the slope of the vapour pressure to a percent.
        steep = vapour_pa * latent * molar / (GAS_CONSTANT_J_PER_MOL_K * temperature_k**2)
        slope = ratio * pressure_pa * steep / rest_pa**2 * latent + sensible + wall
        step = excess / slope
        temperature_k = temperature_k - step
        if np.all(np.abs(step) < _SETTLED * start_k):
            break
    return temperature_k


class _SameAir:
    """Air that equals any other with the same numbers and law, bit by bit."""

    def __init__(self, air: Air):
        self.air = air
        numbers = (
            air.temperature_k, air.relative_humidity, air.pressure_pa, air.molar_mass_kg_per_mol,
            air.heat_capacity_j_per_kg_k, air.water_molar_mass_kg_per_mol,
            air.latent_heat_j_per_kg,
        )  # fmt: skip
        arrays = (np.asarray(number, dtype=float) for number in numbers)
        self._key = (air.saturation_pa, *((a.shape, a.tobytes()) for a in arrays))

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _SameAir) and self._key == other._key

    def __hash__(self) -> int:
        return hash(self._key)


@lru_cache(maxsize=64)
def _wet_bulb_k(same: _SameAir) -> np.ndarray:
    found = np.asarray(exit_temperature_k(same.air))
    found.flags.writeable = False
    return found


def wet_bulb_k(air: Air) -> np.ndarray:
    """Return the thermodynamic wet bulb: saturated without any heat from outside. [K]

    Kept, read-only, for the airs met last: a check meets few airs, in many stages and trials.
    """
    return _wet_bulb_k(_SameAir(air))
