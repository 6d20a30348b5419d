"""The air the load loads itself: heavy items slow their neighbours, nothing is lost."""

import json
from itertools import pairwise

import numpy as np
import pytest

from eo_risk.judgement.assess import check_plan, in_own_air, own_level
from eo_risk.judgement.load_air import depleted_level, levels, noticeable
from eo_risk.judgement.load_context import load_context
from eo_risk.judgement.simulate import in_other_air
from eo_risk.plan.load_plan import read_plan


@pytest.fixture
def raw(demo):
    return json.loads((demo / "mixed_load_thick_pvc.json").read_text(encoding="utf-8"))


def run(raw, changes, volume_l=200):
    raw = json.loads(json.dumps(raw))
    raw["aeration"] = [{"hours": 24, "temperature_c": 50, "air_changes_per_h": changes,
                        "place": "cabinet", "free_volume_l": volume_l}]  # fmt: skip
    raw["items"][1]["quantity"] = 10
    context = load_context(read_plan(raw), 64, 1, follow=False)
    clean = [context.parts(i) for i in range(len(context.plan.items))]
    context, level = in_own_air(context, clean)
    if context.load is not None:
        level = own_level(context)
    loaded = [in_other_air(parts, item, context.timeline, context.gas)
              for parts, item in zip(clean, context.plan.items, strict=True)]  # fmt: skip
    return context, clean, loaded, level


def held(parts, context):
    """EO of one piece over the aeration. [kg]"""
    return parts.total_kg[-len(context.timeline.aeration) - 1 :]


def in_load_and_air(context, _, loaded, level, volume_l=200):
    """EO of all pieces, and that of the air around them, over the aeration. [kg]"""
    items = context.plan.items
    load = sum((i.quantity or 1) * held(p, context) for i, p in zip(items, loaded, strict=True))
    return load, level * volume_l / 1000


def test_without_air_change_a_clean_item_gains_beside_a_heavy_one(raw):
    context, clean, loaded, _ = run(raw, 0)
    drain, drain_clean = held(loaded[2], context)[-1], held(clean[2], context)[-1]
    assert context.gas is not None
    assert np.all(drain > drain_clean)
    assert np.median(drain) > np.median(held(loaded[2], context)[1])  # it takes EO up from the air
    # The heavy item keeps more than in clean air.
    assert np.median(held(loaded[1], context)[-1]) > np.median(held(clean[1], context)[-1])


def test_what_leaves_the_load_is_in_the_air_when_none_is_changed(raw):
    load, in_air = in_load_and_air(*run(raw, 0))
    # The level between two outputs is a straight line for the items.
    assert load + in_air == pytest.approx(np.broadcast_to(load[0], load.shape), rel=0.01)


@pytest.mark.parametrize("changes", [0.0, 0.2, 0.3, 2, 3.0])
def test_load_and_air_together_never_gain(raw, changes):
    whole = sum(in_load_and_air(*run(raw, changes)))
    if changes:
        assert np.all(np.diff(whole, axis=0) <= 1e-9 * whole[:-1])
        assert np.all(whole[-1] < whole[0])
        assert np.median(whole[-1] / whole[0]) < 0.9
    else:
        # The items are run in a level that is a straight line between two outputs.
        assert np.all(np.diff(whole, axis=0) <= 0.01 * whole[0])
        assert np.all(whole[-1] <= whole[0])


def test_more_air_leaves_less(raw):
    left = []
    for changes in (0, 0.2, 2, 60):
        context, _, loaded, _ = run(raw, changes)
        left.append(np.median(held(loaded[1], context)[-1]))
    assert all(a >= b * (1 - 1e-9) for a, b in pairwise(left))


def test_well_aired_is_as_clean_air(raw):
    context, clean, loaded, _ = run(raw, 60)
    assert np.median(held(loaded[1], context)[-1]) == pytest.approx(
        np.median(held(clean[1], context)[-1]), rel=0.02
    )


def test_level_of_an_even_source_follows_its_closed_form(raw):
    """V dc/dt = E - n V c from clean air: E/(n V) (1 - exp(-n t)); box model."""
    raw["aeration"] = [{"hours": 2, "temperature_c": 50, "air_changes_per_h": 3,
                        "place": "cabinet", "free_volume_l": 500}]  # fmt: skip
    context = load_context(read_plan(raw), 16, 1, follow=False)
    seconds = np.concatenate([[0], np.cumsum([s.duration_s[0] for s in context.timeline.aeration])])
    emission = 1e-9
    given = (1e-3 - emission * seconds)[:, None] * np.ones(16)
    found = levels(context.plan, context.timeline, context.inputs, given)[:, 0]
    n = 3 / 3600
    assert found == pytest.approx(emission / (n * 0.5) * -np.expm1(-n * seconds), rel=1e-6)


