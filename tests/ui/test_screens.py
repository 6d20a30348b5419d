"""The screens without a browser: pages, edits, faults, and the digits of the command line."""

import json
import shutil
from datetime import date, time
from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest

from eo_risk import cli
from eo_risk.plan.load_plan import parse_plan
from ui import words

UI = Path(__file__).resolve().parents[2] / "ui"
DEMOS = sorted(p.stem for p in (UI.parent / "demo").glob("*.json"))
PAGES = ("views/start.py", "views/load.py", "views/cycle.py", "views/result.py")


@pytest.fixture
def at(tmp_path, monkeypatch):
    """The screens in a new session, away from any site file of the user."""
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))
    app = AppTest.from_file(str(UI / "app.py"), default_timeout=60)
    app.run()
    assert not app.exception
    return app


def plan(at):
    return parse_plan(at.session_state["plan_text"])


def edit_table(at, edited=None, added=()):
    """Edit the items table the way the grid reports edits."""
    key = f"items-{at.session_state['table_version']}"
    at.session_state[key] = {
        "edited_rows": edited or {}, "added_rows": list(added), "deleted_rows": [],
    }  # fmt: skip
    at.run()
    assert not at.exception


def press(at, label):
    next(b for b in at.button if b.label == label).click()
    at.run()
    assert not at.exception
    return at


def number(at, label):
    """Find a number field by its label; it holds text that may carry a unit."""
    return next(n for n in at.text_input if n.label == label)


def open_demo(at, name):
    next(s for s in at.selectbox if s.label == words.OPEN_DEMO).set_value(name)
    at.run()
    return press(at, words.OPEN)


def go(at, page):
    at.switch_page(page).run()
    assert not at.exception
    return at


def check(at, samples=512):
    go(at, "views/result.py")
    at.selectbox(key="samples").set_value(samples)
    at.run()
    return press(at, words.CHECK)


def test_it_opens_with_a_demo_plan(at):
    assert at.title[0].value == words.LOAD
    assert plan(at).load_number == "demo 0612"
    assert "demo 0612" in at.sidebar.text[0].value
    assert words.SAVE_HELP in [caption.value for caption in at.sidebar.caption]
    assert not at.error


@pytest.mark.parametrize(
    "name",
    [name if name in ("full_morning_load", "small_patient")
     else pytest.param(name, marks=pytest.mark.slow) for name in DEMOS],
)  # fmt: skip
def test_every_page_opens_with_every_demo_plan(at, name):
    open_demo(at, name)
    expected = parse_plan((UI.parent / "demo" / f"{name}.json").read_text(encoding="utf-8"))
    assert plan(at).sha256 == expected.sha256
    for page in PAGES:
        assert not go(at, page).error


def test_same_plan_and_seed_give_the_digits_of_the_command_line(at, demo, capsys):
    check(open_demo(at, "dry_steel_set"))
    shown = json.loads(at.session_state["result"].answer_text)
    code = cli.main(["check", str(demo / "dry_steel_set.json"), "--samples", "512", "--json"])
    assert shown == json.loads(capsys.readouterr().out)
    assert code == (0 if shown["verdict"] == "Within" else 1)


def test_the_verdict_stands_with_number_reason_action_and_notice(at):
    check(open_demo(at, "dry_steel_set"))
    answer = json.loads(at.session_state["result"].answer_text)
    assert answer["verdict"] in at.metric[0].value
    table = at.table[0].value
    assert list(table.columns) == list(words.VERDICT_HEADER)
    assert len(table) == len(answer["items"])
    assert any(answer["notice"] == box.value for box in at.info)
    labels = {b.label for b in at.get("download_button")}
    assert {words.SAVE_REPORT, words.SAVE_ANSWER, words.SAVE_PLAN} <= labels


@pytest.mark.slow
def test_a_result_names_its_load_and_pieces_and_the_water_that_may_stay(at):
    check(open_demo(at, "wet_lumen"))
    open_demo(at, "small_patient")  # another load in hand: the result is still that of the first
    go(at, "views/result.py")
    assert any(t.value.startswith("Load demo 0612, steriliser EO-1, ") for t in at.main.text)
    assert at.table[0].value[words.ITEM].tolist()[1].endswith("curved forceps, set of six ×6")
    assert any(caption.value.startswith("Up to 350 mg of leftover water") for caption in at.caption)


def test_a_refused_field_is_named_as_on_the_screen(at):
    go(at, "views/cycle.py")
    number(at, words.label("site_minimum_aeration_h")).set_value("-3")
    press(at, words.APPLY)
    said = at.error[0].value
    assert words.plain("Aeration minimum of the site (h)") in said
    assert "`site_minimum_aeration_h`" in said
    assert any(words.APPLY_HELP in caption.value for caption in at.caption)


