"""When a measurement is worth asking for, which one number it should settle, and how.

Asked for where the hours at 95 % exceed the cap, where only a correlation stands behind a
material, and where numbers of class C (estimates) decide the verdict: moved to an end of their
ranges they change it.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from fnmatch import fnmatchcase

from eo_risk import reference, units
from eo_risk.judgement.change.bench import Bench
from eo_risk.judgement.change.edits import place_of
from eo_risk.judgement.hours import cap_s
from eo_risk.judgement.influence import Effect, words
from eo_risk.judgement.item_result import ItemDraft
from eo_risk.judgement.own_records import as_records
from eo_risk.judgement.reasons import number
from eo_risk.judgement.result import Action, AerationTime, ItemResult, Verdict
from eo_risk.plan.load_plan import Item, LoadPlan

_CANDIDATES = 6  # strongest inputs tried one by one
Records = Mapping[str, reference.Record]
_ENDS = {"lognormal": (0.05, 0.95), "normal": (0.05, 0.95)}  # where `low` and `high` lie


def cheapest(name: str) -> reference.Measurement:
    """Return the quickest measurement that settles an input.

    One that names this very input comes before those that name its kind, and these before
    those that would settle anything.
    """
    ways = reference.measurements().values()

    def fit(way: reference.Measurement) -> int:
        patterns = [p for p in way.settles if fnmatchcase(name, p)]
        return max((2 if p == name else 1 if p != "*" else 0 for p in patterns), default=-1)

    return min((way for way in ways if fit(way) >= 0), key=lambda way: (-fit(way), way.time_s))


def _action(name: str, why: str) -> Action:
    way = cheapest(name)
    detail = f"{way.how}; {why}"  # what to do comes first
    return Action("measure", detail, None, "", None, units.from_si(way.time_s, "min"))


def _hours(aeration: AerationTime | None) -> str:
    if aeration is None:
        return "unknown hours"
    hours = aeration.p95_s / units.SECONDS_PER_HOUR
    return f"{hours:.3g} h or more" if aeration.unreached else units.hours_text(hours)


def _choices(item: Item, name: str) -> int:
    """Count the choices of an input: the grades of a family, one open face or two, else one."""
    path = re.fullmatch(r"parts\[(\d+)\](\.coating)?\.(material|faces)", name)
    if path is None:
        return 1
    if path[3] == "faces":
        return 2
    part = item.parts[int(path[1])]
    named = part.coating if path[2] else part
    return max(len(reference.material(named.material).members), 1)


def _known_values(item: Item, name: str) -> tuple[float, ...]:
    """Return the quantiles at which an input is tried as known: its middle, or every choice."""
    count = _choices(item, name)
    return tuple((k + 0.5) / count for k in range(count))


def _times_the_limit(draft: ItemDraft) -> float:
    """Return the largest 95 % bound over its limit. [-]"""
    ratios = [r.band.p95 / r.limit for r in draft.rows if r.used_for_verdict and r.limit]
    return max(ratios, default=0.0)


def _beyond_cap(
    plan: LoadPlan, draft: ItemDraft, result: ItemResult, bench: Bench
) -> Action | None:
    """Return the input whose knowledge moves the hours at 95 % most, and its measurement.

    One that changes the verdict comes first. Where no single one brings the hours into sight, the
    one that moves the residue most.
    """
    now, excess = draft.aeration, max(_times_the_limit(draft), 1e-9)
    cap_h = cap_s(plan) / units.SECONDS_PER_HOUR
    moved = []
    item = plan.items[place_of(plan, bench.name)]
    for effect in draft.matters.ranked[:_CANDIDATES]:
        tried = [bench(plan, follow=True, pinned={effect.name: at})
                 for at in _known_values(item, effect.name)]  # fmt: skip
        changes = any(verdict != result.verdict for verdict, _ in tried)
        runs = [run for _, run in tried]
        runs = sorted((run for run in runs if run.aeration), key=lambda run: run.aeration.p95_s)
        if runs:
            hours = max(abs(run.aeration.p95_s - now.p95_s) for run in runs)
            residue = max(abs(math.log(max(_times_the_limit(run), 1e-9) / excess)) for run in runs)
            moved.append((changes, hours, residue, effect.share, effect.name, runs))
    if not moved:
        return None
    changes, *_, name, known = max(moved, key=lambda entry: entry[:4])
    most = ("the one number that would settle most" if changes else
            "no single number changes this verdict, the one that moves it most")  # fmt: skip
    why = (f"{_hours(now)} by the estimate at 95 %, beyond the cap of {cap_h:g} h; {most}: "
           f"{words(name)} ({_then(draft, known)})")  # fmt: skip
    return _action(name, why)


def _then(now: ItemDraft, known: Sequence[ItemDraft]) -> str:
    """Say what knowing a number brings: the hours, or the residue where these stay too far."""
    first, last = known[0], known[-1]
    if first.aeration.unreached:
        times = sorted(_times_the_limit(draft) for draft in known)
        span = " to ".join(dict.fromkeys(number(end, 2) for end in (times[0], times[-1])))
        return (f"with it known the 95 % bound is {span} times its limit, now "
                f"{number(_times_the_limit(now), 2)} times")  # fmt: skip
    if len(known) > 1:
        return f"{_hours(first.aeration)} to {_hours(last.aeration)}, depending on it"
    return f"at its middle value {_hours(first.aeration)}"


def _end(effect: Effect, records: Records, *, worse: bool) -> float:
    """Return the quantile of the end of an estimate's range that raises (lowers) the result."""
    low, high = _ENDS.get(records[effect.name].spread, (0.0, 1.0))
    return high if effect.rising == worse else low


