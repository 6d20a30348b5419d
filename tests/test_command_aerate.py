"""The command `aerate`: the laws of a layer, own records, the last resort, and bad input."""

import json

import numpy as np
import pytest

from eo_risk import reference
from eo_risk.cli import main
from eo_risk.judgement.material.bore import bore_transfer_m_per_s

PVC = {"--material": "pvc_plasticised", "--thickness-mm": "1", "--start-ug-per-g": "1000",
       "--temperature-c": "50", "--hours": "0,12,24"}  # fmt: skip


def command(capsys, changed=(), code=0):
    flags = PVC | dict(changed)
    words = [word for flag, value in flags.items() if value is not None for word in (flag, value)]
    assert main(["aerate", "--json", *words]) == code
    return json.loads(capsys.readouterr().out)


def faults(capsys, changed):
    return {e["where"]: e for e in command(capsys, changed, code=2)["errors"]}


def test_time_goes_with_thickness_squared(capsys):
    """Even start, same polymer: time ratio (L1/L2)^2, 1 %; half is left after 0.0492 L^2 / D."""
    half = [command(capsys, {"--thickness-mm": mm})["half_left_h"] for mm in ("1", "3")]
    assert half[1] / half[0] == pytest.approx(9.0, rel=0.01)


@pytest.mark.parametrize("material", ["pmma", "pvc_unknown", "plastic_unknown"])
@pytest.mark.parametrize("exposure_h", [None, "3"])
def test_half_is_left_when_the_median_of_the_same_answer_is_there(capsys, material, exposure_h):
    """Also for a family, whose median lies between its members."""
    part = {"--material": material, "--after-exposure-h": exposure_h}
    half = command(capsys, part)["half_left_h"]
    left = command(capsys, part | {"--hours": f"0,{half!r}"})["left_ug_per_g"]["p50"]
    assert left == pytest.approx([1000.0, 500.0], rel=1e-4)


def test_a_skin_empties_faster_at_first_and_leaves_a_tail(capsys):
    """Left after a 3 h exposure and 12 h at the same temperature: sqrt(5) - sqrt(4) = 0.236.

    No diffusivity in it: exact while the skin is thin and nothing resists outside.
    """
    skin = {"--material": "polycarbonate", "--thickness-mm": "20", "--after-exposure-h": "3",
            "--hours": "0,12,120"}  # fmt: skip
    left = command(capsys, skin)["left_ug_per_g"]
    assert left["p50"][1] == pytest.approx(236.0, rel=0.01)
    assert left["p05"][1] == pytest.approx(left["p95"][1], rel=0.02)
    even = command(capsys, skin | {"--after-exposure-h": None})["left_ug_per_g"]
    assert even["p50"][1] > left["p50"][1]


def test_faces_and_packaging_hold_back(capsys):
    base = command(capsys)["half_left_h"]
    assert command(capsys, {"--faces": "1"})["half_left_h"] == pytest.approx(4.0 * base, rel=0.01)
    packs = ["none", "film_paper_pouch", "rigid_container", "pallet_centre"]
    hours = [command(capsys, {"--packaging": pack})["half_left_h"] for pack in packs]
    assert hours == sorted(hours)
    # A pouch hardly slows a thick wall; the middle of a pallet does.
    assert hours[1] < 1.1 * hours[0]
    assert hours[3] > 1.5 * hours[0]


def test_chlorohydrin_is_slower_by_its_ratio(capsys):
    eo, ech = (command(capsys, {"--material": "polycarbonate", "--substance": name})["half_left_h"]
               for name in ("EO", "ECH"))  # fmt: skip
    assert ech / eo > 5.0  # D ratio about 0.1


def test_a_bore_counts_by_what_its_still_air_lets_through(capsys):
    """Between the outer face alone and both faces open, less the longer the bore is."""
    tube = {"--shape": "tube", "--outer-diameter-mm": "6"}
    alone = command(capsys, tube)["half_left_h"]
    hours = [command(capsys, tube | {"--bore-length-mm": mm})["half_left_h"]
             for mm in ("10", "300", "1000", "20000")]  # fmt: skip
    assert hours == sorted(hours)
    assert hours[0] < 0.5 * alone
    assert hours[-1] == pytest.approx(alone, rel=0.01)


