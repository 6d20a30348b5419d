"""The working day end to end: names, starting types, the clock, instructions, as run.

Invented plans; the rules are the project's own (the largest of the hours asked for stands,
liquid or too few hours hold an item), no published source.
"""

import json
import math
from datetime import datetime

import pytest

from eo_risk import reference
from eo_risk.judgement.assess import check_plan
from eo_risk.output.answer import check_answer
from eo_risk.plan.as_run import as_run
from eo_risk.plan.chart import read_chart
from eo_risk.plan.load_plan import load_plan, read_plan
from eo_risk.plan.site import plan_from_items, read_site, resolve
from eo_risk.plan.tables import items_csv, items_from_bytes, read_items

SAMPLES = 64


def check(raw_or_plan):
    plan = read_plan(raw_or_plan) if isinstance(raw_or_plan, dict) else raw_or_plan
    return check_plan(plan, samples=SAMPLES, advise=False)


def codes(item):
    return {caution.code for caution in item.cautions}


@pytest.fixture(scope="module")
def site(demo):
    return read_site(demo / "site.toml")


@pytest.fixture
def raw(demo):
    return json.loads((demo / "dry_steel_set.json").read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def dry_steel(demo):
    raw = json.loads((demo / "dry_steel_set.json").read_text(encoding="utf-8"))
    raw["items"] = raw["items"][2:]
    assert check(raw).verdict == "Within"
    return json.dumps(raw)


@pytest.fixture
def steel(dry_steel):
    """One dry steel set: Within, so that whatever holds it is the rule under test."""
    return json.loads(dry_steel)


def test_a_plan_by_names_and_written_out_gives_the_same_digits(demo, site, raw):
    named = json.loads((demo / "by_names" / "dry_steel_set.json").read_text(encoding="utf-8"))
    by_names, written_out = (check(resolve(plan, site)) for plan in (named, raw))
    assert by_names.plan_sha256 == written_out.plan_sha256
    assert check_answer(by_names) == check_answer(written_out)


def test_fourteen_items_chosen_by_type_give_a_verdict_table(site):
    types = list(reference.item_types())[::3][:14]
    assert len(types) == 14
    rows = [{"name": f"item {i}", "starting_type": kind, "packaging": "film_paper_pouch"}
            for i, kind in enumerate(types)]  # fmt: skip
    table = items_from_bytes(items_csv(rows).encode(), "items.csv")
    raw = plan_from_items(table.items, "warm 55", "cabinet 12 h", site,
                          cycle_start="2026-04-14T06:30")  # fmt: skip
    assessment = check(raw)
    assert len(assessment.items) == 14
    for item, kind in zip(assessment.items, types, strict=True):
        assert item.verdict in ("Hold", "Not assessed", "Close", "Within")
        assert item.reasons
        assert "parts[0].material" in item.starting_type, kind
        assert "from starting type" in {assumed.note for assumed in item.assumed}


def test_an_own_value_takes_the_words_from_starting_type_away(site):
    row = {"name": "tube", "starting_type": "silicone_tube_thin", "packaging": "film_paper_pouch"}
    own = row | {"parts": [{"mass_g": 10}], "lumens": [{"bore_mm": 4}]}
    fields = []
    for item in (row, own):
        raw = plan_from_items([item], "warm 55", "cabinet 12 h", site)
        assumed = check(raw).items[0].assumed
        fields.append({a.field for a in assumed if a.note == "from starting type"})
    assert {"parts[0].mass_g", "lumens[0].bore_mm"} <= fields[0] - fields[1]
    assert "parts[0].wall_mm" in fields[1]


@pytest.mark.parametrize("cycle", ["warm 55", pytest.param("cool 38", marks=pytest.mark.slow)])
def test_every_starting_type_gives_a_finite_assessment(site, cycle):
    rows = [
        {"name": kind, "starting_type": kind, "packaging": "film_paper_pouch",
         "patient": {"duration": "limited", "body_mass_kg": 70},
         "instructions": {"eo_allowed": "yes"}}
        for kind in reference.item_types()
    ]  # fmt: skip
    raw = plan_from_items(rows, cycle, "cabinet 12 h", site)
    items = check(raw).items
    assert len(items) == len(rows)
    for item in items:
        points = [x for r in item.residues for x in (r.band.p05, r.band.p50, r.band.p95)]
        assert points, item.name
        assert all(math.isfinite(x) and x >= 0.0 for x in points), item.name
        assert all(math.isfinite(x) for x in item.curve.eo.p95), item.name


def test_the_clock_of_the_day(steel):
    # 06:30 + 2.5 h + 12 h = 21:00; who needs it at 15:00 is told before the cycle.
    steel["cycle"] |= {"length_h": 2.5, "transfer_min": 0}
    steel["items"].append(steel["items"][0] | {"name": "early", "needed_by":
                                               "2026-04-14T15:00+02:00"})  # fmt: skip
    steel["items"].append(steel["items"][0] | {"name": "in time", "needed_by":
                                               "2026-04-14T21:00+02:00"})  # fmt: skip
    assessment = check(steel)
    assert assessment.load.earliest_out == datetime.fromisoformat("2026-04-14T21:00+02:00")
    assert [item.verdict for item in assessment.items] == ["Within", "Hold", "Within"]
    assert "needed_too_soon" in codes(assessment.items[1])
    assert "needed_too_soon" not in codes(assessment.items[2])


@pytest.mark.parametrize(
    ("start", "out"),
    [
        # 14.5 h later, over midnight; the clocks of the site go back or forward in between.
        ("2026-04-14T16:00+02:00", "2026-04-15T06:30+02:00"),
        ("2026-10-24T16:00+02:00", "2026-10-25T05:30+01:00"),
        ("2026-03-28T16:00+01:00", "2026-03-29T07:30+02:00"),
    ],
)
def test_the_time_out_over_midnight_and_a_change_of_the_clocks(steel, start, out):
    steel["cycle"] |= {"length_h": 2.5, "transfer_min": 0}
    steel |= {"cycle_start": start, "rules": steel["rules"] | {"time_zone": "Europe/Berlin"}}
    load = check(steel).load
    assert load.earliest_out.isoformat(timespec="minutes") == out
    assert ("clocks change" in load.time_note) == (start[-5:] != out[-5:])


def test_what_is_needed_too_soon_is_told_what_would_meet_it(site):
    # The steel needs its 12 h only; the mask beside it keeps the load far longer.
    items = [
        {"device": "thick soft mask", "droplets_seen": "no"},
        {"device": "retractor frame", "droplets_seen": "no", "external_water": {"state": "wiped"},
         "needed_by": "2026-04-15T08:00"},
    ]  # fmt: skip
    raw = plan_from_items(items, "warm 55", "cabinet 12 h", site, cycle_start="2026-04-14T06:30")
    frame = check_plan(read_plan(raw), samples=SAMPLES).items[1]
    assert codes(frame) == {"needed_too_soon"}
    offered = {action.action: action for action in frame.actions}
    assert {"split the load", "use another method"} <= set(offered)
    assert "before the cycle" in offered["split the load"].detail
    # In a load of its own it comes out in time.
    assert offered["split the load"].new_verdict == "Within"
    raw["items"] = raw["items"][1:]
    assert check(raw).verdict == "Within"


def test_the_lightest_patient_of_a_device_sets_its_limit(site):
    items = [{"device": "thick soft mask"}, {"device": "retractor frame"}]
    raw = plan_from_items(items, "warm 55", "cabinet 12 h", site)
    mask, frame = check(raw).items
    limits = []
    for item in (mask, frame):
        rows = [r for r in item.residues if (r.substance, r.period, r.unit) == ("EO", "24h", "mg")]
        limits.append(rows[0].limit)
    # ISO 10993-7:2008/Amd 1:2019: figures are for 70 kg and are scaled by body mass.
    assert limits[0] == pytest.approx(limits[1] * 12.0 / 70.0)


@pytest.mark.parametrize(
    ("path", "hours", "who"),
    [
        (("items", 0, "instructions", "aeration_h"), 15.0, "instructions"),
        (("site_minimum_aeration_h",), 16.0, "site minimum"),
        (("items", 0, "laboratory_release_h"), 17.0, "laboratory release time"),
    ],
)
def test_the_largest_of_the_hours_asked_for_stands_and_too_few_hold(steel, path, hours, who):
    owner = steel
    for key in path[:-1]:
        owner = owner[key]
    owner[path[-1]] = hours
    steel["items"][0]["laboratory_temperature_c"] = 21
    item = check(steel).items[0]
    assert item.aeration.required_s == pytest.approx(hours * 3600.0)
    assert item.aeration.governed_by == who
    # The residues alone would be Within: the rule holds the item.
    assert item.verdict == "Hold"
    assert codes(item) == {"aeration_below_required"}
    steel["aeration"][0]["hours"] = hours
    assert check(steel).items[0].verdict == "Within"


def test_hours_below_the_named_temperature_do_not_count(steel):
    steel["aeration"][0]["temperature_c"] = 45  # the instructions say 12 h at 50 C
    item = check(steel).items[0]
    assert item.verdict == "Hold"
    assert "aeration_below_required" in codes(item)


@pytest.mark.parametrize(
    "change",
    [
        lambda plan: plan["cycle"].update(temperature_c=61),
        lambda plan: plan["aeration"][0].update(temperature_c=61),
        lambda plan: plan["items"][0]["lumens"][0]["drying"][0].update(pressure_gauge_bar=1.6),
        lambda plan: plan["items"][0]["lumens"][0]["drying"][0].update(air_temperature_c=61),
        lambda plan: (plan["cycle"].update(total_pressure_kpa=260),
                      plan["items"][0]["instructions"].update(highest_chamber_kpa=250)),
    ],
)
def test_what_exceeds_the_instructions_holds(steel, change):
    # The instructions of this item: up to 60 C, 1.5 bar of air and 250 kPa in the chamber.
    change(steel)
    item = check(steel).items[0]
    assert item.verdict == "Hold"
    assert "instructions_exceeded" in codes(item)


def test_a_plan_as_run_is_assessed_with_what_was_measured(demo, raw):
    plan = read_plan(raw)
    run, differences = as_run(plan, read_chart(demo / "chart_dry_steel_set.csv"))
    before, after = check(plan), check(run)
    assert differences
    assert before.plan_sha256 != after.plan_sha256
    # 06:32 + 5 h 8 min cycle + 8 min on the way + 12 h + 30 min lost.
    assert after.load.required_s == pytest.approx(12 * 3600.0)
    assert after.load.earliest_out == datetime.fromisoformat("2026-04-15T00:18+02:00")


def test_a_list_and_the_site_file_give_the_load_sheet_data(demo, site):
    table = read_items(demo / "items_morning.csv")
    raw = plan_from_items(table.items, "warm 55", "cabinet 12 h", site,
                          cycle_start="2026-04-14T06:30")  # fmt: skip
    by_name = {item.name: item for item in check(raw).items}
    assert len(by_name) == 14
    assert "liquid_seen" in codes(by_name["long narrow channel"])
    assert "not_looked" in codes(by_name["balloon catheter"])
    assert by_name["steel suction tube"].verdict == "Within"


def warmer(plan):
    """Temperatures the advice proposes, over all items. [C]"""
    items = check_plan(plan, samples=SAMPLES).items
    return [a.amount for item in items for a in item.actions if a.unit == "C"]


def with_hours(demo, name, hours, highest_c=60):
    """A demo plan aerated for so long; the first item allows no more than `highest_c`."""
    raw = json.loads((demo / f"{name}.json").read_text(encoding="utf-8"))
    raw["aeration"][0]["hours"] = hours or raw["aeration"][0]["hours"]
    raw["items"][0]["instructions"]["highest_temperature_c"] = highest_c
    return read_plan(raw)


@pytest.mark.slow
def test_no_advice_of_a_demo_plan_is_warmer_than_the_lowest_limit_of_any_item(demo):
    proposed = []
    for path in sorted(demo.glob("*.json")):
        plan = load_plan(path)
        lowest = min(item.instructions.highest_temperature_c for item in plan.items)
        found = warmer(plan)
        assert all(celsius <= lowest for celsius in found), path.name
        proposed += found
    assert proposed


# The hours are those at which a few degrees move the verdict: with others nothing is proposed.
@pytest.mark.parametrize(
    ("name", "hours", "proposed_c"),
    [("small_patient", 19, 55),
     pytest.param("mixed_load_thick_pvc", 60, 60, marks=pytest.mark.slow),
     pytest.param("mixed_load_thick_pvc", 80, 55, marks=pytest.mark.slow),
     pytest.param("full_morning_load", None, 60, marks=pytest.mark.slow)],
)  # fmt: skip
def test_a_warmer_aeration_is_proposed_up_to_the_lowest_limit_of_any_item(
    demo, name, hours, proposed_c
):
    assert warmer(with_hours(demo, name, hours)) == [proposed_c]
    assert warmer(with_hours(demo, name, hours, proposed_c)) == [proposed_c]
    # Another item allows a degree less than the step that would move the verdict.
    assert warmer(with_hours(demo, name, hours, proposed_c - 1)) == []


def test_no_advice_is_warmer_when_one_limit_is_unknown(demo):
    raw = json.loads((demo / "small_patient.json").read_text(encoding="utf-8"))
    raw["aeration"][0]["hours"] -= 3  # plainly too short
    assert warmer(read_plan(raw))  # with every limit known a warmer aeration is proposed
    raw["items"][-1]["instructions"]["highest_temperature_c"] = "unknown"
    assert warmer(read_plan(raw)) == []
