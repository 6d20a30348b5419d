"""What a layer is and what it meets: its body, its stages, and the steps these make."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from eo_risk.physics.rational_exponential import SHARED_RANGE

Shape = Literal["sheet", "tube", "rod", "sphere", "lumped"]
OpenFaces = Literal["both", "outer", "inner"]
_SHAPES = ("sheet", "tube", "rod", "sphere", "lumped")


@dataclass(frozen=True)
class Body:
    """Geometry of one layer; numbers or arrays of shape (samples,).

    `thickness_m` is the full thickness of a sheet, the wall of a tube, the radius of a rod
    (or fibre) or sphere, volume over area of a lumped (well mixed) body. Rods, spheres and
    lumped bodies have their outer face only.
    """

    shape: Shape
    thickness_m: ArrayLike
    outer_radius_m: ArrayLike | None = None
    open_faces: OpenFaces = "both"


@dataclass(frozen=True)
class Stage:
    """One stage as a layer meets it; numbers or arrays of shape (samples,).

    `gas_ratio` is concentration in the layer over that in the gas at equilibrium [-];
    `transfer_*` the gas-side coefficient h of flux = h (c_gas - c_surface / gas_ratio) [m/s],
    infinite for no resistance and 0 for a closed face. `gas_end` None keeps the level, else
    it changes linearly. `output_times_s` rise within the stage, shape (n,) or (n, samples).
    `after` is the index of the stage at whose end this one starts, None for the one before:
    stages may branch, as where an aeration goes on while the load already left it.
    """

    duration_s: ArrayLike
    diffusivity_m2_per_s: ArrayLike
    gas_ratio: ArrayLike
    gas_start_kg_per_m3: ArrayLike = 0.0
    gas_end_kg_per_m3: ArrayLike | None = None
    transfer_outer_m_per_s: ArrayLike = np.inf
    transfer_inner_m_per_s: ArrayLike = np.inf
    loss_per_s: ArrayLike = 0.0
    output_times_s: ArrayLike = ()
    after: int | None = None


def check_number(
    name: str, value: ArrayLike, *, above: bool = False, infinite: bool = False, of: str = ""
) -> None:
    """Refuse NaN, negative and (with `above`) zero values of a field `of` something.

    Raises ValueError.
    """
    if isinstance(value, float) and (0.0 < value < np.inf or (value == 0.0 and not above)):
        return  # the usual case, without the cost of an array
    array = np.asarray(value, dtype=float)

    def fine(number):  # False for NaN
        return (number > 0.0 if above else number >= 0.0) & (infinite or number < np.inf)

    # The two ends tell for all.
    if array.size and not (fine(array.min()) and fine(array.max())):
        need = "more than 0" if above else "0 or more"
        wrong = array[~fine(array)].flat[0]
        raise ValueError(f"{of}{name} = {wrong:g} is not allowed; give {need}")


def check_body(body: Body, name: str = "body") -> None:
    """Refuse a body that cannot exist. Raises ValueError."""
    if body.shape not in _SHAPES:
        raise ValueError(f"{name}.shape = {body.shape!r} is not allowed; give one of {_SHAPES}")
    if body.open_faces not in ("both", "outer", "inner"):
        raise ValueError(f"{name}.open_faces = {body.open_faces!r}; give both, outer or inner")
    check_number(f"{name}.thickness_m", body.thickness_m, above=True)
    if body.shape == "tube":
        if body.outer_radius_m is None:
            raise ValueError(f"{name}.outer_radius_m is missing; a tube needs it")
        check_number(f"{name}.outer_radius_m", body.outer_radius_m, above=True)
        share = np.max(np.asarray(body.thickness_m) / np.asarray(body.outer_radius_m))
        if share > 1.0:
            raise ValueError(
                f"{name}.thickness_m is {share:g} times outer_radius_m; the wall is too thick"
            )


def check_stages(stages: Sequence[Stage], name: str = "stages") -> None:
    """Refuse stages that cannot be. Raises ValueError."""
    if not stages:
        raise ValueError(f"{name} is empty; give at least one stage")
    for i, stage in enumerate(stages):
        of = f"{name}[{i}]."
        for field in ("duration_s", "diffusivity_m2_per_s", "loss_per_s", "gas_start_kg_per_m3"):
            check_number(field, getattr(stage, field), of=of)
        check_number("gas_ratio", stage.gas_ratio, above=True, of=of)
        if stage.gas_end_kg_per_m3 is not None:
            check_number("gas_end_kg_per_m3", stage.gas_end_kg_per_m3, of=of)
        for field in ("transfer_outer_m_per_s", "transfer_inner_m_per_s"):
            check_number(field, getattr(stage, field), infinite=True, of=of)
        if stage.after is not None and not 0 <= stage.after < i:
            raise ValueError(f"{of}after = {stage.after}; give an earlier stage")
        if len(stage.output_times_s):
            times = np.asarray(stage.output_times_s, dtype=float)
            check_number("output_times_s", times, of=of)
            if np.any(np.diff(times, axis=0) < 0.0):
                raise ValueError(f"{of}output_times_s must rise")
            if np.any(times[-1] > np.asarray(stage.duration_s) * (1.0 + 1e-9)):
                raise ValueError(
                    f"{of}output_times_s reaches {np.max(times[-1]):g} s, beyond "
                    f"duration_s = {np.min(stage.duration_s):g} s"
                )


def samples_of(*values: ArrayLike | None) -> int:
    """Return the number of samples that arrays of shape (samples,) or numbers stand for."""
    shapes = [np.shape(v) for v in values if not (v is None or isinstance(v, float | int))]
    sizes = {shape[-1] for shape in shapes if shape} - {1}
    if len(sizes) > 1:
        raise ValueError(f"arrays of {sorted(sizes)} samples do not fit together")
    return sizes.pop() if sizes else 1


def stage_values(stage: Stage) -> tuple:
    """Return what of a stage may be an array over samples."""
    times = stage.output_times_s
    times = None if isinstance(times, tuple) or np.ndim(times) < 2 else times
    return (
        stage.duration_s, stage.diffusivity_m2_per_s, stage.gas_ratio, stage.gas_start_kg_per_m3,
        stage.gas_end_kg_per_m3, stage.transfer_outer_m_per_s, stage.transfer_inner_m_per_s,
        stage.loss_per_s, times,
    )  # fmt: skip


class Step(NamedTuple):
    """A stretch from the start of a stage that one set of poles covers.

    `times` are the shares of `duration_s` at which outputs lie, the last one 1; `first_row`
    is the row of the first of them in the outputs. `reach` is the share of its stage that
    the step covers, None for all of it: then the next stage starts from here. `after` as in
    `Stage`; `branches` when a later stage than the next one starts from its end.
    """

    stage: int
    duration_s: np.ndarray
    times: tuple[float, ...]
    first_row: int
    reach: np.ndarray | None
    after: int | None = None
    branches: bool = False

    @property
    def rows(self) -> slice:
        """Rows of the outputs of this step."""
        return slice(self.first_row, self.first_row + len(self.times))


def over_samples(value: ArrayLike, samples: int) -> np.ndarray:
    """Return a number or an array of shape (samples,) or (1,) as shape (samples,)."""
    array = np.asarray(value, dtype=float)
    if array.shape == (samples,):
        return array
    return array.reshape(1) if samples == 1 else np.full(samples, array)


def stage_of_outputs(stages: Sequence[Stage]) -> tuple[int, ...]:
    """Return the stage of every output: the start, every output time, every stage end."""
    return (0, *(i for i, s in enumerate(stages) for _ in range(len(s.output_times_s) + 1)))


def same(first: ArrayLike, second: ArrayLike) -> bool:
    """Tell whether two numbers or arrays are equal, most often without looking into them."""
    if first is second:
        return True
    if isinstance(first, float) and isinstance(second, float):
        return first == second
    return np.array_equal(first, second)


def _steady(stage: Stage) -> bool:
    end = stage.gas_end_kg_per_m3
    return end is None or same(end, stage.gas_start_kg_per_m3)


def _alike(first: Stage, second: Stage) -> bool:
    """Tell whether two stages of steady gas differ in nothing but time."""
    fields = ("diffusivity_m2_per_s", "gas_ratio", "gas_start_kg_per_m3", "transfer_outer_m_per_s",
              "transfer_inner_m_per_s", "loss_per_s")  # fmt: skip
    return (all(same(getattr(first, f), getattr(second, f)) for f in fields)
            and _steady(first) and _steady(second))  # fmt: skip


def _joined(stages: Sequence[Stage], after: int | None) -> Stage:
    """Return one stage for those that are alike, with their ends as output times."""
    if len(stages) == 1:
        return replace(stages[0], after=after)
    times, clock = [], 0.0
    for stage in stages:
        times += [clock + np.asarray(t, dtype=float) for t in stage.output_times_s]
        clock = clock + np.asarray(stage.duration_s, dtype=float)
        times.append(clock)
    times = np.stack(np.broadcast_arrays(*times))
    return replace(stages[0], duration_s=times[-1], output_times_s=times[:-1], after=after)


def joined(*layers: Sequence[Stage]) -> list[list[Stage]]:
    """Join stages that follow each other and are alike in every layer.

    The outputs stay as they are, and one step may then cover them all.
    """
    first = layers[0]
    branching = {stage.after for stage in first}
    groups: list[list[int]] = []
    for i, stage in enumerate(first):
        goes_on = i > 0 and stage.after is None and i - 1 not in branching
        if goes_on and all(_alike(stages[i - 1], stages[i]) for stages in layers):
            groups[-1].append(i)
        else:
            groups.append([i])
    if len(groups) == len(first):
        return [list(stages) for stages in layers]
    place = {i: k for k, group in enumerate(groups) for i in group}
    after = [place.get(first[group[0]].after) for group in groups]
    return [
        [_joined([stages[i] for i in group], before)
         for group, before in zip(groups, after, strict=True)]
        for stages in layers
    ]  # fmt: skip


def steps_of(
    stages: Sequence[Stage], samples: int, *, alone: bool = False
) -> tuple[list[Step], np.ndarray]:
    """Lay out the steps of a run; `alone` gives every output a step of its own.

    Returns
    -------
    steps : list of Step
    time_s : ndarray, shape (outputs, samples)
        Time of every output since the start of the run; the first row is the start. [s]
    """
    steps: list[Step] = []
    clock: list = [0.0]
    ends = [0]  # row of the start, then of the end of every stage
    parents = {stage.after for stage in stages}
    for i, stage in enumerate(stages):
        start = clock[ends[-1] if stage.after is None else ends[stage.after + 1]]
        given = (*stage.output_times_s, stage.duration_s)
        times = [t if isinstance(t, float) else np.asarray(t, dtype=float) for t in given]
        row, last, made = len(clock), len(times), []
        clock += [start + t for t in times]
        ends.append(len(clock) - 1)
        while last > 0:
            # Going back from the latest time, take all that may share its poles.
            end, shares, first = times[last - 1], [1.0], last - 1
            while first > 0 and not alone:
                share = _common_share(times[first - 1], end)
                if share is None:
                    break
                shares.insert(0, share)
                first -= 1
            reach = None
            if last < len(times):
                whole = np.where(times[-1] > 0.0, times[-1], 1.0)
                reach = over_samples(end / whole, samples)
            made.append(Step(i, over_samples(end, samples), tuple(shares), row + first, reach,
                             stage.after, i in parents))  # fmt: skip
            last = first
        # All start where the stage does; the one that reaches its end comes last.
        steps += reversed(made)
    if all(np.ndim(t) == 0 for t in clock):
        time = np.broadcast_to(np.array(clock)[:, None], (len(clock), samples))
    else:
        time = np.stack([over_samples(t, samples) for t in clock])
    return steps, time


def _common_share(time: ArrayLike, end: ArrayLike) -> float | None:
    """Return time / end if it is one number that may share poles with 1, else None."""
    time, end = np.asarray(time), np.asarray(end)
    if not end.flat[0] > 0.0:
        return None
    share = float(time.flat[0] / end.flat[0])
    if share < 1.0 / SHARED_RANGE:
        return None
    if time.ndim or end.ndim:
        return share if np.all(np.abs(time - share * end) <= 1e-13 * end) else None
    return share
