"""No blank turns another verdict into Within: every field of every demo plan, one at a time."""

import json

import pytest

from eo_risk.errors import InputError
from eo_risk.judgement.assess import check_plan
from eo_risk.plan.load_plan import read_plan

# The request itself, not knowledge about the load: leaving it out asks less, not more.
REQUESTS = {"needed_by", "aeration_h", "site_minimum_aeration_h"}
# Which rules apply is the site's choice; leaving one out applies the default.
CHOICES = {"edition", "glycol_reference", "glycol_above_reference", "full_load", "jurisdiction",
           "irradiated_chlorinated"}  # fmt: skip


def fields(node, path=()):
    if isinstance(node, dict):
        for key, value in node.items():
            yield from fields(value, (*path, key))
    elif isinstance(node, list):
        for index, value in enumerate(node):
            yield from fields(value, (*path, index))
    elif path[-1] not in REQUESTS | CHOICES:
        yield path


def blanked(raw, path):
    changed = json.loads(json.dumps(raw))
    node = changed
    for step in path[:-1]:
        node = node[step]
    node[path[-1]] = "unknown"
    return changed


def verdicts(raw):
    result = check_plan(read_plan(raw), samples=256, advise=False)
    return [item.verdict for item in result.items]


@pytest.mark.slow
@pytest.mark.parametrize(
    "name", ["wet_lumen", "mixed_load_thick_pvc", "small_patient", "unknown_grade"]
)
def test_no_blank_makes_an_item_within(demo, name):
    raw = json.loads((demo / f"{name}.json").read_text(encoding="utf-8"))
    before = verdicts(raw)
    tried = 0
    for path in fields(raw):
        try:
            after = verdicts(blanked(raw, path))
        except InputError:
            continue  # a name that must be there
        tried += 1
        for old, new in zip(before, after, strict=True):
            assert not (old != "Within" and new == "Within"), path
    assert tried > 50


def test_unknowns_without_a_range_block_or_are_not_assessed(demo):
    raw = json.loads((demo / "dry_steel_set.json").read_text(encoding="utf-8"))
    for block, key, expected in (
        ("instructions", "eo_allowed", "Hold"),
        ("patient", "duration", "Not assessed"),
        ("patient", "body_mass_kg", "Not assessed"),
    ):
        changed = json.loads(json.dumps(raw))
        changed["items"][0][block][key] = "unknown"
        assert verdicts(changed)[0] == expected


def test_an_unknown_number_is_assumed_and_said(demo):
    raw = json.loads((demo / "small_patient.json").read_text(encoding="utf-8"))
    raw["items"][1]["parts"][0]["wall_mm"] = None
    result = check_plan(read_plan(raw), samples=256, advise=False).items[1]
    assumed = {a.field: a for a in result.assumed}
    assert assumed["parts[0].wall_mm"].unit == "mm"
    assert result.verdict != "Within"
    assert result.question is not None
    assert result.question.field == "parts[0].wall_mm"


def test_a_missing_contact_area_is_a_range_and_the_first_question(demo):
    raw = json.loads((demo / "mixed_load_thick_pvc.json").read_text(encoding="utf-8"))
    del raw["items"][1]["patient"]["contact_area_cm2"]
    result = check_plan(read_plan(raw), samples=256, advise=False).items[1]
    assert result.assumed[0].field == result.question.field == "patient.contact_area_cm2"
    assert any(r.quantity == "ug_per_cm2" and r.substance == "EO" for r in result.residues)
