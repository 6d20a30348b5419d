"""One transport engine: layers that take up, hold, react and give off gas.

A layer diffuses inside, exchanges with the gas through its faces against an outside
resistance, and loses to a first-order reaction. Its whole profile is carried through any
list of stages. The engine works in the modes of the closed layer (`layer_basis`); open faces
and the face between two layers are ports, each a change of rank one, and a stage of any
length is one step through a sum of poles (`rational_exponential`). Nothing depends on root
finding, on a term count or on a time step, and every operation runs over all samples.
"""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from eo_risk.physics.layer_basis import (
    LARGEST_CURVATURE,
    Basis,
    edges_for,
    mode_values,
    modes,
    tube_modes,
)
from eo_risk.physics.rational_exponential import poles

Shape = Literal["sheet", "tube", "rod", "sphere"]
Faces = Literal["both", "outer", "inner"]

_CHUNK_BYTES = 400_000  # one working array; a few of them stay in the cache of one core
_THREADS = 2
# The smallest element against the shortest penetration depth of the run.
_DEPTH_SHARE = 1.5
_COARSER = 8.0  # a coarse mesh starts with elements this much larger


@dataclass(frozen=True)
class Body:
    """Geometry of one layer; numbers or arrays of shape (samples,).

    `thickness_m` is the full thickness of a sheet, the wall of a tube, the radius of a rod
    (or fibre) or sphere. Rods and spheres have their outer face only.
    """

    shape: Shape
    thickness_m: ArrayLike
    outer_radius_m: ArrayLike | None = None
    open_faces: Faces = "both"


@dataclass(frozen=True)
class Stage:
    """One stage as a layer meets it; numbers or arrays of shape (samples,).

    `gas_ratio` is concentration in the layer over that in the gas at equilibrium [-];
    `transfer_*` the gas-side coefficient h of flux = h (c_gas - c_surface / gas_ratio) [m/s],
    infinite for no resistance and 0 for a closed face. `gas_end` None keeps the level, else
    it changes linearly. `output_times_s` rise within the stage, shape (n,) or (n, samples).
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


@dataclass(frozen=True)
class LayerRun:
    """What a run found: the start, then every output time and stage end in order.

    Amounts are per volume of the body. `product` is what reacted so far, as mass of the
    reacting substance; `gained_*` the net uptake through each face. [kg/m3],
    shape (outputs, samples). `profile` is given on request, shape (outputs, positions,
    samples). `state` are the modes at the end, to go on from.
    """

    time_s: np.ndarray
    stage_index: tuple[int, ...]
    mean_kg_per_m3: np.ndarray
    product_kg_per_m3: np.ndarray
    gained_outer_kg_per_m3: np.ndarray
    gained_inner_kg_per_m3: np.ndarray
    profile_kg_per_m3: np.ndarray | None
    state: LayerState


@dataclass(frozen=True)
class LayerState:
    """Modes of one or two layers at one moment, on the mesh they were run on."""

    modes_kg_per_m3: tuple[np.ndarray, ...]
    edges: tuple[tuple[float, ...], ...]


def _check(name: str, value: ArrayLike, *, above: bool = False, infinite: bool = False) -> None:
    array = np.asarray(value, dtype=float)
    bad = np.isnan(array) | (array <= 0.0 if above else array < 0.0)
    if not infinite:
        bad |= np.isinf(array)
    if np.any(bad):
        worst = array[bad].flat[0] if array.ndim else float(array)
        need = "more than 0" if above else "0 or more"
        raise ValueError(f"{name} = {worst:g} is not allowed; give {need}")


def _check_all(body: Body, stages: Sequence[Stage]) -> None:
    _check("thickness_m", body.thickness_m, above=True)
    if body.shape == "tube":
        if body.outer_radius_m is None:
            raise ValueError("outer_radius_m is missing; a tube needs it")
        _check("outer_radius_m", body.outer_radius_m, above=True)
        share = np.max(np.asarray(body.thickness_m) / np.asarray(body.outer_radius_m))
        if share > 1.0:
            raise ValueError(f"thickness_m is {share:g} of outer_radius_m; the wall is too thick")
    for i, stage in enumerate(stages):
        for name in ("duration_s", "diffusivity_m2_per_s", "loss_per_s", "gas_start_kg_per_m3"):
            _check(f"stages[{i}].{name}", getattr(stage, name))
        _check(f"stages[{i}].gas_ratio", stage.gas_ratio, above=True)
        for name in ("transfer_outer_m_per_s", "transfer_inner_m_per_s"):
            _check(f"stages[{i}].{name}", getattr(stage, name), infinite=True)


@dataclass(frozen=True)
class _Port:
    """A face with its resistance: flux out of the layers = (watch . c) / resistance.

    For each layer it touches: the mode values there, the factor in the watched sum and the
    factor of the flux in that layer's balance.
    """

    values: tuple[np.ndarray | None, ...]
    watch: tuple[np.ndarray | float, ...]
    feed: tuple[np.ndarray | float, ...]
    resistance: np.ndarray


@dataclass
class _Interval:
    """One step of equal numbers for all layers: what `_advance` works on."""

    duration: np.ndarray
    rates: list[np.ndarray]  # per layer (modes, samples), diffusion and loss, times duration
    ports: list[_Port]
    forcing: list[np.ndarray]  # per layer (samples,), constant part of -d(level)/dt - loss level
    forcing_slope: list[np.ndarray]


def _resolvent(rates: np.ndarray, theta: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the real part and minus the imaginary part over Im(theta) of 1/(rates+theta)."""
    shifted = rates[None] + theta.real[:, None, None]
    scaled = np.square(shifted)
    scaled += np.square(theta.imag)[:, None, None]
    np.reciprocal(scaled, out=scaled)
    shifted *= scaled
    return shifted, scaled


