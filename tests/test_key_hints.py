"""A key or header that is not known: which field it may mean (invented spellings)."""

import pytest

from eo_risk.errors import InputError
from eo_risk.key_hints import unknown_key
from eo_risk.measured.results_table import results_from_bytes
from eo_risk.plan.load_plan import known_fields, read_plan
from eo_risk.plan.site_file import parse_site
from eo_risk.plan.tables import COLUMNS, HEADERS, table_from_bytes

PLAN = {"schema_version": 1, "cycle": {}, "aeration": [{}],
        "items": [{"name": "a", "parts": [{"name": "body", "material": "silicone"}],
                   "lumens": [{"name": "bore"}]}]}  # fmt: skip


def hint(block, key):
    """Return what a plan answers to a key in one of its blocks."""
    fields = known_fields()
    others = {name: names for name, names in fields.items() if name}
    return unknown_key("", repr(key), key, fields[block], "", others)


@pytest.mark.parametrize(
    ("block", "key", "asked"),
    [
        ("lumens", "diameter_mm", "bore_mm"),
        ("lumens", "inner_diameter_mm", "bore_mm"),
        ("lumens", "ID (mm)", "bore_mm"),
        ("lumens", "length_m", "length_mm (in mm)"),
        ("lumens", "thickness_cm", "thickness_mm (in mm) of coating or parts"),
        ("lumens", "lenght_mm", "length_mm"),
        ("lumens", "bore_g", "bore_mm (in mm)"),
        ("parts", "diameter_mm", "outer_diameter_mm"),
        ("parts", "inner_diameter_mm", "bore_mm of lumens"),
        ("parts", "thickness_cm", "thickness_mm (in mm)"),
        ("parts", "wall_thickness_mm", "thickness_mm or wall_mm"),
        ("parts", "weight_kg", "mass_g (in g)"),
        ("parts", "material_name", "material"),
        ("parts", "type", "material or shape"),
        ("parts", "density_kg_per_m3", "density_g_per_cm3 (in g/cm3)"),
        ("patient", "weight_kg", "body_mass_kg"),
        ("patient", "duration_h", "duration (without a unit)"),
        ("items", "wrap", "packaging"),
        ("items", "package", "packaging"),
        ("items", "diameter_mm", "outer_diameter_mm of parts or bore_mm of lumens"),
        ("cycle", "temp_c", "temperature_c"),
        ("cycle", "temperature", "temperature_c (in C)"),
        ("cycle", "eo_concentration", "eo_mg_per_l (in mg/L)"),
        ("cycle", "time_h", "exposure_h or length_h"),
        ("cycle", "wash_count", "count of washes"),
        ("aeration", "duration_h", "hours"),
        ("drying", "time_h", "minutes (in min)"),
        ("instructions", "max_temperature_c", "highest_temperature_c"),
    ],
)  # fmt: skip
def test_a_common_word_is_answered_with_the_field_meant(block, key, asked):
    assert hint(block, key).do.strip() == f"Did you mean {asked}?"


@pytest.mark.parametrize(
    ("key", "listed"),
    [("width_mm", "bore_mm, length_mm"), ("height_cm", "bore_mm, length_mm"),
     ("residue_ug", "measured_mg, scale_error_mg")],
)  # fmt: skip
def test_where_no_word_tells_the_fields_of_that_unit_are_listed(key, listed):
    found = hint("lumens", key)
    assert "Did you mean" not in found.do
    assert found.allowed.endswith(f"a unit like it: {listed}")


def test_a_column_of_words_is_no_length():
    lengths = [c.header for c in COLUMNS if c.unit in ("mm", "cm")]
    for key in ("width_mm", "width [in]"):
        listed = unknown_key("", "", key, HEADERS, "").allowed
        assert listed.endswith(f"a unit like it: {', '.join(lengths)}")


@pytest.mark.parametrize("key", ["colour", "widget", "", "°", "per", "per_l", "x" * 10_000,
                                 "edge " * 2000])  # fmt: skip
def test_a_key_like_no_field_is_not_guessed_at(key):
    assert "Did you mean" not in hint("rules", key).do


def test_what_may_be_any_of_many_is_listed_by_its_unit_and_not_guessed_at():
    found = unknown_key("", "", "temp_c", HEADERS, "")
    assert found.do == ""
    assert found.allowed.endswith(", ".join(c.header for c in COLUMNS if c.unit == "C"))


def test_every_field_is_found_by_its_own_words_and_never_by_a_wrong_one():
    """A field without its unit, or in capitals, asks for that field or several, first for it."""
    for block, fields in known_fields().items():
        for field in fields:
            said = unknown_key("", "", field.upper(), fields, "").do
            assert said.strip() == f"Did you mean {field}?", (block, field)
    for column in COLUMNS:
        said = unknown_key("", "", column.base.replace("_", " "), HEADERS, "").do
        assert column.header in said, column.header


def test_a_plan_asks_beside_where_a_key_belongs():
    raw = PLAN | {"items": [PLAN["items"][0] | {"lumens": [{"name": "bore", "diameter_mm": 3}],
                                                "wall_mm": 1, "wrap": "blue"}]}  # fmt: skip
    with pytest.raises(InputError) as caught:
        read_plan(raw)
    found = {fault.where: fault.do for fault in caught.value.faults}
    assert found == {
        "items[0].lumens[0].diameter_mm": "This key is not known here. Did you mean bore_mm?",
        "items[0].wall_mm": "This key is not known here; it is one of parts.",
        "items[0].wrap": "This key is not known here. Did you mean packaging?",
    }


def test_a_list_asks_by_header():
    table = table_from_bytes(b"Item,diameter [cm],Weight (g),material,wrap\na,1,2,silicone,x\n",
                             "items.csv")  # fmt: skip
    found = {fault.where: fault.do for fault in table.faults if "Did you mean" in fault.do}
    hint = "Use the headers of `eo-risk template items`. Did you mean "
    assert found == {
        "column 'Item'": f"{hint}name or device?",
        "column 'diameter [cm]'": f"{hint}outer_diameter_mm (in mm) or bore_mm (in mm)?",
        "column 'Weight (g)'": f"{hint}mass_g or body_mass_kg (in kg)?",
        "column 'wrap'": f"{hint}packaging?",
    }


def test_a_site_file_asks_too():
    with pytest.raises(InputError, match=r"Did you mean site_minimum_aeration_h\?"):
        parse_site("minimum_aeration_h = 12")
    site = parse_site('[[aerator]]\nname = "A"\ntemp_c = 50\n[[device]]\nname = "D"\n'
                      'lumens = [{ name = "l", diameter_mm = 3 }]\n')  # fmt: skip
    said = [fault.do for fault in site.broken_faults]
    assert [text.partition("Did you mean ")[2] for text in said] == ["bore_mm?", "temperature_c?"]


def test_a_list_of_results_asks_too():
    with pytest.raises(InputError, match=r"Did you mean aeration_h\?"):
        results_from_bytes(b"lot,time_h,substance,result,unit\nA,1,EO,2,mg\n", "lab.csv")
