"""Bands of every residue over the aeration."""

from itertools import pairwise

import pytest

from eo_risk.judgement.assess import check_plan
from eo_risk.plan.load_plan import load_plan


@pytest.fixture(scope="module")
def wet(demo):
    return check_plan(load_plan(demo / "wet_lumen.json"), samples=128, advise=False).items


def test_the_curve_ends_at_the_residues_the_verdict_uses(wet):
    for item in wet:
        ruling = {
            row.substance: row.band
            for row in item.residues
            if row.quantity == "mg_per_device" and (
                row.used_for_verdict or (row.substance == "EG" and row.model in ("film", "whole")))
        }  # fmt: skip
        for substance in ("EO", "ECH", "EG"):
            line = getattr(item.curve, substance.lower())
            assert len(line.p50) == len(item.curve.time_s)
            end = ruling[substance]
            assert (line.p05[-1], line.p50[-1], line.p95[-1]) == pytest.approx(
                (end.p05, end.p50, end.p95), rel=1e-9
            )


def test_glycol_stays_and_eo_leaves(wet):
    """EG is not removed by aeration (common practice, no source)."""
    for item in wet:
        eg, eo = item.curve.eg.p50, item.curve.eo.p50
        assert all(b >= a for a, b in pairwise(eg))
        assert eo[-1] <= eo[0]
    assert any(item.curve.eg.p50[-1] > item.curve.eg.p50[0] for item in wet)
