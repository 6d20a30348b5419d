"""Results at one aeration time: no curve, but still something about the next device."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy import stats

from eo_risk.judgement.result import Caution
from eo_risk.measured.censored_line import can_fit, fit_line
from eo_risk.measured.curve_checks import SIGNIFICANCE, nested_p
from eo_risk.measured.dissipation import Points

NO_RELEASE_TIME = "one time point: no release time can be derived"


def stands_above(amount_mg: float, below: bool, limit_mg: float) -> bool | None:
    """Tell whether a result is above a limit; None when it leaves that open.

    A result below a detection limit that itself is above the limit proves nothing.
    """
    return amount_mg > limit_mg if not below or amount_mg <= limit_mg else None


@dataclass(frozen=True)
class OneTime:
    """Results at one time, mg per device.

    Where results lie below detection they count as their limit in `mean_mg` and
    `highest_mg`, which are then upper ends. `next_upper_mg` is None when fewer than two
    results are known. `share_below` is the chance, without any model of the scatter, that
    the next device is also below the highest, n / (n + 1).
    """

    hours: float
    n: int
    below: int
    mean_mg: float
    geometric_mean_mg: float
    highest_mg: float
    next_upper_mg: float | None
    share_below: float
    cautions: tuple[Caution, ...]


def one_time(points: Points, confidence: float) -> OneTime:
    """Describe results at one aeration time.

    Parameters
    ----------
    points : Points
        Two results or more, all at the same hour.
    confidence : float
        Of the one-sided upper prediction limit of the next device. [-]

    Returns
    -------
    OneTime

    Raises
    ------
    ValueError
        For fewer than two results or several hours.

    Notes
    -----
    Limit on the log scale: exp(mean + t(n - 1) s sqrt(1 + 1/n)), standard normal theory;
    results below detection enter by maximum likelihood.
    """
    if len(points.hours) < 2 or np.ptp(points.hours) > 0.0:
        raise ValueError("two results or more at one aeration time are needed")
    count = len(points.hours)
    censored = int(np.count_nonzero(points.below))
    amounts = np.exp(points.ln_mg)
    found = []
    if censored == count:
        found.append(Caution("all_below_detection", "inform", f"All {count} results are below the "
                             f"limit of the method, at most {amounts.max():.3g} mg per device.",
                             ""))  # fmt: skip
    elif censored:
        found.append(Caution("below_detection", "inform", f"{censored} of {count} results are "
                             "below the limit of the method.", ""))  # fmt: skip
    upper = None
    level = np.ones((count, 1))
    if can_fit(level, points.below):
        fit = fit_line(level, points.ln_mg, points.below)
        margin = stats.t.ppf(confidence, fit.degrees_of_freedom) * math.sqrt(
            fit.residual_sd**2 + fit.covariance[0, 0]
        )
        upper = math.exp(fit.coefficients[0] + margin)
        by_lot = points.lot_design()[:, :-1]
        extra = by_lot.shape[1] - 1
        if extra and can_fit(by_lot, points.below):
            lots = fit_line(by_lot, points.ln_mg, points.below)
            if nested_p(fit, lots, extra, count - censored) < SIGNIFICANCE:
                found.append(Caution("lot_differs", "warn", "Lots differ by more than results "
                                     "within a lot; the limit of the next device holds for these "
                                     "lots, not for a new one.", "Test more lots."))  # fmt: skip
    found.append(Caution("one_time_point", "warn", f"{NO_RELEASE_TIME}.",
                         "Test at several aeration times."))  # fmt: skip
    return OneTime(
        float(points.hours[0]), count, censored, float(amounts.mean()),
        float(np.exp(points.ln_mg.mean())), float(amounts.max()), upper, count / (count + 1),
        tuple(found),
    )  # fmt: skip
