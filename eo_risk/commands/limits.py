"""Command `limits`: what is allowed for this contact, patient and number of devices."""

from __future__ import annotations

import argparse
import json
from dataclasses import replace
from pathlib import Path

from eo_risk.commands.flags import Flags
from eo_risk.commands.printing import add_json_flag, columns, emit, significant
from eo_risk.output.numbers import shown_unit

_DEFAULT_EDITION = "iso10993-7:2008+A1"
_ROW = (
    "substance", "quantity", "limit", "unit", "period", "kind", "basis", "clause", "confidence",
    "source", "mass_equivalent_mg", "for_verdict",
)  # fmt: skip
_EXPOSURE = (
    "id", "jurisdiction", "name", "substance", "value", "unit", "averaging", "kind", "setting",
    "date", "from_date", "confidence", "source", "locator", "note",
)  # fmt: skip
_RULE = (
    "id", "jurisdiction", "title", "text", "exception", "setting", "date", "from_date",
    "confidence", "source", "locator", "note",
)  # fmt: skip
_PERIODS = {
    "day": "average per day", "24h": "24 h", "30d": "30 d", "lifetime": "lifetime",
    "total": "total", "contact": "contact area",
}  # fmt: skip


def register(subparsers) -> None:
    """Add the command to the parser."""
    parser = subparsers.add_parser(
        "limits", help="limits of EO and ECH for one contact, screening references of EG"
    )
    parser.add_argument("--duration", help="limited, prolonged or permanent")
    parser.add_argument("--body-mass-kg", help="of the lightest patient (70 when not given)")
    parser.add_argument("--body-mass-reason", help="why this mass applies, in writing")
    parser.add_argument("--population", help="a word such as neonate: never chooses a mass")
    parser.add_argument("--devices", help="EO-sterilised devices used together (5 if unknown)")
    parser.add_argument("--area-cm2", help="contact area, or its range as LOW,HIGH")
    parser.add_argument("--special", help="a special situation of the standard")
    parser.add_argument("--edition", help=f"{_DEFAULT_EDITION} when not given")
    parser.add_argument(
        "--edition-file", help="your own limits, as in reference/limits/iso10993_7_2026.toml"
    )
    parser.add_argument("--residue-counted", help="whole (when not given) or simulated_use")
    parser.add_argument("--share-percent", help="of the residue that simulated use gives off")
    parser.add_argument("--jurisdiction", help="also print what staff may breathe there")
    add_json_flag(parser)
    parser.set_defaults(run=run)


def _area(flags: Flags, text: str | None) -> float | tuple[float, float] | None:
    if text is None or "," not in text:
        return flags.number("--area-cm2", "cm2", 0, 100_000, above=True)
    try:
        low, high = (float(end) for end in text.split(","))
    except ValueError:
        flags.fault("--area-cm2", "cm2", "one number, or LOW,HIGH", "Correct it.")
        return None
    if not 0.0 < low <= high <= 100_000.0:
        flags.fault("--area-cm2", "cm2", "LOW,HIGH within more than 0 to 100000 cm2", "Correct it.")
        return None
    return low, high


def _patient(flags: Flags, args: argparse.Namespace) -> dict:
    """Read whom it touches; a population's name alone is answered with a question."""
    from eo_risk.judgement.limits import population_fault

    mass = flags.number("--body-mass-kg", "kg", 0, 400, above=True)
    reason = (args.body_mass_reason or "").strip()
    if args.population is not None and (args.body_mass_kg is None or not reason):
        flags.faults.append(population_fault(args.population))
    return {"body_mass_kg": mass, "body_mass_reason": reason,
            "devices": flags.whole("--devices", 1, 100)}  # fmt: skip


def _own_limits(text: str | None, edition: str) -> dict | None:
    """Read a file of own limits; raises InputError with every fault in it."""
    if text is None:
        return None
    from eo_risk.errors import InputError
    from eo_risk.plan.own_numbers import own_edition
    from eo_risk.plan.site_file import parse_site

    path = Path(text)
    naming = f"limits_file = {json.dumps(path.name, ensure_ascii=False)}\n"
    site = parse_site(naming, path.parent)
    if site.broken_faults:
        raise InputError([
            replace(fault, where=fault.where.replace("site file", path.name, 1))
            for fault in site.broken_faults
        ])  # fmt: skip
    return own_edition(site.limit, edition)


def _rounded(value: object) -> object:
    """Drop the rounding of the last digits, such as 0.6000000000000001."""
    return float(f"{value:.12g}") if isinstance(value, float) else value


def _fields(entry, keys: tuple[str, ...]) -> dict:
    from eo_risk import reference

    row = {key: _rounded(getattr(entry, key)) for key in keys}
    known = reference.sources().get(row["source"])
    return row | ({"source": known.citation} if known else {})


def _asks(patient: dict, found, adult_kg: float) -> list[dict]:
    """List what should be told or written down before the answer is relied on."""
    asks = []
    if patient["body_mass_kg"] is None:
        asks.append(("body_mass_kg", f"No body mass given: an adult of {adult_kg:g} kg is "
                     "assumed. What does the lightest patient weigh?"))  # fmt: skip
    elif patient["body_mass_kg"] < adult_kg and not patient["body_mass_reason"]:
        asks.append(("body_mass_reason", "Write down why this body mass applies: the amendment "
                     "wants it justified."))  # fmt: skip
    if patient["devices"] is None:
        asks.append(("devices", "Number of EO-sterilised devices used together not given: five "
                     "are assumed."))  # fmt: skip
    if found.area_question:
        asks.append(("area_cm2", found.area_question))
    return [{"field": field, "text": text} for field, text in asks]


