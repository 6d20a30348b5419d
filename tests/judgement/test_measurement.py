"""A measurement is asked for only where it would decide, with one number and the cheapest way."""

import json

import pytest

from eo_risk import reference
from eo_risk.judgement.assess import check_plan
from eo_risk.judgement.change.measurement import cheapest
from eo_risk.judgement.load_context import load_context
from eo_risk.judgement.risk import Draw
from eo_risk.plan.load_plan import load_plan, read_plan

SAMPLES = 256


def measured(item):
    return [a for a in item.actions if a.action == "measure"]


def test_a_pinned_input_stands_at_its_quantile_and_moves_no_other():
    free, pinned = Draw(1, 64), Draw(1, 64, pinned={"eo.henry": 0.5, "item:a:x": 1.0})
    record = reference.record("eo.henry")
    assert pinned("eo.henry") == pytest.approx([record.value_si] * 64)
    assert (pinned("water.molar_mass") == free("water.molar_mass")).all()
    low_high = [
        d.item("a").own("x", "triangular", 0.5, 0.0, 2.0, "-").max() for d in (free, pinned)
    ]
    assert low_high[0] < low_high[1] == 2.0


@pytest.mark.parametrize("end", ["low", "high"])
@pytest.mark.parametrize("record_id", ["silicone.diffusivity", "load.temperature_lag"])
def test_the_end_of_a_range_is_what_the_record_says(record_id, end):
    from eo_risk.judgement.change.measurement import _end
    from eo_risk.judgement.influence import Effect

    record = reference.record(record_id)
    at = _end(Effect(record_id, 1.0, True), reference.records(), worse=end == "high")
    drawn = Draw(1, 8, pinned={record_id: at})(record_id)
    assert drawn == pytest.approx([getattr(record, f"{end}_si")] * 8)


@pytest.mark.parametrize(
    ("name", "way"),
    [("parts[0].wall_mm", "calliper"), ("parts[2].material", "read_the_grade"),
     ("lumens[0].bore_mm", "bore_gauge"), ("silicone.diffusivity", "residue_at_two_times"),
     ("water.lumen.hung.fraction", "weighed_water"), ("eo.hydrolysis_acid", "glycol_rinsed_off"),
     ("water.condensate.share", "weighed_after_conditioning"), ("load.temperature_lag", "logger"),
     ("aeration[0].air_changes_per_h", "air_flow"), ("parts[0].mass_g", "scales")],
)  # fmt: skip
def test_the_cheapest_measurement_of_an_input(name, way):
    assert cheapest(name).id == way


def test_every_input_an_item_can_rest_on_has_a_measurement(demo):
    for record in reference.records().values():
        assert cheapest(record.id).time_s > 0.0


@pytest.mark.parametrize(
    "family", [m.id for m in reference.materials().values() if m.members], ids=str
)
def test_every_member_of_a_family_is_tried_once(demo, family):
    """Member k stands from k/n to (k + 1)/n of the draw, so that its middle is (k + 0.5)/n."""
    from eo_risk.judgement.change.measurement import _known_values
    from eo_risk.judgement.inputs import ItemInputs
    from eo_risk.judgement.material.parts import substance_of

    item = load_plan(demo / "unknown_grade.json").items[0]
    part = item.parts[0].model_copy(update={"material": family})
    item = item.model_copy(update={"parts": (part,)})
    name, members = "parts[0].material", len(reference.material(family).members)
    tried = _known_values(item, name)
    drawn = {
        int(substance_of(family, "parts[0]", ItemInputs(
            Draw(1, 8, pinned={f"item:a:{name}": at}).item("a"))).chosen[0])
        for at in tried
    }  # fmt: skip
    assert drawn == set(range(members))
    assert len(tried) == members
    assert _known_values(item, "parts[0].faces") == (0.25, 0.75)
    assert _known_values(item, "silicone.diffusivity") == (0.5,)


