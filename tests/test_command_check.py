"""`check`: exit codes, the JSON answer, bad input that writes nothing, the report."""

import json

import pytest

from eo_risk.cli import main

FEW = ["--samples", "64"]


@pytest.fixture(autouse=True)
def no_site_of_this_user(monkeypatch, tmp_path):
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "empty"))
    monkeypatch.setenv("APPDATA", str(tmp_path / "empty"))


def test_within_is_zero_and_hold_is_one(demo, capsys):
    assert main(["check", str(demo / "dry_steel_set.json"), *FEW]) == 0
    assert "Within" in capsys.readouterr().out
    assert main(["check", str(demo / "wet_lumen.json"), *FEW, "--no-advice"]) == 1
    text = capsys.readouterr().out
    assert "Hold" in text
    assert "does not release a load" in text
    assert max(map(len, text.splitlines())) <= 100


def test_json_holds_the_contract(demo, capsys):
    main(["check", str(demo / "small_patient.json"), *FEW, "--json", "--no-advice"])
    answer = json.loads(capsys.readouterr().out)
    assert {"verdict", "items", "load", "cautions", "air", "notice", "edition_note", "seed",
            "samples", "version", "plan_sha256"} <= set(answer)  # fmt: skip
    item = answer["items"][0]
    assert {"name", "quantity", "verdict", "reasons", "actions", "cautions", "assumed", "question",
            "water_mg", "water_by_place", "residues", "curve", "aeration_h", "matters_most",
            "records"} <= set(item)  # fmt: skip
    keys = {"aeration_h_p95", "required_h", "earliest_out", "slowest_item", "groups",
            "eo_taken_up_mg", "eo_charge_mg", "water_released_mg"}  # fmt: skip
    assert keys <= set(answer["load"])
    assert item["aeration_h"]["p95"] >= item["aeration_h"]["p50"]
    assert "replaced by a third edition in April 2026" in answer["edition_note"]


def test_a_plan_with_faults_reports_all_exits_two_and_writes_nothing(demo, capsys, tmp_path):
    raw = json.loads((demo / "wet_lumen.json").read_text(encoding="utf-8"))
    raw["items"][0]["quantity"] = 0
    raw["items"][1]["lumens"][0]["bore_mm"] = -3
    raw["items"][1]["parts"][0]["material"] = "ptfee"
    raw["cycle"]["exposre_h"] = 3
    path, report = tmp_path / "bad.json", tmp_path / "report.html"
    path.write_text(json.dumps(raw), encoding="utf-8")
    assert main(["check", str(path), "--report", str(report), "--json"]) == 2
    assert not report.exists()
    errors = json.loads(capsys.readouterr().out)["errors"]
    where = {error["where"] for error in errors}
    assert where >= {"items[0].quantity", "items[1].lumens[0].bore_mm",
                     "items[1].parts[0].material", "cycle.exposre_h"}  # fmt: skip
    assert all(set(e) == {"where", "given", "unit", "allowed", "do"} for e in errors)


@pytest.mark.parametrize("flag", ["--report", "--save"])
def test_a_file_that_cannot_be_written_is_bad_input(demo, capsys, tmp_path, flag):
    target = str(tmp_path / "absent" / "x.html")
    assert main(["check", str(demo / "dry_steel_set.json"), flag, target]) == 2
    assert flag in capsys.readouterr().err


def test_report_is_one_file_that_fetches_nothing(demo, tmp_path):
    report = tmp_path / "report.html"
    main(["check", str(demo / "dry_steel_set.json"), *FEW, "--report", str(report)])
    text = report.read_text(encoding="utf-8")
    assert "<svg" in text
    for fetched in ("http://", "https://", "<script", "<link", "src="):
        assert fetched not in text.replace("http://www.w3.org", "")


def test_reads_standard_input(demo, capsys, monkeypatch):
    import io

    text = (demo / "dry_steel_set.json").read_text(encoding="utf-8")
    monkeypatch.setattr("sys.stdin", io.StringIO(text))
    assert main(["check", "-", *FEW]) == 0


def test_seed_and_samples_are_used(demo, capsys):
    answers = []
    for seed in ("1", "2"):
        main(["check", str(demo / "small_patient.json"), *FEW, "--seed", seed, "--json",
              "--no-advice"])  # fmt: skip
        answers.append(json.loads(capsys.readouterr().out))
    assert [a["seed"] for a in answers] == [1, 2]
    assert answers[0]["items"][1]["residues"] != answers[1]["items"][1]["residues"]


def test_seed_zero_is_a_seed(demo, capsys):
    main(["check", str(demo / "dry_steel_set.json"), *FEW, "--seed", "0", "--json"])
    assert json.loads(capsys.readouterr().out)["seed"] == 0


def test_every_fault_of_a_list_its_names_and_the_call_is_told_at_once(demo, capsys, tmp_path):
    listed = tmp_path / "items.csv"
    listed.write_text(
        "name,device,starting_type,material,mass_g,packaging,needed_by\n"
        ",retractor fram,,,,,15:00\n"
        "cable,,light_cabel,,-5,blue wrap,\n"
        "probe,,,peeek,2,blue wrp,\n"
    )
    call = ["check", "--items", str(listed), "--site", str(demo / "site.toml")]
    assert main([*call, "--cycle", "warm", "--json"]) == 2
    errors = json.loads(capsys.readouterr().out)["errors"]
    assert sorted(error["where"] for error in errors) == [
        "--aeration", "cycle.name", "row 2, column device", "row 2, column needed_by",
        "row 3, column mass_g", "row 3, column starting_type", "row 4, column material",
        "row 4, column packaging",
    ]  # fmt: skip