def test_an_old_result_is_marked_when_the_inputs_change(at):
    check(open_demo(at, "dry_steel_set"))
    assert words.STALE not in [w.value for w in at.warning]
    go(at, "views/cycle.py")
    number(at, words.label("eo_mg_per_l")).set_value("700")
    press(at, words.APPLY)
    assert plan(at).cycle.eo_mg_per_l == 700.0
    go(at, "views/result.py")
    assert words.STALE in [w.value for w in at.warning]
    assert "Within" in at.metric[0].value or "Hold" in at.metric[0].value  # kept, and marked
    press(at, words.CHECK)
    assert words.STALE not in [w.value for w in at.warning]


def test_what_stands_on_the_device_is_typed_with_its_unit(at):
    go(at, "views/cycle.py")
    number(at, words.label("temperature_c")).set_value("131 F")
    number(at, words.label("evacuation_kpa")).set_value("27 inHg vacuum")
    number(at, words.label("exposure_h")).set_value("150 min")
    number(at, words.label("ambient_kpa")).set_value("101.3")
    press(at, words.APPLY)
    assert not at.error
    cycle = plan(at).cycle
    assert (cycle.temperature_c, cycle.exposure_h) == (55.0, 2.5)
    assert cycle.evacuation_kpa == pytest.approx(9.87, rel=1e-3)  # 101.3 - 27 x 3.386389
    assert number(at, words.label("temperature_c")).value == "55"
    go(at, "views/load.py")
    edit_table(at, {1: {"parts[0].outer_diameter_mm": "15 Fr", "lumens[0].length_mm": "27 1/2 in"}})
    assert not at.error
    item = plan(at).items[1]
    assert (item.parts[0].outer_diameter_mm, item.lumens[0].length_mm) == (5.0, 698.5)


def refused(at, **typed):
    """What is said to such a cycle form, which changes nothing."""
    go(at, "views/cycle.py")
    before = at.session_state["plan_text"]
    for field, text in typed.items():
        number(at, words.label(field)).set_value(text)
    press(at, words.APPLY)
    assert at.session_state["plan_text"] == before
    return [error.value for error in at.error]


def test_text_that_is_no_quantity_is_refused_at_its_field(at):
    said = refused(at, evacuation_kpa="27 inHg", exposure_h="all day")
    assert words.NOT_UNDERSTOOD in said[0]
    assert "absolute, gauge or vacuum" in said[0]
    assert words.NOT_UNDERSTOOD in said[1]
    assert "not a number" in said[1]
    assert "`cycle.evacuation_kpa`" in said[2]
    assert "`cycle.exposure_h`" in said[2]


def test_a_form_with_faults_names_them_and_changes_nothing(at):
    said = refused(at, eo_mg_per_l="-5", exposure_h="0")
    assert "`cycle.eo_mg_per_l`" in said[0]
    assert "`cycle.exposure_h`" in said[0]


def test_an_emptied_field_is_unknown_not_zero(at):
    go(at, "views/cycle.py")
    number(at, words.label("eo_mg_per_l")).set_value("")
    press(at, words.APPLY)
    assert plan(at).cycle.eo_mg_per_l is None


def test_editing_cells_twice_keeps_both_edits_and_the_details(at):
    before = plan(at)
    edit_table(at, {1: {"lumens[0].bore_mm": "2.5"}})
    assert plan(at).items[1].lumens[0].bore_mm == 2.5
    edit_table(at, {1: {"lumens[0].bore_mm": "2.5", "patient.body_mass_kg": "55"}})
    item = plan(at).items[1]
    assert (item.lumens[0].bore_mm, item.patient.body_mass_kg) == (2.5, 55.0)
    assert item.parts == before.items[1].parts
    assert item.lumens[0].drying == before.items[1].lumens[0].drying


def test_a_bad_cell_is_named_by_its_path(at):
    before = at.session_state["plan_text"]
    edit_table(at, {0: {"parts[0].mass_g": "0"}})
    assert "`items[0].parts[0].mass_g`" in at.error[0].value
    assert at.session_state["plan_text"] == before


def test_an_item_may_be_added_from_a_starting_type(at):
    from eo_risk.plan.choices import starting_types

    name = next(iter(starting_types()))
    edit_table(at, added=[{"name": "new piece", "starting_type": name}])
    assert not at.error
    added = plan(at).items[-1]
    assert (added.name, added.starting_type) == ("new piece", name)
    assert added.parts
    assert at.sidebar.text[0].value.endswith("Items: 3")  # counted at once


