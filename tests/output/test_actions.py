"""What is to be done: named first with its amount; no sheet cuts it."""

import copy
import re

import pytest

from eo_risk.output.item_page import item_page
from eo_risk.output.report import sheet_html
from eo_risk.output.shown import answer_in
from eo_risk.output.terminal import terminal_table
from eo_risk.output.wording import action_text, further_actions, main_action, split_text
from eo_risk.plan.site_entries import UnitsShown


def action(name, amount=None, unit="", detail="", brings=None, **more):
    return {"action": name, "amount": amount, "unit": unit, "detail": detail,
            "new_verdict": brings, **more}  # fmt: skip


DRY = action("dry again", 3.0, "min", "more compressed air through each lumen, then look again")
METHOD = action("use another method", detail="wanted before it may come out")
CAUTION = {"code": "liquid_seen", "level": "block", "where": "channel", "action": "Dry again."}
ASK = action("ask", detail="Which grade is the tube?")


@pytest.mark.parametrize(
    ("given", "said"),
    [
        (action("aerate longer", 97.0, "h", "more at 50 C"), "aerate longer: 97 h more at 50 °C"),
        (action("aerate longer", 60.0, "C", "for the same hours, instead of 50 C"),
         "aerate warmer: 60 °C for the same hours, instead of 50 °C"),
        (action("aerate longer", 8.0, "h", "in cabinet 2 at 55 C, instead of 12 h as planned",
                aerator="cabinet 2"),
         "aerate elsewhere: 8 h in cabinet 2 at 55 °C, instead of 12 h as planned"),
        (action("humidify", 40.0, "%", "relative humidity in the chamber, at most 80 %"),
         "humidify: 40 % relative humidity in the chamber, at most 80 %"),
        (METHOD, "use another method: wanted before it may come out"),
        (action("ask", detail="Ask or read the instructions for use."),
         "ask or read the instructions for use."),
        (action("ask", detail="Asking nobody?"), "ask: Asking nobody?"),
    ],
)  # fmt: skip
def test_an_action_reads_as_one_sentence(answer, given, said):
    answer["items"][0]["actions"] = [given]
    turned = answer_in(answer, UnitsShown())["items"][0]["actions"][0]
    assert action_text(turned) == said


def test_a_split_with_hours_begins_with_them(answer):
    item = answer["items"][0]
    into = ("of aeration for the load of this item, split before the cycle, into 2 loads: "
            "hooks (1 h); mask (99 h)")  # fmt: skip
    item["actions"] = [action("split the load", 99.0, "h", into, "Within")]
    assert split_text(item) == f"99 h {into}"
    assert main_action(item) == ("split the load: 99 h of aeration for the load of this item, "
                                 "split before the cycle, into 2 loads → Within")  # fmt: skip


def test_an_action_that_is_not_enough_says_that_there_is_more(answer):
    item = answer["items"][0]
    item["actions"] = [METHOD, DRY, ASK]
    assert main_action(item, "below") == f"{action_text(METHOD)}; and 2 more: below"
    item["actions"] = [{**DRY, "new_verdict": "Within"}, ASK]
    assert main_action(item) == f"{action_text(DRY)} → Within"
    assert further_actions(item) == []


def test_the_terminal_lists_every_other_action_in_full(answer, plan):
    item = answer["items"][0]
    item["actions"] = [METHOD, {**DRY, "new_verdict": "Close"}, ASK]
    said = " ".join(terminal_table(answer, plan).split())
    assert f"item 1: {action_text(DRY)} → Close" in said
    assert "item 1: ask: Which grade is the tube?" in said


def test_without_a_search_everything_that_blocks_says_what_it_asks(answer):
    item = answer["items"][0]
    item["actions"] = []
    item["cautions"] = [{"code": code, "level": level, "text": "", "where": "", "action": asked}
                        for code, level, asked in (("use_unknown", "block", "Ask."),
                                                   ("liquid_seen", "block", "Dry again."),
                                                   ("not_looked", "block", "Dry again."),
                                                   ("tap_rinse", "inform", "Rinse."))]  # fmt: skip
    assert main_action(item) == "Ask. Dry again."


def cells(html):
    """Read the action column of a sheet."""
    return re.findall(r'data-label="Action"><div>(.*?)</div>', html)


def test_a_sheet_with_room_cuts_no_action(answer, plan):
    long = copy.deepcopy(DRY) | {"detail": "with words that go on and on " * 7, "new_verdict": None}
    answer["items"] = answer["items"][:4]
    for item in answer["items"]:
        item["verdict"], item["actions"] = "Hold", [long]
    found = cells(sheet_html(answer, plan, None))
    assert len(found) == 4
    assert all(cell.startswith(action_text(long).strip()) for cell in found)


def test_a_crowded_sheet_cuts_nothing_and_lists_what_else_is_to_be_done(answer, plan):
    long = DRY | {"detail": "with words that go on and on " * 7 + "to the end",
                  "new_verdict": None}  # fmt: skip
    for number, item in enumerate(answer["items"]):
        item["verdict"], item["actions"] = "Hold", [long, METHOD]
        item["cautions"] = [CAUTION | {"text": f"Found {number} " + "and more was found " * 20}]
    html = sheet_html(answer, plan, None)
    found = cells(html)
    assert len(found) == 14
    assert all(cell.startswith(action_text(long)) for cell in found)
    assert "see report" not in html
    assert "… " not in html
    assert html.partition("More to do")[2].count(METHOD["detail"]) == 14
    for number in range(14):
        assert f"Found {number} " + ("and more was found " * 20).strip() in html


def test_a_full_sheet_leaves_out_the_figures_of_what_is_within_first(answer, plan):
    def reasons(answer):
        html = sheet_html(answer, plan, None)
        return re.findall(r'data-label="Reason"><div>(.*?)</div>', html)

    answer["items"] = answer["items"][:4]
    for item in answer["items"]:
        item["verdict"], item["actions"], item["cautions"] = "Within", [], []
    assert all(
        "limit" in reason and "inside every limit" not in reason for reason in reasons(answer)
    )
    answer["items"][0] |= {
        "verdict": "Hold",
        "actions": [DRY | {"detail": "with words that go on " * 60}],
    }
    assert reasons(answer)[1:] == ["inside every limit"] * 3


def test_an_item_without_actions_says_whether_any_was_looked_for(answer):
    item = answer["items"][0] | {"verdict": "Close", "actions": [], "cautions": []}
    assert main_action(item | {"searched": False}) == "not searched"
    assert main_action(item | {"searched": True}) == "none found"


def test_a_split_with_a_verdict_is_said_once(answer, plan):
    into = "before the cycle, into 2 loads: hooks (1 h); mask (99 h)"
    answer["items"] = answer["items"][:1]
    item = answer["items"][0]
    item["verdict"] = "Hold"
    item["actions"] = [METHOD, action("split the load", detail=into, brings="Within")]
    said = " ".join(terminal_table(answer, plan).split())
    assert said.count(into) == 1


def test_what_makes_an_item_that_is_within_surer_is_no_action(answer, plan):
    item = answer["items"][1] | {"verdict": "Within", "actions": [ASK]}
    page = item_page(2, item, plan.items[1], plan, 2048)
    assert main_action(item) == "none"
    assert "Nothing needs to change. It would be surer with:" in page
