"""Leftover water and its drying with their numbers drawn from the records.

Thin: each function draws the records its physics names and hands them on. Everything is SI
and runs over samples, shape (samples,).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from eo_risk import reference
from eo_risk.judgement.risk import Draw, ItemDraw
from eo_risk.physics import airflow, drying, films, properties, water
from eo_risk.physics.moist_air import Fluids
from eo_risk.units import GAS_CONSTANT_J_PER_MOL_K, STANDARD_ATMOSPHERE_PA, to_si

AnyDraw = Draw | ItemDraw


def fluids(draw: AnyDraw) -> Fluids:
    """Return the numbers of air and water."""
    return Fluids(
        saturation_pa=properties.water_saturation_pa,
        latent_heat_j_per_kg=properties.water_latent_heat_j_per_kg,
        water_density_kg_per_m3=properties.water_density_kg_per_m3,
        vapour_diffusivity_m2_per_s=lambda temperature_k, pressure_pa: (
            properties.gas_diffusivity_m2_per_s("water", temperature_k, pressure_pa, draw)
        ),
        water_molar_mass_kg_per_mol=draw("water.molar_mass"),
        water_heat_capacity_j_per_kg_k=draw("water.liquid.heat_capacity"),
        air_molar_mass_kg_per_mol=draw("air.molar_mass"),
        air_heat_capacity_j_per_kg_k=draw("air.heat_capacity"),
        air_viscosity_0c_pa_s=draw("air.viscosity"),
        air_sutherland_k=draw("air.sutherland"),
    )


@dataclass(frozen=True)
class Emptying:
    """How a lumen was emptied; None is unknown. `pressure_pa` is gauge, `seconds` of air."""

    how: water.How | None
    pushes: int | None = None
    seconds: float | None = None
    pressure_pa: ArrayLike | None = None
    orientation: water.Orientation | None = None


def lumen_start_kg(
    draw: AnyDraw,
    bore_m: np.ndarray,
    length_m: np.ndarray,
    emptying: Emptying,
    *,
    open_ends: int | None,
    blocked: bool | None = None,
    hubs: ArrayLike = 0,
    temperature_k: np.ndarray,
) -> np.ndarray:
    """Return the water a lumen holds after it was emptied. [kg]

    Parameters
    ----------
    draw : Draw or ItemDraw
        Samples of the records.
    bore_m, length_m : ndarray, shape (samples,)
        Of the bore. [m]
    emptying : Emptying
        How it was emptied.
    open_ends, blocked, hubs
        As known; None is unknown.
    temperature_k : ndarray
        Of the water while it drains. [K]

    Notes
    -----
    Air of known pressure and time through an open lumen follows the film laws instead of
    the table.
    """
    how, density = emptying.how, properties.water_density_kg_per_m3(temperature_k)
    tension = properties.water_surface_tension_n_per_m(temperature_k)
    key = water.lumen_fraction_key(
        how,
        pushes=emptying.pushes,
        seconds=emptying.seconds,
        open_ends=open_ends,
        blocked=blocked,
        orientation=emptying.orientation,
        long_air_s=reference.record("water.long_air.time").value_si,
        long_suction_s=reference.record("water.long_suction.time").value_si,
    )
    hub_kg = draw("water.hub.kg") if np.any(hubs) else 0.0
    known_air = emptying.pressure_pa is not None and emptying.seconds is not None
    if how == "air" and known_air and open_ends == 2 and not blocked:
        blown = water.blown_lumen_kg(
            bore_m, length_m, emptying.pressure_pa, emptying.seconds,
            density_kg_per_m3=density,
            viscosity_pa_s=properties.water_viscosity_pa_s(temperature_k),
            surface_tension_n_per_m=tension,
            floor_fraction=draw("water.floor.fraction"),
            floor_kg_per_m2=draw("water.floor.kg_per_m2"),
            film_factor=draw("water.slug_film.factor"),
            roughness_m=draw("drying.tube.roughness"),
        )  # fmt: skip
        return blown + hubs * hub_kg
    upright = key == "water.lumen.hung_vertical.fraction"
    return water.lumen_water_kg(
        bore_m, length_m, draw(key), density,
        drains=water.drains_freely(
            bore_m, how, open_ends, blocked=blocked,
            critical_bore_m=films.critical_bore_m(tension, density),
            mouth_bore_m=draw("water.mouth.bore"),
        ),
        drained_kg_per_m2=draw("water.outside.drained.kg_per_m2"),
        low_point_kg=draw("water.low_point.kg"),
        hanging_kg=(
            films.hanging_plug_kg(bore_m, tension, draw("water.receding.cosine"))
            if upright
            else 0.0
        ),
        hubs=hubs, hub_kg=hub_kg,
    )  # fmt: skip


def normal_flow_kg_per_s(draw: AnyDraw, flow_m3_per_s: ArrayLike) -> np.ndarray:
    """Return the mass flow of a flow in normal litres (or m3) per time. [kg/s]"""
    normal_k = draw("air.normal.temperature")
    per_m3 = STANDARD_ATMOSPHERE_PA * draw("air.molar_mass") / (GAS_CONSTANT_J_PER_MOL_K * normal_k)
    return np.asarray(flow_m3_per_s) * per_m3


def pressure_flow_kg_per_s(
    draw: AnyDraw,
    numbers: Fluids,
    bore_m: np.ndarray,
    length_m: np.ndarray,
    gauge_pa: ArrayLike,
    *,
    air_k: np.ndarray,
    ambient_pa: float,
) -> np.ndarray:
    """Return the flow a gauge pressure at the lumen's inlet drives, without losses. [kg/s]"""
    return airflow.isothermal_flow_kg_per_s(
        bore_m, length_m, ambient_pa + np.asarray(gauge_pa), ambient_pa,
        **_tube_air(draw, numbers, air_k, ambient_pa),
    )  # fmt: skip


