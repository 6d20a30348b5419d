"""Stages that branch: what a stage finds depends only on the stages it comes after."""

from dataclasses import replace

import numpy as np
import pytest

from eo_risk.physics.layer import Body, Stage, run_layer
from eo_risk.physics.shared_air import SharedAir, SharedPart, run_shared_air
from eo_risk.physics.two_layers import run_two_layers

SAMPLES = 40
D = np.geomspace(1e-13, 1e-10, SAMPLES)
EXPOSURE = Stage(10800.0, D, 18.0, 0.0, 0.6, 1e-3)
WARM = Stage(40000.0, D * 0.8, 20.0, transfer_outer_m_per_s=1e-3, loss_per_s=1e-6)
ROOM = Stage(7200.0, D * 0.3, 30.0, transfer_outer_m_per_s=1e-3)
LATER = [replace(WARM, duration_s=duration) for duration in (2e4, 9e4)]
BODY = Body("sheet", 1e-3, open_faces="outer")
# The load goes to the room, or stays warm: the second branch starts at the end of stage 1.
BRANCHED = [EXPOSURE, WARM, ROOM, replace(LATER[0], after=1), LATER[1]]
STRAIGHT = [EXPOSURE, WARM, *LATER]


def test_a_branch_goes_on_from_the_stage_it_names():
    whole, alone = run_layer(BODY, BRANCHED), run_layer(BODY, STRAIGHT)
    for name in ("mean_kg_per_m3", "product_kg_per_m3", "gained_outer_kg_per_m3", "time_s"):
        found, expected = getattr(whole, name), getattr(alone, name)
        scale = np.abs(expected).max()
        assert found[4:] == pytest.approx(expected[3:], rel=1e-6, abs=1e-8 * scale)
    first = run_layer(BODY, BRANCHED[:3])
    assert whole.mean_kg_per_m3[:4] == pytest.approx(first.mean_kg_per_m3, rel=1e-6, abs=1e-8)


def test_two_layers_branch_alike():
    gas = Body("sheet", 0.3)
    gas_stages = [replace(s, diffusivity_m2_per_s=1.6e-5, gas_ratio=1.0, loss_per_s=0.0)
                  for s in BRANCHED]  # fmt: skip
    inner = replace(BODY, thickness_m=5e-3)
    straight = [replace(gas_stages[k], after=None) for k in (0, 1, 3, 4)]
    whole = run_two_layers(gas, inner, gas_stages, BRANCHED)
    alone = run_two_layers(gas, inner, straight, STRAIGHT)
    scale = alone.inner_kg_per_m3.max()
    assert whole.inner_kg_per_m3[4:] == pytest.approx(alone.inner_kg_per_m3[3:], rel=1e-6,
                                                      abs=1e-8 * scale)  # fmt: skip


def test_shared_air_branches_with_what_it_held():
    def run(stages, airs):
        return run_shared_air([SharedPart(BODY, stages, 1e-4)], airs)

    still = SharedAir(0.2, 1e-4, None)
    fresh = SharedAir(0.2, 1e-4, 0.0)
    whole = run(BRANCHED, [None, fresh, SharedAir(5.0, 1e-3, 0.0), still, still])
    alone = run(STRAIGHT, [None, fresh, still, still])
    assert whole.air_kg_per_m3[4:] == pytest.approx(alone.air_kg_per_m3[3:], rel=1e-6)
    assert whole.carried_out_kg[4:] == pytest.approx(alone.carried_out_kg[3:], rel=1e-6)
    total, expected = whole.air_total_kg_s_per_m3, alone.air_total_kg_s_per_m3
    assert total[4:] == pytest.approx(expected[3:], rel=1e-6)
    assert whole.mean_kg_per_m3[0, 4:] == pytest.approx(alone.mean_kg_per_m3[0, 3:], rel=1e-6)


def test_a_stage_cannot_come_after_a_later_one():
    with pytest.raises(ValueError, match=r"stages\[1\].after = 1; give an earlier stage"):
        run_layer(BODY, [EXPOSURE, replace(WARM, after=1)])
