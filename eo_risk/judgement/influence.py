"""What matters most: how much of a result's spread each uncertain input explains."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from scipy.stats import rankdata

from eo_risk import reference
from eo_risk.judgement.result import Influence
from eo_risk.judgement.risk import Variable

_SHOWN = 3
_BINS = 32  # of a given-data index; a technical size
_NOISE_ERRORS = 4.0  # standard errors an effect must exceed to be told from chance
_FIELD_WORDS = {
    "bore_mm": "bore of the lumen",
    "length_mm": "length of the lumen",
    "thickness_mm": "thickness",
    "wall_mm": "wall thickness",
    "outer_diameter_mm": "outer diameter",
    "mass_g": "mass",
    "material": "grade of the material",
    "faces": "open faces",
    "area_cm2": "outside area",
    "contact_area_cm2": "contact area",
    "measured_mg": "weighed water",
    "minutes": "drying time",
    "air_temperature_c": "temperature of the drying air",
    "air_rh_percent": "humidity of the drying air",
    "pressure_gauge_bar": "pressure of the drying air",
}


def ranks(samples: np.ndarray) -> np.ndarray:
    """Return centred ranks scaled to unit length, shape (samples,); ties share theirs."""
    order = rankdata(samples)
    order -= order.mean()
    return order / np.linalg.norm(order)


def words(name: str) -> str:
    """Name an input in plain words: a record by its quantity, a field by its label."""
    if name in reference.records():
        head = name.split(".")[0]
        quantity = reference.records()[name].quantity
        material = reference.materials().get(head)
        return quantity if material is None else f"{quantity} ({material.name})"
    return _FIELD_WORDS.get(name.rsplit(".", 1)[-1], name)


def first_order(target: np.ndarray, samples: np.ndarray) -> float:
    """Return the share of a target's variance that one input explains alone, of any shape.

    Parameters
    ----------
    target : ndarray, shape (samples,)
        A result. [any unit]
    samples : ndarray, shape (samples,)
        One input of it.

    Returns
    -------
    float
        First-order index, below zero only by chance. [-]

    Notes
    -----
    Given-data estimate of the first-order index: the samples are binned by the input, and the
    variance of the bin means is compared with the whole. The means of n samples in m bins
    scatter by chance alone by m - 1 shares of n - 1; that part is taken off (epsilon squared;
    T. L. Kelley 1935, "An unbiased correlation ratio measure"). An input with few values gives
    one bin to each. Source of the estimate: E. Plischke, E. Borgonovo and C. L. Smith 2013,
    "Global sensitivity measures from given data".
    """
    values, place = np.unique(samples, return_inverse=True)
    if values.size > _BINS:
        place = (rankdata(samples, method="ordinal") - 1).astype(int) * _BINS // samples.size
    counts = np.bincount(place)
    means = np.bincount(place, weights=target) / counts
    total = float(np.sum(np.square(target - target.mean())))
    if total == 0.0 or counts.size < 2 or counts.size >= target.size:
        return 0.0
    between = float(counts @ np.square(means - target.mean())) / total
    return 1.0 - (1.0 - between) * (target.size - 1) / (target.size - counts.size)


def shares(target: np.ndarray, variables: Mapping[str, Variable]) -> list[tuple[str, float]]:
    """Return each input's share of the spread of a target, largest first.

    Parameters
    ----------
    target : ndarray, shape (samples,)
        A result. [any unit]
    variables : mapping of Variable
        The inputs it was computed from, independent of each other.

    Returns
    -------
    list of (name, share)
        Share of the variance of the target's ranks that the input explains: the larger of the
        squared rank correlation, exact for a steady rise or fall, and the first-order index of
        the ranks, which also sees an effect that turns round or a choice between grades;
        shares below the sampling noise are left out. [-]
    """
    if np.ptp(target) == 0.0:
        return []
    goal = ranks(target)
    steady_noise = _NOISE_ERRORS**2 / target.size
    any_noise = _NOISE_ERRORS * np.sqrt(2.0 * (_BINS - 1)) / target.size
    found = []
    for name, variable in variables.items():
        if np.ptp(variable.samples) == 0.0:
            continue
        steady = float(ranks(variable.samples) @ goal) ** 2
        shaped = first_order(goal, variable.samples)
        share = max(steady if steady > steady_noise else 0.0,
                    shaped if shaped > any_noise else 0.0)  # fmt: skip
        if share > 0.0:
            found.append((name, min(share, 1.0)))
    return sorted(found, key=lambda pair: -pair[1])


def influences(
    target: np.ndarray, on: str, variables: Mapping[str, Variable]
) -> tuple[Influence, ...]:
    """Say in words which inputs explain most of the spread of a residue."""
    found = []
    for name, share in shares(target, variables)[:_SHOWN]:
        text = f"{words(name)} explains {100 * share:.0f} % of the spread of {on}"
        found.append(Influence(name, share, on, text))
    return tuple(found)
