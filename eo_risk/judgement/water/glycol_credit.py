"""Glycol that leaves in the aeration, credited only where a plan or a flag asks for it.

By default none is. The credit is given to open surfaces once their water is gone, and to
lumens that warm air of a known flow is led through, once that air has dried them; never to
joints, to still lumens or to the material itself.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from eo_risk import units
from eo_risk.judgement.inputs import ItemInputs
from eo_risk.judgement.water import leftover
from eo_risk.judgement.water.water_bodies import Body, WaterStage
from eo_risk.physics import glycol_removal, properties
from eo_risk.physics.moist_air import Fluids
from eo_risk.plan.load_plan import LoadPlan

_WARM_PLACES = ("cabinet", "chamber")


@dataclass(frozen=True)
class GlycolCredit:
    """Which removal is asked for; `warm_steps` are aeration steps with air that is led."""

    open_surfaces: bool
    lumens: bool
    warm_steps: tuple[int, ...]


def credit_of(plan: LoadPlan) -> GlycolCredit | None:
    """Return the credit a plan asks for; None by default."""
    asked = plan.rules.glycol_removal
    if asked in (None, "none"):
        return None
    warm = tuple(i for i, step in enumerate(plan.aeration) if step.place in _WARM_PLACES)
    return GlycolCredit(asked in ("open_surfaces", "both"),
                        asked in ("connected_lumens", "both"), warm)  # fmt: skip


def _humidity(inputs: ItemInputs, fluids: Fluids, kelvin: np.ndarray) -> np.ndarray:
    """Return the humidity of room air that was warmed to an aerator's temperature. [-]"""
    room_k = inputs.draw("room.temperature")
    vapour_pa = inputs.draw("assumed.room_rh") * fluids.saturation_pa(room_k)
    return np.minimum(vapour_pa / fluids.saturation_pa(kelvin), 1.0)


def _vapour(inputs: ItemInputs, fluids: Fluids, kelvin: np.ndarray) -> np.ndarray:
    full_pa = properties.saturation_pa("eg", kelvin) * inputs.draw("eg.saturation_factor")
    return glycol_removal.glycol_vapour_kg_per_m3(
        full_pa, kelvin, _humidity(inputs, fluids, kelvin), inputs.draw("eg.molar_mass")
    )


def _as_eo(inputs: ItemInputs) -> np.ndarray:
    """Return EO turned over glycol, by mass. [-]"""
    return inputs.draw("eo.molar_mass") / inputs.draw("eg.molar_mass")


def open_removed(
    body: Body, films_kg: Sequence[np.ndarray], area_m2: np.ndarray,
    transfer_m_per_s: np.ndarray, waters: Sequence[WaterStage], inputs: ItemInputs, fluids: Fluids,
) -> np.ndarray:  # fmt: skip
    """Return the glycol that left an open film after every output, as EO turned. [kg]

    `films_kg` is its water at every output; nothing leaves before that is gone.
    `transfer_m_per_s` is that of water vapour off the surface.
    """
    area = area_m2 * inputs.draw("glycol.open_share")
    can = []
    for water, left in zip(waters, films_kg[1:], strict=True):
        kelvin, pressure = water.stage.temperature_k, water.stage.pressure_end_pa
        slower = (
            properties.gas_diffusivity_m2_per_s("eg", kelvin, pressure, inputs.draw)
            / properties.gas_diffusivity_m2_per_s("water", kelvin, pressure, inputs.draw)
        )  # fmt: skip
        rate = glycol_removal.open_rate_kg_per_s(area, transfer_m_per_s, slower,
                                                 _vapour(inputs, fluids, kelvin))  # fmt: skip
        aired = water.stage.step is not None
        can.append(np.where(aired & (left <= 0.0), rate * water.stage.duration_s, 0.0))
    return glycol_removal.carried_off_kg(body.reacted, np.stack(can) * _as_eo(inputs))


def lumen_removed(
    body: Body, water_kg: np.ndarray, bore_m: np.ndarray, length_m: np.ndarray,
    flow_nl_per_min: float, warm_steps: Sequence[int], waters: Sequence[WaterStage],
    inputs: ItemInputs, fluids: Fluids,
) -> np.ndarray:  # fmt: skip
    """Return the glycol that led air took out of a lumen after every output, as EO turned. [kg]

    The air first dries the water there; only what time is left then counts.
    """
    flow = leftover.normal_flow_kg_per_s(inputs.draw, units.to_si(flow_nl_per_min, "NL/min"))
    length = length_m * inputs.draw("glycol.open_share")
    can, wet = [], water_kg
    for water in waters:
        stage = water.stage
        if stage.step not in warm_steps:
            can.append(np.zeros(inputs.samples))
            continue
        kelvin, pressure = stage.temperature_k, stage.pressure_end_pa
        humidity = _humidity(inputs, fluids, kelvin)
        drying = leftover.air_drying(
            inputs.draw, fluids, wet, bore_m, length_m, flow, flow_measured=True, air_k=kelvin,
            relative_humidity=humidity, ambient_pa=pressure, outer_diameter_m=bore_m,
        )  # fmt: skip
        free_s = np.maximum(stage.duration_s - drying.dry_s, 0.0)
        wet = np.where(stage.duration_s > 0.0, drying.left_kg(stage.duration_s), wet)
        leaves = glycol_removal.flow_rate_kg_per_s(
            flow, bore_m, length, fluids.air(kelvin, humidity, pressure),
            properties.gas_diffusivity_m2_per_s("eg", kelvin, pressure, inputs.draw),
            _vapour(inputs, fluids, kelvin),
        )  # fmt: skip
        can.append(leaves * free_s)
    return glycol_removal.carried_off_kg(body.reacted, np.stack(can) * _as_eo(inputs))
