"""A given mass of water through one exposure and one aeration, without the rest of a load."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from eo_risk.judgement.inputs import ItemInputs
from eo_risk.judgement.timeline import LoadStage, Timeline
from eo_risk.judgement.water import leftover
from eo_risk.judgement.water.glycol_credit import lumen_removed, open_removed
from eo_risk.judgement.water.water_bodies import (
    Body,
    WaterStage,
    ceiling_kg,
    film_body,
    held_ph,
    open_escape,
    plug_stages,
    salted,
    water_stages,
)
from eo_risk.physics import chemistry, properties
from eo_risk.physics.chamber_water import OpenPlace, film_left_kg
from eo_risk.physics.gas import partial_pressure_pa
from eo_risk.physics.plug import run_plug
from eo_risk.units import STANDARD_ATMOSPHERE_PA

_CUTS = 16  # of an aeration in which glycol may leave


@dataclass(frozen=True)
class WaterOnly:
    """What became of the water. [kg], shape (samples,)"""

    eg_exposure_kg: np.ndarray
    eo_exposure_kg: np.ndarray
    eg_kg: np.ndarray
    eo_kg: np.ndarray
    ech_unbuffered_kg: np.ndarray
    ech_buffered_kg: np.ndarray
    ceiling_kg: np.ndarray
    diethylene_kg: np.ndarray  # of a film, beside the EG of that film, nothing removed
    film_eg_kg: np.ndarray
    removed_kg: np.ndarray | None


@dataclass(frozen=True)
class Removal:
    """Removal of EG to credit: off an open surface, or with led air out of a lumen.

    One of `surface_m2` [m2] and `flow_nl_per_min` [NL/min]; the other is None.
    """

    surface_m2: np.ndarray | None = None
    flow_nl_per_min: float | None = None


def run_water_only(
    inputs: ItemInputs,
    *,
    water_kg: np.ndarray,
    eo_kg_per_m3: np.ndarray,
    gas_k: np.ndarray,
    water_k: np.ndarray,
    exposure_s: np.ndarray,
    aeration_s: np.ndarray,
    aeration_k: np.ndarray,
    low_pa: np.ndarray,
    total_pa: np.ndarray | None,
    co2_pa: np.ndarray,
    chloride_mol_per_m3: np.ndarray,
    ph: float | None = None,
    form: str = "film",
    lumen: tuple[float, float] | None = None,
    removal: Removal | None = None,
) -> WaterOnly:
    """Turn water into what EO makes of it, as a film or as one plug with two ends.

    Parameters
    ----------
    inputs : ItemInputs
        Where records are drawn.
    water_kg, eo_kg_per_m3, gas_k, water_k, exposure_s, aeration_s, aeration_k : ndarray
        Mass, gas level, temperatures and times, shape (samples,). [SI]
    low_pa, total_pa, co2_pa : ndarray
        Pressure before injection, during exposure (None: evacuation plus the gas), CO2. [Pa]
    chloride_mol_per_m3 : ndarray
        Chloride of the water. [mol/m3]
    ph : float, optional
        pH the water is held at; CO2 does not move it then. [-]
    form : str
        ``film`` or ``plug``.
    lumen : (float, float), optional
        Bore and gas path at each end of the water; a plug needs it, a film without it lies
        open. [m]
    removal : Removal, optional
        EG that leaves in the aeration; none is credited without it.
    """
    molar = inputs.draw("eo.molar_mass")
    eo_pa = partial_pressure_pa(eo_kg_per_m3, gas_k, molar)
    total = low_pa + eo_pa + co2_pa if total_pa is None else total_pa
    zero, air = np.zeros_like(gas_k), np.full_like(gas_k, STANDARD_ATMOSPHERE_PA)
    exposure = LoadStage("gas exposure", exposure_s, water_k, gas_k, eo_kg_per_m3, eo_kg_per_m3,
                         total, total, zero)  # fmt: skip
    cuts = 1 if removal is None else _CUTS
    aeration = LoadStage("aeration", aeration_s / cuts, aeration_k, aeration_k, zero, zero, air,
                         air, zero, step=0)  # fmt: skip
    timeline = Timeline((exposure,), (aeration,) * cuts, 0, 0, water_k, np.ones_like(gas_k))
    waters = tuple(
        held_ph(w, ph)
        for w in water_stages(timeline, inputs.draw, co2_pa / np.maximum(eo_pa, 1e-9))
    )
    volume = water_kg / properties.water_density_kg_per_m3(water_k)
    salt = chloride_mol_per_m3 * volume
    mass_ratio = inputs.draw("eg.molar_mass") / molar

    def escape(water: WaterStage) -> np.ndarray:
        if lumen is None:
            return open_escape(water)
        section = np.pi / 4.0 * lumen[0] ** 2
        length = 2.0 * lumen[1] + volume / section
        share = volume / (section * length)
        return chemistry.wetted_lumen_escape_s(length, share, water.ratio, water.gas_diffusivity, 2)

    film = film_body(volume, waters, escape, salt, inputs)
    eo, reacted = film.eo, film.reacted
    ech_share = 1.0
    if form == "plug":
        bore, path = lumen
        brine = [salted(w, chloride_mol_per_m3, inputs.draw) for w in waters]
        stages = plug_stages(brine, chloride_mol_per_m3, inputs.samples)
        filled = np.maximum(1.0 - np.minimum(low_pa / total, 1.0), 1e-6)
        wet = np.maximum(volume, 1e-15)
        run = run_plug(wet, bore, max(path, 1e-3 * bore), 2, stages,
                       start_gas_kg_per_m3=eo_kg_per_m3, filled_share=filled)  # fmt: skip
        eo, reacted = run.eo_kg * (volume / wet), run.reacted_kg * (volume / wet)
        ech_share = np.clip(reacted[-1] / np.maximum(film.reacted[-1], 1e-300), 0.0, 1.0)
    density = properties.water_density_kg_per_m3(water_k)
    gone = None
    if removal is not None:
        length = None if lumen is None else 2.0 * lumen[1] + volume / (np.pi / 4 * lumen[0] ** 2)
        body = replace(film, reacted=reacted)
        gone = _removed(removal, body, water_kg, None if lumen is None else lumen[0], length,
                        waters, inputs)[-1] * mass_ratio  # fmt: skip
    return WaterOnly(
        reacted[1] * mass_ratio, eo[1], reacted[-1] * mass_ratio - (0.0 if gone is None else gone),
        eo[-1], film.ech_unbuffered * ech_share, film.ech_buffered * ech_share,
        ceiling_kg(water_kg, density, waters[:1], inputs, salt),
        film.diethylene * np.ones_like(gas_k), film.reacted[-1] * mass_ratio, gone,
    )  # fmt: skip


def _removed(
    removal: Removal, body: Body, water_kg: np.ndarray, bore_m: float | None,
    length_m: np.ndarray | None, waters: tuple[WaterStage, ...], inputs: ItemInputs,
) -> np.ndarray:  # fmt: skip
    """Return EG that left after every output, as EO turned. [kg]"""
    fluids = leftover.fluids(inputs.draw)
    if removal.flow_nl_per_min is not None:
        bore = np.full(inputs.samples, bore_m)
        return lumen_removed(body, water_kg, bore, length_m, removal.flow_nl_per_min, (0,), waters,
                             inputs, fluids)  # fmt: skip
    place = OpenPlace(removal.surface_m2, inputs.draw("drying.transfer.wrapped"),
                      inputs.draw("drying.surface.heated_share"))  # fmt: skip
    films = [water_kg, water_kg]
    for water in waters[1:]:
        films.append(film_left_kg(films[-1], place, [water.met], fluids))
    return open_removed(body, films, removal.surface_m2, place.transfer_m_per_s, waters, inputs,
                        fluids)  # fmt: skip
