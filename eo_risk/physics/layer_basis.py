"""Closed-face modes of a layer on a mesh graded towards its faces.

Every body (sheet, tube wall, rod, sphere) is the interval 0 (inner face or centre) to 1
(outer face) with weight w(x) proportional to (1 - s + s x)^m: s = 0 a sheet, s = 1 a full
rod (m = 1) or sphere (m = 2), between them a tube wall with s = wall / outer radius. In the
modes of the closed body an open face is a change of rank one, so no roots are ever sought.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.polynomial import chebyshev, legendre
from scipy.linalg import eigh

_DEGREE = 7  # polynomial degree in each element
_RATIO = 3.0  # each element towards a face is this many times thinner than the next
_CURVATURES = 20  # points at which modes of tube walls are tabulated
LARGEST_CURVATURE = 0.98


@dataclass(frozen=True)
class Basis:
    """Modes of one closed body, orthonormal in its volume.

    `rate` are the decay rates of the modes (first one 0), `outer` and `inner` the modes at
    the faces (rows of shape (modes,) or (modes, samples)), `outer_area` and `inner_area`
    face area times thickness over volume (numbers or shape (samples,)).
    """

    rate: np.ndarray
    outer: np.ndarray
    inner: np.ndarray
    outer_area: np.ndarray | float
    inner_area: np.ndarray | float
    edges: tuple[float, ...]
    vectors: np.ndarray | None = None  # nodal values of the modes, for profiles


def edges_for(depth: float, graded_inner: bool) -> tuple[float, ...]:
    """Return element edges that resolve `depth` (a share of the thickness) at open faces."""
    distances = []
    size = 1.0
    while size > depth and len(distances) < 16:
        size /= _RATIO
        distances.append(size)
    outer = [1.0 - d for d in distances]
    inner = list(distances) if graded_inner else []
    if graded_inner:
        # Graded from both ends the two coarse elements meet in the middle.
        outer = [1.0 - 0.5 * d for d in (1.0, *distances)]
        inner = [0.5 * d for d in distances]
    return tuple(sorted({0.0, 1.0, *outer, *inner}))


def _weight(x: np.ndarray, power: int, curvature: float) -> np.ndarray:
    return (1.0 - curvature + curvature * x) ** power


@cache
def _reference_element(points: int) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Return Gauss points, weights, and the nodal functions with their slopes there."""
    nodes = np.concatenate([[-1.0], legendre.Legendre.basis(_DEGREE).deriv().roots().real, [1.0]])
    gauss, weights = legendre.leggauss(points)
    inverse = np.linalg.inv(legendre.legvander(nodes, _DEGREE))
    values = legendre.legvander(gauss, _DEGREE) @ inverse
    slopes = np.stack(
        [legendre.legval(gauss, legendre.legder(row)) for row in inverse.T], axis=1
    )
    return gauss, weights, values, slopes


@cache
def modes(edges: tuple[float, ...], power: int, curvature: float) -> Basis:
    """Return the closed-face modes on given element edges for one curvature."""
    gauss, weights, values, slopes = _reference_element(_DEGREE + 2)
    size = _DEGREE * (len(edges) - 1) + 1
    mass, stiffness = np.zeros((size, size)), np.zeros((size, size))
    volume = float(np.mean(_weight(0.5 * (gauss + 1.0), power, curvature) * weights) * gauss.size)
    volume *= 0.5
    for e, (a, b) in enumerate(zip(edges[:-1], edges[1:], strict=True)):
        half = 0.5 * (b - a)
        w = _weight(a + half * (gauss + 1.0), power, curvature) * weights / volume
        here = slice(e * _DEGREE, e * _DEGREE + _DEGREE + 1)
        mass[here, here] += (values.T * (w * half)) @ values
        stiffness[here, here] += (slopes.T * (w / half)) @ slopes
    rate, vectors = eigh(stiffness, mass)
    rate = np.maximum(rate, 0.0)
    # The first mode is the constant: exactly, so that mass is conserved to rounding.
    rate[0], vectors[:, 0] = 0.0, 1.0
    vectors = vectors * np.where(vectors[-1] < 0.0, -1.0, 1.0)
    return Basis(
        rate,
        vectors[-1].copy(),
        vectors[0].copy(),
        float(_weight(np.array(1.0), power, curvature) / volume),
        float(_weight(np.array(0.0), power, curvature) / volume),
        edges,
        vectors,
    )


@cache
def _tube_table(edges: tuple[float, ...]) -> np.ndarray:
    """Tabulate rates and face values of tube walls as Chebyshev series in the curvature."""
    nodes = np.cos(np.pi * (np.arange(_CURVATURES) + 0.5) / _CURVATURES)
    rows = []
    for node in nodes:
        basis = modes(edges, 1, float(0.5 * LARGEST_CURVATURE * (node + 1.0)))
        rows.append(np.concatenate([basis.rate, basis.outer, basis.inner]))
    return chebyshev.chebfit(nodes, np.stack(rows), _CURVATURES - 1)


def tube_modes(edges: tuple[float, ...], curvature: np.ndarray) -> Basis:
    """Return the modes of tube walls, curvature = wall / outer radius per sample.

    Parameters
    ----------
    edges : tuple of float
        Element edges. [-]
    curvature : ndarray, shape (samples,)
        Wall over outer radius, 0 to `LARGEST_CURVATURE`. [-]
    """
    first = float(curvature.flat[0])
    outer_area = 1.0 / (1.0 - 0.5 * curvature)
    inner_area = (1.0 - curvature) / (1.0 - 0.5 * curvature)
    if np.all(curvature == first):
        return modes(edges, 1, first)
    table = _tube_table(edges)
    here = chebyshev.chebvander(2.0 * curvature / LARGEST_CURVATURE - 1.0, _CURVATURES - 1)
    rate, outer, inner = np.split((here @ table).T, 3)
    rate[0], outer[0], inner[0] = 0.0, 1.0, 1.0
    return Basis(np.maximum(rate, 0.0), outer, inner, outer_area, inner_area, edges)


def mode_values(basis: Basis, positions: np.ndarray) -> np.ndarray:
    """Return the modes at positions from 0 (inner) to 1 (outer), shape (positions, modes)."""
    edges = np.asarray(basis.edges)
    element = np.clip(np.searchsorted(edges, positions, side="right") - 1, 0, edges.size - 2)
    local = 2.0 * (positions - edges[element]) / np.diff(edges)[element] - 1.0
    nodes = np.concatenate([[-1.0], legendre.Legendre.basis(_DEGREE).deriv().roots().real, [1.0]])
    functions = legendre.legvander(local, _DEGREE) @ np.linalg.inv(
        legendre.legvander(nodes, _DEGREE)
    )
    rows = element[:, None] * _DEGREE + np.arange(_DEGREE + 1)
    return np.einsum("pi,pim->pm", functions, basis.vectors[rows])


def step_modes(basis: Basis, share: np.ndarray) -> np.ndarray:
    """Return the modes of a layer that holds 1 in its outer `share` and 0 in the rest.

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
    points, weights = legendre.leggauss(_DEGREE + 1)
    start = 1.0 - share
    found = np.zeros((basis.rate.shape[0], share.size))
    for a, b in zip(basis.edges[:-1], basis.edges[1:], strict=True):
        low = np.clip(start, a, b)
        half = 0.5 * (b - low)
        for point, weight in zip(points, weights, strict=True):
            found += weight * half * mode_values(basis, low + half * (point + 1.0)).T
    return found
