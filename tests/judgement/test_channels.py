"""Joined channels: a legal way to say them, and the careful side wherever gas is in doubt."""

import copy
import json

import pytest

from eo_risk.errors import InputError
from eo_risk.judgement.assess import check_plan
from eo_risk.judgement.water.channels import joined, ways_of
from eo_risk.plan.load_plan import read_plan

SAMPLES = 128
AIR = {"method": "compressed_air", "minutes": 0.1, "pressure_gauge_bar": 0.5,
       "air_temperature_c": 20, "air_rh_percent": 0}  # fmt: skip


@pytest.fixture
def raw(demo):
    raw = json.loads((demo / "wet_lumen.json").read_text(encoding="utf-8"))
    raw["items"] = [raw["items"][1]]
    return raw


def plan_of(raw, branch, *, main="no", joins=True):
    raw = copy.deepcopy(raw)
    first = raw["items"][0]["lumens"][0] | {"name": "suction channel", "blocked": main,
                                            "open_ends": 2, "drying": [AIR]}  # fmt: skip
    second = {"name": "biopsy port", "bore_mm": 3, "length_mm": 150, "open_ends": 2,
              "emptied": {"how": "syringe", "pushes": 1}, "drying": [AIR],
              "droplets_seen": "no"} | branch  # fmt: skip
    if joins:
        second["branch_of"] = "suction channel"
    raw["items"][0]["lumens"] = [first, second]
    return read_plan(raw)


def checked(plan):
    return check_plan(plan, samples=SAMPLES, advise=False).items[0]


def wheres(item, code):
    return [caution.where for caution in item.cautions if caution.code == code]


def water(item, lumen):
    return next(p for p in item.water_by_place if p.lumen == lumen).after_drying.p50


def test_joined_channels_know_each_other(raw):
    item = plan_of(raw, {"blocked": "no"}).items[0]
    main, branch = item.lumens
    assert [lumen.name for lumen in joined(item, main)] == ["biopsy port"]
    assert [lumen.name for lumen in joined(item, branch)] == ["suction channel"]
    assert (ways_of(item, main).mouths, ways_of(item, branch).mouths) == (2, 1)
    assert ways_of(item, branch).junctions == 1
    assert ways_of(item, main).sharing == 2


def test_a_branch_holds_more_and_dries_less_than_a_channel_of_its_own(raw):
    alone = checked(plan_of(raw, {"blocked": "no"}, joins=False))
    branch = checked(plan_of(raw, {"blocked": "no"}))
    assert water(branch, "biopsy port") > water(alone, "biopsy port")
    # The same pressure shares its air between the two.
    assert water(branch, "suction channel") >= water(alone, "suction channel")


def test_air_that_nobody_felt_dries_no_joined_channel(raw):
    felt = checked(plan_of(raw, {"blocked": "no"}))
    unfelt = checked(plan_of(raw, {"blocked": "unknown"}))
    assert water(unfelt, "biopsy port") > water(felt, "biopsy port")
    assert any("biopsy port" in where for where in wheres(unfelt, "gas_access_doubtful"))
    assert not wheres(felt, "gas_access_doubtful")


@pytest.mark.parametrize(
    ("change", "said"),
    [({"blocked": "yes"}, "which is blocked"), ({"open_ends": 0, "blocked": "no"}, "is closed")],
)
def test_a_blocked_or_closed_branch_puts_its_main_channel_in_doubt(raw, change, said):
    item = checked(plan_of(raw, change))
    doubts = wheres(item, "gas_access_doubtful")
    assert any(where.startswith("suction channel: joined") and said in where for where in doubts)
    assert item.verdict == "Hold"
    apart = checked(plan_of(raw, change, joins=False))
    assert not any("suction channel" in where for where in wheres(apart, "gas_access_doubtful"))


@pytest.mark.parametrize("into", ["air channel", "biopsy port"])
def test_a_branch_opens_into_a_main_channel_of_the_item(raw, into):
    plan_of(raw, {"blocked": "no"})
    with pytest.raises(InputError) as caught:
        plan_of(raw, {"blocked": "no", "branch_of": into}, joins=False)
    fault = caught.value.faults[0]
    assert fault.where == "items[0].lumens[1].branch_of"
    assert "suction channel" in fault.allowed