def test_all_fields_of_one_item_can_be_changed(at):
    next(s for s in at.selectbox if s.label == words.ITEM).set_value(1)
    at.run()
    next(n for n in at.number_input if n.label == words.label("joints")).set_value(4)
    press(at, words.APPLY)
    assert plan(at).items[1].joints == 4


def test_a_part_and_a_drying_step_can_be_added_and_removed(at):
    parts = len(plan(at).items[0].parts)
    adds = [b for b in at.button if b.label == words.ADD]
    adds[0].click()
    at.run()
    assert len(plan(at).items[0].parts) == parts + 1
    next(b for b in at.button if b.label == words.REMOVE_LAST).click()
    at.run()
    assert len(plan(at).items[0].parts) == parts


def test_a_coating_and_a_thing_packed_with_an_item_can_be_given(at):
    key = f"item0-{at.session_state['form_version']}"
    at.selectbox(key=f"{key}-coat0-material").set_value("ptfe")
    at.text_input(key=f"{key}-coat0-thickness_mm").set_value("25 um")
    press(at, words.APPLY)
    coating = plan(at).items[0].parts[0].coating
    assert (coating.material, coating.thickness_mm) == ("ptfe", 0.025)
    number = at.session_state["form_version"]
    at.button(key=f"add-0-beside-{number}").click()
    at.run()
    key = f"item0-{at.session_state['form_version']}"
    at.selectbox(key=f"{key}-beside0-kind").set_value("tray")
    at.selectbox(key=f"{key}-beside0-state").set_value("drained")
    press(at, words.APPLY)
    assert not at.error
    assert [(b.kind, b.state) for b in plan(at).items[0].beside] == [("tray", "drained")]
    key = f"item0-{at.session_state['form_version']}"
    at.selectbox(key=f"{key}-coat0-material").select_index(0)
    at.text_input(key=f"{key}-coat0-thickness_mm").set_value("")
    press(at, words.APPLY)
    assert plan(at).items[0].parts[0].coating is None


def test_an_aeration_step_can_be_added_and_removed(at):
    go(at, "views/cycle.py")
    steps = len(plan(at).aeration)
    press(at, words.ADD_STEP)
    assert len(plan(at).aeration) == steps + 1
    press(at, words.REMOVE_STEP)
    assert len(plan(at).aeration) == steps


@pytest.mark.parametrize(
    ("content", "said"),
    [(b"{", "(file)"), (b"[1]", "(file)"), (b"\xff\xfe", "bytes"),
     (b'{"schema_version": 9}', "schema_version"), (b'{"schema_version": NaN}', "(file)")],
)  # fmt: skip
def test_a_bad_plan_file_is_refused_and_the_old_plan_kept(at, content, said):
    before = at.session_state["plan_text"]
    at.file_uploader(key="plan_file").upload("plan.json", content, "application/json")
    at.run()
    press(at, words.OPEN_FILE)
    assert said in at.error[0].value
    assert at.session_state["plan_text"] == before


def test_a_plan_file_opens(at, demo):
    content = (demo / "small_patient.json").read_bytes()
    at.file_uploader(key="plan_file").upload("plan.json", content, "application/json")
    at.run()
    press(at, words.OPEN_FILE)
    assert plan(at).sha256 == parse_plan(content.decode()).sha256
    assert not at.error


def test_items_come_in_from_a_table(at):
    content = b"name,material,mass_g\nprobe tip,peek,12\nspring,stainless_steel,3\n"
    at.file_uploader(key="items_file").upload("items.csv", content, "text/csv")
    at.run()
    before = len(plan(at).items)
    press(at, words.IMPORT)
    assert [i.name for i in plan(at).items[before:]] == ["probe tip", "spring"]
    names = at.dataframe[0].value["name"].tolist()  # the table shows them at once
    assert names[before:] == ["probe tip", "spring"]
    assert any(words.UNDERSTOOD in toast.value for toast in at.toast)


def test_a_bad_table_names_row_and_column(at):
    content = b"name,material,mass_g\nprobe tip,peeek,-12\n"
    at.file_uploader(key="items_file").upload("items.csv", content, "text/csv")
    at.run()
    before = at.session_state["plan_text"]
    press(at, words.IMPORT)
    assert "row 2" in at.error[0].value
    assert "peek" in at.error[0].value
    assert at.session_state["plan_text"] == before


