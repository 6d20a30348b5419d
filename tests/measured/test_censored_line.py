"""Lines with values below detection, against libraries and direct maximisation."""

import json

import numpy as np
import pytest
from scipy import stats
from scipy.optimize import minimize

from eo_risk.measured.censored_line import fit_line, log_likelihood


@pytest.fixture(scope="module")
def library(root):
    """Values of general-purpose libraries, with the calls that made them (invented data)."""
    return json.loads((root / "tests/data/lab_library_values.json").read_text(encoding="utf-8"))


def _data(block):
    hours = np.array(block["hours"], dtype=float)
    y = np.log(np.array(block["amounts_mg"], dtype=float))
    below = np.array(block.get("below", np.zeros(len(y))), dtype=bool)
    return np.column_stack([np.ones_like(hours), hours]), y, below


def _plain_sd(fit):
    """The maximum likelihood scatter, before the correction for coefficients."""
    known = fit.degrees_of_freedom + len(fit.coefficients)
    return fit.residual_sd * np.sqrt(fit.degrees_of_freedom / known)


def test_without_censoring_it_is_least_squares(library):
    block = library["ols"]
    fit = fit_line(*_data(block))
    assert fit.coefficients == pytest.approx(block["params"], rel=1e-12)
    assert fit.residual_sd == pytest.approx(block["sd"], rel=1e-12)
    assert np.sqrt(np.diag(fit.covariance)) == pytest.approx(block["bse"], rel=1e-10)
    assert fit.degrees_of_freedom == 3


def test_censored_line_against_a_survival_library(library):
    # lifelines, LogNormalAFTFitter.fit_left_censoring; it stops at about 1e-6.
    block = library["censored"]
    fit = fit_line(*_data(block))
    assert fit.coefficients == pytest.approx([block["intercept"], block["slope"]], rel=2e-6)
    assert _plain_sd(fit) == pytest.approx(block["sd"], rel=5e-6)
    widths = np.sqrt(np.diag(fit.covariance)) * _plain_sd(fit) / fit.residual_sd
    assert widths == pytest.approx(block["se"], rel=1e-5)


def test_censored_level_against_scipy_stats(library):
    # scipy.stats.norm.fit on CensoredData, an independent maximum likelihood.
    _, y, below = _data(library["censored"])
    y, below = y[6:], below[6:]
    fit = fit_line(np.ones((len(y), 1)), y, below)
    loc, scale = stats.norm.fit(stats.CensoredData(uncensored=y[~below], left=y[below]))
    assert fit.coefficients[0] == pytest.approx(loc, abs=2e-4)
    assert _plain_sd(fit) == pytest.approx(scale, rel=2e-3)


@pytest.mark.parametrize("start", [(0.0, 0.0, 0.0), (5.0, -1.0, 1.0), (2.0, 0.1, -2.0)])
def test_direct_maximisation_from_other_starts_ends_at_the_same_place(library, start):
    design, y, below = _data(library["censored"])
    fit = fit_line(design, y, below)

    def cost(p):
        return -log_likelihood(np.array(p[:2]), float(np.exp(p[2])), design, y, below)

    found = minimize(cost, start, method="Nelder-Mead",
                     options={"xatol": 1e-10, "fatol": 1e-13, "maxiter": 20_000,
                              "maxfev": 20_000})  # fmt: skip
    assert found.x[:2] == pytest.approx(fit.coefficients, rel=1e-5)
    assert np.exp(found.x[2]) == pytest.approx(_plain_sd(fit), rel=1e-5)
    assert -found.fun == pytest.approx(fit.log_likelihood, abs=1e-9)


def test_values_just_below_a_limit_far_above_change_nothing():
    """A value known only to be below a huge number says nothing: the limit case."""
    x = np.column_stack([np.ones(6), np.arange(6.0)])
    y = np.array([3.0, 2.4, 2.1, 1.4, 1.1, 60.0])
    below = np.array([False] * 5 + [True])
    with_it, without = fit_line(x, y, below), fit_line(x[:5], y[:5], below[:5])
    assert with_it.coefficients == pytest.approx(without.coefficients, rel=1e-8)
    assert with_it.residual_sd == pytest.approx(without.residual_sd, rel=1e-6)


def test_a_lower_detection_limit_lowers_the_line():
    x = np.column_stack([np.ones(6), np.arange(6.0)])
    y = np.array([3.0, 2.4, 2.1, 1.4, 1.1, 0.9])
    below = np.array([False] * 5 + [True])
    ends = []
    for limit in (0.9, 0.3, -0.5):
        y[5] = limit
        ends.append(fit_line(x, y, below).coefficients @ [1.0, 5.0])
    assert ends[0] > ends[1] > ends[2]


def test_too_few_known_values_are_refused():
    x = np.column_stack([np.ones(4), [0.0, 0.0, 0.0, 5.0]])
    with pytest.raises(ValueError, match="too few"):
        fit_line(x, np.zeros(4), np.array([False, False, False, True]))
