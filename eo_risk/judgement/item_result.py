"""One item from samples to its result: residues, hours, cautions, reasons, what matters."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from eo_risk import reference, units
from eo_risk.judgement.aerator_air import Gas, stretched
from eo_risk.judgement.cautions import ItemFacts, required_by_others
from eo_risk.judgement.dose import Counted
from eo_risk.judgement.dose import counted as counted_residue
from eo_risk.judgement.influence import Matters, matters, words
from eo_risk.judgement.inputs import ItemInputs
from eo_risk.judgement.limits import Limit, limits_for, screening_by_id
from eo_risk.judgement.own_records import as_records, own_record_uses
from eo_risk.judgement.parts import mass_differs
from eo_risk.judgement.residues import (
    Amounts,
    decide,
    glycol_over,
    hours_inside,
    residue_rows,
)
from eo_risk.judgement.result import (
    AerationTime,
    Assumed,
    Band,
    Caution,
    Curve,
    ItemResult,
    OwnRecordUse,
    PartHold,
    Question,
    Residue,
    WaterPlace,
)
from eo_risk.judgement.risk import Draw
from eo_risk.judgement.simulate import ItemTrace, glycol, part_holds, simulate
from eo_risk.judgement.timeline import (
    LoadStage,
    Timeline,
    aeration_stages,
    ambient_pa,
    with_aeration,
)
from eo_risk.judgement.wetness import WaterStage, water_stages
from eo_risk.physics.properties import arrhenius, outside_range
from eo_risk.plan.load_plan import Item, LoadPlan
from eo_risk.plan.own_numbers import own_edition
from eo_risk.plan.starting_types import from_starting_type, starting_ranges

# How far beyond the cap the aeration is followed, to name a number where one exists.
_FOLLOWED_CAPS = 4.0
_POINTS_PER_DECADE = 8
_NOTHING = 1e-6  # in the unit of a row; below it no figure is worth printing


@dataclass(frozen=True)
class ItemDraft:
    """An item computed, before the load's time out is known."""

    name: str
    quantity: int
    facts: ItemFacts
    missing: tuple[str, ...]
    rows: tuple[Residue, ...]
    aeration: AerationTime | None
    curve: Curve
    parts: tuple[PartHold, ...]
    water: tuple[Band, Band, Band]
    places: tuple[WaterPlace, ...]
    matters: Matters
    assumed: tuple[Assumed, ...]
    records: tuple[tuple[str, str], ...]
    data_class: str
    taken_up_kg: float
    released_kg: float
    body_mass_kg: float | None
    starting_type: str
    held_kg: np.ndarray  # EO in the parts at the start and end of every aeration stage
    store_m3: float  # air that would hold as much EO as the parts at one level
    least_limit_kg: float
    residue_counted: str
    own_records: tuple[OwnRecordUse, ...]


def _limits(plan: LoadPlan, item: Item) -> tuple[tuple[Limit, ...], list[str], float | None, dict]:
    """Return limits and screening reference, what is missing, the body mass, days."""
    patient, missing = item.patient, []
    mass = patient.body_mass_kg or plan.rules.lightest_patient_kg
    duration = "limited" if patient.duration == "none" else patient.duration
    if duration is None:
        missing.append("contact duration is not known")
    if mass is None:
        missing.append("body mass of the lightest patient is not known")
    screening = screening_by_id(plan.rules.glycol_reference, mass)
    found = limits_for(
        plan.rules.edition, duration or "permanent", mass, patient.devices_used_together,
        special=patient.special, own=own_edition(plan.own_limits, plan.rules.edition),
    )  # fmt: skip
    if found.empty_reason:
        missing.append(found.empty_reason)
    if plan.rules.edition == "iso10993-7:1995":
        missing.append("the 1995 edition is history and gives no verdict")
    return (*found.limits, screening), missing, mass, dict(found.days)


def _counted(item: Item) -> Counted:
    patient = item.patient
    return counted_residue(patient.residue_counted or "whole",
                           patient.share_reaching_patient_percent)  # fmt: skip


