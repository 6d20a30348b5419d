"""Layers that give off into, or take up from, one well-mixed air that they load themselves.

An aerator with little fresh air, or a chamber whose load takes up much of the gas: the level
outside every layer follows from what all of them exchange. Layers and air are one linear
system, so a stage is one exact step here too, with no change of air as well as with many.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from eo_risk.physics.layer_ready import ready
from eo_risk.physics.layer_run import AirNow, Joint, run
from eo_risk.physics.layer_stages import (
    Body,
    Stage,
    check_body,
    check_number,
    check_stages,
    over_samples,
    samples_of,
    stage_of_outputs,
    stage_values,
    steps_of,
)
from eo_risk.physics.two_layers import check_facing


@dataclass(frozen=True)
class SharedPart:
    """One layer of the load: body, stages, volume of all its pieces, even start level.

    In a stage with shared air the gas of the stage is not used. Numbers or (samples,). `coat`
    is a layer on its outer face, with faces as `run_two_layers` has them; a coat has none.
    """

    body: Body
    stages: Sequence[Stage]
    volume_m3: ArrayLike
    start_kg_per_m3: ArrayLike = 0.0
    coat: SharedPart | None = None


@dataclass(frozen=True)
class SharedAir:
    """The air of one stage; numbers or arrays of shape (samples,).

    `changes_per_s` of fresh air of the level `supply`; `start` is the level as the stage
    begins, None to go on from the stage before. Zero changes are allowed.
    """

    free_volume_m3: ArrayLike
    changes_per_s: ArrayLike
    start_kg_per_m3: ArrayLike | None = None
    supply_kg_per_m3: ArrayLike = 0.0


@dataclass(frozen=True)
class SharedAirRun:
    """What a run found at the start, every output time and stage end.

    `mean` and `product` of every layer, per its volume [kg/m3], shape (layers, outputs,
    samples), a coat right after its part; `air` the level of the shared air [kg/m3],
    `air_total` that level summed over the time so far [kg s/m3] and `carried_out` what changes of
    air took away so far [kg], shape (outputs, samples), 0 in stages without shared air.
    """

    time_s: np.ndarray
    stage_index: tuple[int, ...]
    mean_kg_per_m3: np.ndarray
    product_kg_per_m3: np.ndarray
    air_kg_per_m3: np.ndarray
    air_total_kg_s_per_m3: np.ndarray
    carried_out_kg: np.ndarray


def _layers(parts: Sequence[SharedPart]) -> list[tuple[str, SharedPart]]:
    """Return every layer with its name, a coat right after its part."""
    found = []
    for i, part in enumerate(parts):
        found.append((f"parts[{i}]", part))
        if part.coat is not None:
            found.append((f"parts[{i}].coat", part.coat))
    return found


def _check(parts: Sequence[SharedPart], airs: Sequence[SharedAir | None]) -> None:
    if not parts:
        raise ValueError("parts is empty; give at least one part")
    for name, part in _layers(parts):
        check_body(part.body, f"{name}.body")
        check_stages(part.stages, f"{name}.stages")
        check_number(f"{name}.volume_m3", part.volume_m3, above=True)
        check_number(f"{name}.start_kg_per_m3", part.start_kg_per_m3)
        if len(part.stages) != len(airs):
            raise ValueError(
                f"{name}.stages has {len(part.stages)} stages, airs {len(airs)}; give one air, "
                "or None, per stage"
            )
        for k, (own, first) in enumerate(zip(part.stages, parts[0].stages, strict=True)):
            if not np.array_equal(*np.broadcast_arrays(own.duration_s, first.duration_s)):
                raise ValueError(f"{name}.stages[{k}].duration_s differs from that of parts[0]")
    for part in parts:
        if part.coat is not None:
            check_facing(part.coat.body, part.body)
    known = False
    for k, air in enumerate(airs):
        if air is not None:
            check_number(f"airs[{k}].free_volume_m3", air.free_volume_m3, above=True)
            check_number(f"airs[{k}].changes_per_s", air.changes_per_s)
            check_number(f"airs[{k}].supply_kg_per_m3", air.supply_kg_per_m3)
            if air.start_kg_per_m3 is not None:
                check_number(f"airs[{k}].start_kg_per_m3", air.start_kg_per_m3)
            elif not known:
                raise ValueError(f"airs[{k}].start_kg_per_m3 is missing; no air comes before it")
        known = air is not None


def run_shared_air(
    parts: Sequence[SharedPart], airs: Sequence[SharedAir | None]
) -> SharedAirRun:
    """Carry the parts of a load through stages in which they share the air around them.

    Parameters
    ----------
    parts : sequence of SharedPart
        The layers, with stages of equal durations. Output times are those of the first part.
    airs : sequence of SharedAir or None
        The air of every stage; None where the gas of the stages is given instead, such as a
        chamber held at its set point.

    Returns
    -------
    SharedAirRun

    Raises
    ------
    ValueError
        As `run_layer`; also when stages and airs do not match.

    Notes
    -----
    The air is well mixed. Mass in parts, air and what was carried out is conserved to
    rounding in every stage with shared air.
    """
    _check(parts, airs)
    flat = [part for _, part in _layers(parts)]
    samples = samples_of(
        *(v for p in flat for v in (p.volume_m3, p.start_kg_per_m3)),
        *(v for p in flat for v in (p.body.thickness_m, p.body.outer_radius_m)),
        *(v for p in flat for stage in p.stages for v in stage_values(stage)),
        *(
            v
            for a in airs
            if a is not None
            for v in (a.free_volume_m3, a.changes_per_s, a.supply_kg_per_m3, a.start_kg_per_m3)
        ),
    )
    steps, time = steps_of(parts[0].stages, samples)
    # A coat comes right after the part it meets.
    coats = [i + 1 for i, p in enumerate(flat) if p.coat is not None]
    layers = [
        ready(p.body, p.stages, samples, p.start_kg_per_m3,
              meets="outer" if p.coat is not None else "inner" if i in coats else None)
        for i, p in enumerate(flat)
    ]  # fmt: skip
    volumes = [over_samples(p.volume_m3, samples) for p in flat]
    found = run(
        layers, steps, len(time), samples,
        joints=[Joint(coat, coat - 1, np.zeros(samples)) for coat in coats],
        airs=[None if a is None else _air_now(a, samples) for a in airs], volumes=volumes,
    )  # fmt: skip
    product = np.stack([found.product_of(i) for i in range(len(flat))])
    index = stage_of_outputs(parts[0].stages)
    return SharedAirRun(time, index, np.stack(found.mean), product, found.air,
                        found.air_total, found.carried)  # fmt: skip


def _air_now(air: SharedAir, samples: int) -> AirNow:
    start = air.start_kg_per_m3
    return AirNow(
        over_samples(air.free_volume_m3, samples),
        over_samples(air.changes_per_s, samples),
        over_samples(air.supply_kg_per_m3, samples),
        None if start is None else over_samples(start, samples),
    )
