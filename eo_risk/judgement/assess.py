"""One load plan in, one assessment out: every item, then the load as a whole."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import timedelta

import numpy as np

from eo_risk import __version__, reference, units
from eo_risk.judgement.allowed.counted import item_limits
from eo_risk.judgement.cautions import caution, item_cautions, worst_first
from eo_risk.judgement.change.split import asks_full_load, grouped
from eo_risk.judgement.influence import with_total_indices
from eo_risk.judgement.item_result import ItemDraft, draft_item, finish_item, without_water
from eo_risk.judgement.limits import EDITIONS
from eo_risk.judgement.load_air import (
    air_changes,
    depleted_level,
    levels,
    noticeable,
    volume_and_rate,
)
from eo_risk.judgement.load_context import LoadContext, load_context
from eo_risk.judgement.result import (
    VERDICTS,
    Assessment,
    Assumed,
    Caution,
    ItemResult,
    LoadGroup,
    LoadResult,
)
from eo_risk.judgement.risk import DEFAULT_SAMPLES, DEFAULT_SEED
from eo_risk.judgement.simulate import ItemParts
from eo_risk.judgement.timeline import CYCLE_MINUTES, ambient_pa
from eo_risk.judgement.water.beside import wet_beside
from eo_risk.judgement.water.leftover import fluids
from eo_risk.physics.evaporation import gas_water_capacity_kg
from eo_risk.physics.gas import density_kg_per_m3
from eo_risk.physics.properties import central, water_saturation_pa
from eo_risk.plan.clock import earliest_out
from eo_risk.plan.load_plan import AerationStep, LoadPlan

Progress = Callable[[int, int], None]


def in_own_air(context: LoadContext, load: Sequence[ItemParts]) -> tuple[LoadContext, np.ndarray]:
    """Return the context, with the load where its air is noticeable, and the level of that air.

    The level is that by what the parts give off in clean air, shape (outputs, samples) [kg/m3];
    `own_level` runs both as one. Looks at the aeration as planned and far beyond, so that the
    hours an item needs do not hang on those planned.
    """
    plan, timeline, samples = context.plan, context.timeline, context.draw.samples
    limits = [item_limits(plan, item).least_eo_kg(parts.contact_area)
              for item, parts in zip(plan.items, load, strict=True)]  # fmt: skip
    found, noticed = [], False
    for line, rows in timeline.ways:
        rows = rows[-len(line.aeration) - 1 :]

        def held(parts: ItemParts, rows: np.ndarray = rows) -> np.ndarray:
            # Made when needed: of thousands of items only one at a time.
            return np.broadcast_to(parts.total_kg[rows], (len(rows), samples))

        whole = sum((item.quantity or 1) * held(parts)
                    for item, parts in zip(plan.items, load, strict=True))  # fmt: skip
        found.append(levels(plan, line, context.inputs.aside(), whole))
        time = np.cumsum([0.0, *(np.median(stage.duration_s) for stage in line.aeration)])
        noticed = noticed or any(
            noticeable(time, found[-1], held(parts), parts.store_m3, limit)
            for parts, limit in zip(load, limits, strict=True)
        )
    if noticed:
        # Of what the parts hold in clean air only the start is needed now.
        slim = (replace(parts, eo_kg=tuple(eo[:1].copy() for eo in parts.eo_kg)) for parts in load)
        context = replace(context, load=tuple(slim))
    return context, np.concatenate(found)


def own_level(context: LoadContext) -> np.ndarray:
    """Return the level of the air a load brings, load and air run as one. [kg/m3]

    Shape (outputs of the aeration as planned and far beyond, samples).
    """
    chamber = len(context.timeline.injected) - len(context.timeline.aeration)
    start = np.zeros(context.draw.samples)
    return np.stack([start, *(end for _, end in context.gas[chamber:])])


def _with_longest(plan: LoadPlan) -> tuple[LoadPlan, str]:
    """Fill blank minutes of the cycle with the longest of their range, and say so.

    So no time out is told too early.
    """
    told = plan.cycle.length_h is not None
    longest = {
        key: reference.record(record_id).high
        for key, record_id in CYCLE_MINUTES.items()
        if getattr(plan.cycle, key) is None and (key == "transfer_min" or not told)
    }
    said = ", ".join(f"cycle.{key} ({most:g} min)" for key, most in longest.items())
    note = f"Not given, and counted as the longest: {said}." if said else ""
    return plan.model_copy(update={"cycle": plan.cycle.model_copy(update=longest)}), note


def _time_out(plan: LoadPlan, required_s: float | None):
    """Return the earliest time out and a note; None when it cannot be told."""
    if required_s is None:
        return None, "Not assessed for every item: no time out can be given."
    plan, note = _with_longest(plan)
    if plan.cycle_start is None or plan.cycle_length is None:
        return None, "Cycle start or cycle length is not known."
    out = earliest_out(
        plan.cycle_start, plan.cycle_length, timedelta(minutes=plan.cycle.transfer_min),
        required_s / units.SECONDS_PER_HOUR, plan.rules.time_zone, plan.lost_time,
    )  # fmt: skip
    return out.moment, " ".join(filter(None, (note, out.note)))


def _groups(drafts: list[ItemDraft]) -> tuple[LoadGroup, ...]:
    """Group items whose 95 % hours are alike, the shortest first."""
    groups = grouped((d.aeration.p95_s, d.name) for d in drafts if d.aeration is not None)
    return tuple(LoadGroup(tuple(names), hours) for names, hours in groups)


def load_result(context: LoadContext, drafts: list[ItemDraft]) -> LoadResult:
    """Sum the items up to the load as a whole."""
    plan, timeline = context.plan, context.timeline
    hours = [d.aeration for d in drafts]
    complete = all(h is not None for h in hours)
    known = [d for d in drafts if d.aeration is not None]
    slowest = max(known, key=lambda d: d.aeration.required_s, default=None)
    required = slowest.aeration.required_s if slowest and complete else None
    if any(d.aeration.unreached for d in known):
        out, note = None, ("An item stays above a limit as far as its aeration was followed: "
                           "measure, do not wait.")  # fmt: skip
    else:
        out, note = _time_out(plan, required)
    free = context.inputs.number("chamber.volume_l", plan.chamber.volume_l, "L",
                                 "assumed.chamber_volume")  # fmt: skip
    free = free * context.inputs.draw("chamber.free_share")
    level = timeline.chamber[timeline.exposure_last].eo_end_kg_per_m3
    humid = timeline.chamber[timeline.exposure_last]
    full = density_kg_per_m3(
        water_saturation_pa(humid.gas_temperature_k), humid.gas_temperature_k,
        central("water.molar_mass"),
    )  # fmt: skip
    capacity = gas_water_capacity_kg(free, full, humid.relative_humidity * full)
    return LoadResult(
        max((d.aeration.p95_s for d in known), default=None) if complete else None,
        required,
        out,
        note,
        slowest.name if slowest else None,
        _groups(drafts),
        float(sum(d.quantity * d.taken_up_kg for d in drafts)),
        float(np.median(free * level)),
        float(sum(d.quantity * d.released_kg for d in drafts)),
        float(np.median(capacity)),
        assumed=_assumed(context, drafts),
    )


def _assumed(context: LoadContext, drafts: Sequence[ItemDraft]) -> tuple[Assumed, ...]:
    """List the blanks that only the figures of the load rest on, as far as no item names them."""
    plan, noted = context.plan, context.inputs.aside()
    for index in range(len(plan.aeration)):
        volume_and_rate(plan, index, noted)
    if plan.rules.ambient_kpa is None:
        noted.derived("rules.ambient_kpa", units.from_si(ambient_pa(plan), "kPa"), "kPa",
                      "the standard atmosphere")  # fmt: skip
    listed = {assumed.field for draft in drafts for assumed in draft.assumed}
    return tuple(noted.assumed[name] for name in sorted(noted.assumed) if name not in listed)


def _depletes(load: LoadResult) -> bool:
    """Tell whether the load takes up a share of the charge that is worth a word."""
    share = reference.record("decision.depletion_share").value_si
    return load.eo_charge_kg > 0.0 and load.eo_taken_up_kg > share * load.eo_charge_kg


def _other_loads(plan: LoadPlan) -> Iterator[str]:
    """Name the aerators that hold another load, or may hold one; chamber and room are no one's."""
    for number, step in enumerate(plan.aeration, start=1):
        if step.place in ("chamber", "room") or step.holds_other_load == "no":
            continue
        doubt = "" if step.holds_other_load else "not known whether "
        yield f"aeration {number}, {doubt}another load is in it"


