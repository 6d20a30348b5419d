"""The layer model fitted to laboratory results: exact release, the prior, coverage."""

import math

import numpy as np
import pytest

from eo_risk.judgement.risk import Draw
from eo_risk.measured.dissipation import Points
from eo_risk.measured.layer_fit.curves import ReleaseCurves
from eo_risk.measured.layer_fit.fit import (
    fit_physics,
    picture_hours,
    release_curves,
)
from eo_risk.measured.layer_fit.posterior import sample_posterior
from eo_risk.measured.layer_fit.scatter import LotModel
from eo_risk.measured.layer_fit.unknowns import Coordinates, PhysicsSetup, Unknowns, prior_of
from eo_risk.physics.layer import Body
from eo_risk.units import SECONDS_PER_HOUR

SETUP = PhysicsSetup("pvc_plasticised", Body("sheet", 1.5e-3), 323.15)
HOURS = np.array([0.0, 4.0, 8.0, 16.0, 24.0, 36.0])
LN_LIMIT = math.log(0.5)
LN_START = math.log(20.0)


@pytest.fixture(scope="module")
def prior():
    return prior_of(SETUP, Draw(1, 4096))


@pytest.fixture(scope="module")
def curves(prior):
    return release_curves(SETUP, prior, picture_hours(HOURS))


def study(prior, curves, seed, lots=3):
    """An invented study whose truth, the scatter as well, is drawn from the priors."""
    rng = np.random.default_rng(seed)
    truth = Unknowns.of(rng.standard_normal((1, 4)), prior)
    within = 0.05 / math.sqrt(rng.chisquare(1.0))
    between = within * math.exp(1.17 * rng.standard_normal())
    hours = curves.time_s / SECONDS_PER_HOUR
    which = np.array([int(np.argmin(np.abs(hours - h))) for h in HOURS])
    share = truth.ln_share(curves, which)[:, 0]
    levels = LN_START + between * rng.standard_normal(lots)
    ln = (levels[:, None] + share + within * rng.standard_normal((lots, 6))).ravel()
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


def normal_prior(x):
    return -0.5 * np.square(x).sum(axis=1)


def test_posterior_of_a_normal_mean_is_the_textbook_one():
    # Conjugate normal: prior N(0, 1), one result 2 with variance 1/4: mean 1.6, variance 0.2
    # (Gelman et al., Bayesian Data Analysis, from memory).
    def likelihood(x):
        return -2.0 * np.square(x[:, 0] - 2.0), x.T

    rng = np.random.default_rng(5)
    cloud = sample_posterior(likelihood, normal_prior, rng.standard_normal((1000, 1)), rng)
    mean = float(cloud.weights @ cloud.points[:, 0])
    assert mean == pytest.approx(1.6, abs=0.03)
    assert cloud.weights @ np.square(cloud.points[:, 0] - mean) == pytest.approx(0.2, rel=0.06)
    assert np.array_equal(cloud.companion, cloud.points.T)


def test_a_posterior_much_narrower_than_the_prior_is_found():
    """Two results of precision 1e-3 on two of three unknowns: exact normal answer, from far."""
    def likelihood(x):
        miss = np.stack([x[:, 0] - 2.0, x[:, 1] + x[:, 0] - 1.0]) / 1e-3
        return -0.5 * np.square(miss).sum(axis=0), x.T

    rng = np.random.default_rng(6)
    cloud = sample_posterior(likelihood, normal_prior, rng.standard_normal((1000, 3)), rng)
    assert cloud.effective > 1000.0
    mean = cloud.weights @ cloud.points
    spread = np.sqrt(cloud.weights @ np.square(cloud.points - mean))
    assert mean[:2] == pytest.approx([2.0, -1.0], abs=2e-4)
    assert spread == pytest.approx([1e-3, math.sqrt(2.0) * 1e-3, 1.0], rel=0.08)


def test_a_thin_bent_ridge_is_followed():
    """Prior N(0, 1) squared; one result holds y - x^2 / 2 to 0.01. Moments by quadrature."""
    def likelihood(x):
        return -0.5 * np.square((x[:, 1] - 0.5 * np.square(x[:, 0])) / 0.01), x.T

    grid = np.linspace(-6.0, 6.0, 20_001)
    density = np.exp(-0.5 * np.square(grid) - 0.5 * np.square(0.5 * np.square(grid)))
    wanted = np.sum(density * np.square(grid)) / np.sum(density)
    for seed in (1, 2, 3):
        rng = np.random.default_rng(seed)
        cloud = sample_posterior(likelihood, normal_prior, rng.standard_normal((2000, 2)), rng)
        assert cloud.effective > 300.0
        assert cloud.weights @ cloud.points[:, 0] == pytest.approx(0.0, abs=0.12)
        assert cloud.weights @ np.square(cloud.points[:, 0]) == pytest.approx(wanted, rel=0.15)


