"""Coatings, earlier cycles and unknown grades in the parts of an item."""

import json
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from eo_risk.judgement.allowed.counted import released_in_contact
from eo_risk.judgement.assess import check_plan
from eo_risk.judgement.inputs import ItemInputs
from eo_risk.judgement.load_context import load_context
from eo_risk.judgement.material import earlier_cycles
from eo_risk.judgement.material.parts import (
    packaging_transfer,
    part_model,
    part_stages,
    run_part,
    run_stages,
)
from eo_risk.plan.load_plan import read_plan


@pytest.fixture
def held(demo):
    raw = json.loads((demo / "mixed_load_thick_pvc.json").read_text(encoding="utf-8"))

    def run(part=None, hours=None, **options):
        changed = json.loads(json.dumps(raw))
        changed["items"][1]["parts"][0].update(part or {})
        if hours is not None:
            changed["aeration"][0]["hours"] = hours
        context = load_context(read_plan(changed), 64, 1, follow=False)
        item = context.plan.items[1]
        inputs = ItemInputs(context.draw.item("one"))
        model = part_model(item, 0, inputs, packaging_transfer(item, inputs))
        return run_part(model, context.timeline, inputs, **options)

    return run


def test_no_accumulation_after_a_complete_aeration(held):
    """Residues did not rise over repeated cycles with complete aeration (Lucas et al. 2003)."""
    once, often = held(hours=2000), held(hours=2000, earlier_cycles=3)
    assert np.median(often[-1]) <= 1e-3 * np.median(once.max(axis=0))


def test_accumulation_after_an_incomplete_one(held):
    once, often = held(hours=1), held(hours=1, earlier_cycles=3)
    assert np.all(often[-1] > once[-1])


def test_a_glass_gathers_over_more_cycles_than_a_rubber(held):
    """Skins add up by the skin law, sqrt(1 + s) - sqrt(s): the n-th cycle before still counts."""
    glass = {"material": "pmma", "thickness_mm": 8.0, "plasticiser_percent": None}
    few, many = (held(glass, hours=12, earlier_cycles=n)[-1] for n in (3, 15))
    assert np.median(many / few) > 1.5
    assert np.all(held(glass, hours=12, earlier_cycles=200)[-1] >= many)
    few, many = (held(hours=12, earlier_cycles=n)[-1] for n in (3, 15))
    assert np.median(many / few) == pytest.approx(1.0, abs=0.02)


def test_what_cycles_beyond_those_followed_may_add_is_a_bound(held):
    """The bound from 30 of 45 cycles covers what the other 15 add in a run of all of them."""
    glass = {"material": "pmma", "thickness_mm": 8.0, "plasticiser_percent": None}
    followed = held(glass, hours=12, earlier_cycles=45)
    rise, most = earlier_cycles.unfollowed(45, followed)
    assert 0.01 < rise < 0.2
    assert most == pytest.approx(15 * rise)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(earlier_cycles, "MOST_FOLLOWED", 45)
        whole = held(glass, hours=12, earlier_cycles=45)
        assert earlier_cycles.unfollowed(45, whole) is None
    added = whole[-1] / followed[-1] - 1.0
    assert 0.2 * most < np.quantile(added, 0.95) < most
    assert earlier_cycles.unfollowed(45, held(hours=12, earlier_cycles=45)) is None
    assert earlier_cycles.unfollowed(30, followed) is None


def tube(length_m, faces):
    """Soft PVC 3/6 mm, as heavy as its length makes it at 1.2 g/cm3."""
    grams = np.pi / 4.0 * (0.6**2 - 0.3**2) * 100.0 * length_m * 1.2
    return {"shape": "tube", "outer_diameter_mm": 6.0, "wall_mm": 1.5, "mass_g": grams,
            "open_faces": faces, "thickness_mm": None, "plasticiser_percent": None,
            "density_g_per_cm3": 1.2}  # fmt: skip