def _sum_modes(parts: tuple, theta: np.ndarray, values: np.ndarray) -> np.ndarray:
    """Return sum over modes of values / (rates + theta), shape (poles, samples), complex."""
    real, scaled = parts
    pattern = "jks,ks->js" if values.ndim == 2 else "jks,k->js"
    imaginary = np.einsum(pattern, scaled, values)
    out = np.einsum(pattern, real, values).astype(complex)
    out.imag = -imaginary * theta.imag[:, None]
    return out


def _solve_ports(matrix: list[list[np.ndarray]], right: list[np.ndarray]) -> list[np.ndarray]:
    """Solve the small system that couples the ports, elementwise over poles and samples."""
    count = len(right)
    if count == 1:
        return [right[0] / matrix[0][0]]
    matrix = [list(row) for row in matrix]
    right = list(right)
    for i in range(count):
        for r in range(i + 1, count):
            factor = matrix[r][i] / matrix[i][i]
            for c in range(i, count):
                matrix[r][c] = matrix[r][c] - factor * matrix[i][c]
            right[r] = right[r] - factor * right[i]
    flux: list[np.ndarray] = [right[0]] * count
    for i in reversed(range(count)):
        known = sum(matrix[i][c] * flux[c] for c in range(i + 1, count))
        flux[i] = (right[i] - known) / matrix[i][i]
    return flux


