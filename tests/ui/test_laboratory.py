"""The laboratory screen without a browser: tables in, the digits of the command line out."""

import json
from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest

from eo_risk import cli
from ui import lab_words, words

UI = Path(__file__).resolve().parents[2] / "ui"
HEAD = "lot,aeration_h,substance,result,unit"


@pytest.fixture
def at(tmp_path, monkeypatch):
    """The laboratory screen in a new session, away from any site file of the user."""
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))
    app = AppTest.from_file(str(UI / "app.py"), default_timeout=60)
    app.run()
    app.switch_page("views/laboratory.py").run()
    assert not app.exception
    return app


def run(at):
    at.run()
    assert not at.exception
    return at


def demo(at, name):
    next(s for s in at.selectbox if s.label == lab_words.DEMO).set_value(name)
    run(at)
    next(b for b in at.button if b.label == lab_words.OPEN).click()
    return run(at)


def open_load(at, name):
    next(s for s in at.selectbox if s.label == words.OPEN_DEMO).set_value(name)
    run(at)
    [b for b in at.button if b.label == words.OPEN][-1].click()
    return run(at)


def upload(at, *lines, head=HEAD, name="ours.csv"):
    next(u for u in at.file_uploader if u.label == lab_words.UPLOAD).set_value(
        (name, "\n".join([head, *lines]).encode(), "text/csv")
    )
    return run(at)


def give(at, label, value):
    kinds = (at.number_input, at.selectbox, at.multiselect)
    next(w for kind in kinds for w in kind if w.label == label).set_value(value)
    return run(at)


def page_text(at):
    found = [e.value for kind in (at.markdown, at.caption, at.error, at.info) for e in kind]
    return "\n".join(found).replace("\\", "")


def table(at, index=0):
    return at.table[index].value


def from_command_line(capsys, *argv):
    assert cli.main(["lab", *map(str, argv), "--json"]) == 0
    return json.loads(capsys.readouterr().out)


def test_the_curve_shows_the_digits_of_the_command_line(at, root, capsys):
    demo(at, "lab_dissipation.csv")
    assert lab_words.GIVE_LIMIT in page_text(at)
    give(at, lab_words.LIMIT["EO"], 4.0)
    found = from_command_line(capsys, root / "demo/lab_dissipation.csv", "--limit-mg", 4)
    assert found["release_h_rounded"] == 31
    # 30.67 and 38.2 h, rounded up to a tenth.
    assert [m.value for m in at.metric] == ["31 h", "30.7 h", "38.3 h"]
    assert "lot B is 19 % above the others" in page_text(at)
    assert list(table(at)["Model"]) == ["all results pooled", "lot as a random factor"]


def test_a_limit_per_contact_area_asks_for_the_area(at):
    demo(at, "lab_dissipation.csv")
    give(at, lab_words.LIMITS_IN, lab_words.PER_AREA)
    give(at, lab_words.LIMIT_PER_AREA["EO"], 10.0)
    assert lab_words.ASKED_FAULTS in page_text(at)
    assert lab_words.LIMIT_PER_AREA["EO"] in page_text(at)
    give(at, lab_words.AREA, 400.0)
    assert next(m.value for m in at.metric) == "31 h"


def test_values_stay_when_the_page_changes(at):
    demo(at, "lab_dissipation.csv")
    give(at, lab_words.LIMIT["EO"], 4.0)
    give(at, lab_words.MODEL, "pooled")
    before = [m.value for m in at.metric]
    at.switch_page("views/cycle.py").run()
    at.switch_page("views/laboratory.py").run()
    assert not at.exception
    assert [m.value for m in at.metric] == before
    assert before[0] == "28 h"


def test_faults_are_named_by_row_and_column(at):
    upload(at, "A,0,EO,3,mg/device", "A,-2,EO,3,mg/device", "A,6,EO,2,ug/g")
    said = page_text(at)
    assert lab_words.TABLE_FAULTS in said
    assert "row 3, column aeration_h" in said
    assert not at.metric
    assert not at.table


def test_a_fault_of_what_was_asked_names_the_field_on_screen(at):
    demo(at, "lab_dissipation.csv")
    give(at, lab_words.LIMIT["EO"], 4.0)
    give(at, lab_words.MATERIAL, "silicone")
    said = page_text(at)
    assert lab_words.ASKED_FAULTS in said
    assert lab_words.THICKNESS in said
    assert "--thickness-mm" not in said


