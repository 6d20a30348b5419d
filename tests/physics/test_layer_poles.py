"""exp(-z) as a sum of poles, against exp itself."""

import numpy as np
import pytest

from eo_risk.physics.rational_exponential import SHARED_RANGE, poles, shared_poles

Z = np.concatenate([[0.0], np.geomspace(1e-6, 1e9, 4000)])


def value(theta, weight):
    return 2.0 * np.sum((weight / (Z[:, None] + theta)).real, axis=1)


def worst(order):
    return np.max(np.abs(value(*poles(order)) - np.exp(-Z)))


# Best approximation on the half line gains a factor 9.28903 per order (Halphen's constant):
# Trefethen, Weideman, Schmelzer, BIT Numer. Math. 2006;46:653.
@pytest.mark.parametrize("order", [4, 6, 8, 10])
def test_every_order_gains_the_known_factor(order):
    assert worst(order) / worst(order + 2) == pytest.approx(9.28903**2, rel=0.05)


def test_error_of_a_step():
    assert worst(12) < 5e-12


@pytest.mark.parametrize(
    "times",
    [(0.5, 1.0), (1.0, 1.0), (1 / 3, 0.4, 0.9, 1.0), tuple(np.linspace(0.15, 1.0, 24)),
     (1 / 8, 0.2, 1.0), (1 / 9, 1.0), (1 / 12, 0.5, 1.0), tuple(np.linspace(1 / 24, 1.0, 24)),
     tuple(np.geomspace(1 / SHARED_RANGE, 1.0, 40)), (1 / SHARED_RANGE, 1.0)],
)  # fmt: skip
def test_several_times_share_their_poles(times):
    found = shared_poles(times)
    for time, weight in zip(times, found.weights, strict=True):
        assert np.max(np.abs(value(found.theta, weight) - np.exp(-Z * time))) < 2e-11
