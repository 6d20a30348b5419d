"""The report: self-contained, escaped, every number with its band and unit, EG never a limit."""

import copy
import json
import math
import re
from datetime import datetime
from html.parser import HTMLParser

import pytest

from eo_risk.judgement.result import BandLine, Curve
from eo_risk.output.answer import check_answer
from eo_risk.output.numbers import band_text, hours_up, significant
from eo_risk.output.report import report_html, sheet_html
from eo_risk.output.shown import text_in
from eo_risk.output.terminal import terminal_table
from eo_risk.output.verdict_wording import ruling_residue, verdict_line
from eo_risk.output.wording import where_text
from eo_risk.plan.choices import published_practice
from eo_risk.plan.load_plan import LoadPlan
from eo_risk.plan.site_entries import UnitsShown

CREATED = datetime.fromisoformat("2026-04-14T06:00+02:00")
VOID = {"meta", "br", "hr", "col", "line", "path", "rect", "polyline", "polygon", "circle"}


class Reader(HTMLParser):
    """Checks nesting and collects tags, attributes and text."""

    def __init__(self):
        super().__init__(convert_charrefs=True)
        self.open, self.tags, self.attributes, self.text = [], [], [], []

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        self.attributes += attrs
        self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        assert tag in VOID
        self.tags.append(tag)
        self.attributes += attrs

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        if "style" not in self.open:
            self.text.append(data)


def read(page: str) -> Reader:
    reader = Reader()
    reader.feed(page)
    reader.close()
    assert reader.open == []
    return reader


@pytest.fixture
def page(answer, plan):
    return report_html(answer, plan, CREATED)


def test_the_page_is_nested_and_needs_nothing_from_outside(page):
    reader = read(page)
    assert not {"script", "link", "img", "iframe", "object", "embed", "form"} & set(reader.tags)
    assert not {"src", "href", "action", "xlink:href"} & {key for key, _ in reader.attributes}
    assert not any(key.startswith("on") for key, _ in reader.attributes)
    style = page[page.index("<style>") : page.index("</style>")]
    assert "url(" not in style
    assert "@import" not in style
    assert "http" not in page.replace("http-equiv", "")


def test_the_same_answer_gives_the_same_page(answer, plan, page):
    assert report_html(copy.deepcopy(answer), plan, CREATED) == page


HOSTILE = '<script>alert(1)</script><img src=x onerror="x()">\u202e\x9b31m & "quoted"'


def test_markup_in_names_is_rendered_harmless(answer, plan):
    answer["items"][0]["name"] = HOSTILE
    answer["items"][0]["causes"] = [HOSTILE]
    answer["items"][0]["cautions"][0]["where"] = HOSTILE
    answer["items"][0]["parts"][0]["name"] = HOSTILE
    answer["load"]["slowest_item"] = HOSTILE
    answer["sources"] = [HOSTILE]
    number = "</style><script>1</script>"
    reader = read(report_html(answer, plan.model_copy(update={"load_number": number}), CREATED))
    assert not {"script", "img"} & set(reader.tags)
    text = "".join(reader.text)
    assert "<script>alert(1)</script>" in text  # shown, not run
    assert "\u202e" not in text
    assert "\x9b" not in text


def test_every_item_has_its_line_residues_changes_and_picture(page, answer):
    reader = read(page)
    text = " ".join("".join(reader.text).split())
    assert reader.tags.count("figure") == len(answer["items"])
    for item in answer["items"]:
        line = " ".join(verdict_line(item).split())
        assert line.removeprefix(item["verdict"]) in text
        for action in item["actions"]:
            assert text_in(action["detail"], UnitsShown()) in text
        for influence in item["matters_most"][:3]:
            assert influence["text"] in text
    assert text.count("ceiling: all water reacts") == len(answer["items"])
    assert "a fourth input explains" not in text
    for must in ("Seed", "2048", answer["plan_sha256"], answer["edition_note"], *answer["sources"]):
        assert must in text
    assert text.count(answer["notice"]) == 2


def test_the_verdict_line_reads_word_number_limit_reason(answer):
    line = verdict_line(answer["items"][0])
    assert line.startswith("Hold - EO 6.1 mg (3.8 to 9.8), limit 4 mg (first 24 h")
    assert line.endswith(answer["items"][0]["causes"][0])


def test_the_ruling_residue_is_the_one_furthest_over_its_limit(answer):
    item = answer["items"][0]
    assert ruling_residue(item)["quantity"] == "mg_per_device"
    item["residues"][1]["p95"] = 1e4
    assert ruling_residue(item)["quantity"] == "ug_per_cm2"
    for row in item["residues"]:
        row["used_for_verdict"] = False
    assert ruling_residue(item) is None
    assert "no residue computed" in verdict_line(item)


def test_glycol_is_screening_and_never_over_a_limit(page):
    text = " ".join("".join(read(page).text).split())
    assert "limit exceeded" not in text.lower()
    rows = re.findall(r"EGper piece.*?(?=E[GOC]|$)", text)
    assert len(rows) >= 14 * 3
    for row in rows:
        assert "screening, not a limit; says nothing about local irritation" in row
        assert " limit " not in row.split("screening reference")[0]
        assert "the reference" in row


def test_nothing_claims_a_release(page):
    text = "".join(read(page).text).lower()
    assert "compliant" not in text
    assert "is safe" not in text
    assert "released" not in text


