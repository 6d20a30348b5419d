"""What a dissipation curve must be looked at for: lots that differ, a break, odd results.

Every test compares two nested lines by their likelihoods, so that values below the
detection limit count for what they say; without such values it is the usual F test.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy import stats

from eo_risk.judgement.result import Caution
from eo_risk.measured.censored_line import LinearFit, can_fit, fit_line
from eo_risk.measured.dissipation import Points, lot_levels, usable_lots

SIGNIFICANCE = 0.05
_NORMALITY = 0.01  # many curves are checked; only a clear departure is worth a word
_FEWEST_FOR_NORMALITY = 8
_SLOWER = 2.0 / 3.0  # a smaller change of the rate is a bend, not a break (own choice)
_FEWEST_TAIL_TIMES = 3  # common practice, no source: three times beyond the break
_FEWEST_LOTS = 3  # common practice, no source: three lots, five times
_FEWEST_TIMES = 5


@dataclass(frozen=True)
class Break:
    """A fast phase that turns into a slow one: from which hour the results are slow."""

    hour: float
    tail: Points | None  # the slow results, when they are enough for a line of their own


@dataclass(frozen=True)
class CurveChecks:
    """What was found: cautions, and the break if there is one."""

    cautions: tuple[Caution, ...]
    slow_from: Break | None


def nested_p(small: LinearFit, large: LinearFit, extra: int, known: int) -> float:
    """Chance of so much better a fit if the `extra` terms were nothing. [-]

    F from the likelihoods; with every value known it is the F of the sums of squares.
    """
    gain = max(math.expm1(2.0 * (large.log_likelihood - small.log_likelihood) / known), 0.0)
    return float(stats.f.sf(gain * large.degrees_of_freedom / extra, extra,
                            large.degrees_of_freedom))  # fmt: skip


def _try(design: np.ndarray, points: Points) -> LinearFit | None:
    if not can_fit(design, points.below):
        return None
    return fit_line(design, points.ln_mg, points.below)


def _known(points: Points) -> int:
    return int(np.count_nonzero(~points.below))


def _base(points: Points) -> np.ndarray:
    """Design with a level per lot where lots can be told apart, else one line."""
    design = points.lot_design()
    return design if can_fit(design, points.below) else points.design()


def odd_lots(points: Points) -> list[tuple[str, float]]:
    """Lots whose level differs from the mean of the others, with the ratio, oddest first.

    Needs three lots: of two that differ, neither is the odd one. t tests with the scatter
    within lots, Bonferroni over the lots.
    """
    names = points.lot_names
    count = len(names)
    if count < 3 or not can_fit(points.lot_design(), points.below):
        return []
    levels, fit = lot_levels(points)
    found = []
    for i, name in enumerate(names):
        contrast = np.append(np.full(count, -1.0 / (count - 1)), 0.0)
        contrast[i] = 1.0
        difference = float(contrast[:-1] @ levels)
        error = math.sqrt(contrast @ fit.covariance @ contrast)
        p = 2.0 * stats.t.sf(abs(difference) / error, fit.degrees_of_freedom)
        if p * count < SIGNIFICANCE:
            found.append((name, math.exp(difference)))
    return sorted(found, key=lambda entry: -abs(math.log(entry[1])))


def _lots(points: Points) -> list[Caution]:
    rest, dropped = usable_lots(points)
    found = []
    if len(rest.lot_names) < _FEWEST_LOTS:
        found.append(Caution("few_lots", "warn", f"{len(rest.lot_names)} lot(s) with results "
                             f"above the detection limit; {_FEWEST_LOTS} or more are usual.",
                             "Test more lots."))  # fmt: skip
    if dropped:
        found.append(Caution("lot_below_detection", "inform", "all results below detection: lot "
                             f"{', '.join(dropped)}; counted in the pooled line only.",
                             ""))  # fmt: skip
    one, many = _try(rest.design(), rest), _try(rest.lot_design(), rest)
    extra = len(rest.lot_names) - 1
    if not extra or one is None or many is None:
        return found
    if nested_p(one, many, extra, _known(rest)) < SIGNIFICANCE:
        odd = [f"lot {name} is {100.0 * abs(ratio - 1.0):.0f} % "
               f"{'above' if ratio > 1.0 else 'below'} the others"
               for name, ratio in odd_lots(rest)]  # fmt: skip
        found.append(
            Caution("lot_differs", "warn", "Lots differ by more than results within a lot"
                    + (f": {'; '.join(odd)}." if odd else "."),
                    "Find the cause; the model by lots allows for it.")
        )  # fmt: skip
    steep = [(rest.lots == lot) * (rest.hours - rest.hours.mean()) for lot in rest.lot_names[1:]]
    own = _try(np.column_stack([rest.lot_design(), *steep]), rest)
    if own is not None and nested_p(many, own, extra, _known(rest)) < SIGNIFICANCE:
        found.append(Caution("slopes_differ", "warn", "Lots lose their residue at different "
                             "rates; a common slope does not hold.",
                             "Look at each lot by itself (--only lot=NAME)."))  # fmt: skip
    return found


def slow_phase(points: Points) -> Break | None:
    """Find a fast phase that turns slow: a line that bends upwards, and where it bends best.

    Extrapolating from the fast phase gives too short a time: a slow tail was seen for
    ethylene oxide in plastics (Komarkova et al. 1983). The bend must be more than chance and
    the slow rate less than two thirds of the fast one.
    """
    base = _base(points)
    middle, width = points.hours.mean(), np.ptp(points.hours)
    if width == 0.0:
        return None
    straight = _try(base, points)
    square = np.square((points.hours - middle) / width)
    bent = _try(np.column_stack([base, square]), points)
    if straight is None or bent is None or bent.coefficients[-1] <= 0.0:
        return None
    if nested_p(straight, bent, 1, _known(points)) / 2.0 >= SIGNIFICANCE:
        return None
    times = np.unique(points.hours)
    fits = {}
    for hour in times[1:-1]:
        hinged = _try(np.column_stack([base, np.maximum(points.hours - hour, 0.0)]), points)
        if hinged is not None:
            fits[float(hour)] = hinged
    if not fits:
        return None
    hour = max(fits, key=lambda h: fits[h].log_likelihood)
    fast, change = fits[hour].coefficients[-2:]
    if fast >= 0.0 or fast + change < _SLOWER * fast:
        return None
    tail = points.where(points.hours >= hour)
    enough = len(np.unique(tail.hours)) >= _FEWEST_TAIL_TIMES
    if not enough or not can_fit(tail.design(), tail.below):
        return Break(hour, None)
    # What looks slow beside the fast phase may itself turn slower still.
    later = slow_phase(tail)
    return later if later is not None and later.tail is not None else Break(hour, tail)


def _residuals(points: Points) -> list[Caution]:
    fit = _try(_base(points), points)
    if fit is None:
        return []
    known = fit.residuals[~points.below]
    found = []
    if len(known) >= _FEWEST_FOR_NORMALITY and np.ptp(known) > 0.0:
        if stats.shapiro(known).pvalue < _NORMALITY:
            found.append(Caution("scatter_not_normal", "warn", "The scatter about the line is not "
                                 "normal; the limits assume it is.",
                                 "Look for odd results."))  # fmt: skip
    # The oddest result by leverage-corrected size (externally studentised, Bonferroni).
    design = _base(points)[~points.below]
    n, terms = design.shape
    if n - terms - 1 < 1 or fit.residual_sd < 1e-8:
        return found
    leverage = np.einsum("ij,ji->i", design, np.linalg.pinv(design))
    room = np.maximum(1.0 - leverage, 1e-9)
    others = np.maximum(np.sum(np.square(known)) - np.square(known) / room, 1e-300)
    size = np.abs(known) / np.sqrt(others / (n - terms - 1) * room)
    worst = int(np.argmax(size))
    if 2.0 * stats.t.sf(size[worst], n - terms - 1) * n < SIGNIFICANCE:
        lot = points.lots[~points.below][worst]
        hour = points.hours[~points.below][worst]
        found.append(Caution("odd_result", "warn", f"The result of lot {lot} at {hour:g} h lies "
                             "far off the line.",
                             "Ask the laboratory; do not drop it without a cause."))  # fmt: skip
    return found


def check_curve(points: Points) -> CurveChecks:
    """Look at a curve before its answer is believed."""
    found = _lots(points)
    times = np.unique(points.hours)
    if len(times) < _FEWEST_TIMES:
        found.append(Caution("few_times", "warn", f"{len(times)} aeration times; "
                             f"{_FEWEST_TIMES} or more are usual.",
                             "Test at more times."))  # fmt: skip
    if count := int(np.count_nonzero(points.below)):
        found.append(Caution("below_detection", "inform", f"{count} result(s) below the limit of "
                             "the method, counted as such.", ""))  # fmt: skip
    slow = slow_phase(points)
    if slow is not None:
        follow = ("the slow results are fitted beside it" if slow.tail is not None
                  else "too few slow results for a line of their own")  # fmt: skip
        found.append(Caution("fast_then_slow", "warn", "The decline is fast, then slow from about "
                             f"{slow.hour:g} h on: one line is too early; {follow}.",
                             "Test at later times."))  # fmt: skip
    return CurveChecks((*found, *_residuals(points)), slow)