def test_two_answers_far_apart_are_both_kept():
    """Equal narrow peaks at -3 and 3 under a flat prior: half of the weight on either side."""
    def likelihood(x):
        return np.logaddexp(*(-0.5 * np.square((x[:, 0] - m) / 0.05) for m in (-3.0, 3.0))), x.T

    rng = np.random.default_rng(4)
    cloud = sample_posterior(likelihood, lambda x: np.zeros(len(x)),
                             4.0 * rng.standard_normal((2000, 1)), rng)  # fmt: skip
    assert cloud.weights @ (cloud.points[:, 0] > 0.0) == pytest.approx(0.5, abs=0.05)


def test_scatter_and_level_are_integrated_out():
    """Against the multivariate normal of scipy, by quadrature over level and both scatters."""
    from scipy.stats import chi2, multivariate_normal

    y, lots = np.array([1.0, 1.2, 0.7, 0.9, 1.1]), np.array([0, 0, 1, 1, 1])
    model = LotModel(y, np.zeros(5, bool), np.arange(5), lots, 2)
    shapes = np.array([[0.0, 0.0], [0.0, -0.2], [0.0, 0.1], [0.0, -0.1], [0.0, 0.3]])
    found, _ = model.integrate(shapes, np.random.default_rng(1))
    # Scatter within lots by equal steps of its distribution, ratio by those of the model.
    deviations = 0.05 / np.sqrt(chi2.ppf((np.arange(100) + 0.5) / 100, 1.0))
    wanted = []
    for shape in shapes.T:
        total = 0.0
        for node in np.linspace(-3.0, 3.0, 25):
            ratio2 = math.exp(2.0 * 1.17 * node)
            base = np.eye(5) + ratio2 * (lots[:, None] == lots)
            # The integral over the level in closed form: its peak times a normal's width.
            ones, inverse = np.ones(5), np.linalg.inv(base)
            mid = ones @ inverse @ (y - shape) / (ones @ inverse @ ones)
            for sigma in deviations:
                peak = multivariate_normal(mid * ones, sigma**2 * base).pdf(y - shape)
                width = sigma * math.sqrt(2.0 * math.pi / (ones @ inverse @ ones))
                total += math.exp(-0.5 * node**2) * peak * width
        wanted.append(math.log(total))
    assert found[0] - found[1] == pytest.approx(wanted[0] - wanted[1], abs=0.01)


def test_draws_of_level_and_scatter_are_textbook_ones():
    # One lot, many results: level N(mean, s^2/n) and s about the true scatter.
    rng = np.random.default_rng(2)
    y = 1.5 + 0.2 * rng.standard_normal(400)
    model = LotModel(y, np.zeros(400, bool), np.zeros(400, int), np.arange(400) % 4, 4)
    _, drawn = model.integrate(np.zeros((1, 4000)), rng)
    assert np.mean(drawn.within) == pytest.approx(y.std(ddof=1), rel=0.02)
    assert np.std(drawn.within) == pytest.approx(0.2 / math.sqrt(800), rel=0.15)
    assert np.mean(drawn.level) == pytest.approx(y.mean(), abs=0.01)


def test_results_below_detection_weigh_as_their_chance():
    """One lot with a limit far above changes nothing; one far below makes it unlikely."""
    y, lots = np.array([1.0, 1.1, 0.9, 1.0]), np.array([0, 0, 1, 1])
    values = []
    for limit in (9.0, -9.0):
        model = LotModel(np.append(y, limit), np.array([False] * 4 + [True]), np.zeros(5, int),
                         np.append(lots, 1), 2)  # fmt: skip
        values.append(model.integrate(np.zeros((1, 500)), np.random.default_rng(1))[0])
    plain = LotModel(y, np.zeros(4, bool), np.zeros(4, int), lots, 2)
    without = plain.integrate(np.zeros((1, 500)), np.random.default_rng(1))[0]
    assert values[0] == pytest.approx(without, abs=1e-6)
    assert np.all(values[1] < without - 2.0)


def test_coordinates_turn_back_and_keep_the_prior(prior, curves):
    """The turn into coordinates keeps volumes, so densities of draws agree up to a constant."""
    def bent(u):
        # A ridge that bends with the share of the surface.
        return -np.square(u.ln_d - math.log(3e-11) + 0.02 * np.square(u.ln_v - u.ln_d - 12.0))

    z = np.random.default_rng(3).standard_normal((500, 4))
    truth = Unknowns.of(z, prior)
    turned = Coordinates.of(prior, SETUP.body, 36.0 * SECONDS_PER_HOUR, curves, bent)
    back = turned.unknowns(turned.points(truth))
    for name in ("ln_d", "ln_v", "slow_share", "slow_rate"):
        assert getattr(back, name) == pytest.approx(getattr(truth, name), rel=1e-9)
    # Volume: numerical Jacobian from (ln D, ln v, ln share, ln rate).
    base = np.array([np.log(prior.diffusivity.p50), np.log(prior.velocity.p50), np.log(0.01),
                     np.log(prior.slow_rate.p50)])  # fmt: skip

    def at(p):
        found = Unknowns(p[:, 0], p[:, 1], np.exp(p[:, 2]), np.exp(p[:, 3]))
        return turned.points(found)

    steps = 1e-5 * np.eye(4)
    jacobian = (at(base + steps) - at(base - steps)) / 2e-5
    assert abs(np.linalg.det(jacobian)) == pytest.approx(1.0, abs=1e-6)


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


