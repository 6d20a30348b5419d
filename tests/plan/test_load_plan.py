"""The load plan: round trip, unknowns, faults collected with their paths."""

import copy
import json

import pytest

from eo_risk.errors import InputError
from eo_risk.plan.load_plan import LoadPlan, load_plan, parse_plan, plan_json, read_plan
from eo_risk.plan.site import Site, resolve


@pytest.fixture
def raw(demo):
    return json.loads((demo / "wet_lumen.json").read_text(encoding="utf-8"))


@pytest.mark.parametrize(
    "name",
    ["dry_steel_set", "wet_lumen", "mixed_load_thick_pvc", "small_patient", "unknown_grade",
     "full_morning_load"],
)  # fmt: skip
def test_every_demo_plan_reads_and_writes_back(demo, name):
    plan = load_plan(demo / f"{name}.json")
    again = parse_plan(plan_json(plan))
    assert again == plan
    assert again.sha256 == plan.sha256


@pytest.mark.parametrize("blank", [None, "unknown", "missing"])
def test_missing_null_and_unknown_mean_the_same(raw, blank):
    raw["items"][1]["parts"][0]["wall_mm"] = None
    expected = read_plan(raw)
    if blank == "missing":
        del raw["items"][1]["parts"][0]["wall_mm"]
    else:
        raw["items"][1]["parts"][0]["wall_mm"] = blank
    assert read_plan(raw).sha256 == expected.sha256
    assert '"wall_mm": "unknown"' in plan_json(expected)


def test_fingerprint_ignores_name_and_note_only(raw):
    first = read_plan(raw)
    renamed = read_plan({**raw, "name": "other", "note": "other"})
    assert renamed.sha256 == first.sha256
    raw["items"][0]["quantity"] += 1
    assert read_plan(raw).sha256 != first.sha256


def test_text_with_a_unit_is_turned_into_the_field_unit(raw):
    raw["cycle"]["temperature_c"] = "131 F"
    raw["cycle"]["evacuation_kpa"] = "27 inHg vacuum"
    raw["items"][1]["parts"][0]["outer_diameter_mm"] = "12 Fr"
    plan = read_plan(raw)
    assert plan.cycle.temperature_c == pytest.approx(55.0)
    assert plan.cycle.evacuation_kpa == pytest.approx(9.9, rel=0.01)  # 101.325 kPa ambient
    assert plan.items[1].parts[0].outer_diameter_mm == pytest.approx(4.0)


def test_a_plan_with_ten_faults_reports_all_ten_with_their_paths(raw):
    raw["items"][0]["quantity"] = -1
    raw["items"][0]["parts"][0]["material"] = "stainles_steel"
    raw["items"][0]["packaging"] = "paper_bag"
    raw["items"][1]["lumens"][0]["bore_mm"] = 0
    raw["items"][1]["parts"][1]["wall_mm"] = 9
    raw["items"][1]["patient"]["body_mass_kg"] = 0
    raw["items"][1]["droplets_seen"] = "maybe"
    raw["cycle"]["temperature_c"] = "400 C"
    raw["cycle"]["exposur_h"] = 3
    raw["cycle_start"] = "2026-04-14T06:30"
    with pytest.raises(InputError) as caught:
        read_plan(raw)
    faults = {fault.where: fault for fault in caught.value.faults}
    assert set(faults) >= {
        "items[0].quantity",
        "items[0].parts[0].material",
        "items[0].packaging",
        "items[1].lumens[0].bore_mm",
        "items[1].parts[1].wall_mm",
        "items[1].patient.body_mass_kg",
        "items[1].droplets_seen",
        "cycle.temperature_c",
        "cycle.exposur_h",
        "cycle_start",
    }
    assert "stainless_steel" in faults["items[0].parts[0].material"].allowed
    assert "exposure_h" in faults["cycle.exposur_h"].allowed
    assert "0.01 to 100 mm" in faults["items[1].lumens[0].bore_mm"].allowed


