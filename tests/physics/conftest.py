"""Fluids for the tests of water and drying, independent of the records of the package."""

import json

import numpy as np
import pytest

from eo_risk.physics.moist_air import Fluids


@pytest.fixture(scope="session")
def fluids() -> Fluids:
    """Water and air from published formulas, not from ``reference/``.

    Vapour pressure: A.L. Buck, J. Appl. Meteorol. 1981;20:1527, constants of the 1996 manual.
    Latent heat 2501 kJ/kg less 2.36 kJ/(kg K): handbook, from memory. Diffusivity of vapour in
    air 2.5e-5 m2/s at 25 C, exponent 1.81: Massman, Atmos. Environ. 1998;32:1111.
    """

    def saturation_pa(temperature_k):
        t = np.asarray(temperature_k, dtype=float) - 273.15
        return 611.21 * np.exp((18.678 - t / 234.5) * t / (257.14 + t))

    return Fluids(
        saturation_pa=saturation_pa,
        latent_heat_j_per_kg=lambda t: 2.501e6 - 2361.0 * (np.asarray(t) - 273.15),
        water_density_kg_per_m3=lambda t: 1000.0 - 0.0045 * (np.asarray(t) - 277.0) ** 2,
        vapour_diffusivity_m2_per_s=lambda t, p: (
            2.5e-5 * (np.asarray(t) / 298.15) ** 1.81 * 101325.0 / np.asarray(p)
        ),
        water_molar_mass_kg_per_mol=0.018015,
        water_heat_capacity_j_per_kg_k=4183.0,
        air_molar_mass_kg_per_mol=0.028965,
        air_heat_capacity_j_per_kg_k=1006.0,
        air_viscosity_0c_pa_s=1.716e-5,
        air_sutherland_k=110.6,
    )


@pytest.fixture(scope="session")
def library(root) -> dict:
    """Values of general-purpose libraries, frozen with the call that made each."""
    path = root / "tests" / "data" / "water_library_values.json"
    return json.loads(path.read_text(encoding="utf-8"))
