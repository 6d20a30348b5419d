"""Removal of glycol in the aeration: never credited silently, and only where it is asked for."""

import copy
import json

import pytest

from eo_risk.judgement.assess import check_plan
from eo_risk.output.answer import check_answer
from eo_risk.output.wording import beside_glycol
from eo_risk.plan.load_plan import read_plan

SAMPLES = 128


@pytest.fixture
def raw(demo):
    return json.loads((demo / "wet_lumen.json").read_text(encoding="utf-8"))


def item_of(raw, removal=None, flow=None, place="cabinet", outside=None, **lumen):
    raw = copy.deepcopy(raw)
    item = raw["items"][1] | {"joints": 0, "external_water": outside or {"measured_mg": 0}}
    item["lumens"][0] |= lumen
    if flow is not None:
        item["lumens"][0]["aeration_flow_nl_per_min"] = flow
    raw["items"] = [item]
    raw["aeration"] = [{"hours": 24, "temperature_c": 50, "place": place}]
    if removal:
        raw["rules"]["glycol_removal"] = removal
    plan = read_plan(raw)
    return check_answer(check_plan(plan, samples=SAMPLES, advise=False))["items"][0]


def film(item):
    row = next(r for r in item["residues"] if r["substance"] == "EG" and r["model"] == "film")
    return row["p95"]


def codes(item):
    return {caution["code"] for caution in item["cautions"]}


def test_nothing_is_credited_unless_asked(raw):
    plain = item_of(raw)
    assert plain["glycol_removed_mg"] is None
    assert "glycol_removal_credited" not in codes(plain)
    # A flow alone is no request, and a request without a flow credits no lumen.
    assert film(item_of(raw, flow=2.0)) == film(plain)
    asked = item_of(raw, "connected_lumens")
    assert film(asked) == film(plain)
    assert asked["glycol_removed_mg"]["p95"] == 0.0


def test_a_connected_lumen_loses_glycol_and_every_output_says_so(raw):
    plain, led = item_of(raw), item_of(raw, "connected_lumens", flow=2.0)
    assert film(led) < 0.5 * film(plain)
    assert led["glycol_removed_mg"]["p05"] <= led["glycol_removed_mg"]["p50"]
    assert led["glycol_removed_mg"]["p95"] > 0.0
    assert "glycol_removal_credited" in codes(led)
    assert any("credited, as the plan asks" in line for line in beside_glycol(led))
    # Without the credit EG is what it was: what is left and what is gone add up.
    assert film(led) + led["glycol_removed_mg"]["p95"] >= 0.98 * film(plain)
    used = {record["id"] for record in led["records"]}
    assert {"eg.saturation_factor", "glycol.open_share"} <= used


@pytest.mark.parametrize(
    "change",
    [
        {"place": "room"},  # no air is led in a room
        {"blocked": "yes"},  # no air passes
        {"open_ends": 1},
    ],
)
def test_no_credit_without_warm_air_that_passes(raw, change):
    led = item_of(raw, "connected_lumens", flow=2.0, **change)
    assert led["glycol_removed_mg"]["p95"] == 0.0
    assert "glycol_removal_credited" in codes(led)


def test_an_open_surface_loses_glycol_once_its_water_is_gone(raw):
    wet = {"measured_mg": 60, "area_cm2": 200}
    still = item_of(raw, outside=wet, measured_mg=0, drying=[])
    asked = item_of(raw, "open_surfaces", outside=wet, measured_mg=0, drying=[])
    assert film(asked) < film(still)
    # Open surfaces do not stand in for lumens; a warm load lets nothing condense outside.
    raw["chamber"]["load_temperature_start_c"] = 55
    lumen = item_of(raw, "open_surfaces", flow=2.0, measured_mg=300, drying=[])
    assert film(lumen) == film(item_of(raw, measured_mg=300, drying=[]))


def test_diethylene_glycol_is_told_with_its_share(raw):
    item = item_of(raw, measured_mg=900, drying=[])
    share = item["deg_mg"]["p95"] / film(item)
    # EG of a full lumen goes on forming for a day of aeration, to some 25 mg/mL or 0.4 mol/L:
    # k2/k1 of 1.6 (Altiokka and Akyalcin 2009) gives 1.6 x 0.4 / (2 x 55) = 0.6 % by mole, 1 %
    # by mass.
    assert share == pytest.approx(0.01, rel=0.3)
    assert any("negligible" in line for line in beside_glycol(item))