def _estimates(draft: ItemDraft) -> list[Effect]:
    """Return the class C numbers among the inputs that explain part of the spread."""
    letters = dict(draft.records)
    return [e for e in draft.matters.ranked if letters.get(e.name) == "C"]


def _verdicts(
    plan: LoadPlan, estimates: Sequence[Effect], records: Records, result: ItemResult,
    bench: Bench,
) -> tuple[Verdict, Verdict]:  # fmt: skip
    """Return the verdicts with estimates at the ends that lower and that raise the result."""
    better, worse = (
        result.verdict if result.verdict == "Within" and not raised else
        bench(plan, pinned={e.name: _end(e, records, worse=raised) for e in estimates})[0]
        for raised in (False, True)
    )  # fmt: skip
    return better, worse


def _may_change(result: ItemResult) -> bool:
    """Tell whether any estimate could reach the verdict: nothing else holds it.

    However far below its limit a residue is, it may fall exponentially with an estimate: only
    where nothing at all is left is there nothing to move.
    """
    blocking = {c.code for c in result.cautions if c.level == "block"}
    if blocking - {"glycol_above_reference"} or result.verdict == "Not assessed":
        return False
    return any(r.limit and r.band.p95 > 0.0 for r in result.residues
               if r.used_for_verdict or r.kind == "screening")  # fmt: skip


def deciding_estimate(
    plan: LoadPlan, draft: ItemDraft, result: ItemResult, bench: Bench
) -> Action | None:
    """Ask for a measurement where numbers of class C decide the verdict.

    All of them are moved to the end that lowers and to the end that raises the result; where
    that changes the verdict, the one named is the strongest that changes it alone, else the
    strongest.
    """
    estimates = _estimates(draft)
    if not estimates or not _may_change(result):
        return None
    records = reference.records() | as_records(plan.own_records, bench.name)
    better, worse = _verdicts(plan, estimates, records, result, bench)
    if {better, worse} == {result.verdict}:
        return None
    for effect in estimates[:_CANDIDATES]:
        alone = _verdicts(plan, [effect], records, result, bench)
        if set(alone) != {result.verdict}:
            low, high = alone if effect.rising else reversed(alone)
            why = f"{_range(effect, records)}: {low} at its low end, {high} at its high end"
            return _action(effect.name, f"the verdict rests on an estimate, {why}")
    ends = f"{better} with all of them at the favourable end, {worse} at the other"
    first = estimates[0]
    most = _range(first, records)
    return _action(first.name, f"the verdict rests on estimates, {ends}; most on {most}")


def _range(effect: Effect, records: Records) -> str:
    record = records[effect.name]
    unit = "" if record.unit in ("1", "-") else f" {record.unit}"
    return f"{words(effect.name)}, {record.low:.3g} to {record.high:.3g}{unit}"


def measure_actions(
    plan: LoadPlan, draft: ItemDraft, result: ItemResult, bench: Bench
) -> list[Action]:
    """Return the one measurement worth asking for, if any."""
    codes = {c.code for c in result.cautions if c.level == "block"}
    if draft.aeration is not None and draft.aeration.beyond_cap:
        found = _beyond_cap(plan, draft, result, bench)
    elif "correlation_only" in codes:
        found = _action("diffusivity", "no EO number stands behind a material of this item")
    elif "irradiated_chlorinated" in codes:
        found = _action("irradiated.ech", "its chlorohydrin may be about 10 times as high")
    else:
        found = deciding_estimate(plan, draft, result, bench)
    return [] if found is None else [found]
