"""Command `limits`: the contract, the words it may use, bad input."""

import importlib.util
import json

import jsonschema
import pytest

from eo_risk import cli
from eo_risk.commands.schemas import schema_of
from eo_risk.judgement.limits import DURATIONS, EDITIONS, SPECIALS

KEYS = {"substance", "quantity", "limit", "unit", "period", "kind", "basis", "clause",
        "confidence", "source"}  # fmt: skip
NEVER = ("limit exceeded", "safe", "released", "compliant", "nan", "infinity")


@pytest.fixture
def run(monkeypatch, capsys):
    here = [n for n in cli.COMMAND_MODULES if importlib.util.find_spec(f"eo_risk.commands.{n}")]
    monkeypatch.setattr(cli, "COMMAND_MODULES", tuple(here))

    def call(*words, as_json=True):
        code = cli.main(["limits", *words, *(["--json"] if as_json else [])])
        out = capsys.readouterr().out
        return code, json.loads(out) if as_json else out

    return call


def rules(answer):
    return {row["substance"]: row for row in answer["governing"]}


def test_mask_on_a_60_cm2_area(run):
    """10 ug/cm2 x 60 cm2 = 0.6 mg beside 4 mg in 24 h (ISO 10993-7:2008, table C.1)."""
    code, answer = run("--duration", "limited", "--body-mass-kg", "70", "--area-cm2", "60")
    assert code == 0
    assert rules(answer)["EO"]["limit"] == 0.6
    assert rules(answer)["EO"]["unit"] == "mg"
    eo = {(r["period"], r["limit"]) for r in answer["limits"] if r["substance"] == "EO"}
    assert eo == {("24h", 4.0), ("contact", 10.0)}
    assert "ask which edition applies to you" in answer["edition_note"]
    assert "whole residue" in answer["counted"]


@pytest.mark.parametrize("edition", EDITIONS)
@pytest.mark.parametrize("duration", DURATIONS)
@pytest.mark.parametrize("special", [None, *SPECIALS])
def test_every_answer_keeps_the_contract_and_its_words(run, edition, duration, special):
    words = ["--duration", duration, "--edition", edition, "--area-cm2", "20",
             "--jurisdiction", "us", *(["--special", special] if special else [])]  # fmt: skip
    code, answer = run(*words)
    assert code == 0
    jsonschema.validate(answer, schema_of("limits"), jsonschema.Draft202012Validator)
    assert {row["substance"] for row in answer["governing"]} == {"EO", "ECH"}
    for row in (*answer["limits"], *answer["governing"]):
        assert row.keys() >= KEYS
        assert (row["kind"] == "screening") == (row["substance"] == "EG")
    code, text = run(*words, as_json=False)
    assert code == 0
    assert "says nothing about local irritation" in text
    heard = text.replace(answer["notice"], "").lower()
    assert not [word for word in NEVER if word in heard]


def test_empty_edition_is_null_with_its_reason(run):
    code, answer = run("--duration", "permanent", "--edition", "iso10993-7:2026")
    assert code == 0
    assert all(r["limit"] is None for r in answer["limits"] if r["kind"] == "limit")
    assert all(r["limit"] is None for r in answer["governing"])
    assert "your own copy" in answer["not_assessed"]
    assert "Not assessed" in run("--duration", "permanent", "--edition", "iso10993-7:2026",
                                 as_json=False)[1]  # fmt: skip


def test_what_is_assumed_is_asked(run):
    asked = {ask["field"] for ask in run("--duration", "limited")[1]["asks"]}
    assert asked == {"body_mass_kg", "devices", "area_cm2"}
    light = ["--duration", "limited", "--body-mass-kg", "12", "--devices", "2", "--area-cm2", "9"]
    assert [a["field"] for a in run(*light)[1]["asks"]] == ["body_mass_reason"]
    assert run(*light, "--body-mass-reason", "lightest booked")[1]["asks"] == []


def test_area_range_rules_by_its_low_end(run):
    answer = run("--duration", "limited", "--area-cm2", "40,90")[1]
    assert rules(answer)["EO"]["limit"] == 0.4
    assert "assumed" in rules(answer)["EO"]["basis"]


