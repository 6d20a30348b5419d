"""What an assessment holds: frozen, in SI units, with the records it used."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Literal

import numpy as np

Verdict = Literal["Hold", "Not assessed", "Close", "Within"]
# Worst first: the verdict of a load is the first of these that any of its items has.
VERDICTS: tuple[Verdict, ...] = ("Hold", "Not assessed", "Close", "Within")

NOTICE = (
    "This is an estimate and advice. It does not release a load. Instructions for use, a "
    "validated cycle, biological indicators and laboratory residual tests decide; local codes "
    "and licensed practice come first. Ethylene oxide is toxic, explosive and causes cancer. "
    "The estimate may lengthen a time, never shorten the maker's or the site's."
)


def _band_points(samples: np.ndarray) -> np.ndarray:
    """Return the 5, 50 and 95 % points over the last axis, as the first axis.

    The linear rule of `numpy.quantile`, by sorting: four times faster for three points.
    """
    ordered = np.sort(samples, axis=-1)
    place = np.array([0.05, 0.5, 0.95]) * (ordered.shape[-1] - 1)
    below = place.astype(int)
    above = np.minimum(below + 1, ordered.shape[-1] - 1)
    low, high = ordered[..., below], ordered[..., above]
    return np.moveaxis(low + (high - low) * (place - below), -1, 0)


@dataclass(frozen=True)
class Band:
    """5, 50 and 95 % points of a result."""

    p05: float
    p50: float
    p95: float

    @classmethod
    def of(cls, samples: np.ndarray) -> Band:
        """Take the points from samples, shape (samples,)."""
        return cls(*(float(v) for v in _band_points(np.asarray(samples, dtype=float))))


@dataclass(frozen=True)
class Residue:
    """One substance against one limit or reference by one model; values in SI."""

    substance: Literal["EO", "ECH", "EG"]
    quantity: str
    period: str
    model: str
    band: Band
    limit: float | None
    unit: str
    kind: Literal["limit", "screening"]
    basis: str
    used_for_verdict: bool
    buffering: str | None = None
    clause: str = ""
    confidence: str = ""
    probability_over: float | None = None
    probability_error: float | None = None


@dataclass(frozen=True)
class Caution:
    """One caution that stands beside an item or the load."""

    code: str
    level: Literal["block", "warn", "inform"]
    text: str
    action: str
    where: str = ""


@dataclass(frozen=True)
class Action:
    """One change that would move the verdict, as computed."""

    action: str
    detail: str
    amount: float | None
    unit: str
    new_verdict: Verdict | None
    added_minutes: float = 0.0
    together: tuple[Action, ...] = ()  # done as well, in a pair
    items: tuple[str, ...] = ()  # of the load a split makes for this item
    aerator: str = ""  # of the site, in place of the planned one


@dataclass(frozen=True)
class Assumed:
    """A field that was unknown and took the range of its record; values in `unit`."""

    field: str
    low: float
    high: float
    unit: str
    note: str = ""


@dataclass(frozen=True)
class Question:
    """The one question whose answer would settle most."""

    field: str
    text: str


@dataclass(frozen=True)
class Influence:
    """How much of the spread of a residue one input explains."""

    input: str
    share: float
    on: str
    text: str


@dataclass(frozen=True)
class WaterPlace:
    """Liquid water in one place of an item at three moments. [kg]"""

    place: Literal["film", "crevice", "plug", "outside", "sorbed"]
    lumen: str
    after_drying: Band
    at_injection: Band
    after_aeration: Band


@dataclass(frozen=True)
class PartHold:
    """How one part holds EO."""

    name: str
    material: str
    eo_kg: Band
    hours_s: Band | None
    data_class: str


@dataclass(frozen=True)
class AerationTime:
    """Aeration needed, counted from the end of the last air wash. [s]"""

    p50_s: float
    p95_s: float
    required_s: float
    governed_by: str
    beyond_cap: bool
    unreached: bool = False  # still above a limit as far as it was followed
    with_slow_pool_p95_s: float | None = None  # beside it, where the pool is off
    with_slow_pool_unreached: bool = False


@dataclass(frozen=True)
class BandLine:
    """A band at every time of a curve. [kg], shape (times,)"""

    p05: tuple[float, ...]
    p50: tuple[float, ...]
    p95: tuple[float, ...]

    @classmethod
    def of(cls, amounts_kg: np.ndarray) -> BandLine:
        """Take the band of amounts of shape (times, samples)."""
        return cls(*(tuple(float(v) for v in row) for row in _band_points(amounts_kg)))


@dataclass(frozen=True)
class Curve:
    """What is left of every residue per piece over aeration time; times in s."""

    time_s: tuple[float, ...]
    eo: BandLine
    ech: BandLine
    eg: BandLine


@dataclass(frozen=True)
class WaterAllowed:
    """The leftover water that keeps EG below its screening reference at 95 %, and the air to it.

    `largest_kg` is weighed once the item is dried, None where no mass passes the reference;
    `spread` says where it sits: place, lumen, mass [kg]. `air_minutes` is None where the
    longest drying does not reach it. `note` ends with looking again. `others_rule` tells that more
    than half of the reference is made without any leftover water, so that a mass says little.
    """

    reference_kg: float
    basis: str
    largest_kg: float | None
    spread: tuple[tuple[str, str, float], ...]
    air_minutes: float | None
    air: str
    note: str
    others_rule: bool = False


@dataclass(frozen=True)
class GlycolBeside:
    """What stands beside EG: diethylene glycol, and EG credited as gone in the aeration. [kg]

    Both of all leftover water as film; `removed_kg` None unless the plan asks for the credit.
    """

    diethylene_kg: Band
    removed_kg: Band | None


@dataclass(frozen=True)
class OwnRecordUse:
    """A record of the site's own that stood in for a shipped one, in its own unit."""

    id: str
    replaces: str
    quantity: str
    value: float
    low: float
    high: float
    unit: str
    temperature_c: float | None
    data_class: str
    source: str
    locator: str
    note: str = ""