def test_a_key_twice_in_a_block_is_refused():
    with pytest.raises(InputError, match="'hours' twice"):
        parse_plan('{"aeration": [{"hours": 12, "place": "room", "hours": 2}]}')


@pytest.mark.parametrize("text", ["{", "[]", '{"schema_version": NaN}', '"plan"', "[" * 100_000])
def test_text_that_is_no_plan_is_refused(text):
    with pytest.raises(InputError, match="JSON"):
        parse_plan(text)


def test_a_missing_block_and_a_wrong_list_are_told_in_plain_words(raw):
    del raw["cycle"]
    raw["items"] = "x"
    with pytest.raises(InputError) as caught:
        read_plan(raw)
    faults = {f.where: f for f in caught.value.faults}
    assert faults["cycle"].given == "nothing"
    assert faults["items"].allowed == "a list"


def test_a_year_no_clock_knows_is_refused(raw):
    raw["cycle_start"] = "9999-12-31T23:00+00:00"
    with pytest.raises(InputError, match="1970 to 2200"):
        read_plan(raw)


@pytest.mark.parametrize(
    ("key", "block"),
    [("bore_mm", "lumens"), ("wall_mm", "parts"), ("contact_area_cm2", "patient"),
     ("eo_mass_percent", "gas"), ("air_changes_per_h", "aeration or room"), ("colour", "")],
)  # fmt: skip
def test_a_key_at_the_wrong_place_is_told_where_it_belongs(raw, key, block):
    raw["items"][0][key] = 1
    with pytest.raises(InputError) as caught:
        read_plan(raw)
    (fault,) = caught.value.faults
    there = f"; it is one of {block}" if block else ""
    assert (fault.where, fault.do) == (f"items[0].{key}", f"This key is not known here{there}.")


@pytest.mark.parametrize("text", ["25:00", "3 pm", "15.00", "tomorrow"])
def test_a_time_needed_that_is_none_is_told_both_ways_to_write_it(raw, text):
    raw["items"][0]["needed_by"] = text
    with pytest.raises(InputError) as caught:
        read_plan(resolve(raw, Site()))
    (fault,) = caught.value.faults
    assert (fault.where, fault.given) == ("items[0].needed_by", repr(text))
    assert "a time of day from 0:00 to 23:59, such as 15:00, or " in fault.allowed
    example = fault.allowed.rsplit(" ", 1)[-1]
    for time in ("15:00", example):  # what the message names is read
        raw["items"][0]["needed_by"] = time
        assert read_plan(resolve(raw, Site())).items[0].needed_by.hour == 15


def test_numbers_that_do_not_fit_together_are_refused(raw):
    raw["cycle"]["total_pressure_kpa"] = 20
    raw["cycle"]["washes"]["low_kpa"] = 99
    raw["items"][1]["lumens"][0]["measured_mg"] = 9e5
    raw["items"][1]["lumens"][0]["bore_mm"] = 4.5
    with pytest.raises(InputError) as caught:
        read_plan(raw)
    assert {fault.where for fault in caught.value.faults} == {
        "cycle.total_pressure_kpa",
        "cycle.washes.low_kpa",
        "items[1].lumens[0].measured_mg",
        "items[1].lumens[0].bore_mm",
    }


def test_plan_is_frozen(raw):
    plan = read_plan(raw)
    with pytest.raises(Exception, match="frozen"):
        plan.items[0].name = "other"
    assert isinstance(plan, LoadPlan)


def test_a_file_too_large_or_not_text_is_refused(tmp_path):
    big = tmp_path / "big.json"
    with big.open("wb") as handle:
        handle.truncate(200_000_000)
    with pytest.raises(InputError, match="MB"):
        load_plan(big)
    binary = tmp_path / "binary.json"
    binary.write_bytes(b"\xff\xfe\x00\x81")
    with pytest.raises(InputError, match="UTF-8"):
        load_plan(binary)
    with pytest.raises(InputError, match="Check the path"):
        load_plan(tmp_path / "absent.json")


