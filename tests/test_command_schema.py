"""Every command's JSON answer fits the schema that `schema` prints for it."""

import importlib.util
import json

import jsonschema
import pytest

from eo_risk import cli
from eo_risk.commands.schemas import ANSWERS, schema_of

# Command module: command lines whose answers are checked. Invented input only.
CALLS = {
    "check": [["check", "demo/dry_steel_set.json", "--samples", "64"]],
    "limits": [
        ["limits", "--duration", "limited", "--body-mass-kg", "12", "--area-cm2", "60"],
        ["limits", "--duration", "permanent", "--edition", "iso10993-7:2026"],
    ],
    "water": [
        ["water", "lumen", "--bore-mm", "3", "--length-mm", "600", "--emptied", "syringe"],
        ["water", "surface", "--area-cm2", "100", "--state", "drained"],
    ],
    "glycol": [["glycol", "--water-mg", "40", "--eo-mg-per-l", "600", "--temperature-c", "55",
                "--exposure-h", "3"]],
    "aerate": [["aerate", "--material", "silicone", "--thickness-mm", "2", "--start-ug-per-g",
                "1000", "--temperature-c", "50", "--hours", "0,6,12"]],
    "lab": [["lab", "demo/lab_dissipation.csv", "--limit-mg", "4"]],
    "template": [["template", kind] for kind in ("plan", "items", "site")],
    "schema": [["schema", "plan"]],
    "reference_tables": [["materials"], ["sources"]],
}  # fmt: skip
NO_ANSWER = {"ui"}
HERE = [name for name in cli.COMMAND_MODULES
        if importlib.util.find_spec(f"eo_risk.commands.{name}")]  # fmt: skip


@pytest.fixture
def run(monkeypatch, capsys, root):
    monkeypatch.chdir(root)
    monkeypatch.setattr(cli, "COMMAND_MODULES", tuple(HERE))

    def call(words):
        code = cli.main([*words, "--json"])
        return code, json.loads(capsys.readouterr().out)

    return call


@pytest.mark.parametrize(
    "words", [call for name in HERE for call in CALLS.get(name, [])], ids=lambda words: words[0]
)
def test_every_answer_fits_its_schema(run, words):
    code, answer = run(words)
    assert code in (0, 1) if words[0] == "check" else code == 0
    schema = schema_of(words[0])
    jsonschema.validate(answer, schema, jsonschema.Draft202012Validator)


def test_every_command_is_called_here_and_has_a_schema():
    assert set(HERE) <= set(CALLS) | NO_ANSWER
    assert {words[0] for calls in CALLS.values() for words in calls} <= set(ANSWERS)


def test_a_missing_key_is_noticed(run):
    _, answer = run(["water", "lumen", "--bore-mm", "3", "--length-mm", "600", "--emptied", "none"])
    stable = ("water_mg", "dry_after_min", "air_flow_nl_per_min", "evaporation_mg_per_min",
              "cautions")  # fmt: skip
    for key in stable:
        less = {name: value for name, value in answer.items() if name != key}
        with pytest.raises(jsonschema.ValidationError):
            jsonschema.validate(less, schema_of("water"))