def _cold_load(context: LoadContext) -> Iterator[Caution]:
    """Warn of a load below the dew point of the chamber, with both temperatures."""
    damp = next((s for s in context.timeline.chamber if np.all(s.relative_humidity > 0.0)), None)
    if damp is None:
        return
    given_c = context.plan.chamber.load_temperature_start_c
    start_k = context.inputs.number("chamber.load_temperature_start_c", given_c, "C",
                                    "assumed.load_start_temperature")  # fmt: skip
    vapour_pa = damp.relative_humidity * water_saturation_pa(damp.gas_temperature_k)
    dew_k = fluids(context.inputs.draw).boiling_k(vapour_pa, damp.gas_temperature_k)
    start_c, dew_c = (float(units.kelvin_to_celsius(np.median(k))) for k in (start_k, dew_k))
    if dew_c > start_c:
        assumed = "" if given_c is not None else ", assumed"
        yield caution("load_cold", f"{start_c:.3g} C at the start{assumed}; dew point of the "
                      f"chamber {dew_c:.3g} C")  # fmt: skip


def _load_cautions(context: LoadContext, load: LoadResult) -> tuple[Caution, ...]:
    plan, found = context.plan, []
    found += _cold_load(context)
    wet = [i.name for i in plan.items if i.droplets_seen == "yes" or wet_beside(i)]
    if wet and len(plan.items) > 1:
        found.append(caution("wet_neighbour", ", ".join(wet)))
    found += [caution("other_load_in_aerator", where) for where in _other_loads(plan)]
    found += [caution("no_air_changes", f"aeration {number}")
              for number, step in enumerate(plan.aeration, start=1)
              if air_changes(plan, step) == 0.0 and step.hours != 0.0]  # fmt: skip
    if load.depleted_eo_kg_per_m3 is not None:
        left = units.from_si(load.depleted_eo_kg_per_m3, "mg/L")
        share = units.percent(load.eo_taken_up_kg / load.eo_charge_kg)
        found.append(caution("load_depletes_eo", f"{share} of the charge; {left:.3g} mg/L left at "
                             "the end of the exposure if none is made up"))  # fmt: skip
    if load.water_released_kg > load.water_capacity_kg:
        found.append(caution("chamber_water_saturated"))
    if asks_full_load(plan) and len(load.groups) > 1:
        found.append(caution("full_load"))
    return worst_first(found)


