"""Two layers face to face: a coating on a wall, or the gas of a lumen over a plug of water."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike

from eo_risk.physics.layer import (
    Body,
    Stage,
    _check_all,
    _chunks,
    _full,
    _map,
    _pieces,
    _prepare,
    _run_chunk,
    _samples_of,
    _stage_samples,
    _start_modes,
)
from eo_risk.physics.layer_basis import Basis, step_modes


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


def _start(basis: Basis, layer, start: ArrayLike, share: ArrayLike, samples: int) -> np.ndarray:
    if np.all(np.asarray(share) == 1.0):
        return _start_modes(layer, start, samples)
    return step_modes(basis, _full(share, samples)) * _full(start, samples)


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
    coarse: bool = False,
) -> TwoLayerRun:
    """Carry two layers that share a face through a list of stages.

    The inner face of `outer` meets the outer face of `inner`; there the gas levels in
    equilibrium with either side are equal, or differ by an interface resistance.

    Parameters
    ----------
    outer, inner : Body
        Two sheets, or two concentric tubes. A closed inner face of `inner` is
        ``open_faces="outer"``.
    outer_stages, inner_stages : sequence of Stage
        One list each, of equal durations. Output times are those of `outer_stages`.
    interface_transfer_m_per_s : array_like, shape (samples,)
        Gas-side coefficient between the layers; infinite for perfect contact. [m/s]
    start_outer_kg_per_m3, start_inner_kg_per_m3 : array_like, shape (samples,)
        Start levels. [kg/m3]
    outer_start_share : array_like, shape (samples,)
        Share of the outer layer, from its outer face, that holds the start level; the rest
        starts empty. [-]
    coarse : bool
        A mesh for an error near 1e-4 instead of 1e-7, several times faster.

    Returns
    -------
    TwoLayerRun

    Raises
    ------
    ValueError
        As `run_layer`; also when the stage lists do not match.
    """
    if len(outer_stages) != len(inner_stages):
        raise ValueError("outer_stages and inner_stages must have equal length")
    _check_all(outer, outer_stages)
    _check_all(inner, inner_stages)
    samples = max(
        _stage_samples(outer, outer_stages, start_outer_kg_per_m3),
        _stage_samples(inner, inner_stages, start_inner_kg_per_m3),
        _samples_of(interface_transfer_m_per_s, outer_start_share),
    )
    inner_stages = [
        # One gas surrounds both: the deviation from equilibrium needs one level.
        replace(
            stage,
            output_times_s=given.output_times_s,
            duration_s=given.duration_s,
            gas_start_kg_per_m3=given.gas_start_kg_per_m3,
            gas_end_kg_per_m3=given.gas_end_kg_per_m3,
        )
        for stage, given in zip(inner_stages, outer_stages, strict=True)
    ]
    pieces = [_pieces(outer_stages, samples), _pieces(inner_stages, samples)]
    # The mesh must be fine at the shared face, so both faces of the outer layer are graded.
    layers = [
        _prepare(replace(outer, open_faces="both"), pieces[0], samples, None, whole=True,
                 coarse=coarse),
        _prepare(inner, pieces[1], samples, None, whole=True, coarse=coarse),
    ]  # fmt: skip
    resistance = np.where(
        np.isinf(_full(interface_transfer_m_per_s, samples)),
        0.0,
        1.0 / np.maximum(_full(interface_transfer_m_per_s, samples), np.finfo(float).tiny**0.25),
    )
    start = [
        _start(layers[0].basis, layers[0], start_outer_kg_per_m3, outer_start_share, samples),
        _start_modes(layers[1], start_inner_kg_per_m3, samples),
    ]
    count = sum(layer.basis.rate.shape[0] for layer in layers)
    runs = _map(
        lambda here: _run_chunk(layers, pieces, resistance, [s[:, here] for s in start], here),
        _chunks(samples, count),
    )

    def join(pick) -> np.ndarray:
        return np.concatenate([pick(run) for run in runs], axis=-1)

    gained = join(lambda run: np.stack(run[2]))
    time = np.cumsum(np.stack([np.zeros(samples), *(p.duration for p in pieces[0])]), axis=0)
    return TwoLayerRun(
        time,
        tuple(p.stage for p in pieces[0]),
        join(lambda run: np.stack([s[0][0] for s in run[0]])),
        join(lambda run: np.stack([s[1][0] for s in run[0]])),
        join(lambda run: np.stack(run[1])[:, 0]),
        join(lambda run: np.stack(run[1])[:, 1]),
        gained[:, 0, 0],
        gained[:, 1, 1],
        gained[:, 1, 0],
    )