def test_beyond_the_cap_names_the_number_that_moves_the_hours_most(demo):
    """Held at its middle value, no other of the strongest inputs changes the hours more."""
    plan = load_plan(demo / "mixed_load_thick_pvc.json")
    raw = plan.model_dump(mode="json")
    raw["rules"]["beyond_cap_h"] = 48
    raw["items"] = raw["items"][1:2]
    plan = read_plan(raw)
    item = check_plan(plan, samples=SAMPLES).items[0]
    assert item.aeration.beyond_cap
    (action,) = measured(item)
    assert "h by the estimate at 95 %, beyond the cap of 48 h" in action.detail

    from eo_risk.judgement.item_result import draft_item

    def hours(pinned):
        context = load_context(plan, SAMPLES, 1, pinned=pinned)
        return draft_item(context, 0, context.parts(0)).aeration.p95_s

    now = hours({})
    moved = {}
    for effect in draft_effects(plan)[:6]:
        own = effect.name not in reference.records()
        moved[effect.name] = abs(hours({f"item:{item.name}:{effect.name}" if own else effect.name:
                                        0.5}) - now)  # fmt: skip
    first = max(moved, key=moved.get)
    from eo_risk.judgement.influence import words

    assert f"changes this verdict, the one that moves it most: {words(first)}" in action.detail
    assert cheapest(first).how in action.detail


@pytest.mark.slow
def test_an_unknown_grade_says_what_knowing_it_would_bring(demo):
    plan = load_plan(demo / "unknown_grade.json")
    plan = plan.model_copy(update={"items": plan.items[1:]})
    (item,) = check_plan(plan, samples=SAMPLES).items
    (action,) = measured(item)
    assert "the one number that would settle most: grade of the material (" in action.detail
    assert ", depending on it)" in action.detail
    assert action.detail.startswith(reference.measurements()["read_the_grade"].how)


def draft_effects(plan):
    from eo_risk.judgement.item_result import draft_item

    context = load_context(plan, SAMPLES, 1)
    return draft_item(context, 0, context.parts(0)).matters.ranked


def near_its_limit(demo, hours):
    """One airway tube for a newborn, whose activation energy is an estimate (class C)."""
    raw = json.loads((demo / "small_patient.json").read_text(encoding="utf-8"))
    raw["items"] = raw["items"][1:2]
    raw["aeration"][0]["hours"] = hours
    return read_plan(raw)


def test_an_estimate_that_decides_is_to_be_measured_and_one_that_does_not_is_not(demo):
    asked = {}
    for hours in (22, 400):
        plan = near_its_limit(demo, hours)
        item = check_plan(plan, samples=SAMPLES).items[0]
        asked[hours] = measured(item)
    (action,) = asked[22]
    assert action.detail.startswith("have the EO residue of one piece tested")
    assert "; the verdict rests on" in action.detail
    assert asked[400] == []


def test_the_verdicts_named_are_those_at_the_ends(demo):
    plan = near_its_limit(demo, 22)
    item = check_plan(plan, samples=SAMPLES).items[0]
    (action,) = measured(item)
    name = next(e.name for e in draft_effects(plan)
                if reference.record(e.name).quantity in action.detail)  # fmt: skip
    assert reference.record(name).data_class == "C"
    for quantile, end in ((0.05, "low"), (0.95, "high")):
        from eo_risk.judgement.assess import finish, load_result
        from eo_risk.judgement.item_result import draft_item

        context = load_context(plan, SAMPLES, 1, pinned={name: quantile})
        made = draft_item(context, 0, context.parts(0))
        verdict = finish(context, made, 0, load_result(context, [made])).verdict
        assert f"{verdict} at its {end} end" in action.detail


def test_what_cautions_hold_no_measurement_of_a_number_can_change(demo):
    raw = near_its_limit(demo, 22).model_dump(mode="json")
    raw["items"][0]["instructions"]["eo_allowed"] = "no"
    assert measured(check_plan(read_plan(raw), samples=SAMPLES).items[0]) == []


def test_a_metal_item_far_from_every_reference_needs_none(demo):
    raw = json.loads((demo / "mixed_load_thick_pvc.json").read_text(encoding="utf-8"))
    raw["items"] = raw["items"][:1]
    raw["chamber"]["load_temperature_start_c"] = 55
    assert check_plan(read_plan(raw), samples=SAMPLES).items[0].actions == ()
