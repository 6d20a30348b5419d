"""Groups against each other (packaging, position in the stack, family member).

Only measured curves are compared. A modelled factor, such as one for a packaging, is no
measurement and never supports a sentence here: the functions take fitted results only.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import stats

from eo_risk.measured.dissipation import (
    Decline,
    Points,
    can_fit_lots,
    lot_levels,
    pooled,
    usable_lots,
)

_MOST_LOTS = 200  # a plan for more lots than this is none


@dataclass(frozen=True)
class Reach:
    """When the line of a group meets the limit, and how well that is known. [h], [h2]

    `level_variance` is that of the level, with `level_freedom` degrees of freedom; the rest
    is that of the slope. `lots` is 0 when lots could not be told apart.
    """

    name: str
    hour: float
    level_variance: float
    level_freedom: int
    slope_variance: float
    slope_freedom: int
    lots: int

    def with_lots(self, lots: int) -> Reach:
        """The same group as it would be known from more lots, tested alike."""
        share = self.lots / lots
        freedom = round(self.slope_freedom / share)
        return Reach(self.name, self.hour, self.level_variance * share, lots - 1,
                     self.slope_variance * share, freedom, lots)  # fmt: skip


@dataclass(frozen=True)
class Comparison:
    """Group `name` against `reference`: how much later its line meets the limit. [h]

    `low_h` and `high_h` enclose the difference with the confidence on either side, so that
    `high_h` is the one-sided bound. `more_lots` of each group would bring the bound to the
    margin; None without a margin, when it is met, or when no number would.
    """

    name: str
    reference: str
    difference_h: float
    low_h: float
    high_h: float
    confidence: float
    margin_h: float | None
    within_margin: bool | None
    more_lots: int | None
    text: str


def reach_of(name: str, points: Points, ln_limit: float) -> Reach | None:
    """Find when a group's line meets the limit; None when it does not fall.

    Lots are a random factor where they can be told apart, else results are pooled. Delta
    method on (limit - level) / slope.
    """
    if can_fit_lots(points):
        rest, _ = usable_lots(points)
        levels, fit = lot_levels(rest)
        slope, middle = float(fit.coefficients[-1]), float(rest.hours.mean())
        level, lots = float(levels.mean()), len(levels)
        level_variance, freedom = float(np.var(levels, ddof=1)) / lots, lots - 1
        slope_variance, slope_freedom = float(fit.covariance[-1, -1]), fit.degrees_of_freedom
    else:
        line = pooled(points)
        slope, lots, c = line.slope_per_h, 0, line.covariance
        middle = -float(c[0, 1] / c[1, 1])  # where level and slope are independent
        level, level_variance = float(line.line(middle)), float(line.line_variance(middle))
        freedom = slope_freedom = line.degrees_of_freedom
        slope_variance = float(c[1, 1])
    if slope >= 0.0:
        return None
    hour = middle + (ln_limit - level) / slope
    return Reach(name, hour, level_variance / slope**2, freedom,
                 slope_variance * ((hour - middle) / slope) ** 2, slope_freedom, lots)  # fmt: skip


def _bound_h(a: Reach, b: Reach, confidence: float) -> float:
    """Half width of the interval of the difference (Welch 1947, Satterthwaite 1946). [h]"""
    parts = [(r.level_variance, r.level_freedom) for r in (a, b)]
    parts += [(r.slope_variance, r.slope_freedom) for r in (a, b)]
    total = sum(v for v, _ in parts)
    if total <= 0.0:
        return 0.0
    freedom = total**2 / sum(v**2 / f for v, f in parts)
    return float(stats.t.ppf(confidence, freedom)) * math.sqrt(total)


def _more_lots(a: Reach, b: Reach, confidence: float, margin_h: float) -> int | None:
    if not a.lots or not b.lots:
        return None
    difference = a.hour - b.hour
    for more in range(1, _MOST_LOTS):
        wider, other = a.with_lots(a.lots + more), b.with_lots(b.lots + more)
        if difference + _bound_h(wider, other, confidence) <= margin_h:
            return more
    return None


def _margin_text(comparison: Reach, high_h: float, margin_h: float, difference_h: float,
                 more: int | None) -> str:  # fmt: skip
    if high_h <= margin_h:
        return f"; within the margin of {margin_h:g} h"
    if more is not None:
        return (f"; above the margin of {margin_h:g} h: about {more} more lot(s) of each group "
                "would settle it if the difference stays")  # fmt: skip
    if difference_h >= margin_h:
        return (f"; above the margin of {margin_h:g} h, and so is the difference itself: more lots "
                "would not settle it")  # fmt: skip
    if not comparison.lots:
        return f"; above the margin of {margin_h:g} h: test two lots or more of each group"
    return f"; above the margin of {margin_h:g} h: no reasonable number of lots would settle it"


def compare(
    group: Reach, reference: Reach, confidence: float, margin_h: float | None = None
) -> Comparison:
    """Compare two groups by when their lines meet the limit.

    Parameters
    ----------
    group, reference : Reach
        The groups, from measured results.
    confidence : float
        Of the one-sided bound. [-]
    margin_h : float, optional
        Difference the user can live with. [h]

    Returns
    -------
    Comparison
        Never says that no difference was shown: it gives the bound.
    """
    difference = group.hour - reference.hour
    half = _bound_h(group, reference, confidence)
    low, high = difference - half, difference + half
    # Printed hours are rounded up: a bound never reads smaller than it is.
    shown = math.ceil(high * 10.0 - 1e-9) / 10.0
    words = f"at most {shown:g} h slower" if shown >= 0.0 else f"at least {-shown:g} h faster"
    text = (f"{group.name} is {words} than {reference.name} (one-sided "
            f"{100.0 * confidence:.4g} % bound); difference {difference:.1f} h, interval "
            f"{low:.1f} to {shown:g} h")  # fmt: skip
    within = more = None
    if margin_h is not None:
        within = high <= margin_h
        more = None if within else _more_lots(group, reference, confidence, margin_h)
        unknown_lots = group if not group.lots else reference
        text += _margin_text(unknown_lots, high, margin_h, difference, more)
    return Comparison(group.name, reference.name, difference, low, high, confidence, margin_h,
                      within, more, text)  # fmt: skip


@dataclass(frozen=True)
class Member:
    """One member of a family with the curve that rules it and its release hours. [h]"""

    name: str
    decline: Decline
    release_h: float | None


@dataclass(frozen=True)
class Ranked:
    """A member of the family, worst first, and why it stands there."""

    name: str
    release_h: float | None
    reason: str


def _margin(member: Member, confidence: float) -> float:
    hour = member.release_h
    return float(member.decline.upper(hour, confidence) - member.decline.line(hour))


def _reason(member: Member, best: Member, ln_limit: float, confidence: float) -> str:
    """Name what costs this member most hours against the best: start, rate or scatter."""
    own, other = member.decline, best.decline
    if own.slope_per_h >= 0.0:
        return "its residue does not fall"
    if member.release_h is None:
        return "its prediction limit never falls below the limit: too few results or much scatter"

    def hours(intercept: float, slope: float, margin: float) -> float:
        return (intercept + margin - ln_limit) / -slope

    a, b, m = own.intercept, own.slope_per_h, _margin(member, confidence)
    other_m = _margin(best, confidence)
    now = hours(a, b, m)
    saved = {
        f"starts higher: {math.exp(a):.3g} mg against {math.exp(other.intercept):.3g} mg at 0 h":
            now - hours(other.intercept, b, m),
        f"loses its residue more slowly: half in {math.log(2) / -b:.3g} h against "
        f"{math.log(2) / -other.slope_per_h:.3g} h": now - hours(a, other.slope_per_h, m),
        f"its results scatter more: margin times {math.exp(m):.3g} against "
        f"{math.exp(other_m):.3g}": now - hours(a, b, other_m),
    }  # fmt: skip
    return max(saved, key=saved.__getitem__)


def rank(members: Sequence[Member], ln_limit: float, confidence: float) -> tuple[Ranked, ...]:
    """Order the members of a family by their release hours, worst first, with the reason.

    A member without a release time is worse than any other.
    """
    def key(member: Member) -> float:
        return math.inf if member.release_h is None else member.release_h

    if not members:
        return ()
    ordered = sorted(members, key=key, reverse=True)
    best = ordered[-1]
    found = []
    for member in ordered:
        last = member is best and best.release_h is not None
        if last:
            reason = "the shortest time of the family"
        elif best.release_h is None:
            reason = "no member of the family has a release time"
        else:
            reason = _reason(member, best, ln_limit, confidence)
        found.append(Ranked(member.name, member.release_h, reason))
    return tuple(found)
