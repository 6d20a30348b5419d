"""Commands `materials` and `sources`: rows, JSON, widths, bad names."""

import argparse
import json

import jsonschema
import pytest

from eo_risk import reference
from eo_risk.commands import reference_tables
from eo_risk.commands.schemas import schema_of
from eo_risk.errors import InputError


def run(capsys, *words):
    parser = argparse.ArgumentParser()
    reference_tables.register(parser.add_subparsers())
    args = parser.parse_args(words)
    assert args.run(args) == 0
    return capsys.readouterr().out


def strict_json(text):
    def refuse(constant):
        raise AssertionError(f"{constant} in the JSON")

    return json.loads(text, parse_constant=refuse)


def test_materials_as_json_hold_every_material_once(capsys):
    rows = strict_json(run(capsys, "materials", "--json"))["rows"]
    assert [row["id"] for row in rows] == list(reference.materials())
    assert len({frozenset(row) for row in rows}) == 1  # the same columns in every row
    by_id = {row["id"]: row for row in rows}
    record = reference.record("pvc_plasticised.diffusivity")
    assert by_id["pvc_plasticised"]["diffusivity_25c_cm2_per_s"] == record.value
    assert by_id["pvc_plasticised"]["diffusivity_25c_cm2_per_s_high"] == record.high
    assert by_id["stainless_steel"]["uptake_50c_l_per_g"] is None
    assert by_id["stainless_steel"]["class"] is None
    assert by_id["pvc_unknown"]["members"] == ["pvc_plasticised", "pvc_rigid"]


def test_class_of_a_material_is_its_weakest_number(capsys):
    by_id = {row["id"]: row for row in strict_json(run(capsys, "materials", "--json"))["rows"]}
    # Polystyrene: class B for the diffusivity, C for the uptake.
    assert reference.record("ps.diffusivity").data_class == "B"
    assert by_id["ps"]["class"] == "C"
    assert by_id["silicone"]["class"] == "B"
    assert by_id["pvc_unknown"]["class"] == "C"  # rigid PVC: class C for the uptake


def test_materials_as_text_fit_a_terminal(capsys):
    text = run(capsys, "materials")
    head = text.split("\n\n")[0].splitlines()
    assert len(head) == len(reference.materials()) + 2
    assert max(map(len, head)) <= 100
    assert "nylon_unknown: one of pa6, pa12, peba" in text


def test_one_material_shows_its_records_with_sources(capsys):
    answer = strict_json(run(capsys, "materials", "silicone", "--json"))
    assert [row["id"] for row in answer["rows"]] == ["silicone"]
    assert all(record["id"].startswith("silicone.") for record in answer["records"])
    ids = {record["id"] for record in answer["records"]}
    assert {"silicone.diffusivity", "silicone.uptake", "silicone.density"} <= ids
    text = run(capsys, "materials", "silicone")
    assert "[lee2023]" in text
    assert "silicone.diffusivity: 7e-06 cm2/s (3.5e-06 to 1.4e-05), class B, derived" in text
    assert "silicone.ech_uptake_ratio: 70 (50 to 100), class C" in text


def test_an_unknown_grade_shows_the_records_of_its_members(capsys):
    answer = strict_json(run(capsys, "materials", "pvc_unknown", "--json"))
    owners = {record["id"].partition(".")[0] for record in answer["records"]}
    assert owners == {"pvc_plasticised", "pvc_rigid"}


def test_an_unknown_name_is_refused_with_the_nearest():
    with pytest.raises(InputError, match="silicone"):
        reference_tables.run_materials(argparse.Namespace(name="silicon", json=True))


def test_sources_hold_every_key_and_every_record(capsys):
    rows = strict_json(run(capsys, "sources", "--json"))["rows"]
    assert [row["key"] for row in rows] == list(reference.sources())
    counted = sum(len(row["records"]) for row in rows)
    assert counted == len(reference.records())
    text = run(capsys, "sources")
    assert all(f"[{row['key']}] {row['citation']}" in text for row in rows)
    assert "abstract" in text


@pytest.mark.parametrize("command", ["materials", "sources"])
def test_answers_fit_their_schema(capsys, command):
    answer = strict_json(run(capsys, command, "--json"))
    jsonschema.validate(answer, schema_of(command))
    assert answer["rows"]
