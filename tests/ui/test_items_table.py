"""The items as a table and back: nothing the table does not show is lost."""

import copy
import json

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from eo_risk.plan.load_plan import LoadPlan, parse_plan, plan_json
from eo_risk.plan.site_entries import UnitsShown
from ui import forms, items_table, paths, words

OWN = UnitsShown()  # every number in the unit of its field


@pytest.fixture
def items(demo):
    raw = json.loads((demo / "full_morning_load.json").read_text(encoding="utf-8"))
    return json.loads(plan_json(LoadPlan.model_validate(raw)))["items"]


def test_an_untouched_table_changes_nothing(items):
    assert items_table.items_of(items, items_table.frame_of(items, OWN), OWN) == items


def test_a_row_says_what_it_does_not_show(items):
    table = items_table.frame_of(items, OWN)
    shown = dict(zip(table["name"], table[items_table.ALSO], strict=True))
    for item in items:
        more = {"part": len(item["parts"]) - 1, "lumen": len(item["lumens"]) - 1}
        for what, count in more.items():
            assert (f"+{count} {what}" in shown[item["name"]]) == (count > 0), item["name"]
    assert any("part" in text for text in shown.values())
    lumen = {"name": "a", "drying": [{}, {}]}
    assert items_table.also({"parts": [{}], "lumens": [lumen, {"name": "b", "drying": [{}]}]}) == (
        "+1 lumen, +2 drying steps"
    )
    plain = [item for item in items if not items_table.also(item)]
    assert items_table.ALSO not in items_table.frame_of(plain, OWN)


def test_other_units_change_what_is_shown_and_nothing_else(items):
    units = UnitsShown(temperature="F", pressure="inHg", length="in", mass="oz")
    items[0]["parts"][0]["mass_g"] = 100.0 / 3.0  # no round number in either unit
    table = items_table.frame_of(items, units)
    assert items_table.items_of(items, table, units) == items
    assert float(table.loc[0, "parts[0].mass_g"]) == pytest.approx(
        100.0 / 3.0 / 28.349523125, rel=1e-5
    )
    table.loc[13, "parts[0].wall_mm"] = "1/2"  # inches
    assert items_table.items_of(items, table, units)[13]["parts"][0]["wall_mm"] == (
        pytest.approx(12.7)
    )


CHOICES = UnitsShown(temperature="F", pressure="mmHg", length="in", mass="oz", volume="mL")


@given(
    value=st.floats(-20.0, 1e5),
    unit=st.sampled_from(["C", "kPa absolute", "bar gauge", "mm", "g", "L", "mg/L", "h", ""]),
)
def test_an_untouched_number_comes_back_bit_by_bit_and_a_new_one_in_its_field(value, unit):
    seen = forms.number_shown(value, unit, CHOICES)
    assert forms.number_entered(value, seen, unit, CHOICES) == value
    # What is typed has six figures: near 0 C, where 32 F stands, a ten thousandth of a degree.
    fresh = forms.number_entered(None, seen, unit, CHOICES)
    assert fresh == pytest.approx(value, rel=1e-5, abs=2e-4)
    assert forms.number_entered(value, None, unit, CHOICES) is None


@pytest.mark.parametrize(
    ("typed", "kept"),
    [("140", 60.0), ("none", "none"), ("", None), (None, None), ("warm", "warm")],
)
def test_a_number_that_may_be_none_named_is_typed_as_text(typed, kept):
    """What is neither is kept for the plan, which refuses it with what is allowed."""
    entered = forms.number_entered(55.0, typed, "C", CHOICES)
    assert entered == (pytest.approx(kept) if isinstance(kept, float) else kept)
    for value in (54.321098765, "none", None):
        shown = forms.number_shown(value, "C", CHOICES)
        assert forms.number_entered(value, shown, "C", CHOICES) == value


def test_labels_name_the_unit_shown():
    units = UnitsShown(temperature="F", pressure="psi", length="in", mass="oz", volume="mL")
    fields = ("temperature_c", "pressure_gauge_bar", "vacuum_kpa", "bore_mm", "mass_g", "volume_l",
              "eo_mg_per_l")  # fmt: skip
    assert [words.label(field, units) for field in fields] == [
        "Temperature (°F)", "Pressure (psi gauge)", "Vacuum (psi absolute)", "Bore (in)",
        "Mass per piece (oz)", "Chamber volume (mL)", "EO concentration (mg/L)",
    ]  # fmt: skip


