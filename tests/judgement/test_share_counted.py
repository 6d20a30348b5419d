"""Which share of a residue counts, and that the rest of the answer stays whole."""

import json

import pytest

from eo_risk.judgement.allowed.share_counted import counted
from eo_risk.judgement.assess import check_plan
from eo_risk.output.answer import check_answer
from eo_risk.plan.load_plan import load_plan, read_plan


def test_what_of_the_residue_counts_is_said():
    assert counted().share == 1.0
    assert "whole residue" in counted().text
    half = counted("simulated_use", 50.0)
    assert half.share == 0.5
    assert "simulated use" in half.text
    unknown = counted("simulated_use")
    assert unknown.share == 1.0
    assert "whole" in unknown.text
    with pytest.raises(ValueError, match="101 %"):
        counted("simulated_use", 101.0)
    with pytest.raises(ValueError, match="whole or simulated_use"):
        counted("half")


def test_what_of_the_residue_counts_is_said_of_every_item(demo):
    plan = load_plan(demo / "dry_steel_set.json")
    items = check_answer(check_plan(plan, samples=64, advise=False))["items"]
    assert all("whole residue counts" in item["residue_counted"] for item in items)


def test_the_share_of_eo_that_leaves_lowers_neither_glycol_nor_chlorohydrin(demo):
    # EG and ECH of leftover water reach the patient at once, however slowly EO leaves a part.
    raw = json.loads((demo / "wet_lumen.json").read_text(encoding="utf-8"))

    def rows(duration):
        raw["items"][1]["patient"]["duration"] = duration
        item = check_plan(read_plan(raw), samples=64, advise=False).items[1]
        return {(r.substance, r.model): r.band for r in item.residues if r.period == "24h"}

    short, long = rows("limited"), rows("permanent")
    assert long[("EG", "film")] == short[("EG", "film")]
    assert long[("EG", "plug")] == short[("EG", "plug")]
    assert long[("EO", "plug")].p95 < short[("EO", "plug")].p95