def edition_note(edition: str) -> str:
    """Return the sentence that stands with every result under an edition."""
    head = reference.document(EDITIONS[edition])["edition"]
    return f"{head['name']}: {head['note']}"


def _sources(items: tuple[ItemResult, ...], plan: LoadPlan) -> tuple[str, ...]:
    """List the citations the records of this result rest on."""
    keys = {
        reference.records()[record_id].source
        for item in items
        for record_id, _ in item.records
        if record_id in reference.records()
    }
    keys.add(reference.document(EDITIONS[plan.rules.edition])["edition"]["source"])
    found = [reference.sources()[key] for key in sorted(keys)]
    own = [f"{record.id}: {record.source}, {record.locator}" for record in plan.own_records]
    return tuple(f"{source.citation} [{source.read}]" for source in found) + tuple(own)


def finish(context: LoadContext, item_draft: ItemDraft, index: int, load: LoadResult) -> ItemResult:
    """Complete one item with what depends on the load: its time out."""
    item = context.plan.items[index]
    facts = replace(item_draft.facts, out=load.earliest_out)
    return finish_item(item_draft, item_cautions(item, context.plan, facts))


def _reassess(
    context: LoadContext, plan: LoadPlan, index: int, load: LoadResult, *, follow: bool,
    pinned: Mapping[str, float] | None = None,
):  # fmt: skip
    """Return verdict and draft of one item of an edited plan, with the same samples.

    `pinned` holds inputs at one quantile of their spread.
    """
    edited = load_context(plan, context.draw.samples, context.draw.seed, pinned=pinned,
                          follow=follow)  # fmt: skip
    parts = edited.parts(index)
    if context.load is not None:
        others = (*context.load[:index], parts, *context.load[index + 1 :])
        edited = replace(edited, load=others)
    found = draft_item(edited, index, parts, follow=follow, ranked=False)
    # The load waits for its slowest item, and no less than the aeration it was given.
    planned_s = sum(units.to_si(step.hours or 0.0, "h") for step in plan.aeration)
    own_s = found.aeration.required_s if found.aeration else planned_s
    required = None if load.required_s is None else max(own_s, load.required_s)
    out, _ = _time_out(plan, required)
    result = finish(edited, found, index, replace(load, earliest_out=out))
    return result.verdict, found


