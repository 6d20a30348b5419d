"""A few modes that stand for a whole layer, as seen through its faces.

Every body (sheet, tube wall, rod, sphere) is the interval 0 (inner face or centre) to 1
(outer face) with weight proportional to (1 - s + s x)^m: s = 0 a sheet, s = 1 a full rod
(m = 1) or sphere (m = 2), between them a tube wall with s = wall / outer radius. Its closed
modes are found once on a mesh of high-order elements graded towards the open faces; then
only the part of them is kept that any flux through a face can excite within the range of
times of the run. How many modes that takes follows from the range, not from a setting. In
such modes an open face is a change of rank one, so no roots are ever sought.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache, lru_cache
from math import comb
from typing import Literal

import numpy as np
from numpy.polynomial import chebyshev, legendre
from numpy.typing import ArrayLike

from eo_risk.physics.rational_exponential import poles

Faces = tuple[Literal["outer", "inner"], ...]

_DEGREE = 8  # polynomial degree in each element
_RATIO = 3.0  # each element towards a face is this many times thinner than the next
_FINE_RATIO = 1.7  # the same for profiles: the middle of a sphere weighs nothing in a mean
_DEEPEST = 3e-7  # share of the thickness below which a skin is not resolved
# What of any response may be left out; the mean of the layer errs by a tenth of its square.
TOLERANCE = 2e-3
FINE_TOLERANCE = 1e-6  # for profiles, which err by the tolerance itself
_LONGEST = 3.0  # Fourier number from which on only the slowest mode is left
_CURVATURES = 40  # points at which modes of tube walls are tabulated
# Curvatures whose responses span those of all tube walls; a bore below a thousandth of the
# outer radius counts as one of that size.
_SPANNING = (0.5, 0.0, 0.85, 0.97, 0.99, 0.995, 0.998, 1.0)
_MOST_CURVED = 0.999
_POWERS = {"sheet": 0, "tube": 1, "rod": 1, "sphere": 2}


@dataclass(frozen=True)
class Basis:
    """Modes of one closed body, orthonormal in its volume, the first one constant.

    `rate` are the decay rates of the modes in units of diffusivity / thickness squared,
    `outer` and `inner` the modes at the faces, all of shape (modes,), or (modes, samples)
    for tubes of several curvatures. `outer_area` and `inner_area` are face area times
    thickness over volume, numbers or shape (samples,). `values`, shape (positions, modes)
    or (positions, modes, samples), are the modes at the positions asked for; `edges` and
    `nodal` those of the mesh and the modes on it, not for tubes.
    """

    rate: np.ndarray
    outer: np.ndarray
    inner: np.ndarray
    outer_area: np.ndarray | float
    inner_area: np.ndarray | float
    values: np.ndarray
    edges: np.ndarray | None = None
    nodal: np.ndarray | None = None


@dataclass(frozen=True)
class _Mesh:
    """Element edges with functions and slopes at Gauss points, shape (points, nodes)."""

    edges: np.ndarray
    position: np.ndarray
    weight: np.ndarray
    functions: np.ndarray
    slopes: np.ndarray
    middle_rate: float


@cache
def _element() -> tuple[np.ndarray, np.ndarray]:
    """Return the nodes of one element and the matrix from nodal values to Legendre terms."""
    nodes = np.concatenate([[-1.0], legendre.Legendre.basis(_DEGREE).deriv().roots().real, [1.0]])
    return nodes, np.linalg.inv(legendre.legvander(nodes, _DEGREE))


def _graded_edges(depth: float, faces: Faces, ratio: float) -> np.ndarray:
    """Return element edges that resolve `depth`, a share of the thickness, at `faces`."""
    count = max(1, int(np.ceil(np.log(1.0 / depth) / np.log(ratio))))
    distances = ratio ** -np.arange(1.0, count + 1)
    if len(faces) == 1:
        towards = 1.0 - distances if faces == ("outer",) else distances
        return np.unique(np.concatenate([[0.0, 1.0], towards]))
    half = 0.5 * np.concatenate([[1.0], distances])
    return np.unique(np.concatenate([[0.0, 1.0], half, 1.0 - half]))


@lru_cache(maxsize=64)
def _mesh(depth: float, faces: Faces, ratio: float) -> _Mesh:
    edges = _graded_edges(depth, faces, ratio)
    gauss, weights = legendre.leggauss(_DEGREE + 2)
    _, to_legendre = _element()
    values = legendre.legvander(gauss, _DEGREE) @ to_legendre
    slopes = np.stack([legendre.legval(gauss, legendre.legder(c)) for c in to_legendre.T], axis=1)
    elements, points = edges.size - 1, gauss.size
    functions = np.zeros((elements * points, elements * _DEGREE + 1))
    gradients = np.zeros_like(functions)
    half = 0.5 * np.diff(edges)
    for e in range(elements):
        rows = slice(e * points, (e + 1) * points)
        columns = slice(e * _DEGREE, (e + 1) * _DEGREE + 1)
        functions[rows, columns] = values
        gradients[rows, columns] = slopes / half[e]
    position = (edges[:-1, None] + half[:, None] * (gauss + 1.0)).ravel()
    return _Mesh(edges, position, (half[:, None] * weights).ravel(), functions, gradients,
                 1.0 / depth)  # fmt: skip


def _closed_modes(
    mesh: _Mesh, within: np.ndarray | None, power: int, curvature: ArrayLike, shown: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Return the modes of closed bodies of several curvatures.

    `within` limits them to the columns of a subspace, given on the mesh; `shown` are the
    functions of that subspace at the places where the modes are wanted, shape (places, ...).

    Returns
    -------
    rate : ndarray, shape (curvatures, modes)
    values : ndarray, shape (curvatures, places, modes)
    """
    functions, slopes = mesh.functions, mesh.slopes
    if within is not None:
        functions, slopes = functions @ within, slopes @ within
    curved = np.asarray(curvature, dtype=float)[:, None, None]
    mass = stiffness = volume = 0.0
    for k in range(power + 1):
        # The weight (1 - s + s x)^m, power by power of x.
        share = comb(power, k) * (1.0 - curved) ** (power - k) * curved**k
        weight = mesh.weight * mesh.position**k
        mass = mass + share * (functions.T @ (weight[:, None] * functions))
        stiffness = stiffness + share * (slopes.T @ (weight[:, None] * slopes))
        volume = volume + share * np.sum(weight)
    mass, stiffness = mass / volume, stiffness / volume
    # Shifted by a rate amid them all, slow and fast modes alike keep their digits.
    inverse = np.linalg.inv(np.linalg.cholesky(stiffness + mesh.middle_rate * mass))
    share, vectors = np.linalg.eigh(inverse @ mass @ inverse.swapaxes(1, 2))
    share, vectors = share[:, ::-1], vectors[:, :, ::-1]
    rate = np.maximum(1.0 / share - mesh.middle_rate, 0.0)
    values = shown @ (inverse.swapaxes(1, 2) @ vectors) / np.sqrt(share)[:, None, :]
    values *= np.where(values[:, -1:, :] < 0.0, -1.0, 1.0)
    # The first mode is the constant: exactly, so that mass is conserved to rounding.
    rate[:, 0], values[:, :, 0] = 0.0, 1.0
    return rate, values


