"""What is flagged beside a curve, on simulated results with known truth."""

import numpy as np
import pytest
from scipy import stats

from eo_risk.measured.censored_line import fit_line
from eo_risk.measured.curve_checks import check_curve, nested_p, odd_lots, slow_phase
from eo_risk.measured.dissipation import Points

HOURS = np.array([0.0, 6.0, 12.0, 24.0, 36.0, 48.0])


def simulated(shift=(0.0, 0.0, 0.0, 0.0), slopes=(0.065,) * 4, sd=0.04, slow=0.0, seed=1):
    generator = np.random.default_rng(seed)
    rows = []
    for i, (extra, slope) in enumerate(zip(shift, slopes, strict=True)):
        share = (1.0 - slow) * np.exp(-slope * HOURS) + slow * np.exp(-0.004 * HOURS)
        y = 3.0 + extra + np.log(share) + generator.normal(0.0, sd, len(HOURS))
        rows.append((HOURS, y, np.full(len(HOURS), f"L{i}", dtype=object)))
    hours, y, lots = (np.concatenate(part) for part in zip(*rows, strict=True))
    return Points(hours, y, np.zeros(len(y), bool), lots)


def codes(points):
    return [caution.code for caution in check_curve(points).cautions]


def test_even_lots_and_a_straight_line_rarely_raise_a_word():
    """Each test has a chance of 5 % to be wrong; 200 clean studies stay within 10 %."""
    found = [codes(simulated(seed=seed)) for seed in range(200)]
    assert sum(not words for words in found) >= 150
    for code in ("lot_differs", "slopes_differ", "odd_result", "fast_then_slow"):
        assert np.mean([code in words for words in found]) <= 0.10, code


def test_the_nested_test_is_the_f_test_of_sums_of_squares():
    # F = (RSS0 - RSS1) / extra / (RSS1 / df1) (Draper and Smith, Applied Regression Analysis,
    # 3rd ed. 1998, extra sum of squares).
    points = simulated()
    small = fit_line(points.design(), points.ln_mg, points.below)
    large = fit_line(points.lot_design(), points.ln_mg, points.below)
    rss = [np.sum(np.square(f.residuals)) for f in (small, large)]
    f = (rss[0] - rss[1]) / 3 / (rss[1] / large.degrees_of_freedom)
    expected = stats.f.sf(f, 3, large.degrees_of_freedom)
    assert nested_p(small, large, 3, len(points.hours)) == pytest.approx(expected, rel=1e-9)


def test_the_odd_lot_is_named_with_its_size():
    points = simulated(shift=(0.0, 0.3, 0.0, 0.0))
    (name, ratio), *_ = odd_lots(points)
    assert name == "L1"
    assert ratio == pytest.approx(np.exp(0.3), rel=0.05)
    text = next(c.text for c in check_curve(points).cautions if c.code == "lot_differs")
    assert "L1" in text


def test_two_lots_that_differ_have_no_odd_one():
    points = simulated(shift=(0.0, 0.3, 0.0, 0.0))
    two = points.where(np.isin(points.lots, ["L0", "L1"]))
    assert odd_lots(two) == []
    assert {"few_lots", "lot_differs"} <= set(codes(two))


def test_lots_with_rates_of_their_own():
    assert "slopes_differ" in codes(simulated(slopes=(0.065, 0.065, 0.065, 0.045)))


def test_fast_then_slow_is_flagged_with_its_hour_and_tail():
    slow = slow_phase(simulated(slow=0.15, slopes=(0.2,) * 4))
    assert 6.0 <= slow.hour <= 24.0
    assert slow.tail.hours.min() == slow.hour
    found = check_curve(simulated(slow=0.15, slopes=(0.2,) * 4))
    assert "fast_then_slow" in [c.code for c in found.cautions]


def test_a_line_that_bends_down_is_no_slow_phase():
    points = simulated(sd=0.01)
    bent = Points(points.hours, points.ln_mg - 2e-4 * points.hours**2, points.below, points.lots)
    assert slow_phase(bent) is None


def test_a_small_bend_is_no_break():
    """More than chance, but the rate hardly changes: one line still tells the time."""
    points = simulated(sd=0.005)
    bent = Points(points.hours, points.ln_mg + 5e-5 * points.hours**2, points.below, points.lots)
    assert slow_phase(bent) is None


def test_one_result_far_off_is_named():
    points = simulated()
    y = points.ln_mg.copy()
    y[9] += 0.6
    text = [c.text for c in check_curve(Points(points.hours, y, points.below, points.lots)).cautions
            if c.code == "odd_result"]  # fmt: skip
    assert len(text) == 1
    assert "lot L1 at 24 h" in text[0]


def test_a_skewed_scatter_is_named():
    points = simulated(sd=1e-3)
    skewed = np.random.default_rng(3).exponential(0.3, len(points.hours)) ** 2
    y = points.ln_mg + skewed
    assert "scatter_not_normal" in codes(Points(points.hours, y, points.below, points.lots))


def test_few_times_few_lots_and_lots_below_detection():
    points = simulated()
    few = points.where((points.hours <= 12.0) & (points.lots == "L0"))
    assert {"few_lots", "few_times"} <= set(codes(few))
    hidden = Points(points.hours, points.ln_mg, points.lots == "L3", points.lots)
    assert {"lot_below_detection", "below_detection"} <= set(codes(hidden))
