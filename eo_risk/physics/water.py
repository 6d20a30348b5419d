"""How much liquid water is left on an item before any drying: its lumens and its outside.

Nobody weighs it, so the hold-up of a lumen is a share of its bore, chosen by how it was
emptied, and the outside is a mass per area, chosen by how it was left. Where the pressure
and time of the blowing air are known the laws of `films` take over. Every number is an
argument and may be an array of samples; the docstrings name the record of each.
"""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from eo_risk.physics import films
from eo_risk.physics.airflow import darcy_friction

How = Literal["none", "hung", "syringe", "suction", "air"]
Orientation = Literal["vertical", "coiled"]

_MANY_PUSHES = 3  # from here on the lower hold-up record applies
_SPEED_STEPS = 16  # of the damped fixed point of slug speed and friction; below 1e-4


def lumen_fraction_key(
    how: How | None,
    *,
    pushes: int | None = None,
    seconds: float | None = None,
    open_ends: int | None = None,
    blocked: bool | None = None,
    orientation: Orientation | None = None,
    long_air_s: float,
    long_suction_s: float,
) -> str:
    """Name the hold-up record that fits how a lumen was emptied.

    Parameters
    ----------
    how : str or None
        ``none``, ``hung``, ``syringe``, ``suction``, ``air``; None when unknown.
    pushes : int, optional
        Pushes of a syringe; unknown counts as one.
    seconds : float, optional
        Time of air or suction; unknown counts as short. [s]
    open_ends : int, optional
        0, 1 or 2; unknown counts as one, because nothing shows that air came out.
    blocked : bool, optional
        True when no air comes out; the channel then counts as not drained.
    orientation : str, optional
        ``vertical`` or ``coiled`` while it hung; unknown counts as coiled.
    long_air_s, long_suction_s : float
        From which time on air or suction counts as long; records ``water.long_air.time``
        and ``water.long_suction.time``. [s]

    Returns
    -------
    str
        Id of a record that holds the share of the bore volume left. [-]

    Notes
    -----
    The bore itself plays its part in `drains_freely` and `lumen_water_kg`, so that an
    unknown bore may lie on both sides of the rule. An unknown never gives a lower record
    than any known answer in its place would, but for those that block by themselves.
    """
    if how is None:
        return "water.lumen.unknown.fraction"
    if how == "none" or blocked or open_ends == 0:
        return "water.lumen.undrained.fraction"
    if how == "hung" and open_ends == 2 and orientation == "vertical":
        return "water.lumen.hung_vertical.fraction"
    if how == "hung" or (how == "syringe" and pushes == 0) or open_ends != 2:
        return "water.lumen.hung.fraction"
    if how == "air":
        long = seconds is not None and seconds >= long_air_s
        return f"water.lumen.{'air_long' if long else 'air_short'}.fraction"
    if how == "suction":
        many = seconds is not None and seconds >= long_suction_s
    elif how == "syringe":
        many = pushes is not None and pushes >= _MANY_PUSHES
    else:
        raise ValueError(f"how {how!r} is unknown; none, hung, syringe, suction, air or None")
    return f"water.lumen.{'syringe_three' if many else 'syringe_one'}.fraction"


def drains_freely(
    bore_m: ArrayLike,
    how: How | None,
    open_ends: int | None,
    *,
    critical_bore_m: ArrayLike,
    mouth_bore_m: ArrayLike,
    blocked: bool | None = None,
) -> np.ndarray:
    """Tell where a lumen empties by gravity. bool, shape of the bore

    Parameters
    ----------
    bore_m : array_like
        Inner diameter. [m]
    how, open_ends, blocked
        As in `lumen_fraction_key`; not emptied, unknown, closed or blocked never drains.
    critical_bore_m : array_like
        `films.critical_bore_m`: the rule for a tube open at both ends. [m]
    mouth_bore_m : array_like
        Opening up to which a tube closed above holds its water; record
        ``water.mouth.bore``. [m]

    References
    ----------
    F.P. Bretherton, J. Fluid Mech. 1961;10:166. C.W. Extrand, Langmuir 2017;33:12903.
    """
    bore_m = np.asarray(bore_m, dtype=float)
    if how in (None, "none") or blocked or open_ends == 0:
        return np.zeros(bore_m.shape, dtype=bool)
    return bore_m >= (critical_bore_m if open_ends == 2 else mouth_bore_m)


def bore_volume_m3(bore_m: ArrayLike, length_m: ArrayLike) -> np.ndarray:
    """Return the volume of a round bore. [m3]"""
    return np.pi / 4.0 * np.asarray(bore_m) ** 2 * length_m


def bore_area_m2(bore_m: ArrayLike, length_m: ArrayLike) -> np.ndarray:
    """Return the wall area of a round bore. [m2]"""
    return np.pi * np.asarray(bore_m) * length_m


