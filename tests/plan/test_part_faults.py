"""Parts, packaging, aeration and own records that cannot be: each fault with place and range."""

import copy
import json

import pytest

from eo_risk.cli import main
from eo_risk.errors import InputError
from eo_risk.plan.load_plan import read_plan

RECORD = {"id": "our D", "material": "pvc_plasticised", "quantity": "diffusivity", "value": 2e-8,
          "low": 1e-8, "high": 4e-8, "unit": "cm2/s", "status": "measured", "source": "report 7",
          "locator": "table 1"}  # fmt: skip


@pytest.fixture
def raw(demo):
    return json.loads((demo / "mixed_load_thick_pvc.json").read_text(encoding="utf-8"))


def faults_of(raw, path, value):
    """Put a value at a path such as ``items.1.packaging`` and return the faults of the plan."""
    changed = copy.deepcopy(raw)
    owner = changed
    *steps, last = path.split(".")
    for step in steps:
        owner = owner[int(step) if step.isdigit() else step]
    owner[last] = value
    with pytest.raises(InputError) as refused:
        read_plan(changed)
    return refused.value.faults


PART = "items.1.parts.0"
PLACE = "items[1].parts[0]"


@pytest.mark.parametrize(
    ("path", "value", "where", "allowed"),
    [
        (f"{PART}.thickness_mm", 0, f"{PLACE}.thickness_mm", "0.005 to 200 mm"),
        (f"{PART}.thickness_mm", 1e-200, f"{PLACE}.thickness_mm", "0.005 to 200 mm"),
        (f"{PART}.thickness_mm", 0.0015, f"{PLACE}.thickness_mm", "0.005 to 200 mm"),  # in metres
        (f"{PART}.thickness_mm", -3, f"{PLACE}.thickness_mm", "0.005 to 200 mm"),
        (f"{PART}.wall_mm", 0, f"{PLACE}.wall_mm", "0.005 to 100 mm"),
        (f"{PART}.outer_diameter_mm", 0, f"{PLACE}.outer_diameter_mm", "0.005 to 500 mm"),
        (f"{PART}.mass_g", -1, f"{PLACE}.mass_g", "more than 0"),
        (f"{PART}.density_g_per_cm3", 0, f"{PLACE}.density_g_per_cm3", "0.01 to 25 g/cm3"),
        (f"{PART}.material", "silicon", f"{PLACE}.material", "closest: silicone"),
        (f"{PART}.shape", "tub", f"{PLACE}.shape", "tube"),
        (f"{PART}.coating", {"material": "ptf"}, f"{PLACE}.coating.material", "ptfe"),
        (f"{PART}.coating", {"material": "ptfe", "thickness_mm": 0},
         f"{PLACE}.coating.thickness_mm", "more than 0 to 10 mm"),
        ("items.1.packaging", "paper_pouch", "items[1].packaging", "film_paper_pouch"),
        ("cycle.temperature_c", 121, "cycle.temperature_c", "-20 to 120 C"),
        ("aeration.0.temperature_c", -21, "aeration[0].temperature_c", "-20 to 120 C"),
        ("chamber.load_temperature_start_c", -30, "chamber.load_temperature_start_c",
         "-20 to 120 C"),
        ("aeration.0.hours", -1, "aeration[0].hours", "0 to 5000 h"),
        ("aeration.0.interrupted_h", -2, "aeration[0].interrupted_h", "0 to 5000 h"),
        ("aeration", [], "aeration", "one entry or more"),
        ("own_records", [RECORD | {"value": -2e-8}], "own_records[0].value", "more than 0"),
        ("own_records", [RECORD | {"low": 0}], "own_records[0].low", "more than 0"),
        ("own_records", [RECORD | {"low": 3e-8}], "own_records[0].value", "low <= value <= high"),
        ("own_records", [RECORD | {"spread": "normal"}], "own_records[0].low", "above zero"),
        ("own_records", [RECORD | {"temperature_c": 130}], "own_records[0].temperature_c",
         "-20 to 120 C"),
        ("own_records", [RECORD | {"material": "pvc"}], "own_records[0].material", "pvc_rigid"),
        ("own_records", [RECORD | {"quantity": "difusivity"}], "own_records[0].quantity",
         "diffusivity"),
        ("own_records", [RECORD | {"unit": "mm"}], "own_records[0].unit", "cm2/s"),
        ("own_records", [{k: v for k, v in RECORD.items() if k != "source"}],
         "own_records[0].source", "a value"),
    ],
)  # fmt: skip
def test_refused_with_place_and_range(raw, path, value, where, allowed):
    found = {fault.where: fault for fault in faults_of(raw, path, value)}
    assert set(found) == {where}
    assert allowed in found[where].allowed
    assert found[where].do
    if isinstance(value, int | float | str):
        assert str(value) in found[where].given


