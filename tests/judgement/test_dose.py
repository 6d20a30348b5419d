"""Dose over a period from what is still in the device, against closed forms."""

import json

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from eo_risk.judgement.allowed.dose import counted, daily_average_kg, dose_over, dose_shares
from eo_risk.judgement.assess import check_plan
from eo_risk.judgement.limits import limits_for
from eo_risk.output.answer import check_answer
from eo_risk.physics.layer import Body, Stage, run_layer
from eo_risk.plan.load_plan import load_plan, read_plan
from eo_risk.units import to_si

DAY, START = to_si(1.0, "d"), 5e-6
DAYS = {d: limits_for("iso10993-7:2008+A1", d).days for d in ("limited", "prolonged", "permanent")}
GRID = np.concatenate([[0.0], np.geomspace(3600.0, 30_000 * DAY, 40)])


@pytest.mark.parametrize("rate_per_day", [1e-4, 0.03, 0.5, 4.0])
@pytest.mark.parametrize("days", [1.0, 30.0, 25_000.0])
def test_first_order_release_gives_the_exact_integral(rate_per_day, days):
    """First-order release: dose over t is m (1 - exp(-k t)), the integral of k m exp(-k t)."""
    left = START * np.exp(-rate_per_day * GRID / DAY)
    exact = -START * np.expm1(-rate_per_day * days)
    assert dose_over(GRID, left, days * DAY) == pytest.approx(exact, rel=1e-9)
    assert daily_average_kg(GRID, left, days) == pytest.approx(exact / days, rel=1e-9)


def test_every_period_takes_its_own_integral_per_sample():
    rate = np.array([0.01, 0.2, 2.0])
    left = START * np.exp(-np.outer(GRID / DAY, rate))
    shares = dose_shares(GRID, left, DAYS["permanent"])
    assert set(shares) == {"24h", "30d", "lifetime", "day"}
    for period, days in (("24h", 1.0), ("30d", 30.0), ("lifetime", 25_000.0), ("day", 25_000.0)):
        assert shares[period] == pytest.approx(-np.expm1(-rate * days), rel=1e-9)
    assert set(dose_shares(GRID, left, DAYS["prolonged"])) == {"24h", "30d", "day"}
    assert dose_shares(GRID, left, DAYS["prolonged"])["day"] == pytest.approx(
        -np.expm1(-rate * 30.0), rel=1e-9
    )


def test_sheet_in_contact_follows_the_square_root_law():
    """Sheet open on both faces, early: released share 4 sqrt(D t / (pi L^2)) (Crank 1975)."""
    thickness, diffusivity = 4e-3, 1e-13
    times = np.array([0.5, 1.0, 2.0, 10.0, 30.0]) * DAY
    stage = Stage(times[-1], diffusivity, 1.0, output_times_s=tuple(times[:-1]))
    run = run_layer(Body("sheet", thickness), [stage], start_kg_per_m3=1.0)
    left = run.mean_kg_per_m3
    share = dose_shares(np.concatenate([[0.0], times]), left, DAYS["prolonged"])
    for period, seconds in (("24h", DAY), ("30d", 30.0 * DAY)):
        exact = 4.0 * np.sqrt(diffusivity * seconds / np.pi) / thickness
        assert share[period] == pytest.approx(exact, rel=1e-3)


def test_a_curve_that_ends_early_counts_all_that_is_left():
    time, left = np.array([0.0, 3600.0]), np.array([2e-6, 1.9e-6])
    assert dose_over(time, left, 3600.0) == pytest.approx(1e-7)
    assert dose_over(time, left, 3601.0) == 2e-6


def test_an_emptied_and_an_empty_device():
    time = np.array([0.0, DAY, 2.0 * DAY])
    emptied = np.array([[4e-6, 0.0], [1e-6, 0.0], [0.0, 0.0]])
    assert dose_over(time, emptied, 1.5 * DAY) == pytest.approx([3.5e-6, 0.0])
    assert dose_over(time, emptied, 2.0 * DAY) == pytest.approx([4e-6, 0.0])
    assert np.all(np.isfinite(dose_shares(time, emptied, DAYS["permanent"])["24h"]))
    assert dose_shares(time, emptied, DAYS["permanent"])["24h"] == pytest.approx([0.75, 0.0])


@given(
    st.lists(st.floats(0.0, 1.0), min_size=3, max_size=12),
    st.floats(1.0, 1e6),
    st.floats(1.0, 1e6),
)
def test_dose_grows_with_the_period_and_never_exceeds_the_residue(parts, one, other):
    left = np.concatenate([[1.0], np.sort(parts)[::-1]])
    time = np.linspace(0.0, 1e5, left.size)
    short, long = sorted((one, other))
    first, second = dose_over(time, left, short), dose_over(time, left, long)
    assert 0.0 <= first <= second * (1.0 + 1e-12) + 1e-12
    assert second <= 1.0
    # Dose and what is left make up the start, at every time of the curve.
    for at, remaining in zip(time[1:], left[1:], strict=True):
        assert dose_over(time, left, at) + remaining == pytest.approx(1.0)


def test_the_error_of_a_computed_curve_is_borne():
    left = np.array([1.0, 0.5, 0.5 + 1e-8, -1e-8])
    assert dose_over(np.arange(4.0), left, 2.0) == pytest.approx(0.5, rel=1e-6)
    assert dose_over(np.arange(4.0), left, 3.0) == 1.0


@pytest.mark.parametrize(
    ("time", "left", "period", "said"),
    [
        ([0.0, 1.0], [1.0, 0.5], 0.0, "period_s is 0 s"),
        ([1.0, 2.0], [1.0, 0.5], 1.0, "rise from 0 s"),
        ([0.0, 2.0, 2.0], [1.0, 0.5, 0.4], 1.0, "rise from 0 s"),
        ([0.0], [1.0], 1.0, "two times"),
        ([0.0, 1.0], [1.0, 0.5, 0.4], 1.0, "3 times, time_s 2"),
        ([0.0, 1.0], [1.0, -0.5], 1.0, "negative"),
        ([0.0, 1.0], [1.0, np.nan], 1.0, "no number"),
        ([0.0, 1.0], [1.0, 1.5], 1.0, "rises"),
    ],
)
def test_a_wrong_curve_is_refused(time, left, period, said):
    with pytest.raises(ValueError, match=said):
        dose_over(time, left, period)


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
