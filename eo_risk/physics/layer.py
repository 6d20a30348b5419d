"""One transport engine: a layer that takes up, holds, reacts and gives off gas.

A layer diffuses inside, exchanges with the gas through its faces against an outside
resistance, and loses to a first-order reaction. Its whole profile is carried through any
list of stages. Each stage is one exact step whatever its length; nothing depends on root
finding, on a term count or on a time step, and every operation runs over all samples.
`layer_basis` says what the layer is reduced to, `layer_response` what it answers at a pole,
`layer_step` how a step is made, and `layer_one_face` the same for the usual layer.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from eo_risk.physics.layer_basis import FINE_TOLERANCE, TOLERANCE
from eo_risk.physics.layer_ready import FACES, ready
from eo_risk.physics.layer_run import Outputs, run
from eo_risk.physics.layer_stages import (
    Body,
    Shape,
    Stage,
    check_body,
    check_number,
    check_stages,
    joined,
    samples_of,
    stage_of_outputs,
    stage_values,
    steps_of,
)

__all__ = ["Body", "LayerRun", "Shape", "Stage", "run_layer"]


@dataclass(frozen=True)
class LayerRun:
    """What a run found: the start, then every output time and stage end in order.

    Shape (outputs, samples). Amounts are per volume of the body [kg/m3]: `mean` is what it
    holds, `product` what reacted so far, as mass of the reacting substance, `gained_*` the
    net uptake through each face so far. On request: `flux_*` leave through a face at that
    moment, 0 at the start [kg/(m2 s)]; `profile`, shape (outputs, positions, samples).
    """

    time_s: np.ndarray
    stage_index: tuple[int, ...]
    mean_kg_per_m3: np.ndarray
    product_kg_per_m3: np.ndarray
    flux_outer_kg_per_m2_s: np.ndarray | None
    flux_inner_kg_per_m2_s: np.ndarray | None
    profile_kg_per_m3: np.ndarray | None
    found: Outputs

    @property
    def gained_outer_kg_per_m3(self) -> np.ndarray:
        """Net uptake through the outer face, worked out when asked for."""
        return self.found.at_face("gained", 0, "outer")

    @property
    def gained_inner_kg_per_m3(self) -> np.ndarray:
        """Net uptake through the inner face, worked out when asked for."""
        return self.found.at_face("gained", 0, "inner")


def run_layer(
    body: Body,
    stages: Sequence[Stage],
    *,
    start_kg_per_m3: ArrayLike = 0.0,
    profile_at: ArrayLike = (),
    with_flux: bool = False,
) -> LayerRun:
    """Carry one layer through a list of stages.

    Parameters
    ----------
    body : Body
        Its geometry.
    stages : sequence of Stage
        What it meets, in order.
    start_kg_per_m3 : array_like, shape (samples,)
        Even concentration at the start. [kg/m3]
    profile_at : array_like, shape (positions,), optional
        Positions at which the profile is wanted, 0 (inner face or centre) to 1 (outer). [-]
    with_flux : bool
        Whether the flux through the faces is wanted.

    Returns
    -------
    LayerRun

    Raises
    ------
    ValueError
        For a size, diffusivity, time, ratio or coefficient that cannot be.

    Notes
    -----
    Diffusivity and equilibrium ratio are constant within a stage and independent of the
    concentration. The mean errs by at most 1e-6 of the largest amount held, and by 1e-3 of
    what is left down to 1e-6 of it. Laws: Crank, The Mathematics of Diffusion, 2nd ed., 1975.
    """
    check_body(body)
    check_stages(stages)
    check_number("start_kg_per_m3", start_kg_per_m3)
    positions = np.asarray(profile_at, dtype=float)
    if positions.size and not np.all((positions >= 0.0) & (positions <= 1.0)):
        raise ValueError(f"profile_at = {positions} is not allowed; give shares from 0 to 1")
    samples = samples_of(
        body.thickness_m, body.outer_radius_m, start_kg_per_m3,
        *(value for stage in stages for value in stage_values(stage)),
    )  # fmt: skip
    index = stage_of_outputs(stages)
    (stages,) = joined(stages)
    steps, time = steps_of(stages, samples, alone=positions.size > 0)
    layer = ready(
        body, stages, samples, start_kg_per_m3, positions=positions,
        tolerance=FINE_TOLERANCE if positions.size else TOLERANCE,
    )  # fmt: skip
    found = run([layer], steps, len(time), samples, with_flux=with_flux)
    flux = (found.at_face("flux", 0, face) if with_flux else None for face in FACES)
    return LayerRun(
        time, index, found.mean[0], found.product_of(0), *flux, found.profile, found,
    )  # fmt: skip
