"""The only module that opens ``reference/``: every number with its spread and source.

Files of numbers are ``reference/*.csv`` and ``reference/*.toml`` whose rows have the
fields of `Record`; other tables (materials, sources, cautions, limits) have a reader
below. Everything returned is frozen and cached.
"""

from __future__ import annotations

import csv
import tomllib
from collections.abc import Callable, Iterable, Iterator, Mapping
from functools import cache
from pathlib import Path
from types import MappingProxyType
from typing import Annotated, Literal, TypeVar

from pydantic import (
    BaseModel,
    ConfigDict,
    Field,
    ValidationError,
    field_validator,
    model_validator,
)

from eo_risk import food_contact, units
from eo_risk.errors import InputError, MissingDataError, nearest, unknown_name

T = TypeVar("T")

FOLDER = Path(__file__).resolve().parent.parent / "reference"

Status = Literal["measured", "derived", "estimated", "from memory", "common practice"]
Spread = Literal["exact", "lognormal", "normal", "triangular", "uniform"]


class _Frozen(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class Record(_Frozen):
    """One number with its unit, its spread and where it came from.

    `low` and `high` are the 5 and 95 % points of a normal or log-normal spread and the
    ends of a triangular or uniform one; an exact number has low = value = high.
    """

    id: str = Field(min_length=1)
    quantity: str = Field(min_length=1)
    value: float
    low: float
    high: float
    unit: str
    spread: Spread = "lognormal"
    temperature_c: float | None = None
    valid_low_c: float | None = None
    valid_high_c: float | None = None
    status: Status
    data_class: Literal["A", "B", "C"]
    source: str = Field(min_length=1)
    locator: str = Field(min_length=1)
    note: str = ""

    @field_validator("unit")
    @classmethod
    def _known_unit(cls, unit: str) -> str:
        if unit not in units.SI_FACTOR and unit != "C":
            raise ValueError(f"unit {unit!r} is unknown; {nearest(unit, units.SI_FACTOR)}")
        return unit

    @model_validator(mode="after")
    def _ordered(self) -> Record:
        if not self.low <= self.value <= self.high:
            raise ValueError(
                f"{self.id}: need low <= value <= high, got "
                f"{self.low:g}, {self.value:g}, {self.high:g} {self.unit}"
            )
        if self.spread == "lognormal" and self.low <= 0.0:
            raise ValueError(f"{self.id}: a log-normal spread needs low > 0, got {self.low:g}")
        if self.spread == "exact" and self.low != self.high:
            raise ValueError(f"{self.id}: an exact number has no spread")
        return self

    def _convert(self, number: float) -> float:
        if self.unit == "C":
            return units.celsius_to_kelvin(number)
        return units.to_si(number, self.unit)

    @property
    def value_si(self) -> float:
        return self._convert(self.value)

    @property
    def low_si(self) -> float:
        return self._convert(self.low)

    @property
    def high_si(self) -> float:
        return self._convert(self.high)


class Correlation(_Frozen):
    """A property as a formula of temperature, with the range in which it holds."""

    id: str
    quantity: str = Field(min_length=1)
    form: Literal["perry", "antoine", "vogel", "iapws_tension", "kell", "linear_c"]
    coefficients: tuple[float, ...]
    valid_low_k: float
    valid_high_k: float
    unit: str
    status: Status
    data_class: Literal["A", "B", "C"]
    source: str = Field(min_length=1)
    locator: str = Field(min_length=1)
    note: str = ""


class Source(_Frozen):
    """One entry of the bibliography: what it is and what of it was read."""

    key: str
    citation: str = Field(min_length=1)
    read: str = Field(min_length=1)


class Material(_Frozen):
    """A polymer, metal or other solid a part is made of; its numbers are records.

    `behaviour` is how EO moves: rubbery, glassy, semicrystalline, porous, aqueous,
    none (metal, glass), family (unknown grade: sample its members) or correlation: not
    listed, taken as the polymer `correlation` of the food-contact correlation.
    """

    id: str
    name: str
    behaviour: Literal[
        "rubbery", "glassy", "semicrystalline", "porous", "aqueous", "none", "family",
        "correlation",
    ]  # fmt: skip
    members: tuple[str, ...] = ()
    contains_chlorine: bool = False
    slows_as_it_empties: bool = False
    correlation: str = ""
    note: str = ""

    @model_validator(mode="after")
    def _named_polymer(self) -> Material:
        if bool(self.correlation) != (self.behaviour == "correlation"):
            raise ValueError("behaviour correlation and the name of a polymer go together")
        return self


class Packaging(_Frozen):
    """A wrapping; its transfer coefficient is the record ``packaging.<id>.transfer``."""

    id: str
    name: str
    permeable: bool
    published_practice: str
    source: str
    note: str = ""


class CautionRule(_Frozen):
    """One caution: when it stands, what it says and what to do."""

    code: str
    level: Literal["block", "warn", "inform"]
    trigger: str = Field(min_length=1)
    text: str = Field(min_length=1)
    action: str = Field(min_length=1)
    source: str


class Measurement(_Frozen):
    """One way to measure: the inputs it settles (`*` stands for any text), how, how long."""

    id: str
    settles: tuple[str, ...] = Field(min_length=1)
    how: str = Field(min_length=1)
    time: float = Field(gt=0.0)
    unit: Literal["min"]

    @property
    def time_s(self) -> float:
        """Time it takes. [s]"""
        return units.to_si(self.time, self.unit)


class Range(_Frozen):
    """A range with its likeliest value: low <= value <= high, in the unit of its column."""

    low: float = Field(gt=0.0)
    value: float
    high: float

    @model_validator(mode="after")
    def _ordered(self) -> Range:
        if not self.low <= self.value <= self.high:
            raise ValueError(f"need low <= value <= high, got {self.low:g}, {self.value:g}, "
                             f"{self.high:g}")  # fmt: skip
        return self


class ItemType(_Frozen):
    """A generic item to start from: one material body, at most one lumen, all as ranges.

    `thickness_mm` is the wall of a tube and the full thickness of a sheet; a rod has only
    its `outer_diameter_mm`. `mass_g` is of the material body, `area_cm2` the whole outside.
    """

    id: str
    name: str
    material: str
    shape: Literal["sheet", "tube", "rod"]
    thickness_mm: Range | None = None
    outer_diameter_mm: Range | None = None
    mass_g: Range
    bore_mm: Range | None = None
    length_mm: Range | None = None
    area_cm2: Range
    open_ends: int | None = Field(default=None, ge=0, le=2)
    joints: int = Field(ge=0)
    status: Status
    note: str = ""


class PublishedCase(_Frozen):
    """One published result to compare the model with, and what of its set-up is assumed.

    `kind` says how: `value` against the band or a factor, `below` one-sided, `direction`
    by sign only. `used_for_record` names the record made from the case, if one was.
    """

    id: str
    source: str
    used_for_record: str = ""
    kind: Literal["value", "below", "direction"]
    material: str = ""
    shape: Literal["", "sheet", "tube", "rod"] = ""
    thickness_mm: Range | None = None
    start_ug_per_g: Range | None = None
    temperature_c: float | None = None
    hours: float | None = None
    quantity: str
    published: float | None = None
    published_low: float | None = None
    published_high: float | None = None
    unit: str
    tolerance_factor: float | None = None
    assumed: str = ""
    note: str = Field(min_length=1)


Date = Annotated[str, Field(pattern=r"^(\d{4}(-\d{2}(-\d{2})?)?|not read)$")]
FromDate = Annotated[str, Field(pattern=r"^(\d{4}(-\d{2}(-\d{2})?)?)?$")]


class _Dated(_Frozen):
    """A figure or rule of a jurisdiction.

    `date` is that of the text it was taken from, `from_date` the first day it applies.
    `confidence`: A read in the issuing body's text, B secondary, C from memory.
    """

    id: str
    jurisdiction: Literal["us", "eu", "uk", "de", "fr", "ca", "jp", "kr", "any"]
    setting: Literal["any", "health_care", "commercial"] = "any"
    date: Date
    from_date: FromDate = ""
    confidence: Literal["A", "B", "C"]
    source: str = Field(min_length=1)
    locator: str = Field(min_length=1)
    note: str = ""


class ExposureLimit(_Dated):
    """What staff may breathe, averaged over a time."""

    name: str = Field(min_length=1)
    substance: Literal["EO", "ECH", "EG"]
    value: float = Field(gt=0.0)
    unit: Literal["ppm", "mg/m3"]
    averaging: Literal["8h", "15min", "10min", "1h", "24h", "peak"]
    kind: Literal["legal", "action", "recommended", "emergency", "hazard"]


class WorkplaceRule(_Dated):
    """What law or published practice asks of a site; `plan_field` is where a site chooses."""

    title: str = Field(min_length=1)
    text: str = Field(min_length=1)
    exception: str = ""
    choices: tuple[str, ...] = ()
    plan_field: str = ""


def _rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as handle:
        rows = list(csv.DictReader(handle))
    for line, row in enumerate(rows, start=2):
        if None in row or None in row.values():
            raise ValueError(f"reference/{path.name}, row {line}: not as many cells as columns")
    return [{key: cell for key, cell in row.items() if cell} for row in rows]


@cache
def document(name: str) -> MappingProxyType:
    """Return one TOML file of ``reference/`` by its name without the ending."""
    path = FOLDER / f"{name}.toml"
    if not path.is_file():
        raise MissingDataError(f"reference/{name}.toml is not there")
    return MappingProxyType(tomllib.loads(path.read_text(encoding="utf-8")))


@cache
def table(name: str) -> tuple[MappingProxyType, ...]:
    """Return one CSV file of ``reference/`` as rows of text; empty cells are left out."""
    path = FOLDER / f"{name}.csv"
    if not path.is_file():
        raise MissingDataError(f"reference/{name}.csv is not there")
    return tuple(MappingProxyType(row) for row in _rows(path))


def _by_key(
    name: str, rows: Iterable[Mapping], read: Callable[[Mapping], T], key: str = "id"
) -> MappingProxyType[str, T]:
    """Read each row of a file and order them by their key; nothing is skipped or merged."""
    found: dict[str, T] = {}
    for place, row in enumerate(rows, start=1):
        try:
            entry = read(dict(row))
        except ValidationError as error:
            where = row.get(key, f"entry {place}")
            raise ValueError(f"reference/{name}: {where}: {error}") from None
        if row[key] in found:
            raise ValueError(f"reference/{name}: {key} {row[key]!r} stands twice")
        found[row[key]] = entry
    if not found:
        raise ValueError(f"reference/{name}: no entry")
    return MappingProxyType(found)


# Files whose rows are records; a new file of numbers is added here.
RECORD_FILES = (
    "substances.toml",
    "reactions.toml",
    "transport.csv",
    "packaging.toml",
    "water.toml",
    "drying.toml",
    "chamber.toml",
    "decision.toml",
    "assumed.toml",
)


@cache
def records() -> MappingProxyType:
    """Return every record by its id."""
    found: dict[str, Record] = {}
    for name in RECORD_FILES:
        stem, _, ending = name.partition(".")
        rows = table(stem) if ending == "csv" else document(stem).get("record", ())
        entries = _by_key(name, rows, Record.model_validate)
        if twice := found.keys() & entries.keys():
            raise ValueError(f"reference/{name}: stand twice: {', '.join(sorted(twice))}")
        found |= entries
    for material in materials().values():
        if material.correlation:
            made = _correlation_records(material, found)
            found |= {entry.id: entry for entry in made}
    return MappingProxyType(found)


def _correlation_records(material: Material, found: Mapping[str, Record]) -> Iterator[Record]:
    """Make the records of a material that has none: D by the food-contact correlation.

    The factor either way is the band of D. Its activation energy is too steep, so smaller ones
    down to the least that published practice implies are as likely. Everything else takes the
    range of `food_contact.any`.
    """
    constant, tau, slope = (
        found[f"food_contact.{name}"]
        for name in (f"{material.correlation}.constant", f"{material.correlation}.tau", "slope")
    )
    least, factor = found["food_contact.any.activation"], found["material.last_resort_factor"].value
    at_25c = food_contact.diffusivity_m2_per_s(
        constant.value, tau.value_si, slope.value_si, found["eo.molar_mass"].value_si,
        units.celsius_to_kelvin(25.0),
    )  # fmt: skip
    value = units.from_si(at_25c, "cm2/s")
    energy = units.from_si(food_contact.activation_j_per_mol(tau.value_si, slope.value_si),
                           least.unit)  # fmt: skip
    by_correlation = {"status": "derived", "data_class": "C", "source": constant.source,
                      "temperature_c": 25.0, "valid_low_c": least.valid_low_c,
                      "valid_high_c": least.valid_high_c}  # fmt: skip
    yield Record(
        id=f"{material.id}.diffusivity", quantity="EO diffusivity", value=value,
        low=value / factor, high=value * factor, unit="cm2/s",
        locator=f"food-contact correlation as {material.correlation}, factor {factor:g} either way",
        **by_correlation,
    )  # fmt: skip
    yield Record(
        id=f"{material.id}.activation", quantity=least.quantity, value=energy, low=least.value,
        high=energy, unit=least.unit, spread="triangular",
        locator="of the correlation, down to the least that published practice implies",
        **by_correlation,
    )  # fmt: skip
    for quantity in ("uptake", "uptake_heat", "density", "ech_diffusivity_ratio",
                     "ech_uptake_ratio"):  # fmt: skip
        common = found[f"food_contact.any.{quantity}"]
        yield common.model_copy(update={"id": f"{material.id}.{quantity}"})


def record(record_id: str) -> Record:
    """Return one record; raises MissingDataError with the nearest ids."""
    try:
        return records()[record_id]
    except KeyError:
        close = nearest(record_id, records())
        raise MissingDataError(f"no record {record_id!r} in reference/; {close}") from None


# What all materials share as shipped, and a site may know of one material.
SHARED = ("slow_pool.fraction", "slow_pool.half_life")
# What only a laboratory knows of a device of one material; nothing is shipped.
START_LEVEL = "start_level"


def shipped_id(record_id: str) -> str:
    """Return the id of the shipped record that a material's own number stands in for."""
    quantity = record_id.partition(".")[2]
    return quantity if quantity in SHARED else record_id


@cache
def correlations() -> MappingProxyType:
    """Return every formula of temperature by its id."""
    rows = document("substances").get("correlation", ())
    return _by_key("substances.toml", rows, Correlation.model_validate)


@cache
def sources() -> MappingProxyType:
    """Return every source by its key."""
    rows = document("sources").get("source", ())
    return _by_key("sources.toml", rows, Source.model_validate, "key")


@cache
def materials() -> MappingProxyType:
    """Return every material by its id."""
    rows = document("materials").get("material", ())
    return _by_key("materials.toml", rows, Material.model_validate)


def material(material_id: str) -> Material:
    """Return one material; raises InputError with the nearest ids."""
    try:
        return materials()[material_id]
    except KeyError:
        raise InputError(
            [unknown_name("material", material_id, materials(), "See `eo-risk materials`.")]
        ) from None


# What a blank packaging is taken as, for the gas: a slow one. Pallets are slower; they are named.
UNKNOWN_PACKAGING = "carton"


@cache
def packagings() -> MappingProxyType:
    """Return every packaging by its id."""
    rows = document("packaging").get("packaging", ())
    return _by_key("packaging.toml", rows, Packaging.model_validate)


@cache
def caution_rules() -> MappingProxyType:
    """Return every caution rule by its code."""
    rows = document("cautions").get("caution", ())
    return _by_key("cautions.toml", rows, CautionRule.model_validate, "code")


def _with_ranges(row: Mapping, names: Mapping[str, str]) -> dict[str, object]:
    """Gather ``x_low_unit``, ``x_unit``, ``x_high_unit`` of a row into one range."""
    fields: dict[str, object] = dict(row)
    for name, unit in names.items():
        keys = {"low": f"{name}_low_{unit}", "value": f"{name}_{unit}",
                "high": f"{name}_high_{unit}"}  # fmt: skip
        ends = {end: fields.pop(key) for end, key in keys.items() if key in fields}
        if ends:
            fields[keys["value"]] = ends
    return fields


@cache
def item_types() -> MappingProxyType:
    """Return every generic item type by its id."""
    ranges = {"thickness": "mm", "outer_diameter": "mm", "mass": "g", "bore": "mm",
              "length": "mm", "area": "cm2"}  # fmt: skip

    def read(row: Mapping) -> ItemType:
        return ItemType.model_validate(_with_ranges(row, ranges))

    return _by_key("item_types.csv", table("item_types"), read)


@cache
def measurements() -> MappingProxyType:
    """Return every way to measure a number, by its id."""
    rows = document("measurements").get("measurement", ())
    return _by_key("measurements.toml", rows, Measurement.model_validate)


@cache
def published_cases() -> MappingProxyType:
    """Return every published aeration case by its id."""
    ranges = {"thickness": "mm", "start": "ug_per_g"}

    def read(row: Mapping) -> PublishedCase:
        return PublishedCase.model_validate(_with_ranges(row, ranges))

    return _by_key("validation/aeration.csv", table("validation/aeration"), read)


@cache
def exposure_limits() -> MappingProxyType:
    """Return every exposure figure by its id."""
    rows = document("exposure").get("limit", ())
    return _by_key("exposure.toml", rows, ExposureLimit.model_validate)


@cache
def workplace_rules() -> MappingProxyType:
    """Return every rule of a jurisdiction by its id."""
    rows = document("exposure").get("rule", ())
    return _by_key("exposure.toml", rows, WorkplaceRule.model_validate)
