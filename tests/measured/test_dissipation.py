"""The line through laboratory results: library values, a case by hand, likelihood, limits."""

import math

import numpy as np
import pytest
from scipy import optimize, stats

from eo_risk.measured.censored_line import fit_line, log_likelihood
from eo_risk.measured.curve_checks import check_curve
from eo_risk.measured.dissipation import Points, by_lots, pooled

HOURS = np.array([0.0, 6.0, 12.0, 24.0, 36.0])
LOTS = {
    "A": (20.0, 13.2, 9.1, 4.30, 1.90),
    "B": (22.5, 15.0, 10.2, 4.60, 2.20),
    "C": (18.4, 12.1, 8.0, 3.60, 1.75),
}


def points(hours, mg, lots=None, below=None):
    hours = np.asarray(hours, dtype=float)
    below = np.zeros(len(hours), bool) if below is None else np.asarray(below)
    lots = ["A"] * len(hours) if lots is None else lots
    return Points(hours, np.log(mg), below, np.array(lots, dtype=object))


@pytest.fixture
def three_lots():
    amounts = np.concatenate([LOTS[name] for name in LOTS])
    return points(np.tile(HOURS, 3), amounts, np.repeat(list(LOTS), 5).tolist())


@pytest.fixture
def one_lot():
    return points([1, 4, 8, 12, 24], [250.0, 120.0, 55.0, 27.0, 4.1])


def test_line_is_that_of_a_statistics_library(one_lot):
    # statsmodels OLS(y, add_constant(t)).fit(): params, bse, sqrt(mse_resid).
    line = pooled(one_lot)
    assert line.intercept == pytest.approx(5.523979753549377, rel=1e-12)
    assert line.slope_per_h == pytest.approx(-0.17544467514603, rel=1e-12)
    assert line.residual_sd == pytest.approx(0.1511291041204109, rel=1e-12)
    errors = np.sqrt(np.diag(line.covariance))
    assert errors == pytest.approx([0.10679776987752, 0.00843783304732], rel=1e-10)
    assert line.degrees_of_freedom == 3


@pytest.mark.parametrize(
    ("hour", "fitted", "upper", "tolerance"),
    [
        (30, 1.297759737629995, 2.270104350194405, 3.399137944),
        (36, 0.452925080807405, 0.867573623656052, 1.309272664),
        (48, 0.055168416546497, 0.129430617497801, 0.197491747),
    ],
)
def test_limits_are_those_of_a_statistics_library(one_lot, hour, fitted, upper, tolerance):
    # statsmodels get_prediction([[1, t]]).summary_frame(alpha=0.10)["obs_ci_upper"];
    # tolerance: scipy.stats.nct.ppf(.95, 3, z.95/d) d, d^2 = 1/n + (t - mean)^2 / Sxx.
    line = pooled(one_lot)
    assert math.exp(line.line(hour)) == pytest.approx(fitted, rel=1e-12)
    assert math.exp(line.upper(hour, 0.95)) == pytest.approx(upper, rel=1e-12)
    assert math.exp(line.tolerance(hour, 0.95, 0.95)) == pytest.approx(tolerance, rel=1e-8)


def test_release_hours_are_the_first_under_the_limit(one_lot):
    # Root of the statsmodels prediction limit less 4 mg; where the line meets it.
    line = pooled(one_lot)
    assert line.release_h(math.log(4.0), 0.95) == pytest.approx(26.500185846702, abs=1e-9)
    assert line.crossing_h(math.log(4.0)) == pytest.approx(23.583989590938, abs=1e-9)
    later = line.tolerance_h(math.log(4.0), 24.0)
    assert line.tolerance(later, 0.95, 0.95) == pytest.approx(math.log(4.0), abs=1e-8)
    assert later > 26.500185846702