def _amounts(trace: ItemTrace, item: Item, share: dict[str, np.ndarray], days: dict) -> Amounts:
    """Collect what is left at the end of the aeration, by model."""
    counted = _counted(item).share
    forms = ("film", "plug") if trace.water.plug is not None else ("whole",)
    eo = {form: counted * trace.eo(form)[-1] for form in forms}
    eg = {form: glycol(trace, form)[-1] for form in forms}
    eg["ceiling"] = np.maximum(trace.water.ceiling_eg, np.max(np.stack(list(eg.values())), axis=0))
    ech = {}
    for form in forms:
        body = trace.water.film if form != "plug" else trace.water.plug
        polymer = trace.parts_ech[-1]
        if np.any(body.ech_buffered > 0.0):
            ech[(form, "buffered")] = polymer + body.ech_buffered
            ech[(form, "unbuffered")] = polymer + body.ech_unbuffered
        else:
            ech[(form, None)] = polymer
    spot = trace.water.wet_spot
    return Amounts(eo, ech, eg, None if spot is None else counted * spot, share, days)


def _dose_shares(
    trace: ItemTrace, item: Item, inputs: ItemInputs, timeline: Timeline
) -> dict[str, np.ndarray]:
    """Return the share of the EO residue that leaves the item within each period.

    Only for contact beyond a day: the parts give off at body temperature without resistance
    outside; dissolved EO counts in full from the first day.
    """
    if item.patient.duration not in ("prolonged", "permanent"):
        return {}
    from eo_risk.judgement.parts import layer_stages
    from eo_risk.physics.layer import run_layer

    first = timeline.exposure_first
    last = timeline.stages[-1]
    body_k = inputs.draw("patient.temperature")
    zero = np.zeros_like(body_k)
    contact = [
        replace(last, duration_s=np.full_like(body_k, days * units.SECONDS_PER_DAY),
                temperature_k=body_k, eo_start_kg_per_m3=zero, eo_end_kg_per_m3=zero)
        for days in (1.0, 29.0)
    ]  # fmt: skip
    left = [np.zeros_like(body_k) for _ in range(3)]
    for model in trace.models:
        if model.body is None:
            continue
        stages = layer_stages(model, timeline.chamber[first:] + timeline.aeration, inputs)
        bare = replace(model, transfer_m_per_s=np.full_like(body_k, np.inf))
        run = run_layer(model.body, stages + layer_stages(bare, contact, inputs))
        for i in range(3):
            left[i] = left[i] + run.mean_kg_per_m3[-3 + i] * model.volume_m3
    water = trace.water.film.eo[-1] if trace.water.plug is None else trace.water.plug.eo[-1]
    total = np.maximum(left[0] + water, np.finfo(float).tiny)
    day, month = ((left[0] - left[i] + water) / total for i in (1, 2))
    shares = {"24h": day, "30d": month}
    if item.patient.duration == "prolonged":
        shares["day"] = month
    return {period: np.clip(share, 0.0, 1.0) for period, share in shares.items()}


def _ruling_curves(
    trace: ItemTrace, rows: Sequence[Residue], limits: Sequence[Limit], amounts: Amounts
) -> list[tuple[np.ndarray, np.ndarray | float]]:
    """Return the EO and ECH amounts over the aeration with the limit each must meet. [kg]"""
    after = trace.after_wash()
    curves = []
    for row in rows:
        if not row.used_for_verdict or row.limit is None or row.model == "wet_spot":
            continue
        if row.substance == "EO":
            amount = trace.eo(row.model)[after]
        else:
            # Chlorohydrin in water stays; that in the parts leaves.
            amount = trace.parts_ech[after]
            amount = amount + (amounts.ech[(row.model, row.buffering)] - trace.parts_ech[-1])
        limit: np.ndarray | float = row.limit
        if row.quantity == "ug_per_cm2":
            limit = row.limit * trace.contact_area_m2
        elif row.period == "day":
            limit = row.limit * amounts.days["day"]
        share = amounts.dose_share.get(row.period)
        if share is not None and row.substance == "EO":
            amount = amount * share
        curves.append((np.maximum(amount, 1e-300), limit))
    if trace.water.plug is not None and any(r.model == "wet_spot" for r in rows):
        spot = next(r for r in rows if r.model == "wet_spot")
        body = trace.water.plug.eo
        end = np.maximum(body[-1], np.finfo(float).tiny)
        density = trace.water.wet_spot * body[after] / end
        curves.append((np.maximum(density, 1e-300), spot.limit))
    return curves


