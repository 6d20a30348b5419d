"""Materials, packaging, own records and earlier cycles through a whole check."""

import copy
import json

import numpy as np
import pytest

from eo_risk import reference
from eo_risk.judgement.assess import check_plan, load_context
from eo_risk.judgement.inputs import ItemInputs
from eo_risk.judgement.material.parts import (
    layer_stages,
    packaging_transfer,
    part_model,
    substance_of,
)
from eo_risk.output.answer import check_answer
from eo_risk.output.wording import assumed_line
from eo_risk.plan.load_plan import read_plan

PART = {"name": "one", "material": "silicone", "shape": "sheet", "thickness_mm": 1.0, "faces": 2,
        "mass_g": 20.0}  # fmt: skip


@pytest.fixture
def answer(demo):
    """Check an invented dry item of one part; keys of the item, the part and the plan change."""
    raw = json.loads((demo / "mixed_load_thick_pvc.json").read_text(encoding="utf-8"))

    def run(part=None, item=None, hours=12.0, celsius=50.0, air=30.0, samples=128, **plan):
        changed = copy.deepcopy(raw) | plan
        one = copy.deepcopy(raw["items"][2]) | {"lumens": [], "parts": [PART | (part or {})]}
        changed["items"] = [one | (item or {})]
        changed["aeration"] = [{"hours": hours, "temperature_c": celsius, "place": "cabinet",
                                "air_changes_per_h": air}]  # fmt: skip
        found = check_plan(read_plan(changed), samples=samples, seed=1, advise=False)
        return check_answer(found)["items"][0]

    return run


def left_mg(item, point="p50"):
    return item["parts"][0]["eo_mg"][point]


def codes(item):
    return {c["code"]: c["level"] for c in item["cautions"]}


def test_hours_of_a_part_are_followed_beyond_the_plan(answer):
    item = answer({"material": "pvc_plasticised", "thickness_mm": 4.0}, hours=1.0)
    hours = item["parts"][0]["aeration_h"]
    assert 1.0 < hours["p05"] < hours["p50"] < hours["p95"]
    # The only part of the item: its hours are those of the item, by the mass limit alone.
    assert hours["p95"] <= item["aeration_h"]["p95"] * 1.001


def test_no_accumulation_when_every_aeration_is_complete(answer):
    """No rise over repeated cycles (Lucas et al. 2003)."""
    part = {"material": "pvc_plasticised"}
    once, often = (answer(part, {"earlier_eo_cycles": n}, hours=48.0) for n in (0, 20))
    assert left_mg(once, "p95") > 0.0
    assert left_mg(often) == pytest.approx(left_mg(once), rel=1e-3)
    assert left_mg(often, "p95") == pytest.approx(left_mg(once, "p95"), rel=0.02)


def test_accumulation_when_they_are_not(answer):
    part = {"material": "pvc_plasticised", "thickness_mm": 4.0}
    once, often = (answer(part, {"earlier_eo_cycles": n}, hours=1.0) for n in (0, 20))
    for point in ("p05", "p50", "p95"):
        assert left_mg(often, point) > 1.1 * left_mg(once, point)
    assert "earlier_cycles" in codes(often)
    assert "earlier_cycles" not in codes(once)


RECORD = {"id": "our sheet", "material": "silicone", "quantity": "diffusivity", "value": 1e-8,
          "low": 9e-9, "high": 1.1e-8, "unit": "cm2/s", "temperature_c": 50, "status": "measured",
          "source": "report 7", "locator": "table 1"}  # fmt: skip


def test_an_own_record_moves_the_answer_and_is_named(answer):
    shipped, own = answer(), answer(own_records=[RECORD])
    assert left_mg(own) > 100.0 * left_mg(shipped)
    used = own["own_records"]
    assert [(r["id"], r["replaces"], r["source"]) for r in used] == [
        ("our sheet", "silicone.diffusivity", "report 7")
    ]
    assert {"id": "silicone.diffusivity", "class": "A"} in own["records"]
    other = answer({"material": "epdm"}, own_records=[RECORD])
    assert other["own_records"] == []