def test_a_long_bore_clears_in_the_time_the_wall_holds_it_back():
    """(1 + K rho A_wall / A_bore) L^2 / (pi^2 D): 96 h for 1 m of soft PVC 3/6 mm at 50 C.

    Follows from the gas and the wall alone: the wall, well mixed, emptied through this
    coefficient. K rho 18 at 50 C, D of EO in air 1.6e-5 m2/s.
    """
    bore, outer, length, ratio = 3e-3, 6e-3, 1.0, 18.0
    through = bore_transfer_m_per_s(bore, length, 1.6e-5)
    wall_m2 = np.pi / 4.0 * (outer**2 - bore**2)
    clearing_h = (ratio * wall_m2 + np.pi / 4.0 * bore**2) / (np.pi * bore * through) / 3600.0
    assert clearing_h == pytest.approx(96.0, rel=0.02)


def test_metal_takes_up_nothing(capsys):
    found = command(capsys, {"--material": "titanium"})
    assert found["half_left_h"] is None
    assert not any(found["left_ug_per_g"]["p95"])
    assert found["cautions"] == []


def test_the_last_resort_says_so(capsys):
    found = command(capsys, {"--material": "food_contact_pbt", "--thickness-mm": "0.1"})
    assert ("correlation_only", "block") in {(c["code"], c["level"]) for c in found["cautions"]}
    assert found["class"] == "C"
    left = found["left_ug_per_g"]
    assert left["p05"][1] < 0.01 * left["p95"][1]


def test_outside_the_range_of_a_record_it_says_so(capsys):
    high = reference.record("pvc_plasticised.diffusivity").valid_high_c
    codes = [{c["code"] for c in command(capsys, {"--temperature-c": f"{t:g}"})["cautions"]}
             for t in (high, high + 1.0)]  # fmt: skip
    assert "outside_material_range" not in codes[0]
    assert "outside_material_range" in codes[1]


def test_foil_lets_nothing_out_and_is_not_allowed(capsys):
    found = command(capsys, {"--packaging": "foil"})
    assert found["left_ug_per_g"]["p50"][-1] == pytest.approx(1000.0)
    assert {c["code"]: c["level"] for c in found["cautions"]}["pack_not_permeable"] == "block"


RECORD = """
[[material_record]]
id = "our tubing D"
material = "pvc_plasticised"
quantity = "diffusivity"
value = 4e-9
low = 3e-9
high = 5e-9
unit = "cm2/s"
temperature_c = 50
status = "measured"
source = "report 7"
locator = "table 1"
"""


def test_a_record_of_the_site_replaces_the_shipped_one(capsys, tmp_path):
    site = tmp_path / "site.toml"
    site.write_text(RECORD, encoding="utf-8")
    shipped, own = command(capsys), command(capsys, {"--site": str(site)})
    # At the temperature it was measured: 0.0492 L^2 / D, less the air film outside.
    assert own["half_left_h"] == pytest.approx(0.0492 * 0.1**2 / 4e-9 / 3600.0, rel=0.02)
    assert own["half_left_h"] > 10.0 * shipped["half_left_h"]
    assert own["own_records"][0]["source"] == "report 7"
    assert {"id": "pvc_plasticised.diffusivity", "class": "A"} in own["records"]
    assert shipped["own_records"] == []


def test_a_broken_record_of_the_site_is_refused(capsys, tmp_path):
    """Left out, it would give way to a shipped record that may be faster."""
    site = tmp_path / "site.toml"
    site.write_text(RECORD.replace("low = 3e-9", "low = -3e-9"), encoding="utf-8")
    (where,) = faults(capsys, {"--site": str(site)})
    assert "our tubing D" in where
    assert where.endswith("low")


