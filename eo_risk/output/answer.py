"""Assessment to the stable JSON answer: user units, once.

The terminal, the report, the screens and saved records all read this answer.
"""

from __future__ import annotations

from dataclasses import asdict
from datetime import timedelta

from eo_risk.judgement.result import (
    AerationTime,
    Assessment,
    Band,
    GlycolBeside,
    ItemResult,
    LoadResult,
    Residue,
    WaterAllowed,
    WaterPlace,
)
from eo_risk.units import SECONDS_PER_HOUR, from_si


def _band(band: Band, unit: str) -> dict[str, float]:
    return {key: from_si(value, unit) for key, value in asdict(band).items()}


def _residue(residue: Residue) -> dict:
    return {
        "substance": residue.substance,
        "quantity": residue.quantity,
        "period": residue.period,
        "model": residue.model,
        "buffering": residue.buffering,
        **_band(residue.band, residue.unit),
        "limit": None if residue.limit is None else from_si(residue.limit, residue.unit),
        "unit": residue.unit,
        "kind": residue.kind,
        "basis": residue.basis,
        "clause": residue.clause,
        "confidence": residue.confidence,
        "used_for_verdict": residue.used_for_verdict,
        "probability_over": residue.probability_over,
        "probability_error": residue.probability_error,
    }


def _water_place(place: WaterPlace) -> dict:
    return {
        "place": place.place,
        "lumen": place.lumen,
        "after_drying": _band(place.after_drying, "mg"),
        "at_injection": _band(place.at_injection, "mg"),
        "after_aeration": _band(place.after_aeration, "mg"),
    }


def _glycol_beside(beside: GlycolBeside | None) -> dict:
    if beside is None:
        return {"deg_mg": None, "glycol_removed_mg": None}
    removed = beside.removed_kg
    return {
        "deg_mg": _band(beside.diethylene_kg, "mg"),
        "glycol_removed_mg": None if removed is None else _band(removed, "mg"),
    }


def _water_allowed(allowed: WaterAllowed | None) -> dict | None:
    if allowed is None:
        return None
    largest = allowed.largest_kg
    return {
        "reference_mg": from_si(allowed.reference_kg, "mg"),
        "basis": allowed.basis,
        "largest_mg": None if largest is None else from_si(largest, "mg"),
        "spread": [
            {"place": place, "lumen": lumen, "mg": from_si(mass, "mg")}
            for place, lumen, mass in allowed.spread
        ],
        "air_minutes": allowed.air_minutes,
        "air": allowed.air,
        "note": allowed.note,
        "others_rule": allowed.others_rule,
    }


def _hours(seconds: float | None) -> float | None:
    return None if seconds is None else seconds / SECONDS_PER_HOUR


def _aeration(aeration: AerationTime | None) -> dict | None:
    if aeration is None:
        return None
    return {
        "p50": _hours(aeration.p50_s),
        "p95": _hours(aeration.p95_s),
        "required": _hours(aeration.required_s),
        "governed_by": aeration.governed_by,
        "beyond_cap": aeration.beyond_cap,
        "unreached": aeration.unreached,
        "with_slow_pool_p95": _hours(aeration.with_slow_pool_p95_s),
        "with_slow_pool_unreached": aeration.with_slow_pool_unreached,
    }


def _parts(item: ItemResult) -> list[dict]:
    return [
        {
            "name": part.name,
            "material": part.material,
            "eo_mg": _band(part.eo_kg, "mg"),
            "aeration_h": None if part.hours_s is None else _band(part.hours_s, "h"),
            "class": part.data_class,
        }
        for part in item.parts
    ]


def item_answer(item: ItemResult) -> dict:
    """Write one item in user units."""
    curve = item.curve
    return {
        "name": item.name,
        "quantity": item.quantity,
        "verdict": item.verdict,
        "reasons": list(item.reasons),
        "causes": list(item.causes),
        "actions": [asdict(action) for action in item.actions],
        "searched": item.searched,
        "cautions": [asdict(caution) for caution in item.cautions],
        "assumed": [asdict(assumed) for assumed in item.assumed],
        "question": None if item.question is None else asdict(item.question),
        "water_mg": {
            "after_drying": _band(item.water_after_drying, "mg"),
            "at_injection": _band(item.water_at_injection, "mg"),
            "after_aeration": _band(item.water_after_aeration, "mg"),
        },
        "water_by_place": [_water_place(place) for place in item.water_by_place],
        "residues": [_residue(residue) for residue in item.residues],
        "parts": _parts(item),
        "curve": {
            "hours": [_hours(t) for t in curve.time_s],
            **{
                f"{substance}_mg": {
                    key: [from_si(value, "mg") for value in getattr(line, key)]
                    for key in ("p05", "p50", "p95")
                }
                for substance, line in (("eo", curve.eo), ("ech", curve.ech), ("eg", curve.eg))
            },
        },
        "aeration_h": _aeration(item.aeration),
        "matters_most": [asdict(influence) for influence in item.matters_most],
        "records": [{"id": record_id, "class": letter} for record_id, letter in item.records],
        "own_records": [asdict(record) for record in item.own_records],
        "class": item.data_class,
        "starting_type": item.starting_type,
        "residue_counted": item.residue_counted,
        "water_allowed": _water_allowed(item.water_allowed),
        **_glycol_beside(item.glycol_beside),
    }


def _load_answer(load: LoadResult) -> dict:
    out = load.earliest_out
    if out is not None and (out.second or out.microsecond):
        # To the next whole minute: a sheet carries no seconds, and never too early.
        out = out.replace(second=0, microsecond=0) + timedelta(minutes=1)
    peak = load.aerator_air_peak_kg_per_m3
    return {
        "aeration_h_p95": _hours(load.aeration_p95_s),
        "required_h": _hours(load.required_s),
        "earliest_out": None if out is None else out.isoformat(timespec="minutes"),
        "time_note": load.time_note,
        "slowest_item": load.slowest_item,
        "groups": [
            {"items": list(group.items), "aeration_h_p95": _hours(group.aeration_p95_s)}
            for group in load.groups
        ],
        "eo_taken_up_mg": from_si(load.eo_taken_up_kg, "mg"),
        "eo_charge_mg": from_si(load.eo_charge_kg, "mg"),
        "depleted_eo_mg_per_l": None if load.depleted_eo_kg_per_m3 is None
        else from_si(load.depleted_eo_kg_per_m3, "mg/L"),
        "water_released_mg": from_si(load.water_released_kg, "mg"),
        "water_capacity_mg": from_si(load.water_capacity_kg, "mg"),
        "aerator_air_peak_mg_per_m3": None if peak is None else from_si(peak, "mg/m3"),
        "assumed": [asdict(assumed) for assumed in load.assumed],
    }


def check_answer(assessment: Assessment) -> dict:
    """Write a whole assessment in user units, with the keys of the stable interface."""
    return {
        "verdict": assessment.verdict,
        "items": [item_answer(item) for item in assessment.items],
        "load": _load_answer(assessment.load),
        "cautions": [asdict(caution) for caution in assessment.cautions],
        "air": None,
        "notice": assessment.notice,
        "edition": assessment.edition,
        "edition_note": assessment.edition_note,
        "seed": assessment.seed,
        "samples": assessment.samples,
        "version": assessment.version,
        "plan_sha256": assessment.plan_sha256,
        "sources": list(assessment.sources),
    }
