"""The other way round: the promised water and minutes hold, one step more or less does not."""

import copy
import json

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from eo_risk.judgement.assess import check_plan
from eo_risk.judgement.change.search import largest_below, smallest
from eo_risk.judgement.item_result import draft_item
from eo_risk.judgement.load_context import load_context
from eo_risk.judgement.water.inverse import LOOK_AGAIN, water_allowed
from eo_risk.output.answer import check_answer
from eo_risk.output.wording import allowed_water
from eo_risk.plan.load_plan import read_plan
from eo_risk.plan.site import plan_from_items, read_site
from eo_risk.plan.tables import read_items
from eo_risk.units import floor_to

SAMPLES = 64


@pytest.fixture
def raw(demo):
    return json.loads((demo / "wet_lumen.json").read_text(encoding="utf-8"))


def one_item(raw, *, lumen=None, outside=None, joints=0):
    """Keep the sheath alone, with water in its lumen only unless asked otherwise."""
    raw = copy.deepcopy(raw)
    item = raw["items"][-1]
    item |= {"joints": joints, "rinse_water": "treated",
             "external_water": outside or {"measured_mg": 0, "scale_error_mg": 0}}  # fmt: skip
    item["lumens"][0] |= lumen or {}
    raw["items"] = [item]
    return read_plan(raw)


def draft_of(plan):
    context = load_context(plan, SAMPLES, 1)
    return draft_item(context, 0, context.parts(0), follow=False)


def film_p95_mg(plan):
    row = next(r for r in draft_of(plan).rows if r.substance == "EG" and r.model == "film")
    return row.band.p95 * 1e6


def weighed(raw, milligrams):
    return one_item(raw, lumen={"measured_mg": milligrams, "scale_error_mg": 0, "drying": []})


@pytest.mark.parametrize("body_mass_kg", [70, 3.5])
def test_that_mass_stays_below_and_a_milligram_more_does_not(raw, body_mass_kg):
    raw["items"][1]["patient"] |= {"body_mass_kg": body_mass_kg, "body_mass_reason": "booked"}
    found = water_allowed(draft_of(one_item(raw)).glycol)
    largest_mg, reference_mg = found.largest_kg * 1e6, found.reference_kg * 1e6
    assert reference_mg == pytest.approx(6.2 * min(1.0, body_mass_kg / 50.0))
    assert [place for place, _, _ in found.spread] == ["plug"]
    assert film_p95_mg(weighed(raw, largest_mg)) <= reference_mg
    assert film_p95_mg(weighed(raw, largest_mg + 1.0)) > reference_mg
    assert LOOK_AGAIN in found.note


def test_those_minutes_of_air_reach_it_and_one_less_does_not(raw):
    # Weak warm air, so that minutes are needed; the edit of the plan keeps the promise.
    step = {"method": "compressed_air", "minutes": 1, "air_temperature_c": 20,
            "air_rh_percent": 60, "flow_nl_per_min": 4}  # fmt: skip
    wet = {"emptied": {"how": "none"}, "drying": [step], "blocked": "no"}
    found = water_allowed(draft_of(one_item(raw, lumen=wet)).glycol)
    assert found.air_minutes > 1.0
    assert found.note == (f"{found.air_minutes:g} min more of compressed air through each lumen, "
                          f"{LOOK_AGAIN}")  # fmt: skip
    reference_mg = found.reference_kg * 1e6

    def after(minutes):
        more = [step, step | {"minutes": minutes}]
        return film_p95_mg(one_item(raw, lumen=wet | {"drying": more}))

    assert after(found.air_minutes) <= reference_mg
    assert after(found.air_minutes - 1.0) > reference_mg


def test_a_weighed_lumen_dries_from_what_was_weighed(raw):
    problem = draft_of(weighed(raw, 900.0)).glycol
    found = water_allowed(problem)
    assert found.air_minutes > 0.0
    last = problem.after_air(found.air_minutes, lumens=True, outside=False)
    before = problem.after_air(found.air_minutes - 1.0, lumens=True, outside=False)
    assert problem.glycol_kg(last) <= found.reference_kg < problem.glycol_kg(before)


def test_a_blocked_lumen_is_not_dried_by_air(raw):
    found = water_allowed(draft_of(one_item(raw, lumen={"blocked": "yes", "drying": []})).glycol)
    assert found.air_minutes is None
    assert "another way" in found.note
    assert LOOK_AGAIN in found.note


def test_water_on_the_outside_has_its_own_largest_mass(raw):
    raw["items"][1]["lumens"] = []
    item = raw["items"][1] | {"joints": 0, "rinse_water": "treated",
                              "external_water": {"measured_mg": 100, "area_cm2": 50}}  # fmt: skip
    raw["items"] = [item]
    problem = draft_of(read_plan(raw)).glycol
    found = water_allowed(problem)
    assert [place for place, _, _ in found.spread] == ["outside"]
    milligram = 1e-6
    assert problem.glycol_kg(problem.holding(found.largest_kg)) <= found.reference_kg
    assert problem.glycol_kg(problem.holding(found.largest_kg + milligram)) > found.reference_kg


def test_no_mass_is_named_where_the_lumen_cannot_hold_it(raw):
    # 0.3 mm x 100 mm hold 7 mg; that water makes some 0.1 mg EG, far below 6.2 mg.
    tiny = {"bore_mm": 0.3, "length_mm": 100, "drying": [], "emptied": {"how": "none"}}
    plan = one_item(raw, lumen=tiny)
    found = water_allowed(draft_of(plan).glycol)
    assert found.largest_kg is None
    item = check_answer(check_plan(plan, samples=SAMPLES))["items"][0]
    assert item["water_allowed"]["largest_mg"] is None
    assert "No water this item can hold" in allowed_water(item)