def test_the_still_gas_of_a_long_bore_holds_its_wall_back(held):
    """The clearing time goes as length squared: 8.6 h at 0.3 m, 96 h at 1 m (soft PVC 3/6 mm).

    Slowest profile of the gas in a bore open at both ends (Crank 1975, ch. 2), computed, not
    measured. So in 24 h a short bore counts as an open face, one of 3 m as none. The chamber's
    pumping sweeps either: the uptake is the same.
    """
    lengths = (0.01, 0.3, 1.0, 3.0)
    runs = [held(tube(m, "both"), hours=24) for m in lengths]
    taken = [run.max(axis=0) / m for run, m in zip(runs, lengths, strict=True)]
    left = [run[-1] / run.max(axis=0) for run in runs]
    for other in taken[1:]:
        assert other == pytest.approx(taken[0], rel=1e-9)
    for short, long in pairwise(left):
        assert np.all(long > short)
    shut = held(tube(3.0, "outer"), hours=24)
    assert np.median(left[0]) < 0.5 * np.median(left[-1])
    # Never slower than a bore that lets nothing out, but for having taken up more.
    assert np.median(left[-1]) < np.median(shut[-1] / shut.max(axis=0)) * 1.3


def test_air_led_through_a_lumen_opens_its_wall(demo):
    """Flow through the lumen the tube is the wall of: then the bore counts as an open face."""
    raw = json.loads((demo / "mixed_load_thick_pvc.json").read_text(encoding="utf-8"))
    item = raw["items"][1]
    item["parts"] = [item["parts"][0] | tube(2.0, "both") | {"name": "tube"}]
    lumen = {"name": "bore", "bore_mm": 3.0, "length_mm": 2000.0, "wall_part": "tube"}
    left = []
    for flow in (None, 5.0):
        item["lumens"] = [lumen | {"aeration_flow_nl_per_min": flow}]
        context = load_context(read_plan(raw), 64, 1, follow=False)
        left.append(context.parts(1).total_kg[-1])
    assert np.all(left[1] < left[0])
    assert np.median(left[1] / left[0]) < 0.8


@pytest.mark.parametrize("material", ["pvc_plasticised", "pmma"])
def test_coarse_earlier_cycles_leave_what_fine_ones_do(demo, material):
    raw = json.loads((demo / "mixed_load_thick_pvc.json").read_text(encoding="utf-8"))
    raw["items"][1]["parts"][0] |= {"material": material, "plasticiser_percent": None}
    context = load_context(read_plan(raw), 64, 1, follow=False)
    item, timeline = context.plan.items[1], context.timeline
    inputs = ItemInputs(context.draw.item("one"))
    model = part_model(item, 0, inputs, packaging_transfer(item, inputs))
    stages = timeline.chamber[timeline.exposure_first :] + timeline.aeration
    fine = run_stages(model, [made * 4 for made in part_stages(model, stages, inputs)])[-1]
    found = run_part(model, timeline, inputs, earlier_cycles=3)[-1]
    assert found == pytest.approx(fine, rel=0.03)


def test_a_tight_coat_slows_what_is_under_it(held):
    bare = held(hours=48)
    coated = held({"coating": {"material": "pet", "thickness_mm": 0.1}}, hours=48)
    taken = bare.max(axis=0), coated.max(axis=0)
    assert np.median(taken[1]) < np.median(taken[0])
    share = [np.median(run[-1] / run.max(axis=0)) for run in (bare, coated)]
    assert share[1] > share[0]


def test_a_thin_fast_coat_changes_nothing(held):
    bare = held()
    coated = held({"coating": {"material": "silicone", "thickness_mm": 0.001}})
    assert np.median(coated[-1]) == pytest.approx(np.median(bare[-1]), rel=0.01)


def test_a_metal_coat_is_tight(held):
    assert np.all(held({"coating": {"material": "stainless_steel", "thickness_mm": 0.1}}) == 0.0)


def test_an_unknown_grade_covers_soft_and_hard(held):
    left = {m: held({"material": m, "plasticiser_percent": None})[-1]
            for m in ("pvc_unknown", "pvc_plasticised", "pvc_rigid")}  # fmt: skip
    low, high = np.quantile(left["pvc_unknown"], (0.05, 0.95))
    assert low <= np.median(left["pvc_rigid"]) <= high
    assert low <= np.median(left["pvc_plasticised"]) <= high