def lengthened_step(plan: LoadPlan) -> int:
    """Return the index of the aeration step that is lengthened when more is needed."""
    for index, step in enumerate(plan.aeration):
        if step.place in ("cabinet", "chamber"):
            return index
    return len(plan.aeration) - 1


def cap_s(plan: LoadPlan) -> float:
    """Return the hours beyond which a measurement is asked for instead. [s]"""
    cap = plan.rules.beyond_cap_h
    default = reference.record("decision.beyond_cap").value_si
    return default if cap is None else units.to_si(cap, "h")


def _longer(plan: LoadPlan, inputs: ItemInputs, timeline: Timeline) -> tuple[LoadStage, ...]:
    """Return an aeration whose lengthened step goes far beyond the cap, finely cut."""
    index = lengthened_step(plan)
    far = _FOLLOWED_CAPS * cap_s(plan)
    count = 3 * _POINTS_PER_DECADE + 1
    cuts = tuple(np.geomspace(1e-3, 1.0, count))
    step = plan.aeration[index].model_copy(update={"hours": far / units.SECONDS_PER_HOUR})
    steps = (*plan.aeration[:index], step)
    return aeration_stages(steps, inputs, timeline.end_temperature_k, timeline.lag_s,
                           ambient_pa(plan), {index: cuts})  # fmt: skip


def _slow_pool(
    plan: LoadPlan, trace: ItemTrace, timeline: Timeline, inputs: ItemInputs
) -> ItemTrace:
    """Return the trace with a strongly bound share of EO that leaves by its own half-life.

    The share is of what each part held as the last wash ended; it slows with temperature as
    the part's own diffusion does.
    """
    share, half_s = inputs.draw("slow_pool.fraction"), inputs.draw("slow_pool.half_life")
    after = trace.after_wash()
    stages = (timeline.chamber[timeline.exposure_first :] + timeline.aeration)[after[0] :]
    parts = []
    for model, fast in zip(trace.models, trace.parts_eo, strict=True):
        if model.body is None:
            parts.append(fast)
            continue
        activation = inputs.draw(f"{model.members[0]}.activation")
        turns = np.cumsum([
            s.duration_s / arrhenius(half_s, -activation, s.temperature_k) for s in stages
        ], axis=0)  # fmt: skip
        bound = fast[after[0]] * np.exp2(-np.concatenate([np.zeros((1, turns.shape[1])), turns]))
        slow = fast.copy()
        slow[after] = (1.0 - share) * fast[after] + share * bound
        parts.append(slow)
    return replace(trace, parts_eo=tuple(parts))


def _needed(trace: ItemTrace, curves: list, quantile: float) -> float | None:
    time = np.median(trace.time_s[trace.after_wash()], axis=1)
    return hours_inside(time, curves, quantile)


def _aeration_time(
    plan: LoadPlan, item: Item, p50: float | None, p95: float | None, far_s: float
) -> AerationTime:
    asked = [(who, units.to_si(hours, "h")) for who, hours, _ in required_by_others(item, plan)]
    estimate = far_s if p95 is None else p95
    everyone = [*asked, ("estimate at 95 %", estimate)]
    governed_by, required = max(everyone, key=lambda pair: pair[1])
    return AerationTime(
        far_s if p50 is None else p50, estimate, required, governed_by,
        p95 is None or estimate > cap_s(plan), p95 is None,
    )  # fmt: skip