def _responses(rate: np.ndarray, face: np.ndarray, fourier: tuple[float, float]) -> np.ndarray:
    """Return what a flux through a face excites, in modes: the columns a run is made of.

    One column per pole and Fourier number between the two, of unit length times the root of
    the weight the pole has in the result; constant mode left out.
    """
    theta, weight = poles()
    count = max(2, int(6 * np.log10(fourier[1] / fourier[0])) + 1)
    times = np.geomspace(*fourier, count)
    shift = (theta[:, None] / times).ravel()
    columns = face[1:, None] / (rate[1:, None] + shift)
    columns *= np.repeat(np.sqrt(np.abs(weight)), count) / np.linalg.norm(columns, axis=0)
    return np.concatenate([columns.real, columns.imag], axis=1)


def _graded(columns: np.ndarray) -> np.ndarray:
    """Turn orthonormal columns, rows from slow to fast modes, so that each starts a row later.

    In columns that hold slow and fast modes alike the slow rates drown in the rounding of the
    fast ones.
    """
    return np.linalg.qr(columns.T, mode="r").T


@lru_cache(maxsize=256)
def _subspace(
    power: int,
    curvatures: tuple[float, ...],
    faces: Faces,
    fourier: tuple[float, float],
    tolerance: float,
) -> tuple[_Mesh, np.ndarray]:
    """Return the mesh and the few combinations of its functions that a run needs."""
    depth = max(np.sqrt(fourier[0]), _DEEPEST)
    if curvatures == _SPANNING and "inner" in faces:
        depth = min(depth, 1.0 - _MOST_CURVED)
        # An open face of no area answers without bound: it would cost all others their digits.
        curvatures = tuple(min(curvature, _MOST_CURVED) for curvature in curvatures)
    mesh = _mesh(depth, faces, _RATIO if tolerance == TOLERANCE else _FINE_RATIO)
    rates, vectors = _closed_modes(mesh, None, power, curvatures, np.eye(mesh.functions.shape[1]))
    # Coordinates in which the first body is orthonormal.
    weight = mesh.weight * (1.0 - curvatures[0] + curvatures[0] * mesh.position) ** power
    weight = weight / np.sum(weight)
    to_frame = vectors[0].T @ (mesh.functions.T * weight) @ mesh.functions
    found = []
    for rate, nodal in zip(rates, vectors, strict=True):
        for face in faces:
            at_face = nodal[-1 if face == "outer" else 0]
            responses = nodal[:, 1:] @ _responses(rate, at_face, fourier)
            found.append(to_frame[1:] @ responses)
    left, size, _ = np.linalg.svd(np.concatenate(found, axis=1), full_matrices=False)
    kept = _graded(left[:, size > tolerance])
    constant = np.ones((vectors.shape[1], 1))
    return mesh, np.concatenate([constant, vectors[0][:, 1:] @ kept], axis=1)