def test_one_module_touches_session_state_and_the_screens_claim_nothing():
    for path in UI.rglob("*.py"):
        text = path.read_text(encoding="utf-8")
        assert ("session_state" in text) == (path.name == "state.py"), path


def use_site(at, content, name="site.toml"):
    at.file_uploader(key="site_file").upload(name, content, "application/toml")
    at.run()
    return press(at, words.USE_UPLOAD)


def test_a_load_is_made_from_the_names_of_the_site_file(at):
    go(at, "views/start.py")
    assert words.NO_SITE_CYCLES in at.info[0].value
    press(at, words.DEMO_SITE)
    at.text_input[0].set_value("0714")
    at.date_input[0].set_value(date(2026, 4, 14))
    at.time_input[0].set_value(time(6, 30))
    at.multiselect(key="new-devices").set_value(["retractor frame", "thick soft mask"])
    at.multiselect(key="new-types").set_value(["light_cable"])
    at.selectbox(key="new-other").set_value("yes")
    press(at, words.MAKE_LOAD)
    found = plan(at)
    assert at.title[0].value == words.LOAD
    assert [i.name for i in found.items[:2]] == ["retractor frame", "thick soft mask"]
    assert found.items[2].starting_type == "light_cable"
    assert found.items[1].patient.body_mass_kg == 12.0  # lightest of this device
    assert found.cycle_start.isoformat() == "2026-04-14T06:30:00+02:00"  # the site's time zone
    assert (found.load_number, found.steriliser) == ("0714", "EO-1")
    assert found.site_minimum_aeration_h == 12.0
    assert [step.holds_other_load for step in found.aeration] == ["yes", None]


def test_a_load_without_items_or_with_a_bad_list_is_not_made(at):
    press(at, words.DEMO_SITE)
    go(at, "views/start.py")
    before = at.session_state["plan_text"]
    press(at, words.MAKE_LOAD)
    assert "one item or more" in at.error[0].value
    content = b"name,device,needed_by\n,retractor fram,\ncable,,\n"
    at.file_uploader(key="new-list").upload("items.csv", content, "text/csv")
    press(at, words.MAKE_LOAD)
    assert "row 3, column material" in at.error[0].value
    assert "row 2, column device" in at.error[0].value
    content = b"device,needed_by\nretractor fram,15:00\n"
    at.file_uploader(key="new-list").upload("items.csv", content, "text/csv")
    press(at, words.MAKE_LOAD)
    assert "row 2, column device" in at.error[0].value
    assert "row 2, column needed_by" in at.error[0].value
    assert at.session_state["plan_text"] == before


def test_a_broken_entry_is_named_and_the_others_are_used(at, demo):
    text = (demo / "site.toml").read_text(encoding="utf-8")
    use_site(at, text.replace("exposure_h = 5", 'exposure_h = "long"').encode())
    assert "cool 38" in at.warning[0].value
    assert "more than 0 to 100 h" in at.warning[0].value
    go(at, "views/start.py")
    assert at.selectbox[0].options == ["warm 55"]


def test_a_site_file_that_cannot_be_used_leaves_the_one_in_use(at, demo):
    press(at, words.DEMO_SITE)
    use_site(at, b"[units_shown]\ntemperature = 'K'\n")
    assert "units_shown" in at.error[0].value
    assert any("Larkmere" in t.value for t in at.sidebar.text)
    at.text_input(key="site_path").set_value(str(demo / "absent.toml"))
    at.run()
    press(at, words.USE_PATH)
    assert "absent.toml" in at.error[0].value
    at.text_input(key="site_path").set_value(str(demo / "site.toml"))
    at.run()
    press(at, words.USE_PATH)
    assert not at.error


def test_the_sites_units_are_shown_and_an_untouched_form_keeps_every_digit(at, demo):
    text = (demo / "site.toml").read_text(encoding="utf-8")
    shown = text.replace('temperature = "C"', 'temperature = "F"').replace(
        'pressure = "kPa"', 'pressure = "psi"')  # fmt: skip
    before = plan(at)
    use_site(at, shown.encode())
    go(at, "views/cycle.py")
    warm = number(at, "Temperature (°F)")
    assert float(warm.value) == pytest.approx(before.cycle.temperature_c * 1.8 + 32.0)
    assert number(at, "Evacuated to (psi absolute)").value
    press(at, words.APPLY)
    assert plan(at).cycle == before.cycle
    number(at, "Temperature (°F)").set_value("122")
    press(at, words.APPLY)
    assert plan(at).cycle.temperature_c == pytest.approx(50.0)
    go(at, "views/load.py")
    edit_table(at, {0: {"instructions.highest_temperature_c": "140"}})
    assert plan(at).items[0].instructions.highest_temperature_c == pytest.approx(60.0)