@pytest.mark.parametrize(
    ("flag", "value", "allowed"),
    [("--thickness-mm", "0", "0.005 to 200 mm"), ("--thickness-mm", "-1", "0.005 to 200"),
     ("--thickness-mm", "1e-200", "0.005 to 200"),
     ("--temperature-c", "-21", "from -20 to 120 C"), ("--temperature-c", "121", "-20 to 120"),
     ("--temperature-c", "nan", "-20 to 120"), ("--material", "silicon", "silicone"),
     ("--packaging", "pouch", "film_paper_pouch"), ("--hours", "24,12", "rising numbers"),
     ("--hours", "0,-5", "rising numbers"), ("--hours", "", "rising numbers"),
     ("--shape", "cube", "tube"), ("--substance", "EG", "EO"), ("--start-ug-per-g", "0", "more"),
     ("--faces", "3", "1 to 2"), ("--after-exposure-h", "0", "more than 0"),
     ("--bore-length-mm", "-5", "more than 0")],
)  # fmt: skip
def test_bad_input_is_refused_with_place_value_and_range(capsys, flag, value, allowed):
    found = faults(capsys, {flag: value})
    assert set(found) == {flag}
    assert value in found[flag]["given"] or value == ""
    assert allowed in found[flag]["allowed"]


def test_what_is_not_given_is_asked_for(capsys):
    assert faults(capsys, {"--hours": None})["--hours"]["given"] == "nothing"
    tube = faults(capsys, {"--shape": "tube"})
    assert tube["--outer-diameter-mm"]["given"] == "nothing"


def test_a_call_that_cannot_be_read_is_answered_in_json_too(capsys):
    """A list that starts with a minus reads as a flag."""
    for words in (["--hours", "-1,5"], ["--thickness", "1", "--mm"]):
        assert main(["aerate", "--json", *words]) == 2
        (error,) = json.loads(capsys.readouterr().out)["errors"]
        assert error["where"]
        assert "--help" in error["allowed"]


def test_every_fault_is_named_at_once(capsys):
    bad = {"--material": "PVC", "--thickness-mm": "0", "--temperature-c": "500", "--hours": "9,1"}
    assert set(faults(capsys, bad)) == set(bad)


def test_a_tube_needs_its_outer_diameter(capsys):
    assert "--outer-diameter-mm" in faults(capsys, {"--shape": "tube"})
    too_thick = {"--shape": "tube", "--outer-diameter-mm": "2"}
    assert "--thickness-mm" in faults(capsys, too_thick)


@pytest.mark.parametrize(
    ("shape", "flag", "value", "allowed"),
    [("sheet", "--outer-diameter-mm", "5", "tube, rod, sphere, fibre only"),
     ("sheet", "--bore-length-mm", "300", "tube only"), ("sphere", "--faces", "1", "sheet only"),
     ("rod", "--outer-diameter-mm", "5", "1 mm, as --thickness-mm")],
)  # fmt: skip
def test_a_size_that_would_count_for_nothing_is_refused(capsys, shape, flag, value, allowed):
    found = faults(capsys, {"--shape": shape, flag: value})
    assert set(found) == {flag}
    assert allowed in found[flag]["allowed"]


def test_what_cannot_be_run_is_refused_and_not_tried(capsys):
    tube = {"--shape": "tube", "--thickness-mm": "150", "--outer-diameter-mm": "400"}
    assert "to 100 mm" in faults(capsys, tube)["--thickness-mm"]["allowed"]
    skin = {"--packaging": "foil", "--after-exposure-h": "3"}
    assert "no EO gets in" in faults(capsys, skin)["--after-exposure-h"]["do"]


def test_the_diameter_of_a_rod_may_stand_under_both_names(capsys):
    rod = {"--shape": "rod", "--thickness-mm": "2"}
    twice = command(capsys, rod | {"--outer-diameter-mm": "2"})
    assert twice["half_left_h"] == command(capsys, rod)["half_left_h"]


def test_the_text_says_what_the_json_says(capsys):
    words = [word for pair in PVC.items() for word in pair]
    assert main(["aerate", *words]) == 0
    text = capsys.readouterr().out
    assert "half is left after" in text
    assert "data class B" in text


def test_metal_holds_none_and_the_records_are_named(capsys):
    flags = [word for pair in PVC.items() for word in pair]
    assert main(["aerate", *flags]) == 0
    assert "records: " in capsys.readouterr().out
    flags[1] = "stainless_steel"
    assert main(["aerate", *flags]) == 0
    assert "nothing of the start given is held in it" in capsys.readouterr().out
