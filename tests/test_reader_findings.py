"""What a fresh reader ran into: each stays mended."""

import json

import pytest

from eo_risk.cli import main
from eo_risk.errors import InputError
from eo_risk.judgement.assess import check_plan
from eo_risk.output.answer import check_answer
from eo_risk.plan.load_plan import load_plan, read_plan


@pytest.fixture
def raw(demo):
    return json.loads((demo / "dry_steel_set.json").read_text(encoding="utf-8"))


def test_an_outside_left_dripping_is_liquid_seen(raw):
    raw["items"][0]["external_water"] = {"area_cm2": 100, "state": "dripping"}
    item = check_plan(read_plan(raw), samples=64, advise=False).items[0]
    assert item.verdict == "Hold"
    assert item.cautions[0].code == "liquid_seen"


def test_glycol_above_its_reference_names_the_water_that_may_stay(raw):
    raw["items"][0]["patient"] |= {"body_mass_kg": 0.4, "body_mass_reason": "smallest newborn"}
    raw["chamber"]["load_temperature_start_c"] = 45  # else what condenses passes it alone
    item = check_plan(read_plan(raw), samples=64).items[0]
    assert item.verdict == "Hold"
    dry = next(a for a in item.actions if a.action == "dry again")
    assert dry.unit == "mg"
    assert 0.0 < dry.amount < 1e6 * item.water_after_drying.p95


def test_glycol_of_condensate_alone_asks_for_a_warmer_load(raw):
    raw["items"][0]["patient"] |= {"body_mass_kg": 0.4, "body_mass_reason": "smallest newborn"}
    item = check_plan(read_plan(raw), samples=64).items[0]
    dry = next(a for a in item.actions if a.action == "dry again")
    assert dry.amount is None
    assert "let the load warm up" in dry.detail


def test_instructions_exceeded_says_what_to_do(raw):
    raw["items"][0]["instructions"]["highest_temperature_c"] = 50
    item = check_plan(read_plan(raw), samples=64).items[0]
    assert item.verdict == "Hold"
    assert any(a.action == "use another method" for a in item.actions)


def test_hours_that_were_not_reached_are_marked(demo):
    answer = check_answer(check_plan(load_plan(demo / "unknown_grade.json"), samples=64))
    handle = answer["items"][1]
    assert handle["aeration_h"]["unreached"]
    assert handle["aeration_h"]["beyond_cap"]
    assert answer["load"]["earliest_out"] is None
    assert all(a["unit"] != "h" for a in handle["actions"] if a["action"] == "split the load")


def test_a_file_that_cannot_be_written_is_bad_input(demo, capsys, tmp_path):
    target = str(tmp_path / "absent" / "x.html")
    for flag in ("--report", "--save"):
        assert main(["check", str(demo / "dry_steel_set.json"), flag, target]) == 2
        assert flag in capsys.readouterr().err


def test_a_year_no_clock_knows_is_refused(raw):
    raw["cycle_start"] = "9999-12-31T23:00+00:00"
    with pytest.raises(InputError, match="1970 to 2200"):
        read_plan(raw)


def test_seed_zero_is_a_seed(demo, capsys):
    main(["check", str(demo / "dry_steel_set.json"), "--samples", "64", "--seed", "0", "--json"])
    assert json.loads(capsys.readouterr().out)["seed"] == 0


def test_plain_words_for_a_missing_block_and_a_wrong_list(raw):
    del raw["cycle"]
    raw["items"] = "x"
    with pytest.raises(InputError) as caught:
        read_plan(raw)
    faults = {f.where: f for f in caught.value.faults}
    assert faults["cycle"].given == "nothing"
    assert faults["items"].allowed == "a list"


def test_residues_that_rise_give_no_release_time(tmp_path, capsys):
    rows = ["lot,aeration_h,substance,result,unit"]
    rows += [f"{lot},{h},EO,{v},mg" for lot in "ABC" for h, v in
             ((0, 1), (5, 2), (10, 3), (20, 6), (30, 8))]  # fmt: skip
    path = tmp_path / "rising.csv"
    path.write_text("\n".join(rows), encoding="utf-8")
    main(["lab", str(path), "--limit-mg", "9", "--json"])
    answer = json.loads(capsys.readouterr().out)
    assert answer["release_h"] is None
    assert answer["release_h_rounded"] is None


def test_what_of_the_residue_counts_is_always_said(raw):
    items = check_answer(check_plan(read_plan(raw), samples=64, advise=False))["items"]
    assert all("whole residue counts" in item["residue_counted"] for item in items)