def test_outside_the_range_of_a_material_it_warns(answer):
    high = reference.record("silicone.diffusivity").valid_high_c
    assert "outside_material_range" not in codes(answer(celsius=high - 5.0))
    assert codes(answer(celsius=high + 5.0))["outside_material_range"] == "warn"


@pytest.mark.parametrize("celsius", [-20.0, 120.0])
def test_an_aeration_at_either_end_of_what_may_be_given_is_answered(answer, celsius):
    """Wet items too: water below 0 C counts as supercooled."""
    item = answer(item={"droplets_seen": "yes", "external_water": {"measured_mg": 100.0}},
                  celsius=celsius)  # fmt: skip
    assert codes(item)["outside_material_range"] == "warn"
    assert all(np.isfinite(row["p95"]) for row in item["residues"])
    assert left_mg(item) >= 0.0


@pytest.mark.parametrize("celsius", [-20.0, 120.0])
def test_a_cycle_at_either_end_of_what_may_be_given_is_answered(demo, celsius):
    """In all samples: the wet bulb of dry gas is colder still than the gas."""
    raw = json.loads((demo / "dry_steel_set.json").read_text(encoding="utf-8"))
    raw["cycle"] |= {"temperature_c": celsius, "total_pressure_kpa": None}
    for item in check_plan(read_plan(raw), advise=False).items:
        assert all(np.isfinite(row.band.p95) for row in item.residues)


def test_a_cooler_cycle_and_a_colder_load_load_more(answer, demo):
    """K falls with temperature: 2.3 times from 25 to 50 C for most, 1.65 for silicone."""
    raw = json.loads((demo / "mixed_load_thick_pvc.json").read_text(encoding="utf-8"))
    thin = {"thickness_mm": 0.1}
    taken = []
    for celsius, start in ((55.0, 50.0), (37.0, 35.0), (37.0, 15.0)):
        cycle = raw["cycle"] | {"temperature_c": celsius, "washes": {"count": 0}}
        chamber = raw["chamber"] | {"load_temperature_start_c": start}
        item = answer(thin, {"packaging": "none"}, hours=0.0, cycle=cycle, chamber=chamber)
        taken.append(item["curve"]["eo_mg"]["p50"][0])
    ratio = np.exp(reference.record("silicone.uptake_heat").value_si / 8.314
                   * (1 / 310.15 - 1 / 328.15))  # fmt: skip
    assert taken[1] / taken[0] == pytest.approx(ratio, rel=0.15)
    assert taken[2] > taken[1]


def test_packs_hold_back_in_their_order_and_foil_blocks(answer):
    """Coefficients from bare in moving air down to the middle of a pallet, all estimates."""
    packs = ["none", "medical_paper", "film_paper_pouch", "double_wrap", "rigid_container",
             "carton", "pallet_edge", "pallet_centre"]  # fmt: skip
    thin = {"thickness_mm": 0.5}
    left = [left_mg(answer(thin, {"packaging": pack}, hours=0.5)) for pack in packs]
    assert left == sorted(left)
    assert left[-1] > left[0]
    for pack, like in (("nonwoven_wrap", "medical_paper"), ("nested_tray", "double_wrap")):
        mine, other = (reference.record(f"packaging.{p}.transfer").value for p in (pack, like))
        assert mine == other
    for pack in reference.packagings().values():
        record = reference.record(f"packaging.{pack.id}.transfer")
        assert record.status == "estimated"
        assert not pack.permeable or record.low < record.value < record.high
    foil = answer(item={"packaging": "foil"})
    assert codes(foil)["pack_not_permeable"] == "block"
    assert foil["verdict"] == "Hold"


