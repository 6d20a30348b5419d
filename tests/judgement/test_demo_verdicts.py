"""The demo plans give the verdicts a reader should expect, and the same bits every time."""

import json
import tomllib

import pytest

from eo_risk.judgement.assess import check_plan
from eo_risk.output.answer import check_answer
from eo_risk.plan.load_plan import load_plan

NAMES = ("dry_steel_set", "wet_lumen", "mixed_load_thick_pvc", "small_patient", "unknown_grade",
         "unlisted_material", "full_morning_load")  # fmt: skip


@pytest.fixture(scope="module")
def expected():
    from pathlib import Path

    path = Path(__file__).resolve().parents[2] / "demo" / "expected.toml"
    return tomllib.loads(path.read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def found(demo):
    return {name: check_plan(load_plan(demo / f"{name}.json"), advise=False) for name in NAMES}


@pytest.mark.parametrize("name", NAMES)
def test_demo_plan_gives_its_verdict(found, expected, name):
    assessment = found[name]
    assert [item.verdict for item in assessment.items] == expected[name]["items"]
    assert assessment.verdict == expected[name]["verdict"]


def test_every_demo_plan_has_an_expectation(demo, expected):
    assert {path.stem for path in demo.glob("*.json")} == set(NAMES) == set(expected)


def test_same_seed_same_bits_and_no_nan(demo):
    plan = load_plan(demo / "small_patient.json")
    first, second = (
        json.dumps(check_answer(check_plan(plan, samples=256, seed=7, advise=False)),
                   allow_nan=False)
        for _ in range(2)
    )  # fmt: skip
    assert first == second
    other = check_answer(check_plan(plan, samples=256, seed=8, advise=False))
    assert other["items"][0]["residues"] != json.loads(first)["items"][0]["residues"]


def test_samples_of_an_item_do_not_depend_on_its_neighbours(demo):
    from eo_risk.judgement.item_result import draft_item
    from eo_risk.judgement.load_context import load_context
    from eo_risk.plan.load_plan import read_plan

    raw = json.loads((demo / "mixed_load_thick_pvc.json").read_text(encoding="utf-8"))
    load = load_context(read_plan(raw), 256, 1, follow=False)
    alone = load_context(read_plan({**raw, "items": raw["items"][1:2]}), 256, 1, follow=False)
    whole_rows, alone_rows = (
        draft_item(context, index, context.parts(index), follow=False).rows
        for context, index in ((load, 1), (alone, 0))
    )
    assert alone_rows == whole_rows


def test_glycol_never_falls_in_aeration(demo):
    """EG is not removed by aeration (common practice, no source); it rises by the EO that stays."""
    import numpy as np

    from eo_risk.judgement.load_context import load_context
    from eo_risk.judgement.simulate import glycol, simulate
    from eo_risk.physics.properties import central

    plan = load_plan(demo / "wet_lumen.json")
    context = load_context(plan, 256, 1, follow=False)
    item = plan.items[1]
    trace = simulate(plan, item, context.parts(1), context.planned)
    after = trace.after_wash()
    mass_ratio = central("eg.molar_mass") / central("eo.molar_mass")
    for form, body in (("film", trace.water.film), ("plug", trace.water.plug)):
        made = glycol(trace, form)[after]
        assert np.all(np.diff(made, axis=0) >= -1e-9 * made[:-1])
        dissolved = body.eo[after[0]] * mass_ratio
        assert np.all(made[-1] - made[0] <= dissolved * (1 + 1e-6) + 1e-15)


def test_a_plan_with_droplets_seen_is_never_within(demo):
    from eo_risk.plan.load_plan import read_plan

    raw = json.loads((demo / "dry_steel_set.json").read_text(encoding="utf-8"))
    for edit in ("item", "lumen", "counted"):
        changed = json.loads(json.dumps(raw))
        item = changed["items"][2]
        if edit == "item":
            item["droplets_seen"] = "yes"
        elif edit == "lumen":
            item["lumens"][0]["droplets_seen"] = "yes"
        else:
            item["lumens"][0]["droplets_counted"] = 2
        result = check_plan(read_plan(changed), samples=64, advise=False)
        assert result.items[2].verdict == result.verdict == "Hold"
        assert any(c.code == "liquid_seen" for c in result.items[2].cautions)


def test_exceeded_limit_words_never_stand_with_glycol(found):
    for name in NAMES:
        answer = check_answer(found[name])
        text = json.dumps(answer).lower()
        assert "limit exceeded" not in text
        for item in answer["items"]:
            for row in item["residues"]:
                if row["substance"] == "EG":
                    assert row["kind"] == "screening"
                    assert not row["used_for_verdict"]
                    assert "says nothing about local irritation" in row["basis"]