def _hours(
    plan: LoadPlan, item: Item, inputs: ItemInputs, timeline: Timeline, trace: ItemTrace,
    curves: list, again,
) -> AerationTime:  # fmt: skip
    """Return the hours needed; `again(timeline)` re-runs the item where the plan ends first."""
    found = {q: _needed(trace, curves, q) for q in (0.5, 0.95)}
    far_s = float(np.median(trace.time_s[-1]))
    if any(value is None for value in found.values()):
        longer = with_aeration(timeline, _longer(plan, inputs, timeline))
        trace_far, curves_far = again(longer)
        far_s = float(np.median(trace_far.time_s[-1]))
        found = {
            q: value if value is not None else _needed(trace_far, curves_far, q)
            for q, value in found.items()
        }
    return _aeration_time(plan, item, found[0.5], found[0.95], far_s)


def _hours_by_part(trace: ItemTrace, limit_kg: float) -> list[Band | None]:
    """Return when each part alone falls below the strictest EO limit. [s]

    None for a part that holds no EO, or not within the planned aeration.
    """
    time = np.median(trace.time_s[trace.after_wash()], axis=1)
    found: list[Band | None] = []
    for model, eo in zip(trace.models, trace.parts_eo, strict=True):
        curve = [(np.maximum(eo[trace.after_wash()], 1e-300), limit_kg)]
        hours = [
            hours_inside(time, curve, q) if model.body is not None and limit_kg > 0.0 else None
            for q in (0.05, 0.5, 0.95)
        ]
        found.append(None if None in hours else Band(*hours))
    return found


def _curve(trace: ItemTrace, form: str) -> Curve:
    after = trace.after_wash()
    low, middle, high = np.quantile(trace.eo(form)[after], (0.05, 0.5, 0.95), axis=1)
    time = np.maximum(np.median(trace.time_s[after], axis=1), 0.0)
    return Curve(*(tuple(float(v) for v in row) for row in (time, low, middle, high)))


def _outside_range(trace: ItemTrace, timeline: Timeline) -> tuple[str, ...]:
    kelvin = np.array([float(np.median(s.temperature_k)) for s in timeline.stages])
    found = []
    for model in trace.models:
        names = [f"{m}.diffusivity" for m in model.members]
        known = [n for n in names if n in reference.records()]
        if model.body is not None and any(outside_range(n, kelvin) for n in known):
            found.append(model.part.name)
    return tuple(found)


def _target(rows: Sequence[Residue]) -> Residue | None:
    """Return the row that comes nearest to, or goes furthest over, its limit."""
    candidates = [
        row
        for row in rows
        if row.limit and (row.used_for_verdict or (row.kind == "screening"
                                                   and row.model in ("film", "whole")))
    ]  # fmt: skip
    return max(candidates, key=lambda row: row.band.p95 / row.limit, default=None)


