"""How glycol leaves with air: off an open surface, or out of a lumen that air is led through.

Glycol is little volatile: an open film loses milligrams per square centimetre and hour at
55 C, a lumen without flow practically nothing. Air holds it in equilibrium with what water the
glycol keeps at that humidity.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from eo_risk.physics import airflow
from eo_risk.physics.moist_air import Air, vapour_kg_per_m3


def glycol_vapour_kg_per_m3(
    saturation_pa: ArrayLike,
    temperature_k: ArrayLike,
    relative_humidity: ArrayLike,
    molar_mass_kg_per_mol: ArrayLike,
) -> np.ndarray:
    """Return glycol in air that is in equilibrium with it. [kg/m3]

    Parameters
    ----------
    saturation_pa : array_like
        Vapour pressure of pure glycol. [Pa]
    temperature_k, relative_humidity : array_like
        Of the air. [K], [-]
    molar_mass_kg_per_mol : array_like
        Of glycol. [kg/mol]

    Notes
    -----
    Raoult's law: glycol takes up water until the mole fraction of water is the relative
    humidity, and its own vapour pressure falls by the rest. Glycol and water are near ideal
    (Fujita and Kikuchi, Trans. JSRAE 6, 183, 1989).
    """
    pressure = np.asarray(saturation_pa) * (1.0 - np.clip(relative_humidity, 0.0, 1.0))
    return vapour_kg_per_m3(pressure, temperature_k, molar_mass_kg_per_mol)


def open_rate_kg_per_s(
    area_m2: ArrayLike,
    water_transfer_m_per_s: ArrayLike,
    diffusivity_ratio: ArrayLike,
    vapour: ArrayLike,
) -> np.ndarray:
    """Return the loss of glycol from an open surface into clean air. [kg/s]

    Parameters
    ----------
    area_m2 : array_like
        Area glycol lies on. [m2]
    water_transfer_m_per_s : array_like
        Transfer coefficient as for water. [m/s]
    diffusivity_ratio : array_like
        Diffusivity of glycol over that of water in air: the still gas of a wrap passes it on
        in proportion, moving air passes on more. [-]
    vapour : array_like
        `glycol_vapour_kg_per_m3`. [kg/m3]
    """
    transfer = np.asarray(water_transfer_m_per_s) * diffusivity_ratio
    return np.asarray(area_m2) * transfer * vapour


def flow_rate_kg_per_s(
    flow_kg_per_s: ArrayLike,
    bore_m: ArrayLike,
    wet_length_m: ArrayLike,
    air: Air,
    diffusivity_m2_per_s: ArrayLike,
    vapour: ArrayLike,
) -> np.ndarray:
    """Return the loss of glycol from a lumen into the air led through it. [kg/s]

    Parameters
    ----------
    flow_kg_per_s, bore_m, wet_length_m : array_like
        Mass flow, above zero; bore; length glycol lies on. [kg/s], [m]
    air : Air
        As it flows.
    diffusivity_m2_per_s, vapour : array_like
        Of glycol in that air, and `glycol_vapour_kg_per_m3`. [m2/s], [kg/m3]
    """
    reynolds = airflow.reynolds_of_flow(flow_kg_per_s, bore_m, air.viscosity_pa_s)
    schmidt = np.asarray(air.viscosity_pa_s) / (air.density_kg_per_m3 * diffusivity_m2_per_s)
    sherwood = airflow.sherwood_tube(reynolds, schmidt, np.asarray(bore_m) / wet_length_m)
    units = airflow.transfer_units(
        sherwood, wet_length_m, flow_kg_per_s, air.density_kg_per_m3, diffusivity_m2_per_s
    )
    volume_per_s = np.asarray(flow_kg_per_s) / air.density_kg_per_m3
    return volume_per_s * airflow.exit_saturation(units) * vapour


def carried_off_kg(made_kg: np.ndarray, could_leave_kg: np.ndarray) -> np.ndarray:
    """Return what has left after every stage. [kg], shape (stages + 1, samples)

    Parameters
    ----------
    made_kg : ndarray, shape (stages + 1, samples)
        Glycol made so far at the start and after every stage; never falls. [kg]
    could_leave_kg : ndarray, shape (stages, samples)
        What the air of each stage can carry. [kg]

    Notes
    -----
    What is made within a stage can leave from the next one on.
    """
    gone = np.zeros_like(made_kg)
    for stage, can in enumerate(could_leave_kg):
        there = made_kg[stage] - gone[stage]
        gone[stage + 1] = gone[stage] + np.minimum(np.maximum(can, 0.0), there)
    return gone
