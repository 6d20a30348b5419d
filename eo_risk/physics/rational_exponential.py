"""exp(-z) on the positive axis as a short sum of simple poles.

With such a sum any function of a large operator becomes a few linear solves, however stiff
the operator is and however long the step.
"""

from __future__ import annotations

from functools import cache

import numpy as np

# Order 12 leaves an error near 1e-12, far below the accuracy asked of the layers.
ORDER = 12


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
