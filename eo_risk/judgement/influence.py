"""What matters most: how much of a result's spread each uncertain input explains."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from scipy.stats import rankdata

from eo_risk import reference
from eo_risk.judgement.result import Influence
from eo_risk.judgement.risk import Variable

_SHOWN = 3
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
        Squared rank correlation, the share of the rank variance a monotone effect of that
        input explains; shares below the sampling noise are left out. [-]
    """
    if np.ptp(target) == 0.0:
        return []
    goal = ranks(target)
    noise = 9.0 / target.size  # three standard errors of a rank correlation, squared
    found = []
    for name, variable in variables.items():
        if np.ptp(variable.samples) == 0.0:
            continue
        share = float(ranks(variable.samples) @ goal) ** 2
        if share > noise:
            found.append((name, share))
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
