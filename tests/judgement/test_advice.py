"""Closed loop: applying an action alone gives the promised verdict, one step less does not."""

import json

import pytest

from eo_risk.judgement.advice import apply, highest_allowed_c
from eo_risk.judgement.assess import check_plan
from eo_risk.plan.load_plan import load_plan, read_plan

SAMPLES = 256
STEP = {"min": 1.0, "h": 1.0, "C": 5.0}


def verdict(plan, name):
    result = check_plan(plan, samples=SAMPLES, advise=False)
    return next(item.verdict for item in result.items if item.name == name)


@pytest.fixture(scope="module")
def advised():
    from pathlib import Path

    demo = Path(__file__).resolve().parents[2] / "demo"
    names = ("wet_lumen", "mixed_load_thick_pvc", "small_patient", "unknown_grade")
    plans = {name: load_plan(demo / f"{name}.json") for name in names}
    return {name: (plan, check_plan(plan, samples=SAMPLES)) for name, plan in plans.items()}


def promises(advised):
    for plan, result in advised.values():
        for item in result.items:
            for action in item.actions:
                if action.new_verdict is not None:
                    yield plan, item, action


def test_every_promise_is_kept_and_is_the_smallest_step(advised):
    kept = 0
    for plan, item, action in promises(advised):
        assert verdict(apply(plan, item.name, action), item.name) == action.new_verdict
        kept += 1
        if action.amount is None or action.unit == "C":
            continue
        less = action.amount - STEP[action.unit]
        changed = plan if less == 0.0 and action.with_minutes is None else apply(
            plan, item.name, action, less
        )  # fmt: skip
        assert verdict(changed, item.name) != action.new_verdict, (item.name, action)
    assert kept >= 4


def test_every_item_that_is_not_within_gets_an_action(advised):
    for _, result in advised.values():
        for item in result.items:
            assert item.verdict == "Within" or item.actions, item.name


def test_no_aeration_warmer_than_the_lowest_item_allows(advised):
    for plan, result in advised.values():
        allowed = highest_allowed_c(plan)
        for item in result.items:
            for action in item.actions:
                if action.action == "aerate longer" and action.unit == "C":
                    assert allowed is not None
                    assert action.amount <= allowed


def test_no_warmer_aeration_when_one_highest_temperature_is_unknown(demo):
    raw = json.loads((demo / "small_patient.json").read_text(encoding="utf-8"))
    raw["items"][0]["instructions"]["highest_temperature_c"] = "unknown"
    result = check_plan(read_plan(raw), samples=SAMPLES)
    assert all(a.unit != "C" for item in result.items for a in item.actions)


def test_a_split_is_for_before_the_cycle_and_names_hours_and_share(advised):
    _, result = advised["mixed_load_thick_pvc"]
    splits = [a for item in result.items for a in item.actions if a.action == "split the load"]
    assert splits
    for action in splits:
        assert action.detail.startswith("before the cycle")
        assert "% of this load" in action.detail


def test_needed_sooner_than_the_hours_allow_asks_for_another_method(demo):
    raw = json.loads((demo / "dry_steel_set.json").read_text(encoding="utf-8"))
    raw["items"][0]["needed_by"] = "2026-04-14T09:00+02:00"
    item = check_plan(read_plan(raw), samples=64).items[0]
    assert item.verdict == "Hold"
    assert any(a.action == "use another method" for a in item.actions)
