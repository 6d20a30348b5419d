"""Samples of every uncertain number: one seed in, the same bits out.

Each variable owns one column of a scrambled Sobol sequence. The column of a record depends on
the seed, its family (such as all of one material) and its place in it; that of an input on the
seed and what it is, as `lumens[0].bore_mm`. Neither depends on the number of workers, on what
the other items hold, on what an item is called or where it stands, on what else is unknown, or
on what other families of records there are. So like items are alike, and what is unknown of
several items moves together: a sum over the load errs to the wide side.
"""

from __future__ import annotations

import copy
import functools
import zlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtri
from scipy.stats import qmc

from eo_risk import reference
from eo_risk.judgement.own_records import carried
from eo_risk.reference import Record

DEFAULT_SAMPLES = 2048
DEFAULT_SEED = 1

# Columns made at a time, and blocks of them kept, with the bytes these may take in all: technical
# sizes, no numbers of the model.
_BLOCK = 16
_BLOCKS_KEPT = 128
_BYTES_KEPT = 2**28
_Z95 = float(ndtri(0.95))


def quantile(u: np.ndarray, spread: str, value: float, low: float, high: float) -> np.ndarray:
    """Turn uniform points into samples of a spread.

    Parameters
    ----------
    u : ndarray, shape (samples,)
        Points between 0 and 1. [-]
    spread : str
        ``exact``, ``lognormal``, ``normal``, ``triangular`` or ``uniform``.
    value, low, high : float
        Median with 5 and 95 % points of a (log-)normal spread, mode with the ends of a
        triangular one, the ends of a uniform one. [any unit]

    Returns
    -------
    ndarray, shape (samples,)
        Samples in the unit given. [same unit]

    Notes
    -----
    A (log-)normal whose 5 and 95 % points lie at unequal distance from the median is drawn
    in two halves, each with its own width.
    """
    if spread == "exact" or low == high:
        return np.full_like(u, value)
    if spread == "uniform":
        return low + (high - low) * u
    if spread == "triangular":
        rise = (value - low) / (high - low)
        left = low + np.sqrt(u * (high - low) * (value - low))
        right = high - np.sqrt((1.0 - u) * (high - low) * (high - value))
        return np.where(u < rise, left, right)
    z = ndtri(u)
    if spread == "normal":
        return value + z / _Z95 * np.where(z < 0.0, value - low, high - value)
    step = np.where(z < 0.0, np.log(value / low), np.log(high / value))
    return value * np.exp(z / _Z95 * step)


@dataclass(frozen=True)
class Variable:
    """One uncertain input as an item used it: its name and its samples."""

    name: str
    samples: np.ndarray
    low: float
    high: float
    unit: str
    assumed: bool = False


def _block(samples: int, columns: int, seed: int, scope: str, block: int) -> np.ndarray:
    """Make scrambled Sobol points for a block of columns of one scope.

    Shape (columns, samples).
    """
    generator = np.random.default_rng([seed, zlib.crc32(scope.encode()), block])
    sequence = qmc.Sobol(d=columns, scramble=True, rng=generator)
    power = max(1, (samples - 1).bit_length())
    # The ends are kept out: a quantile at exactly 0 or 1 would be infinite.
    points = np.clip(sequence.random_base2(power)[:samples], 1e-12, 1 - 1e-12)
    # Equal dimensions of two scrambled sequences are alike point by point: shuffling
    # the points of each block keeps its evenness and makes blocks independent.
    points = np.ascontiguousarray(generator.permutation(points, axis=0).T)
    points.flags.writeable = False
    return points


@functools.lru_cache(maxsize=4)
def _blocks(samples: int, columns: int) -> Callable[[int, str, int], np.ndarray]:
    """Return what makes blocks of so many samples, and keeps as many of them as may be kept.

    Many runs of edited plans draw the same.
    """
    fit = _BYTES_KEPT // (columns * samples * np.dtype(float).itemsize)
    keep = functools.lru_cache(maxsize=min(_BLOCKS_KEPT, max(1, fit)))
    return keep(functools.partial(_block, samples, columns))


@functools.cache
def _places() -> dict[str, tuple[str, int]]:
    """Return the scope of every record, its family, and its place in that family."""
    families: dict[str, list[str]] = {}
    for record_id in sorted(reference.records()):
        families.setdefault(record_id.split(".")[0], []).append(record_id)
    for family in reference.materials():  # last, so that no other place moves
        families.setdefault(family, []).append(f"{family}.{reference.START_LEVEL}")
    return {
        record_id: (f"records:{family}", place)
        for family, members in families.items()
        for place, record_id in enumerate(members)
    }