def _advance(
    step: _Interval, y: list[np.ndarray]
) -> tuple[list[np.ndarray], list[np.ndarray], list[np.ndarray]]:
    """Advance the deviation from equilibrium by one interval.

    Returns the new deviation per layer (modes, samples), the integral of each layer's mean
    deviation, and the integral of the outward flux at each port.
    """
    theta, weight = poles()
    duration = step.duration
    parts = [_resolvent(rate, theta) for rate in step.rates]
    constant = [p[0][:, 0] - 1j * theta.imag[:, None] * p[1][:, 0] for p in parts]
    inverse = (1.0 / theta)[:, None]
    drive = [
        -duration * inverse * (f + g * inverse)
        for f, g in zip(step.forcing, step.forcing_slope, strict=True)
    ]
    matrix, right = [], []
    # In no time nothing passes: a resistance keeps the coupling of idle samples solvable.
    idle = np.where(duration > 0.0, 0.0, 1.0)
    for port in step.ports:
        known = 0.0
        row = [np.zeros_like(constant[0]) for _ in step.ports]
        for layer, values in enumerate(port.values):
            if values is None:
                continue
            shaped = values if values.ndim == 2 else values[:, None]
            sums = _sum_modes(parts[layer], theta, shaped * y[layer])
            known = known + port.watch[layer] * (sums + constant[layer] * drive[layer])
            for other, partner in enumerate(step.ports):
                if partner.values[layer] is not None:
                    both = _sum_modes(parts[layer], theta, values * partner.values[layer])
                    factor = port.watch[layer] * partner.feed[layer] * duration
                    row[other] = row[other] + factor * both
        row[len(matrix)] = row[len(matrix)] + port.resistance + idle
        matrix.append(row)
        right.append(known)
    flux = _solve_ports(matrix, right) if right else []
    new, integrals = [], []
    for layer, (rate, before) in enumerate(zip(step.rates, y, strict=True)):
        after = np.exp(-rate) * before
        mean = constant[layer] * (before[0] + drive[layer])
        after[0] += 2.0 * np.einsum("j,js->s", weight, constant[layer] * drive[layer]).real
        real, scaled = parts[layer]
        for port, out in zip(step.ports, flux, strict=True):
            values = port.values[layer]
            if values is None:
                continue
            fed = port.feed[layer] * duration * out
            mean = mean - constant[layer] * fed
            lost = fed * weight[:, None]
            change = np.einsum("jks,js->ks", real, lost.real)
            change += np.einsum("jks,js->ks", scaled, lost.imag * theta.imag[:, None])
            change *= values if values.ndim == 2 else values[:, None]
            after -= 2.0 * change
        new.append(after)
        integrals.append(duration * 2.0 * np.einsum("j,js->s", weight / theta, mean).real)
    fluxes = [duration * 2.0 * np.einsum("j,js->s", weight / theta, out).real for out in flux]
    return new, integrals, fluxes


def _samples_of(*values: ArrayLike) -> int:
    return max((np.asarray(v).shape[-1] for v in values if np.asarray(v).ndim), default=1)


def _stage_samples(body: Body, stages: Sequence[Stage], start: ArrayLike) -> int:
    values = [body.thickness_m, start]
    if body.outer_radius_m is not None:
        values.append(body.outer_radius_m)
    for s in stages:
        values += [s.duration_s, s.diffusivity_m2_per_s, s.gas_ratio, s.gas_start_kg_per_m3,
                   s.transfer_outer_m_per_s, s.transfer_inner_m_per_s, s.loss_per_s]  # fmt: skip
        if s.gas_end_kg_per_m3 is not None:
            values.append(s.gas_end_kg_per_m3)
        if np.asarray(s.output_times_s).ndim == 2:
            values.append(s.output_times_s)
    return _samples_of(*values)


def _full(value: ArrayLike, samples: int) -> np.ndarray:
    return np.broadcast_to(np.asarray(value, dtype=float), (samples,))


@dataclass(frozen=True)
class _Piece:
    """One interval between outputs, for one layer; arrays of shape (samples,)."""

    stage: int
    is_output: bool
    duration: np.ndarray
    diffusivity: np.ndarray
    ratio: np.ndarray
    gas_start: np.ndarray
    gas_end: np.ndarray
    transfer_outer: np.ndarray
    transfer_inner: np.ndarray
    loss: np.ndarray