def test_three_lots_as_worked_by_hand(three_lots):
    # Upper prediction limit of a line, a + b t + t(0.95, n - 2) s sqrt(1 + 1/n + (t - mean)^2 /
    # Sxx) (Draper and Smith, Applied Regression Analysis, 3rd ed. 1998, ch. 3), and of one more
    # lot out of m, t(0.95, m - 1) sqrt(s_lot^2 (1 + 1/m) + s_within^2): 27.64 and 30.67 h.
    line, lots = pooled(three_lots), by_lots(three_lots)
    assert line.intercept == pytest.approx(2.9916, abs=5e-5)
    assert line.slope_per_h == pytest.approx(-0.06498, abs=5e-6)
    assert line.residual_sd == pytest.approx(0.10156, abs=5e-6)
    assert line.crossing_h(math.log(4.0)) == pytest.approx(24.70, abs=0.01)
    assert line.release_h(math.log(4.0), 0.95) == pytest.approx(27.64, abs=0.01)
    assert lots.release_h(math.log(4.0), 0.95) == pytest.approx(30.67, abs=0.01)
    assert lots.residual_sd == pytest.approx(0.0228, abs=5e-5)
    hours, ln_mg = three_lots.hours, three_lots.ln_mg
    slope, intercept = np.polyfit(hours, ln_mg, 1)
    away, sd = hours - hours.mean(), np.std(ln_mg - intercept - slope * hours) * math.sqrt(15 / 13)

    def pooled_limit(hour):
        share = 1.0 + 1.0 / 15.0 + (hour - hours.mean()) ** 2 / np.sum(away**2)
        return intercept + slope * hour + stats.t.ppf(0.95, 13) * sd * math.sqrt(share)

    by_lot = ln_mg.reshape(3, 5).mean(axis=1)  # all at the same hours: one slope, that above
    within = ln_mg - slope * away - np.repeat(by_lot, 5)
    variance = np.var(by_lot, ddof=1) * (1.0 + 1.0 / 3.0) + np.sum(within**2) / 11.0

    def lots_limit(hour):
        middle = by_lot.mean() + slope * (hour - hours.mean())
        return middle + stats.t.ppf(0.95, 2) * math.sqrt(variance)

    for found, limit in ((line, pooled_limit), (lots, lots_limit)):
        expected = optimize.brentq(lambda hour, limit=limit: limit(hour) - math.log(4.0), 20, 40)
        assert found.release_h(math.log(4.0), 0.95) == pytest.approx(expected, rel=1e-9)


def test_more_confidence_takes_longer_and_a_higher_limit_less(three_lots):
    line = pooled(three_lots)
    hours = [line.release_h(math.log(4.0), c) for c in (0.9, 0.95, 0.99)]
    assert hours == sorted(hours)
    assert line.release_h(math.log(8.0), 0.95) < hours[1]


def test_a_rising_residue_has_no_release_time():
    line = pooled(points([0, 6, 12, 24], [5.0, 6.1, 7.4, 11.0]))
    assert line.crossing_h(math.log(4.0)) is None
    assert line.release_h(math.log(4.0), 0.95) is None


def censored(three_lots):
    """Everything under 3 mg is known only to lie below 3 mg."""
    below = three_lots.ln_mg < math.log(3.0)
    return Points(three_lots.hours, np.where(below, math.log(3.0), three_lots.ln_mg), below,
                  three_lots.lots)  # fmt: skip


@pytest.mark.parametrize("start", [(0.0, 0.0, 0.0), (5.0, -0.5, 2.0), (2.0, 0.1, -1.0)])
def test_values_below_detection_are_at_the_maximum_of_the_likelihood(three_lots, start):
    p = censored(three_lots)
    design = p.design()
    found = fit_line(design, p.ln_mg, p.below)

    def cost(theta):
        return -log_likelihood(theta[:2], math.exp(theta[2]), design, p.ln_mg, p.below)

    direct = optimize.minimize(cost, start, method="Nelder-Mead",
                               options={"xatol": 1e-10, "fatol": 1e-12, "maxiter": 20_000,
                                        "maxfev": 20_000})  # fmt: skip
    assert found.log_likelihood == pytest.approx(-direct.fun, abs=1e-9)
    assert found.coefficients == pytest.approx(direct.x[:2], abs=1e-6)
    known = int(np.count_nonzero(~p.below))
    wider = math.sqrt(known / (known - 2))
    assert found.residual_sd == pytest.approx(math.exp(direct.x[2]) * wider, rel=1e-6)


def test_level_with_values_below_detection_is_that_of_scipy():
    # scipy.stats.norm.fit(CensoredData(uncensored=known, left=limits)): mean and deviation.
    known, limits = np.log([2.1, 3.4, 1.7, 2.6]), np.log([1.5, 1.5])
    mean, sd = stats.norm.fit(stats.CensoredData(uncensored=known, left=limits))
    y, below = np.concatenate([known, limits]), np.array([False] * 4 + [True] * 2)
    found = fit_line(np.ones((6, 1)), y, below)
    assert found.coefficients[0] == pytest.approx(mean, abs=1e-4)
    assert found.residual_sd == pytest.approx(sd * math.sqrt(4 / 3), rel=1e-4)


