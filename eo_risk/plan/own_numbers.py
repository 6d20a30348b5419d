"""A site's own numbers: measured material records and stricter limits, each with a source."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Annotated, Any, Literal, Self

from pydantic import Field, ValidationError, model_validator

from eo_risk import reference
from eo_risk.errors import NOTHING, nearest
from eo_risk.plan.fields import Block, Text, fault, number, word
from eo_risk.units import units_like

Required = Annotated[Text, Field(min_length=1)]
Special = Literal[
    "intraocular_lens", "apheresis", "oxygenator", "bypass", "blood_purification", "drape"
]
Number = number("", 0.0, above=True)
# No draw of a normal spread lies further below its middle than this many times its 5 % point.
_FARTHEST_DRAW = 4.3
# What may be given at another temperature: faster when warmer, or shorter.
CARRIED = {"diffusivity": "rate", "slow_pool.half_life": "time"}


class OwnRecord(Block):
    """A material's number measured or derived by the site; it replaces the shipped record.

    `items` names the devices it holds for; empty, it holds for every item of the material. A
    diffusivity, and the half-life of a slow pool, may be given at the temperature it was
    measured at. A ``start_level`` is the EO a device holds as its aeration begins; it names the
    gas exposure it was measured after, for it holds after such a one only.
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
    after_exposure_h: number("h", 0.0, 100.0, above=True) = None
    after_eo_mg_per_l: number("mg/L", 0.0, 1700.0, above=True) = None
    after_temperature_c: number("C", -20.0, 120.0) = None
    status: word(Literal["measured", "derived", "estimated"])
    source: Required
    locator: Required
    note: Text = ""
    items: tuple[Text, ...] = ()

    @property
    def replaces(self) -> str:
        """Id under which the material has this number."""
        return f"{self.material}.{self.quantity}"

    @property
    def said(self) -> str:
        """What belongs to the number: the exposure before a start level, and the note."""
        after = ""
        if self.quantity == reference.START_LEVEL:
            after = (f"after {self.after_exposure_h:g} h in {self.after_eo_mg_per_l:g} mg/L of EO "
                     f"at {self.after_temperature_c:g} C")  # fmt: skip
        return "; ".join(filter(None, (after, self.note)))

    def as_record(self) -> reference.Record:
        """Return it as a record under its own id; raises ValidationError when it is none."""
        letter = {"measured": "A", "derived": "B"}.get(self.status, "C")
        fields = {key: value for key, value in self
                  if value is not None and key in reference.Record.model_fields}
        return reference.Record(data_class=letter, **fields)

    @model_validator(mode="after")
    def _fits_the_shipped_record(self) -> Self:
        _all_given(self, ("value", "low", "high", "status"))
        try:
            record = self.as_record()
        except ValidationError as error:
            said = (entry["msg"].removeprefix("Value error, ") for entry in error.errors())
            raise fault(self.value, self.unit, "; ".join(said), field="value") from None
        if self.spread == "normal" and self.value < _FARTHEST_DRAW * (self.value - self.low):
            allowed = "a normal spread that stays above zero"
            raise fault(self.low, self.unit, allowed, "Use lognormal.", field="low")
        if self.material not in reference.materials():
            close = nearest(self.material, reference.materials())
            raise fault(repr(self.material), "", close, field="material")
        if self.quantity == reference.START_LEVEL:
            self._check_start_level()
            return self
        shipped = reference.records().get(reference.shipped_id(self.replaces))
        if shipped is None:
            prefix = f"{self.material}."
            known = [r[len(prefix) :] for r in reference.records() if r.startswith(prefix)]
            known += (*reference.SHARED, reference.START_LEVEL)
            raise fault(repr(self.quantity), "", nearest(self.quantity, known), field="quantity")
        if record.unit != shipped.unit and record.unit not in units_like(shipped.unit):
            allowed = f"{shipped.unit}, as this quantity is given"
            raise fault(repr(self.unit), "", allowed, field="unit")
        elsewhere = self.temperature_c not in (None, shipped.temperature_c)
        if elsewhere and self.quantity not in CARRIED:
            place, todo = "no temperature", "Leave it out."
            if shipped.temperature_c is not None:
                place = f"{shipped.temperature_c:g} C"
                todo = "Carry the number to this temperature."
            raise fault(f"{self.temperature_c:g}", "C", place, todo, field="temperature_c")
        if self.quantity == "slow_pool.fraction" and record.high_si > 1.0:
            raise fault(self.high, self.unit, "a share of at most 1", field="high")
        return self

    def _check_start_level(self) -> None:
        if self.unit not in units_like("mg"):
            raise fault(repr(self.unit), "", "mg, the EO in one device", field="unit")
        if not self.items:
            raise fault("no device", "", "the devices it was measured on", field="items")
        if self.temperature_c is not None:
            allowed = "no temperature; that of the exposure is after_temperature_c"
            raise fault(f"{self.temperature_c:g}", "C", allowed, field="temperature_c")
        for name in ("after_exposure_h", "after_eo_mg_per_l", "after_temperature_c"):
            if getattr(self, name) is None:
                raise fault("unknown", "", "the gas exposure it was measured after",
                            "Give this number: a start level belongs to its cycle.",
                            field=name)  # fmt: skip


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
        special = {"special"} if self.category == "special" else set()
        _all_given(self, set(type(self).model_fields) - _MAY_MISS | special)
        per_area = self.quantity == "ug_per_cm2"
        if per_area != self.unit.endswith("/cm2"):
            raise fault(self.unit, "", f"a unit of {self.quantity}", field="unit")
        return self


_MAY_MISS = {"special", "edition", "body_mass_kg"}


def _all_given(block: Block, needed: Iterable[str]) -> None:
    """Raise the fault of the first field that must be given; names the others with it."""
    missing = [key for key, value in block if value is None and key in needed]
    if missing:
        others = f", as of {', '.join(missing[1:])}" if missing[1:] else ""
        raise fault(NOTHING, "", f"a value{others}", "Complete it.", field=missing[0])


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