def test_own_numbers_of_any_spread_stay_above_zero(raw):
    """A uniform or triangular spread that reaches below zero would make a negative diffusivity."""
    for spread in ("uniform", "triangular", "normal", "lognormal"):
        below = RECORD | {"spread": spread, "low": -1e-8}
        assert {f.where for f in faults_of(raw, "own_records", [below])} == {"own_records[0].low"}
    narrow = RECORD | {"spread": "normal", "low": 1.8e-8, "high": 2.2e-8}
    read_plan({**raw, "own_records": [narrow]})


def test_check_refuses_with_every_fault_and_exit_code_2(raw, tmp_path, capsys):
    raw["items"][1]["parts"][0] |= {"thickness_mm": 0, "material": "silicon"}
    raw["items"][1]["packaging"] = "bag"
    raw["aeration"][0]["temperature_c"] = 500
    path = tmp_path / "plan.json"
    path.write_text(json.dumps(raw), encoding="utf-8")
    assert main(["check", str(path), "--json"]) == 2
    errors = json.loads(capsys.readouterr().out)["errors"]
    assert {e["where"] for e in errors} == {
        f"{PLACE}.thickness_mm", f"{PLACE}.material", "items[1].packaging",
        "aeration[0].temperature_c",
    }  # fmt: skip


@pytest.mark.parametrize(
    ("part", "field", "allowed"),
    [({"shape": "tube", "thickness_mm": 1.5}, "thickness_mm", "wall_mm for a tube"),
     ({"shape": "tube", "wall_mm": 1, "thickness_mm": 3}, "thickness_mm", "wall_mm for a tube"),
     ({"shape": "sheet", "wall_mm": 1, "thickness_mm": 3}, "wall_mm", "thickness_mm for a sheet"),
     ({"shape": "rod", "thickness_mm": 3, "outer_diameter_mm": 5}, "thickness_mm",
      "outer_diameter_mm for a rod"),
     ({"material": "silicone", "plasticiser_percent": 30}, "plasticiser_percent",
      "of pvc_plasticised only")],
)  # fmt: skip
def test_a_number_that_would_be_left_unread_is_refused(raw, part, field, allowed):
    plain = {"name": "body", "material": "pvc_plasticised", "mass_g": 20}
    (fault,) = faults_of(raw, "items.1.parts", [plain | part])
    assert fault.where == f"{PLACE}.{field}"
    assert fault.given == f"{part[field]:g}"
    assert fault.allowed == allowed


@pytest.mark.parametrize(
    "part",
    [{"shape": "sheet", "wall_mm": 1}, {"shape": "rod", "thickness_mm": 3},
     {"shape": "tube", "wall_mm": 1, "thickness_mm": 1, "outer_diameter_mm": 6},
     {"shape": "fibre", "thickness_mm": 3, "outer_diameter_mm": 3},
     {"material": "pvc_rigid", "plasticiser_percent": 0}],
)  # fmt: skip
def test_a_size_under_another_name_stands_in(raw, part):
    raw["items"][1]["parts"][0] = {"name": "body", "material": "silicone", "mass_g": 20} | part
    assert read_plan(raw).items[1].parts[0].mass_g == 20.0
