"""The food-contact correlation of diffusivities in polymers: the last resort.

It was made as an upper bound for what migrates into food. For aeration an upper bound is the
wrong side, so its numbers are used with a wide band, never as a bound, and never unasked.
"""

from __future__ import annotations

import math

from eo_risk.units import GAS_CONSTANT_J_PER_MOL_K


def diffusivity_m2_per_s(
    constant: float, tau_k: float, slope_k: float, molar_mass_kg_per_mol: float,
    temperature_k: float,
) -> float:  # fmt: skip
    """Return the diffusivity of a small molecule in a polymer. [m2/s]

    Parameters
    ----------
    constant : float
        Of the polymer. [-]
    tau_k, slope_k : float
        Temperature constant of the polymer and the one common to all. [K]
    molar_mass_kg_per_mol : float
        Of the molecule. [kg/mol]
    temperature_k : float
        [K]

    References
    ----------
    T. Begley et al., Food Addit. Contam. 22, 73-90, 2005: D = exp(A - 0.1351 M^(2/3) + 0.003 M -
    10454 / T) with A = A' - tau / T and M in g/mol, here without its factor 1e4 for cm2/s.
    """
    grams = molar_mass_kg_per_mol * 1e3
    size = -0.1351 * grams ** (2.0 / 3.0) + 0.003 * grams
    return math.exp(constant + size - (slope_k + tau_k) / temperature_k)


def activation_j_per_mol(tau_k: float, slope_k: float) -> float:
    """Return the activation energy the correlation implies. [J/mol]"""
    return GAS_CONSTANT_J_PER_MOL_K * (slope_k + tau_k)
