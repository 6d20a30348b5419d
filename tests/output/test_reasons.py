"""Why an item has its verdict: every cause is named, and one residue decides for every reader."""

import copy
from dataclasses import replace

import pytest

from eo_risk.judgement.assess import check_plan
from eo_risk.judgement.reasons import row_text
from eo_risk.judgement.result import Band, Residue
from eo_risk.output.answer import check_answer
from eo_risk.output.numbers import band_text, hours_up
from eo_risk.output.report import sheet_html
from eo_risk.output.terminal import terminal_table
from eo_risk.output.verdict_wording import (
    causes,
    reason_with_number,
    ruling_residue,
    ruling_text,
    short_reason,
    standing_text,
    verdict_line,
    why,
)
from eo_risk.output.wording import hours_at_95, required_hours, short_water
from eo_risk.plan.load_plan import load_plan

GLYCOL = {
    "code": "glycol_above_reference", "level": "block", "where": "",
    "text": "The leftover water may become more glycol than the reference. It stays.",
    "action": "Dry again.",
}  # fmt: skip


@pytest.fixture
def held(answer):
    """An item held by its glycol and, at 5 %, by EO as well."""
    item = copy.deepcopy(answer["items"][0])
    item["cautions"] = [GLYCOL]
    item["causes"] = [GLYCOL["text"]]
    by_quantity = {row["quantity"]: row for row in item["residues"] if row["substance"] == "EO"}
    by_quantity["mg_per_device"].update(p05=5.0, p50=20.0, p95=80.0)
    by_quantity["ug_per_cm2"].update(p05=0.1, p50=9.0, p95=4000.0, limit=10.0)
    answer["items"][0] = item
    return item


def test_a_hold_by_glycol_and_by_eo_names_both(held):
    reason = short_reason(held)
    assert "more glycol than the reference" in reason
    assert "EO above its limit" in reason
    assert "It stays" not in reason  # the whole caution stands with what blocks


def test_a_hold_by_glycol_shows_its_number_wherever_the_reason_stands(held, answer, plan):
    for row in held["residues"]:
        if row["substance"] == "EG":
            over = 2.0 if row["model"] in ("whole", "film") else 9.0
            row.update(p05=0.1, p50=3.0, p95=over * row["limit"])
        elif row["substance"] == "EO":
            row.update(p05=0.0, p50=0.0, p95=0.0)
    said = "EG 3.0 mg (0.10 to 12), screening reference 6.2 mg"
    for text in (ruling_text(held), reason_with_number(held), verdict_line(held)):
        assert said in text
    assert sum(line.startswith("EG 3.0 mg") for line in why(held)) == 1
    # In the narrow column of the sheet it stands for the words of its caution, which are below.
    (words,) = (c["text"] for c in held["cautions"] if c["code"] == "glycol_above_reference")
    assert words.partition(".")[0] not in reason_with_number(held)
    answer["items"] = [held]
    for text in (terminal_table(answer, plan), sheet_html(answer, plan, None)):
        assert said in " ".join(text.split())
    held["cautions"] = []  # a reference that nothing is held by is no reason
    assert not any("EG" in line for line in (ruling_text(held), *why(held)))


def test_what_holds_decides_before_what_is_further_over_at_95_percent(held):
    assert ruling_residue(held)["quantity"] == "mg_per_device"
    for row in held["residues"]:
        row["p05"] = 0.0
    assert ruling_residue(held)["quantity"] == "ug_per_cm2"


def test_sheet_and_terminal_name_the_same_residue(held, answer, plan):
    number = ruling_text(held).partition(" (")[0]
    assert number == "EO 20 mg"
    assert number in reason_with_number(held)
    answer["items"] = [held]
    for text in (terminal_table(answer, plan), sheet_html(answer, plan, None)):
        line = " ".join(text.split())
        assert "EO 20 mg (5.0 to 80), limit 4 mg" in line
        assert "4000" not in line


