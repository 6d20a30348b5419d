"""Liquid films and drops that stay on a wall: what a slug, a lift or gravity leaves behind.

Pure laws of capillarity, with their fluid numbers as arguments; which of them applies to a
lumen or a surface is decided in `water`.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from eo_risk.units import STANDARD_GRAVITY_M_PER_S2

# Largest Bond number rho g R^2 / sigma at which a long bubble stays put in a vertical tube
# (Bretherton 1961).
_STUCK_BUBBLE_BOND = 0.842


def capillary_number(
    viscosity_pa_s: ArrayLike, speed_m_per_s: ArrayLike, surface_tension_n_per_m: ArrayLike
) -> np.ndarray:
    """Return viscous force over surface tension, mu U / sigma. [-]

    Parameters
    ----------
    viscosity_pa_s : array_like
        Viscosity of the liquid. [Pa s]
    speed_m_per_s : array_like
        Speed of the moving meniscus. [m/s]
    surface_tension_n_per_m : array_like
        Surface tension. [N/m]
    """
    return np.asarray(viscosity_pa_s) * speed_m_per_s / surface_tension_n_per_m


def bretherton_film_m(radius_m: ArrayLike, capillary: ArrayLike) -> np.ndarray:
    """Return the film a slow slug leaves in a tube. [m]

    Parameters
    ----------
    radius_m : array_like
        Radius of the bore. [m]
    capillary : array_like
        Capillary number; the law holds below about 1e-3. [-]

    References
    ----------
    F.P. Bretherton, J. Fluid Mech. 1961;10:166.
    """
    return 1.34 * np.asarray(radius_m) * np.asarray(capillary) ** (2.0 / 3.0)


def film_thickness_m(radius_m: ArrayLike, capillary: ArrayLike) -> np.ndarray:
    """Return the film a slug leaves in a tube at any ordinary speed. [m]

    Parameters
    ----------
    radius_m : array_like
        Radius of the bore. [m]
    capillary : array_like
        Capillary number, up to about 2. [-]

    Notes
    -----
    Bretherton's film, held below the radius at speed (Taylor's law). Inertia adds up to half
    in wide bores at high speed; that is left to the caller's spread.

    References
    ----------
    P. Aussillous and D. Quere, Phys. Fluids 2000;12:2367.
    """
    power = np.asarray(capillary) ** (2.0 / 3.0)
    return 1.34 * np.asarray(radius_m) * power / (1.0 + 2.5 * 1.34 * power)


def film_volume_fraction(thickness_m: ArrayLike, radius_m: ArrayLike) -> np.ndarray:
    """Return the share of the bore volume a wall film takes up. [-]"""
    share = np.clip(np.asarray(thickness_m) / radius_m, 0.0, 1.0)
    return share * (2.0 - share)


def sheared_film_m(
    viscosity_pa_s: ArrayLike, length_m: ArrayLike, shear_pa: ArrayLike, seconds: ArrayLike
) -> np.ndarray:
    """Return the mean film left after air has dragged along it. [m]

    Parameters
    ----------
    viscosity_pa_s : array_like
        Viscosity of the liquid. [Pa s]
    length_m : array_like
        Length of the film along the flow. [m]
    shear_pa : array_like
        Wall shear of the air; in a bore d/(4 L) times the pressure drop. [Pa]
    seconds : array_like
        Time of flow; infinite thickness at zero time. [s]

    Notes
    -----
    Lubrication film h = mu x / (tau t) averaged over the length; a film that wets the wall.
    Drops pinned by the contact angle stay behind: the caller sets a floor.
    """
    shear_time = np.asarray(shear_pa) * seconds
    moving = shear_time > 0.0
    film = np.asarray(viscosity_pa_s) * length_m / (2.0 * np.where(moving, shear_time, 1.0))
    return np.where(moving, film, np.inf)


def critical_bore_m(surface_tension_n_per_m: ArrayLike, density_kg_per_m3: ArrayLike) -> np.ndarray:
    """Return the bore below which a vertical tube does not empty by itself. [m]

    Parameters
    ----------
    surface_tension_n_per_m, density_kg_per_m3 : array_like
        Of the liquid. [N/m], [kg/m3]

    References
    ----------
    F.P. Bretherton, J. Fluid Mech. 1961;10:166.
    """
    weight = np.asarray(density_kg_per_m3) * STANDARD_GRAVITY_M_PER_S2
    return 2.0 * np.sqrt(_STUCK_BUBBLE_BOND * np.asarray(surface_tension_n_per_m) / weight)


def hanging_plug_kg(
    bore_m: ArrayLike, surface_tension_n_per_m: ArrayLike, receding_cosine: ArrayLike
) -> np.ndarray:
    """Return the water that hangs at the lower end of a vertical tube open at both ends. [kg]

    Parameters
    ----------
    bore_m : array_like
        Inner diameter. [m]
    surface_tension_n_per_m : array_like
        Surface tension. [N/m]
    receding_cosine : array_like
        Cosine of the receding contact angle; record ``water.receding.cosine``. [-]

    Notes
    -----
    Weight of the plug = pull of the upper meniscus and of the lower one at its largest:
    pi d sigma (1 + cos theta).
    """
    pull = np.pi * np.asarray(bore_m) * surface_tension_n_per_m
    return pull * (1.0 + np.asarray(receding_cosine)) / STANDARD_GRAVITY_M_PER_S2


def landau_levich_film_m(
    capillary: ArrayLike, surface_tension_n_per_m: ArrayLike, density_kg_per_m3: ArrayLike
) -> np.ndarray:
    """Return the film on a plate lifted out of a liquid. [m]

    Parameters
    ----------
    capillary : array_like
        Capillary number of the lifting speed, well below 1. [-]
    surface_tension_n_per_m, density_kg_per_m3 : array_like
        Of the liquid. [N/m], [kg/m3]

    References
    ----------
    L. Landau and B. Levich, Acta Physicochim. URSS 1942;17:42.
    """
    weight = np.asarray(density_kg_per_m3) * STANDARD_GRAVITY_M_PER_S2
    length_m = np.sqrt(np.asarray(surface_tension_n_per_m) / weight)
    return 0.944 * length_m * np.asarray(capillary) ** (2.0 / 3.0)


def jeffreys_mean_film_m(
    height_m: ArrayLike,
    seconds: ArrayLike,
    viscosity_pa_s: ArrayLike,
    density_kg_per_m3: ArrayLike,
) -> np.ndarray:
    """Return the mean film on an upright wetted wall after draining. [m]

    Parameters
    ----------
    height_m : array_like
        Height of the wall. [m]
    seconds : array_like
        Draining time, above zero. [s]
    viscosity_pa_s, density_kg_per_m3 : array_like
        Of the liquid. [Pa s], [kg/m3]

    References
    ----------
    H. Jeffreys, Math. Proc. Camb. Phil. Soc. 1930;26:204.
    """
    weight = np.asarray(density_kg_per_m3) * STANDARD_GRAVITY_M_PER_S2
    lowest = np.sqrt(np.asarray(viscosity_pa_s) * height_m / (weight * np.asarray(seconds)))
    return 2.0 / 3.0 * lowest


def edge_bead_kg_per_m(surface_tension_n_per_m: ArrayLike, coefficient: ArrayLike) -> np.ndarray:
    """Return the water that hangs on each metre of a lower edge. [kg/m]

    Parameters
    ----------
    surface_tension_n_per_m : array_like
        Surface tension. [N/m]
    coefficient : array_like
        Measured bead weight over surface tension; record ``water.edge.coefficient``. [-]

    References
    ----------
    Konishi et al., J. Met. Finish. Soc. Japan 1974;25:2 (coefficient 0.65 +- 0.10).
    """
    return np.asarray(coefficient) * surface_tension_n_per_m / STANDARD_GRAVITY_M_PER_S2
