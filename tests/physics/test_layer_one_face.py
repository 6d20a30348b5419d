"""One face in real numbers against the general step, which couples any number of faces."""

import numpy as np
import pytest

from eo_risk.physics.layer_basis import basis_for
from eo_risk.physics.layer_one_face import advance_one_face
from eo_risk.physics.layer_response import LayerNow, Room, Touch
from eo_risk.physics.layer_step import Port, advance
from eo_risk.physics.rational_exponential import shared_poles

SAMPLES = 7


def case(shape, even, gas, curvatures):
    rng = np.random.default_rng(5)
    curvature = np.linspace(0.2, 0.6, SAMPLES) if curvatures else np.full(SAMPLES, 0.4)
    basis = basis_for(shape, ("outer",), 1e-3, 1.0, curvature=curvature)
    modes = np.zeros((basis.rate.shape[0], SAMPLES))
    modes[0] = 0.7
    if not even:
        modes[1:] = 0.2 * rng.standard_normal(modes[1:].shape) / np.arange(1, len(modes))[:, None]
    layer = LayerNow(basis.rate, 10 ** rng.uniform(-3.0, 0.5, SAMPLES), None, modes, even,
                     Room())
    touch = Touch(0, basis.outer, None, 10 ** rng.uniform(-1.0, 2.0, SAMPLES))
    return layer, Port((touch,), 10 ** rng.uniform(-2.0, 3.0, SAMPLES), np.full(SAMPLES, 3.0), gas)


LEVEL, RISE = np.linspace(0.1, 0.9, SAMPLES), np.linspace(-0.1, 0.8, SAMPLES)


@pytest.mark.parametrize("gas", [(None, None), (LEVEL, None), (None, RISE), (LEVEL, RISE)])
@pytest.mark.parametrize("even", [False, True])
@pytest.mark.parametrize("times", [(1.0,), (0.1, 0.4, 1.0)])
@pytest.mark.parametrize(("shape", "curvatures"), [("rod", False), ("tube", False), ("tube", True)])
def test_equals_the_general_step(shape, curvatures, times, even, gas):
    layer, port = case(shape, even, gas, curvatures)
    poles = shared_poles(times)
    before = layer.modes.copy()
    got = advance_one_face(layer, port, poles, with_flux=True)
    want = advance([layer], [port], poles, with_flux=True)
    assert got.mean[0] == pytest.approx(want.mean[0], rel=1e-12, abs=1e-13)
    assert got.taken[0][0] == pytest.approx(want.taken[0][0], rel=1e-10, abs=1e-12)
    # One takes the decay of the modes from the poles, the other from exp: 3e-12 or 2e-11 apart.
    assert got.modes[0] == pytest.approx(want.modes[0], abs=1e-10)
    assert got.flux[0] == pytest.approx(want.flux[0], rel=1e-9, abs=1e-12)
    assert np.array_equal(layer.modes, before)