def lumen_water_kg(
    bore_m: ArrayLike,
    length_m: ArrayLike,
    fraction: ArrayLike,
    density_kg_per_m3: ArrayLike,
    *,
    drains: ArrayLike = False,
    drained_kg_per_m2: ArrayLike = 0.0,
    low_point_kg: ArrayLike = 0.0,
    hanging_kg: ArrayLike = 0.0,
    hubs: ArrayLike = 0,
    hub_kg: ArrayLike = 0.0,
) -> np.ndarray:
    """Return the water left in a lumen after emptying. [kg], broadcast shape

    Parameters
    ----------
    bore_m, length_m : array_like
        Of the bore. [m]
    fraction : array_like
        Share of the bore volume left; the record `lumen_fraction_key` names. [-]
    density_kg_per_m3 : array_like
        Of water. [kg/m3]
    drains : array_like of bool
        `drains_freely`; there a wall film and one drop stay instead of the share, where that
        is less.
    drained_kg_per_m2 : array_like
        Film on the wall of a drained bore; ``water.outside.drained.kg_per_m2``. [kg/m2]
    low_point_kg : array_like
        Drop at its low end; ``water.low_point.kg``. [kg]
    hanging_kg : array_like
        For a lumen that hung upright: `films.hanging_plug_kg`, held at its lower end beside
        the film. 0 for every other way of emptying. [kg]
    hubs : array_like of int
        Hubs, connectors and valve seats. [-]
    hub_kg : array_like
        Held by each of them; ``water.hub.kg``. [kg]

    Notes
    -----
    The bore never holds more than its volume. Water in hubs comes on top.
    """
    full_kg = bore_volume_m3(bore_m, length_m) * density_kg_per_m3
    held_kg = np.minimum(np.asarray(fraction) * full_kg + hanging_kg, full_kg)
    wall_kg = bore_area_m2(bore_m, length_m) * drained_kg_per_m2 + low_point_kg
    return np.where(drains, np.minimum(held_kg, wall_kg), held_kg) + np.asarray(hubs) * hub_kg


def slug_speed_m_per_s(
    bore_m: ArrayLike,
    length_m: ArrayLike,
    pressure_drop_pa: ArrayLike,
    density_kg_per_m3: ArrayLike,
    viscosity_pa_s: ArrayLike,
    roughness_m: ArrayLike = 0.0,
) -> np.ndarray:
    """Return the speed of a full column of water pushed out of a tube. [m/s]

    Parameters
    ----------
    bore_m, length_m : array_like
        Of the tube. [m]
    pressure_drop_pa : array_like
        Gauge pressure of the air behind the column. [Pa]
    density_kg_per_m3, viscosity_pa_s : array_like
        Of water. [kg/m3], [Pa s]
    roughness_m : array_like
        Of the wall; record ``drying.tube.roughness``. [m]

    Notes
    -----
    Friction of the full column only, U = sqrt(2 dp d / (f rho L)); the acceleration at the
    start is left out.
    """
    bore_m, drop_pa = np.asarray(bore_m, dtype=float), np.asarray(pressure_drop_pa, dtype=float)
    laminar = drop_pa * bore_m**2 / (32.0 * np.asarray(viscosity_pa_s) * length_m)
    drive = 2.0 * drop_pa * bore_m / (np.asarray(density_kg_per_m3) * length_m)
    inertia = density_kg_per_m3 * bore_m / viscosity_pa_s
    # Start at the exact laminar speed: it is a fixed point wherever the flow is laminar.
    speed = np.minimum(laminar, np.sqrt(drive / 0.03))
    for _ in range(_SPEED_STEPS):
        friction = darcy_friction(inertia * speed, roughness_m / bore_m)
        speed = np.sqrt(speed * np.sqrt(drive / friction))
    return speed