def test_counting_values_below_detection_as_their_limit_is_another_answer(three_lots):
    p = censored(three_lots)
    as_limit = Points(p.hours, p.ln_mg, np.zeros_like(p.below), p.lots)
    assert pooled(p).slope_per_h < pooled(as_limit).slope_per_h


def codes(p):
    return {c.code: c for c in check_curve(p).cautions}


def test_an_odd_lot_is_named(three_lots):
    raised = three_lots.ln_mg + np.where(three_lots.lots == "B", 0.7, 0.0)
    found = codes(Points(three_lots.hours, raised, three_lots.below, three_lots.lots))
    assert "lot B" in found["lot_differs"].text


def test_few_lots_and_times_are_said():
    found = codes(points([0, 6, 12, 0, 6, 12], [9, 5, 3, 8.5, 5.2, 2.9], list("AAABBB")))
    assert {"few_lots", "few_times"} <= set(found)


def test_a_fast_then_slow_decline_is_flagged(rng):
    hours = np.tile([0.0, 3, 6, 9, 12, 24, 36, 48, 72], 3)
    ln = np.log(20.0 * np.exp(-0.4 * hours) + 1.5 * np.exp(-0.01 * hours))
    p = Points(hours, ln + 0.03 * rng.standard_normal(len(hours)), np.zeros(27, bool),
               np.repeat(list("ABC"), 9).astype(object))  # fmt: skip
    checks = check_curve(p)
    assert "fast_then_slow" in {c.code for c in checks.cautions}
    assert 6.0 <= checks.slow_from.hour <= 24.0


def test_a_straight_decline_is_not_flagged(three_lots):
    assert check_curve(three_lots).slow_from is None


@pytest.fixture
def rng():
    return np.random.default_rng(7)


@pytest.mark.slow
def test_prediction_limit_covers_the_next_device(rng):
    # Invented truth; 2,000 studies; the one-sided 95 % limit must hold in 95 % +/- 2 %.
    hours = np.tile(HOURS, 3)
    covered = 0
    for _ in range(2000):
        ln = 3.0 - 0.065 * hours + 0.12 * rng.standard_normal(15)
        line = pooled(Points(hours, ln, np.zeros(15, bool), np.repeat("A", 15).astype(object)))
        new = 3.0 - 0.065 * 30.0 + 0.12 * rng.standard_normal()
        covered += new <= line.upper(30.0, 0.95)
    assert 0.93 <= covered / 2000 <= 0.97


@pytest.mark.slow
def test_limit_by_lots_covers_a_device_of_a_new_lot(rng):
    hours, names = np.tile(HOURS, 4), np.repeat(list("ABCD"), 5).astype(object)
    covered = 0
    for _ in range(2000):
        levels = np.repeat(0.11 * rng.standard_normal(4), 5)
        ln = 3.0 - 0.065 * hours + levels + 0.03 * rng.standard_normal(20)
        line = by_lots(Points(hours, ln, np.zeros(20, bool), names))
        new = 3.0 - 0.065 * 30.0 + 0.11 * rng.standard_normal() + 0.03 * rng.standard_normal()
        covered += new <= line.upper(30.0, 0.95)
    assert 0.93 <= covered / 2000 <= 0.97


@pytest.mark.slow
def test_release_hour_is_late_enough_in_95_of_100_studies(rng):
    """At the release hour of a study the next device is at or below the limit."""
    hours = np.tile(HOURS, 3)
    chance, runs = 0.0, 0
    for _ in range(2000):
        ln = 3.0 - 0.065 * hours + 0.12 * rng.standard_normal(15)
        line = pooled(Points(hours, ln, np.zeros(15, bool), np.repeat("A", 15).astype(object)))
        at = line.release_h(math.log(4.0), 0.95)
        if at is not None:
            chance += stats.norm.cdf((math.log(4.0) - 3.0 + 0.065 * at) / 0.12)
            runs += 1
    assert runs == 2000
    assert 0.93 <= chance / runs <= 0.97
