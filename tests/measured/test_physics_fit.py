"""The layer model fitted to laboratory results: exact release, the prior, coverage."""

import math

import numpy as np
import pytest

from eo_risk.judgement.risk import Draw
from eo_risk.measured.dissipation import Points
from eo_risk.measured.physics_fit import (
    PhysicsSetup,
    _Unknowns,
    fit_physics,
    picture_hours,
    prior_of,
    record_toml,
    release_curves,
    site_material_record,
)
from eo_risk.measured.posterior import LotModel, sample_posterior
from eo_risk.measured.release_curves import ReleaseCurves
from eo_risk.physics.layer import Body
from eo_risk.plan.site_file import parse_site
from eo_risk.units import SECONDS_PER_HOUR

SETUP = PhysicsSetup("pvc_plasticised", Body("sheet", 1.5e-3), 323.15)
HOURS = np.array([0.0, 4.0, 8.0, 16.0, 24.0, 36.0])
LN_LIMIT = math.log(0.5)


@pytest.fixture(scope="module")
def prior():
    return prior_of(SETUP, Draw(1, 4096))


@pytest.fixture(scope="module")
def curves(prior):
    return release_curves(SETUP, prior, picture_hours(HOURS))


def study(prior, curves, seed, lots=3):
    """An invented study whose truth is drawn from the prior."""
    rng = np.random.default_rng(seed)
    z = rng.standard_normal((1, 6))
    truth = _Unknowns.of(z, prior)
    hours = curves.time_s / SECONDS_PER_HOUR
    which = np.array([int(np.argmin(np.abs(hours - h))) for h in HOURS])
    share = truth.ln_share(curves, which)[:, 0]
    levels = math.log(20.0) + truth.between[0] * rng.standard_normal(lots)
    ln = (levels[:, None] + share + truth.within[0] * rng.standard_normal((lots, 6))).ravel()
    names = np.repeat([f"lot {i}" for i in range(lots)], 6).astype(object)
    return truth, Points(np.tile(HOURS, lots), ln, np.zeros(6 * lots, bool), names)


def fitted(points, prior, curves, seed=3):
    return fit_physics(points, SETUP, prior, curves, ln_limit=LN_LIMIT, confidence=0.95,
                       generator=np.random.default_rng(seed))  # fmt: skip


def test_curves_are_the_release_of_a_plane_sheet():
    # Crank, The Mathematics of Diffusion, 2nd ed. 1975, eq. 4.18: both faces at zero.
    diffusivity, thickness = 3.1e-12, 1.5e-3
    time_s = np.array([2.0, 8.0, 24.0, 60.0]) * SECONDS_PER_HOUR
    curves = ReleaseCurves.of(Body("sheet", thickness), time_s, (1e-13, 1e-10), (0.5, 5.0))
    odd = 2 * np.arange(2000)[:, None] + 1
    exact = np.sum(8 / (odd * math.pi) ** 2
                   * np.exp(-diffusivity * (odd * math.pi / thickness) ** 2 * time_s), axis=0)
    found = curves.ln_share_left(np.log([diffusivity]), np.log([1.0]), np.arange(4))[:, 0]
    assert np.exp(found) == pytest.approx(exact, rel=2e-3)


def test_more_diffusivity_leaves_less(curves):
    d = np.linspace(curves.low[0], curves.high[0], 40)
    which = np.array([len(curves.time_s) // 2])
    left = curves.ln_share_left(d, np.full(40, curves.high[1]), which)[0]
    told = left > math.log(1e-5)  # below, the layer model's answer carries few figures
    assert np.count_nonzero(told) > 10
    assert np.all(np.diff(left[told]) < 0.0)


def test_posterior_of_a_normal_mean_is_the_textbook_one():
    # Conjugate normal: prior N(0, 1), one result 2 with variance 1/4: mean 1.6, variance 0.2
    # (Gelman et al., Bayesian Data Analysis, from memory).
    def likelihood(z):
        return -2.0 * np.square(z[:, 0] - 2.0), z[:, 0]

    cloud = sample_posterior(likelihood, 1, np.random.default_rng(5))
    mean = float(cloud.weights @ cloud.deviates[:, 0])
    assert mean == pytest.approx(1.6, abs=0.03)
    assert cloud.weights @ np.square(cloud.deviates[:, 0] - mean) == pytest.approx(0.2, rel=0.06)


def test_lot_levels_are_integrated_out_exactly():
    """Against the multivariate normal of scipy, the flat level by quadrature."""
    from scipy.integrate import quad
    from scipy.stats import multivariate_normal

    y, lots = np.array([1.0, 1.2, 0.7, 0.9]), np.array([0, 0, 1, 1])
    model = LotModel(y, np.zeros(4, bool), np.zeros(4, int), lots, 2)

    def log_of(sigma, tau):
        cov = sigma**2 * np.eye(4) + tau**2 * (lots[:, None] == lots)
        area, _ = quad(lambda m: multivariate_normal(np.full(4, m), cov).pdf(y), -5.0, 7.0,
                       points=[0.95], limit=200)  # fmt: skip
        return math.log(area)

    sigma, tau = np.array([0.1, 0.2]), np.array([0.15, 0.4])
    found, _ = model.levels(np.zeros((1, 2)), sigma, tau, np.random.default_rng(1))
    wanted = log_of(0.1, 0.15) - log_of(0.2, 0.4)
    assert found[0] - found[1] == pytest.approx(wanted, abs=1e-6)


def test_results_narrow_the_record_and_the_same_seed_repeats(prior, curves):
    _, points = study(prior, curves, 11)
    fit = fitted(points, prior, curves)
    again = fitted(points, prior, curves)
    record, found = fit.prior_m2_per_s, fit.diffusivity_m2_per_s
    assert found.p95 / found.p05 < 0.7 * record.p95 / record.p05
    assert again.release_h == fit.release_h
    assert np.array_equal(again.upper, fit.upper)
    assert np.all(fit.level_p05 <= fit.level_p50)
    assert np.all(fit.level_p50 <= fit.level_p95)


def test_the_release_hour_is_where_the_upper_curve_meets_the_limit(prior, curves):
    _, points = study(prior, curves, 11)
    fit = fitted(points, prior, curves)
    later = fit.hours > fit.release_h
    assert np.all(np.log(fit.upper[later]) <= LN_LIMIT + 1e-9)
    assert np.log(fit.upper[~later][-1]) > LN_LIMIT


def test_the_record_a_site_keeps_is_read_by_the_site_file(prior, curves):
    _, points = study(prior, curves, 11)
    fit = fitted(points, prior, curves)
    record = site_material_record(fit, SETUP, ["report 7"], "own.pvc.diffusivity", 18)
    site = parse_site(record_toml(record))
    assert not site.broken
    own = site.material_record[0]
    assert (own.material, own.quantity, own.status) == ("pvc_plasticised", "diffusivity",
                                                        "measured")  # fmt: skip
    assert "report 7" in own.source
    assert own.low < own.value < own.high


@pytest.mark.slow
def test_posterior_band_covers_the_truth(prior):
    """Diffusivity of 200 invented studies lies in its 5 to 95 % band in 90 % +/- 5 %."""
    curves = release_curves(SETUP, prior, np.append(HOURS, (48.0, 72.0)))
    inside = 0
    for seed in range(200):
        truth, points = study(prior, curves, 1000 + seed)
        band = fitted(points, prior, curves, seed).diffusivity_m2_per_s
        inside += band.p05 <= math.exp(truth.ln_d[0]) <= band.p95
    assert 0.85 <= inside / 200 <= 0.95
