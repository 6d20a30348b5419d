"""The chart of a cycle that ran: a time series with the stage of its rows.

A row without a stage goes on with the stage above it; the first row must name one.
A gap, a clock that jumps and a time that stands twice are refused, never bridged. What
the rows say becomes measured values that `as_run` lays over the plan.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import groupby, pairwise
from pathlib import Path
from statistics import fmean, median

from eo_risk.errors import Fault, InputError, nearest
from eo_risk.files import read_bytes
from eo_risk.plan.clock import with_offset
from eo_risk.plan.columns import Column, Placed, place_headers
from eo_risk.spreadsheet import Row, place, sheet_from_bytes
from eo_risk.units import STANDARD_ATMOSPHERE_PA, parse_quantity

COLUMNS = (
    Column("time", "time", text=True),
    Column("stage", "stage", text=True),
    Column("temperature_c", "temperature_c", "C"),
    Column("pressure_kpa", "pressure_kpa", "kPa"),
    Column("rh_percent", "rh_percent", "%"),
    Column("eo_mg_per_l", "eo_mg_per_l", "mg/L"),
)
# In the order they happen; aeration may carry the number of its step.
CHAMBER_STAGES = ("evacuation", "conditioning", "injection", "exposure", "wash")
STAGES = (*CHAMBER_STAGES, "transfer", "aeration", "interrupted")
# A step of time this many times the usual one within a stage is a gap.
_GAP = 3.0
# What a sensor can show; beyond it the row is wrong, not the load.
_LIMITS = {
    "temperature_c": (-20.0, 120.0),
    "pressure_kpa": (0.0, 700.0),
    "rh_percent": (0.0, 100.0),
    "eo_mg_per_l": (0.0, 1700.0),
}


@dataclass(frozen=True)
class Reading:
    """One row of the chart; None where it shows nothing."""

    row: int
    time: datetime
    stage: str
    step: int  # of the aeration, from 0
    temperature_c: float | None = None
    pressure_kpa: float | None = None
    rh_percent: float | None = None
    eo_mg_per_l: float | None = None


@dataclass(frozen=True)
class Span:
    """Consecutive readings of one stage, from its first reading to that of the next stage."""

    stage: str
    step: int
    start: datetime
    stop: datetime
    readings: tuple[Reading, ...]

    @property
    def length(self) -> timedelta:
        """How long the stage took."""
        return self.stop - self.start

    def values(self, quantity: str) -> list[float]:
        """List what the chart shows of one quantity."""
        shown = [getattr(reading, quantity) for reading in self.readings]
        return [value for value in shown if value is not None]

    def mean(self, quantity: str) -> float | None:
        """Return the mean of one quantity; None when the chart does not show it."""
        shown = self.values(quantity)
        return fmean(shown) if shown else None


@dataclass(frozen=True)
class Chart:
    """A chart as read: its spans in order, and what the reader understood."""

    spans: tuple[Span, ...]
    understood: str

    def of(self, stage: str) -> tuple[Span, ...]:
        """Return the spans of one stage."""
        return tuple(span for span in self.spans if span.stage == stage)


def _time(text: str, row: int, time_zone: str) -> datetime:
    where = place(row, "time")
    if time_zone:
        text = with_offset(text, time_zone, where)
    allowed = "a time such as 2026-03-12T06:30:00+01:00"
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        fault = Fault(where, repr(text[:40]), "", allowed, "Write date, time and offset.")
        raise InputError([fault]) from None
    if moment.tzinfo is None:
        raise InputError(
            [Fault(where, repr(text), "", allowed,
                   "Add the offset, or set the time zone in the site file.")]
        )  # fmt: skip
    return moment


def _number(cell: str, placed: Placed, row: int, ambient_pa: float) -> float:
    where, name = place(row, placed.header), placed.column.path
    unit = placed.column.unit
    low, high = _LIMITS[name]
    allowed = f"{low:g} to {high:g} {unit}"
    text = str(placed.value(cell))
    try:
        value = parse_quantity(text, unit, ambient_pa=ambient_pa)
    except ValueError as error:
        fault = Fault(where, repr(cell[:40]), "", f"{allowed}; {error}", "Correct the cell.")
        raise InputError([fault]) from None
    if not low <= value <= high:
        raise InputError([Fault(where, f"{value:g}", unit, allowed, "Correct the cell.")])
    return value


def _stage(text: str, row: int) -> tuple[str, int]:
    match = re.fullmatch(r"(\w+?)(?:\s+(\d+))?", text.strip().lower())
    word, number = (match[1], match[2]) if match else (text, None)
    if word not in STAGES or (number is not None and word not in ("aeration", "interrupted")):
        raise InputError(
            [Fault(place(row, "stage"), repr(text[:40]), "", nearest(word, STAGES),
                   "Name the stage where it begins; aeration may carry its step: aeration 2.")]
        )  # fmt: skip
    return word, max(int(number or 1) - 1, 0)


def _readings(
    rows: Sequence[Row], placed: Sequence[Placed], time_zone: str, ambient_pa: float
) -> tuple[list[Reading], list[Fault]]:
    headers = {column.column.path: column.header for column in placed}
    numbers = [column for column in placed if column.column.unit]
    readings, faults = [], []
    stage: tuple[str, int] | None = None
    for row in rows:
        found: dict[str, float] = {}
        moment, said = None, row.cells.get(headers["stage"])
        try:
            moment = _time(row.cells.get(headers["time"], ""), row.number, time_zone)
        except InputError as error:
            faults += error.faults
        if said is not None or row is rows[0]:
            try:
                stage = _stage(said or "", row.number)
            except InputError as error:
                faults += error.faults
        for column in numbers:
            cell = row.cells.get(column.header)
            if cell is not None:
                try:
                    found[column.column.path] = _number(cell, column, row.number, ambient_pa)
                except InputError as error:
                    faults += error.faults
        if moment is not None and stage is not None:
            readings.append(Reading(row.number, moment, *stage, **found))
    return readings, faults


def _pace(reading: Reading) -> str:
    """Name the stage whose pace of recording a reading follows."""
    return "aeration" if reading.stage == "interrupted" else reading.stage


def _usual_steps(readings: Sequence[Reading]) -> dict[str, float]:
    """Return the usual step of time of each stage, of the whole chart where it is short. [s]"""
    steps: dict[str, list[float]] = {}
    for before, now in pairwise(readings):
        if _pace(before) == _pace(now):
            steps.setdefault(_pace(now), []).append((now.time - before.time).total_seconds())
    overall = median([s for each in steps.values() for s in each] or [0.0])
    enough = 3  # steps, to speak of a usual one
    return {
        stage: median(steps[stage]) if len(steps.get(stage, ())) >= enough else overall
        for stage in map(_pace, readings)
    }


def _time_faults(readings: Sequence[Reading]) -> list[Fault]:
    """Find where time goes back, stands still or leaves a gap."""
    faults = []
    usual = _usual_steps(readings)
    for before, now in pairwise(readings):
        step = (now.time - before.time).total_seconds()
        longest = max(usual[_pace(before)], usual[_pace(now)])
        where, given = place(now.row, "time"), f"{step / 60.0:g} min after the row before"
        if step <= 0.0:
            do = "The clock was set back or rows repeat: correct the times."
            faults.append(Fault(where, given, "", "a later time in every row", do))
        elif step > _GAP * longest:
            do = "Rows are missing, or the clock was set forward: give the full chart with offsets."
            faults.append(Fault(where, given, "", f"steps of about {longest / 60.0:g} min", do))
    return faults


def _spans(readings: Sequence[Reading]) -> tuple[Span, ...]:
    groups = [tuple(group) for _, group in groupby(readings, key=lambda r: (r.stage, r.step))]
    starts = [group[0].time for group in groups]
    stops = [*starts[1:], groups[-1][-1].time]
    return tuple(
        Span(group[0].stage, group[0].step, start, stop, group)
        for group, start, stop in zip(groups, starts, stops, strict=True)
    )


def _order_faults(spans: Sequence[Span]) -> list[Fault]:
    """Find stages out of order: each chamber stage comes once, then the way, then aeration."""
    faults, last = [], -1
    for span in spans:
        place_in_cycle = min(STAGES.index(span.stage), STAGES.index("aeration"))
        again = place_in_cycle == last and span.stage not in ("aeration", "interrupted")
        if place_in_cycle < last or again:
            order = ", ".join(STAGES)
            faults.append(Fault(place(span.readings[0].row, "stage"), repr(span.stage), "",
                                f"stages in the order {order}", "Correct the stages."))  # fmt: skip
        last = max(last, place_in_cycle)
    return faults


def chart_from_bytes(
    content: bytes, name: str, time_zone: str = "", ambient_pa: float = STANDARD_ATMOSPHERE_PA
) -> Chart:
    """Read a chart from the content of a CSV or Excel file.

    Parameters
    ----------
    content : bytes
        The whole file: columns time and stage (named where it begins), and any of
        temperature, pressure (absolute, unless header or cell say otherwise), relative
        humidity and EO.
    name : str
        Its file name.
    time_zone : str
        IANA name in which times without an offset are read; without it they are refused.
    ambient_pa : float
        Ambient pressure that gauge and vacuum readings refer to. [Pa]

    Returns
    -------
    Chart
        Spans of the stages, in order.

    Raises
    ------
    InputError
        With every fault by row and column: unknown stages, values beyond a sensor, gaps,
        times that go back, stages out of order.
    """
    sheet = sheet_from_bytes(content, name, {c.header for c in COLUMNS if c.text})
    placed, faults = place_headers(sheet.headers, COLUMNS, "See the columns of a chart.")
    faults += sheet.faults
    for header in ("time", "stage"):
        if header not in [column.column.header for column in placed]:
            faults.append(Fault(f"column {header!r}", "missing", "", "a column of this name",
                                "Add it: the stages of a chart are not guessed."))  # fmt: skip
    if len(sheet.rows) < 2:
        faults.append(Fault("rows", str(len(sheet.rows)), "", "two rows or more",
                            "Give the whole chart."))  # fmt: skip
    if faults:
        raise InputError(faults)
    readings, faults = _readings(sheet.rows, placed, time_zone, ambient_pa)
    if not faults:
        faults = _time_faults(readings) + _order_faults(_spans(readings))
    if faults:
        raise InputError(faults)
    return Chart(_spans(readings), sheet.understood)


def read_chart(
    path: Path, time_zone: str = "", ambient_pa: float = STANDARD_ATMOSPHERE_PA
) -> Chart:
    """Read a chart from a CSV or Excel file; raises as `chart_from_bytes`."""
    return chart_from_bytes(read_bytes(path, "chart"), path.name, time_zone, ambient_pa)
