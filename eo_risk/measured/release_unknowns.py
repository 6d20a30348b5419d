"""What the layer model does not know of a device, and in which coordinates it is sought."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr, ndtri

from eo_risk import reference
from eo_risk.errors import Fault, InputError, unknown_name
from eo_risk.judgement.result import Band
from eo_risk.judgement.risk import Draw, quantile
from eo_risk.measured.release_curves import ReleaseCurves
from eo_risk.physics import properties
from eo_risk.physics.layer import Body

_Z95 = float(ndtri(0.95))


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

    Late release of a layer goes with one time, close to l^2 / D (4 / pi^2 + 1 / Bi) with
    Bi = v l / D for a sheet of half thickness l (Crank, The Mathematics of Diffusion, 2nd ed.
    1975, first root with surface resistance): results give that time well, the share of the
    surface in it poorly. Likewise they give what is left of the slow pool at a late hour, not
    its start. In logs both turns, from (D, v) to (time, Bi) and from (share, rate) to (left,
    rate), keep volumes.
    """

    prior: Prior
    length_m: float
    late_s: float

    @classmethod
    def of(cls, prior: Prior, body: Body, late_s: float) -> Coordinates:
        halves = 2.0 if body.open_faces == "both" and body.shape in ("sheet", "tube") else 1.0
        return cls(prior, float(body.thickness_m) / halves, late_s)

    def _ln_time_times_d(self, ln_bi: np.ndarray) -> np.ndarray:
        return 2.0 * math.log(self.length_m) + np.log(4.0 / math.pi**2 + np.exp(-ln_bi))

    def points(self, found: Unknowns) -> np.ndarray:
        """Coordinates of unknowns, shape (samples, 4)."""
        ln_bi = found.ln_v + math.log(self.length_m) - found.ln_d
        ln_left = np.log(np.maximum(found.slow_share, 1e-300)) - found.slow_rate * self.late_s
        return np.column_stack([self._ln_time_times_d(ln_bi) - found.ln_d, ln_bi, ln_left,
                                np.log(found.slow_rate)])  # fmt: skip

    def unknowns(self, x: np.ndarray) -> Unknowns:
        """Physical unknowns at these coordinates."""
        ln_time, ln_bi, ln_left, ln_rate = x.T
        ln_d = self._ln_time_times_d(ln_bi) - ln_time
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
