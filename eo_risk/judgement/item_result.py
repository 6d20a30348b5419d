"""One item from samples to its result: residues, hours, cautions, reasons, what matters."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from eo_risk import reference, units
from eo_risk.judgement.allowed.counted import (
    counted_of,
    residue_curve,
    ruling_form,
)
from eo_risk.judgement.allowed.residues import decide, glycol_over
from eo_risk.judgement.cautions import ItemFacts
from eo_risk.judgement.influence import Matters, matters
from eo_risk.judgement.item_course import ItemCourse
from eo_risk.judgement.limits import usual_devices
from eo_risk.judgement.load_context import LoadContext
from eo_risk.judgement.material.earlier_cycles import MOST_FOLLOWED, unfollowed
from eo_risk.judgement.material.part_geometry import mass_differs
from eo_risk.judgement.material.parts import PartModel, correlation_parts
from eo_risk.judgement.material.slow_pool import unmeasured_pool
from eo_risk.judgement.material.start_level import start_levels_elsewhere
from eo_risk.judgement.own_records import own_record_uses
from eo_risk.judgement.reasons import causes, question, residue_reasons
from eo_risk.judgement.result import (
    AerationTime,
    Assumed,
    Band,
    Caution,
    Curve,
    GlycolBeside,
    Influence,
    ItemResult,
    OwnRecordUse,
    PartHold,
    Residue,
    WaterAllowed,
    WaterPlace,
)
from eo_risk.judgement.simulate import (
    ItemParts,
    ItemTrace,
    glycol,
    part_holds,
)
from eo_risk.judgement.timeline import Timeline, ambient_pa
from eo_risk.judgement.water.beside import beside_water
from eo_risk.judgement.water.glycol_beside import glycol_beside, removed_words
from eo_risk.judgement.water.inverse import GlycolProblem, glycol_problem, water_allowed
from eo_risk.physics.properties import outside_range
from eo_risk.plan.load_plan import Item, LoadPlan
from eo_risk.plan.starting_types import from_starting_type


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
    residue_counted: str
    own_records: tuple[OwnRecordUse, ...]
    glycol: GlycolProblem | None
    glycol_beside: GlycolBeside
    water_allowed: WaterAllowed | None = None


def _outside_range(trace: ItemTrace, timeline: Timeline) -> tuple[str, ...]:
    kelvin = np.array([float(np.median(s.temperature_k)) for s in timeline.stages])
    found = []
    for model in trace.models:
        names = [f"{m}.diffusivity" for m in model.members]
        known = [n for n in names if n in reference.records()]
        if model.body is not None and any(outside_range(n, kelvin) for n in known):
            found.append(model.part.name)
    return tuple(found)


def _letters(
    most: Sequence[Influence], records: Mapping[str, str], assumed: Collection[str]
) -> list[str]:
    """Return the data classes of what matters most; an assumed field is an estimate."""
    return [records.get(i.input, "C" if i.input in assumed else "A") for i in most]


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
    context: LoadContext, index: int, parts: ItemParts, *, follow: bool = True,
    ranked: bool = True,
) -> ItemDraft:  # fmt: skip
    """Compute one item of a plan, without what depends on the rest of the load.

    `parts` are its material parts in clean air; without `follow` the hours of aeration are
    left out, without `ranked` what matters most.
    """
    course = ItemCourse.of(context, index, parts, follow=follow)
    plan, item, inputs = context.plan, course.item, parts.inputs
    trace, rows, meets, aeration = course.trace, course.rows, course.limits, course.aeration
    target = _target(rows)
    variables = {**context.inputs.draw.variables, **inputs.draw.variables}
    form, _ = ruling_form(rows, "EO") or ("whole", None)
    results = {"EO": trace.eo(form)[-1], "EG": glycol(trace, "film")[-1]}
    if target and target.substance == "ECH":
        results["ECH"] = course.amounts.ech[(target.model, target.buffering)]
    found = matters(target.substance if target else "EO", results, variables if ranked else {})
    records = tuple(
        (name, inputs.draw.record(name).data_class)
        for name in variables
        if name in reference.records() or inputs.draw.is_own(name)
    )
    if item.patient.devices_used_together is None:
        inputs.derived("patient.devices_used_together", usual_devices(plan.rules.edition),
                       "devices", "the number the edition counts with")  # fmt: skip
    asked = "patient.contact_area_cm2"
    assumed = tuple(sorted({**context.inputs.assumed, **inputs.assumed}.values(),
                           key=lambda a: (a.field != asked, a.field)))  # fmt: skip
    letters = [m.data_class for m in trace.models if m.body is not None]
    letters += _letters(found.most, dict(records), {a.field for a in assumed})
    facts = ItemFacts(
        glycol_over_reference=glycol_over(rows),
        starved_lumens=trace.water.starved,
        deep_plugs=trace.water.deep_plugs,
        outside_material_range=_outside_range(trace, context.planned.timeline),
        mass_geometry_differ=mass_differs(item),
        extra=_extra(plan, item, trace, course.plain, aeration),
    )
    return ItemDraft(
        item.name, item.quantity or 1, facts, meets.missing, rows, aeration,
        residue_curve(trace, rows, course.amounts),
        part_holds(trace, course.part_hours),
        (Band.of(trace.water.after_drying), Band.of(trace.water.at_injection),
         Band.of(trace.water.after_aeration)),
        trace.water.places, found, assumed, records, max(letters, default="A"),
        float(np.median(trace.at_end_of_exposure)), float(np.median(trace.water.released_kg)),
        meets.body_mass_kg, ", ".join(from_starting_type(item)),
        counted_of(item).text, own_record_uses(plan.own_records, item.name, variables),
        glycol_problem(item, trace.water, meets.limits, ambient_pa(plan)),
        glycol_beside(trace.water),
    )  # fmt: skip


def _extra(
    plan: LoadPlan, item: Item, trace: ItemTrace, clean: ItemTrace, aeration: AerationTime | None
) -> tuple[tuple[str, str], ...]:
    """Name the cautions that follow from the parts and the hours, with where they stand.

    `clean` is the trace without a slow pool, whose earlier cycles are followed one by one.
    """
    found = [("correlation_only", where) for where in correlation_parts(item, plan.own_records)]
    found += [("start_level_elsewhere", why) for why in start_levels_elsewhere(plan, item).values()]
    inputs, held = trace.water.path.inputs, zip(trace.models, trace.parts_eo, strict=True)
    left_out = (eo[-1].any() and unmeasured_pool(model, inputs) for model, eo in held)
    if plan.rules.slow_pool != "on" and any(left_out):
        found.append(("slow_tail", ""))
    for thing, mass in beside_water(item, inputs):
        if np.any(mass > 0.0):
            amount = units.from_si(float(np.median(mass)), "mg")
            found.append(("wet_neighbour", f"{thing}: about {amount:.2g} mg of water"))
    if trace.water.path.credit is not None:
        found.append(("glycol_removal_credited", removed_words(trace.water)))
    if aeration is not None and aeration.beyond_cap:
        found.append(("beyond_cap", ""))
    for model in trace.models:
        behaviour = {reference.material(m).behaviour for m in model.members}
        if behaviour & {"porous", "aqueous"}:
            found.append(("glycol_in_hydrogel", model.part.name))
        if _slows_as_it_empties(model):
            found.append(("slows_as_it_empties", model.part.name))
        if model.body is not None and model.data_class == "C":
            found.append(("estimated_material", model.part.name))
    if item.earlier_eo_cycles:
        found += _earlier_cycles(item.earlier_eo_cycles, clean)
    humidity = plan.cycle.conditioning_rh_percent
    brine = reference.record("decision.salt_humidity").value
    if item.rinse_water in ("tap", "saline") and humidity is not None and humidity > brine:
        found.append(("salt_takes_up_water", f"{humidity:g} % RH"))
    return tuple(found)


def _slows_as_it_empties(model: PartModel) -> bool:
    layers = [layer for layer in (model, model.coat) if layer is not None and model.gives_off]
    return any(reference.material(m).slows_as_it_empties for la in layers for m in la.members)


def _earlier_cycles(count: int, trace: ItemTrace) -> Iterator[tuple[str, str]]:
    """Name what there is to say of earlier cycles: all followed, or which were left out."""
    ended = False
    for model, eo in zip(trace.models, trace.parts_eo, strict=True):
        left_out = unfollowed(count, eo)
        if left_out is not None:
            ended = True
            rise, most = left_out
            yield "earlier_cycles_unfollowed", (
                f"{model.part.name}: {MOST_FOLLOWED} of {count} followed, the last one added "
                f"{100.0 * rise:.2g} %, the others at most {100.0 * most:.2g} % together"
            )
    if not ended:
        yield "earlier_cycles", f"{count} before"


def without_water(item_draft: ItemDraft, *, asks: bool) -> ItemDraft:
    """Return a draft that has let go of its water; if it `asks`, with what may be left of it."""
    problem = item_draft.glycol
    allowed = water_allowed(problem) if asks and problem is not None else None
    return replace(item_draft, glycol=None, water_allowed=allowed)


def finish_item(item_draft: ItemDraft, cautions: tuple[Caution, ...]) -> ItemResult:
    """Give the verdict once every caution is known."""
    d = item_draft
    verdict = decide(d.rows, cautions, d.missing)
    why = causes(cautions, d.missing)
    numbers = residue_reasons(d.rows, d.body_mass_kg, d.facts.glycol_over_reference)
    asks = None if verdict == "Within" else question(d.missing, d.assumed, d.matters.most)
    return ItemResult(
        d.name, d.quantity, verdict, why, numbers, (), cautions, d.assumed, asks, *d.water,
        d.places, d.rows, d.parts, d.curve, d.aeration, d.matters.most, d.records, d.data_class,
        d.starting_type, d.residue_counted, d.own_records, d.water_allowed,
        glycol_beside=d.glycol_beside,
    )  # fmt: skip