def flow_pressure_pa(
    draw: AnyDraw, numbers: Fluids, bore_m: np.ndarray, length_m: np.ndarray,
    flow_kg_per_s: np.ndarray, *, air_k: np.ndarray, ambient_pa: float,
) -> np.ndarray:  # fmt: skip
    """Return the gauge pressure that drives a measured flow through a lumen. [Pa]"""
    highest_pa = reference.record("air.highest_gauge_pressure").value_si
    return airflow.gauge_of_flow_pa(
        flow_kg_per_s, bore_m, length_m, ambient_pa, highest_pa,
        **_tube_air(draw, numbers, air_k, ambient_pa),
    )  # fmt: skip


def emptying_pressure_pa(
    draw: AnyDraw, numbers: Fluids, bore_m: np.ndarray, length_m: np.ndarray,
    flow_nl_per_min: float | None, gauge_bar: float | None, *, air_k: np.ndarray,
    ambient_pa: float,
) -> float | np.ndarray | None:  # fmt: skip
    """Return the gauge pressure of the air a lumen was emptied with; a measured flow wins. [Pa]

    None where neither was told.
    """
    if flow_nl_per_min is not None:
        flow = normal_flow_kg_per_s(draw, to_si(flow_nl_per_min, "NL/min"))
        return flow_pressure_pa(draw, numbers, bore_m, length_m, flow, air_k=air_k,
                                ambient_pa=ambient_pa)  # fmt: skip
    return None if gauge_bar is None else to_si(gauge_bar, "bar")


def _tube_air(
    draw: AnyDraw, numbers: Fluids, air_k: np.ndarray, ambient_pa: float
) -> dict[str, ArrayLike]:
    return {
        "temperature_k": air_k,
        "viscosity_pa_s": numbers.air(air_k, 0.0, ambient_pa).viscosity_pa_s,
        "molar_mass_kg_per_mol": numbers.air_molar_mass_kg_per_mol,
        "entrance_loss": draw("drying.tube.entrance_loss"),
        "roughness_m": draw("drying.tube.roughness"),
    }


def blown_out_kg(draw: AnyDraw, water_kg: np.ndarray, full_kg: np.ndarray) -> np.ndarray:
    """Return what the first seconds of drying air leave of an estimated hold-up. [kg]

    `full_kg` fills the bore. Only for a lumen that air passes, and never for a weighed mass:
    what was weighed is taken to stay until it evaporates.
    """
    return np.minimum(water_kg, draw("water.lumen.air_short.fraction") * full_kg)


def air_drying(
    draw: AnyDraw,
    numbers: Fluids,
    water_kg: np.ndarray,
    bore_m: np.ndarray,
    length_m: np.ndarray,
    flow_kg_per_s: np.ndarray,
    *,
    flow_measured: bool,
    air_k: np.ndarray,
    relative_humidity: np.ndarray,
    ambient_pa: float,
    outer_diameter_m: np.ndarray,
    passes_air: bool = True,
) -> drying.LumenDrying:
    """Describe how air blown through one lumen dries it.

    Parameters
    ----------
    draw : Draw or ItemDraw
        Samples of the records.
    numbers : Fluids
        `fluids`.
    water_kg, bore_m, length_m, outer_diameter_m : ndarray, shape (samples,)
        Of the lumen. [kg], [m]
    flow_kg_per_s : ndarray
        Mass flow; one computed from a pressure loses the record ``drying.flow.share``. [kg/s]
    flow_measured : bool
        True for a measured flow, which loses nothing.
    air_k, relative_humidity, ambient_pa
        Of the air, after its expansion; the room is as warm. [K], [-], [Pa]
    passes_air : bool
        False for a closed or blocked lumen.
    """
    share = 1.0 if flow_measured else draw("drying.flow.share")
    return drying.dry_lumen(
        water_kg, bore_m, length_m, flow_kg_per_s * share,
        numbers.air(air_k, relative_humidity, ambient_pa),
        heat_transfer_w_per_k=drying.wall_heat_w_per_k(
            outer_diameter_m, length_m, draw("drying.room.heat_transfer"),
            draw("drying.wall_heat.share"),
        ),
        wetted_share=draw("drying.lumen.wetted_share"),
        time_factor=draw("drying.lumen.time_factor"),
        passes_air=passes_air,
    )  # fmt: skip


@dataclass(frozen=True)
class OutsideWater:
    """Water on the outside of an item: film, bead on its low edge, in its joints. [kg]"""

    film_kg: np.ndarray
    bead_kg: np.ndarray
    joints_kg: np.ndarray

    @property
    def total_kg(self) -> np.ndarray:
        return self.film_kg + self.bead_kg + self.joints_kg


def outside_start(
    draw: AnyDraw,
    area_m2: np.ndarray,
    state: str | None,
    low_edge_m: np.ndarray,
    joints: int,
    temperature_k: np.ndarray,
) -> OutsideWater:
    """Return the water on the outside of an item before drying.

    `state` None is unknown; the low edge counts only where a bead hangs on it.
    """
    nothing = np.zeros(draw.samples)
    film = water.outside_water_kg(area_m2, draw(water.outside_key(state)))
    bead = nothing
    if water.has_edge_bead(state):
        tension = properties.water_surface_tension_n_per_m(temperature_k)
        per_m = films.edge_bead_kg_per_m(tension, draw("water.edge.coefficient"))
        bead = water.outside_water_kg(0.0, 0.0, low_edge_m=low_edge_m, edge_kg_per_m=per_m)
    joint = water.joint_water_kg(joints, draw("water.joint.kg")) if joints else nothing
    return OutsideWater(film + nothing, bead + nothing, joint + nothing)
