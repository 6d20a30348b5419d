"""The points of a band against the linear rule of numpy.quantile."""

import numpy as np
import pytest

from eo_risk.judgement.result import Band, BandLine

SHARES = (0.05, 0.5, 0.95)


@pytest.mark.parametrize("samples", [1, 2, 3, 20, 21, 2048])
def test_points_of_a_band(samples):
    amounts = np.random.default_rng(samples).lognormal(0.0, 2.0, (4, samples))
    line = BandLine.of(amounts)
    for row, values in enumerate(amounts):
        points = pytest.approx(np.quantile(values, SHARES), rel=1e-13)
        assert (line.p05[row], line.p50[row], line.p95[row]) == points
        band = Band.of(values)
        assert (band.p05, band.p50, band.p95) == points