@dataclass(frozen=True)
class ItemResult:
    """The answer for one item; amounts are per piece.

    `causes` stand against it beside its residues, `residue_reasons` say which of these do.
    """

    name: str
    quantity: int
    verdict: Verdict
    causes: tuple[str, ...]
    residue_reasons: tuple[str, ...]
    actions: tuple[Action, ...]
    cautions: tuple[Caution, ...]
    assumed: tuple[Assumed, ...]
    question: Question | None
    water_after_drying: Band
    water_at_injection: Band
    water_after_aeration: Band
    water_by_place: tuple[WaterPlace, ...]
    residues: tuple[Residue, ...]
    parts: tuple[PartHold, ...]
    curve: Curve
    aeration: AerationTime | None
    matters_most: tuple[Influence, ...]
    records: tuple[tuple[str, str], ...]
    data_class: str
    starting_type: str = ""
    residue_counted: str = ""
    own_records: tuple[OwnRecordUse, ...] = ()
    water_allowed: WaterAllowed | None = None
    glycol_beside: GlycolBeside | None = None
    searched: bool = False  # whether a change was looked for

    @property
    def reasons(self) -> tuple[str, ...]:
        """Why it has its verdict, in words."""
        return self.causes + self.residue_reasons


@dataclass(frozen=True)
class LoadGroup:
    """Items that share an aeration time."""

    items: tuple[str, ...]
    aeration_p95_s: float


@dataclass(frozen=True)
class LoadResult:
    """The load as a whole; its EO charge is what fills the gas around it at the set level."""

    aeration_p95_s: float | None
    required_s: float | None
    earliest_out: datetime | None
    time_note: str
    slowest_item: str | None
    groups: tuple[LoadGroup, ...]
    eo_taken_up_kg: float
    eo_charge_kg: float
    water_released_kg: float
    water_capacity_kg: float
    aerator_air_peak_kg_per_m3: float | None = None
    depleted_eo_kg_per_m3: float | None = None
    assumed: tuple[Assumed, ...] = ()  # what no item lists


@dataclass(frozen=True)
class Assessment:
    """Everything one check found."""

    verdict: Verdict
    items: tuple[ItemResult, ...]
    load: LoadResult
    cautions: tuple[Caution, ...]
    edition: str
    edition_note: str
    seed: int
    samples: int
    version: str
    plan_sha256: str
    sources: tuple[str, ...]
    notice: str = NOTICE
