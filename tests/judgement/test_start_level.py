"""A start level of the laboratory: it holds after the exposure it was measured after."""

import json

import numpy as np
import pytest

from eo_risk.judgement.assess import check_plan, load_context
from eo_risk.output.answer import check_answer
from eo_risk.output.terminal import terminal_table
from eo_risk.plan.load_plan import read_plan
from eo_risk.plan.own_numbers import OwnRecord

LOW, MIDDLE, HIGH = 20.0, 24.0, 30.0


@pytest.fixture(scope="module")
def raw(demo):
    plan = json.loads((demo / "mixed_load_thick_pvc.json").read_text(encoding="utf-8"))
    plan["cycle"] |= {"exposure_h": 3.0, "eo_mg_per_l": 600.0, "temperature_c": 50.0}
    return plan


def start_level(raw, **changed):
    """A start level of the mask, invented."""
    row = {"id": "mask start", "material": "pvc_plasticised", "quantity": "start_level",
           "value": MIDDLE, "low": LOW, "high": HIGH, "unit": "mg", "status": "measured",
           "source": "report 9", "locator": "table 1", "items": [raw["items"][1]["name"]],
           "after_exposure_h": 3.0, "after_eo_mg_per_l": 600.0,
           "after_temperature_c": 50.0}  # fmt: skip
    return row | changed


def with_record(raw, **changed):
    return read_plan(raw | {"own_records": [start_level(raw, **changed)]})


def test_the_aeration_starts_with_what_was_measured(raw):
    plan = with_record(raw)
    context = load_context(plan, 512, 1, follow=False)
    parts = context.parts(1)
    start = len(context.timeline.chamber) - context.timeline.exposure_first - 1
    milligrams = 1e6 * np.quantile(parts.total_kg[start], [0.05, 0.5, 0.95])
    assert milligrams == pytest.approx([LOW, MIDDLE, HIGH], rel=0.01)
    # Linear: the whole course is the shipped one times one number per sample.
    shipped = load_context(read_plan(raw), 512, 1, follow=False).parts(1)
    held = np.median(shipped.total_kg, axis=1) > 0.0
    times = parts.total_kg[held] / shipped.total_kg[held]
    assert times == pytest.approx(np.broadcast_to(times[0], times.shape), rel=1e-9)


def test_the_chlorohydrin_stays_as_the_cycle_makes_it(raw):
    def row(plan):
        rows = check_plan(plan, samples=64, seed=1, advise=False).items[1].residues
        band = next(r.band for r in rows if r.substance == "ECH")
        return band.p05, band.p50, band.p95

    shipped = row(read_plan(raw))
    assert min(shipped) > 0.0
    # But for a trace: the load gives off less into the air it shares.
    assert row(with_record(raw, value=4.0, low=3.0, high=5.0)) == pytest.approx(shipped, rel=1e-4)


@pytest.mark.parametrize(("status", "letter"), [("measured", "A"), ("estimated", "C")])
def test_its_class_is_that_of_its_status(raw, status, letter):
    plan = with_record(raw, status=status, value=24.0, low=6.0, high=96.0)
    item = check_plan(plan, samples=256, seed=1, advise=False).items[1]
    name = "pvc_plasticised.start_level"
    assert name in {influence.input for influence in item.matters_most}
    assert dict(item.records)[name] == letter


def test_other_items_and_numbers_stay_as_they_are(raw):
    mine, shipped = (load_context(read, 64, 1, follow=False)
                     for read in (with_record(raw), read_plan(raw)))  # fmt: skip
    for index in (0, 2):
        assert np.array_equal(mine.parts(index).total_kg, shipped.parts(index).total_kg)
    draws = [found.parts(1).inputs.draw for found in (mine, shipped)]
    for name in draws[1].variables:
        assert np.array_equal(*(draw.variables[name].samples for draw in draws)), name


def test_it_is_shown_with_its_report_and_exposure(raw):
    plan = with_record(raw)
    answer = check_answer(check_plan(plan, samples=128, seed=1, advise=False))
    (used,) = answer["items"][1]["own_records"]
    assert (used["replaces"], used["source"]) == ("pvc_plasticised.start_level", "report 9")
    assert used["note"] == "after 3 h in 600 mg/L of EO at 50 C"
    assert "after 3 h in 600 mg/L" in " ".join(terminal_table(answer, plan).split())
    assert answer["items"][0]["own_records"] == []


@pytest.mark.parametrize(
    ("cycle", "item", "said"),
    [({"exposure_h": 3.2}, {}, "exposure 3.2 h, 3 h as measured"),
     ({"eo_mg_per_l": 500.0}, {}, "EO 500 mg/L, 600 mg/L as measured"),
     ({"temperature_c": 55.0}, {}, "temperature 55 C, 50 C as measured"),
     ({"eo_mg_per_l": "unknown"}, {}, "EO unknown, 600 mg/L as measured"),
     ({}, {"earlier_eo_cycles": 2}, "2 cycle(s) before")],
)  # fmt: skip
def test_after_another_exposure_it_is_not_used_and_that_is_said(raw, cycle, item, said):
    other = raw | {"cycle": raw["cycle"] | cycle}
    other["items"] = [raw["items"][0], raw["items"][1] | item]
    found = check_answer(check_plan(with_record(other), samples=128, seed=1, advise=False))
    mask = found["items"][1]
    assert mask["own_records"] == []
    (why,) = (c["where"] for c in mask["cautions"] if c["code"] == "start_level_elsewhere")
    assert why == f"mask start: {said}"
    printed = " ".join(terminal_table(found, with_record(other)).split())
    shown = said.replace(" C", " °C")
    assert f"Not used item 2: mask start: {shown}: A start level measured" in printed
    plain = check_answer(check_plan(read_plan(other), samples=128, seed=1, advise=False))
    assert mask["residues"] == plain["items"][1]["residues"]


def test_set_points_that_differ_by_a_little_are_the_same_exposure(raw):
    """5 % and 2 C, as `decision.same_exposure_share` and `same_exposure_temperature` say."""
    alike = {"exposure_h": 3.15, "eo_mg_per_l": 570.0, "temperature_c": 52.0}
    plan = with_record(raw | {"cycle": raw["cycle"] | alike})
    assert check_plan(plan, samples=64, seed=1, advise=False).items[1].own_records


def test_a_trial_can_hold_it_at_its_middle(raw):
    context = load_context(with_record(raw), 64, 1, follow=False,
                           pinned={"pvc_plasticised.start_level": 0.5})  # fmt: skip
    start = len(context.timeline.chamber) - context.timeline.exposure_first - 1
    assert 1e6 * context.parts(1).total_kg[start] == pytest.approx(MIDDLE, rel=1e-9)
    assert context.drawn_as("pvc_plasticised.start_level", "mask") == "pvc_plasticised.start_level"


@pytest.mark.parametrize(
    ("changed", "said"),
    [({"after_exposure_h": None}, "belongs to its cycle"), ({"items": []}, "the devices"),
     ({"unit": "ug/g"}, "the EO in one device"), ({"temperature_c": 50.0}, "no temperature")],
)  # fmt: skip
def test_a_start_level_without_its_cycle_or_device_is_refused(raw, changed, said):
    with pytest.raises(ValueError, match=said):
        OwnRecord(**start_level(raw, **changed))
