"""The layer model fitted to laboratory results, with the material's record as prior.

Unknown are the diffusivity, the resistance outside, a slow pool, the start level and the
scatter between and within lots. What comes out is a band and a release time.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr

from eo_risk.judgement.result import Band, Caution
from eo_risk.judgement.risk import quantile
from eo_risk.measured.dissipation import Points
from eo_risk.measured.layer_fit.curves import ReleaseCurves
from eo_risk.measured.layer_fit.posterior import Cloud, sample_posterior
from eo_risk.measured.layer_fit.scatter import LotModel
from eo_risk.measured.layer_fit.unknowns import Coordinates, PhysicsSetup, Prior, Unknowns, steps
from eo_risk.physics import properties
from eo_risk.units import SECONDS_PER_HOUR

_START = 4000  # draws of the prior that the search starts from
_NEAR_RIDGE = 0.02  # share of its distance that a start near the ridge keeps
# Deviates the grid of the layer model covers; results far from a record must not meet its end.
_REACH = 7.5
_KEPT = 1500  # samples of equal weight that the bands rest on
_HOURS_AHEAD = 20.0  # times the last result
_PICTURE_POINTS = 90
_FEWEST_EFFECTIVE = 200.0
_FAR = 2.0  # deviates from the middle of the prior that are worth a word


def _ends(band: Band) -> tuple[float, float]:
    """Ends of the grid of a quantity: far enough for any deviate met."""
    ends = quantile(ndtr(np.array([-_REACH, _REACH])), "lognormal", band.p50, band.p05, band.p95)
    return float(ends[0]), float(ends[1])


def release_curves(setup: PhysicsSetup, prior: Prior, hours: np.ndarray) -> ReleaseCurves:
    """Run the layer model over the prior for these hours of aeration."""
    ratio = 1.0
    if setup.exposure_temperature_k is not None:
        energy = properties.central(f"{setup.material}.activation")
        ratio = float(properties.arrhenius(1.0, energy, setup.exposure_temperature_k)
                      / properties.arrhenius(1.0, energy, setup.temperature_k))  # fmt: skip
    # The start itself is no output of the model; a moment after stands for it.
    seconds = np.maximum(hours, 1e-6) * SECONDS_PER_HOUR
    return ReleaseCurves.of(setup.body, seconds, _ends(prior.diffusivity), _ends(prior.velocity),
                            exposure_s=setup.exposure_s, exposure_ratio=ratio)  # fmt: skip


def picture_hours(measured_h: np.ndarray) -> np.ndarray:
    """Hours of the curves: those measured, and on to many times the last."""
    last = max(float(measured_h.max()), 1.0)
    ahead = np.geomspace(last / 100.0, last * _HOURS_AHEAD, _PICTURE_POINTS)
    return np.union1d(np.append(measured_h, 0.0), ahead)


@dataclass(frozen=True)
class PhysicsFit:
    """What the layer model and the results say together.

    Curves are mg per device over `hours`; `level` is the common curve of all lots, `upper`
    what the next device of a new lot stays below with the confidence. `start_mg` is the common
    level at the start, `next_start_mg` that of the next device of a new lot, `full_mg` what the
    part would hold at equilibrium with the gas of the exposure, by the start level. [mg]
    """

    hours: np.ndarray
    level_p05: np.ndarray
    level_p50: np.ndarray
    level_p95: np.ndarray
    upper: np.ndarray
    crossing_h: float | None
    release_h: float | None
    diffusivity_m2_per_s: Band
    prior_m2_per_s: Band
    start_mg: Band
    next_start_mg: Band
    full_mg: Band
    slow_share: Band
    slow_half_life_s: Band
    within: Band
    between: Band
    effective_samples: float
    cautions: tuple[Caution, ...]


def _next_device(
    level: np.ndarray, within: np.ndarray, between: np.ndarray, confidence: float
) -> np.ndarray:
    """Quantile of the next device of a new lot over all samples, per hour. ln(mg)"""
    sd = np.sqrt(np.square(within) + np.square(between))
    low = level.min(axis=1) - 8.0 * sd.max()
    high = level.max(axis=1) + 8.0 * sd.max()
    for _ in range(45):
        middle = 0.5 * (low + high)
        share = ndtr((middle[:, None] - level) / sd).mean(axis=1)
        low, high = np.where(share < confidence, middle, low), np.where(share < confidence, high,
                                                                        middle)  # fmt: skip
    return high


def _first_below(hours: np.ndarray, ln_upper: np.ndarray, ln_limit: float) -> float | None:
    over = ln_upper > ln_limit
    if over[-1]:
        return None
    if not np.any(over):
        return 0.0
    i = int(np.flatnonzero(over)[-1])
    share = (ln_upper[i] - ln_limit) / (ln_upper[i] - ln_upper[i + 1])
    return float(hours[i] + share * (hours[i + 1] - hours[i]))


def _far(ln_values: np.ndarray, band: Band) -> float:
    """Deviates from the middle of a record, where they are worth a word; else 0. [-]"""
    away = float(np.median(ln_values)) - math.log(band.p50)
    deviates = float(away / steps(band, np.array(away)))
    return deviates if abs(deviates) > _FAR else 0.0


def _cautions(
    cloud: Cloud, u: Unknowns, prior: Prior, release_h: float | None, last_h: float
) -> tuple[Caution, ...]:
    found = []
    if far := _far(u.ln_d, prior.diffusivity):
        side = "faster" if far > 0.0 else "slower"
        found.append(Caution("far_from_record", "warn", f"The results are much {side} than the "
                             "material's record allows.",
                             "Check thickness, temperature and material."))  # fmt: skip
    if far := _far(u.ln_v, prior.velocity):
        side = "easier" if far > 0.0 else "harder"
        found.append(Caution("surface_far_from_record", "warn", "The gas leaves the surface much "
                             f"{side} than the records of packaging and uptake allow.",
                             "Check packaging, air flow and faces."))  # fmt: skip
    if cloud.effective < _FEWEST_EFFECTIVE:
        found.append(Caution("fit_uncertain", "warn", f"The fit rests on {cloud.effective:.0f} "
                             "effective samples only; its bands are rough.",
                             "Rely on the line."))  # fmt: skip
    if release_h is not None and release_h > last_h:
        found.append(Caution("physics_extrapolated", "inform", "The time by the layer model lies "
                             f"beyond the last sampled time, {last_h:g} h.",
                             "Test at later times."))  # fmt: skip
    return tuple(found)


def _search(
    points: Points, setup: PhysicsSetup, prior: Prior, curves: ReleaseCurves,
    generator: np.random.Generator,
) -> tuple[Coordinates, Cloud]:  # fmt: skip
    """Sample the unknowns; the companions are level and scatter within and between lots."""
    hours = curves.time_s / SECONDS_PER_HOUR
    measured, time_index = np.unique(points.hours, return_inverse=True)
    which = np.array([int(np.argmin(np.abs(hours - h))) for h in measured])
    lots, lot_index = np.unique(points.lots.astype(str), return_inverse=True)
    seen = ~points.below
    known = LotModel(points.ln_mg[seen], points.below[seen], time_index[seen], lot_index[seen],
                     len(lots))  # fmt: skip
    model = LotModel(points.ln_mg, points.below, time_index, lot_index, len(lots))

    def fitness(found: Unknowns) -> np.ndarray:
        return known.integrate(found.ln_share(curves, which), generator)[0]

    late_s = float(measured[-1]) * SECONDS_PER_HOUR
    coordinates = Coordinates.of(prior, setup.body, late_s, curves, fitness)

    def likelihood(x: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        share = coordinates.unknowns(x).ln_share(curves, which)
        value, drawn = model.integrate(share, generator)
        return value, np.stack([drawn.level, drawn.within, drawn.between])

    start = coordinates.points(Unknowns.of(generator.standard_normal((_START, 4)), prior))
    # What fits may lie far from the record: half of the search starts near the ridge.
    start[::2, 0] *= _NEAR_RIDGE
    return coordinates, sample_posterior(likelihood, coordinates.log_prior, start, generator)


def fit_physics(
    points: Points,
    setup: PhysicsSetup,
    prior: Prior,
    curves: ReleaseCurves,
    *,
    ln_limit: float,
    confidence: float,
    generator: np.random.Generator,
) -> PhysicsFit:
    """Fit the layer model to results.

    Parameters
    ----------
    points : Points
        Results: hours, ln(mg per device), below detection, lots.
    setup : PhysicsSetup
        Body, material and surroundings.
    prior : Prior
        From `prior_of`.
    curves : ReleaseCurves
        From `release_curves`, for hours that hold every measured one.
    ln_limit, confidence : float
        Limit as ln(mg), and confidence of the release time. [-]
    generator : numpy.random.Generator
        The only source of chance.

    Returns
    -------
    PhysicsFit

    Notes
    -----
    Log-normal scatter within and between lots; the start level has no prior. Even start, or
    the profile a gas exposure leaves. Diffusivity does not depend on the content.
    """
    hours = curves.time_s / SECONDS_PER_HOUR
    coordinates, cloud = _search(points, setup, prior, curves, generator)
    kept = cloud.resample(_KEPT, generator)
    common, within, between = cloud.companion[:, kept]
    u = coordinates.unknowns(cloud.points[kept])
    level = common + u.ln_share(curves, np.arange(len(hours)))
    ln_upper = _next_device(level, within, between, confidence)
    release_h = _first_below(hours, ln_upper, ln_limit)
    if release_h is not None:  # no time before the first result is credited
        release_h = max(release_h, float(points.hours.min()))
    apart = np.hypot(within, between) * generator.standard_normal(_KEPT)
    p05, p50, p95 = np.exp(np.quantile(level, (0.05, 0.5, 0.95), axis=1))
    return PhysicsFit(
        hours, p05, p50, p95, np.exp(ln_upper), _first_below(hours, np.log(p50), ln_limit),
        release_h, Band.of(np.exp(u.ln_d)), prior.diffusivity, Band.of(np.exp(common)),
        Band.of(np.exp(common + apart)),
        Band.of(np.exp(common - curves.ln_filled(u.ln_d, u.ln_v))), Band.of(u.slow_share),
        Band.of(math.log(2.0) / u.slow_rate), Band.of(within), Band.of(between), cloud.effective,
        _cautions(cloud, u, prior, release_h, float(points.hours.max())),
    )  # fmt: skip
