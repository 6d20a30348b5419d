"""A stage that takes no time changes nothing, for one layer and for two that touch."""

from dataclasses import replace

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


@pytest.mark.parametrize("faces", ["outer", "both"])
@pytest.mark.parametrize("transfer", [1e-3, np.inf])
@pytest.mark.parametrize("duration_s", [60.0, np.array([0.0, 60.0])])
def test_nothing_has_passed_as_a_stage_begins(faces, transfer, duration_s):
    begins = replace(stage(duration_s), transfer_outer_m_per_s=transfer, output_times_s=(0.0,))
    run = run_layer(Body("sheet", 1e-3, open_faces=faces), [begins], start_kg_per_m3=7.0,
                    with_flux=True)  # fmt: skip
    assert np.all(run.mean_kg_per_m3[1] == 7.0)
    assert np.all(np.isfinite(run.flux_outer_kg_per_m2_s))
    assert np.all(run.mean_kg_per_m3[2] != 7.0) == np.all(np.asarray(duration_s) > 0.0)


def test_nothing_has_passed_between_two_layers_as_a_stage_begins():
    begins = replace(stage(60.0), transfer_outer_m_per_s=np.inf, output_times_s=(0.0,))
    run = run_two_layers(Body("sheet", 1e-3), Body("sheet", 2e-3), [begins], [begins],
                         start_outer_kg_per_m3=7.0)  # fmt: skip
    assert np.all(run.outer_kg_per_m3[1] == 7.0)
    assert np.all(run.inner_kg_per_m3[1] == 0.0)
