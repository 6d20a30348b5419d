"""Dissipation curve: how long aeration must last until the next device is below its limit.

ln(mg per device) falls in a straight line over the hours. Two models answer: pooled, which
takes every result as independent, and lots, which takes the production lot as a random
factor and asks for a device of a new lot. Hours and mg are the units of a laboratory
report; the fit itself is dimensionless in ln(mg).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import stats
from scipy.optimize import brentq

from eo_risk.measured.censored_line import LinearFit, can_fit, fit_line
from eo_risk.measured.device_amounts import DeviceAmount

TOLERANCE_SHARE = 0.95  # of the devices, at this confidence as well: the 95/95 answer
_LEAST_LINE_ERROR = 1e-3  # of a line, in units of the scatter of a device
# Steps of the search, as shares of the last sampled hour; a line later has no meaning.
_SEARCH_SHARES = np.geomspace(1e-4, 50.0, 80)


@dataclass(frozen=True)
class Points:
    """Results of one substance and group, shape (n,): hours, ln(mg), below, lot."""

    hours: np.ndarray
    ln_mg: np.ndarray
    below: np.ndarray
    lots: np.ndarray

    @classmethod
    def of(cls, amounts: Sequence[DeviceAmount]) -> Points:
        """Gather results in the order of the table."""
        return cls(
            np.array([a.row.aeration_h for a in amounts], dtype=float),
            np.log([a.amount_mg for a in amounts]),
            np.array([a.below for a in amounts], dtype=bool),
            np.array([a.row.lot for a in amounts], dtype=object),
        )

    def where(self, chosen: np.ndarray) -> Points:
        """Keep the rows of a mask."""
        return Points(self.hours[chosen], self.ln_mg[chosen], self.below[chosen],
                      self.lots[chosen])  # fmt: skip

    @property
    def lot_names(self) -> list[str]:
        return sorted(set(self.lots.tolist()))

    def design(self) -> np.ndarray:
        """Columns of one common line: intercept and slope."""
        return np.column_stack([np.ones_like(self.hours), self.hours])

    def lot_design(self) -> np.ndarray:
        """Columns of a line per lot with a common slope: one intercept per lot, slope last."""
        columns = [(self.lots == lot).astype(float) for lot in self.lot_names]
        return np.column_stack([*columns, self.hours])


@dataclass(frozen=True)
class Decline:
    """A fitted line with what a prediction for the next device needs.

    The variance of the next device about the line at hour t is
    ``scatter_variance + (1, t) covariance (1, t)``; the margin is that many times a
    t-quantile with `degrees_of_freedom`.
    """

    model: str
    intercept: float
    slope_per_h: float
    covariance: np.ndarray
    scatter_variance: float
    degrees_of_freedom: int
    residual_sd: float
    n: int

    def line(self, hours: np.ndarray) -> np.ndarray:
        """ln(mg) of the line. [-]"""
        return self.intercept + self.slope_per_h * np.asarray(hours, dtype=float)

    def line_variance(self, hours: np.ndarray) -> np.ndarray:
        """Variance of the line itself at these hours. [-]"""
        t = np.asarray(hours, dtype=float)
        c = self.covariance
        return c[0, 0] + 2.0 * c[0, 1] * t + c[1, 1] * np.square(t)

    def upper(self, hours: np.ndarray, confidence: float) -> np.ndarray:
        """One-sided upper prediction limit of the next device, ln(mg). [-]"""
        quantile = stats.t.ppf(confidence, self.degrees_of_freedom)
        spread = np.sqrt(self.scatter_variance + self.line_variance(hours))
        return self.line(hours) + quantile * spread

    def tolerance(self, hours: np.ndarray, confidence: float, share: float) -> np.ndarray:
        """Upper limit that `share` of devices keep at this confidence, ln(mg). [-]

        By the noncentral t distribution, with the scatter of a device as unit.
        """
        sd = np.sqrt(self.scatter_variance)
        d = np.sqrt(self.line_variance(hours) / self.scatter_variance)
        # A line known better than this adds nothing: to six digits it is the limit d = 0.
        d = np.maximum(d, _LEAST_LINE_ERROR)
        z = stats.norm.ppf(share)
        factor = d * stats.nct.ppf(confidence, self.degrees_of_freedom, z / d)
        return self.line(hours) + factor * sd

    def crossing_h(self, ln_limit: float) -> float | None:
        """Hour at which the line meets the limit; None when it does not fall. [h]"""
        if self.slope_per_h >= 0.0:
            return None
        return max((ln_limit - self.intercept) / self.slope_per_h, 0.0)

    def release_h(self, ln_limit: float, confidence: float) -> float | None:
        """First hour at which the prediction limit is at or below the limit. [h]

        None when it never is. Beyond the hour at which the line meets the limit, the square
        of its distance must reach the square of the margin: a quadratic in the hours since.
        """
        if self.slope_per_h >= 0.0:
            return None
        if self.upper(0.0, confidence) <= ln_limit:
            return 0.0
        met_h = self.crossing_h(ln_limit)
        if met_h is None:
            return None
        q2 = stats.t.ppf(confidence, self.degrees_of_freedom) ** 2
        c = self.covariance
        square = self.slope_per_h**2 - q2 * c[1, 1]
        linear = -2.0 * q2 * (c[0, 1] + c[1, 1] * met_h)
        constant = -q2 * (self.scatter_variance + float(self.line_variance(met_h)))
        inside = linear**2 - 4.0 * square * constant
        # The constant is not positive: with a falling margin there is one root after the
        # crossing; with a margin that outgrows the line there are two or none.
        if inside < 0.0 or (square <= 0.0 and linear <= 0.0):
            return None
        root = math.sqrt(inside)
        if linear >= 0.0:
            after_h = -2.0 * constant / (linear + root) if constant else 0.0
        else:
            after_h = (root - linear) / (2.0 * square)
        return float(met_h + after_h)

    def tolerance_h(self, ln_limit: float, last_h: float) -> float | None:
        """First hour at which the 95/95 tolerance limit is at or below the limit. [h]"""

        def over(hour: float | np.ndarray) -> float | np.ndarray:
            return self.tolerance(hour, TOLERANCE_SHARE, TOLERANCE_SHARE) - ln_limit

        if self.slope_per_h >= 0.0:
            return None
        if over(0.0) <= 0.0:
            return 0.0
        met_h = self.crossing_h(ln_limit)
        if met_h is None:
            return None
        # The line itself must be below, so the search starts where it meets the limit.
        grid = met_h + last_h * np.concatenate([[0.0], _SEARCH_SHARES])
        below = np.flatnonzero(over(grid) <= 0.0)
        if not below.size:
            return None
        return float(brentq(over, grid[below[0] - 1], grid[below[0]], xtol=1e-9))


def _decline(model: str, fit: LinearFit, n: int) -> Decline:
    return Decline(model, float(fit.coefficients[0]), float(fit.coefficients[1]), fit.covariance,
                   fit.residual_sd**2, fit.degrees_of_freedom, fit.residual_sd, n)  # fmt: skip


def can_fit_pooled(points: Points) -> bool:
    """Tell whether the results carry a common line: three known values at two times."""
    return can_fit(points.design(), points.below)


def pooled(points: Points) -> Decline:
    """Fit one line to every result.

    The prediction limit is y + t s sqrt(1 + 1/n + (hour - mean)^2 / Sxx), from standard
    regression theory (Draper and Smith, Applied Regression Analysis, 3rd ed. 1998; from
    memory). Raises ValueError when the results carry no line.
    """
    fit = fit_line(points.design(), points.ln_mg, points.below)
    return _decline("pooled", fit, len(points.hours))


def usable_lots(points: Points) -> tuple[Points, list[str]]:
    """Drop lots without any known value; returns the rest and the names dropped."""
    dropped = [lot for lot in points.lot_names if np.all(points.below[points.lots == lot])]
    return points.where(~np.isin(points.lots, dropped)), dropped


def can_fit_lots(points: Points) -> bool:
    """Tell whether two lots or more carry a common slope and a scatter within lots."""
    rest, _ = usable_lots(points)
    return len(rest.lot_names) > 1 and can_fit(rest.lot_design(), rest.below)


def lot_levels(points: Points) -> tuple[np.ndarray, LinearFit]:
    """Level of every lot at the mean hour, with a common slope. ln(mg), shape (lots,)"""
    fit = fit_line(points.lot_design(), points.ln_mg, points.below)
    return fit.coefficients[:-1] + fit.coefficients[-1] * points.hours.mean(), fit


def by_lots(points: Points) -> Decline:
    """Fit a common slope with the lot as a random factor; predicts a device of a new lot.

    Margin: t(m - 1) sqrt(s_lot^2 (1 + 1/m) + s_within^2) for m lots, with s_lot the standard
    deviation of the lot levels. The levels carry some scatter of single results too, which
    is on the longer side. The error of the slope is not in it: beyond the sampled times the
    pooled line counts it, and the later of both rules. Raises ValueError when the results do
    not carry it.
    """
    rest, _ = usable_lots(points)
    levels, fit = lot_levels(rest)
    count = len(levels)
    between = float(np.var(levels, ddof=1))
    slope = float(fit.coefficients[-1])
    intercept = float(levels.mean() - slope * rest.hours.mean())
    covariance = np.diag([between / count, 0.0])
    return Decline("lots", intercept, slope, covariance, between + fit.residual_sd**2, count - 1,
                   fit.residual_sd, len(rest.hours))  # fmt: skip
