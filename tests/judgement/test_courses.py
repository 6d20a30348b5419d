"""The two ways through a timeline: as planned, and far beyond the hours planned."""

import json

import numpy as np
import pytest

from eo_risk import units
from eo_risk.judgement.load_context import load_context
from eo_risk.judgement.simulate import simulate
from eo_risk.plan.load_plan import read_plan

SAMPLES = 64


@pytest.fixture
def raw(demo):
    raw = json.loads((demo / "wet_lumen.json").read_text(encoding="utf-8"))
    raw["aeration"] = [
        {"hours": 12, "temperature_c": 50, "air_changes_per_h": 30, "place": "cabinet"},
        {"hours": 3, "temperature_c": 21, "air_changes_per_h": 10, "place": "room"},
    ]
    return raw


def traces(raw, **options):
    plan = read_plan(raw)
    context = load_context(plan, SAMPLES, 1, **options)
    parts = context.parts(1)
    planned = simulate(plan, plan.items[1], parts, context.planned)
    if not options.get("follow", True):
        return planned, None
    return planned, simulate(plan, plan.items[1], parts, context.far, planned)


def test_the_way_as_planned_does_not_depend_on_what_is_followed_beyond(raw):
    with_far, _ = traces(raw)
    without, _ = traces(raw, follow=False)
    assert with_far.time_s == pytest.approx(without.time_s)
    for found, expected in ((with_far.eo("plug"), without.eo("plug")),
                            (with_far.water.plug.reacted, without.water.plug.reacted)):  # fmt: skip
        assert found == pytest.approx(expected, rel=1e-6, abs=1e-8 * expected.max())


def test_the_far_way_is_the_cabinet_going_on(raw):
    """As a plan whose cabinet runs to that time; cuts differ, and with them mean temperatures."""
    _, far = traces(raw)
    hours = units.from_si(far.time_s[:, 0], "h")
    assert np.all(np.diff(hours[far.after_wash()]) > 0.0)
    # Time counts from the last wash; the cabinet begins when the transfer ends.
    for k in (-1, -8):
        longer = json.loads(json.dumps(raw))
        longer["aeration"] = [{**raw["aeration"][0],
                               "hours": float(hours[k] - hours[far.after_wash()[1]])}]  # fmt: skip
        planned, _ = traces(longer, follow=False)
        for form in ("film", "plug"):
            expected = planned.eo(form)[-1]
            assert far.eo(form)[k] == pytest.approx(expected, rel=0.01,
                                                    abs=1e-6 * planned.eo(form).max())  # fmt: skip
