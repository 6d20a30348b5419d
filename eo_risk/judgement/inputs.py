"""Plan fields of one item as samples in SI: known numbers, and ranges where unknown."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import ndtri

from eo_risk import reference, units
from eo_risk.judgement.result import Assumed
from eo_risk.judgement.risk import ItemDraw

# A range given by a starting type: low, value, high and their unit, by field path.
Ranges = Mapping[str, tuple[float, float, float, str]]


def to_si(value: float, unit: str) -> float:
    """Convert a number of the plan to SI, temperatures included."""
    return units.celsius_to_kelvin(value) if unit == "C" else units.to_si(value, unit)


class ItemInputs:
    """Reads numbers of one item (or of the load) and notes what had to be assumed."""

    def __init__(self, draw: ItemDraw, ranges: Ranges | None = None):
        self.draw = draw
        self.samples = draw.samples
        self.assumed: dict[str, Assumed] = {}
        self._ranges = ranges or {}

    def aside(self) -> ItemInputs:
        """Return inputs with the same samples for a look that leaves no trace in the answer."""
        copy = ItemInputs(self.draw.aside(), self._ranges)
        copy.assumed = dict(self.assumed)
        return copy

    def within(self, here: slice) -> ItemInputs:
        """Return inputs with a window of the same samples, which leave no trace either."""
        copy = ItemInputs(self.draw.within(here), self._ranges)
        copy.assumed = dict(self.assumed)
        return copy

    def number(
        self, field: str, value: float | None, unit: str, record_id: str, assumed_in: str = ""
    ) -> np.ndarray:
        """Return one number as samples. [SI], shape (samples,)

        A known value is itself; an unknown one takes the range of its starting type, else
        the range of `record_id`, and is noted as assumed, in `assumed_in` where the unit of the
        record says too little.
        """
        if value is not None:
            return np.full(self.samples, to_si(value, unit))
        if field in self._ranges:
            low, mode, high, range_unit = self._ranges[field]
            self.assumed[field] = Assumed(field, low, high, range_unit, "from starting type")
            limits = [to_si(number, range_unit) for number in (mode, low, high)]
            return self.draw.own(field, "triangular", *limits, range_unit, assumed=True)
        record = reference.record(record_id)
        self.assumed[field] = Assumed(field, record.low, record.high, assumed_in or record.unit)
        return self.draw.record_as_own(field, record_id, assumed=True)

    def derived(self, field: str, value: ArrayLike, unit: str, note: str) -> None:
        """Note a field nobody filled that follows from others, or counts as `value`, as assumed."""
        low, high = (float(f"{end:.3g}") for end in (np.min(value), np.max(value)))
        self.assumed[field] = Assumed(field, low, high, unit, note)

    def as_record(self, field: str, record_id: str, note: str) -> None:
        """Note a field nobody filled for which the range of a record stands, drawn elsewhere."""
        record = reference.record(record_id)
        self.derived(field, (record.low, record.high), record.unit, note)

    def choice(self, field: str, low: float, high: float, unit: str, note: str = "") -> np.ndarray:
        """Return where an unknown choice falls, 0 to 1, and note it as assumed, as it is counted.

        Shape (samples,), evenly spread. [-]
        """
        self.assumed[field] = Assumed(field, low, high, unit, note)
        return self.draw.own(field, "uniform", 0.5, 0.0, 1.0, "-", assumed=True)

    def weighed(
        self, field: str, water_mg: float, error_field: str, error_mg: float | None
    ) -> np.ndarray:
        """Return a weighed mass with the error of its scale as samples. [kg], shape (samples,)

        The error is read as the 95 % half width, a blank one has the range of its record; a mass
        never falls below zero.
        """
        error_kg = self.number(error_field, error_mg, "mg", "assumed.scale_error")
        water_kg = np.full(self.samples, to_si(water_mg, "mg"))
        if not error_kg.any():
            return water_kg
        half_kg = error_kg * (ndtri(0.95) / ndtri(0.975))  # from the 95 to the 90 % half width
        widths = self.draw.own(field, "normal", 0.0, -1.0, 1.0, "-")
        return np.maximum(water_kg + half_kg * widths, 0.0)
