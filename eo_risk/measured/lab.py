"""Laboratory results to an answer: curve or one time, groups, every substance, one ruling.

Rows are chosen, never mixed: results of another device, state, packaging, extraction or
aeration temperature are shown and not used.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from typing import Any

from eo_risk.errors import Fault, InputError, nearest, unknown_name
from eo_risk.judgement.limits import SCREENING_NOTE
from eo_risk.judgement.result import NOTICE, Caution
from eo_risk.measured.certificates import stands_above
from eo_risk.measured.compare import Member, Ranked, compare, rank, reach_of
from eo_risk.measured.device_amounts import DeviceAmount, device_amounts
from eo_risk.measured.dissipation import Points
from eo_risk.measured.lab_group import declines_of, group_answer, later
from eo_risk.measured.lab_options import CONDITIONS, LabOptions, cell, why_not_used
from eo_risk.measured.layer_fit.answer import PhysicsRequest, physics_answer
from eo_risk.measured.predictions import beside_prediction
from eo_risk.measured.results_table import LabTable


def _groups(amounts: Sequence[DeviceAmount]) -> dict[str, list[DeviceAmount]]:
    found: dict[str, list[DeviceAmount]] = {}
    for amount in amounts:
        found.setdefault(amount.row.group, []).append(amount)
    return found


def _badness(answer: dict) -> tuple[int, float]:
    """Order groups: curves before single times, then by release hour or highest result."""
    if answer["kind"] == "one_time":
        return 0, answer["highest"]
    release = answer["release_h"]
    return 1, math.inf if release is None else release


def _family(
    groups: Mapping[str, list[DeviceAmount]], answers: Mapping[str, dict], limit_mg: float,
    options: LabOptions,
) -> dict:  # fmt: skip
    """Rank the groups, curves first, and compare each with the reference group."""
    curves = {name: Points.of(groups[name]) for name, a in answers.items() if a["kind"] == "curve"}
    reference = options.reference_group or next(iter(groups))
    if reference not in groups:
        raise InputError([unknown_name("--reference-group", reference, groups, "Name a group.")])
    ln_limit = math.log(limit_mg)
    members = []
    for name, points in curves.items():
        model = answers[name]["ruling_model"]
        declines = declines_of(points, options.model)
        # A slow tail is a line of its own results; the group's own line explains its start.
        decline = declines.get(model) or declines[later(
            {n: e for n, e in answers[name]["models"].items() if n in declines})]  # fmt: skip
        members.append(Member(name, decline, answers[name]["release_h"]))
    reaches = {name: reach_of(name, points, ln_limit) for name, points in curves.items()}
    base = reaches.get(reference)
    comparisons = [
        compare(reach, base, options.confidence, options.margin_h)
        for name, reach in reaches.items()
        if name != reference and reach is not None and base is not None
    ]
    once = sorted(answers.keys() - curves.keys(), key=lambda name: -answers[name]["highest"])
    ranked = (*rank(members, ln_limit, options.confidence),
              *(Ranked(name, None, _at_one_time(answers[name])) for name in once))  # fmt: skip
    left_out = [name for name in groups if name != reference and reaches.get(name) is None]
    if base is None:
        left_out = [reference]
    return {
        "groups": [{"group": name, **answer, "cautions": _written(answer["cautions"])}
                   for name, answer in answers.items()],
        "family": [asdict(r) for r in ranked],
        "reference_group": reference,
        "comparisons": [asdict(c) for c in comparisons],
        "not_compared": [_not_compared(name, reference, answers[name]) for name in left_out],
    }  # fmt: skip


def _at_one_time(answer: dict) -> str:
    return (f"results at one time: {answer['n_above_limit']} of {answer['n']} above, "
            f"highest {answer['highest']:.3g} mg at {answer['aeration_h']:g} h")  # fmt: skip


def _not_compared(name: str, reference: str, answer: dict) -> str:
    """Say why a group, or with the reference group every one, is compared with none."""
    why = "its residue does not fall" if answer["kind"] == "curve" else "it has results at one time"
    if name == reference:
        return f"No group is compared with {name}: {why}."
    return f"{name} is not compared with {reference}: {why}."


def _written(cautions: Sequence[Caution]) -> list[dict]:
    return [asdict(caution) for caution in cautions]


def _substance(
    amounts: Sequence[DeviceAmount], substance: str, limit_mg: float, options: LabOptions
) -> dict:
    groups = _groups(amounts)
    if options.margin_h is not None and len(groups) < 2:
        raise InputError([Fault("--margin-h", f"{options.margin_h:g}", "h",
                                "two measured groups in column 'group'",
                                "Modelled packaging factors support no such comparison: "
                                "measure both.")])  # fmt: skip
    answers = {name: group_answer(found, limit_mg, options, name) for name, found in groups.items()}
    worst = max(answers, key=lambda name: _badness(answers[name]))
    answer = dict(answers[worst])
    answer["cautions"] = _written(answer["cautions"])
    per_area = options.per_area_ug_cm2.get(substance)
    extra: dict[str, Any] = {"groups": [], "family": [], "comparisons": [], "not_compared": []}
    if len(groups) > 1:
        extra = _family(groups, answers, limit_mg, options)
    return {
        "substance": substance,
        "unit": "mg",
        "limit_mg": limit_mg,
        "limit_kind": "screening" if substance == "EG" else "limit",
        "limit_note": SCREENING_NOTE if substance == "EG" else "",
        "limit_ug_per_cm2": per_area,
        "area_cm2": None if per_area is None else amounts[0].row.area_cm2,
        "group": worst,
        **answer,
        **extra,
    }


def _result_row(amount: DeviceAmount, options: LabOptions) -> dict:
    row, limit = amount.row, options.limits_mg.get(amount.row.substance)
    above = None
    if limit is not None and row.substance != "EG":
        above = stands_above(amount.amount_mg, amount.below, limit)
    why = why_not_used(row, options)
    return asdict(row) | {
        "amount_mg": amount.amount_mg,
        "limit_mg": limit,
        "above_limit": above,
        "used": not why,
        "why_not_used": why,
    }


def _left_out_above(results: Sequence[dict], substance: str) -> list[Caution]:
    """Warn of results of a substance that are above its limit and take no part.

    What was taken before the hours asked for is above it by the nature of a curve.
    """
    above = [r for r in results if r["substance"] == substance and r["above_limit"]
             and not r["used"] and not r["why_not_used"].startswith("before")]  # fmt: skip
    if not above:
        return []
    why = "; ".join(dict.fromkeys(r["why_not_used"] for r in above))
    text = f"Not used, and above the limit: {len(above)} of the results ({why})."
    return [Caution("left_out_above", "warn", text, "Say why these may be left out.")]


def _ruling(answers: Mapping[str, dict]) -> dict | None:
    curves = {name: a for name, a in answers.items()
              if a["kind"] == "curve" and a["limit_kind"] == "limit"}  # fmt: skip
    if not curves:
        return None
    name = later(curves)
    return {key: curves[name][key] for key in ("substance", "release_h", "release_h_rounded")}


def _physics(
    answers: Mapping[str, dict], used: Sequence[DeviceAmount], request: PhysicsRequest | None,
    options: LabOptions,
) -> dict[str, dict]:  # fmt: skip
    """Fit the layer model to the curve of every gas that answers; empty when not asked for."""
    if request is None:
        return {}
    if answers[options.substance]["kind"] != "curve":
        raise InputError([Fault("--material", request.material, "", "results that make a curve",
                                "Leave it out for results at one time.")])  # fmt: skip
    found, eo = {}, None
    # EO first: the record of ECH refers to it. Glycol is no gas; asked for alone it is refused.
    for name in sorted(answers, key=lambda s: s != "EO"):
        answer = answers[name]
        asked = name == options.substance or name != "EG"
        if asked and answer["kind"] == "curve":
            rows = [a for a in used if (a.row.substance, a.row.group) == (name, answer["group"])]
            found[name], band = physics_answer(
                rows, request, answer["limit_mg"], options.confidence, eo=eo
            )
            if name == "EO" and found[name]["site_material_records"]:
                eo = band
    return found


def lab_answer(
    table: LabTable,
    options: LabOptions,
    *,
    predicted: Mapping[str, Any] | None = None,
    physics: PhysicsRequest | None = None,
) -> dict:
    """Answer a table of laboratory results, in hours and mg per device.

    Parameters
    ----------
    table : LabTable
        The results.
    options : LabOptions
        Limit, substance, confidence, model, and which rows to use.
    predicted : mapping, optional
        One item of an answer of ``check`` to put beside the results.
    physics : PhysicsRequest, optional
        The device's governing part, to fit the layer model beside the line.

    Returns
    -------
    dict
        ``kind`` ``curve`` or ``one_time`` with the keys of the command's answer.

    Raises
    ------
    InputError
        For options out of range, units that cannot be turned, rows that cannot be put
        together, a single result.
    """
    options.check()
    amounts = device_amounts(
        table.rows, device_mass_g=options.device_mass_g, area_cm2=options.area_cm2
    )
    used = [a for a in amounts if not why_not_used(a.row, options)]
    by_substance = {name: [a for a in used if a.row.substance == name] for name in options.asked}
    for name, chosen in by_substance.items():
        if not chosen:
            present = sorted({a.row.substance for a in used}) or ["none of the chosen rows"]
            raise InputError([Fault("substance", name, "", nearest(name, present),
                                    "No result of this substance is left to use.")])  # fmt: skip
    options = options.resolved(used)
    answers = {name: _substance(by_substance[name], name, limit, options)
               for name, limit in options.limits_mg.items()}  # fmt: skip
    layers = _physics(answers, used, physics, options)
    results = [_result_row(a, options) for a in amounts]
    for name, found in answers.items():
        found["cautions"] += _written(_left_out_above(results, name))
    return answers[options.substance] | {
        "confidence": options.confidence,
        "model": options.model,
        "ruling": _ruling(answers),
        "substances": [a | {"physics": layers.get(name)} for name, a in answers.items()
                       if name != options.substance],
        "conditions": {name: sorted({cell(a.row, name) for a in used}) for name in CONDITIONS},
        "reports": sorted({a.row.report for a in used if a.row.report}),
        "results": results,
        "predictions": [asdict(b) for b in beside_prediction(used, predicted)] if predicted else [],
        "physics": layers.get(options.substance),
        "material_records": [record for layer in layers.values()
                             for record in layer["site_material_records"]],
        "understood": table.understood,
        "notice": NOTICE,
    }  # fmt: skip