def test_a_bare_item_gives_off_more_slowly_in_still_air(demo):
    """3e-3 m/s in moving air, 1e-3 on a shelf; a pack lets through less than either."""
    raw = json.loads((demo / "mixed_load_thick_pvc.json").read_text(encoding="utf-8"))
    raw["aeration"] = [{"hours": 1.0, "temperature_c": 25.0, "place": place}
                       for place in ("cabinet", "room")]  # fmt: skip
    for pack in ("none", "medical_paper"):
        raw["items"][2] |= {"packaging": pack}
        context = load_context(read_plan(raw), 64, 1)
        item, inputs = context.plan.items[2], ItemInputs(context.draw.item("one"))
        model = part_model(item, 0, inputs, packaging_transfer(item, inputs))
        made = layer_stages(model, context.timeline.aeration, inputs)
        moving, still = made[0].transfer_outer_m_per_s, made[-1].transfer_outer_m_per_s
        assert np.all(still <= moving)
        assert np.array_equal(still, moving) == (pack != "none")
        if pack == "none":
            assert np.median(still) == pytest.approx(1e-3, rel=0.3)


def test_every_material_gives_a_finite_answer(answer):
    names = list(reference.materials())
    item = answer(item={"parts": [PART | {"name": m, "material": m} for m in names]},
                  hours=0.2, air=10_000.0, samples=16)  # fmt: skip
    assert np.isfinite([r["p95"] for r in item["residues"]]).all()
    assert [part["material"] for part in item["parts"]] == names
    for part in item["parts"]:
        absorbs = reference.material(part["material"]).behaviour != "none"
        assert np.isfinite(list(part["eo_mg"].values())).all()
        assert (part["eo_mg"]["p95"] > 0.0) == absorbs, part["material"]


FAMILIES = [m.id for m in reference.materials().values() if m.members]


@pytest.mark.parametrize("family", FAMILIES)
def test_a_family_gives_its_members_equal_weight(family, demo):
    raw = json.loads((demo / "mixed_load_thick_pvc.json").read_text(encoding="utf-8"))
    inputs = ItemInputs(load_context(read_plan(raw), 2048, 1).draw.item("one"))
    substance = substance_of(family, "parts[0]", inputs)
    counts = np.bincount(substance.chosen, minlength=len(substance.members))
    assert counts / counts.sum() == pytest.approx(1.0 / counts.size, rel=0.02)


@pytest.mark.parametrize("family", FAMILIES)
def test_5_to_95_percent_of_a_family_cover_its_members(family, answer):
    """Each member's median lies inside the family's band, but for a single one of many members.

    With more than ten members the extreme one has less than a tenth of the samples: it may lie
    beyond the 5 or 95 % point, the rest may not.
    """
    members = reference.material(family).members
    whole = answer({"material": family}, samples=1024)
    low, high = left_mg(whole, "p05"), left_mg(whole, "p95")
    medians = {m: left_mg(answer({"material": m}, samples=64)) for m in members}
    outside = [m for m, value in medians.items() if not low <= value <= high]
    assert len(outside) <= (2 if len(members) > 10 else 0), (low, high, medians)
    assert high > 10.0 * low


def test_a_choice_nobody_made_is_assumed_and_said(answer):
    item = answer({"material": "polyurethane_unknown", "faces": None}, hours=1.0)
    said = {row["field"]: assumed_line(row) for row in item["assumed"]}
    assert said["parts[0].material"].startswith("parts[0].material: assumed any of 2 grades: poly")
    assert said["parts[0].faces"] == "parts[0].faces: assumed 1 to 2 open faces"
    known = answer({"material": "polyurethane_soft"}, {"earlier_eo_cycles": 0}, hours=1.0)
    assert known["assumed"] == []


def test_an_unknown_grade_that_matters_is_what_is_asked(answer):
    item = answer({"material": "plastic_unknown", "thickness_mm": 3.0}, hours=1.0)
    assert item["question"]["field"] == "parts[0].material"
    assert item["question"]["text"].endswith("grades.")


def test_the_class_of_an_item_is_the_worst_of_its_parts_and_of_what_matters_most(answer):
    steel = answer({"material": "stainless_steel"}, {"external_water": {
        "area_cm2": 100, "measured_mg": 500, "scale_error_mg": 0}})  # fmt: skip
    letters = dict((row["id"], row["class"]) for row in steel["records"])
    most = [letters[row["input"]] for row in steel["matters_most"]]
    assert steel["class"] == max(most) == "C"  # what water does to glycol is no measured number
    measured = answer()
    assert measured["class"] >= max(part["class"] for part in measured["parts"])
