"""exp(-z) for every z >= 0 as a short sum of simple poles.

With such a sum any function of a large operator becomes a few linear solves, however stiff
the operator is and however long the step.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache, lru_cache

import numpy as np

# Order 12 leaves 3e-12 of what a step starts with, far below the accuracy asked of layers.
ORDER = 12
# Nodes for times within a factor of each other: the factor, how many nodes, and scale, angle
# and width of a hyperbola, found by minimising the greatest error over z, below 1e-11.
_HYPERBOLAS = (
    (3.0, 11, 25.461, 0.84817, 1.80718),
    (9.0, 14, 15.538, 0.62733, 3.13789),
    (27.0, 18, 9.8284, 0.19901, 5.12608),
)
SHARED_RANGE = _HYPERBOLAS[-1][0]


@cache
def poles(order: int = ORDER) -> tuple[np.ndarray, np.ndarray]:
    """Return poles and weights of the near-best rational approximation of exp(-z).

    Parameters
    ----------
    order : int
        Even number of poles. [-]

    Returns
    -------
    theta, weight : ndarray of complex, shape (order / 2,)
        exp(-z) is about 2 Re sum weight / (z + theta) for every z >= 0; of each conjugate
        pair one member is kept. [-]

    Notes
    -----
    Caratheodory-Fejer method on the negative real axis [1]_.

    References
    ----------
    .. [1] L. N. Trefethen, J. A. C. Weideman, T. Schmelzer, Talbot quadratures and rational
       approximations, BIT Numerical Mathematics 46, 653-670, 2006.
    """
    terms, points, scale = 75, 1024, 9.0
    w = np.exp(2j * np.pi * np.arange(points) / points)
    t = w.real
    values = np.exp(scale * (t - 1.0) / (t + 1.0 + 1e-16))
    c = np.fft.fft(values).real / points
    f = np.polyval(c[terms::-1], w)
    hankel = np.array([[c[1 + i + j] if 1 + i + j <= terms else 0.0 for j in range(terms)]
                       for i in range(terms)])  # fmt: skip
    u, s, vh = np.linalg.svd(hankel)
    left, right = u[::-1, order], vh[order]
    padding = np.zeros(points - terms)
    b = np.fft.fft(np.concatenate([left, padding])) / np.fft.fft(np.concatenate([right, padding]))
    rt = f - s[order] * w**terms * b
    zr = np.roots(right)
    outside = zr[np.abs(zr) > 1.0]
    pt = rt * np.polyval(np.poly(outside), w)
    ptc = (np.fft.fft(pt).real / points)[order::-1]
    residues = np.array([
        np.polyval(ptc, q) / np.polyval(np.poly(np.delete(outside, k)), q)
        for k, q in enumerate(outside)
    ])  # fmt: skip
    position = scale * (outside - 1.0) ** 2 / (outside + 1.0) ** 2
    weight = 4.0 * residues * position / (outside**2 - 1.0)
    # exp(x) ~ sum weight/(x - position); with x = -z this is sum -weight/(z + position).
    kept = position.imag > 0.0
    order_by = np.argsort(position[kept].imag)
    return position[kept][order_by], -weight[kept][order_by]


@dataclass(frozen=True)
class PoleSum:
    """exp(-z t) at several times t as about 2 Re sum weights / (z + theta), z >= 0.

    `theta` has shape (poles,), `weights` (times, poles), `inverse` and `conjugate` of theta
    (poles, 1). The rest is what a step needs of
    them as real matrices: `modulus` gives |z + theta|^2 from z, z^2 and 1, shape (poles, 3);
    `free` gives z from the first and 1 from the second row the value at the last time from
    1 / |z + theta|^2, shape (2, poles); `value` and `total` turn real over imaginary parts at
    the poles into values and their integrals over time, shape (times, 2 poles).
    """

    theta: np.ndarray
    weights: np.ndarray
    inverse: np.ndarray
    conjugate: np.ndarray
    modulus: np.ndarray
    free: np.ndarray
    value: np.ndarray
    total: np.ndarray


def _pole_sum(theta: np.ndarray, weights: np.ndarray) -> PoleSum:
    last, over = weights[-1], weights / theta
    return PoleSum(
        theta,
        weights,
        1.0 / theta[:, None],
        theta.conj()[:, None],
        np.stack([2.0 * theta.real, np.ones(theta.size), np.abs(theta) ** 2], axis=1),
        2.0 * np.stack([last.real, (theta.conj() * last).real]),
        2.0 * np.concatenate([weights.real, -weights.imag], axis=1),
        2.0 * np.concatenate([over.real, -over.imag], axis=1),
    )


@lru_cache(maxsize=512)
def shared_poles(times: tuple[float, ...]) -> PoleSum:
    """Return one set of poles for exp(-z t) at several times t.

    Parameters
    ----------
    times : tuple of float
        Between 1 / `SHARED_RANGE` and 1, the last one 1. [-]

    Returns
    -------
    PoleSum

    Notes
    -----
    A single time takes the near-best poles. Several share nodes on a hyperbola [1]_ shaped
    for their range, with weights fitted by least squares over z: half the nodes of the
    quadrature.

    References
    ----------
    .. [1] J. A. C. Weideman, L. N. Trefethen, Parabolic and hyperbolic contours for computing
       the Bromwich integral, Mathematics of Computation 76, 1341-1356, 2007.
    """
    if len(times) == 1:
        theta, weight = poles()
        return _pole_sum(theta, weight[None])
    factor = times[-1] / times[0] * (1.0 - 1e-12)
    _, count, scale, angle, width = next(h for h in _HYPERBOLAS if factor <= h[0])
    along = (np.arange(count) + 0.5) / count
    theta = scale * (1.0 - np.sin(angle - 1j * width * along))
    z = np.concatenate([[0.0], np.geomspace(1e-4, 1e6, 600)])
    terms = 1.0 / (z[:, None] + theta)
    matrix = np.concatenate([terms.real, -terms.imag], axis=1)
    size = np.linalg.norm(matrix, axis=0)
    fitted = np.linalg.lstsq(matrix / size, np.exp(-np.outer(z, times)), rcond=1e-15)[0]
    fitted = (fitted.T / size) / 2.0
    return _pole_sum(theta, fitted[:, :count] + 1j * fitted[:, count:])
