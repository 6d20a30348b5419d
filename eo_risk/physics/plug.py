"""A plug of water in a lumen, behind the lumen's own column of gas.

Injection sweeps EO into the lumen up to the last low / fill pressure of the gas path; from
there on it diffuses, through the still gas into the water, where it reacts. In aeration it
goes the same way back. Gas column and water are two layers of one engine.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from eo_risk.physics.layer import Body, Stage
from eo_risk.physics.two_layers import run_two_layers


@dataclass(frozen=True)
class PlugStage:
    """What a plug meets in one stage; numbers or shape (samples,). SI

    `gas_diffusivity` is that of EO in the lumen's gas at this pressure, bulk flow included.
    """

    duration_s: ArrayLike
    gas_start_kg_per_m3: ArrayLike
    gas_end_kg_per_m3: ArrayLike
    gas_diffusivity_m2_per_s: ArrayLike
    water_diffusivity_m2_per_s: ArrayLike
    water_gas_ratio: ArrayLike
    hydrolysis_per_s: ArrayLike
    output_times_s: ArrayLike = ()
    after: int | None = None  # as in `Stage`


@dataclass(frozen=True)
class PlugRun:
    """EO in the water, EO turned into glycol, EO in the gas column. [kg]

    Shape (outputs, samples): the start, then every output time and stage end. `entered_kg` is
    what came in through the mouths so far, less what left.
    """

    time_s: np.ndarray
    stage_index: tuple[int, ...]
    eo_kg: np.ndarray
    reacted_kg: np.ndarray
    column_kg: np.ndarray
    entered_kg: np.ndarray


def run_plug(
    water_m3: ArrayLike,
    bore_m: ArrayLike,
    gas_path_m: ArrayLike,
    faces: int,
    stages: Sequence[PlugStage],
    *,
    start_gas_kg_per_m3: ArrayLike = 0.0,
    filled_share: ArrayLike = 1.0,
    column_inventory: float = 1.0,
) -> PlugRun:
    """Carry a plug of water through its stages.

    Parameters
    ----------
    water_m3 : array_like, shape (samples,)
        Volume of the plug. [m3]
    bore_m, gas_path_m : array_like
        Inner diameter; length of gas between the mouth and each face. [m]
    faces : int
        1 or 2 faces that gas can reach.
    stages : sequence of PlugStage
        From the end of the injection on.
    start_gas_kg_per_m3, filled_share : array_like
        EO in the gas of the lumen as the injection ends, and the share of the path, from the
        mouth, that it fills. [kg/m3], [-]
    column_inventory : float
        1 for the real column; near 0 for the quasi-steady limit, a column that resists and
        holds nothing. [-]

    Returns
    -------
    PlugRun

    Notes
    -----
    The plug does not move and is not mixed; the gas in the lumen is still.
    """
    section = np.pi / 4.0 * np.square(np.asarray(bore_m, dtype=float))
    half = np.asarray(water_m3, dtype=float) / (section * faces)
    path = np.maximum(np.asarray(gas_path_m, dtype=float), 1e-6 * np.asarray(bore_m))
    gas = [
        Stage(
            duration_s=s.duration_s,
            # A column that holds less conducts the same with ratio and D scaled inversely.
            diffusivity_m2_per_s=np.asarray(s.gas_diffusivity_m2_per_s) / column_inventory,
            gas_ratio=column_inventory,
            gas_start_kg_per_m3=s.gas_start_kg_per_m3,
            gas_end_kg_per_m3=s.gas_end_kg_per_m3,
            output_times_s=s.output_times_s,
            after=s.after,
        )
        for s in stages
    ]
    water = [
        Stage(
            duration_s=s.duration_s,
            diffusivity_m2_per_s=s.water_diffusivity_m2_per_s,
            gas_ratio=s.water_gas_ratio,
            loss_per_s=s.hydrolysis_per_s,
        )
        for s in stages
    ]
    run = run_two_layers(
        Body("sheet", path),
        Body("sheet", half, open_faces="outer"),
        gas,
        water,
        start_outer_kg_per_m3=np.asarray(start_gas_kg_per_m3) * column_inventory,
        outer_start_share=filled_share,
    )
    volume, column = half * section * faces, path * section * faces
    return PlugRun(
        run.time_s,
        run.stage_index,
        run.inner_kg_per_m3 * volume,
        run.inner_product_kg_per_m3 * volume,
        run.outer_kg_per_m3 * column,
        run.gained_outer_kg_per_m3 * column,
    )
