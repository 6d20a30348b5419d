"""What staff may breathe and what law asks around a steriliser: dated records by jurisdiction.

Nothing here decides about an item. A jurisdiction without a record is not assessed; the figure
of another one never stands in.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from eo_risk import reference, units
from eo_risk.errors import InputError, unknown_name
from eo_risk.reference import ExposureLimit, WorkplaceRule

# Holds everywhere: hazards of the substance itself.
_ANYWHERE = "any"


def _taking_part(jurisdiction: str) -> tuple[str, ...]:
    known = reference.document("exposure")["jurisdictions"]
    if jurisdiction not in known:
        choices = [name for name in known if name != _ANYWHERE]
        do = "Name the jurisdiction the site works under."
        raise InputError([unknown_name("jurisdiction", jurisdiction, choices, do)])
    return (jurisdiction, *known[jurisdiction], _ANYWHERE)


def _stands(
    entry: ExposureLimit | WorkplaceRule, places: Sequence[str], setting: str, on: str
) -> bool:
    here = entry.jurisdiction in places and entry.setting in ("any", setting)
    return here and (not on or entry.from_date <= on)


def exposure_limits_for(
    jurisdiction: str, substance: str = "EO", *, setting: str = "health_care", on: str = ""
) -> tuple[ExposureLimit, ...]:
    """Return the exposure figures of one jurisdiction, its wider ones and the hazards.

    Parameters
    ----------
    jurisdiction : str
        ``us``, ``eu``, ``uk``, ``de``, ``fr``, ``ca``, ``jp`` or ``kr``.
    substance : str
        ``EO``, ``ECH`` or ``EG``.
    setting : str
        ``health_care`` or ``commercial``.
    on : str, optional
        A day as ISO 8601 text; figures that begin later are left out. Without it all stand.

    Raises
    ------
    InputError
        For an unknown jurisdiction.
    """
    places = _taking_part(jurisdiction)
    return tuple(
        limit for limit in reference.exposure_limits().values()
        if limit.substance == substance and _stands(limit, places, setting, on)
    )  # fmt: skip


def rules_for(
    jurisdiction: str, *, setting: str = "health_care", on: str = ""
) -> tuple[WorkplaceRule, ...]:
    """Return the legal and practice rules of one jurisdiction; as `exposure_limits_for`."""
    places = _taking_part(jurisdiction)
    return tuple(
        rule for rule in reference.workplace_rules().values()
        if _stands(rule, places, setting, on)
    )  # fmt: skip


def limit_ppm(limit: ExposureLimit) -> float:
    """Return a figure by volume, ideal gas at the convention of the records. [ppm]"""
    if limit.unit == "ppm":
        return limit.value
    convention = reference.document("exposure")["conversion"]
    kelvin = units.celsius_to_kelvin(convention["temperature_c"])
    moles = units.to_si(convention["pressure_kpa"], "kPa") / units.GAS_CONSTANT_J_PER_MOL_K / kelvin
    molar_mass = reference.record(f"{limit.substance.lower()}.molar_mass").value_si
    return units.from_si(units.to_si(limit.value, limit.unit) / (moles * molar_mass), "ppm")


def state(level: float, figure: float) -> Literal["below", "at", "above"]:
    """Say how a level stands to a figure in the same unit; equal to rounding is ``at``."""
    if np.isclose(level, figure, rtol=1e-9, atol=0.0):
        return "at"
    return "above" if level > figure else "below"


def state_text(level_ppm: float, limits: Sequence[ExposureLimit], averaging: str) -> str:
    """Say which figures of one averaging time a level has reached, and which comes next.

    Parameters
    ----------
    level_ppm : float
        The level, averaged over the same time. [ppm]
    limits : sequence of ExposureLimit
        As `exposure_limits_for` returns them.
    averaging : str
        ``8h``, ``15min``, ``10min``, ``1h``, ``24h`` or ``peak``.

    Returns
    -------
    str
        ``Not assessed`` when no figure of this averaging time is held.
    """
    figures: dict[float, list[str]] = {}
    for limit in limits:
        if limit.averaging == averaging:
            figures.setdefault(limit_ppm(limit), []).append(limit.name)
    if not figures:
        return f"Not assessed: no {averaging} figure is held for this jurisdiction"
    reached = [f for f in sorted(figures) if state(level_ppm, f) != "below"]
    ahead = [f for f in sorted(figures) if state(level_ppm, f) == "below"]
    parts = [f"{state(level_ppm, f)} {' and '.join(figures[f])}" for f in (*reached[-1:],
                                                                           *ahead[:1])]  # fmt: skip
    return ", ".join(parts)


def time_weighted_average(
    levels: ArrayLike, durations_s: ArrayLike, window_s: float
) -> np.ndarray:
    """Return the average of a level over a window, the rest of it at zero.

    Parameters
    ----------
    levels : array_like, shape (intervals, ...)
        Mean level in each interval, samples on the last axis. [any unit]
    durations_s : array_like, shape (intervals,)
        Length of each interval. [s]
    window_s : float
        Length of the window, not less than the intervals together. [s]

    Raises
    ------
    ValueError
        If a level or duration is negative, or the intervals outlast the window.
    """
    level, duration = np.asarray(levels, dtype=float), np.asarray(durations_s, dtype=float)
    if np.any(level < 0.0) or np.any(duration < 0.0):
        raise ValueError("levels and durations_s must not be negative")
    if duration.sum() > window_s * (1.0 + 1e-12):
        raise ValueError(f"{duration.sum():g} s of intervals do not fit into {window_s:g} s")
    return np.tensordot(duration, level, axes=1) / window_s