def test_cycle_and_aeration_are_taken_by_name(at):
    press(at, words.DEMO_SITE)
    go(at, "views/cycle.py")
    at.selectbox(key="site-cycle").set_value("cool 38")
    press(at, f"{words.TAKE}: {words.CYCLE_NAME}")
    at.selectbox(key="site-aeration").set_value("cool cabinet 36 h")
    press(at, f"{words.TAKE}: {words.AERATION_NAME}")
    assert (plan(at).cycle.temperature_c, plan(at).aeration[0].hours) == (38.0, 36.0)


def test_one_value_fills_the_unknown_cells_only(at):
    edit_table(at, {0: {"rinse_water": "tap"}, 1: {"rinse_water": None}})
    key = f"fill-{at.session_state['form_version']}"
    asked = {widget.key for widget in (*at.text_input, *at.selectbox)}
    assert f"{key}-rinse_water" in asked
    # A size for every item would replace the ranges of their starting types.
    assert not asked & {f"{key}-parts[0].mass_g", f"{key}-lumens[0].bore_mm", f"{key}-name"}
    at.selectbox(key=f"{key}-rinse_water").set_value("treated")
    at.text_input(key=f"{key}-lumens[0].drying[0].minutes").set_value("7")
    lumens = [len(i.lumens) for i in plan(at).items]
    at.text_input(key=f"{key}-patient.body_mass_kg").set_value("heavy")
    press(at, words.FILL)
    assert [words.NOT_UNDERSTOOD in error.value for error in at.error] == [True]
    assert plan(at).items[1].rinse_water is None
    at.text_input(key=f"{key}-patient.body_mass_kg").set_value("")
    press(at, words.FILL)
    assert [len(i.lumens) for i in plan(at).items] == lumens  # no lumen where there was none
    waters = [i.rinse_water for i in plan(at).items]
    assert waters[0] == "tap"
    assert set(waters[1:]) == {"treated"}


def test_the_chart_is_laid_over_the_plan_and_the_differences_are_listed(at, demo):
    open_demo(at, "dry_steel_set")
    go(at, "views/cycle.py")
    chart = (demo / "chart_dry_steel_set.csv").read_bytes()
    rows = chart.splitlines(keepends=True)
    at.file_uploader(key="run_file").upload("gap.csv", b"".join(rows[:40] + rows[60:]), "text/csv")
    at.run()
    press(at, words.LAY_OVER)
    assert "Rows are missing" in at.error[0].value
    assert plan(at).status == "planned"
    at.file_uploader(key="run_file").upload("chart.csv", chart, "text/csv")
    at.run()
    press(at, words.LAY_OVER)
    assert plan(at).status == "as_run"
    listed = at.table[0].value
    assert "cycle\\.length\\_h" in set(listed["Field"])


@pytest.mark.parametrize(
    ("text", "said"), [("name = 'ours'\n", ""), ("[rules]\nedition = 'x'\n", "iso10993-7")]
)
def test_the_users_own_site_file_is_taken_at_the_start_unless_it_is_broken(
    tmp_path, monkeypatch, text, said
):
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))
    monkeypatch.setenv("APPDATA", str(tmp_path))
    (tmp_path / "eo-risk").mkdir()
    (tmp_path / "eo-risk" / "site.toml").write_text(text, encoding="utf-8")
    at = AppTest.from_file(str(UI / "app.py"), default_timeout=60).run()
    assert not at.exception
    in_use = any("ours" in line.value for line in at.sidebar.text)
    assert in_use == (not said)
    shown = [words.plain(said) in error.value for error in at.error]
    assert shown == ([True] if said else [])
    assert plan(at).load_number == "demo 0612"  # the screens open all the same


def test_a_site_file_of_ones_own_opens_with_a_new_load(tmp_path, monkeypatch, demo):
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))
    monkeypatch.setenv("APPDATA", str(tmp_path))
    (tmp_path / "eo-risk").mkdir()
    shutil.copy(demo / "site.toml", tmp_path / "eo-risk" / "site.toml")
    at = AppTest.from_file(str(UI / "app.py"), default_timeout=60).run()
    assert not at.exception
    assert at.title[0].value == words.NEW_LOAD
    at.multiselect(key="new-devices").set_value(["retractor frame"])
    press(at, words.MAKE_LOAD)
    assert at.title[0].value == words.LOAD
    assert [item.name for item in plan(at).items] == ["retractor frame"]
