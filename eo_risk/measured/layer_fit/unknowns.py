"""What the layer model does not know of a device, and in which coordinates it is sought."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.interpolate import PchipInterpolator
from scipy.special import ndtr, ndtri

from eo_risk import reference
from eo_risk.errors import Fault, InputError, unknown_name
from eo_risk.judgement.result import Band
from eo_risk.judgement.risk import Draw, quantile
from eo_risk.measured.layer_fit.curves import ReleaseCurves
from eo_risk.physics import properties
from eo_risk.physics.layer import Body

_Z95 = float(ndtri(0.95))
_RIDGE_NODES, _RIDGE_FIRST, _RIDGE_LATER, _RIDGE_ZOOMS = 49, 41, 9, 6


@dataclass(frozen=True)
class PhysicsSetup:
    """The body, its material and what surrounds it in aeration. SI"""

    material: str
    body: Body
    temperature_k: float
    packaging: str = "film_paper_pouch"
    substance: str = "EO"
    exposure_s: float = 0.0
    exposure_temperature_k: float | None = None

    def check(self) -> None:
        """Raise InputError when the material or packaging cannot be fitted."""
        faults = []
        if reference.material(self.material).behaviour in ("none", "family"):
            faults.append(Fault("--material", self.material, "", "a polymer of known grade",
                                "A metal holds no EO; for an unknown grade name its likeliest "
                                "member."))  # fmt: skip
        known = {n for n, p in reference.packagings().items() if p.permeable}
        if self.packaging not in known:
            faults.append(unknown_name("--packaging", self.packaging, known, "Use one of these."))
        if self.substance not in ("EO", "ECH"):
            faults.append(Fault("--substance", self.substance, "", "EO or ECH",
                                "Glycol does not leave a material as gas does."))  # fmt: skip
        if faults:
            raise InputError(faults)


@dataclass(frozen=True)
class Prior:
    """Median with 5 and 95 % points of every physical unknown. SI"""

    diffusivity: Band
    velocity: Band
    slow_share: reference.Record
    slow_rate: Band


def prior_of(setup: PhysicsSetup, draw: Draw) -> Prior:
    """Take the prior from the records at the aeration temperature."""
    kelvin = setup.temperature_k
    diffusivity = properties.diffusivity_m2_per_s(
        setup.material, kelvin, draw, substance=setup.substance
    )
    ratio = properties.gas_ratio(setup.material, kelvin, draw, substance=setup.substance)
    velocity = draw(f"packaging.{setup.packaging}.transfer") / ratio
    rate = properties.arrhenius(
        math.log(2.0) / draw("slow_pool.half_life"), draw(f"{setup.material}.activation"), kelvin
    )
    return Prior(Band.of(diffusivity), Band.of(velocity), reference.record("slow_pool.fraction"),
                 Band.of(rate))  # fmt: skip


@dataclass(frozen=True)
class Unknowns:
    """The physical unknowns of a curve; arrays of shape (samples,). SI"""

    ln_d: np.ndarray
    ln_v: np.ndarray
    slow_share: np.ndarray
    slow_rate: np.ndarray

    @classmethod
    def of(cls, z: np.ndarray, prior: Prior) -> Unknowns:
        """Turn standard normal deviates (samples, 4) into draws of the prior."""
        return cls(
            _ln_quantile(z[:, 0], prior.diffusivity), _ln_quantile(z[:, 1], prior.velocity),
            _slow_share(z[:, 2], prior.slow_share), np.exp(_ln_quantile(z[:, 3], prior.slow_rate)),
        )  # fmt: skip

    def ln_share(self, curves: ReleaseCurves, which: np.ndarray) -> np.ndarray:
        """Log of the share left, the slow pool included. shape (times, samples)"""
        fast = np.exp(curves.ln_share_left(self.ln_d, self.ln_v, which))
        slow = np.exp(-self.slow_rate * curves.time_s[which][:, None])
        return np.log((1.0 - self.slow_share) * fast + self.slow_share * slow)


def steps(band: Band, z: np.ndarray) -> np.ndarray:
    """Width of one deviate in the log of a quantity, on either side of its median."""
    return np.where(z < 0.0, np.log(band.p50 / band.p05), np.log(band.p95 / band.p50)) / _Z95


def _ln_quantile(z: np.ndarray, band: Band) -> np.ndarray:
    return math.log(band.p50) + z * steps(band, z)


def _slow_share(z: np.ndarray, share: reference.Record) -> np.ndarray:
    u = np.clip(ndtr(z), 1e-12, 1.0 - 1e-12)
    return quantile(u, share.spread, share.value_si, share.low_si, share.high_si)


@dataclass(frozen=True)
class Coordinates:
    """Coordinates in which results pin down one thing each.

    Whatever the share Bi = v l / D of the surface, results give one diffusivity well: the one
    with which the whole curve fits best. It lies on a thin bent ridge over ln Bi, and the
    first coordinate is the distance in ln D from it. Likewise results give what is left of the
    slow pool at a late hour, not its start. In logs both turns, from (D, v) to (distance, Bi)
    and from (share, rate) to (left, rate), keep volumes whatever the ridge.
    """

    prior: Prior
    length_m: float
    late_s: float
    ridge: PchipInterpolator

    @classmethod
    def of(
        cls, prior: Prior, body: Body, late_s: float, curves: ReleaseCurves,
        fitness: Callable[[Unknowns], np.ndarray],
    ) -> Coordinates:  # fmt: skip
        """Find the ridge of a `fitness` of unknowns, the log likelihood of known results."""
        halves = 2.0 if body.open_faces == "both" and body.shape in ("sheet", "tube") else 1.0
        length_m = float(body.thickness_m) / halves
        (low_d, low_v), (high_d, high_v) = curves.low, curves.high
        ln_length = math.log(length_m)
        ln_bi = np.linspace(low_v - high_d, high_v - low_d, _RIDGE_NODES) + ln_length
        best = np.full(_RIDGE_NODES, 0.5 * (low_d + high_d))
        reach, count = 0.5 * (high_d - low_d), _RIDGE_FIRST
        for _ in range(_RIDGE_ZOOMS):
            tried = np.clip(best + np.linspace(-reach, reach, count)[:, None], low_d, high_d)
            ln_d = tried.ravel()
            middle = Unknowns(ln_d, np.tile(ln_bi, count) + ln_d - ln_length,
                              np.full(ln_d.shape, prior.slow_share.value_si),
                              np.full(ln_d.shape, prior.slow_rate.p50))  # fmt: skip
            found = fitness(middle).reshape(tried.shape)
            best = tried[np.argmax(found, axis=0), np.arange(_RIDGE_NODES)]
            reach, count = 2.0 * reach / (count - 1), _RIDGE_LATER
        return cls(prior, length_m, late_s, PchipInterpolator(ln_bi, best))

    def _ridge_ln_d(self, ln_bi: np.ndarray) -> np.ndarray:
        return self.ridge(np.clip(ln_bi, self.ridge.x[0], self.ridge.x[-1]))

    def points(self, found: Unknowns) -> np.ndarray:
        """Coordinates of unknowns, shape (samples, 4)."""
        ln_bi = found.ln_v + math.log(self.length_m) - found.ln_d
        ln_left = np.log(np.maximum(found.slow_share, 1e-300)) - found.slow_rate * self.late_s
        return np.column_stack([found.ln_d - self._ridge_ln_d(ln_bi), ln_bi, ln_left,
                                np.log(found.slow_rate)])  # fmt: skip

    def unknowns(self, x: np.ndarray) -> Unknowns:
        """Physical unknowns at these coordinates."""
        away, ln_bi, ln_left, ln_rate = x.T
        ln_d = away + self._ridge_ln_d(ln_bi)
        ln_v = ln_bi + ln_d - math.log(self.length_m)
        rate = np.exp(ln_rate)
        # Shares beyond what the prior allows have no weight; they only must stay numbers.
        share = np.exp(np.minimum(ln_left + rate * self.late_s, math.log(0.5)))
        return Unknowns(ln_d, ln_v, share, rate)

    def log_prior(self, x: np.ndarray) -> np.ndarray:
        """Log prior density in these coordinates, up to a constant."""
        found, prior = self.unknowns(x), self.prior
        total = np.log(found.slow_share) + _log_density(prior.slow_share, found.slow_share)
        for value, band in ((found.ln_d, prior.diffusivity), (found.ln_v, prior.velocity),
                            (np.log(found.slow_rate), prior.slow_rate)):  # fmt: skip
            away = value - math.log(band.p50)
            step = steps(band, away)
            total -= 0.5 * np.square(away / step) + np.log(step)
        return total


def _log_density(share: reference.Record, x: np.ndarray) -> np.ndarray:
    """Log density of a triangular spread, up to a constant; minus infinity outside."""
    low, mode, high = share.low_si, share.value_si, share.high_si
    rise = (x - low) / max(mode - low, 1e-300)
    fall = (high - x) / max(high - mode, 1e-300)
    with np.errstate(divide="ignore"):
        return np.log(np.maximum(np.minimum(np.minimum(rise, fall), 1.0), 0.0))
