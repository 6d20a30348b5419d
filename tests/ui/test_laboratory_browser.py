"""The laboratory screen in a real browser: upload, choose, read both curves, take the sheet."""

from pathlib import Path

import pytest

from ui import lab_words, words

pytestmark = pytest.mark.browser
FIT_MS = 60_000  # the fit of the layer model on a busy machine


@pytest.fixture
def laboratory(page, go):
    go(page, lab_words.LABORATORY)
    return page


def _upload(page, path):
    page.get_by_test_id("stMain").locator("input[type=file]").set_input_files(path)


def _fill(page, label, value):
    from playwright.sync_api import expect

    field = page.get_by_label(label, exact=True)
    field.fill(value)
    field.press("Tab")
    expect(field).to_have_value(value)


def _pick(page, label, typed):
    """Choose from a list by the keyboard alone."""
    box = page.get_by_role("combobox", name=label)
    box.focus()
    page.keyboard.type(typed, delay=30)
    page.get_by_role("option", name=typed).first.wait_for()
    page.keyboard.press("Enter")


def test_both_curves_in_one_picture_and_the_sheet(laboratory, demo, tmp_path):
    page, width = laboratory, laboratory.viewport_size["width"]
    _upload(page, demo / "lab_dissipation.csv")
    _fill(page, lab_words.LIMIT["EO"], "4")
    page.get_by_test_id("stMetricValue").filter(has_text="31 h").wait_for()
    page.get_by_text(lab_words.LAYER, exact=True).click()
    _fill(page, lab_words.THICKNESS, "4")
    _pick(page, lab_words.MATERIAL, "plasticised")
    page.get_by_text("Layer model (pvc_plasticised").wait_for(timeout=FIT_MS)
    picture = page.get_by_role("img", name="the layer model fitted beside it")
    picture.scroll_into_view_if_needed()
    box = picture.bounding_box()
    # A picture that no one can see would be a few points high.
    assert box["width"] > 0.75 * min(width, 700)
    assert box["height"] > 0.4 * box["width"]
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    page.screenshot(path=tmp_path / f"curve_{width}.png")
    with page.expect_download() as got:
        page.get_by_role("button", name=lab_words.SAVE_SHEET).click()
    sheet = Path(got.value.path()).read_text(encoding="utf-8")
    assert "31 h of aeration" in sheet
    assert "layer model, pvc_plasticised" in sheet


def test_the_template_is_taken_and_a_bad_table_is_named(laboratory, tmp_path):
    page, width = laboratory, laboratory.viewport_size["width"]
    with page.expect_download() as got:
        page.get_by_role("button", name=lab_words.TEMPLATE_CSV).click()
    header = Path(got.value.path()).read_text(encoding="utf-8").splitlines()[0]
    bad = tmp_path / "bad.csv"
    columns = header.split(",")
    cells = {"lot": "A", "aeration_h": "-3", "substance": "EO", "result": "2", "unit": "mg/device"}
    bad.write_text(f"{header}\n{','.join(cells.get(c, '') for c in columns)}\n", encoding="utf-8")
    _upload(page, bad)
    page.get_by_text("row 2, column aeration_h").wait_for()
    page.screenshot(path=tmp_path / f"fault_{width}.png")
    assert page.get_by_test_id("stMetricValue").count() == 0


def test_what_was_entered_stays_when_the_page_changes(laboratory, demo, go):
    from playwright.sync_api import expect

    page = laboratory
    _upload(page, demo / "lab_dissipation.csv")
    _fill(page, lab_words.LIMIT["EO"], "4")
    page.get_by_test_id("stMetricValue").filter(has_text="31 h").wait_for()
    go(page, words.CYCLE)
    go(page, lab_words.LABORATORY)
    expect(page.get_by_label(lab_words.LIMIT["EO"], exact=True)).to_have_value("4")
    page.get_by_test_id("stMetricValue").filter(has_text="31 h").wait_for()


def test_the_keyboard_reaches_every_choice_in_order(laboratory, demo):
    page = laboratory
    _upload(page, demo / "lab_dissipation.csv")
    page.get_by_label(lab_words.LIMIT["EO"], exact=True).wait_for()
    page.get_by_role("combobox", name=lab_words.SUBSTANCE, exact=True).focus()
    reached = []
    for _ in range(30):
        page.keyboard.press("Tab")
        name = page.evaluate("document.activeElement.getAttribute('aria-label') || ''")
        if name and name not in reached:
            reached.append(name)
    wanted = [lab_words.LIMIT["EO"], lab_words.CONFIDENCE, lab_words.MODEL, lab_words.MASS,
              lab_words.AREA, lab_words.FROM_H]  # fmt: skip
    met = [next((i for i, r in enumerate(reached) if w in r), None) for w in wanted]
    assert None not in met, (wanted, reached)
    assert met == sorted(met)