def blown_lumen_kg(
    bore_m: ArrayLike,
    length_m: ArrayLike,
    pressure_drop_pa: ArrayLike,
    seconds: ArrayLike,
    *,
    density_kg_per_m3: ArrayLike,
    viscosity_pa_s: ArrayLike,
    surface_tension_n_per_m: ArrayLike,
    floor_fraction: ArrayLike,
    floor_kg_per_m2: ArrayLike,
    film_factor: ArrayLike = 1.0,
    roughness_m: ArrayLike = 0.0,
) -> np.ndarray:
    """Return the water left in an open lumen blown with air of known pressure. [kg]

    Parameters
    ----------
    bore_m, length_m : array_like
        Of the bore. [m]
    pressure_drop_pa : array_like
        Gauge pressure at the lumen's inlet. [Pa]
    seconds : array_like
        Time of blowing. [s]
    density_kg_per_m3, viscosity_pa_s, surface_tension_n_per_m : array_like
        Of water. [kg/m3], [Pa s], [N/m]
    floor_fraction : array_like
        Share of the bore volume that stays as pinned drops; ``water.floor.fraction``. [-]
    floor_kg_per_m2 : array_like
        The same per wall area; ``water.floor.kg_per_m2``. The larger rules. [kg/m2]
    film_factor : array_like
        Measured over computed slug film; ``water.slug_film.factor``. [-]
    roughness_m : array_like
        Record ``drying.tube.roughness``. [m]

    Notes
    -----
    The slug leaves its film, the air then thins it, drops stay pinned:
    min(slug film, max(sheared film, floor)). Evaporation is the business of `drying`. The
    floor is an engineering estimate.
    """
    full_kg = bore_volume_m3(bore_m, length_m) * density_kg_per_m3
    radius_m = np.asarray(bore_m) / 2.0
    speed = slug_speed_m_per_s(
        bore_m, length_m, pressure_drop_pa, density_kg_per_m3, viscosity_pa_s, roughness_m
    )
    capillary = films.capillary_number(viscosity_pa_s, speed, surface_tension_n_per_m)
    slug_m = films.film_thickness_m(radius_m, capillary) * film_factor
    # Without pressure the column does not move at all.
    moved = np.asarray(pressure_drop_pa) > 0.0
    slug_kg = np.where(moved, films.film_volume_fraction(slug_m, radius_m), 1.0) * full_kg
    shear_pa = np.asarray(pressure_drop_pa) * bore_m / (4.0 * np.asarray(length_m))
    thinned_m = films.sheared_film_m(viscosity_pa_s, length_m, shear_pa, seconds)
    thinned_kg = films.film_volume_fraction(thinned_m, radius_m) * full_kg
    floor_kg = np.maximum(
        np.asarray(floor_fraction) * full_kg, bore_area_m2(bore_m, length_m) * floor_kg_per_m2
    )
    return np.minimum(slug_kg, np.maximum(thinned_kg, floor_kg))


def droplets_kg(count: ArrayLike, droplet_kg: ArrayLike) -> np.ndarray:
    """Return the mass of counted droplets. [kg]

    Parameters
    ----------
    count : array_like of int
        Droplets seen along the whole lumen or surface. [-]
    droplet_kg : array_like
        Mass of one; ``water.droplet.kg``. [kg]

    Notes
    -----
    A count replaces the estimate only when the whole lumen was looked at; a film between
    the droplets is not counted.
    """
    return np.asarray(count) * np.asarray(droplet_kg)


def outside_key(state: str | None) -> str:
    """Name the record of the water per area on an outside left in this state.

    `state` is ``dripping``, ``drained``, ``blown``, ``wiped`` or None when unknown.
    """
    if state not in ("dripping", "drained", "blown", "wiped", None):
        raise ValueError(f"state {state!r} is unknown; dripping, drained, blown, wiped or None")
    return f"water.outside.{state or 'unknown'}.kg_per_m2"


def has_edge_bead(state: str | None) -> bool:
    """Tell whether a bead hangs on the low edge: not after blowing or wiping."""
    return state not in ("blown", "wiped")


def outside_water_kg(
    area_m2: ArrayLike,
    areal_kg_per_m2: ArrayLike,
    *,
    low_edge_m: ArrayLike = 0.0,
    edge_kg_per_m: ArrayLike = 0.0,
    low_points: ArrayLike = 0,
    low_point_kg: ArrayLike = 0.0,
) -> np.ndarray:
    """Return the water on the open outside of an item. [kg], broadcast shape

    Parameters
    ----------
    area_m2 : array_like
        Outside area. [m2]
    areal_kg_per_m2 : array_like
        The record `outside_key` names. [kg/m2]
    low_edge_m : array_like
        Length of the lowest edge; 0 where `has_edge_bead` is False. [m]
    edge_kg_per_m : array_like
        `films.edge_bead_kg_per_m`. [kg/m]
    low_points : array_like of int
        Low tips that each carry a drop. [-]
    low_point_kg : array_like
        ``water.low_point.kg``. [kg]
    """
    film_kg = np.asarray(area_m2) * areal_kg_per_m2
    return film_kg + np.asarray(low_edge_m) * edge_kg_per_m + np.asarray(low_points) * low_point_kg


def joint_water_kg(joints: ArrayLike, joint_kg: ArrayLike) -> np.ndarray:
    """Return the water in hinges, box locks, threads and mated faces. [kg]

    `joint_kg` is the record ``water.joint.kg``; wiping or blowing does not remove it.
    """
    return np.asarray(joints) * np.asarray(joint_kg)


def textile_water_kg(dry_kg: ArrayLike, pickup: ArrayLike) -> np.ndarray:
    """Return the liquid in wet textile or foam. [kg]

    `pickup` is water per dry mass: ``water.textile.damp``, ``.spun``, ``.soaked`` or
    ``.unknown``. [kg/kg]
    """
    return np.asarray(dry_kg) * np.asarray(pickup)