def test_what_leaves_in_contact_follows_the_course_of_the_item(demo):
    """After earlier cycles EO sits deeper, so less of it leaves in the first day of contact."""
    raw = json.loads((demo / "mixed_load_thick_pvc.json").read_text(encoding="utf-8"))
    raw["items"][1]["parts"][0] |= {"material": "pmma", "plasticiser_percent": None}
    raw["items"][1]["patient"] |= {"duration": "permanent"}
    raw["items"][1] |= {"earlier_eo_cycles": 3}
    context = load_context(read_plan(raw), 64, 1, follow=False)
    item, timeline = context.plan.items[1], context.timeline
    inputs = ItemInputs(context.draw.item("one"))
    model = part_model(item, 0, inputs, packaging_transfer(item, inputs))
    level = 1e-4 * np.ones(64)  # kg/m3 around the load in its aeration, invented
    gas = [(s.eo_start_kg_per_m3, s.eo_end_kg_per_m3) if s.step is None else (level, level)
           for s in timeline.injected]  # fmt: skip
    outputs = (len(timeline.injected) - 3, len(timeline.injected))
    (found,) = released_in_contact([model], item, inputs, timeline, gas, outputs,
                                 {"24h": 1.0, "30d": 30.0})  # fmt: skip
    whole = part_stages(model, timeline.injected, inputs, gas=gas)
    last = timeline.injected[-1]
    zero = np.zeros(64)
    day = replace(last, duration_s=np.full(64, 86400.0), temperature_k=np.full(64, 310.15),
                  eo_start_kg_per_m3=zero, eo_end_kg_per_m3=zero)  # fmt: skip
    bare = part_stages(model.bare(), [day], inputs)

    def share(cycles, dropped):
        held = run_stages(model, [
            made * (cycles - 1) + made[: len(made) - dropped] + worn
            for made, worn in zip(whole, bare, strict=True)
        ])  # fmt: skip
        return 1.0 - held[-1] / held[-2]

    assert found[0, 1] == pytest.approx(share(4, 0), rel=0.02)
    assert found[0, 0] == pytest.approx(share(4, 3), rel=0.02)
    assert np.all(found[1] > found[0])
    assert np.all(share(1, 0) > 1.05 * found[0, 1])


def test_an_unknown_mass_of_a_tube_of_known_size_is_that_of_its_size(demo):
    """PTFE, 3.8 x 0.4 mm, 700 mm: pi x 0.4 x 3.4 x 700 mm3 x 2.2 g/cm3 = 6.6 g, not 5 to 600 g."""
    raw = json.loads((demo / "wet_lumen.json").read_text(encoding="utf-8"))
    raw["items"] = raw["items"][1:]

    def checked(mass_g, outer_mm=3.8):
        raw["items"][0]["parts"][0] |= {"mass_g": mass_g, "outer_diameter_mm": outer_mm}
        (item,) = check_plan(read_plan(raw), samples=64, advise=False).items
        eo = next(r for r in item.residues if r.substance == "EO" and r.used_for_verdict)
        return eo.band.p95, {a.field: a for a in item.assumed}.get("parts[0].mass_g")

    (known, none), (blank, said), (unsized, drawn) = (
        checked(6.6), checked(None), checked(None, outer_mm=None)
    )
    assert none is None
    assert blank == pytest.approx(known, rel=0.01)
    assert said.low == said.high == pytest.approx(np.pi * 0.4 * 3.4 * 0.7 * 2.2, rel=0.03)
    assert drawn.low < said.low < drawn.high
    assert unsized != pytest.approx(known, rel=0.01)


def test_an_unknown_wall_is_what_its_outside_and_its_bore_leave(demo):
    """3.8 mm outside and a bore of 3 mm leave a wall of 0.4 mm; a wall that is given stays."""
    raw = json.loads((demo / "wet_lumen.json").read_text(encoding="utf-8"))

    def wall_m(**changed):
        raw["items"][1]["parts"][0] |= changed
        context = load_context(read_plan(raw), 64, 1, follow=False)
        return context.parts(1).made[0].body.thickness_m

    assert np.all(wall_m(wall_mm=0.3) == pytest.approx(0.3e-3))
    assert np.all(wall_m(wall_mm=None) == pytest.approx(0.4e-3))
    assert np.ptp(wall_m(outer_diameter_mm=None)) > 0.4e-3
