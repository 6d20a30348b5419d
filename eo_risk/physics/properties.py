"""Properties at a temperature, from the records: the only physics that reads them.

Each function takes a `draw` that turns a record id into its number in SI: `central` gives
the record's value, a sampler gives samples. Outside its range a formula raises; a material's
diffusivity is still given there and `outside_range` tells, so that the answer can say so.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike

from eo_risk import reference
from eo_risk.errors import OutOfRangeError
from eo_risk.units import (
    GAS_CONSTANT_J_PER_MOL_K,
    STANDARD_ATMOSPHERE_PA,
    celsius_to_kelvin,
    kelvin_to_celsius,
)

Draw = Callable[[str], ArrayLike]

_25C_K = celsius_to_kelvin(25.0)  # the temperature rate and solubility records refer to
_50C_K = celsius_to_kelvin(50.0)  # the temperature uptake records refer to


def central(record_id: str) -> float:
    """Return the value of a record in SI, without its spread."""
    return reference.record(record_id).value_si


def glycol_per_eo() -> float:
    """Return the mass of EG that one mass of EO turns into. [-]"""
    return central("eg.molar_mass") / central("eo.molar_mass")


def _formula(correlation_id: str, temperature_k: ArrayLike) -> np.ndarray:
    """Evaluate a formula of temperature; raises OutOfRangeError outside its range."""
    rule = reference.correlations()[correlation_id]
    t = np.asarray(temperature_k, dtype=float)
    coldest, hottest = (t.min(), t.max()) if t.size else (rule.valid_low_k, rule.valid_high_k)
    if coldest < rule.valid_low_k or hottest > rule.valid_high_k:
        low, high = kelvin_to_celsius(rule.valid_low_k), kelvin_to_celsius(rule.valid_high_k)
        worst = kelvin_to_celsius(float(coldest if coldest < rule.valid_low_k else hottest))
        raise OutOfRangeError(
            f"{rule.quantity} at {worst:.1f} C: the formula holds from {low:.0f} to {high:.0f} C"
        )
    c = rule.coefficients
    if rule.form == "perry":
        return np.exp(c[0] + c[1] / t + c[2] * np.log(t) + c[3] * t ** c[4])
    if rule.form == "antoine":
        return np.exp(c[0] - c[1] / (t + c[2]))
    if rule.form == "vogel":
        return c[0] * 10.0 ** (c[1] / (t - c[2]))
    if rule.form == "iapws_tension":
        tau = 1.0 - t / c[1]
        return c[0] * tau ** c[2] * (1.0 - c[3] * tau)
    celsius = kelvin_to_celsius(t)
    if rule.form == "linear_c":
        return c[0] + c[1] * celsius
    return np.polynomial.polynomial.polyval(celsius, c[:6]) / (1.0 + c[6] * celsius)


def saturation_pa(substance: str, temperature_k: ArrayLike) -> np.ndarray:
    """Return the vapour pressure of ``eo``, ``eg``, ``ech`` or ``water``. [Pa]"""
    return _formula(f"{substance}.saturation", temperature_k)


def water_saturation_pa(temperature_k: ArrayLike) -> np.ndarray:
    """Return the vapour pressure of water. [Pa]"""
    return saturation_pa("water", temperature_k)


def water_viscosity_pa_s(temperature_k: ArrayLike) -> np.ndarray:
    """Return the viscosity of water. [Pa s]"""
    return _formula("water.viscosity", temperature_k)


def water_surface_tension_n_per_m(temperature_k: ArrayLike) -> np.ndarray:
    """Return the surface tension of water against air. [N/m]"""
    return _formula("water.surface_tension", temperature_k)


def water_density_kg_per_m3(temperature_k: ArrayLike) -> np.ndarray:
    """Return the density of liquid water. [kg/m3]"""
    return _formula("water.density", temperature_k)


def water_latent_heat_j_per_kg(temperature_k: ArrayLike) -> np.ndarray:
    """Return the heat of vaporisation of water. [J/kg]"""
    return _formula("water.latent_heat", temperature_k)


def arrhenius(
    value_25c: ArrayLike, activation_j_per_mol: ArrayLike, temperature_k: ArrayLike
) -> np.ndarray:
    """Carry a rate or diffusivity from 25 C to another temperature. [unit of the value]"""
    inverse = 1.0 / np.asarray(temperature_k, dtype=float) - 1.0 / _25C_K
    activation_k = np.asarray(activation_j_per_mol) / GAS_CONSTANT_J_PER_MOL_K
    return value_25c * np.exp(-activation_k * inverse)


def rate(name: str, temperature_k: ArrayLike, draw: Draw = central) -> np.ndarray:
    """Return a rate constant of ``reactions.toml`` at a temperature. [SI]

    `name` is a record such as ``eo.hydrolysis_neutral``; its activation energy is the record
    of the same name ending in ``_activation``, so that values at two temperatures correlate.
    """
    return arrhenius(draw(name), draw(f"{name}_activation"), temperature_k)


def diethylene_glycol_ratio(temperature_k: ArrayLike, draw: Draw = central) -> np.ndarray:
    """Return the reactivity of glycol over that of water towards EO, per molecule. [-]

    References
    ----------
    M.R. Altiokka and S. Akyalcin, Ind. Eng. Chem. Res. 48, 10840-10844, 2009: k2 / k1.
    """
    slope = np.asarray(draw("deg.ratio_slope")) / np.asarray(temperature_k, dtype=float)
    return np.exp(draw("deg.ratio_log") - slope)


def henry_eo_mol_per_m3_pa(
    temperature_k: ArrayLike, draw: Draw = central, *, salt_mol_per_m3: ArrayLike = 0.0
) -> np.ndarray:
    """Return the Henry solubility of EO in water, less in salt water. [mol/(m3 Pa)]

    References
    ----------
    R. Sander, Atmos. Chem. Phys. 15, 4399-4981, 2015, entry from Conway et al. 1983.
    """
    inverse = 1.0 / np.asarray(temperature_k, dtype=float) - 1.0 / _25C_K
    fresh = draw("eo.henry") * np.exp(np.asarray(draw("eo.henry_slope")) * inverse)
    return fresh * salting_out(salt_mol_per_m3, draw)


def salting_out(salt_mol_per_m3: ArrayLike, draw: Draw = central) -> np.ndarray:
    """Return EO in salt water over EO in fresh water, at the same gas. [-]"""
    return 10.0 ** (-np.asarray(draw("eo.salting_out")) * salt_mol_per_m3)


def salted_hydrolysis(salt_mol_per_m3: ArrayLike, draw: Draw = central) -> np.ndarray:
    """Return the neutral hydrolysis in salt water over that in fresh water. [-]

    References
    ----------
    L. van Warners, E.J. Stamhuis and A.A.C.M. Beenackers, Ind. Eng. Chem. Res. 33, 981-992,
    1994, for sulfate.
    """
    return 1.0 + np.asarray(draw("eo.hydrolysis_salting")) * salt_mol_per_m3


def water_gas_ratio(
    temperature_k: ArrayLike, draw: Draw = central, *, salt_mol_per_m3: ArrayLike = 0.0
) -> np.ndarray:
    """Return EO in water over EO in the gas above it, at equilibrium. [-]"""
    henry = henry_eo_mol_per_m3_pa(temperature_k, draw, salt_mol_per_m3=salt_mol_per_m3)
    return henry * GAS_CONSTANT_J_PER_MOL_K * np.asarray(temperature_k)


def eo_diffusivity_water_m2_per_s(temperature_k: ArrayLike, draw: Draw = central) -> np.ndarray:
    """Return the diffusivity of EO in water, as temperature over viscosity. [m2/s]"""
    thinner = water_viscosity_pa_s(_25C_K) / water_viscosity_pa_s(temperature_k)
    return draw("eo.water_diffusivity") * np.asarray(temperature_k) / _25C_K * thinner


def gas_diffusivity_m2_per_s(
    substance: str, temperature_k: ArrayLike, pressure_pa: ArrayLike, draw: Draw = central
) -> np.ndarray:
    """Return the diffusivity of ``eo``, ``water``, ``eg`` or ``ech`` in air. [m2/s]"""
    power = draw(f"{substance}.air_diffusivity_exponent")
    warmer = (np.asarray(temperature_k, dtype=float) / _25C_K) ** power
    return draw(f"{substance}.air_diffusivity") * warmer * STANDARD_ATMOSPHERE_PA / pressure_pa


def diffusivity_m2_per_s(
    material: str, temperature_k: ArrayLike, draw: Draw = central, *, substance: str = "EO"
) -> np.ndarray:
    """Return the diffusivity of EO or ECH in a material. [m2/s]"""
    value = arrhenius(
        draw(f"{material}.diffusivity"), draw(f"{material}.activation"), temperature_k
    )
    return value if substance == "EO" else value * draw(f"{material}.ech_diffusivity_ratio")


def gas_ratio(
    material: str, temperature_k: ArrayLike, draw: Draw = central, *, substance: str = "EO"
) -> np.ndarray:
    """Return concentration in a material over that in the gas at equilibrium. [-]

    Uptake is mg per g of material over mg per L of gas, which is m3/kg; times the density it
    is dimensionless. It falls with temperature by the heat of uptake.
    """
    inverse = 1.0 / np.asarray(temperature_k, dtype=float) - 1.0 / _50C_K
    heat = np.asarray(draw(f"{material}.uptake_heat")) / GAS_CONSTANT_J_PER_MOL_K
    value = draw(f"{material}.uptake") * np.exp(heat * inverse) * draw(f"{material}.density")
    return value if substance == "EO" else value * draw(f"{material}.ech_uptake_ratio")


def outside_range(record_id: str, temperature_k: ArrayLike) -> bool:
    """Tell whether a temperature lies outside the range a record rests on."""
    record = reference.record(record_id)
    celsius = kelvin_to_celsius(np.asarray(temperature_k, dtype=float))
    below = record.valid_low_c is not None and bool(np.any(celsius < record.valid_low_c))
    above = record.valid_high_c is not None and bool(np.any(celsius > record.valid_high_c))
    return below or above


def co2_water_ph(
    temperature_k: ArrayLike, co2_pa: ArrayLike, draw: Draw = central
) -> tuple[np.ndarray, np.ndarray]:
    """Return the acid a CO2 atmosphere makes of pure water. [mol/m3], and its pH. [-]

    Both are for water with nothing else in it; without CO2 it is neutral.
    """
    product, acid = ion_product(temperature_k, draw), co2_acid_product(temperature_k, co2_pa, draw)
    hydrogen = np.sqrt(acid + product)
    return hydrogen, -np.log10(hydrogen / 1e3)


def ion_product(temperature_k: ArrayLike, draw: Draw = central) -> np.ndarray:
    """Return [H+][OH-] of water. [mol2/m6]"""
    value_25c = 10.0 ** (-np.asarray(draw("water.ion_product_pk"))) * 1e6  # (mol/L)2 to SI
    return arrhenius(value_25c, draw("water.ion_enthalpy"), temperature_k)


def co2_acid_product(
    temperature_k: ArrayLike, co2_pa: ArrayLike, draw: Draw = central
) -> np.ndarray:
    """Return [H+][HCO3-] of water under CO2. [mol2/m6]"""
    inverse = 1.0 / np.asarray(temperature_k, dtype=float) - 1.0 / _25C_K
    dissolved = draw("co2.henry") * np.exp(np.asarray(draw("co2.henry_slope")) * inverse) * co2_pa
    return dissolved * arrhenius(
        draw("co2.acid_constant"), draw("co2.acid_enthalpy"), temperature_k
    )
