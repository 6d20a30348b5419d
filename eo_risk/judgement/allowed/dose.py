"""What of a residue reaches the patient, and when.

A limit of a period is compared with what leaves the device within that period, taken from the
curve of what is still left while the device is in contact. Release only falls with time, so the
first day is the worst day and the first 30 days the worst month.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from eo_risk.units import to_si

# A computed curve may be off by this share of its start: the accuracy of the layers.
_CURVE_ERROR = 1e-6


@dataclass(frozen=True)
class Counted:
    """The share of a residue that counts against the limits, and the words that say so."""

    share: float
    text: str


def counted(how: str = "whole", share_percent: float | None = None) -> Counted:
    """Return what of a residue counts: the whole of it, or what simulated use gives off.

    Parameters
    ----------
    how : str
        ``whole`` (as exhaustive extraction finds it) or ``simulated_use``.
    share_percent : float, optional
        Share that reaches the patient in simulated use; unknown, the whole counts. [%]

    Raises
    ------
    ValueError
        For another word, or a share outside 0 to 100 %.

    References
    ----------
    ISO 10993-7:2008, 4.4: simulated use is the reference method; exhaustive extraction stands
    for the case that all of the residue could reach the patient.
    """
    if how not in ("whole", "simulated_use"):
        raise ValueError(f"residue counted {how!r}; use whole or simulated_use")
    if how == "whole":
        return Counted(1.0, "the whole residue counts (as by exhaustive extraction)")
    if share_percent is None:
        return Counted(1.0, "simulated use is named without a share: the whole residue counts")
    if not 0.0 <= share_percent <= 100.0:
        raise ValueError(f"share reaching the patient is {share_percent:g} %; use 0 to 100 %")
    text = f"{share_percent:g} % of the residue counts (simulated use)"
    return Counted(to_si(share_percent, "%"), text)


def dose_over(time_s: ArrayLike, residue_left_kg: ArrayLike, period_s: float) -> np.ndarray:
    """Return what leaves a device in contact within a period from the start of contact. [kg]

    Parameters
    ----------
    time_s : array_like, shape (times,)
        Times since the start of contact, rising from 0. [s]
    residue_left_kg : array_like, shape (times, ...)
        What is still in the device, never rising; samples on the last axis. [kg]
    period_s : float
        The period. [s]

    Returns
    -------
    ndarray, shape (...)
        The dose. [kg] Where the curve ends before the period does, all that is left counts.

    Raises
    ------
    ValueError
        If times do not rise from 0, a residue is negative, rises or is no number, or the
        period is not positive.

    Notes
    -----
    Between two times the residue falls exponentially, which is exact for one rate constant.
    """
    time = np.asarray(time_s, dtype=float)
    left = np.asarray(residue_left_kg, dtype=float)
    _check_curve(time, left, period_s)
    left = np.maximum(left, 0.0)
    if period_s > time[-1]:
        return left[0].copy()
    after = max(int(np.searchsorted(time, period_s)), 1)
    share = (period_s - time[after - 1]) / (time[after] - time[after - 1])
    before, then = left[after - 1], left[after]
    # Nothing left at the end of a step has no logarithm: it then falls in a straight line.
    positive = then > 0.0
    ratio = np.divide(then, before, out=np.ones_like(then), where=positive)
    at_end = np.where(positive, before * ratio**share, before * (1.0 - share))
    return np.maximum(left[0] - at_end, 0.0)


def _check_curve(time: np.ndarray, left: np.ndarray, period_s: float) -> None:
    if not period_s > 0.0:
        raise ValueError(f"period_s is {period_s:g} s; give more than 0 s")
    if time.ndim != 1 or time.size < 2 or time[0] != 0.0 or not np.all(np.diff(time) > 0.0):
        raise ValueError("time_s must hold two times or more and rise from 0 s")
    if left.shape[:1] != time.shape:
        raise ValueError(f"residue_left_kg has {left.shape[0]} times, time_s {time.size}")
    allowed = _CURVE_ERROR * np.abs(left[0])
    if not np.all(np.isfinite(left)) or np.any(left < -allowed):
        raise ValueError("residue_left_kg holds a negative amount or no number")
    if np.any(np.diff(left, axis=0) > allowed):
        raise ValueError("residue_left_kg rises; it must be what is still in the device")


def daily_average_kg(time_s: ArrayLike, residue_left_kg: ArrayLike, days: float) -> np.ndarray:
    """Return the dose per day, averaged over the days of a contact category. [kg]

    Parameters
    ----------
    time_s, residue_left_kg : array_like
        As in `dose_over`.
    days : float
        Days of the category: ``LimitSet.days["day"]``. [d]
    """
    return dose_over(time_s, residue_left_kg, to_si(days, "d")) / days


def dose_shares(
    time_s: ArrayLike, residue_left_kg: ArrayLike, days: Mapping[str, float]
) -> dict[str, np.ndarray]:
    """Return, by period of a limit, the share of the residue that leaves within it. [-]

    Parameters
    ----------
    time_s, residue_left_kg : array_like
        As in `dose_over`; the curve in contact.
    days : mapping
        Days of each period, as in ``LimitSet.days``; the share of ``day`` is that of all the
        days over which the average is taken. [d]
    """
    left = np.asarray(residue_left_kg, dtype=float)
    start = np.where(left[0] > 0.0, left[0], 1.0)
    return {
        period: dose_over(time_s, left, to_si(length, "d")) / start
        for period, length in days.items()
    }
