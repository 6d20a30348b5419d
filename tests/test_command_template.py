"""The commands `template` and `schema`: what they write is what the readers read."""

import csv
import io
import json
from functools import cache

import jsonschema
import pytest

from eo_risk import cli
from eo_risk.commands.schemas import ANSWERS, INPUTS, schema_of
from eo_risk.errors import InputError
from eo_risk.measured.results_table import results_from_bytes
from eo_risk.plan.as_run import values_of_chart
from eo_risk.plan.chart import STAGES, chart_from_bytes
from eo_risk.plan.load_plan import load_plan, parse_plan, plan_json
from eo_risk.plan.site import parse_site, resolve
from eo_risk.plan.tables import HEADERS, items_from_bytes, read_items


@pytest.fixture
def run(monkeypatch, capsys):
    """Run one command line; returns exit code, stdout and stderr."""
    monkeypatch.setattr(cli, "COMMAND_MODULES", ("template", "schema", "reference_tables"))

    def call(*words):
        code = cli.main(list(words))
        shown = capsys.readouterr()
        return code, shown.out, shown.err

    return call


@cache
def validator(name):
    jsonschema.Draft202012Validator.check_schema(schema_of(name))
    return jsonschema.Draft202012Validator(schema_of(name))


def validate(answer, name):
    validator(name).validate(answer)


def test_the_plan_template_reads_back_with_everything_unknown(run):
    code, out, _ = run("template", "plan")
    assert code == 0
    plan = parse_plan(out)
    assert plan.cycle.temperature_c is None
    assert plan.items[0].lumens[0].drying[0].minutes is None
    assert plan_json(plan) + "\n" == out
    assert {"temperature_c", "washes", "gas"} <= set(json.loads(out)["cycle"])


def test_the_items_template_reads_back(run):
    code, out, _ = run("template", "items")
    assert code == 0
    assert next(csv.reader(io.StringIO(out))) == list(HEADERS)
    (item,) = items_from_bytes(out.encode(), "items.csv").items
    assert [part["name"] for part in item["parts"]] == ["sheath", "handle"]
    assert item["lumens"][0]["droplets_seen"] == "not_looked"


def test_the_chart_template_reads_back_with_every_stage(run):
    out = run("template", "chart")[1]
    chart = chart_from_bytes(out.encode(), "chart.csv")
    assert {span.stage for span in chart.spans} == set(STAGES)
    ran = values_of_chart(chart)
    assert [step.step for step in ran.aeration] == [1, 2]
    assert len(ran.aeration[0].interruptions) == 1


def test_the_site_template_reads_without_a_broken_entry_and_its_names_resolve(run):
    code, out, _ = run("template", "site")
    assert code == 0
    site = parse_site(out)
    assert site.broken_faults == ()
    raw = {"cycle": "usual cycle", "aeration": "usual aeration", "room": "our room",
           "items": [{"device": "our scope"}]}  # fmt: skip
    plan = resolve(raw, site)
    assert plan["items"][0]["packaging"] == "nonwoven_wrap"
    assert plan["steriliser"] == "steriliser 1"


def test_the_lab_template_has_every_required_column(run):
    code, out, _ = run("template", "lab")
    assert code == 0
    headers = next(csv.reader(io.StringIO(out)))
    assert {"lot", "aeration_h", "substance", "result", "unit"} <= set(headers)
    with pytest.raises(InputError, match="row"):
        results_from_bytes(out.encode(), "lab.csv")
    filled = out + ",".join({"lot": "A", "aeration_h": "12", "substance": "EO", "result": "1.5",
                             "unit": "mg/device"}.get(h, "") for h in headers) + "\n"  # fmt: skip
    (row,) = results_from_bytes(filled.encode(), "lab.csv").rows
    assert (row.lot, row.aeration_h, row.result) == ("A", 12.0, 1.5)


@pytest.mark.parametrize("kind", ["plan", "items", "lab", "site", "chart"])
def test_json_holds_the_same_text(run, kind):
    code, out, _ = run("template", kind, "--json")
    answer = json.loads(out)
    assert code == 0
    validate(answer, "template")
    assert answer["text"].rstrip("\n") == run("template", kind)[1].rstrip("\n")
    assert bool(answer["rows"]) == (kind in ("items", "lab", "chart"))


def test_a_new_file_is_written_and_an_old_one_kept(run, tmp_path):
    path = tmp_path / "items.csv"
    code, out, err = run("template", "items", "--out", str(path))
    assert (code, out) == (0, "")
    assert str(path) in err
    assert len(read_items(path).items) == 1
    before = path.read_bytes()
    code, out, err = run("template", "items", "--out", str(path), "--json")
    assert code == 2
    assert path.read_bytes() == before
    assert json.loads(out)["errors"][0]["allowed"] == "a new file"
    validate(json.loads(out), "errors")


def test_an_excel_template_reads_back(run, tmp_path):
    path = tmp_path / "items.xlsx"
    assert run("template", "items", "--out", str(path))[0] == 0
    assert read_items(path).items[0]["name"].startswith("example")
    assert run("template", "plan", "--out", str(tmp_path / "plan.xlsx"))[0] == 2
    assert not (tmp_path / "plan.xlsx").exists()
    assert run("template", "site", "--out", str(tmp_path / "absent" / "site.toml"))[0] == 2


@pytest.mark.parametrize("name", sorted(ANSWERS | INPUTS))
def test_every_schema_is_a_schema(run, name):
    code, out, _ = run("schema", name)
    assert code == 0
    jsonschema.Draft202012Validator.check_schema(json.loads(out))
    assert json.loads(run("schema", name, "--json")[1]) == json.loads(out)


def test_an_unknown_schema_offers_the_nearest(run):
    code, out, _ = run("schema", "plam", "--json")
    assert code == 2
    assert "plan" in json.loads(out)["errors"][0]["allowed"]


def test_every_demo_plan_fits_the_plan_schema_as_written_and_as_saved(demo):
    paths = sorted(demo.glob("*.json"))
    assert paths
    for path in paths:
        validate(json.loads(path.read_text(encoding="utf-8")), "plan")
        validate(json.loads(plan_json(load_plan(path))), "plan")


def test_the_plan_schema_refuses_what_the_reader_refuses(demo):
    raw = json.loads((demo / "dry_steel_set.json").read_text(encoding="utf-8"))
    for path, value in (("cycle", {"exposur_h": 3}), ("status", "done"), ("aeration", 4)):
        with pytest.raises(jsonschema.ValidationError):
            validate(raw | {path: value}, "plan")
    raw["cycle"]["exposure_h"] = -1
    with pytest.raises(jsonschema.ValidationError):
        validate(raw, "plan")
    raw["cycle"]["exposure_h"] = "90 min"
    validate(raw, "plan")


@pytest.mark.parametrize("words", [("materials",), ("sources",), ("schema", "plan")])
def test_the_answers_of_the_tables_fit_their_schemas(run, words):
    code, out, _ = run(*words, "--json")
    assert code == 0
    validate(json.loads(out), words[0])