class Draw:
    """Samples of records, shared by the whole load, and of each item's own inputs.

    Calling it with a record id gives that record's samples in SI.

    Parameters
    ----------
    seed : int
        The only source of chance. [-]
    samples : int
        Number of samples. [-]
    swapped : str, optional
        Name of one variable that is drawn from a second, independent sequence: two runs
        that differ in one variable give that variable's total Sobol index.
    own : mapping, optional
        Records of the site that stand in for shipped ones, by the id they replace.
    pinned : mapping, optional
        Variables held at one quantile of their spread, by the name `swapped` would take. [-]
    """

    def __init__(
        self,
        seed: int,
        samples: int = DEFAULT_SAMPLES,
        swapped: str | None = None,
        own: Mapping[str, Record] | None = None,
        pinned: Mapping[str, float] | None = None,
    ):
        self.own = dict(own or {})
        self.pinned = dict(pinned or {})
        self.seed = seed
        self.samples = samples
        self.swapped = swapped
        self._records: dict[str, np.ndarray] = {}
        self._place = _places()

    def _points(self, scope: str, name: str, index: int = 0, columns: int = 1) -> np.ndarray:
        """Return the points of one variable: a column of a scope made in blocks of `columns`."""
        if name in self.pinned:
            return np.full(self.samples, self.pinned[name])
        if name == self.swapped:
            scope = f"second:{scope}"
        block, place = divmod(index, columns)
        return _blocks(self.samples, columns)(self.seed, scope, block)[place]

    def _record_points(self, shipped: str) -> np.ndarray:
        scope, place = self._place[shipped]
        return self._points(scope, shipped, place, _BLOCK)

    def __call__(self, record_id: str) -> np.ndarray:
        if record_id not in self._records:
            record, shipped = self.record(record_id), reference.shipped_id(record_id)
            u = self._record_points(shipped)
            samples = quantile(u, record.spread, record.value_si, record.low_si, record.high_si)
            if record_id in self.own:
                samples = carried(record_id, record, samples, self)
            self._records[record_id] = samples
        return self._records[record_id]

    def drawn_as(self, name: str) -> str | None:
        """Return the name under which a record is drawn; None for an input that is none."""
        shipped = reference.shipped_id(name)
        return shipped if shipped in self._place else None

    def record(self, record_id: str) -> Record:
        """Return the site's own record in place of the shipped one, where there is one."""
        return self.own.get(record_id) or reference.record(record_id)

    def item(self, name: str, own: Mapping[str, Record] | None = None) -> ItemDraw:
        """Open what one item draws: its own inputs beside the shared records.

        `own` are the site's records for this item, drawn from the same points.
        """
        if not own or dict(own) == self.own:
            return ItemDraw(self, name)
        draw = copy.copy(self)
        draw.own, draw._records = dict(own), {}
        return ItemDraw(draw, name)


class ItemDraw:
    """What one item draws; it remembers which variables and records were used."""

    def __init__(self, draw: Draw, name: str):
        self._draw = draw
        self._name = f"item:{name}"
        self.samples = draw.samples
        self.variables: dict[str, Variable] = {}
        self._here = slice(None)

    def aside(self) -> ItemDraw:
        """Return a copy that draws the same and keeps what it used to itself."""
        other = copy.copy(self)
        other.variables = dict(self.variables)
        return other

    def within(self, here: slice) -> ItemDraw:
        """Return a copy that draws a window of the same samples."""
        other = self.aside()
        other._here = here
        other.samples = len(range(*here.indices(self._draw.samples)))
        return other

    def __call__(self, record_id: str) -> np.ndarray:
        samples = self._draw(record_id)
        if record_id not in self.variables:
            record = self.record(record_id)
            self.variables[record_id] = Variable(
                record_id, samples, record.low, record.high, record.unit
            )
        return samples[self._here]

    def record(self, record_id: str) -> Record:
        """Return the record this item uses: the site's own, or the shipped one."""
        return self._draw.record(record_id)

    def is_own(self, record_id: str) -> bool:
        """Tell whether the site's own record stands in for a shipped one."""
        return record_id in self._draw.own

    def own(
        self,
        name: str,
        spread: str,
        value: float,
        low: float,
        high: float,
        unit: str,
        *,
        assumed: bool = False,
    ) -> np.ndarray:
        """Draw one input of this item; `value`, `low`, `high` and the samples are SI."""
        u = self._draw._points(f"own:{name}", f"{self._name}:{name}")
        samples = quantile(u, spread, value, low, high)
        self.variables[name] = Variable(name, samples, low, high, unit, assumed)
        return samples[self._here]

    def record_as_own(self, name: str, record_id: str, *, assumed: bool = False) -> np.ndarray:
        """Draw a record for one input of this item, apart from the record itself."""
        record = reference.record(record_id)
        return self.own(
            name,
            record.spread,
            record.value_si,
            record.low_si,
            record.high_si,
            record.unit,
            assumed=assumed,
        )