@pytest.mark.parametrize(("changes", "pieces", "peak"), [(1, 10, 5e-3), (30, 2, 5e-5)])
def test_the_hours_of_an_item_do_not_hang_on_those_planned(raw, changes, pieces, peak):
    """A drain beside a heavy mask: its air is as loaded early on however long the plan goes."""
    found = []
    for hours in (2, 12, 96):
        raw["aeration"] = [{"hours": hours, "temperature_c": 50, "air_changes_per_h": changes,
                            "place": "cabinet", "free_volume_l": 200}]  # fmt: skip
        raw["items"][1]["quantity"] = pieces
        result = check_plan(read_plan(raw), samples=256, advise=False)
        found.append([item.aeration.p95_s for item in result.items[1:]])
        assert result.load.aerator_air_peak_kg_per_m3 > peak
    assert found[0] == pytest.approx(found[1], rel=0.03)
    assert found[2] == pytest.approx(found[1], rel=0.03)


@pytest.mark.parametrize(("half_left_h", "tells"), [(0.1, False), (2.0, True)])
def test_minutes_that_the_air_adds_are_not_worth_a_second_run(half_left_h, tells):
    """The same share of the hours, 10 % of them and more, of a quick item and of a slow one."""
    time_s = np.linspace(0.0, 100 * half_left_h, 1001) * 3600.0
    held = np.exp2(-time_s / 3600.0 / half_left_h)[:, None] * np.ones(8)
    limit = 2.0**-5
    level = 0.5 * held  # in the air around, so that it keeps half as much again
    level[-1] = 0.0
    assert noticeable(time_s, level, held, 1.0, limit) is tells


def test_zero_air_change_is_legal_and_shows(raw):
    raw["aeration"][0]["air_changes_per_h"] = 0
    result = check_plan(read_plan(raw), samples=64, advise=False)
    assert result.load.aerator_air_peak_kg_per_m3 > 1e-4


def test_a_load_that_takes_up_much_thins_the_gas(raw):
    """What the load takes is missing in the gas; it takes less than from gas that is made up."""
    raw = json.loads(json.dumps(raw))
    raw["items"][1]["quantity"] = 40
    plan = read_plan(raw)
    context = load_context(plan, 64, 1, follow=False)
    load = [context.parts(i) for i in range(len(plan.items))]
    timeline, inputs = context.timeline, context.inputs
    left = depleted_level(plan, timeline, inputs.aside(), load)
    full = timeline.chamber[timeline.exposure_first].eo_end_kg_per_m3
    volume = inputs.number("chamber.volume_l", plan.chamber.volume_l, "L", "assumed.chamber_volume")
    free = volume * inputs.draw("chamber.free_share")
    taken = (full - left) * free
    end = timeline.exposure_last - timeline.exposure_first + 1
    held = sum((item.quantity or 1) * parts.total_kg
               for item, parts in zip(plan.items, load, strict=True))  # fmt: skip
    assert np.all(left < full)
    # Between what gas kept full would give, and gas at the lowest level all along; what was
    # taken up until the injection ended was made up by it.
    assert np.all(taken < held[end] - held[1])
    assert np.all(taken > held[end] * left / full - held[1])
    result = check_plan(plan, samples=64, advise=False)
    assert result.load.depleted_eo_kg_per_m3 == pytest.approx(np.median(left), rel=1e-9)
    # Charge and thinning are of one volume: the gas around the load.
    assert result.load.eo_charge_kg == pytest.approx(np.median(free * full), rel=1e-9)
    assert any(c.code == "load_depletes_eo" and "mg/L left" in c.where for c in result.cautions)


def test_a_load_that_takes_little_is_not_said_to_thin_the_gas(demo):
    plan = read_plan(json.loads((demo / "dry_steel_set.json").read_text(encoding="utf-8")))
    assert check_plan(plan, samples=64, advise=False).load.depleted_eo_kg_per_m3 is None


def test_a_coat_gives_off_into_the_air_too(raw):
    """A third of a sheet laid on it as a coat of the same material is the same sheet."""
    part = raw["items"][1]["parts"][0]
    del part["plasticiser_percent"]
    whole, _, _, expected = run(raw, 0)
    part |= {"thickness_mm": 2.0, "mass_g": 50.0,
             "coating": {"material": part["material"], "thickness_mm": 0.5}}  # fmt: skip
    coated, _, _, level = run(raw, 0)
    assert coated.load is not None
    assert whole.load is not None
    assert level == pytest.approx(expected, rel=0.01, abs=1e-9)


@pytest.mark.parametrize("core", ["stainless_steel", "pp"])
def test_a_neighbour_gains_from_a_coat_on_metal_or_polymer(raw, core):
    part = raw["items"][1]["parts"][0]
    del part["plasticiser_percent"]
    part |= {"material": core, "coating": {"material": "pvc_plasticised", "thickness_mm": 0.3}}
    context, clean, loaded, level = run(raw, 0)
    load, in_air = in_load_and_air(context, clean, loaded, level)
    assert load + in_air == pytest.approx(np.broadcast_to(load[0], load.shape), rel=0.02)
    assert np.all(held(loaded[2], context)[-1] > held(clean[2], context)[-1])
    del part["coating"]
    *_, bare = run(raw, 0)
    assert np.median(level[-1]) > np.median(bare[-1])