def test_markup_in_a_name_is_kept_as_text(raw):
    raw["items"][0]["name"] = "<script>alert(1)</script>"
    assert read_plan(raw).items[0].name == "<script>alert(1)</script>"
    raw["items"][0]["name"] = "two\nlines"
    with pytest.raises(InputError, match="one line of text"):
        read_plan(raw)


def _pressure_faults(raw):
    try:
        read_plan(raw)
    except InputError as error:
        return {fault.where: fault for fault in error.faults}
    return {}


@pytest.mark.parametrize(
    ("percent", "balance", "total_kpa", "least_kpa"),
    [
        # 600 mg/L EO at 55 C are 37.2 kPa (ideal gas); 8.5 % by mass brings 400 kPa CO2,
        # 20 % brings 149 kPa, 20 % in N2 234 kPa; the vapour of 60 % RH is 9.5 kPa.
        (100, "none", 46, 46.6),
        (100, "none", 47, None),
        (8.5, "co2", 60, 447),
        (8.5, "co2", 450, None),
        (20, "co2", 190, 195.4),
        (20, "co2", 200, None),
        (20, "n2", 250, 280.4),
    ],
)
def test_a_total_pressure_that_the_mixture_exceeds_is_refused(
    raw, percent, balance, total_kpa, least_kpa
):
    raw["cycle"] |= {"eo_mg_per_l": 600, "temperature_c": 55, "conditioning_rh_percent": 60,
                     "evacuation_kpa": 9, "total_pressure_kpa": total_kpa,
                     "gas": {"eo_mass_percent": percent, "balance": balance}}  # fmt: skip
    found = _pressure_faults(raw)
    if least_kpa is None:
        assert found == {}
    else:
        fault = found["cycle.total_pressure_kpa"]
        assert float(fault.allowed.split()[0]) == pytest.approx(least_kpa, rel=0.005)
        assert "EO 37.2" in fault.do
        assert balance == "none" or balance.upper() in fault.do


def test_what_the_evacuation_left_counts_in_the_total_pressure(raw):
    raw["cycle"] |= {"eo_mg_per_l": 600, "temperature_c": 55, "conditioning_rh_percent": 60,
                     "evacuation_kpa": 30, "total_pressure_kpa": 60}  # fmt: skip
    assert "left by the evacuation 30" in _pressure_faults(raw)["cycle.total_pressure_kpa"].do


@pytest.mark.parametrize(
    ("gas", "where"),
    [
        ({"eo_mass_percent": 20}, "cycle.gas.balance"),
        ({"eo_mass_percent": 20, "balance": "unknown"}, "cycle.gas.balance"),
        ({"eo_mass_percent": "unknown", "balance": "co2"}, "cycle.gas.eo_mass_percent"),
    ],
)
def test_a_mixture_names_its_share_and_its_balance(raw, gas, where):
    raw["cycle"]["gas"] = gas
    assert set(_pressure_faults(raw)) == {where}


def test_a_plan_in_other_units_is_the_same_plan(raw):
    given = copy.deepcopy(raw)
    given["chamber"] = {"volume_l": 136, "load_temperature_start_c": 21}
    given["cycle"] |= {"temperature_c": 55, "evacuation_kpa": 8, "exposure_h": 3}
    given["items"][0]["lumens"] = [{"name": "l", "bore_mm": 4, "length_mm": 304.8}]
    other = copy.deepcopy(given)
    other["chamber"] = {"volume_l": "136000 mL", "load_temperature_start_c": "69.8 F"}
    other["cycle"] |= {"temperature_c": "131 F", "evacuation_kpa": "80 mbar absolute",
                       "exposure_h": "180 min"}  # fmt: skip
    other["items"][0]["lumens"] = [{"name": "l", "bore_mm": "12 Fr", "length_mm": "12 in"}]
    assert read_plan(other).sha256 == read_plan(given).sha256