def test_items_from_a_list_and_the_site_file(demo, capsys):
    listed = ["--items", str(demo / "items_morning.csv"), "--site", str(demo / "site.toml")]
    code = main(["check", *listed, "--cycle", "nonsense", "--aeration", "none", *FEW])
    assert code == 2
    assert "nonsense" in capsys.readouterr().err
    assert main(["check", "--items", str(demo / "items_morning.csv")]) == 2


@pytest.mark.slow
def test_sobol_indices_on_request(demo, capsys):
    main(["check", str(demo / "small_patient.json"), *FEW, "--indices", "sobol", "--json",
          "--no-advice"])  # fmt: skip
    answer = json.loads(capsys.readouterr().out)
    texts = [m["text"] for item in answer["items"] for m in item["matters_most"]]
    assert any("total Sobol index" in text for text in texts)


def test_a_run_is_assessed_and_its_differences_stand_in_answer_and_report(demo, tmp_path, capsys):
    report = tmp_path / "report.html"
    plan, chart = (str(demo / name) for name in ("dry_steel_set.json", "chart_dry_steel_set.csv"))
    main(["check", plan, "--as-run", chart, "--report", str(report), "--json", *FEW])
    out, err = capsys.readouterr()
    listed = {row["field"]: row for row in json.loads(out)["differences"]}
    warm = listed["cycle.temperature_c"]
    assert (warm["planned"], warm["as_run"]) == (55.0, pytest.approx(54.8, abs=0.05))
    assert "not measured" in listed["aeration[0].air_changes_per_h"]["note"]
    assert "cycle.temperature_c: planned 55, was 54.8" in err
    assert "cycle.temperature_c: planned 55, was 54.8" in report.read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("rows", "said"),
    [
        (lambda r: r[:20] + r[30:], "Rows are missing"),
        (lambda r: [*r[:20], r[20].replace("+02:00", "+01:00"), *r[21:]], "clock"),
    ],
)
def test_a_chart_that_jumps_is_refused_and_nothing_is_written(demo, tmp_path, capsys, rows, said):
    lines = (demo / "chart_dry_steel_set.csv").read_text(encoding="utf-8").splitlines(True)
    chart, saved = tmp_path / "chart.csv", tmp_path / "plan.json"
    chart.write_text("".join(rows(lines)), encoding="utf-8")
    code = main(["check", str(demo / "dry_steel_set.json"), "--as-run", str(chart), "--save",
                 str(saved), *FEW])  # fmt: skip
    assert code == 2
    assert said in capsys.readouterr().err
    assert not saved.exists()


def test_an_aerator_of_the_site_file_is_proposed(demo, capsys, tmp_path):
    site = tmp_path / "site.toml"
    site.write_text('schema_version = 1\n[[aerator]]\nname = "cabinet B"\nplace = "cabinet"\n'
                    "temperature_c = 60\nair_changes_per_h = 30\n", encoding="utf-8")  # fmt: skip
    main(["check", str(demo / "mixed_load_thick_pvc.json"), "--site", str(site), *FEW, "--json"])
    actions = json.loads(capsys.readouterr().out)["items"][1]["actions"]
    (other,) = (a for a in actions if a["aerator"])
    assert (other["action"], other["aerator"], other["unit"]) == ("aerate longer", "cabinet B", "h")
    assert "in cabinet B at 60 C" in other["detail"]
    assert other["new_verdict"] == "Within"


@pytest.mark.parametrize(
    ("words", "where"),
    [
        (["--cycle", "cool 38"], "--cycle"),
        (["--cycle-start", "2026-04-14T06:30"], "--cycle-start"),
        (["--items", "list.csv"], "--items"),
    ],
)
def test_what_would_be_passed_over_is_refused(demo, capsys, words, where):
    assert main(["check", str(demo / "dry_steel_set.json"), *words, *FEW, "--json"]) == 2
    assert [e["where"] for e in json.loads(capsys.readouterr().out)["errors"]] == [where]


def test_names_without_a_site_file_ask_for_one_and_starting_types_need_none(
    demo, capsys, tmp_path
):
    assert main(["check", str(demo / "by_names" / "dry_steel_set.json"), "--json"]) == 2
    errors = json.loads(capsys.readouterr().out)["errors"]
    assert [e["where"] for e in errors] == [
        "cycle.name", "room.name", "aeration.name", *(f"items[{i}].device" for i in range(3)),
        "cycle_start",
    ]  # fmt: skip
    assert all("--site" in e["do"] for e in errors)
    raw = json.loads((demo / "dry_steel_set.json").read_text(encoding="utf-8"))
    raw["items"] = [{"name": "cable", "starting_type": "light_cable"}]
    plan = tmp_path / "plan.json"
    plan.write_text(json.dumps(raw), encoding="utf-8")
    assert main(["check", str(plan), "--json", *FEW]) == 1
    assert json.loads(capsys.readouterr().out)["items"][0]["starting_type"]


def test_a_very_large_load_is_checked_without_trying_changes(demo, tmp_path, capsys, monkeypatch):
    from eo_risk.judgement import advice

    monkeypatch.setattr(advice, "LARGEST_LOAD", 2)
    plan = str(demo / "mixed_load_thick_pvc.json")
    assert main(["check", plan, "--samples", "64", "--json"]) == 1
    out, err = capsys.readouterr()
    assert "More than 2 items: no changes are tried" in err
    items = json.loads(out)["items"]
    assert any(item["verdict"] != "Within" for item in items)
    assert all(item["actions"] == [] for item in items)