def test_answer_and_words_carry_it(raw):
    item = check_answer(check_plan(one_item(raw), samples=SAMPLES))["items"][0]
    allowed = item["water_allowed"]
    assert sum(entry["mg"] for entry in allowed["spread"]) == pytest.approx(allowed["largest_mg"])
    said = allowed_water(item)
    assert "screening reference" in said
    assert said.endswith(f"{LOOK_AGAIN}.")
    # What is printed is never more than what was found.
    assert floor_to(allowed["largest_mg"]) <= allowed["largest_mg"]


def test_where_an_action_names_minutes_no_second_time_stands_beside_it(raw):
    """Minutes of an action serve the whole verdict, those of the water its glycol alone."""
    raw["items"][1]["patient"] |= {"body_mass_kg": 20, "body_mass_reason": "booked"}
    item = check_answer(check_plan(read_plan(raw), samples=SAMPLES))["items"][1]
    assert any(a["action"] == "dry again" and a["unit"] == "min" for a in item["actions"])
    assert " min" in item["water_allowed"]["note"]
    said = allowed_water(item)
    assert " min" not in said
    assert said.endswith(f"{LOOK_AGAIN}.")
    assert item["water_allowed"]["note"] in allowed_water(item | {"actions": []})


@given(st.floats(1e-8, 1e-2), st.floats(0.2, 3.0), st.floats(0.0, 0.9), st.floats(1e-7, 1e-2))
def test_the_largest_mass_of_any_rising_law(root_kg, power, start, guess_kg):
    # EG = start + (1 - start) (m / root)^power passes 1 at the root.
    def glycol(mass):
        return start + (1.0 - start) * (mass / root_kg) ** power

    found = largest_below(glycol, 1.0, guess_kg)
    assert glycol(found) <= 1.0
    assert found == pytest.approx(root_kg, rel=0.02)
    assert root_kg - found <= 1e-6


def test_no_mass_and_every_mass():
    assert largest_below(lambda mass: 2.0 + mass, 1.0, 1e-3) is None
    assert largest_below(lambda mass: min(mass, 0.5), 1.0, 1e-3) == np.inf


@given(st.integers(0, 20), st.integers(1, 60), st.integers(1, 80))
def test_the_smallest_step(low, length, moves_from):
    found = smallest(low, low + length, lambda n: n >= moves_from)
    expected = next((n for n in range(low + 1, low + length + 1) if n >= moves_from), None)
    assert found == expected


def laid(item, allowed):
    """Write the mass named into an item, weighed where it says that it sits."""
    weighed = {place: floor_to(kg * 1e6, 2) for (place, lumen, kg) in allowed.spread if not lumen}
    item["external_water"] |= {"measured_mg": weighed.get("outside", 0.0), "scale_error_mg": 0,
                               "state": "unknown", "drying": []}  # fmt: skip
    lumens = {lumen: floor_to(kg * 1e6, 2) for (_, lumen, kg) in allowed.spread if lumen}
    for lumen in item.get("lumens") or []:
        lumen |= {"measured_mg": lumens.get(lumen["name"], 0.0), "scale_error_mg": 0, "drying": []}


def plans_of(demo):
    yield from (json.loads((demo / f"{name}.json").read_text(encoding="utf-8"))
                for name in ("wet_lumen", "small_patient"))  # fmt: skip
    site = read_site(demo / "site.toml")
    rows = read_items(demo / "items_morning.csv").items
    raw = plan_from_items(rows, "warm 55", "cabinet 12 h", site, cycle_start="2026-04-14T06:30")
    yield read_plan(raw).model_dump(mode="json")


def test_the_mass_named_is_what_a_check_of_that_weighing_keeps_below(demo):
    """Joints that may hold part of it, counted or not, and water beside it included."""
    tried = []
    for raw in plans_of(demo):
        for item in raw["items"]:
            one = copy.deepcopy(raw) | {"items": [copy.deepcopy(item)]}
            draft = draft_of(read_plan(one))
            allowed = water_allowed(draft.glycol)
            if not allowed.largest_kg:
                continue
            laid(one["items"][0], allowed)
            rows = draft_of(read_plan(one)).rows
            (band,) = (r.band for r in rows if r.substance == "EG" and r.model in ("film", "whole"))
            assert band.p95 <= allowed.reference_kg, item["name"]
            tried.append(item["name"])
    assert "wire basket" in tried
    assert len(tried) > 10


def test_where_condensate_makes_most_of_the_glycol_no_mass_is_the_action(demo):
    """In grams of water on a heavy basket its EG hardly moves: the cold load makes it."""
    *_, raw = plans_of(demo)
    raw["items"] = [i for i in raw["items"] if i["name"] == "wire basket"]
    result = check_plan(read_plan(raw), samples=SAMPLES)
    (item,) = result.items
    assert item.water_allowed.others_rule
    dry = [a for a in item.actions if a.action == "dry again"]
    assert dry
    assert all(a.unit != "mg" and "let the load warm up" in a.detail for a in dry)
    said = allowed_water(check_answer(result)["items"][0])
    assert said.startswith("Leftover water moves EG little")
    assert " 6.2 mg" in said