def _at_positions(mesh: _Mesh, nodal: np.ndarray, positions: np.ndarray) -> np.ndarray:
    """Return functions given on the mesh at positions 0 to 1, shape (positions, functions)."""
    element = np.searchsorted(mesh.edges, positions, side="right") - 1
    element = np.clip(element, 0, mesh.edges.size - 2)
    local = 2.0 * (positions - mesh.edges[element]) / np.diff(mesh.edges)[element] - 1.0
    functions = legendre.legvander(local, _DEGREE) @ _element()[1]
    rows = element[:, None] * _DEGREE + np.arange(_DEGREE + 1)
    return np.einsum("pi,pim->pm", functions, nodal[rows])


@lru_cache(maxsize=256)
def _fixed(
    shape: str,
    faces: Faces,
    fourier: tuple[float, float],
    tolerance: float,
    positions: tuple[float, ...],
) -> Basis:
    """Return the modes of a sheet, rod or sphere."""
    power, curvature = _POWERS[shape], 0.0 if shape == "sheet" else 1.0
    mesh, subspace = _subspace(power, (curvature,), faces, fourier, tolerance)
    rates, values = _closed_modes(mesh, subspace, power, (curvature,), subspace)
    rate, nodal = rates[0], values[0]
    shown = _at_positions(mesh, nodal, np.asarray(positions))
    inner_area = 1.0 if power == 0 else 0.0
    return Basis(rate, nodal[-1], nodal[0], 1.0 + power, inner_area, shown, mesh.edges, nodal)


@lru_cache(maxsize=64)
def _tube_table(fourier: tuple[float, float]) -> np.ndarray:
    """Tabulate modes of tubes open outside only as Chebyshev series in the curvature.

    Shape (terms, 3, modes): rate, values at the inner and outer face.
    """
    mesh, subspace = _subspace(1, _SPANNING, ("outer",), fourier, TOLERANCE)
    places = subspace[[0, -1]]
    nodes = np.cos(np.pi * (np.arange(_CURVATURES) + 0.5) / _CURVATURES)
    rate, values = _closed_modes(mesh, subspace, 1, 0.5 * (nodes + 1.0), places)
    table = np.concatenate([rate[:, None], values], axis=1)
    series = chebyshev.chebfit(nodes, table.reshape(_CURVATURES, -1), _CURVATURES - 1)
    return series.reshape(table.shape)


@lru_cache(maxsize=256)
def _tube_alone(
    faces: Faces,
    fourier: tuple[float, float],
    tolerance: float,
    positions: tuple[float, ...],
    curvature: float,
) -> Basis:
    """Return the modes of tube walls of one curvature: what it needs of those of all."""
    curved = (min(curvature, _MOST_CURVED),)
    mesh, subspace = _subspace(1, _SPANNING, faces, fourier, tolerance)
    rates, values = _closed_modes(mesh, subspace, 1, curved, subspace)
    ends = {"outer": -1, "inner": 0}
    found = [_responses(rates[0], values[0][ends[face]], fourier) for face in faces]
    left, size, _ = np.linalg.svd(np.concatenate(found, axis=1), full_matrices=False)
    kept = values[0][:, 1:] @ _graded(left[:, size > tolerance])
    subspace = np.concatenate([values[0][:, :1], kept], axis=1)
    rates, values = _closed_modes(mesh, subspace, 1, curved, subspace)
    rate, nodal = rates[0], values[0]
    volume = 1.0 - 0.5 * curvature
    shown = _at_positions(mesh, nodal, np.asarray(positions))
    return Basis(rate, nodal[-1], nodal[0], 1.0 / volume, (1.0 - curvature) / volume, shown)


