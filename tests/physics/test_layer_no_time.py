"""A stage that takes no time changes nothing, for one layer and for two that touch."""

import numpy as np
import pytest

from eo_risk.physics.layer import Body, Stage, run_layer
from eo_risk.physics.two_layers import run_two_layers

HOUR_S = np.array([3600.0, 3600.0, 3600.0])


def stage(duration_s, ratio=50.0):
    return Stage(duration_s, 1e-11, ratio, gas_start_kg_per_m3=0.6, transfer_outer_m_per_s=1e-3)


# Exact: no time, no change (no source needed).
@pytest.mark.parametrize("idle_s", [np.zeros(3), np.array([0.0, 60.0, 0.0])])
def test_two_layers_rest_while_no_time_passes(idle_s):
    outer = Body("sheet", np.full(3, 1e-3))
    inner = Body("sheet", np.full(3, 2e-3), open_faces="outer")

    def run(*durations):
        return run_two_layers(outer, inner, [stage(d) for d in durations],
                              [stage(d, 80.0) for d in durations])  # fmt: skip

    idle, plain = run(HOUR_S, idle_s, HOUR_S), run(HOUR_S, HOUR_S)
    still = idle_s == 0.0
    for name in ("outer_kg_per_m3", "inner_kg_per_m3", "passed_kg_per_m3"):
        level, known = getattr(idle, name)[-1], getattr(plain, name)[-1]
        assert np.all(np.isfinite(level))
        assert np.all(known > 0.0)
        assert level[still] == pytest.approx(known[still], rel=1e-6)


def test_one_layer_rests_while_no_time_passes():
    body = Body("sheet", np.full(3, 1e-3), open_faces="both")
    idle = run_layer(body, [stage(HOUR_S), stage(np.zeros(3)), stage(HOUR_S)])
    plain = run_layer(body, [stage(HOUR_S), stage(HOUR_S)])
    assert idle.mean_kg_per_m3[-1] == pytest.approx(plain.mean_kg_per_m3[-1], rel=1e-6)