def exponential(rate, scatter, lots, hours, seed=0):
    """Results that fall in a straight line from the start, as no thick layer does; invented."""
    rng = np.random.default_rng(seed)
    levels = LN_START + scatter * rng.standard_normal((lots, 1))
    ln = levels - rate * np.asarray(hours) + scatter * rng.standard_normal((lots, len(hours)))
    names = np.repeat([f"lot {i}" for i in range(lots)], len(hours)).astype(object)
    return Points(np.tile(np.asarray(hours, float), lots), ln.ravel(),
                  np.zeros(ln.size, bool), names)  # fmt: skip


def rare(*case):
    return pytest.param(*case, marks=pytest.mark.slow)


@pytest.mark.parametrize(
    ("material", "thickness_m", "points"),
    [
        ("pvc_plasticised", 4e-3, exponential(0.065, 1e-4, 3, (0, 6, 12, 24, 36))),
        rare("pvc_plasticised", 4e-3, exponential(0.08, 0.02, 12, range(0, 60, 4))),
        rare("pvc_plasticised", 4e-3, exponential(0.3, 0.02, 3, (0, 6, 12, 24, 36))),
        rare("peek", 2e-3, exponential(0.065, 0.02, 3, (0, 6, 12, 24, 36))),
        rare("pvc_plasticised", 4e-3, exponential(0.08, 0.02, 1, (0, 12, 24))),
    ],
    ids=["exact", "many", "fast", "far from its record", "few"],
)
def test_contrived_results_give_one_answer_whatever_the_seed(material, thickness_m, points):
    """What a sampler loses on a thin ridge differs from seed to seed; here nothing is lost."""
    setup = PhysicsSetup(material, Body("sheet", thickness_m), 323.15)
    own = prior_of(setup, Draw(1, 4096))
    curves = release_curves(setup, own, picture_hours(points.hours))
    fits = [
        fit_physics(points, setup, own, curves, ln_limit=LN_LIMIT, confidence=0.95,
                    generator=np.random.default_rng(seed))
        for seed in (1, 2, 3)
    ]  # fmt: skip
    assert min(fit.effective_samples for fit in fits) > 800.0
    bands = np.log([[f.diffusivity_m2_per_s.p05, f.diffusivity_m2_per_s.p50,
                     f.diffusivity_m2_per_s.p95] for f in fits])  # fmt: skip
    width = np.mean(bands[:, 2] - bands[:, 0])
    assert np.ptp(bands[:, 1]) < 0.15 * width
    hours = [fit.release_h for fit in fits]
    assert np.ptp(hours) < 0.1 * np.mean(hours)


def test_results_far_from_a_record_say_so():
    points = exponential(0.065, 0.02, 3, (0, 6, 12, 24, 36))
    setup = PhysicsSetup("peek", Body("sheet", 2e-3), 323.15)
    own = prior_of(setup, Draw(1, 4096))
    curves = release_curves(setup, own, picture_hours(points.hours))
    fit = fit_physics(points, setup, own, curves, ln_limit=LN_LIMIT, confidence=0.95,
                      generator=np.random.default_rng(1))  # fmt: skip
    assert "far_from_record" in {c.code for c in fit.cautions}


def test_a_cloud_that_stays_poor_is_flagged(prior, curves, monkeypatch):
    """One cloud only, no adapting: whatever comes out must not look like an answer."""
    from eo_risk.measured.layer_fit import posterior

    monkeypatch.setattr(posterior, "_MOST_STEPS", 1)
    points = exponential(0.08, 0.01, 12, range(0, 60, 4))
    own = release_curves(SETUP, prior, picture_hours(points.hours))
    fit = fit_physics(points, SETUP, prior, own, ln_limit=LN_LIMIT, confidence=0.95,
                      generator=np.random.default_rng(1))  # fmt: skip
    assert fit.effective_samples < 200.0
    assert "fit_uncertain" in {c.code for c in fit.cautions}


@pytest.mark.slow
def test_posterior_bands_cover_the_truth(prior, curves):
    """In 200 invented studies 5 to 95 % bands hold the truth in 90 % +/- 5 %."""
    hours = curves.time_s / SECONDS_PER_HOUR
    late = int(np.argmin(np.abs(hours - 60.0)))
    diffusivity = level = 0
    for seed in range(200):
        truth, points = study(prior, curves, 1000 + seed)
        fit = fitted(points, prior, curves, seed)
        band = fit.diffusivity_m2_per_s
        diffusivity += band.p05 <= math.exp(truth.ln_d[0]) <= band.p95
        mg = math.exp(LN_START + truth.ln_share(curves, np.array([late]))[0, 0])
        level += fit.level_p05[late] <= mg <= fit.level_p95[late]
        assert fit.effective_samples > 200.0, seed
    assert 0.85 <= diffusivity / 200 <= 0.95
    assert 0.85 <= level / 200 <= 0.95
