"""A plan as it ran: measured values laid over the planned ones, and what differs.

A value that was not measured stays as planned and is named as such. Time lost within an
aeration counts for the clock, never as aeration.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import pairwise
from typing import Any

from pydantic import ValidationError

from eo_risk.errors import Fault, InputError
from eo_risk.files import as_text
from eo_risk.plan.chart import CHAMBER_STAGES, Chart, Span, chart_from_bytes
from eo_risk.plan.fields import Block, Moment, Text, faults_of, is_unknown, number, whole
from eo_risk.plan.load_plan import (
    Cycle,
    LoadPlan,
    json_of,
    known_fields,
    read_plan,
    validation_context,
)
from eo_risk.plan.site import merged

NOT_MEASURED = "not measured: the planned value is kept"


class Interruption(Block):
    """Time without aeration within a step: the cabinet stood open or still."""

    start: Moment = None
    stop: Moment = None


class AerationRun(Block):
    """How one planned aeration step ran; `step` counts from 1."""

    step: whole(1, 100) = 1
    start: Moment = None
    stop: Moment = None
    temperature_c: number("C", -20.0, 120.0) = None
    air_changes_per_h: number("1/h", 0.0, 10_000.0) = None
    interruptions: tuple[Interruption, ...] = ()


class AsRun(Block):
    """What was measured while a cycle and its aeration ran; every field may be unknown."""

    cycle_start: Moment = None
    cycle: Cycle = Cycle()
    aeration: tuple[AerationRun, ...] = ()
    note: Text = ""


@dataclass(frozen=True)
class Difference:
    """One field whose value as run is not the planned one, or that was not measured."""

    field: str
    planned: Any
    as_run: Any
    note: str = ""


def _hours(span: timedelta) -> float:
    return span / timedelta(hours=1)


def _minutes(span: timedelta) -> float:
    return span / timedelta(minutes=1)


def _run_faults(values: AsRun) -> list[Fault]:
    """Find times that do not fit: each step and interruption ends after it starts, in order."""
    faults = []

    def order(where: str, start: datetime | None, stop: datetime | None) -> None:
        if start is None or stop is None:
            faults.append(Fault(where, "a start or stop that is missing", "", "both times",
                                "Give start and stop."))  # fmt: skip
        elif stop <= start:
            faults.append(Fault(f"{where}.stop", stop.isoformat(), "", f"after {start.isoformat()}",
                                "Correct the times."))  # fmt: skip

    for i, run in enumerate(values.aeration):
        where = f"aeration[{i}]"
        order(where, run.start, run.stop)
        for j, lost in enumerate(run.interruptions):
            order(f"{where}.interruptions[{j}]", lost.start, lost.stop)
    if faults:
        return faults
    for i, run in enumerate(values.aeration):
        edges = [run.start, *(t for lost in run.interruptions for t in (lost.start, lost.stop)),
                 run.stop]  # fmt: skip
        if any(b < a for a, b in pairwise(edges)):
            faults.append(Fault(f"aeration[{i}].interruptions", "times outside the step or over "
                                "one another", "", "within the step, in order",
                                "Correct the times."))  # fmt: skip
    for i, (before, now) in enumerate(pairwise(values.aeration), start=1):
        if now.start < before.stop or now.step <= before.step:
            faults.append(Fault(f"aeration[{i}]", now.start.isoformat(), "",
                                "steps in order, each after the one before",
                                "Correct steps or times."))  # fmt: skip
    return faults


def _aeration(plan: LoadPlan, values: AsRun) -> tuple[list[dict[str, Any]], list[Fault]]:
    """Return the aeration steps as run; a step that has not run stays as planned."""
    steps = [step.model_dump(mode="json") for step in plan.aeration]
    faults = []
    before: datetime | None = None
    for i, run in enumerate(values.aeration):
        if run.step > len(steps):
            faults.append(Fault(f"aeration[{i}].step", str(run.step), "", f"1 to {len(steps)}",
                                "Name a step of the plan."))  # fmt: skip
            continue
        lost = sum((gap.stop - gap.start for gap in run.interruptions), timedelta())
        # The way from one aerator to the next is time lost too.
        moved = run.start - before if before is not None else timedelta()
        before = run.stop
        steps[run.step - 1]["hours"] = _hours(run.stop - run.start - lost)
        if lost + moved:
            steps[run.step - 1]["interrupted_h"] = _hours(lost + moved)
        for key in ("temperature_c", "air_changes_per_h"):
            if getattr(run, key) is not None:
                steps[run.step - 1][key] = getattr(run, key)
    return steps, faults


def _flat(value: Any, path: str = "") -> Iterator[tuple[str, Any]]:
    if isinstance(value, Mapping):
        for key, inner in value.items():
            yield from _flat(inner, f"{path}.{key}" if path else key)
    elif isinstance(value, list):
        for i, inner in enumerate(value):
            yield from _flat(inner, f"{path}[{i}]")
    else:
        yield path, None if is_unknown(value) else value


def _differences(plan: LoadPlan, run: LoadPlan, values: AsRun) -> tuple[Difference, ...]:
    keys = {"cycle_start", "cycle", "aeration"}
    planned = dict(_flat(plan.model_dump(mode="json", include=keys)))
    ran = dict(_flat(run.model_dump(mode="json", include=keys)))
    measured = {path for path, value in _flat(values.model_dump(mode="json", exclude_unset=True))}
    measured |= {
        f"aeration[{r.step - 1}].{key}"
        for r in values.aeration
        for key in ("hours", "interrupted_h", "place", "free_volume_l", "holds_other_load")
    } | {
        f"aeration[{r.step - 1}].{key}"
        for r in values.aeration
        for key in ("temperature_c", "air_changes_per_h")
        if getattr(r, key) is not None
    }
    found = [
        Difference(path, planned.get(path), value)
        for path, value in ran.items()
        if planned.get(path) != value
    ]
    kept = [
        Difference(path, value, value, NOT_MEASURED)
        for path, value in ran.items()
        if isinstance(value, (int, float)) and path not in measured and planned.get(path) == value
    ]
    return tuple(found + kept)


def as_run(plan: LoadPlan, values: AsRun | Chart) -> tuple[LoadPlan, tuple[Difference, ...]]:
    """Copy a plan to status as run, with what was measured.

    Parameters
    ----------
    plan : LoadPlan
        The plan before the cycle, resolved.
    values : AsRun or Chart
        Measured values, or the chart they are taken from.

    Returns
    -------
    LoadPlan
        The plan as run; what was not measured stays as planned.
    tuple of Difference
        Every field that differs, then every number that was not measured.

    Raises
    ------
    InputError
        If times are out of order, or the values do not fit together as a plan.
    """
    if isinstance(values, Chart):
        values = values_of_chart(values)
    faults = _run_faults(values)
    steps, step_faults = ([], []) if faults else _aeration(plan, values)
    if faults or step_faults:
        raise InputError(faults + step_faults)
    raw = plan.model_dump(mode="json")
    measured = values.cycle.model_dump(mode="json", exclude_unset=True)
    raw |= {"status": "as_run", "aeration": steps, "cycle": merged(raw["cycle"], measured)}
    if values.cycle_start is not None:
        raw["cycle_start"] = values.cycle_start.isoformat()
    run = read_plan(raw)
    return run, _differences(plan, run, values)


def measured_from_bytes(plan: LoadPlan, content: bytes, name: str) -> AsRun:
    """Read what was measured from a file: a chart as a table, or values as JSON.

    Parameters
    ----------
    plan : LoadPlan
        The plan that ran; its rules give the time zone and the ambient pressure.
    content : bytes
        The whole file.
    name : str
        Its file name; the ending ``.json`` means values, any other a chart.

    Returns
    -------
    AsRun
        What `as_run` lays over the plan.

    Raises
    ------
    InputError
        With every fault of the file.
    """
    context = validation_context(plan.model_dump(mode="json"))
    if not name.lower().endswith(".json"):
        return values_of_chart(chart_from_bytes(content, name, plan.rules.time_zone, **context))
    raw = json_of(as_text(content, name))
    try:
        return AsRun.model_validate(raw, context=context)
    except ValidationError as error:
        names = {"": list(AsRun.model_fields), "aeration": list(AerationRun.model_fields),
                 "interruptions": list(Interruption.model_fields)}  # fmt: skip
        raise InputError(faults_of(error, known_fields() | names)) from None


def _washes(span: Span) -> dict[str, Any]:
    """Count the air washes in the pressure: each goes below the middle and comes back."""
    shown = span.values("pressure_kpa")
    if not shown or max(shown) < 2.0 * min(shown):
        return {}  # no swing of pressure to count
    middle = (max(shown) + min(shown)) / 2.0
    lows: list[list[float]] = []
    highs: list[list[float]] = []
    below = False
    for pressure in shown:
        if pressure < middle:
            if not below:
                lows.append([])
            lows[-1].append(pressure)
        elif lows:
            if below:
                highs.append([])
            highs[-1].append(pressure)
        below = pressure < middle
    found: dict[str, Any] = {
        "count": len(lows),
        "low_kpa": sum(map(min, lows)) / len(lows),
        "minutes_each": _minutes(span.length) / len(lows),
    }
    return found | ({"high_kpa": sum(map(max, highs)) / len(highs)} if highs else {})


def _cycle_values(chart: Chart) -> dict[str, Any]:
    """Return what the chamber stages of a chart show, as fields of a cycle."""
    by_stage = {span.stage: span for span in chart.spans if span.stage in CHAMBER_STAGES}
    cycle: dict[str, Any] = {}
    if "evacuation" in by_stage:
        span = by_stage["evacuation"]
        cycle["evacuation_min"] = _minutes(span.length)
        # The lowest pressure may stand in the row that already shows the next stage.
        after = [s.readings[0].pressure_kpa for s in chart.spans if s.start == span.stop]
        shown = [p for p in (*span.values("pressure_kpa"), *after) if p is not None]
        cycle["evacuation_kpa"] = min(shown, default=None)
    if "conditioning" in by_stage:
        span = by_stage["conditioning"]
        cycle["conditioning_min"] = _minutes(span.length)
        cycle["conditioning_rh_percent"] = span.mean("rh_percent")
    if "injection" in by_stage:
        cycle["injection_min"] = _minutes(by_stage["injection"].length)
    if "exposure" in by_stage:
        span = by_stage["exposure"]
        cycle["exposure_h"] = _hours(span.length)
        cycle["temperature_c"] = span.mean("temperature_c")
        cycle["total_pressure_kpa"] = span.mean("pressure_kpa")
        cycle["eo_mg_per_l"] = span.mean("eo_mg_per_l")
    if "wash" in by_stage:
        cycle["washes"] = _washes(by_stage["wash"])
    return cycle


def values_of_chart(chart: Chart) -> AsRun:
    """Take the measured values a chart shows.

    The note says what the reader understood. Means are taken over the readings of a stage,
    evacuation pressure is the lowest shown, lengths run to the first reading of the next stage.
    """
    cycle = _cycle_values(chart)
    chamber = [span for span in chart.spans if span.stage in CHAMBER_STAGES]
    aeration = _aeration_runs(chart)
    if chamber:
        cycle["length_h"] = _hours(chamber[-1].stop - chamber[0].start)
        if aeration:
            cycle["transfer_min"] = _minutes(aeration[0]["start"] - chamber[-1].stop)
    start = chamber[0].start if chamber else None
    values = {"cycle_start": start, "cycle": cycle, "aeration": aeration}
    return AsRun.model_validate(values | {"note": f"chart: {chart.understood}"})


def _aeration_runs(chart: Chart) -> list[dict[str, Any]]:
    """Put the spans of each aeration step together, what interrupts it within."""
    runs: list[dict[str, Any]] = []
    spans = [span for span in chart.spans if span.stage in ("aeration", "interrupted")]
    for i, span in enumerate(spans):
        if span.stage == "interrupted":
            # After the last reading of a step nothing is interrupted: the step is over.
            if runs and any(s.stage == "aeration" and s.step + 1 == runs[-1]["step"]
                            for s in spans[i:]):  # fmt: skip
                runs[-1]["interruptions"].append({"start": span.start, "stop": span.stop})
            continue
        if not runs or runs[-1]["step"] != span.step + 1:
            runs.append({"step": span.step + 1, "start": span.start, "interruptions": [],
                         "shown": []})  # fmt: skip
        runs[-1]["stop"] = span.stop
        runs[-1]["shown"] += span.values("temperature_c")
    for run in runs:
        shown = run.pop("shown")
        run["temperature_c"] = sum(shown) / len(shown) if shown else None
    return runs