def test_what_is_no_number_is_never_printed(answer, plan):
    item = answer["items"][0]
    item["residues"][0]["p95"] = math.nan
    item["parts"][0]["aeration_h"] = None
    item["aeration_h"] = None
    answer["load"].update(aeration_h_p95=None, required_h=None, earliest_out=None,
                          slowest_item=None, time_note="")  # fmt: skip
    text = "".join(read(report_html(answer, plan, None)).text).lower()
    assert not re.search(r"\b(nan|inf|none)\b(?! planned|\.|:)", text.replace("none given", ""))
    assert "not computed" in text
    assert "not known" in text


def test_blank_plan_fields_say_unknown(answer, plan):
    blank = LoadPlan.model_validate(
        {"schema_version": 1, "cycle": {}, "aeration": [{}],
         "items": [{"name": "tray", "parts": []}]}
    )  # fmt: skip
    answer["items"] = answer["items"][:1]
    text = " ".join("".join(read(report_html(answer, blank, None)).text).split())
    expected = ("Load number(no number)", "Steriliserunknown", "temperature unknown", "EO unknown",
                "exposure unknown", "unknown air washes", "Startunknown", "place unknown")
    for said in expected:
        assert said in text


def test_long_and_foreign_names_are_kept_in_full_on_the_item_page(answer, plan):
    name = "Ureteroskop Größe 3 mit langem Arbeitskanal, 内視鏡 吸引管 und Ventil" * 3
    answer["items"][3]["name"] = name
    assert name in "".join(read(report_html(answer, plan, CREATED)).text)


def test_published_practice_of_the_packaging_stands_with_the_item(page, plan):
    text = " ".join("".join(read(page).text).split())
    practices = {published_practice(item.packaging) for item in plan.items} - {"", "none"}
    assert practices
    for practice in practices:
        assert " ".join(practice.split()) in text


def test_more_than_three_cautions_fold(page):
    reader = read(page)
    assert reader.tags.count("details") == 4  # the four Hold items hold five cautions each
    assert "2 further cautions" in "".join(reader.text)


def test_an_item_without_curve_or_parts_still_has_a_page(assess_invented, replaced, plan):
    found = assess_invented(plan)
    zero = BandLine((0.0,), (0.0,), (0.0,))
    empty = Curve((0.0,), zero, zero, zero)
    bare = replaced(found.items[1], curve=empty, parts=(), residues=(), matters_most=(),
                    assumed=(), water_by_place=(), question=None)  # fmt: skip
    answer = check_answer(replaced(found, items=(bare,)))
    text = "".join(read(report_html(answer, plan, None)).text)
    assert "No part of this item holds EO" in text
    assert "every number was given" in text


def test_the_answer_is_json_without_nan(answer):
    assert "NaN" not in json.dumps(answer, allow_nan=False)


@pytest.mark.parametrize(
    ("number", "digits", "text"),
    [(1234.5, 3, "1230"), (0.00123, 2, "0.0012"), (0.0, 3, "0"), (6.14159, 3, "6.14"),
     (12, 3, "12"), (math.nan, 3, "not computed"), (None, 3, "not computed"),
     (123456.0, 2, "120000")],
)  # fmt: skip
def test_significant_figures(number, digits, text):
    assert significant(number, digits) == text


def test_a_band_never_hides_on_which_side_of_the_limit_it_lies():
    band = {"p05": 3.1, "p50": 3.6, "p95": 4.02}
    assert band_text(band, "mg") == "3.6 mg (3.1 to 4.0)"
    assert band_text(band, "mg", 4.0) == "3.60 mg (3.10 to 4.02)"
    assert band_text({**band, "p95": 3.96}, "mg", 4.0) == "3.60 mg (3.10 to 3.96)"
    assert band_text({"p05": 0.0, "p50": 0.0, "p95": 0.0}, "mg", 4.0) == "0 mg (0 to 0)"


@pytest.mark.parametrize(
    ("hours", "text"),
    [(12.0, "12 h"), (12.01, "12.1 h"), (11.96, "12 h"), (0.3000000001, "0.3 h"),
     (None, "not computed")],
)  # fmt: skip
def test_printed_hours_never_fall_short(hours, text):
    assert hours_up(hours) == text


def test_the_sheet_alone_is_the_first_page_of_the_report(answer, plan, page):
    sheet = sheet_html(answer, plan, None)
    assert "EO load sheet" in sheet
    assert "Signature" in sheet
    assert 'class="item"' not in sheet
    body = sheet[sheet.index("<body>") : sheet.index("</body>")].removeprefix("<body>").strip()
    assert body in report_html(answer, plan, None)


def test_items_by_number_are_named_in_runs():
    assert where_text([]) == "load"
    assert where_text([3]) == "item 3"
    assert where_text([1, 2, 5, 7, 8, 9, 12]) == "items 1, 2, 5, 7 to 9, 12"


def test_from_starting_type_stands_until_replaced(answer, plan):
    for item in answer["items"]:
        item["starting_type"] = ""
    assert "from starting type: " not in report_html(answer, plan, None)
    for number in (1, 2, 3, 7):
        answer["items"][number]["starting_type"] = "lumens[0].open_ends, parts[0].wall_mm"
    for text in (sheet_html(answer, plan, None), terminal_table(answer, plan)):
        assert "from starting type: items 2 to 4, 8" in " ".join(text.split())
    assert report_html(answer, plan, None).count("open ends, wall; until a value") == 4
