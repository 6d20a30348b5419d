"""What an experienced reader expects of ten plain cases: the direction, not the digit.

Common practice, no source, but where a source stands beside the check.
"""

from dataclasses import replace

import numpy as np
import pytest

from eo_risk import units
from eo_risk.judgement.assess import check_plan
from eo_risk.judgement.inputs import ItemInputs
from eo_risk.judgement.load_air import levels
from eo_risk.judgement.load_context import load_context
from eo_risk.physics.layer import Body, Stage, run_layer
from eo_risk.plan.load_plan import load_plan, read_plan

SAMPLES = 64


def raw_of(demo, name, *picked):
    raw = load_plan(demo / f"{name}.json").model_dump(mode="json")
    raw["items"] = [raw["items"][i] for i in picked] if picked else raw["items"]
    return raw


def checked(raw, advise=True):
    return check_plan(read_plan(raw), samples=SAMPLES, advise=advise)


def codes(item, level=None):
    return {c.code for c in item.cautions if level in (None, c.level)}


def actions(item):
    return {a.action for a in item.actions}


def test_dry_steel_in_a_warm_cycle_and_half_a_day_of_air_is_within(demo):
    raw = raw_of(demo, "dry_steel_set", 0)
    assert raw["cycle"]["temperature_c"] == 55
    assert (raw["aeration"][0]["hours"], raw["aeration"][0]["temperature_c"]) == (12, 50)
    assert checked(raw).verdict == "Within"


def test_a_mask_among_steel_aired_as_steel_is_named_and_split_or_aired_longer(demo):
    raw = raw_of(demo, "mixed_load_thick_pvc", 0, 1)
    raw["aeration"][0]["hours"] = 1
    result = checked(raw)
    mask = result.items[1]
    assert result.verdict == "Hold"
    assert result.load.slowest_item == mask.name
    assert {"split the load", "aerate longer"} <= actions(mask)
    assert result.items[0].verdict == "Within"


def test_a_long_lumen_emptied_by_one_syringe_push_is_dried_again(demo):
    raw = raw_of(demo, "wet_lumen", 1)
    raw["items"][0]["lumens"][0] |= {"bore_mm": 3, "length_mm": 1250, "drying": [],
                                     "emptied": {"how": "syringe", "pushes": 1}}  # fmt: skip
    item = checked(raw).items[0]
    assert item.verdict == "Hold"
    assert "dry again" in actions(item)
    assert {"eo_starvation", "plug_beyond_penetration"} & codes(item)
    glycol = {r.model: r.band.p50 for r in item.residues if r.substance == "EG"}
    assert glycol["ceiling"] > glycol["film"] > 0.0


def test_rinsed_in_saline_is_rewashed_even_when_dry(demo):
    raw = raw_of(demo, "dry_steel_set", 2)
    raw["items"][0]["rinse_water"] = "saline"
    item = checked(raw).items[0]
    assert item.verdict == "Hold"
    assert "salt_left" in codes(item, "block")
    assert "rewash" in actions(item)
    raw = raw_of(demo, "wet_lumen", 1)
    chlorohydrin = {}
    for rinse in ("treated", "saline"):
        raw["items"][0]["rinse_water"] = rinse
        rows = checked(raw, advise=False).items[0].residues
        chlorohydrin[rinse] = max(r.band.p95 for r in rows if r.substance == "ECH")
    assert chlorohydrin["saline"] > chlorohydrin["treated"]


def test_needed_within_two_hours_is_another_method(demo):
    raw = raw_of(demo, "dry_steel_set", 0)
    raw["items"][0]["needed_by"] = "2026-04-14T08:30+02:00"
    item = checked(raw).items[0]
    assert item.verdict == "Hold"
    assert item.actions[0].action == "use another method"


def test_a_wet_item_needed_too_soon_begins_with_another_method(demo):
    """However it is dried, it comes out too late; for how long it would be dried is said after."""
    raw = raw_of(demo, "wet_lumen", 1)
    raw["items"][0]["needed_by"] = "2026-04-14T12:00+02:00"
    item = checked(raw).items[0]
    assert {"liquid_seen", "needed_too_soon"} <= codes(item, "block")
    assert item.actions[0].action == "use another method"
    assert "dry again" in actions(item)


@pytest.mark.parametrize(("rule", "held"), [("stop", True), ("warn", False)])
def test_irradiated_soft_pvc_is_another_method_where_the_site_says_stop(demo, rule, held):
    raw = raw_of(demo, "small_patient", 0)
    raw["rules"] |= {"irradiated_chlorinated": rule, "jurisdiction": "fr"}
    raw["items"][0]["irradiated_before"] = "yes"
    raw["aeration"][0]["hours"] = 60
    item = checked(raw).items[0]
    assert ("irradiated_chlorinated" in codes(item, "block")) == held
    assert "irradiated_chlorinated" in codes(item)
    assert ("use another method" in actions(item)) == held


