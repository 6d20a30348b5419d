"""Why an item has its verdict, in words, and the one question it raises."""

from __future__ import annotations

from collections.abc import Sequence

from eo_risk import units
from eo_risk.judgement.influence import words
from eo_risk.judgement.result import Assumed, Caution, Influence, Question, Residue

_NOTHING = 1e-6  # in the unit of a row; below it no figure is worth printing


def number(value: float, figures: int = 3) -> str:
    """Write a number with a few significant figures, without an exponent where legible."""
    if 0.0 < abs(value) < _NOTHING:
        return f"below {_NOTHING:g}"
    return units.figures_text(value, figures)


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
    scaled = body_mass_kg is not None and row.period != "contact"  # at contact mass tells nothing
    mass = f", {body_mass_kg:g} kg" if scaled else ""
    spot = " in a wet spot" if row.model == "wet_spot" else ""
    over = ""
    if row.probability_over:
        over = f", {units.percent(row.probability_over)} chance of being over"
    limit = number(units.from_si(row.limit, unit))
    return f"{text}{spot}, {kind} {limit} {unit} ({where}{mass}){over}"


def causes(cautions: Sequence[Caution], missing: Sequence[str]) -> tuple[str, ...]:
    """Say what stands against an item beside its residues: what blocks, and what is not known."""
    blocking = (
        f"{c.text}{f' ({c.where})' if c.where else ''}" for c in cautions if c.level == "block"
    )
    return (*blocking, *missing)


def residue_reasons(
    rows: Sequence[Residue], body_mass_kg: float | None, glycol_over_reference: bool
) -> tuple[str, ...]:
    """Say which residues stand against an item, or which comes nearest to its limit."""
    with_limit = sorted(
        (r for r in rows if r.limit and r.used_for_verdict),
        key=lambda r: (r.band.p05 <= r.limit, -r.band.p95 / r.limit),  # what holds comes first
    )
    over = [r for r in with_limit if r.band.p95 > r.limit]
    texts = [row_text(r, body_mass_kg) for r in (over or with_limit[:1])]
    if glycol_over_reference:
        texts += [
            row_text(r, body_mass_kg)
            for r in rows
            if r.substance == "EG" and r.model in ("film", "whole")
        ]
    return tuple(texts)


def question(
    missing: Sequence[str], assumed: Sequence[Assumed], influences: Sequence[Influence]
) -> Question | None:
    """Return the one question an unknown among the strongest inputs raises."""
    for text in missing:
        for word, field in (
            ("duration", "patient.duration"),
            ("body mass", "patient.body_mass_kg"),
        ):
            if word in text:
                return Question(field, f"{text}; what is it?")
    fields = {a.field: a for a in assumed}
    area = "patient.contact_area_cm2"
    names = ([area] if area in fields else []) + [i.input for i in influences]
    for name in names:
        if name in fields:
            a = fields[name]
            if name.endswith(".material"):
                return Question(name, f"What is the {words(name)}? Taken as "
                                f"{a.note.partition(':')[0]}.")  # fmt: skip
            return Question(name, f"What is the {words(name)}? Taken as {a.low:g} to {a.high:g} "
                            f"{a.unit}.")  # fmt: skip
    return None