def _exposure(jurisdiction: str | None) -> dict:
    if jurisdiction is None:
        return {"exposure": [], "rules": [], "exposure_note": ""}
    from eo_risk.judgement.allowed.exposure import exposure_limits_for, rules_for

    limits = [
        limit
        for substance in ("EO", "ECH", "EG")
        for limit in exposure_limits_for(jurisdiction, substance)
    ]
    held = any(limit.substance == "EO" and limit.averaging == "8h" for limit in limits)
    note = "" if held else f"Not assessed: no 8 h figure of EO is held for {jurisdiction}"
    return {
        "exposure": [_fields(limit, _EXPOSURE) for limit in limits],
        "rules": [_fields(rule, _RULE) for rule in rules_for(jurisdiction)],
        "exposure_note": note,
    }


def _figure(row: dict) -> str:
    if row["limit"] is None:
        return "no figure"
    return f"{significant(row['limit'])} {row['unit']}"


def _name(row: dict) -> str:
    """Return what a person calls a row: the clause of a limit, the name of a reference."""
    return row["basis"].partition(":")[0] if row["kind"] == "screening" else row["clause"]


def _basis(row: dict) -> str:
    said = ". ".join(part for part in (row["basis"], row["clause"], row["source"]) if part)
    return f"{row['substance']} {_PERIODS[row['period']]}: {said}"


def _text(answer: dict) -> str:
    """Write the answer for a person."""
    table = columns(
        [
            (r["substance"], _PERIODS[r["period"]], _figure(r),
             significant(r["mass_equivalent_mg"]), r["kind"], r["confidence"] or "-", _name(r))
            for r in answer["limits"]
        ],
        ("substance", "period", "figure", "mg per device", "kind", "confidence", "from"),
    )  # fmt: skip
    rules = [
        f"{r['substance']}: " + ("Not assessed" if r["limit"] is None else
                                 f"{_figure(r)} per device ({_PERIODS[r['period']]})")
        + f". {r['basis']}"
        for r in answer["governing"]
    ]  # fmt: skip
    parts = [
        table,
        "Ruling limit (screening references of EG never rule):\n" + "\n".join(rules),
        f"Counted: {answer['counted']}.\nEdition: {answer['edition']}, {answer['edition_note']}.",
        "Not assessed: " + answer["not_assessed"] if answer["not_assessed"] else "",
        "\n".join(f"Asked: {ask['text']}" for ask in answer["asks"]),
        "Basis:\n" + "\n".join(dict.fromkeys(map(_basis, answer["limits"]))),
        _exposure_text(answer),
        answer["notice"],
    ]
    return shown_unit("\n\n".join(part for part in parts if part))


def _exposure_text(answer: dict) -> str:
    if not answer["exposure"] and not answer["rules"]:
        return answer["exposure_note"]
    table = columns(
        [
            (r["substance"], r["name"], f"{significant(r['value'])} {r['unit']}", r["averaging"],
             r["from_date"] or r["date"], r["confidence"])
            for r in answer["exposure"]
        ],
        ("substance", "staff exposure", "figure", "averaged", "date", "confidence"),
    )  # fmt: skip
    rules = [
        " ".join(part for part in (f"{r['title']} ({r['jurisdiction']}, {r['date']}):", r["text"],
                                   r["exception"]) if part)
        for r in answer["rules"]
    ]  # fmt: skip
    return "\n".join(part for part in (table, answer["exposure_note"], *rules) if part)


def run(args: argparse.Namespace) -> int:
    """Print the limits; returns the exit code."""
    from eo_risk import reference
    from eo_risk.judgement.allowed.share_counted import counted
    from eo_risk.judgement.limits import DURATIONS, EDITIONS, SPECIALS, limits_for, screening
    from eo_risk.judgement.result import NOTICE

    flags = Flags(args)
    duration = flags.word("--duration", DURATIONS, required=True)
    patient = _patient(flags, args)
    area = _area(flags, args.area_cm2)
    special = flags.word("--special", SPECIALS)
    edition = flags.word("--edition", tuple(EDITIONS)) or _DEFAULT_EDITION
    how = flags.word("--residue-counted", ("whole", "simulated_use")) or "whole"
    share = flags.number("--share-percent", "%", 0, 100)
    places = tuple(p for p in reference.document("exposure")["jurisdictions"] if p != "any")
    jurisdiction = flags.word("--jurisdiction", places)
    flags.done()
    mass = patient["body_mass_kg"]
    found = limits_for(edition, duration, mass, patient["devices"], area, special,
                       own=_own_limits(args.edition_file, edition))  # fmt: skip
    adult_kg = reference.document(EDITIONS[edition])["edition"]["body_mass_kg"]
    answer = {
        "limits": [_fields(limit, _ROW) for limit in (*found.limits, *screening(mass))],
        "governing": [_fields(limit, _ROW) for limit in found.governing],
        "edition": edition,
        "edition_note": found.edition_note,
        "not_assessed": found.empty_reason,
        "patient": patient | {"body_mass_kg": adult_kg if mass is None else mass},
        "asks": _asks(patient, found, adult_kg),
        "counted": counted(how, share).text,
        **_exposure(jurisdiction),
        "notice": NOTICE,
    }
    emit(args, answer, _text(answer))
    return 0
