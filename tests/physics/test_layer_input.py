"""What the layer engine refuses, by the name of the argument and its value."""

import numpy as np
import pytest

from eo_risk.physics.layer import Body, Stage, run_layer
from eo_risk.physics.shared_air import SharedAir, SharedPart, run_shared_air
from eo_risk.physics.two_layers import run_two_layers

SHEET, STAGE = Body("sheet", 1e-3), Stage(3600, 1e-11, 5.0)


@pytest.mark.parametrize(
    ("body", "message"),
    [
        (Body("sheet", 0.0), r"body.thickness_m = 0 is not allowed; give more than 0"),
        (Body("rod", -1e-3), r"body.thickness_m = -0.001"),
        (Body("sheet", np.array([1e-3, np.nan])), r"body.thickness_m = nan"),
        (Body("sheet", np.inf), r"body.thickness_m = inf"),
        (Body("tube", 1e-3), r"body.outer_radius_m is missing"),
        (Body("tube", 2e-3, 1e-3), r"body.thickness_m is 2 times outer_radius_m"),
        (Body("cube", 1e-3), r"body.shape = 'cube'"),
        (Body("sheet", 1e-3, open_faces="none"), r"body.open_faces = 'none'"),
    ],
)
def test_bodies_that_cannot_be(body, message):
    with pytest.raises(ValueError, match=message):
        run_layer(body, [STAGE])


@pytest.mark.parametrize(
    ("stage", "message"),
    [
        (Stage(-1.0, 1e-11, 5.0), r"stages\[1\].duration_s = -1"),
        (Stage(np.inf, 1e-11, 5.0), r"stages\[1\].duration_s = inf"),
        (Stage(1.0, -1e-11, 5.0), r"stages\[1\].diffusivity_m2_per_s = -1e-11"),
        (Stage(1.0, np.array([1e-11, np.nan]), 5.0), r"stages\[1\].diffusivity_m2_per_s = nan"),
        (Stage(1.0, 1e-11, 0.0), r"stages\[1\].gas_ratio = 0"),
        (Stage(1.0, 1e-11, 5.0, -0.1), r"stages\[1\].gas_start_kg_per_m3 = -0.1"),
        (Stage(1.0, 1e-11, 5.0, 0.1, np.nan), r"stages\[1\].gas_end_kg_per_m3 = nan"),
        (Stage(1.0, 1e-11, 5.0, 0.1, None, -1.0), r"stages\[1\].transfer_outer_m_per_s = -1"),
        (Stage(1.0, 1e-11, 5.0, loss_per_s=-1.0), r"stages\[1\].loss_per_s = -1"),
        (Stage(9.0, 1e-11, 5.0, output_times_s=(3.0, 2.0)), r"output_times_s must rise"),
        (Stage(9.0, 1e-11, 5.0, output_times_s=(3.0, 10.0)), r"output_times_s reaches 10 s"),
    ],
)
def test_stages_that_cannot_be(stage, message):
    with pytest.raises(ValueError, match=message):
        run_layer(SHEET, [STAGE, stage])


def test_runs_that_cannot_be():
    with pytest.raises(ValueError, match="stages is empty"):
        run_layer(SHEET, [])
    with pytest.raises(ValueError, match="start_kg_per_m3 = -2"):
        run_layer(SHEET, [STAGE], start_kg_per_m3=-2.0)
    with pytest.raises(ValueError, match="profile_at"):
        run_layer(SHEET, [STAGE], profile_at=[0.5, 1.5])
    with pytest.raises(ValueError, match=r"arrays of \[2, 3\] samples"):
        run_layer(SHEET, [Stage(np.ones(2), np.full(3, 1e-11), 1.0)])


def test_pairs_that_cannot_be():
    with pytest.raises(ValueError, match="give lists of equal length"):
        run_two_layers(SHEET, SHEET, [STAGE], [STAGE, STAGE])
    with pytest.raises(ValueError, match=r"stages\[0\].duration_s differs"):
        run_two_layers(SHEET, SHEET, [STAGE], [Stage(1800, 1e-11, 5.0)])
    with pytest.raises(ValueError, match="give two sheets or two tubes"):
        run_two_layers(SHEET, Body("rod", 1e-3), [STAGE], [STAGE])
    with pytest.raises(ValueError, match=r"outer_start_share = 1.2"):
        run_two_layers(SHEET, SHEET, [STAGE], [STAGE], outer_start_share=1.2)
    with pytest.raises(ValueError, match=r"inner_stages\[0\].gas_ratio = 0"):
        run_two_layers(SHEET, SHEET, [STAGE], [Stage(3600, 1e-11, 0.0)])


@pytest.mark.parametrize(
    ("part", "air", "message"),
    [
        (SharedPart(SHEET, [STAGE], 0.0), SharedAir(1.0, 0.0, 0.0), r"parts\[0\].volume_m3 = 0"),
        (SharedPart(SHEET, [STAGE], 1e-3), SharedAir(0.0, 0.0, 0.0), r"airs\[0\].free_volume_m3"),
        (SharedPart(SHEET, [STAGE], 1e-3), SharedAir(1.0, -1.0, 0.0), r"changes_per_s = -1"),
        (SharedPart(SHEET, [STAGE], 1e-3), SharedAir(1.0, 1.0), r"start_kg_per_m3 is missing"),
        (SharedPart(SHEET, [STAGE] * 2, 1e-3), SharedAir(1.0, 1.0, 0.0), r"give one\s+air"),
    ],
)
def test_shared_air_that_cannot_be(part, air, message):
    with pytest.raises(ValueError, match=message):
        run_shared_air([part], [air])
