"""Where a dissipation curve ends: no margin, no release time, uneven lots, hidden values."""

import numpy as np
import pytest
from scipy import stats

from eo_risk.measured.dissipation import Points, by_lots, can_fit_lots, pooled

LN_LIMIT = np.log(4.0)
HOURS = np.array([0.0, 6.0, 12.0, 24.0, 36.0])


def points_of(hours, mg, lots=None, below=None):
    hours = np.asarray(hours, dtype=float)
    names = np.array(["A"] * len(hours) if lots is None else lots, dtype=object)
    hidden = np.zeros(len(hours), bool) if below is None else np.asarray(below, bool)
    return Points(hours, np.log(mg), hidden, names)


def test_release_is_the_first_crossing_and_zero_when_already_inside():
    line = pooled(points_of(HOURS, [20.0, 13.2, 9.1, 4.3, 1.9]))
    assert line.release_h(np.log(60.0), 0.95) == 0.0
    assert line.tolerance_h(np.log(200.0), 36.0) == 0.0
    hour = line.release_h(LN_LIMIT, 0.95)
    assert np.all(line.upper(np.linspace(0.0, hour - 1e-6, 500), 0.95) > LN_LIMIT)
    assert line.upper(hour, 0.95) == pytest.approx(LN_LIMIT, abs=1e-9)


def test_scatter_too_large_for_any_release_time():
    """The limit bends up again before it meets the residue limit: no time at all."""
    line = pooled(points_of([0, 6, 12], [20.0, 4.0, 12.0]))
    assert line.slope_per_h < 0.0
    assert line.release_h(np.log(0.01), 0.95) is None
    assert line.tolerance_h(np.log(0.01), 12.0) is None


def test_an_exact_line_has_no_margin():
    line = pooled(points_of(HOURS, 20.0 * np.exp(-0.07 * HOURS)))
    assert line.release_h(LN_LIMIT, 0.95) == pytest.approx(np.log(5.0) / 0.07, rel=1e-6)


def test_tolerance_about_a_level_known_exactly_is_that_of_the_scatter_alone():
    """Lots of one level: z sqrt(f / chi2(0.05, f)), the tolerance factor of a known mean."""
    names = np.repeat(["A", "B", "C"], 5)
    line = by_lots(points_of(np.tile(HOURS, 3), np.tile([20.0, 13.0, 9.1, 4.2, 1.9], 3), names))
    factor = stats.norm.ppf(0.95) * np.sqrt(2.0 / stats.chi2.ppf(0.05, 2))
    expected = line.line(24.0) + factor * np.sqrt(line.scatter_variance)
    assert line.tolerance(24.0, 0.95, 0.95) == pytest.approx(expected, rel=1e-6)
    assert line.tolerance_h(LN_LIMIT, 36.0) > line.crossing_h(LN_LIMIT)


def test_lots_need_two_lots_with_known_values():
    names = ["A"] * 5 + ["B"] * 5
    two = points_of(np.tile(HOURS, 2), np.tile([20.0, 13.0, 9.0, 4.0, 2.0], 2), names)
    assert can_fit_lots(two)
    assert not can_fit_lots(two.where(two.lots == "A"))
    assert not can_fit_lots(Points(two.hours, two.ln_mg, two.lots == "B", two.lots))


def test_lots_sampled_at_different_hours_are_put_on_one_hour():
    """Exact lines of equal slope, one lot early and two late: the lot levels are exact."""
    slope, levels = -0.08, {"A": 3.0, "B": 3.2, "C": 2.8}
    rows = [(h, np.exp(a + slope * h), lot) for lot, a in levels.items()
            for h in ((0, 6, 12) if lot == "A" else (12, 24, 36))]  # fmt: skip
    line = by_lots(points_of(*zip(*rows, strict=True)))
    assert line.slope_per_h == pytest.approx(slope, rel=1e-9)
    assert line.intercept == pytest.approx(3.0, rel=1e-9)
    assert np.sqrt(line.covariance[0, 0] * 3) == pytest.approx(0.2, rel=1e-9)


def _coverage(model, lot_sd, within_sd, at_h, hidden_below=-np.inf):
    """Share of 2,000 invented studies whose limit lies above the next device of a new lot."""
    generator = np.random.default_rng(20)
    names = np.repeat(np.array(["A", "B", "C"], dtype=object), 5)
    hours = np.tile(HOURS, 3)
    covered = 0
    for _ in range(2000):
        lot = np.repeat(generator.normal(0.0, lot_sd, 3), 5)
        y = 3.0 - 0.065 * hours + lot + generator.normal(0.0, within_sd, 15)
        below = y < hidden_below
        line = model(Points(hours, np.maximum(y, hidden_below), below, names))
        new = 3.0 - 0.065 * at_h + generator.normal(0.0, np.hypot(lot_sd, within_sd))
        covered += new <= line.upper(at_h, 0.95)
    return covered / 2000


@pytest.mark.slow
@pytest.mark.parametrize("at_h", [18.0, 48.0])
def test_pooled_limit_holds_within_and_beyond_the_sampled_times(at_h):
    assert _coverage(pooled, 0.0, 0.1, at_h) == pytest.approx(0.95, abs=0.02)


@pytest.mark.slow
def test_pooled_limit_holds_with_results_below_detection():
    assert _coverage(pooled, 0.0, 0.1, 36.0, np.log(3.5)) == pytest.approx(0.95, abs=0.02)


class Later:
    """The later of both models, which rules: the higher limit at any hour."""

    def __init__(self, points):
        self.models = pooled(points), by_lots(points)

    def upper(self, hour, confidence):
        return max(model.upper(hour, confidence) for model in self.models)


@pytest.mark.slow
@pytest.mark.parametrize(("lot_sd", "within_sd"), [(0.02, 0.1), (0.1, 0.1), (0.12, 0.03)])
def test_the_ruling_limit_is_never_short_far_beyond_the_sampled_times(lot_sd, within_sd):
    """At twice the last hour, where the error of the slope counts as well."""
    assert _coverage(Later, lot_sd, within_sd, 72.0) >= 0.93


@pytest.mark.slow
def test_where_lots_differ_the_pooled_limit_falls_short_and_that_by_lots_holds():
    assert _coverage(pooled, 0.12, 0.03, 30.0) < 0.93
    assert _coverage(by_lots, 0.12, 0.03, 30.0) == pytest.approx(0.95, abs=0.02)