def draft_item(
    plan: LoadPlan,
    index: int,
    draw: Draw,
    load_inputs: ItemInputs,
    timeline: Timeline,
    waters: Sequence[WaterStage],
    *,
    follow: bool = True,
    gas: Gas | None = None,
) -> ItemDraft:
    """Compute one item of a plan.

    Without `follow` the hours of aeration are left out; `gas` are EO levels per stage that
    stand for clean air in the aeration.
    """
    item = plan.items[index]
    inputs = ItemInputs(draw.item(item.name, as_records(plan.own_records, item.name)),
                        starting_ranges(item))  # fmt: skip
    trace = simulate(plan, item, inputs, timeline, waters, gas=gas)
    if plan.rules.slow_pool == "on":
        trace = _slow_pool(plan, trace, timeline, inputs)
    limits, missing, mass, days = _limits(plan, item)
    amounts = _amounts(trace, item, _dose_shares(trace, item, inputs, timeline), days)
    rows = residue_rows(limits, amounts, trace.contact_area_m2)
    curves = _ruling_curves(trace, rows, limits, amounts)

    def again(longer: Timeline) -> tuple[ItemTrace, list]:
        far = simulate(
            plan,
            item,
            inputs,
            longer,
            water_stages(longer, inputs.draw, 0.0)
            if plan.cycle.gas.balance != "co2"
            else _like(waters, longer, inputs),
            gas=None if gas is None else stretched(gas, timeline, longer),
        )
        if plan.rules.slow_pool == "on":
            far = _slow_pool(plan, far, longer, inputs)
        return far, _ruling_curves(far, rows, limits, _amounts(far, item, amounts.dose_share, days))

    aeration = None
    if follow and not missing:
        aeration = _hours(plan, item, inputs, timeline, trace, curves, again)
        if plan.rules.slow_pool == "off" and any(m.body is not None for m in trace.models):
            slow = _slow_pool(plan, trace, timeline, inputs)
            late = _needed(slow, _ruling_curves(slow, rows, limits, amounts), 0.95)
            aeration = replace(aeration, with_slow_pool_p95_s=late)
    target = _target(rows)
    variables = {**load_inputs.draw.variables, **inputs.draw.variables}
    ruling_form = next((r.model for r in rows if r.substance == "EO" and r.used_for_verdict
                        and r.model != "wet_spot"), "whole")  # fmt: skip
    results = {"EO": trace.eo(ruling_form)[-1], "EG": glycol(trace, "film")[-1]}
    if target and target.substance == "ECH":
        results["ECH"] = amounts.ech[(target.model, target.buffering)]
    found = matters(target.substance if target else "EO", results, variables)
    letters = [m.data_class for m in trace.models] or ["A"]
    records = tuple(
        (name, inputs.draw.record(name).data_class)
        for name in variables
        if name in reference.records()
    )
    asked = "patient.contact_area_cm2"
    assumed = tuple(sorted({**load_inputs.assumed, **inputs.assumed}.values(),
                           key=lambda a: (a.field != asked, a.field)))  # fmt: skip
    facts = ItemFacts(
        glycol_over_reference=glycol_over(rows),
        starved_lumens=trace.water.starved,
        deep_plugs=trace.water.deep_plugs,
        outside_material_range=_outside_range(trace, timeline),
        mass_geometry_differ=mass_differs(item),
        extra=_extra(plan, item, trace, aeration),
    )
    return ItemDraft(
        item.name, item.quantity or 1, facts, tuple(missing), rows, aeration,
        _curve(trace, ruling_form),
        part_holds(trace, _hours_by_part(trace, _least_limit(rows, trace))),
        (Band.of(trace.water.after_drying), Band.of(trace.water.at_injection),
         Band.of(trace.water.after_aeration)),
        trace.water.places, found, assumed, records, max(letters),
        float(np.median(trace.at_end_of_exposure)), float(np.median(trace.water.released_kg)),
        mass, ", ".join(from_starting_type(item)),
        trace.polymer_eo[-len(timeline.aeration) - 1 :] * np.ones(inputs.samples), trace.store_m3,
        _least_limit(rows, trace),
        _counted(item).text, own_record_uses(plan.own_records, item.name, variables),
    )  # fmt: skip


def _least_limit(rows: Sequence[Residue], trace: ItemTrace) -> float:
    """Return the smallest EO limit as a mass. [kg]"""
    area = float(np.median(trace.contact_area_m2))
    found = [
        row.limit * (area if row.quantity == "ug_per_cm2" else 1.0)
        for row in rows
        if row.substance == "EO" and row.limit and row.used_for_verdict
    ]
    return min(found, default=0.0)


def _extra(
    plan: LoadPlan, item: Item, trace: ItemTrace, aeration: AerationTime | None
) -> tuple[tuple[str, str], ...]:
    """Name the cautions that follow from the parts and the hours, with where they stand."""
    found = []
    if any(eo[-1].any() for eo in trace.parts_eo):
        found.append(("slow_tail", ""))
    if aeration is not None and aeration.beyond_cap:
        found.append(("beyond_cap", ""))
    for model in trace.models:
        behaviour = {reference.material(m).behaviour for m in model.members}
        if behaviour & {"porous", "aqueous"}:
            found.append(("glycol_in_hydrogel", model.part.name))
        if model.body is not None and model.data_class == "C":
            found.append(("estimated_material", model.part.name))
    if item.earlier_eo_cycles:
        found.append(("earlier_cycles", f"{item.earlier_eo_cycles} before"))
    humidity = plan.cycle.conditioning_rh_percent
    brine = reference.record("decision.salt_humidity").value
    if item.rinse_water in ("tap", "saline") and humidity is not None and humidity > brine:
        found.append(("salt_takes_up_water", f"{humidity:g} % RH"))
    return tuple(found)