def test_a_population_word_asks_for_mass_and_reason(run):
    words = ["--duration", "limited", "--population", "neonate"]
    code, answer = run(*words, "--body-mass-kg", "3.5")
    assert code == 2
    assert "justification" in answer["errors"][0]["allowed"]
    code, answer = run(*words, "--body-mass-kg", "3.5", "--body-mass-reason", "lightest booked")
    assert code == 0
    assert answer["patient"] == {
        "body_mass_kg": 3.5, "body_mass_reason": "lightest booked", "devices": None,
    }  # fmt: skip


def test_simulated_use_is_printed(run):
    words = ["--duration", "limited", "--residue-counted", "simulated_use"]
    assert "whole residue counts" in run(*words)[1]["counted"]
    assert "40 %" in run(*words, "--share-percent", "40")[1]["counted"]


def test_staff_exposure_by_jurisdiction(run):
    answer = run("--duration", "limited", "--jurisdiction", "us")[1]
    assert {row["id"] for row in answer["exposure"]} >= {"us.osha.pel", "us.epa.health_care"}
    assert any("medically necessary" in rule["exception"] for rule in answer["rules"])
    none = run("--duration", "limited", "--jurisdiction", "ca")[1]
    assert none["exposure_note"].startswith("Not assessed")
    assert run("--duration", "limited")[1]["exposure"] == []


OWN = """[[limit]]
category = "limited"
substance = "EO"
quantity = "mg_per_device"
period = "24h"
limit = 1.5
unit = "mg"
source = "site rule (invented)"
"""


def test_own_limits_from_a_file(run, tmp_path):
    path = tmp_path / "our limits.toml"
    path.write_text(OWN, encoding="utf-8")
    words = ["--duration", "limited", "--area-cm2", "5000", "--edition-file", str(path)]
    rule = rules(run(*words)[1])["EO"]
    assert (rule["limit"], rule["source"]) == (1.5, "site rule (invented)")


@pytest.mark.parametrize(
    ("text", "where", "allowed"),
    [
        (OWN.replace('source = "site rule (invented)"\n', ""), "source", "a value"),
        (OWN.replace("24h", "24 h"), "period", "24h"),
        ("[edition]\n", "own.toml", "[[limit]] entries"),
        ("limit = [", "own.toml", "TOML text"),
    ],
)
def test_a_broken_file_of_limits_is_named(run, tmp_path, text, where, allowed):
    path = tmp_path / "own.toml"
    path.write_text(text, encoding="utf-8")
    code, answer = run("--duration", "limited", "--edition-file", str(path))
    assert code == 2
    assert any(where in e["where"] and allowed in e["allowed"] for e in answer["errors"])
    assert all("own.toml" in e["where"] for e in answer["errors"])


def test_a_missing_file_is_bad_input(run, tmp_path):
    assert run("--duration", "limited", "--edition-file", str(tmp_path / "no.toml"))[0] == 2


@pytest.mark.parametrize(
    ("words", "where", "allowed"),
    [
        (["--special", "oxygenater"], "--special", "oxygenator"),
        (["--body-mass-kg", "0"], "--body-mass-kg", "more than 0"),
        (["--body-mass-kg", "nan"], "--body-mass-kg", "more than 0"),
        (["--area-cm2=-4"], "--area-cm2", "more than 0"),
        (["--area-cm2", "90,40"], "--area-cm2", "LOW,HIGH"),
        (["--area-cm2", "4,x"], "--area-cm2", "LOW,HIGH"),
        (["--area-cm2", "1,2,3"], "--area-cm2", "LOW,HIGH"),
        (["--devices", "0"], "--devices", "from 1"),
        (["--edition", "iso10993-7:2016"], "--edition", "iso10993-7:2026"),
        (["--share-percent", "120"], "--share-percent", "from 0 to 100"),
        (["--jurisdiction", "usa"], "--jurisdiction", "us"),
    ],
)
def test_bad_input_exits_2_with_the_nearest(run, words, where, allowed):
    code, answer = run("--duration", "limited", *words)
    assert code == 2
    (error,) = answer["errors"]
    assert error["where"] == where
    assert allowed in error["allowed"]


def test_every_fault_comes_at_once(run):
    code, answer = run("--body-mass-kg", "0", "--special", "x", "--area-cm2", "0")
    assert code == 2
    assert len(answer["errors"]) == 4


def test_source_code_never_says_it_of_glycol(root):
    for folder in ("eo_risk", "ui", "reference"):
        for path in (root / folder).rglob("*"):
            if path.suffix in (".py", ".toml", ".csv"):
                assert "limit exceeded" not in path.read_text(encoding="utf-8").lower(), path
