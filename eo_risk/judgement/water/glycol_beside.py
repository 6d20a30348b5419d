"""What stands beside the EG of an item: diethylene glycol, and what the aeration carried off."""

from __future__ import annotations

import numpy as np

from eo_risk import units
from eo_risk.judgement.result import Band, GlycolBeside
from eo_risk.judgement.water.wetness import ItemWater
from eo_risk.physics import properties


def _removed_kg(water: ItemWater) -> np.ndarray:
    """Return EG that left in the aeration, all water as film. [kg], shape (samples,)"""
    return (water.film.reacted[-1] - water.film.glycol[-1]) * properties.glycol_per_eo()


def glycol_beside(water: ItemWater) -> GlycolBeside:
    """Return both for one item; nothing is removed unless the plan asks for the credit."""
    removed = None if water.path.credit is None else Band.of(_removed_kg(water))
    diethylene = water.film.diethylene * np.ones(water.path.inputs.samples)
    return GlycolBeside(Band.of(diethylene), removed)


def removed_words(water: ItemWater) -> str:
    """Say how much EG is credited as gone."""
    points = np.quantile(_removed_kg(water), (0.05, 0.5, 0.95))
    low, middle, high = (f"{units.from_si(float(point), 'mg'):.2g}" for point in points)
    return f"{middle} mg EG ({low} to {high}) of this item, as film"
