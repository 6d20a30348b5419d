"""Air through a tube: friction, compressible flow with a choking guard, mass transfer."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from eo_risk.units import GAS_CONSTANT_J_PER_MOL_K

# Reynolds numbers. Friction is turbulent earlier than mass transfer is taken to be: in a
# narrow lumen with connectors both choices give the slower drying.
_LAMINAR_END = 2300.0
_TURBULENT_FRICTION = 3000.0
_TURBULENT_TRANSFER = 4000.0
_STEPS = 20  # of the damped fixed point of flow, friction and exit pressure; below 1e-5
_HALVINGS = 20  # of the range of pressures searched for a measured flow
_TINY = 1e-12  # keeps a Reynolds number of zero out of a division


def _between_regimes(reynolds: np.ndarray, turbulent: float) -> np.ndarray:
    """Return 0 in laminar flow, 1 in turbulent flow, linear in between."""
    return np.clip((reynolds - _LAMINAR_END) / (turbulent - _LAMINAR_END), 0.0, 1.0)


def _haaland(reynolds: np.ndarray, relative_roughness: ArrayLike) -> np.ndarray:
    rough = (np.asarray(relative_roughness) / 3.7) ** 1.11
    return (-1.8 * np.log10(rough + 6.9 / reynolds)) ** -2.0


def darcy_friction(reynolds: ArrayLike, relative_roughness: ArrayLike = 0.0) -> np.ndarray:
    """Return the Darcy friction factor of a round tube. [-], broadcast shape

    Parameters
    ----------
    reynolds : array_like
        Reynolds number. [-]
    relative_roughness : array_like
        Roughness over bore. [-]

    Notes
    -----
    64/Re up to 2300, Haaland's explicit form of the Colebrook equation (within 2 %) above
    3000, linear in between, where the flow itself is not settled.

    References
    ----------
    S.E. Haaland, J. Fluids Eng. 1983;105:89.
    """
    reynolds = np.maximum(np.asarray(reynolds, dtype=float), _TINY)
    share = _between_regimes(reynolds, _TURBULENT_FRICTION)
    laminar = 64.0 / np.minimum(reynolds, _LAMINAR_END)
    turbulent = _haaland(np.maximum(reynolds, _TURBULENT_FRICTION), relative_roughness)
    return laminar + share * (turbulent - laminar)


def reynolds_of_flow(
    flow_kg_per_s: ArrayLike, bore_m: ArrayLike, viscosity_pa_s: ArrayLike
) -> np.ndarray:
    """Return the Reynolds number of a mass flow in a round bore. [-]"""
    return 4.0 * np.asarray(flow_kg_per_s) / (np.pi * np.asarray(bore_m) * viscosity_pa_s)


def flow_at_friction_kg_per_s(
    bore_m: ArrayLike,
    length_m: ArrayLike,
    inlet_pa: ArrayLike,
    outlet_pa: ArrayLike,
    *,
    temperature_k: ArrayLike,
    molar_mass_kg_per_mol: ArrayLike,
    friction: ArrayLike,
    entrance_loss: ArrayLike = 0.0,
) -> np.ndarray:
    """Return the isothermal flow of an ideal gas at a known friction factor. [kg/s]

    Parameters
    ----------
    bore_m, length_m : array_like
        Of the tube. [m]
    inlet_pa, outlet_pa : array_like
        Absolute pressures; no flow unless the inlet is higher. [Pa]
    temperature_k : array_like
        Of the gas. [K]
    molar_mass_kg_per_mol : array_like
        Of the gas; ``air.molar_mass``. [kg/mol]
    friction : array_like
        Darcy friction factor. [-]
    entrance_loss : array_like
        Velocity heads lost at the inlet; ``drying.tube.entrance_loss``. [-]

    References
    ----------
    Standard isothermal pipe flow of an ideal gas, e.g. Perry's Chemical Engineers' Handbook,
    section 6.
    """
    inlet_pa = np.asarray(inlet_pa, dtype=float)
    outlet_pa = np.minimum(outlet_pa, inlet_pa)
    specific = GAS_CONSTANT_J_PER_MOL_K * np.asarray(temperature_k) / molar_mass_kg_per_mol
    losses = np.asarray(friction) * length_m / bore_m + entrance_loss
    area_m2 = np.pi / 4.0 * np.asarray(bore_m) ** 2
    drive = (inlet_pa - outlet_pa) * (inlet_pa + outlet_pa)
    return area_m2 * np.sqrt(drive / (specific * (losses + 2.0 * np.log(inlet_pa / outlet_pa))))


def _laminar_start(drive: np.ndarray, per_flow: np.ndarray, losses: np.ndarray) -> np.ndarray:
    """Solve losses m^2 + per_flow m = drive for the positive flow m."""
    root = np.sqrt(per_flow**2 + 4.0 * losses * drive)
    return 2.0 * drive / (per_flow + root)


def isothermal_flow_kg_per_s(
    bore_m: ArrayLike,
    length_m: ArrayLike,
    inlet_pa: ArrayLike,
    outlet_pa: ArrayLike,
    *,
    temperature_k: ArrayLike,
    viscosity_pa_s: ArrayLike,
    molar_mass_kg_per_mol: ArrayLike,
    entrance_loss: ArrayLike = 0.0,
    roughness_m: ArrayLike = 0.0,
) -> np.ndarray:
    """Return the flow of air a pressure drives through a lumen. [kg/s], broadcast shape

    Parameters
    ----------
    bore_m, length_m : array_like
        Of the lumen. [m]
    inlet_pa, outlet_pa : array_like
        Absolute pressures; no flow unless the inlet is higher. [Pa]
    temperature_k, viscosity_pa_s, molar_mass_kg_per_mol : array_like
        Of the air; ``air.molar_mass``. [K], [Pa s], [kg/mol]
    entrance_loss, roughness_m : array_like
        ``drying.tube.entrance_loss`` [-] and ``drying.tube.roughness`` [m].

    Notes
    -----
    Isothermal compressible flow with the friction of its own Reynolds number. The exit
    cannot be faster than the isothermal limit sqrt(R T / M): there the exit pressure is
    raised until it holds, (p_in/p_exit)^2 = 1 + losses + 2 ln(p_in/p_exit).
    """
    bore_m, inlet_pa = np.asarray(bore_m, dtype=float), np.asarray(inlet_pa, dtype=float)
    lowest_pa = np.minimum(outlet_pa, inlet_pa)
    specific = GAS_CONSTANT_J_PER_MOL_K * np.asarray(temperature_k) / molar_mass_kg_per_mol
    area_m2 = np.pi / 4.0 * bore_m**2
    # The laminar flow solves a quadratic; wherever it is laminar the loop leaves it alone.
    ratio = inlet_pa / lowest_pa
    drive = area_m2**2 * (inlet_pa**2 - lowest_pa**2) / specific
    per_flow = 16.0 * np.pi * np.asarray(viscosity_pa_s) * length_m
    flow = _laminar_start(drive, per_flow, entrance_loss + 2.0 * np.log(ratio))
    for _ in range(_STEPS):
        reynolds = reynolds_of_flow(flow, bore_m, viscosity_pa_s)
        losses = darcy_friction(reynolds, roughness_m / bore_m) * length_m / bore_m
        losses = losses + entrance_loss
        limit = np.sqrt(1.0 + losses + 2.0 * np.log(np.maximum(ratio, 1.0)))
        ratio = np.minimum(inlet_pa / lowest_pa, limit)
        exit_pa = inlet_pa / ratio
        drive = (inlet_pa - exit_pa) * (inlet_pa + exit_pa)
        next_flow = area_m2 * np.sqrt(drive / (specific * (losses + 2.0 * np.log(ratio))))
        # The geometric mean damps the transition, where friction rises with the flow.
        flow = np.sqrt(flow * next_flow)
    return flow


def gauge_of_flow_pa(
    flow_kg_per_s: ArrayLike,
    bore_m: ArrayLike,
    length_m: ArrayLike,
    outlet_pa: float,
    highest_pa: float,
    **air: ArrayLike,
) -> np.ndarray:
    """Return the gauge pressure at the inlet that drives a measured flow. [Pa]

    Parameters
    ----------
    flow_kg_per_s, bore_m, length_m : array_like
        Flow, and the lumen it went through. [kg/s], [m]
    outlet_pa, highest_pa : float
        Absolute pressure at the outlet; highest gauge pressure that may be answered. [Pa]
    **air
        As `isothermal_flow_kg_per_s` takes it.

    Notes
    -----
    The flow rises with the pressure, so the pressure is halved in; good to 1e-6 of
    `highest_pa`. A flow the highest pressure cannot drive answers with that pressure.
    """
    shape = np.broadcast_shapes(*(np.shape(a) for a in (flow_kg_per_s, bore_m, length_m)))
    low, high = np.zeros(shape), np.full(shape, highest_pa)
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        found = isothermal_flow_kg_per_s(bore_m, length_m, outlet_pa + middle, outlet_pa, **air)
        enough = found >= flow_kg_per_s
        low, high = np.where(enough, low, middle), np.where(enough, middle, high)
    return np.where(np.asarray(flow_kg_per_s) > 0.0, high, 0.0)


def sherwood_tube(
    reynolds: ArrayLike, schmidt: ArrayLike, bore_per_length: ArrayLike = 0.0
) -> np.ndarray:
    """Return the mean Sherwood number of gas flowing through a wetted tube. [-]

    Parameters
    ----------
    reynolds, schmidt : array_like
        Of the gas. [-]
    bore_per_length : array_like
        Bore over wetted length, for the laminar entrance. [-]

    Notes
    -----
    Laminar: Graetz problem with Hausen's mean entrance term. Turbulent: Gnielinski. Between
    Re 2300 and 4000 the two ends are joined linearly, as Gnielinski recommends.

    References
    ----------
    H. Hausen, Z. VDI Beih. Verfahrenstechn. 1943;4:91. V. Gnielinski, Int. Chem. Eng.
    1976;16:359; Forsch. Ing.-Wes. 1995;61:240.
    """
    reynolds = np.maximum(np.asarray(reynolds, dtype=float), _TINY)
    share = _between_regimes(reynolds, _TURBULENT_TRANSFER)
    graetz = np.minimum(reynolds, _LAMINAR_END) * schmidt * bore_per_length
    laminar = 3.66 + 0.0668 * graetz / (1.0 + 0.04 * graetz ** (2.0 / 3.0))
    fast = np.maximum(reynolds, _TURBULENT_TRANSFER)
    eighth = (0.79 * np.log(fast) - 1.64) ** -2.0 / 8.0
    slope = 1.0 + 12.7 * np.sqrt(eighth) * (np.asarray(schmidt) ** (2.0 / 3.0) - 1.0)
    turbulent = eighth * (fast - 1000.0) * schmidt / slope
    return laminar + share * (turbulent - laminar)


def transfer_units(
    sherwood: ArrayLike,
    wet_length_m: ArrayLike,
    flow_kg_per_s: ArrayLike,
    density_kg_per_m3: ArrayLike,
    diffusivity_m2_per_s: ArrayLike,
) -> np.ndarray:
    """Return the number of transfer units of a wet tube, NTU = Sh pi D rho L / m. [-]

    Parameters
    ----------
    sherwood : array_like
        Mean Sherwood number. [-]
    wet_length_m : array_like
        Wetted length. [m]
    flow_kg_per_s : array_like
        Mass flow of the air, above zero. [kg/s]
    density_kg_per_m3, diffusivity_m2_per_s : array_like
        Of the air, and of vapour in it, at one and the same pressure: their product does not
        depend on it. [kg/m3], [m2/s]
    """
    conductance = np.asarray(sherwood) * np.pi * diffusivity_m2_per_s * density_kg_per_m3
    return conductance * wet_length_m / np.asarray(flow_kg_per_s)


def exit_saturation(units_of_transfer: ArrayLike) -> np.ndarray:
    """Return how far the leaving air is saturated, 1 - exp(-NTU). [-]"""
    return -np.expm1(-np.asarray(units_of_transfer))
