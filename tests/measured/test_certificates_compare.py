"""Results at one time, and groups against each other."""

import math

import numpy as np
import pytest
from scipy import stats

from eo_risk.measured.certificates import NO_RELEASE_TIME, one_time
from eo_risk.measured.compare import Member, compare, rank, reach_of
from eo_risk.measured.dissipation import Points, pooled

LN_LIMIT = math.log(4.0)
HOURS = np.array([0.0, 6.0, 12.0, 24.0, 36.0])


def at_one_time(mg, below=None):
    count = len(mg)
    below = np.zeros(count, bool) if below is None else np.array(below)
    return Points(np.full(count, 24.0), np.log(mg), below, np.repeat("A", count).astype(object))


def curve(seed, level=3.0, slope=-0.065, lots=3, scatter=0.05, between=0.08):
    rng = np.random.default_rng(seed)
    hours = np.tile(HOURS, lots)
    names = np.repeat([f"lot {i}" for i in range(lots)], len(HOURS)).astype(object)
    ln = level + slope * hours + np.repeat(between * rng.standard_normal(lots), len(HOURS))
    return Points(hours, ln + scatter * rng.standard_normal(len(hours)),
                  np.zeros(len(hours), bool), names)  # fmt: skip


def test_limit_of_the_next_device_is_the_normal_one():
    # exp(m + t(n-1) s sqrt(1 + 1/n)): standard theory, t from scipy.stats.
    mg = [1.2, 1.5, 1.1, 1.9]
    found = one_time(at_one_time(mg), 0.95)
    ln = np.log(mg)
    upper = math.exp(ln.mean() + stats.t.ppf(0.95, 3) * ln.std(ddof=1) * math.sqrt(1.25))
    assert found.next_upper_mg == pytest.approx(upper, rel=1e-12)
    assert found.mean_mg == pytest.approx(1.425)
    assert found.highest_mg == 1.9
    assert NO_RELEASE_TIME in " ".join(c.text for c in found.cautions)


def test_all_below_detection_is_a_result():
    found = one_time(at_one_time([0.05, 0.05, 0.05], [True] * 3), 0.95)
    assert (found.below, found.next_upper_mg) == (3, None)
    assert found.highest_mg == pytest.approx(0.05)
    assert "all_below_detection" in {c.code for c in found.cautions}
    # Without any model of the scatter: the next of n + 1 equal chances to be highest.
    assert found.share_below == pytest.approx(3 / 4)


def test_one_result_or_several_hours_are_no_certificate():
    with pytest.raises(ValueError, match="two results"):
        one_time(at_one_time([1.0]), 0.95)
    with pytest.raises(ValueError, match="one aeration time"):
        one_time(curve(1), 0.95)


def test_a_group_against_another_is_said_as_a_bound():
    slow = reach_of("double bag", curve(2, level=3.4), LN_LIMIT)
    fast = reach_of("pouch", curve(3), LN_LIMIT)
    found = compare(slow, fast, 0.95)
    assert found.low_h < found.difference_h < found.high_h
    assert "h slower" in found.text
    assert "(one-sided 95 % bound)" in found.text
    printed = float(found.text.split("at most ")[1].split()[0])
    assert found.high_h <= printed <= found.high_h + 0.1
    assert "no difference" not in found.text


def test_pooled_groups_differ_as_welch_says():
    # One lot each: delta method per line, Welch's t for the sum of variances (1947).
    a, b = (curve(s, lots=1, between=0.0) for s in (4, 5))
    found = compare(reach_of("a", a, LN_LIMIT), reach_of("b", b, LN_LIMIT), 0.95)
    parts = []
    for p in (a, b):
        line = pooled(p)
        hour = (LN_LIMIT - line.intercept) / line.slope_per_h
        parts.append((hour, float(line.line_variance(hour)) / line.slope_per_h**2))
    assert found.difference_h == pytest.approx(parts[0][0] - parts[1][0])
    # Level and slope are independent parts with 3 degrees of freedom each: between 3 and 12.
    half, total = found.high_h - found.difference_h, math.sqrt(parts[0][1] + parts[1][1])
    assert stats.t.ppf(0.95, 12) * total <= half <= stats.t.ppf(0.95, 3) * total


def test_above_the_margin_the_missing_lots_are_counted():
    a, b = (reach_of(n, curve(s), LN_LIMIT) for n, s in (("a", 6), ("b", 7)))
    bound = compare(a, b, 0.95)
    margin = bound.difference_h + 0.5 * (bound.high_h - bound.difference_h)
    found = compare(a, b, 0.95, margin)
    assert found.within_margin is False
    assert found.more_lots >= 1
    assert f"{found.more_lots} more lot(s)" in found.text
    enough = [r.with_lots(r.lots + found.more_lots) for r in (a, b)]
    assert compare(*enough, 0.95).high_h <= margin
    assert compare(a, b, 0.95, bound.high_h + 1.0).within_margin is True


def test_a_rising_group_never_meets_the_limit():
    assert reach_of("a", curve(8, slope=0.02), LN_LIMIT) is None


@pytest.mark.parametrize(
    ("worse", "words"),
    [({"level": 3.6}, "starts higher"), ({"slope": -0.045}, "more slowly"),
     ({"scatter": 0.35}, "scatter more")],
)  # fmt: skip
def test_the_worst_member_is_first_with_its_reason(worse, words):
    members = []
    for name, change in (("short tube", {}), ("long tube", worse)):
        line = pooled(curve(9, between=0.0, **change))
        members.append(Member(name, line, line.release_h(LN_LIMIT, 0.95)))
    first, last = rank(members, LN_LIMIT, 0.95)
    assert first.name == "long tube"
    assert words in first.reason
    assert last.reason == "the shortest time of the family"


@pytest.mark.slow
def test_bound_of_a_difference_covers_it():
    # Invented truth: equal groups; the one-sided bound must hold in 95 % +/- 3 % of 1,000.
    covered = 0
    for seed in range(1000):
        a, b = (reach_of("x", curve(10_000 + 2 * seed + k, lots=4), LN_LIMIT) for k in (0, 1))
        covered += compare(a, b, 0.95).high_h >= 0.0
    assert 0.92 <= covered / 1000 <= 0.98
