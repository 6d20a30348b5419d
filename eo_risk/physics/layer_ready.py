"""A layer made ready to run: stages as numbers over thickness, and the faces that open."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from eo_risk.physics.layer_basis import TOLERANCE
from eo_risk.physics.layer_stages import Body, Stage, over_samples, same
from eo_risk.physics.layer_step import CLOSED

FACES = ("outer", "inner")


class StageNow(NamedTuple):
    """One stage of one layer; shape (samples,).

    `spread` is diffusivity / thickness squared, `resistance` of the outer and inner face that
    on the side of the layer, None where no sample lets through [s/m]; `gas_start` and `rise`
    of the gas over the stage are None for none.
    """

    spread: np.ndarray
    ratio: np.ndarray
    gas_start: np.ndarray | None
    rise: np.ndarray | None
    resistance: dict[str, np.ndarray | None]
    loss: np.ndarray | None


@dataclass(frozen=True)
class Layer:
    """A layer ready to run.

    `symmetric` is a sheet of two like faces, run as half a sheet closed at its middle.
    `whole` layers meet another one at their inner or outer face.
    """

    body: Body
    stages: tuple[StageNow, ...]
    thickness: np.ndarray
    curvature: np.ndarray | None
    faces: tuple[str, ...]
    symmetric: bool
    start: np.ndarray
    start_share: np.ndarray | None = None
    tolerance: float = TOLERANCE
    positions: tuple[float, ...] = ()

    @property
    def reacts(self) -> bool:
        """Whether any stage has a loss."""
        return any(stage.loss is not None for stage in self.stages)


def ready(
    body: Body,
    stages: Sequence[Stage],
    samples: int,
    start: ArrayLike,
    *,
    meets: str | None = None,
    start_share: ArrayLike | None = None,
    tolerance: float = TOLERANCE,
    positions: Sequence[float] = (),
) -> Layer:
    """Make a layer ready; `meets` names the face at which it touches another layer."""
    thickness = over_samples(body.thickness_m, samples)
    two_faced = body.shape in ("sheet", "tube") and body.open_faces == "both"
    symmetric = (
        meets is None
        and two_faced
        and body.shape == "sheet"
        and all(same(s.transfer_outer_m_per_s, s.transfer_inner_m_per_s) for s in stages)
    )
    if symmetric:
        thickness = thickness / 2.0
        positions = np.abs(2.0 * np.asarray(positions, dtype=float) - 1.0)
    if two_faced and not symmetric:
        faces = FACES
    else:
        inner_only = body.shape in ("sheet", "tube") and body.open_faces == "inner"
        faces = ("inner",) if inner_only else ("outer",)
    if meets is not None:
        faces = tuple(f for f in FACES if f in faces or f == meets)
    curvature = None
    if body.shape == "tube":
        curvature = over_samples(body.thickness_m, samples) / over_samples(
            body.outer_radius_m, samples
        )
    lumped, square = body.shape == "lumped", np.square(thickness)
    return Layer(
        body, tuple(_stage_now(s, square, samples, faces, lumped) for s in stages), thickness,
        curvature, faces, symmetric, over_samples(start, samples),
        None if start_share is None else over_samples(start_share, samples),
        tolerance, tuple(float(p) for p in positions),
    )  # fmt: skip


def _stage_now(
    stage: Stage, square: np.ndarray, samples: int, faces: Sequence[str], lumped: bool
) -> StageNow:
    """Make a stage ready; `square` is that of the thickness. [m2]"""
    spread = stage.diffusivity_m2_per_s / square
    ratio = over_samples(stage.gas_ratio, samples)
    moves = np.asarray(stage.duration_s, dtype=float) > 0.0
    moves = moves if lumped else moves & (spread > 0.0)
    given = {"outer": stage.transfer_outer_m_per_s, "inner": stage.transfer_inner_m_per_s}
    start, end = stage.gas_start_kg_per_m3, stage.gas_end_kg_per_m3
    return StageNow(
        spread,
        ratio,
        _unless_nothing(start, samples),
        None if end is None or same(end, start) else over_samples(
            np.asarray(end, dtype=float) - start, samples),
        {face: _resistance(given[face], ratio, moves) for face in faces},
        _unless_nothing(stage.loss_per_s, samples),
    )  # fmt: skip


def _unless_nothing(value: ArrayLike, samples: int) -> np.ndarray | None:
    nothing = value == 0.0 if isinstance(value, float) else not np.any(value)
    return None if nothing else over_samples(value, samples)


def _resistance(transfer: ArrayLike, ratio: np.ndarray, moves: np.ndarray) -> np.ndarray | None:
    transfer = np.asarray(transfer, dtype=float)
    moves = moves & (transfer > 0.0)
    if moves.all():
        return ratio / transfer
    if not moves.any():
        return None
    return np.where(moves, ratio / np.where(moves, transfer, 1.0), CLOSED)
