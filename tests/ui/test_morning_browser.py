"""A morning at the keyboard, in a real browser: from the site's names to a printed sheet."""

import io
import re
import time

import pytest
from pypdf import PdfReader

from ui import words

CHECK_MS = 240_000
ANSWER_MS = 10_000  # a list that has not answered by then has lost what was typed

pytestmark = pytest.mark.browser

TYPES = (
    "scissors", "needle holder", "wire basket", "rigid handle", "light cable", "thin silicone",
    "balloon catheter, sil", "long narrow", "gas-perm", "housing of",
)  # fmt: skip
DEVICES = ("curved", "retractor", "steel suction", "thick soft")
WORDS = {
    "packaging": "film paper", "droplets_seen": "no", "external_water.state": "wiped",
    "lumens[0].droplets_seen": "no", "lumens[0].blocked": "no",
    "lumens[0].drying[0].method": "compressed",
    "rinse_water": "treated", "lubricant": "none", "instructions.eo_allowed": "yes",
    "patient.duration": "limited",
}  # fmt: skip
NUMBERS = {"lumens[0].drying[0].minutes": "5", "patient.body_mass_kg": "70",
           "instructions.aeration_h": "12", "instructions.aeration_temperature_c": "50",
           "instructions.highest_temperature_c": "60",
           "instructions.highest_air_pressure_gauge_bar": "1.5 bar gauge",
           "instructions.eo_mg_per_l_low": "none",
           "instructions.eo_mg_per_l_high": "none"}  # fmt: skip
MOST_ENTRIES, MOST_MACHINE_S = 40, 300.0


# The list marks the option that Enter takes; before it has read what was typed, that is "all".
_OPTION_IN_HAND = """() => {
    const id = document.activeElement.getAttribute("aria-activedescendant");
    return id && !id.endsWith("__select_all__");
}"""


class _Hands:
    """What a person does at the keyboard, counted."""

    def __init__(self, page):
        self.page, self.entries = page, 0

    def choose(self, box, text):
        from playwright.sync_api import TimeoutError as Waited

        for last in (False, False, True):
            # Nobody types faster than the page answers; a click would shut a list still open.
            self.page.locator("[data-test-script-state=notRunning]").wait_for()
            if box.get_attribute("aria-expanded") != "true":
                box.click()
            self.page.keyboard.type(text)
            self.page.wait_for_timeout(200)
            self.entries += 1
            try:
                self.page.wait_for_function(_OPTION_IN_HAND, timeout=ANSWER_MS)
                break
            except Waited:
                if last:
                    raise
                # The page was drawn afresh below the fingers: what was typed is typed again.
                box.fill("")
        self.page.keyboard.press("Enter")
        self.page.wait_for_timeout(100)

    def fill(self, field, text):
        field.fill(text)
        self.entries += 1


def _name_the_load(page, hands, go):
    from playwright.sync_api import expect

    narrow = page.viewport_size["width"] < 700
    if narrow:
        page.get_by_test_id("stExpandSidebarButton").click()
    page.get_by_text(words.SITE_FILE, exact=True).click()
    page.get_by_role("button", name=words.DEMO_SITE).click()
    page.get_by_text(re.compile(f"^{words.SITE_IN_USE}:")).wait_for()  # not "None in use:"
    if narrow:
        page.get_by_test_id("stSidebarCollapseButton").click()
    go(page, words.NEW_LOAD)
    number = page.get_by_role("textbox", name=words.label("load_number"), exact=True)
    hands.fill(number, "0714")
    page.get_by_role("spinbutton", name=f"hour, {words.START_TIME}").click()
    page.keyboard.type("0630")
    hands.entries += 1
    for label, names in ((words.OWN_DEVICES, DEVICES), (words.STARTING_TYPES, TYPES)):
        box = page.get_by_role("combobox", name=re.compile(label))
        field = page.get_by_test_id("stMultiSelect").filter(has=box)
        for count, name in enumerate(names, start=1):
            hands.choose(box, name)
            expect(field.locator(".react-aria-ComboBox [data-tag]")).to_have_count(count)
        page.keyboard.press("Escape")
    page.get_by_role("button", name=words.MAKE_LOAD).click()
    page.get_by_role("heading", name=words.LOAD, exact=True).wait_for()


def _say_what_is_the_same(page, hands):
    page.get_by_text(words.FILL_ALL).click()
    button = page.get_by_role("button", name=words.FILL)
    button.wait_for()
    form = page.get_by_test_id("stForm").filter(has=button)
    for path, text in WORDS.items():
        title = re.compile(re.escape(words.COLUMNS[path]))
        hands.choose(form.get_by_role("combobox", name=title), text)
    for path, text in NUMBERS.items():
        # The unit in the label is the one the site shows.
        title = words.COLUMNS[path].rpartition("(")[0] + "("
        hands.fill(form.get_by_role("textbox", name=re.compile(f"^{re.escape(title)}")), text)
    button.click()
    page.get_by_text(words.FILLED).wait_for()


def test_fourteen_items_from_names_to_a_printed_sheet(page, browser, tmp_path, go):
    # The measure of a morning: ten minutes from the site's list to a printed sheet.
    from playwright.sync_api import expect

    start, hands = time.monotonic(), _Hands(page)
    _name_the_load(page, hands, go)
    _say_what_is_the_same(page, hands)
    go(page, words.RESULT)
    page.get_by_role("button", name=words.CHECK).click()
    verdict = page.get_by_test_id("stMetricValue").first
    expect(verdict).to_contain_text("Hold", timeout=CHECK_MS)
    with page.expect_download() as got:
        page.get_by_role("button", name=words.SAVE_SHEET).click()
    sheet = tmp_path / "sheet.html"
    got.value.save_as(sheet)
    machine_s = time.monotonic() - start
    text = sheet.read_text(encoding="utf-8")
    assert "14. housing of a powered tool" in text
    assert "0714" in text
    paper = browser.new_page()
    paper.goto(sheet.as_uri())
    for size in ("A4", "Letter"):  # one sheet of paper, on both sides at the most
        assert len(PdfReader(io.BytesIO(paper.pdf(format=size))).pages) <= 2, size
    paper.close()
    assert hands.entries <= MOST_ENTRIES
    assert machine_s <= MOST_MACHINE_S
    print(f"{hands.entries} entries, {machine_s:.0f} s of machine time")
