"""A site's own numbers: measured material records and stricter limits, each with a source."""

from __future__ import annotations

from typing import Annotated, Any, Literal, Self

from pydantic import Field, ValidationError, model_validator

from eo_risk import reference
from eo_risk.errors import nearest
from eo_risk.plan.fields import Block, Text, number, word
from eo_risk.units import units_like

Required = Annotated[Text, Field(min_length=1)]
Special = Literal[
    "intraocular_lens", "apheresis", "oxygenator", "bypass", "blood_purification", "drape"
]
Number = number("", 0.0, above=True)
# No draw of a normal spread lies further below its middle than this many times its 5 % point.
_FARTHEST_DRAW = 4.3


class OwnRecord(Block):
    """A material's number measured or derived by the site; it replaces the shipped record.

    `items` names the devices it holds for; empty, it holds for every item of the material. A
    diffusivity may be given at the temperature it was measured at.
    """

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
    items: tuple[Text, ...] = ()

    @property
    def replaces(self) -> str:
        """Id of the shipped record this one stands in for."""
        return f"{self.material}.{self.quantity}"

    def as_record(self) -> reference.Record:
        """Return it as a record under its own id; raises ValidationError when it is none."""
        letter = {"measured": "A", "derived": "B"}.get(self.status, "C")
        fields = {key: value for key, value in self
                  if value is not None and key not in ("material", "items")}  # fmt: skip
        return reference.Record(data_class=letter, **fields)

    @model_validator(mode="after")
    def _fits_the_shipped_record(self) -> Self:
        if None in (self.value, self.low, self.high, self.status):
            raise ValueError("value, low, high and status must be given")
        try:
            record = self.as_record()
        except ValidationError as error:
            said = (entry["msg"].removeprefix("Value error, ") for entry in error.errors())
            raise ValueError("; ".join(said)) from None
        if self.spread == "normal" and self.value < _FARTHEST_DRAW * (self.value - self.low):
            raise ValueError(f"low {self.low:g}: a normal spread this wide reaches below zero; "
                             "use lognormal")  # fmt: skip
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
        elsewhere = self.temperature_c not in (None, shipped.temperature_c)
        if elsewhere and self.quantity != "diffusivity":
            raise ValueError(f"temperature_c {self.temperature_c:g}: this quantity is given at "
                             f"{shipped.temperature_c:g} C; carry it there")  # fmt: skip
        return self


class OwnLimit(Block):
    """A limit of the site, the maker or of an edition the site owns, as `limits_for` takes it.

    Without an edition it stands beside the limits of whichever edition applies, and the
    stricter one governs; with the edition of which no figures are shipped it fills that.
    """

    category: word(Literal["limited", "prolonged", "permanent", "any", "special"])
    special: word(Special) = None
    substance: word(Literal["EO", "ECH"])
    quantity: word(Literal["mg_per_device", "ug_per_cm2", "ug_per_lens"])
    period: word(Literal["day", "24h", "30d", "lifetime", "total", "contact"])
    limit: number("", 0.0, above=True)
    unit: word(Literal["mg", "ug", "ug/cm2", "mg/cm2"])
    clause: Text = ""
    confidence: word(Literal["A", "B", "C"]) = "A"
    source: Required
    body_mass_kg: number("kg", 0.0, 400.0, above=True) = None  # the edition's adult without it
    edition: word(Literal["iso10993-7:2026"]) = None  # the one shipped without figures

    @model_validator(mode="after")
    def _complete(self) -> Self:
        missing = [key for key, value in self if value is None and key not in _MAY_MISS]
        if self.category == "special" and self.special is None:
            missing.append("special")
        if missing:
            raise ValueError(f"must be given: {', '.join(missing)}")
        per_area = self.quantity == "ug_per_cm2"
        if per_area != self.unit.endswith("/cm2"):
            raise ValueError(f"unit {self.unit} does not fit {self.quantity}")
        return self


_MAY_MISS = ("special", "edition", "body_mass_kg")


def own_edition(limits: tuple[OwnLimit, ...], edition: str) -> dict[str, Any] | None:
    """Return own limits in the form `limits_for` takes as its own file; None without any.

    Parameters
    ----------
    limits : tuple of OwnLimit
        Those of a resolved plan.
    edition : str
        The edition the plan applies.
    """
    rows = [
        row.model_dump(mode="json", exclude_none=True)
        for row in limits
        if row.edition in (None, edition)
    ]
    return {"limit": rows} if rows else None