def _pieces(stages: Sequence[Stage], samples: int) -> list[_Piece]:
    """Cut stages at their output times; every cut and every stage end is an output."""
    found = []
    for index, stage in enumerate(stages):
        duration = _full(stage.duration_s, samples)
        start = _full(stage.gas_start_kg_per_m3, samples)
        end = start if stage.gas_end_kg_per_m3 is None else _full(stage.gas_end_kg_per_m3, samples)
        times = np.asarray(stage.output_times_s, dtype=float)
        cuts = [np.minimum(_full(t, samples), duration) for t in times] + [duration]
        before = np.zeros(samples)
        length = np.where(duration > 0.0, duration, 1.0)
        for cut in cuts:
            a, b = before / length, cut / length
            found.append(
                _Piece(
                    index, True, np.maximum(cut - before, 0.0),
                    _full(stage.diffusivity_m2_per_s, samples), _full(stage.gas_ratio, samples),
                    start + (end - start) * a, start + (end - start) * b,
                    _full(stage.transfer_outer_m_per_s, samples),
                    _full(stage.transfer_inner_m_per_s, samples),
                    _full(stage.loss_per_s, samples),
                )
            )  # fmt: skip
            before = cut
    return found


def _shortest_depth(pieces: Sequence[_Piece], thickness: np.ndarray) -> float:
    """Return the smallest penetration depth of the run as a share of the thickness. [-]"""
    depth = 1.0
    for piece in pieces:
        spread = np.sqrt(piece.diffusivity * piece.duration) / thickness
        spread = spread[spread > 0.0]
        if spread.size:
            depth = min(depth, float(spread.min()))
    return depth


def _is_symmetric(body: Body, pieces: Sequence[_Piece]) -> bool:
    return (
        body.shape == "sheet"
        and body.open_faces == "both"
        and all(np.array_equal(p.transfer_outer, p.transfer_inner) for p in pieces)
    )


@dataclass(frozen=True)
class _Layer:
    """One layer ready to run: modes, scale and which faces are open."""

    basis: Basis
    thickness: np.ndarray
    outer_open: bool
    inner_open: bool
    symmetric: bool


def _prepare(
    body: Body,
    pieces: Sequence[_Piece],
    samples: int,
    edges: tuple[float, ...] | None,
    *,
    whole: bool = False,
    coarse: bool = False,
) -> _Layer:
    """Choose mesh and modes; `whole` keeps both halves of a sheet apart."""
    thickness = _full(body.thickness_m, samples)
    symmetric = not whole and _is_symmetric(body, pieces)
    if symmetric:
        # Half a sheet, closed at its middle, is the whole problem.
        thickness = thickness / 2.0
    solid = body.shape in ("rod", "sphere")
    outer_open = solid or symmetric or body.open_faces in ("both", "outer")
    inner_open = not solid and not symmetric and body.open_faces in ("both", "inner")
    if edges is None:
        depth = _DEPTH_SHARE * _shortest_depth(pieces, thickness)
        depth = min(1.0, depth * _COARSER) if coarse else depth
        edges = edges_for(depth, inner_open)
    if body.shape == "tube":
        curvature = thickness / _full(body.outer_radius_m, samples)
        basis = tube_modes(edges, np.minimum(curvature, LARGEST_CURVATURE))
    else:
        basis = modes(edges, *{"sheet": (0, 0.0), "rod": (1, 1.0), "sphere": (2, 1.0)}[body.shape])
    return _Layer(basis, thickness, outer_open, inner_open, symmetric)


def _cut(value, here: slice):
    if value is None or np.ndim(value) == 0:
        return value
    return value[..., here] if np.ndim(value) == 2 else value[here]


def _face_port(
    layer: _Layer, layers: int, index: int, face: Faces, resistance: np.ndarray, here: slice
) -> _Port:
    basis = layer.basis
    values, area = (
        (basis.outer, basis.outer_area) if face == "outer" else (basis.inner, basis.inner_area)
    )
    shown: list = [None] * layers
    shown[index] = values[:, here] if values.ndim == 2 else values
    one: list = [1.0] * layers
    feed: list = [0.0] * layers
    feed[index] = _cut(area, here) / layer.thickness[here]
    return _Port(tuple(shown), tuple(one), tuple(feed), resistance)


