"""Running a load by windows of its samples changes nothing."""

import json

import numpy as np
import pytest

from eo_risk.judgement import windows
from eo_risk.judgement.load_air import shared_levels
from eo_risk.judgement.load_context import load_context
from eo_risk.plan.load_plan import read_plan


def test_windows_cover_every_sample_once():
    found = np.concatenate([np.arange(1000)[here] for here in windows.windows(1000, 1234)])
    assert np.array_equal(found, np.arange(1000))
    assert len(list(windows.windows(2048, 40))) == 1


def test_a_load_by_windows_is_the_load_at_once(demo, monkeypatch):
    raw = json.loads((demo / "mixed_load_thick_pvc.json").read_text(encoding="utf-8"))
    plan = read_plan(raw)
    context = load_context(plan, 128, 1)
    load = [context.parts(index) for index in range(len(plan.items))]
    whole = shared_levels(plan, context.timeline, context.inputs, load)
    monkeypatch.setattr(windows, "_TOGETHER", 100)
    cut = shared_levels(plan, context.timeline, context.inputs, load)
    for found, expected in zip(cut, whole, strict=True):
        assert found == pytest.approx(expected, rel=1e-6, abs=1e-8 * expected.max())
