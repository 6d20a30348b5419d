"""What of an item's residues counts against which limit, and how it falls over the aeration."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from eo_risk import units
from eo_risk.judgement.allowed.contact_area import ContactArea
from eo_risk.judgement.allowed.residues import Amounts
from eo_risk.judgement.allowed.share_counted import Counted, counted
from eo_risk.judgement.inputs import ItemInputs
from eo_risk.judgement.limits import Limit, limits_for, screening_by_id
from eo_risk.judgement.material.parts import Gas, PartModel, run_part
from eo_risk.judgement.result import BandLine, Curve, Residue
from eo_risk.judgement.simulate import ItemTrace, glycol
from eo_risk.judgement.timeline import Timeline
from eo_risk.plan.load_plan import Item, LoadPlan
from eo_risk.plan.own_numbers import own_edition


@dataclass(frozen=True)
class ItemLimits:
    """What one item must meet: limits with the screening reference, what is missing for them,
    the body mass they hold for, and the days each period counts."""

    limits: tuple[Limit, ...]
    missing: tuple[str, ...]
    body_mass_kg: float | None
    days: dict[str, float]

    def least_eo_kg(self, contact_area: ContactArea) -> float:
        """Return the smallest EO limit as a mass, 0 where there is none. [kg]"""
        area = float(np.median(contact_area.least))
        found = [
            limit.limit_si * (area if limit.quantity == "ug_per_cm2" else 1.0)
            for limit in self.limits
            if limit.substance == "EO" and limit.limit and limit.for_verdict
        ]
        return min(found, default=0.0)


def item_limits(plan: LoadPlan, item: Item) -> ItemLimits:
    """Return the limits of one item's contact and patient."""
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
    return ItemLimits((*found.limits, screening), tuple(missing), mass, dict(found.days))


def counted_of(item: Item) -> Counted:
    """Return how much of the residue counts, and in words why."""
    patient = item.patient
    return counted(patient.residue_counted or "whole",
                   patient.share_reaching_patient_percent)  # fmt: skip


def amounts_left(trace: ItemTrace, item: Item, share: dict[str, np.ndarray], days: dict) -> Amounts:
    """Collect what is left at the end of the aeration, by model."""
    share_counted = counted_of(item).share
    forms = ("film", "plug") if trace.water.plug is not None else ("whole",)
    eo = {form: share_counted * trace.eo(form)[-1] for form in forms}
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
    return Amounts(eo, ech, eg, None if spot is None else share_counted * spot[-1], share, days)


def released_in_contact(
    models: Sequence[PartModel], item: Item, inputs: ItemInputs, timeline: Timeline,
    gas: Gas | None, outputs: Sequence[int], days: dict[str, float],
) -> tuple[np.ndarray | None, ...]:  # fmt: skip
    """Return the share of its EO that each part gives off in the first day and month of contact.

    The parts give off at body temperature without resistance outside, from what the item's own
    course left in them.

    Parameters
    ----------
    models, item, inputs : sequence of PartModel, Item, ItemInputs
        The parts of one item.
    timeline, gas : Timeline, Gas
        All stages that are followed, with the levels that stand for clean air.
    outputs : sequence of int
        Outputs of `timeline` at which contact may begin.
    days : dict
        Days of each period.

    Returns
    -------
    tuple of ndarray, shape (2, outputs, samples)
        None for a part that gives off nothing; empty for contact of up to a day.
    """
    if item.patient.duration not in ("prolonged", "permanent"):
        return ()
    last = timeline.stages[-1]
    body_k = inputs.draw("patient.temperature")
    zero = np.zeros_like(body_k)
    contact = [
        replace(last, duration_s=np.full_like(body_k, lasts * units.SECONDS_PER_DAY),
                temperature_k=body_k, eo_start_kg_per_m3=zero, eo_end_kg_per_m3=zero)
        for lasts in (days["24h"], days["30d"] - days["24h"])
    ]  # fmt: skip
    found = []
    for model in models:
        if not model.gives_off:
            found.append(None)
            continue
        held = run_part(model, timeline, inputs, gas=gas, worn=contact, worn_from=outputs,
                        earlier_cycles=item.earlier_eo_cycles or 0)  # fmt: skip
        worn = held[-2 * len(outputs) :].reshape(len(outputs), 2, -1).swapaxes(0, 1)
        before = np.maximum(held[list(outputs)], np.finfo(float).tiny)
        found.append(np.clip(1.0 - worn / before, 0.0, 1.0))
    return tuple(found)