def test_one_edited_cell_changes_one_field(items):
    before = copy.deepcopy(items)
    table = items_table.frame_of(items, OWN)
    table.loc[13, "parts[0].wall_mm"] = "0.9"
    changed = items_table.items_of(items, table, OWN)
    assert items == before  # the base is never written into
    assert changed[13]["parts"][0]["wall_mm"] == 0.9
    changed[13]["parts"][0]["wall_mm"] = before[13]["parts"][0]["wall_mm"]
    assert changed == before  # the second part, lumens and drying steps are kept


def test_an_emptied_cell_is_unknown(items):
    table = items_table.frame_of(items, OWN)
    table.loc[0, "patient.body_mass_kg"] = pd.NA
    table.loc[0, "packaging"] = None
    changed = items_table.items_of(items, table, OWN)
    assert changed[0]["patient"]["body_mass_kg"] == "unknown"
    assert changed[0]["packaging"] == ""


def test_rows_may_be_removed_and_added(items):
    table = items_table.frame_of(items, OWN).drop(index=[0, 3])
    fresh = dict.fromkeys(table.columns, None) | {
        "name": "probe tip", "parts[0].material": "peek", "lumens[0].bore_mm": "1.5",
    }  # fmt: skip
    empty = dict.fromkeys(table.columns, None)
    table = pd.concat([table, pd.DataFrame([fresh, empty])], ignore_index=True)
    changed = items_table.items_of(items, table, OWN)
    assert [i["name"] for i in changed[:-1]] == [
        i["name"] for k, i in enumerate(items) if k not in (0, 3)
    ]
    assert changed[-1] == {
        "name": "probe tip", "parts": [{"name": "body", "material": "peek"}],
        "lumens": [{"name": "lumen", "bore_mm": 1.5}],
    }  # fmt: skip


def test_paths_read_and_write():
    raw = {"a": [{"b": "unknown"}], "c": "unknown"}
    assert paths.get(raw, "a[0].b") is None
    assert paths.get(raw, "a[1].b") is None
    paths.put(raw, "a[1].b", 2.0, {"a": "new"})
    paths.put(raw, "c.d[0].e", None)
    assert raw["a"] == [{"b": "unknown"}, {"name": "new", "b": 2.0}]
    assert raw["c"] == {"d": [{"e": "unknown"}]}


def blocks():
    """Every block of the plan that a form draws."""
    from eo_risk.plan import load_plan as plan

    return [plan.LoadPlan, plan.Item, plan.Part, plan.Coating, plan.Lumen, plan.Emptied,
            plan.DryingStep, plan.ExternalWater, plan.Beside, plan.PatientContact,
            plan.Instructions, plan.Chamber, plan.Cycle, plan.Washes,
            plan.Gas, plan.AerationStep, plan.Room, plan.Rules]  # fmt: skip


@pytest.mark.parametrize("block", blocks(), ids=lambda b: b.__name__)
def test_every_number_field_has_a_label_with_its_unit_and_no_label_stands_twice(block):
    kinds = forms.kinds(block)
    labels = [words.label(name) for name in kinds]
    assert len(set(labels)) == len(labels)
    for name, (kind, _) in kinds.items():
        if kind == "number":
            assert words.label(name).endswith(")"), name
            schema = block.model_json_schema()["properties"][name]["description"]
            unit = words.unit_of(name).removesuffix(" absolute")
            assert f" {unit}; or text with a unit" in schema, name


def test_every_simple_field_of_the_plan_has_a_widget(demo):
    plan = parse_plan((demo / "wet_lumen.json").read_text(encoding="utf-8"))
    lumen = plan.items[1].lumens[0]
    nested = {"emptied", "drying"}
    assert set(forms.kinds(type(lumen))) == set(type(lumen).model_fields) - nested


def test_markup_in_text_is_shown_as_it_stands():
    assert words.plain("**b** [x](y) <i> $a$ 2. | \u202e") == (
        r"\*\*b\*\* \[x\]\(y\) \<i\> \$a\$ 2\. \|  "
    )
