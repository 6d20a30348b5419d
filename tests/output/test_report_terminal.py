"""The terminal table: 100 columns whatever the names, every item with word, reason and number."""

import copy
import re

import pytest

from eo_risk.output.load_sheet import assumed_text
from eo_risk.output.report import sheet_html
from eo_risk.output.terminal import WIDTH, _width, terminal_table, wrap

NAMES = (
    "x" * 180,
    "a very long name of an instrument set with many words, more than forty signs",
    "内視鏡用の長い吸引管とバルブのセット、二番目の棚に置いてあるもの",
    "e\u0301" * 60,
    "\x1b[31mred\x9b0m \u202eesrever",
    "<b>bold</b>",
)


@pytest.mark.parametrize("name", NAMES)
def test_no_line_is_wider_than_the_terminal(answer, plan, name):
    item = answer["items"][2]
    item["name"] = name
    item["causes"] = [name * 2]
    item["actions"][0]["detail"] = name
    answer["load"]["slowest_item"] = name
    text = terminal_table(answer, plan.model_copy(update={"load_number": name}))
    assert max(map(_width, text.splitlines())) <= WIDTH
    assert "\x1b" not in text
    assert "\x9b" not in text
    assert "\u202e" not in text


def test_every_item_stands_with_word_reason_action_and_number(answer, plan):
    text = " ".join(terminal_table(answer, plan).split())
    for number, item in enumerate(answer["items"], 1):
        assert f"{number}. {item['name'].split()[0]}" in text
        assert item["verdict"] in text
    assert "EO 6.1 mg (3.8 to 9.8), limit 4 mg" in text
    assert answer["notice"] in text
    assert answer["edition_note"] in text
    assert "items 1, 5, 9, 13: Liquid water was seen." in text


def test_a_load_without_times_says_so(answer, plan):
    answer = copy.deepcopy(answer)
    answer["load"].update(earliest_out=None, required_h=None, slowest_item=None, time_note="")
    answer["items"][0]["aeration_h"] = None
    text = terminal_table(answer, plan.model_copy(update={"cycle_start": None}))
    assert "Start            unknown" in text
    assert "Earliest out     not known" in text
    assert "not computed" in text


def test_wrapping_keeps_every_word():
    text = "one two three " + "z" * 30 + " four"
    lines = wrap(text, 12)
    assert "".join(lines).replace(" ", "") == text.replace(" ", "")
    assert max(map(len, lines)) <= 12


def test_hours_with_a_slow_pool_stand_beside_those_without(answer, plan):
    answer = copy.deepcopy(answer)
    for item in answer["items"]:
        if item["aeration_h"]:
            item["aeration_h"] |= {"p95": 8.1, "with_slow_pool_p95": 31.22}
            break
    text = " ".join(terminal_table(answer, plan).split())
    assert "31.3 h with the slow pool, 8.1 h without" in text
    assert "Med Tekh 1983(3):33-38" in text
    item["aeration_h"]["with_slow_pool_p95"] = None
    assert "slow pool" not in terminal_table(answer, plan)


def test_a_split_is_short_beside_the_item_and_whole_below(answer, plan):
    answer = copy.deepcopy(answer)
    item = next(item for item in answer["items"] if item["verdict"] != "Within")
    into = "before the cycle, into 2 loads"
    item["actions"].insert(0, {"action": "split the load", "amount": None, "unit": "",
                               "detail": f"{into}: mask (80 h); drain, tube (12 h)",
                               "new_verdict": "Within"})  # fmt: skip
    text = terminal_table(answer, plan)
    whole = f"item {answer['items'].index(item) + 1}: {into}: mask (80 h); drain, tube (12 h)"
    assert whole in " ".join(text.split())
    assert text.count("mask (80 h)") == 1


def test_the_cautions_of_the_load_and_the_warnings_stand_on_terminal_and_sheet(answer, plan):
    (caution,) = answer["cautions"]
    terminal = " ".join(terminal_table(answer, plan).split())
    sheet = " ".join(re.sub(r"<[^>]+>", " ", sheet_html(answer, plan, None)).split())
    said = f"warning: {caution['where']}: {caution['text']} {caution['action']}"
    assert f"Whole load {said}" in terminal
    assert f"whole load: {said}" in sheet
    warned = "items 1, 5, 9, 13"  # what holds in the invented answer also warns
    assert f"Warns {warned}: Mass and dimensions do not fit together." in terminal
    assert f"{warned}: warnings, see report" in sheet
    answer["cautions"], answer["items"] = [], answer["items"][1:2]
    assert "Whole load" not in terminal_table(answer, plan)
    assert "Blocking cautions: none." in " ".join(
        re.sub(r"<[^>]+>", "", sheet_html(answer, plan, None)).split()
    )


def test_assumed_values_are_counted_by_whole_items(answer):
    one = answer["items"][0] | {"assumed": [{}] * 3, "starting_type": ""}
    for count, said in (
        (2, "6 (item 1: 3, item 2: 3); listed"),
        (20, " item 10: 3 and 10 more); listed"),
    ):
        found = answer | {"items": [one] * count, "load": answer["load"] | {"assumed": []}}
        assert said in assumed_text(found)
        assert "…" not in assumed_text(found)
    known = answer | {"items": [one | {"assumed": []}], "load": answer["load"] | {"assumed": [{}]}}
    assert assumed_text(known).startswith("1 (load: 1)")
