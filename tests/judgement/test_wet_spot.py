"""EO in a wet spot counts in the hours as in the verdict, and so does the share that counts."""

import copy
import json

import pytest

from eo_risk.judgement.assess import check_plan
from eo_risk.plan.load_plan import read_plan

JOINTED, TUBE = 0, 2  # of the dry steel set: forceps without a lumen, a tube without a joint


@pytest.fixture
def steel(demo):
    return json.loads((demo / "dry_steel_set.json").read_text(encoding="utf-8"))


def checked(raw, index, cabinet_h=None, room_h=None, **item):
    plan = copy.deepcopy(raw)
    plan["items"] = [plan["items"][index] | item]
    if cabinet_h is not None:
        plan["aeration"][0]["hours"], plan["aeration"][1]["hours"] = cabinet_h, room_h
    return check_plan(read_plan(plan), samples=256, advise=False).items[0]


def spot(result):
    return next(r for r in result.residues if r.model == "wet_spot")


def wet_tube(raw):
    lumen = raw["items"][TUBE]["lumens"][0] | {"measured_mg": 60, "scale_error_mg": 1}
    return {"lumens": [lumen]}


@pytest.mark.parametrize("index", [JOINTED, TUBE])
def test_after_the_hours_named_and_not_long_before_the_wettest_spot_is_inside(steel, index):
    """The row and the hours are two readings of one curve: run for the hours, it is inside."""
    item = {} if index == JOINTED else wet_tube(steel)
    hours = checked(steel, index, **item).aeration.p95_s / 3600.0
    assert 0.5 < hours < 12.0  # within the planned cabinet, which warms as long as it runs
    at_them = spot(checked(steel, index, hours, 0.0, **item))
    assert at_them.band.p95 <= 1.01 * at_them.limit
    short = spot(checked(steel, index, 0.97 * hours, 0.0, **item))
    assert short.band.p95 > short.limit


def test_only_the_share_that_reaches_the_patient_counts_in_the_hours(steel):
    patient = steel["items"][JOINTED]["patient"]
    simulated = patient | {"residue_counted": "simulated_use", "share_reaching_patient_percent": 30}
    whole, part = (checked(steel, JOINTED, patient=p) for p in (patient, simulated))
    assert spot(part).band.p95 == pytest.approx(0.3 * spot(whole).band.p95)
    assert 0.0 < part.aeration.p95_s < whole.aeration.p95_s
