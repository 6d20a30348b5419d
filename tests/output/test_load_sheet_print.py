"""The load sheet on paper: fourteen items on one page of A4 and of Letter, 9 pt or more.

A crowded sheet takes further pages, for what is to be done is never cut.
"""

import io
import re
import unicodedata
from datetime import datetime

import pytest

from eo_risk.output.report import report_html, sheet_html
from eo_risk.output.wording import action_text

CREATED = datetime.fromisoformat("2026-04-14T06:00+02:00")
FLAGS = [
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-sync",
    "--disable-background-networking", "--disable-component-update",
]  # fmt: skip
SMALLEST_PT = 9.0


@pytest.fixture(scope="module")
def browser(chromium):
    playwright = pytest.importorskip("playwright.sync_api")
    with playwright.sync_playwright() as session:
        opened = session.chromium.launch(executable_path=chromium, args=FLAGS)
        yield opened
        opened.close()


def printed(browser, html, paper):
    """Print a page and read it back."""
    pypdf = pytest.importorskip("pypdf")
    page = browser.new_page()
    page.set_content(html)
    found = pypdf.PdfReader(io.BytesIO(page.pdf(format=paper, prefer_css_page_size=True)))
    page.close()
    return found


def flat(text):
    """Drop blanks and line ends and take ligatures apart."""
    return re.sub(r"\s+", "", unicodedata.normalize("NFKC", text))


def crowded(answer):
    """Fill every field of the sheet to the brim: the worst case for its length."""
    codes = ("liquid_seen", "use_unknown", "salt_left", "oil_lubricant", "lumen_closed",
             "channel_blocked", "pack_not_permeable", "humidity_too_low")  # fmt: skip
    for number, item in enumerate(answer["items"], 1):
        item["name"] = f"item{number:02d} with a name of many more words than forty signs can hold"
        item["causes"] = ["a reason that goes on and on about water in the lumen, " * 4]
        item["actions"] = [{"action": "dry again", "amount": 12.0, "unit": "min",
                            "detail": "with a long explanation of how this is done " * 4,
                            "new_verdict": "Within", "added_minutes": 5.0}]  # fmt: skip
        item["cautions"] = [{"code": code, "level": "block", "where": "channel",
                             "text": "A long sentence about what was found and why. " * 4,
                             "action": "Look."} for code in codes]  # fmt: skip
        item["verdict"] = "Not assessed" if number % 2 else "Hold"
    return answer


@pytest.mark.browser
@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_fourteen_items_fit_the_first_page(browser, answer, plan, paper):
    found = printed(browser, report_html(answer, plan, CREATED), paper)
    first = found.pages[0].extract_text()
    width_pt, height_pt = (float(v) for v in found.pages[0].mediabox[2:])
    expected = {"A4": (595.3, 841.9), "Letter": (612.0, 792.0)}[paper]
    assert (width_pt, height_pt) == pytest.approx(expected, abs=1.0)
    for number, item in enumerate(answer["items"], 1):
        start = f"{number}. {item['name']}".split()[:2]
        assert flat("".join(start)) in flat(first)
    for verdict in {item["verdict"] for item in answer["items"]}:
        assert verdict in first
    for must in (answer["notice"], "Signature", "Name", "Date", "Blocking cautions", "0616",
                 "EO-1", answer["edition_note"]):  # fmt: skip
        assert flat(must) in flat(first)
    second = found.pages[1].extract_text()
    assert "Signature" not in second
    assert flat(f"1. {answer['items'][0]['name']}") in flat(second)
    assert len(found.pages) <= 2 * len(answer["items"]) + 3
    assert f"page 1 of {len(found.pages)}" in first


@pytest.mark.browser
@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_a_crowded_sheet_prints_every_action_in_full(browser, answer, plan, paper):
    answer = crowded(answer)
    found = printed(browser, sheet_html(answer, plan, CREATED), paper)
    text = flat("".join(page.extract_text() for page in found.pages))
    assert 2 <= len(found.pages) <= 4
    for number, item in enumerate(answer["items"], 1):
        assert flat(f"{number}. {item['name']}")[:12] in text
    assert text.count(flat(action_text(answer["items"][0]["actions"][0]))) == len(answer["items"])
    last = flat(found.pages[-1].extract_text())
    assert flat(answer["notice"]) in last
    assert "Signature" in last


@pytest.mark.browser
def test_the_sheet_is_set_in_nine_points_or_more(browser, answer, plan):
    page = browser.new_page()
    page.set_content(report_html(answer, plan, CREATED))
    page.emulate_media(media="print")
    sizes_px = page.evaluate(
        "[...document.querySelectorAll('.sheet td, .sheet dd, .sheet li, .sheet .notice')]"
        ".map(e => parseFloat(getComputedStyle(e).fontSize))"
    )
    page.close()
    assert min(sizes_px) * 72.0 / 96.0 >= SMALLEST_PT - 1e-6


@pytest.mark.browser
def test_folded_cautions_are_printed(browser, answer, plan):
    found = printed(browser, report_html(answer, plan, CREATED), "A4")
    text = "".join(page.extract_text() for page in found.pages)
    assert flat("No build-up was seen over repeated cycles.") in flat(text)


@pytest.mark.browser
def test_nothing_is_fetched_and_no_message_appears(browser, answer, plan):
    context = browser.new_context(offline=True)
    page = context.new_page()
    asked, messages = [], []
    page.on("request", lambda request: asked.append(request.url))
    page.on("console", lambda message: messages.append(message.text))
    page.set_content(report_html(answer, plan, CREATED))
    page.wait_for_timeout(200)
    context.close()
    assert asked == []
    assert messages == []


@pytest.mark.browser
@pytest.mark.parametrize("width", [390, 1280])
def test_the_page_needs_no_sideways_scrolling(browser, answer, plan, width, tmp_path):
    answer["items"][0]["name"] = "x" * 120
    page = browser.new_page(viewport={"width": width, "height": 844})
    page.set_content(report_html(answer, plan, CREATED))
    page.screenshot(path=tmp_path / f"report_{width}.png")
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    page.close()