def _ports(
    layers: Sequence[_Layer], pieces: Sequence[_Piece], interface: np.ndarray | None, here: slice
) -> list[tuple[tuple[int, Faces], _Port]]:
    """Return the ports of one interval, each with the layer and face it stands for."""
    found = []
    count = len(layers)
    for index, (layer, piece) in enumerate(zip(layers, pieces, strict=True)):
        faces = []
        if layer.outer_open and index == 0:
            faces.append(("outer", piece.transfer_outer))
        if layer.inner_open and index == count - 1:
            faces.append(("inner", piece.transfer_inner))
        for face, transfer in faces:
            h = transfer[here]
            if not np.any(h > 0.0):
                continue
            # A closed face of single samples is a resistance no flux passes in the run.
            safe = np.where(h > 0.0, h, np.finfo(float).tiny ** 0.25)
            resistance = piece.ratio[here] / safe
            found.append(((index, face), _face_port(layer, count, index, face, resistance, here)))
    if count == 2:
        first, second = layers
        shown = [first.basis.inner, second.basis.outer]
        values = tuple(v[:, here] if v.ndim == 2 else v for v in shown)
        # Positive flux runs from the second layer into the first.
        watch = (-1.0 / pieces[0].ratio[here], 1.0 / pieces[1].ratio[here])
        feed = (
            -_cut(first.basis.inner_area, here) / first.thickness[here],
            _cut(second.basis.outer_area, here) / second.thickness[here],
        )
        found.append(((0, "interface"), _Port(values, watch, feed, interface[here])))
    return found


def _interval(
    layers: Sequence[_Layer], pieces: Sequence[_Piece], ports: list[_Port], here: slice
) -> _Interval:
    rates, forcing, slope = [], [], []
    duration = pieces[0].duration[here]
    for layer, piece in zip(layers, pieces, strict=True):
        scale = piece.diffusivity[here] * duration / np.square(layer.thickness[here])
        rate = layer.basis.rate
        rate = rate[:, here] if rate.ndim == 2 else rate[:, None]
        loss = piece.loss[here]
        rates.append(rate * scale + loss * duration)
        start = piece.ratio[here] * piece.gas_start[here]
        rise = piece.ratio[here] * (piece.gas_end[here] - piece.gas_start[here])
        length = np.where(duration > 0.0, duration, 1.0)
        forcing.append(loss * start + rise / length)
        slope.append(loss * rise)
    return _Interval(duration, rates, ports, forcing, slope)


def _run_chunk(
    layers: Sequence[_Layer],
    pieces: Sequence[Sequence[_Piece]],
    interface: np.ndarray | None,
    start: Sequence[np.ndarray],
    here: slice,
) -> tuple[list[list[np.ndarray]], list[np.ndarray], list[np.ndarray]]:
    """Run samples `here` through every interval.

    Returns the modes of each layer at every output (start first), the product of each layer
    (outputs, samples) and the gains (outputs, layer, face outer/inner, samples).
    """
    states = [[modes_now.copy() for modes_now in start]]
    width = start[0].shape[1]
    product = [np.zeros((len(layers), width))]
    gained = [np.zeros((len(layers), 2, width))]
    for step in zip(*pieces, strict=True):
        named = _ports(layers, step, interface, here)
        interval = _interval(layers, step, [port for _, port in named], here)
        y = [c.copy() for c in states[-1]]
        for deviation, piece in zip(y, step, strict=True):
            deviation[0] -= piece.ratio[here] * piece.gas_start[here]
        after, integrals, fluxes = _advance(interval, y)
        reacted, taken = product[-1].copy(), gained[-1].copy()
        for i, (new, piece) in enumerate(zip(after, step, strict=True)):
            level = piece.ratio[here] * 0.5 * (piece.gas_start[here] + piece.gas_end[here])
            new[0] += piece.ratio[here] * piece.gas_end[here]
            reacted[i] += piece.loss[here] * (integrals[i] + level * interval.duration)
        for ((index, face), port), flux in zip(named, fluxes, strict=True):
            if face == "interface":
                taken[0, 1] -= port.feed[0] * flux
                taken[1, 0] -= port.feed[1] * flux
            else:
                taken[index, 0 if face == "outer" else 1] -= port.feed[index] * flux
        states.append(after)
        product.append(reacted)
        gained.append(taken)
    return states, product, gained