def test_certificates_of_another_state_are_shown_and_not_used(at):
    demo(at, "lab_certificates.csv")
    give(at, lab_words.LIMIT["EO"], 4.0)
    assert lab_words.CHOOSE in page_text(at)
    assert not at.table
    give(at, lab_words.ONLY["state"], "new")
    said = page_text(at)
    assert said.index("0 of 6 results at 48 h above the limit") < said.index("no release time")
    shown = table(at)
    assert list(shown["Use"]).count("used") == 8
    assert "re\\-sterilised" in set(shown["State"])
    assert not at.metric


def test_one_lot_can_be_looked_at_by_itself(at):
    demo(at, "lab_dissipation.csv")
    give(at, lab_words.LIMIT["EO"], 4.0)
    give(at, lab_words.ONLY["lot"], "A")
    assert "5 results, 1 lot(s), 5 times" in page_text(at)
    give(at, lab_words.ONLY["lot"], None)
    give(at, lab_words.ONLY["aeration_h"], "12")
    assert "no release time can be derived" in page_text(at)


def test_groups_are_compared_by_their_bound(at):
    demo(at, "lab_two_packagings.csv")
    give(at, lab_words.LIMIT["EO"], 4.0)
    give(at, lab_words.MARGIN, 2.0)
    said = page_text(at)
    assert "at most 4.5 h slower than pouch (one-sided 95 % bound)" in said
    assert "double wrap: 28.7 h, loses its residue more slowly" in said


def test_a_fit_is_kept_for_an_item_of_the_load_in_hand(at):
    demo(at, "lab_dissipation.csv")
    give(at, lab_words.LIMIT["EO"], 4.0)
    give(at, lab_words.THICKNESS, 4.0)
    give(at, lab_words.MATERIAL, "pvc_plasticised")
    assert "Layer model (pvc_plasticised, film_paper_pouch): release time 30 h" in page_text(at)
    name = json.loads(at.session_state["plan_text"])["items"][0]["name"]
    give(at, lab_words.FOR_ITEMS, [name])
    next(b for b in at.button if b.label == lab_words.USE_RECORD).click()
    run(at)
    own = json.loads(at.session_state["plan_text"])["own_records"]
    assert [(r["material"], r["items"]) for r in own] == [("pvc_plasticised", [name])]
    assert any(s.value == lab_words.TAKEN_OVER for s in at.success)


def test_the_release_time_is_taken_into_the_load_with_its_temperature(at):
    demo(at, "lab_dissipation.csv")
    give(at, lab_words.LIMIT["EO"], 4.0)
    name = json.loads(at.session_state["plan_text"])["items"][1]["name"]
    give(at, lab_words.FOR_ITEMS, [name])
    next(b for b in at.button if b.label == f"{lab_words.USE_RELEASE} (31 h at 50 °C)").click()
    run(at)
    first, second = json.loads(at.session_state["plan_text"])["items"][:2]
    assert (second["laboratory_release_h"], second["laboratory_temperature_c"]) == (31, 50)
    assert first["laboratory_release_h"] in (None, "unknown")


def test_results_stand_beside_the_prediction_of_the_last_check(at):
    at.switch_page("views/result.py").run()
    open_load(at, "dry_steel_set")
    at.selectbox(key="samples").set_value(512)
    next(b for b in at.button if b.label == words.CHECK).click()
    run(at)
    at.switch_page("views/laboratory.py").run()
    demo(at, "lab_dissipation.csv")
    give(at, lab_words.LIMIT["EO"], 4.0)
    give(at, lab_words.ITEM, 0)
    assert "EO at 6 h: measured" in page_text(at)


def test_another_load_or_table_in_between_leaves_the_screen_usable(at):
    """Choices that name what is no longer there are dropped, not crashed on."""
    demo(at, "lab_dissipation.csv")
    give(at, lab_words.LIMIT["EO"], 4.0)
    name = json.loads(at.session_state["plan_text"])["items"][1]["name"]
    give(at, lab_words.FOR_ITEMS, [name])
    open_load(at, "dry_steel_set")
    other = {item["name"] for item in json.loads(at.session_state["plan_text"])["items"]}
    assert name not in other
    assert next(m.value for m in at.metric) == "31 h"
    shown = next(m for m in at.multiselect if m.label == lab_words.FOR_ITEMS)
    assert set(shown.value) <= other
    demo(at, "lab_certificates.csv")
    give(at, lab_words.ONLY["state"], "new")
    demo(at, "lab_two_packagings.csv")
    assert at.metric
