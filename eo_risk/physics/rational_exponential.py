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
# Poles for times within a factor of each other: real and imaginary parts, found by vector
# fitting of exp(-z t) over z >= 0 and 60 times (Gustavsen, Semlyen, IEEE Trans. Power Delivery
# 14, 1052-1061, 1999); with weights fitted to the times asked for, all err by less than 2e-11.
_SHARED = {
    3.0: (
        (5.91476, 5.37142, 4.26424, 2.54884, 0.147961, -3.06919, -7.33486, -13.0893, -21.2057,
         -33.7467),
        (1.27803, 3.85014, 6.47295, 9.18918, 12.0569, 15.1606, 18.6265, 22.6304, 27.39, 33.2735),
    ),
    8.0: (
        (6.77332, 6.19375, 5.01826, 3.21287, 0.721447, -2.55107, -6.81443, -12.6068, -20.9731,
         -33.4937, -52.6528, -83.8175),
        (1.47613, 4.46372, 7.56323, 10.8706, 14.5214, 18.7302, 23.8621, 30.436, 38.9165, 49.5837,
         62.6597, 78.7953),
    ),
    12.0: (
        (7.21239, 6.62947, 5.45081, 3.65104, 1.1922, -1.98274, -6.02467, -11.4591, -19.388,
         -31.4177, -49.8212, -78.2614, -124.776),
        (1.55247, 4.69922, 7.97814, 11.502, 15.4302, 20.0192, 25.7351, 33.283, 43.3173, 56.2791,
         72.477, 92.2318, 116.534),
    ),
    27.0: (
        (7.8382, 7.24073, 6.04089, 4.2318, 1.81486, -1.17155, -4.72393, -9.3731, -16.3321,
         -27.2474, -44.3967, -71.0823, -112.246, -176.038, -280.463),
        (1.68337, 5.1049, 8.69882, 12.6097, 17.0417, 22.3365, 29.207, 38.7887, 52.1277, 70.1415,
         93.765, 123.894, 161.302, 206.828, 262.871),
    ),
}  # fmt: skip
SHARED_RANGE = max(_SHARED)


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
    (poles, 1); `parts` are real and imaginary part of the latter. The rest is what a step needs of
    them as real matrices: `modulus` gives |z + theta|^2 from z, z^2 and 1, shape (poles, 3);
    `value` and `total` turn real over imaginary parts at the poles into values and their
    integrals over time, shape (times, 2 poles); `last` turns them into what z and 1 over
    |z + theta|^2 take at the last time, shape (2 poles, 2 poles).
    """

    theta: np.ndarray
    weights: np.ndarray
    inverse: np.ndarray
    conjugate: np.ndarray
    parts: tuple[np.ndarray, np.ndarray]
    modulus: np.ndarray
    value: np.ndarray
    total: np.ndarray
    last: np.ndarray


def _pole_sum(theta: np.ndarray, weights: np.ndarray) -> PoleSum:
    last, over = weights[-1], weights / theta
    conjugate = theta.conj()[:, None]
    return PoleSum(
        theta,
        weights,
        1.0 / theta[:, None],
        conjugate,
        (conjugate.real.copy(), conjugate.imag.copy()),
        np.stack([2.0 * theta.real, np.ones(theta.size), np.abs(theta) ** 2], axis=1),
        2.0 * np.concatenate([weights.real, -weights.imag], axis=1),
        2.0 * np.concatenate([over.real, -over.imag], axis=1),
        2.0 * np.block([
            [np.diag(factor.real), np.diag(-factor.imag)] for factor in (last, last * theta.conj())
        ]),
    )  # fmt: skip


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
    A single time takes the near-best poles. Several share poles that suit their range, with
    weights fitted by least squares over z.
    """
    if len(times) == 1:
        theta, weight = poles()
        return _pole_sum(theta, weight[None])
    factor = times[-1] / times[0] * (1.0 - 1e-12)
    real, imag = _SHARED[min(reach for reach in _SHARED if factor <= reach)]
    theta = np.array(real) + 1j * np.array(imag)
    count = theta.size
    z = np.concatenate([[0.0], np.geomspace(1e-4, 1e6, 600)])
    terms = 1.0 / (z[:, None] + theta)
    matrix = np.concatenate([terms.real, -terms.imag], axis=1)
    size = np.linalg.norm(matrix, axis=0)
    fitted = np.linalg.lstsq(matrix / size, np.exp(-np.outer(z, times)), rcond=1e-15)[0]
    fitted = (fitted.T / size) / 2.0
    return _pole_sum(theta, fitted[:, :count] + 1j * fitted[:, count:])
