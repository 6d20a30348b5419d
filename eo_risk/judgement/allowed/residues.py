"""Residues against limits: rows, verdict, and the hours of aeration that are needed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from eo_risk.judgement.allowed.contact_area import ContactArea
from eo_risk.judgement.cautions import blocks
from eo_risk.judgement.limits import Limit
from eo_risk.judgement.result import Band, Caution, Residue, Verdict

# Models of where leftover water sits; a ceiling and a wet spot are shown, the ceiling never
# rules.
FORMS = ("whole", "film", "plug")

_GONE = 1e-12  # of a limit: nothing is left, below what the layers resolve


@dataclass(frozen=True)
class Amounts:
    """What is left in one item, by model. [kg], each shape (samples,)

    `ech` is keyed by model and buffering. `wet_spot` is EO dissolved in leftover water over
    the area it wets. [kg/m2] `dose_share` gives, by period, the share of the EO residue that
    leaves the item within it; a period it does not name counts the whole.
    """

    eo: Mapping[str, np.ndarray]
    ech: Mapping[tuple[str, str | None], np.ndarray]
    eg: Mapping[str, np.ndarray]
    wet_spot: np.ndarray | None = None
    dose_share: Mapping[str, np.ndarray] = field(default_factory=dict)
    days: Mapping[str, float] = field(default_factory=dict)


def _against(amount: np.ndarray, limit: Limit, area: ContactArea, amounts: Amounts) -> np.ndarray:
    """Turn an amount per piece into the quantity a limit is written in. [SI]"""
    share = amounts.dose_share.get(limit.period)
    if share is not None and limit.substance == "EO":
        amount = amount * share
    if limit.quantity == "ug_per_cm2":
        return area.residue(amount)
    if limit.period == "day":
        return amount / amounts.days["day"]
    return amount


def _row(
    limit: Limit, samples: np.ndarray, model: str, buffering: str | None, *, used: bool
) -> Residue:
    if not np.all(np.isfinite(samples)):
        # A number that is none must never pass for a small one.
        raise FloatingPointError(f"{limit.substance} as {model} is not a finite number")
    over = error = None
    if limit.limit_si is not None and limit.kind == "limit":
        over = float(np.mean(samples > limit.limit_si))
        error = float(np.sqrt(over * (1.0 - over) / samples.size))
    return Residue(
        limit.substance, limit.quantity, limit.period, model, Band.of(samples), limit.limit_si,
        limit.unit, limit.kind, limit.basis, used, buffering, limit.clause, limit.confidence,
        over, error,
    )  # fmt: skip


def _ruling(candidates: Mapping[object, np.ndarray]) -> object:
    """Name the form that leaves more: the one with the larger 95 % point."""
    return max(candidates, key=lambda key: float(np.quantile(candidates[key], 0.95)))


def residue_rows(
    limits: Sequence[Limit], amounts: Amounts, area: ContactArea
) -> tuple[Residue, ...]:
    """Compare every substance with every limit or reference, in every model.

    Parameters
    ----------
    limits : sequence of Limit
        The limits of this contact and patient, and the chosen screening reference of EG.
    amounts : Amounts
        What is left per piece. [kg]
    area : ContactArea
        What touches the patient.
    """
    rows: list[Residue] = []
    for limit in limits:
        if limit.substance == "ECH":
            table = dict(amounts.ech)
            ruling = _ruling({k: v for k, v in table.items() if k[1] != "unbuffered"})
        else:
            table = {(m, None): v for m, v in (amounts.eo if limit.substance == "EO"
                                               else amounts.eg).items()}  # fmt: skip
            ruling = _ruling({k: v for k, v in table.items() if k[0] in FORMS})
        for (model, buffering), amount in table.items():
            samples = _against(amount, limit, area, amounts)
            used = (model, buffering) == ruling and limit.for_verdict
            rows.append(_row(limit, samples, model, buffering, used=used))
        spot = limit.substance == "EO" and limit.quantity == "ug_per_cm2"
        if spot and amounts.wet_spot is not None:
            rows.append(_row(limit, amounts.wet_spot, "wet_spot", None, used=limit.for_verdict))
    return tuple(rows)


def glycol_over(rows: Sequence[Residue]) -> bool:
    """Tell whether the 95 % point of EG, as film or whole, is above its reference."""
    return any(
        row.substance == "EG"
        and row.model in ("whole", "film")
        and row.limit is not None
        and row.band.p95 > row.limit
        for row in rows
    )


def decide(
    rows: Sequence[Residue], cautions: tuple[Caution, ...], missing: Sequence[str]
) -> Verdict:
    """Give the verdict of one item; the first rule that matches wins."""
    ruling = [row for row in rows if row.used_for_verdict]
    with_limit = [row for row in ruling if row.limit is not None]
    if blocks(cautions) or any(row.band.p05 > row.limit for row in with_limit):
        return "Hold"
    if missing or len(with_limit) < len(ruling) or not ruling:
        return "Not assessed"
    if any(row.band.p95 > row.limit for row in with_limit):
        return "Close"
    return "Within"


def inside_from(
    time_s: np.ndarray,
    amount: np.ndarray,
    limit: np.ndarray | float,
    dry_s: np.ndarray | float = np.inf,
) -> np.ndarray:
    """Return the time from which each sample stays inside its limit. [s], shape (samples,)

    Parameters
    ----------
    time_s : ndarray, shape (times,)
        Times since the end of the last air wash, rising. [s]
    amount : ndarray, shape (times, samples)
        Amounts over time.
    limit : ndarray of shape (samples,) or float
        What they are compared with, in the same unit.
    dry_s : ndarray of shape (samples,) or float
        When the water it is dissolved in has gone. [s]

    Returns
    -------
    ndarray, shape (samples,)
        Infinite where the last amount is still above the limit. Between two times a sample is
        taken to fall exponentially, as diffusion does once it is under way, bent towards how it
        falls before and after; or evenly where nothing is left at the later one: water that dries
        up loses most of its EO with its last drop, and more of it early on.
    """
    level = amount / limit
    above = level > 1.0
    last = time_s.size - 1 - np.argmax(above[::-1], axis=0)
    # The two times it comes inside between, and one more on either side where there is one.
    rows = np.clip(last + np.arange(-1, 3)[:, None], 0, time_s.size - 1)
    near, at_s = np.take_along_axis(level, rows, axis=0), time_s[rows]
    high, gone = np.maximum(near[1], 1.0), near[2:] < _GONE
    lasts, fall = np.diff(at_s, axis=0), -np.diff(np.log(np.maximum(near, _GONE)), axis=0)
    lasts[2:] *= ~gone[1:]  # what follows tells nothing once all has gone
    share = np.where(gone[0], 1.0 - 1.0 / high, _share_of_time(lasts, fall, np.log(high)))
    end = np.where(gone[0], np.clip(dry_s, at_s[1], at_s[2]), at_s[2])
    found = at_s[1] + share * (end - at_s[1])
    return np.where(above[-1], np.inf, np.where(above.any(axis=0), found, 0.0))


def _share_of_time(lasts: np.ndarray, fall: np.ndarray, wanted: np.ndarray) -> np.ndarray:
    """Return the share of the middle of three intervals in which as much as `wanted` falls.

    Parameters
    ----------
    lasts, fall : ndarray, shape (3, samples)
        How long the intervals last, 0 for one that is none, and what falls in each.
    wanted : ndarray, shape (samples,)
        Of what falls in the middle one.

    Notes
    -----
    Monotone rational quadratic [1]_, with the pace at either end the geometric mean of that in
    the two intervals that meet there [2]_, 0 where what falls rose before or rises after.

    References
    ----------
    .. [1] J. A. Gregory, R. Delbourgo, Piecewise rational quadratic interpolation to monotonic
       data, IMA Journal of Numerical Analysis 2, 123-130, 1982.
    .. [2] R. Delbourgo, J. A. Gregory, The determination of derivative parameters for a monotonic
       rational quadratic interpolant, IMA Journal of Numerical Analysis 5, 397-406, 1985.
    """
    middle_fall, middle_lasts = (np.where(of[1] > 0.0, of[1], 1.0) for of in (fall, lasts))
    beside_fall, beside_lasts = np.maximum(fall[::2], 0.0) / middle_fall, lasts[::2] / middle_lasts
    there = beside_lasts > 0.0
    # Pace of the intervals beside, then at either end, in units of the mean one of the middle.
    pace = np.where(there, beside_fall / np.where(there, beside_lasts, 1.0), 1.0)
    start, end = pace ** (1.0 / (1.0 + beside_lasts))
    share = wanted / middle_fall
    bend = share * (start + end - 2.0)
    linear, square = start - bend, 1.0 - start + bend
    root = np.sqrt(np.maximum(np.square(linear) + 4.0 * square * share, 0.0))
    return 2.0 * share / np.maximum(linear + root, np.finfo(float).tiny)


def quantile_s(times_s: np.ndarray, quantile: float, *, at_once: bool = False) -> float | None:
    """Return a quantile of times, None where it is infinite. [s]

    The same quantile of the amounts is a mixture of two samples. Where these fall `at_once`, as in
    water that dries up, it is inside only when both are: then the later time of the two.
    """
    later = float(np.quantile(times_s, quantile, method="higher"))
    if np.isinf(later):
        return None
    return later if at_once else float(np.quantile(times_s, quantile))