def test_a_dry_chamber_after_hot_vacuum_is_humidified(demo):
    raw = raw_of(demo, "dry_steel_set", 0)
    raw["cycle"]["conditioning_rh_percent"] = 25
    raw["items"][0]["instructions"]["highest_temperature_c"] = 80
    raw["items"][0]["external_water"]["drying"] = [
        {"method": "vacuum", "minutes": 60, "air_temperature_c": 70, "vacuum_kpa": 2}
    ]
    item = checked(raw).items[0]
    assert item.verdict == "Hold"
    assert {"humidity_too_low", "desiccated"} <= codes(item)
    assert "humidify" in actions(item)


@pytest.mark.parametrize(("energy_kj_per_mol", "times"), [(40, 1.56), (60, 1.95)])
def test_ten_degrees_warmer_needs_half_to_two_thirds_of_the_time_and_leaves_glycol(
    demo, energy_kj_per_mol, times
):
    """exp(Ea/R (1/323.15 - 1/333.15)), uptake held as it is.

    8 mm thick, so that the hour or so by which the load is behind its air is below 2 % of it.
    """
    raw = raw_of(demo, "mixed_load_thick_pvc", 1)
    raw["items"][0]["instructions"]["highest_temperature_c"] = 60
    raw["items"][0]["parts"][0]["thickness_mm"] = 8
    own = {"material": "pvc_plasticised", "status": "measured", "source": "invented",
           "locator": "test", "spread": "exact"}  # fmt: skip
    raw["own_records"] = [
        own | {"id": f"own {q}", "quantity": q, "unit": "kJ/mol", "value": v, "low": v, "high": v}
        for q, v in (("activation", energy_kj_per_mol),)
    ]
    hours, glycol = {}, {}
    for temperature_c in (50, 60):
        raw["aeration"] = [raw["aeration"][0] | {"temperature_c": temperature_c}]
        item = checked(raw, advise=False).items[0]
        hours[temperature_c] = item.aeration.p50_s
        glycol[temperature_c] = max(r.band.p50 for r in item.residues if r.substance == "EG")
    assert hours[50] / hours[60] == pytest.approx(times, rel=0.02)
    assert glycol[60] >= glycol[50] * (1 - 1e-9)


def test_twice_as_thick_takes_four_times_as_long_from_an_even_start():
    """Crank 1975: time goes with the square of the thickness where diffusion alone rules."""
    hours = np.linspace(0.0, 40.0, 801)[1:]
    half = {}
    for thickness in (1e-3, 2e-3):
        stages = [Stage(units.to_si(0.05, "h"), 1e-11, 10.0) for _ in hours]
        left = run_layer(Body("sheet", thickness), stages, start_kg_per_m3=1.0).mean_kg_per_m3
        half[thickness] = np.interp(-0.5, -np.ravel(left)[1:], hours)
    assert half[2e-3] / half[1e-3] == pytest.approx(4.0, rel=0.01)


def room_levels(demo, changes, given_off, first_s=None):
    """Level of a room of 30 m3 over 24 h of aeration. [kg/m3]

    `given_off` makes the share held [kg] from the time [s]; `first_s` makes the first stage short.
    """
    raw = raw_of(demo, "dry_steel_set", 0)
    raw["aeration"] = [{"hours": 24, "temperature_c": 21, "place": "room"}]
    raw["room"] = {"volume_m3": 30, "air_changes_per_h": changes}
    context = load_context(read_plan(raw), 16, 1)
    timeline = context.timeline
    if first_s is not None:
        first = replace(timeline.aeration[0], duration_s=np.full(16, first_s))
        timeline = replace(timeline, aeration=(first, *timeline.aeration[1:]))
    seconds = np.cumsum([0.0, *(stage.duration_s[0] for stage in timeline.aeration)])
    held = given_off(seconds)[:, None] * np.ones(16)
    inputs = ItemInputs(context.draw.item("load"))
    return levels(context.plan, timeline, inputs, held)[:, 0]


def test_twice_the_air_changes_halve_the_steady_level_of_a_room(demo):
    """Box model: an even source G in changed air Q settles at G/Q."""
    ten, twenty = (room_levels(demo, n, lambda t: 1.0 - 1e-9 * t)[-1] for n in (10, 20))
    assert ten / twenty == pytest.approx(2.0, rel=1e-6)


def test_twice_the_air_changes_leave_the_peak_of_a_puff_as_it_is(demo):
    """Box model: what comes out at once, here 3 mg in a second, stands at its mass over V."""
    for changes in (10, 20):
        level = room_levels(demo, changes, lambda t: np.where(t > 0.0, 0.0, 3e-6), first_s=1.0)
        # In the second it takes to come out, 20 changes an hour carry 0.3 % of it away.
        assert level.max() == pytest.approx(3e-6 / 30.0, rel=3e-3)
        assert level.max() == level[1]