def _like(
    waters: Sequence[WaterStage], timeline: Timeline, inputs: ItemInputs
) -> tuple[WaterStage, ...]:
    """Return the water stages of a longer aeration after the same CO2 cycle."""
    chamber = len(timeline.chamber) - timeline.exposure_first
    return tuple(waters[:chamber]) + water_stages(timeline, inputs.draw, 0.0)[chamber:]


def number(value: float) -> str:
    """Write a number with three significant figures, without an exponent where legible."""
    if 0.0 < abs(value) < _NOTHING:
        return f"below {_NOTHING:g}"
    text = f"{value:.3g}"
    return f"{float(text):.10g}" if "e" in text and 1e-4 <= abs(value) < 1e7 else text


def row_text(row: Residue, body_mass_kg: float | None) -> str:
    """Say one residue against its limit in words."""
    unit = row.unit
    p05, p50, p95 = (number(units.from_si(v, unit)) for v in
                     (row.band.p05, row.band.p50, row.band.p95))  # fmt: skip
    text = f"{row.substance} {p50} {unit} ({p05} to {p95})"
    if row.limit is None:
        return f"{text}, no figure to compare with"
    kind = "screening reference" if row.kind == "screening" else "limit"
    where = {"contact": "contact area", "24h": "first 24 h", "30d": "first 30 d",
             "day": "per day"}.get(row.period, row.period)  # fmt: skip
    mass = "" if body_mass_kg is None else f", {body_mass_kg:g} kg"
    spot = " in a wet spot" if row.model == "wet_spot" else ""
    over = ""
    if row.probability_over:
        over = f", {row.probability_over:.0%} chance of being over"
    limit = number(units.from_si(row.limit, unit))
    return f"{text}{spot}, {kind} {limit} {unit} ({where}{mass}){over}"


def _reasons(
    item_draft: ItemDraft, cautions: Sequence[Caution], rows: Sequence[Residue]
) -> tuple[str, ...]:
    blocking = [
        f"{c.text}{f' ({c.where})' if c.where else ''}" for c in cautions if c.level == "block"
    ]
    with_limit = sorted(
        (r for r in rows if r.limit and r.used_for_verdict),
        key=lambda r: -r.band.p95 / r.limit,
    )
    over = [r for r in with_limit if r.band.p95 > r.limit]
    texts = [row_text(r, item_draft.body_mass_kg) for r in (over or with_limit[:1])]
    if item_draft.facts.glycol_over_reference:
        texts += [
            row_text(r, item_draft.body_mass_kg)
            for r in rows
            if r.substance == "EG" and r.model in ("film", "whole")
        ]
    return (*blocking, *item_draft.missing, *texts)


def _question(item_draft: ItemDraft, within: bool) -> Question | None:
    """Return the one question an unknown among the strongest inputs raises."""
    if within:
        return None
    for text in item_draft.missing:
        for word, field in (
            ("duration", "patient.duration"),
            ("body mass", "patient.body_mass_kg"),
        ):
            if word in text:
                return Question(field, f"{text}; what is it?")
    fields = {a.field: a for a in item_draft.assumed}
    area = "patient.contact_area_cm2"
    names = ([area] if area in fields else []) + [i.input for i in item_draft.matters.most]
    for name in names:
        if name in fields:
            a = fields[name]
            return Question(name, f"What is the {words(name)}? Taken as {a.low:g} to {a.high:g} "
                            f"{a.unit}.")  # fmt: skip
    return None


def finish_item(item_draft: ItemDraft, cautions: tuple[Caution, ...]) -> ItemResult:
    """Give the verdict once every caution is known."""
    d = item_draft
    verdict = decide(d.rows, cautions, d.missing)
    return ItemResult(
        d.name, d.quantity, verdict, _reasons(d, cautions, d.rows), (), cautions, d.assumed,
        _question(d, verdict == "Within"), *d.water, d.places, d.rows, d.parts, d.curve,
        d.aeration, d.matters.most, d.records, d.data_class, d.starting_type, d.residue_counted,
        d.own_records,
    )  # fmt: skip
