"""The screens in a real browser: open, edit a cell, check, read the verdict, take the report."""

import re
from pathlib import Path

import pytest

from ui import words

CHECK_MS = 120_000

pytestmark = pytest.mark.browser


def _open_cell(page, grid, right, down):
    """Open a cell of the drawn grid for typing; on a busy machine the first click may be lost."""
    for _ in range(8):
        grid.scroll_into_view_if_needed()
        corner = grid.bounding_box()
        page.mouse.click(corner["x"] + right, corner["y"] + down)
        page.wait_for_timeout(500)
        page.keyboard.press("Enter")
        page.wait_for_timeout(500)
        if page.locator("textarea.gdg-input").count():
            return
        page.keyboard.press("Escape")
        page.wait_for_timeout(1000)


def _settled(page):
    """Wait until what was entered has been taken and the page drawn afresh."""
    page.wait_for_timeout(800)
    page.locator("[data-testid=stApp][data-test-script-state=notRunning]").wait_for()


def _check(page):
    from playwright.sync_api import expect

    page.get_by_role("button", name=words.CHECK).click()
    metric = page.get_by_test_id("stMetricValue").first
    expect(metric).to_contain_text(re.compile("Hold|Within|Close|Not assessed"), timeout=CHECK_MS)
    return metric.inner_text()


def test_check_read_and_take_the_report(page, tmp_path, go):
    width = page.viewport_size["width"]
    page.screenshot(path=tmp_path / f"load_{width}.png")
    go(page, words.RESULT)
    assert "Hold" in _check(page)
    table = page.get_by_test_id("stTable").first
    assert "Liquid water was seen" in table.inner_text()
    assert "limit" in table.inner_text()
    for cell in table.locator("tbody tr").first.locator("td").all():  # none is cut at the edge
        box = cell.bounding_box()
        assert box["x"] >= 0
        assert box["x"] + box["width"] <= width
    assert page.get_by_text("It does not release a load").first.is_visible()
    sheath = page.get_by_test_id("stExpander").filter(has_text="working sheath")
    sheath.locator("summary").click()
    sheath.get_by_test_id("stVegaLiteChart").wait_for()
    page.wait_for_timeout(500)
    page.screenshot(path=tmp_path / f"result_{width}.png", full_page=True)
    with page.expect_download() as got:
        page.get_by_role("button", name=words.SAVE_REPORT).click()
    assert got.value.suggested_filename == "eo_load_demo_0612_2026-04-14.html"
    report = Path(got.value.path()).read_text(encoding="utf-8")
    assert "EO load sheet" in report
    assert "Liquid water was seen" in report


def test_an_edited_cell_reaches_the_plan_and_marks_the_result_old(page, tmp_path, go):
    from playwright.sync_api import expect

    width = page.viewport_size["width"]
    go(page, words.RESULT)
    _check(page)
    go(page, words.LOAD)
    grid = page.get_by_test_id("stDataFrame").locator("canvas").first
    grid.wait_for()
    _settled(page)
    # The name column stands first, right of the row markers.
    _open_cell(page, grid, 90, 53)
    page.screenshot(path=tmp_path / f"editing_{width}.png")
    expect(page.locator("textarea.gdg-input")).to_be_focused()
    page.keyboard.press("Control+A")
    page.keyboard.type("renamed forceps", delay=20)
    page.keyboard.press("Enter")
    expect(page.locator("textarea.gdg-input")).to_have_count(0)
    _settled(page)
    if width > 700:  # the sidebar is open: what is saved next holds the edit
        with page.expect_download() as got:
            page.get_by_role("button", name=words.SAVE_PLAN).click()
        assert "renamed forceps" in Path(got.value.path()).read_text(encoding="utf-8")
    page.get_by_text(words.DETAILS, exact=True).click()
    name = page.get_by_label(words.label("name"), exact=True).first
    expect(name).to_have_value("renamed forceps")
    chosen = page.get_by_role("combobox", name=words.ITEM, exact=True)
    expect(chosen).to_have_value("1. renamed forceps")
    page.screenshot(path=tmp_path / f"edited_{width}.png")
    go(page, words.RESULT)
    expect(page.get_by_text(words.STALE)).to_be_visible()


def test_a_cleared_number_is_unknown_and_faults_are_named(page, go):
    from playwright.sync_api import expect

    go(page, words.CYCLE)
    page.get_by_role("tab", name="Cycle", exact=True).click()
    concentration = page.get_by_label(words.label("eo_mg_per_l"), exact=True)
    concentration.fill("")
    concentration.press("Tab")
    page.get_by_role("button", name=words.APPLY, exact=True).click()
    _settled(page)
    expect(concentration).to_have_count(1)  # the form is drawn afresh from the plan
    page.get_by_role("tab", name="Cycle", exact=True).click()
    expect(concentration).to_have_value("")
    page.get_by_label(words.label("exposure_h"), exact=True).fill("-1")
    page.get_by_role("button", name=words.APPLY, exact=True).click()
    expect(page.get_by_text("cycle.exposure_h")).to_be_visible()


def test_the_screens_are_named_for_a_screen_reader(page):
    page.get_by_role("region", name=words.ITEMS_TABLE).wait_for()
    page.get_by_text(words.SAVE_PLAN).wait_for(state="attached")  # the sidebar is drawn last
    tree = page.locator("body").aria_snapshot()
    assert f'heading "{words.LOAD}"' in tree
    assert f'button "{words.SAVE_PLAN}"' in tree