def test_every_substance_over_its_limit_is_named(held):
    ech = next(row for row in held["residues"] if row["substance"] == "ECH")
    ech.update(p05=1.0, p95=2.0 * ech["limit"], used_for_verdict=True)
    assert short_reason(held).endswith("EO above its limit; ECH may be above its limit")
    assert reason_with_number(held).count("limit") == 2


def test_one_caution_at_several_places_is_said_once(held):
    places = [{**GLYCOL, "where": where} for where in ("first lumen", "second lumen")]
    held["cautions"] = places
    held["causes"] = [f"{GLYCOL['text']} ({c['where']})" for c in places] + ["nobody says"]
    said = short_reason(held)
    assert said.startswith("The leftover water may become more glycol than the reference "
                           "(first lumen, second lumen); nobody says")  # fmt: skip


def test_a_limit_without_a_figure_is_a_reason(held):
    held.update(cautions=[], causes=[])
    for row in held["residues"]:
        row["limit"] = None
    assert short_reason(held).startswith("no figure for a limit of EO; no figure for a limit of")


def test_causes_come_before_residues_in_the_reasons(demo):
    """What blocks and what is not known, then numbers against limits: also the smallest."""
    items = check_answer(check_plan(load_plan(demo / "wet_lumen.json"), samples=64))["items"]
    for item in items:
        count = len(item["causes"])
        assert item["reasons"][:count] == item["causes"] == causes(item)
        assert all(text.startswith(("EO ", "ECH ", "EG ")) for text in item["reasons"][count:])
    assert [bool(item["causes"]) for item in items] == [False, True]


def test_hours_that_were_not_reached_are_that_and_more(held):
    held["aeration_h"].update(required=672.04, p95=672.04, unreached=True)
    assert required_hours(held) == hours_at_95(held["aeration_h"]) == "672 h or more"
    held["aeration_h"]["unreached"] = False
    assert required_hours(held) == "673 h"  # never short of what is needed


def test_less_than_is_worth_reading_is_printed_as_that():
    band = {"p05": 8.8e-05, "p50": 0.00078, "p95": 0.029}
    assert band_text(band, "ug/cm2", 10.0) == "below 0.001 µg/cm² (below 0.001 to 0.029)"
    assert band_text({"p05": 0.0, "p50": 0.002, "p95": 9.8}, "mg") == "0.0020 mg (0 to 9.8)"


@pytest.mark.parametrize(
    ("hours", "text"),
    [(0.0, "0 h"), (12.0, "12 h"), (34.81, "34.9 h"), (345.4, "346 h"), (492.5, "493 h"),
     (5.01, "5.1 h"), (99.96, "100 h"), (672.0, "672 h")],
)  # fmt: skip
def test_hours_are_three_figures_rounded_up(hours, text):
    assert hours_up(hours) == text


def test_a_ceiling_says_that_no_verdict_rests_on_it():
    row = {"limit": 6.2, "p05": 39.0, "p95": 39.0, "kind": "screening", "model": "ceiling"}
    assert standing_text(row) == "above the reference; a ceiling, not used for the verdict"
    assert standing_text(row | {"model": "film"}) == "above the reference"


def test_a_limit_at_contact_names_no_body_mass():
    around = Residue("EO", "ug_per_cm2", "contact", "whole", Band(1e-5, 2e-5, 3e-5), 1e-4,
                     "ug/cm2", "limit", "", True)  # fmt: skip
    assert "kg" not in row_text(around, 3.5)
    assert "3.5 kg" in row_text(replace(around, period="day"), 3.5)


def test_that_the_load_should_warm_up_is_said_once(held):
    held["water_allowed"] = {"largest_mg": 0.0, "others_rule": True}
    held["actions"] = []
    assert short_water(held) == "; let the load warm up, look again"
    held["actions"] = [{"detail": "the outside and joints, and let the load warm up before"}]
    assert short_water(held) == ""