def dose_shares(
    trace: ItemTrace, item: Item, released: Sequence[np.ndarray | None], outputs: int
) -> dict[str, np.ndarray]:
    """Return the share of the EO residue that leaves the item within each period of some days.

    Only for contact beyond a day, which begins at any of the last `outputs` of the trace; what
    the parts have `released` is as `released_in_contact` tells. Dissolved EO counts in full
    from the first day. Each shape (outputs, samples).
    """
    if item.patient.duration not in ("prolonged", "permanent"):
        return {}
    water = trace.water.film.eo if trace.water.plug is None else trace.water.plug.eo
    water = water[-outputs:]
    parts = [eo[-outputs:] for eo in trace.parts_eo]
    total = np.maximum(sum(parts, water), np.finfo(float).tiny)
    given = zip(released, parts, strict=True)
    left = sum((gone * eo for gone, eo in given if gone is not None), np.stack([water, water]))
    shares = dict(zip(("24h", "30d"), left / total, strict=True))
    if item.patient.duration == "prolonged":
        shares["day"] = shares["30d"]
    return shares


def ruling_curves(
    trace: ItemTrace, rows: Sequence[Residue], amounts: Amounts, share_counted: float
) -> list[tuple]:
    """Return the EO and ECH amounts over the aeration with the limit each must meet. [kg]

    Of EO only the share that counts, as in the rows, by film and by plug: which of them rules
    may change over the hours. Some are per area. [kg/m2] The dose shares of `amounts` are those
    at every output since the wash. Beside a wet spot stand the water left in joints [kg] and
    when they are dry [s].
    """
    after = trace.after_wash()
    curves = []
    for row in rows:
        if not row.used_for_verdict or row.limit is None:
            continue
        if row.model == "wet_spot":
            spot = share_counted * trace.water.wet_spot[after]
            dry_s = trace.time_s[0] + trace.water.joints_dry_s
            joints_kg = trace.water.joints_kg[after]
            curves.append((np.maximum(spot, 1e-300), row.limit, joints_kg, dry_s))
            continue
        share = 1.0
        if row.substance == "EO":
            left = [share_counted * trace.eo(form)[after] for form in amounts.eo]
            share = amounts.dose_share.get(row.period, share)
        else:
            left = [_ech_over_time(trace, amounts, (row.model, row.buffering))]
        limit = row.limit
        if row.quantity == "ug_per_cm2":
            left = [trace.contact_area.residue(amount) for amount in left]
        elif row.period == "day":
            limit = row.limit * amounts.days["day"]
        curves += [(np.maximum(amount * share, 1e-300), limit) for amount in left]
    return curves


def ruling_form(rows: Sequence[Residue], substance: str) -> tuple[str, str | None] | None:
    """Return model and buffering by which the verdict takes a substance; None where by none."""
    return next(((r.model, r.buffering) for r in rows if r.substance == substance
                 and r.used_for_verdict and r.model != "wet_spot"), None)  # fmt: skip


def _ech_over_time(trace: ItemTrace, amounts: Amounts, form: tuple[str, str | None]) -> np.ndarray:
    """Return ECH over the aeration: that in water stays, that in the parts leaves. [kg]"""
    return trace.parts_ech[trace.after_wash()] + (amounts.ech[form] - trace.parts_ech[-1])


def residue_curve(trace: ItemTrace, rows: Sequence[Residue], amounts: Amounts) -> Curve:
    """Return the bands of every residue over the aeration, in the form the verdict takes."""
    after = trace.after_wash()
    model, _ = ruling_form(rows, "EO") or ("whole", None)
    ech = ruling_form(rows, "ECH") or next(iter(amounts.ech))
    time = np.maximum(np.median(trace.time_s[after], axis=1), 0.0)
    return Curve(tuple(float(t) for t in time), BandLine.of(trace.eo(model)[after]),
                 BandLine.of(_ech_over_time(trace, amounts, ech)),
                 BandLine.of(glycol(trace, "film")[after]))  # fmt: skip
