"""Two layers face to face: a coating on a wall, or the gas of a lumen over a plug of water."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from eo_risk.physics.layer_ready import ready
from eo_risk.physics.layer_run import Joint, run
from eo_risk.physics.layer_stages import (
    Body,
    Stage,
    check_body,
    check_number,
    check_stages,
    joined,
    over_samples,
    samples_of,
    stage_of_outputs,
    stage_values,
    steps_of,
)
from eo_risk.physics.layer_step import CLOSED


@dataclass(frozen=True)
class TwoLayerRun:
    """What a run of two layers found at the start, every output time and stage end.

    Per volume of each layer. [kg/m3], shape (outputs, samples); `gained_outer` is what came in
    through the outer face of the outer layer, `gained_inner` through the inner face of the
    inner layer, `passed_kg_per_m3` what the inner layer took from the outer one.
    """

    time_s: np.ndarray
    stage_index: tuple[int, ...]
    outer_kg_per_m3: np.ndarray
    inner_kg_per_m3: np.ndarray
    outer_product_kg_per_m3: np.ndarray
    inner_product_kg_per_m3: np.ndarray
    gained_outer_kg_per_m3: np.ndarray
    gained_inner_kg_per_m3: np.ndarray
    passed_kg_per_m3: np.ndarray


def check_facing(outer: Body, inner: Body) -> None:
    """Refuse two bodies that cannot lie face to face. Raises ValueError."""
    for name, body in (("outer", outer), ("inner", inner)):
        check_body(body, name)
        if body.shape != outer.shape or body.shape not in ("sheet", "tube"):
            raise ValueError(f"{name}.shape = {body.shape!r}; give two sheets or two tubes")


def _check(outer: Body, inner: Body, outer_stages, inner_stages, share: ArrayLike) -> None:
    check_facing(outer, inner)
    for name, stages in (("outer", outer_stages), ("inner", inner_stages)):
        check_stages(stages, f"{name}_stages")
    if len(outer_stages) != len(inner_stages):
        raise ValueError(
            f"outer_stages has {len(outer_stages)} stages, inner_stages {len(inner_stages)}; "
            "give lists of equal length"
        )
    for i, (first, second) in enumerate(zip(outer_stages, inner_stages, strict=True)):
        if not np.array_equal(*np.broadcast_arrays(first.duration_s, second.duration_s)):
            raise ValueError(f"stages[{i}].duration_s differs between the two layers")
    check_number("outer_start_share", share)
    if np.any(np.asarray(share) > 1.0):
        raise ValueError(f"outer_start_share = {np.max(share):g} is not allowed; give 0 to 1")
    if outer.shape == "tube" and np.any(np.asarray(share) < 1.0):
        raise ValueError("outer_start_share is for sheets; a tube starts even")


def run_two_layers(
    outer: Body,
    inner: Body,
    outer_stages: Sequence[Stage],
    inner_stages: Sequence[Stage],
    *,
    interface_transfer_m_per_s: ArrayLike = np.inf,
    start_outer_kg_per_m3: ArrayLike = 0.0,
    start_inner_kg_per_m3: ArrayLike = 0.0,
    outer_start_share: ArrayLike = 1.0,
) -> TwoLayerRun:
    """Carry two layers that share a face through a list of stages.

    The inner face of `outer` meets the outer face of `inner`; there the gas levels in
    equilibrium with either side are equal, or differ by an interface resistance.

    Parameters
    ----------
    outer, inner : Body
        Two sheets, or two concentric tubes. `open_faces` of `inner` says whether its inner
        face is open ("both") or closed ("outer"); that of `outer` whether its outer face is
        open ("both") or closed ("inner").
    outer_stages, inner_stages : sequence of Stage
        One list each, of equal durations; each brings its own gas. Output times are those of
        `outer_stages`.
    interface_transfer_m_per_s : array_like, shape (samples,)
        Gas-side coefficient between the layers; infinite for perfect contact. [m/s]
    start_outer_kg_per_m3, start_inner_kg_per_m3 : array_like, shape (samples,)
        Start levels. [kg/m3]
    outer_start_share : array_like, shape (samples,)
        Share of the outer layer, from its outer face, that holds the start level; the rest
        starts empty. Sheets only. [-]

    Returns
    -------
    TwoLayerRun

    Raises
    ------
    ValueError
        As `run_layer`; also when the stage lists do not match.
    """
    _check(outer, inner, outer_stages, inner_stages, outer_start_share)
    check_number("interface_transfer_m_per_s", interface_transfer_m_per_s, infinite=True)
    check_number("start_outer_kg_per_m3", start_outer_kg_per_m3)
    check_number("start_inner_kg_per_m3", start_inner_kg_per_m3)
    samples = samples_of(
        outer.thickness_m, outer.outer_radius_m, inner.thickness_m, inner.outer_radius_m,
        start_outer_kg_per_m3, start_inner_kg_per_m3, interface_transfer_m_per_s,
        outer_start_share,
        *(v for stage in (*outer_stages, *inner_stages) for v in stage_values(stage)),
    )  # fmt: skip
    index = stage_of_outputs(outer_stages)
    outer_stages, inner_stages = joined(outer_stages, inner_stages)
    steps, time = steps_of(outer_stages, samples)
    partly = np.any(np.asarray(outer_start_share) < 1.0)
    layers = [
        ready(
            outer, outer_stages, samples, start_outer_kg_per_m3, meets="inner",
            start_share=outer_start_share if partly else None,
        ),
        ready(inner, inner_stages, samples, start_inner_kg_per_m3, meets="outer"),
    ]  # fmt: skip
    transfer = over_samples(interface_transfer_m_per_s, samples)
    touching = transfer > 0.0
    resistance = np.where(touching, 1.0 / np.where(touching, transfer, 1.0), CLOSED)
    found = run(layers, steps, len(time), samples, joints=[Joint(0, 1, resistance)])
    return TwoLayerRun(
        time, index, *found.mean, found.product_of(0), found.product_of(1),
        *(found.at_face("gained", *key) for key in ((0, "outer"), (1, "inner"), (1, "outer"))),
    )  # fmt: skip
