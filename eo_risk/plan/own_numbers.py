"""A site's own numbers: measured material records and stricter limits, each with a source."""

from __future__ import annotations

import math
from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from eo_risk import reference
from eo_risk.errors import nearest
from eo_risk.plan.fields import Block, Text, number, word
from eo_risk.units import units_like

Required = Annotated[Text, Field(min_length=1)]
Number = number("", -math.inf)


class OwnRecord(Block):
    """A material's number measured or derived by the site; it replaces the shipped record."""

    id: Required
    material: Required
    quantity: Required
    value: Number
    low: Number
    high: Number
    unit: Required
    spread: word(Literal["exact", "lognormal", "normal", "triangular", "uniform"]) = "lognormal"
    temperature_c: number("C", -20.0, 120.0) = None
    status: word(Literal["measured", "derived", "estimated"])
    source: Required
    locator: Required
    note: Text = ""

    @property
    def replaces(self) -> str:
        """Id of the shipped record this one stands in for."""
        return f"{self.material}.{self.quantity}"

    def as_record(self) -> reference.Record:
        """Return it as a record under its own id; raises ValidationError when it is none."""
        letter = {"measured": "A", "derived": "B"}.get(self.status, "C")
        fields = {key: value for key, value in self if value is not None and key != "material"}
        return reference.Record(data_class=letter, **fields)

    @model_validator(mode="after")
    def _fits_the_shipped_record(self) -> Self:
        if None in (self.value, self.low, self.high, self.status):
            raise ValueError("value, low, high and status must be given")
        record = self.as_record()
        if self.material not in reference.materials():
            close = nearest(self.material, reference.materials())
            raise ValueError(f"material {self.material!r} is not known; {close}")
        shipped = reference.records().get(self.replaces)
        if shipped is None:
            prefix = f"{self.material}."
            known = [r[len(prefix) :] for r in reference.records() if r.startswith(prefix)]
            raise ValueError(f"quantity {self.quantity!r} is not known here; "
                             f"{nearest(self.quantity, known)}")  # fmt: skip
        if record.unit != shipped.unit and record.unit not in units_like(shipped.unit):
            raise ValueError(f"unit {self.unit!r}: this quantity is given in {shipped.unit}")
        return self


class OwnLimit(Block):
    """A limit of the site or the maker; it counts where it is stricter than the edition's."""

    substance: word(Literal["EO", "ECH"])
    duration: word(Literal["limited", "prolonged", "permanent"])
    quantity: word(Literal["mg_per_device", "ug_per_cm2", "ug_per_lens"])
    period: word(Literal["day", "24h", "30d", "lifetime", "total", "contact"])
    limit: number("", 0.0, above=True)
    unit: word(Literal["mg", "ug", "mg/d", "ug/cm2"])
    basis: Text = "own limit"
    source: Required

    @model_validator(mode="after")
    def _complete(self) -> Self:
        missing = [key for key, value in self if value is None]
        if missing:
            raise ValueError(f"must be given: {', '.join(missing)}")
        return self