def _chunks(samples: int, modes_count: int) -> list[slice]:
    order = len(poles()[0])
    width = max(1, int(_CHUNK_BYTES / (8 * order * modes_count)))
    return [slice(a, min(a + width, samples)) for a in range(0, samples, width)]


def _map(function, chunks: list[slice]) -> list:
    if len(chunks) < 4:
        return [function(chunk) for chunk in chunks]
    with ThreadPoolExecutor(_THREADS) as pool:
        return list(pool.map(function, chunks))


def _start_modes(
    layer: _Layer, start: ArrayLike | np.ndarray, samples: int
) -> np.ndarray:
    """Return the modes of an even start, or pass on modes from an earlier run."""
    found = np.zeros((layer.basis.rate.shape[0], samples))
    found[0] = _full(start, samples)
    return found


def run_layer(
    body: Body,
    stages: Sequence[Stage],
    *,
    start_kg_per_m3: ArrayLike = 0.0,
    state: LayerState | None = None,
    profile_at: ArrayLike | None = None,
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
    state : LayerState, optional
        The end of an earlier run to go on from, instead of an even start; the stages that
        follow must not be much shorter than those of that run.
    profile_at : array_like, shape (positions,), optional
        Positions at which the profile is wanted, 0 (inner face or centre) to 1 (outer). [-]

    Returns
    -------
    LayerRun

    Raises
    ------
    ValueError
        For a negative or missing size, diffusivity, time, ratio or coefficient.

    Notes
    -----
    Diffusivity and equilibrium ratio are constant within a stage and independent of the
    concentration. Laws: Crank, The Mathematics of Diffusion, 2nd ed., 1975.
    """
    _check_all(body, stages)
    samples = max(
        _stage_samples(body, stages, start_kg_per_m3),
        1 if state is None else state.modes_kg_per_m3[0].shape[1],
    )
    pieces = _pieces(stages, samples)
    layer = _prepare(body, pieces, samples, None if state is None else state.edges[0])
    start = (
        _start_modes(layer, start_kg_per_m3, samples)
        if state is None
        else np.broadcast_to(state.modes_kg_per_m3[0], (layer.basis.rate.shape[0], samples))
    )
    runs = _map(
        lambda here: _run_chunk([layer], [pieces], None, [start[:, here]], here),
        _chunks(samples, layer.basis.rate.shape[0]),
    )
    mean = np.concatenate([np.stack([s[0][0] for s in run[0]]) for run in runs], axis=1)
    product = np.concatenate([np.stack(run[1])[:, 0] for run in runs], axis=1)
    gained = np.concatenate([np.stack(run[2])[:, 0] for run in runs], axis=2)
    if layer.symmetric:
        gained = gained[:, [0, 0]] / 2.0
    end = np.concatenate([run[0][-1][0] for run in runs], axis=1)
    profile = None
    if profile_at is not None:
        profile = _profile(layer, np.asarray(profile_at, dtype=float), runs)
    time = np.cumsum(np.stack([np.zeros(samples), *(p.duration for p in pieces)]), axis=0)
    return LayerRun(
        time,
        tuple(p.stage for p in pieces),
        mean,
        product,
        gained[:, 0],
        gained[:, 1],
        profile,
        LayerState((end,), (layer.basis.edges,)),
    )


def _profile(layer: _Layer, positions: np.ndarray, runs: list) -> np.ndarray:
    """Return concentrations at positions of the body for every output."""
    if layer.basis.vectors is None:
        raise ValueError("profile_at needs one wall ratio for all samples of a tube")
    if layer.symmetric:
        positions = np.abs(2.0 * positions - 1.0)
    values = mode_values(layer.basis, positions)
    return np.concatenate(
        [np.stack([values @ state[0] for state in run[0]]) for run in runs], axis=2
    )