@lru_cache(maxsize=16)
def _tubes(
    faces: Faces,
    fourier: tuple[float, float],
    tolerance: float,
    positions: tuple[float, ...],
    curvatures: bytes,
) -> Basis:
    """Return the modes of tube walls of one curvature per sample.

    Kept, as one part goes through many runs; then the curvatures come as bytes.
    """
    curvature = np.frombuffer(curvatures)
    if faces == ("outer",) and tolerance == TOLERANCE and not positions:
        table = _tube_table(fourier)
        here = chebyshev.chebvander(2.0 * curvature - 1.0, _CURVATURES - 1)
        found = np.tensordot(table, here, axes=(0, 1))
        rate, values = np.maximum(found[0], 0.0), found[1:]
        rate[0], values[:, 0] = 0.0, 1.0
    else:
        # Modes of two faces, and fast ones, change places along the curvature: no table.
        mesh, subspace = _subspace(1, _SPANNING, faces, fourier, tolerance)
        shown = _at_positions(mesh, subspace, np.asarray(positions))
        places = np.concatenate([shown, subspace[[0, -1]]])
        curved = np.minimum(curvature, _MOST_CURVED) if "inner" in faces else curvature
        rate, values = _closed_modes(mesh, subspace, 1, curved, places)
        rate, values = np.ascontiguousarray(rate.T), np.ascontiguousarray(values.transpose(1, 2, 0))
    volume = 1.0 - 0.5 * curvature
    return Basis(rate, values[-1], values[-2], 1.0 / volume, (1.0 - curvature) / volume,
                 values[:-2])  # fmt: skip


def _rounded(shortest: float, longest: float) -> tuple[float, float]:
    """Widen a range of Fourier numbers to half decades, so that few bases serve all runs."""
    low = min(max(shortest, _DEEPEST**2), _LONGEST)
    high = min(max(longest, low), _LONGEST)
    low = 10.0 ** (np.floor(2.0 * np.log10(low)) / 2.0)
    return float(low), float(min(10.0 ** (np.ceil(2.0 * np.log10(high)) / 2.0), _LONGEST))


def basis_for(
    shape: str,
    faces: Faces,
    shortest: float,
    longest: float,
    *,
    curvature: np.ndarray | None = None,
    tolerance: float = TOLERANCE,
    positions: Sequence[float] = (),
) -> Basis:
    """Return the modes a run needs.

    Parameters
    ----------
    shape : {"sheet", "tube", "rod", "sphere", "lumped"}
        Body.
    faces : tuple
        Faces that open in the run.
    shortest, longest : float
        Fourier numbers (diffusivity times time over thickness squared): of the shortest time
        after a change at which the layer is looked at, and of the whole run. [-]
    curvature : ndarray, shape (samples,), optional
        Wall over outer radius of tubes, 0 to 1. [-]
    tolerance : float
        What of a response may be left out. [-]
    positions : sequence of float
        Where the modes themselves are wanted, 0 (inner) to 1 (outer). [-]
    """
    positions = tuple(float(p) for p in positions)
    if shape == "lumped" or not faces:
        one = np.ones(1)
        return Basis(np.zeros(1), one, one, 1.0, 1.0, np.ones((len(positions), 1)))
    fourier = _rounded(shortest, longest)
    if shape == "tube":
        # The table of many curvatures reaches walls without a bore, what is found alone does not.
        if np.all(curvature == curvature[0]) and curvature[0] <= _MOST_CURVED:
            return _tube_alone(faces, fourier, tolerance, positions, float(curvature[0]))
        return _tubes(faces, fourier, tolerance, positions, curvature.tobytes())
    return _fixed(shape, faces, fourier, tolerance, positions)


def step_modes(basis: Basis, share: np.ndarray) -> np.ndarray:
    """Return the modes of a sheet that holds 1 in its outer `share` and 0 in the rest.

    Parameters
    ----------
    basis : Basis
        Modes of a sheet.
    share : ndarray, shape (samples,)
        0 to 1. [-]

    Returns
    -------
    ndarray, shape (modes, samples)
    """
    edges = basis.edges
    half = 0.5 * np.diff(edges)
    rows = np.arange(half.size)[:, None] * _DEGREE + np.arange(_DEGREE + 1)
    terms = np.einsum("lp,epm->lem", _element()[1], basis.nodal[rows])
    integral = legendre.legint(terms, axis=0)
    to_right = legendre.legval(1.0, integral, tensor=False)  # from the middle of each element
    whole = (to_right - legendre.legval(-1.0, integral, tensor=False)) * half[:, None]
    beyond = np.concatenate([np.cumsum(whole[::-1], axis=0)[::-1], np.zeros((1, whole.shape[1]))])
    start = 1.0 - share
    element = np.clip(np.searchsorted(edges, start, side="right") - 1, 0, half.size - 1)
    local = (start - edges[element]) / half[element] - 1.0
    here = np.einsum("sl,lsm->ms", legendre.legvander(local, _DEGREE + 1), integral[:, element])
    return beyond[element + 1].T + half[element] * (to_right[element].T - here)