def _whole(context: LoadContext, plan: LoadPlan) -> Assessment:
    """Check an edited plan as a user would, with the samples of the plan it came from."""
    draw = context.draw
    edited, drafts, load = _computed(plan, draw.samples, draw.seed, ranked=False)
    return _assessment(edited, load, _finished(edited, drafts, load))


def _with_indices(
    context: LoadContext, item_draft: ItemDraft, index: int, item: ItemResult
) -> ItemResult:
    """Replace rank shares by total Sobol indices (Jansen's estimator), input by input."""
    plan = context.plan

    def run(name: str) -> Mapping[str, np.ndarray]:
        swapped = context.drawn_as(name, item.name)
        other = load_context(plan, context.draw.samples, context.draw.seed, swapped, follow=False)
        other = replace(other, load=context.load)
        moved = draft_item(other, index, other.parts(index), follow=False, ranked=False)
        return moved.matters.targets

    return replace(item, matters_most=with_total_indices(item_draft.matters, run))


def _computed(
    plan: LoadPlan, samples: int, seed: int, *, ranked: bool = True, asks: bool = False,
    progress: Progress | None = None,
) -> tuple[LoadContext, list[ItemDraft], LoadResult]:  # fmt: skip
    """Compute every item of a plan, then the load; `ranked` and `asks` as for one item."""
    context = load_context(plan, samples, seed)
    parts = [context.parts(index) for index in range(len(plan.items))]
    context, level = in_own_air(context, parts)
    parts = context.load or parts
    if context.load is not None:  # only now, as what all parts hold in clean air takes memory
        level = own_level(context)
    drafts: list[ItemDraft] = []
    for index, held in enumerate(parts):
        drafts.append(without_water(draft_item(context, index, held, ranked=ranked), asks=asks))
        if progress is not None:
            progress(index + 1, len(plan.items))
    peak = float(np.quantile(level.max(axis=0), 0.95))
    load = replace(load_result(context, drafts), aerator_air_peak_kg_per_m3=peak)
    if _depletes(load):
        left = depleted_level(plan, context.timeline, context.inputs, parts)
        load = replace(load, depleted_eo_kg_per_m3=float(np.median(left)))
    return context, drafts, load


def _finished(
    context: LoadContext, drafts: Sequence[ItemDraft], load: LoadResult
) -> tuple[ItemResult, ...]:
    return tuple(finish(context, draft, index, load) for index, draft in enumerate(drafts))


def _assessment(
    context: LoadContext, load: LoadResult, items: tuple[ItemResult, ...]
) -> Assessment:
    plan, draw = context.plan, context.draw
    verdict = next(v for v in VERDICTS if any(item.verdict == v for item in items))
    return Assessment(
        verdict, items, load, _load_cautions(context, load), plan.rules.edition,
        edition_note(plan.rules.edition), draw.seed, draw.samples, __version__, plan.sha256,
        _sources(items, plan),
    )  # fmt: skip


def check_plan(
    plan: LoadPlan,
    *,
    samples: int = DEFAULT_SAMPLES,
    seed: int = DEFAULT_SEED,
    advise: bool = True,
    progress: Progress | None = None,
    indices: bool = False,
    aerators: Mapping[str, AerationStep] | None = None,
) -> Assessment:
    """Assess a load plan.

    Parameters
    ----------
    plan : LoadPlan
        A resolved plan.
    samples, seed : int
        Number of samples and the only source of chance. [-]
    advise : bool
        Whether to look for changes that would move a verdict, which re-runs items; not in
        loads beyond `advice.LARGEST_LOAD`.
    progress : callable, optional
        Called with items done and items in all.
    indices : bool
        Whether the strongest inputs get total Sobol indices, one re-run each.
    aerators : mapping of AerationStep, optional
        The site's aerators by name, which an action may propose.

    Returns
    -------
    Assessment
    """
    context, drafts, load = _computed(plan, samples, seed, asks=advise, progress=progress)
    items = _finished(context, drafts, load)
    if advise:
        from eo_risk.judgement.advice import LARGEST_LOAD, with_actions

        if len(items) <= LARGEST_LOAD:
            items = with_actions(context, drafts, items, load, _reassess, _whole, aerators)
    if indices:
        items = tuple(_with_indices(context, drafts[i], i, item) for i, item in enumerate(items))
    return _assessment(context, load, items)
