"""What is allowed: limits by edition, contact, patient and number of devices.

A published figure is for a 70 kg adult with at most five such devices. For another patient or
more devices two routes are computed, the figure scaled by body mass and devices, and the
tolerable intake times body mass times the concomitant factor; the stricter stands. A tolerable
intake is never a limit by itself. EG has no limit: `screening` gives named references.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from eo_risk import reference, units
from eo_risk.errors import Fault, InputError, nearest, unknown_name

DURATIONS = ("limited", "prolonged", "permanent")
SPECIALS = ("intraocular_lens", "apheresis", "oxygenator", "bypass", "blood_purification", "drape")
EDITIONS = {
    "iso10993-7:1995": "limits/iso10993_7_1995",
    "iso10993-7:2008+A1": "limits/iso10993_7_2008_a1",
    "iso10993-7:2026": "limits/iso10993_7_2026",
}
SCREENING_NOTE = "screening, not a limit; says nothing about local irritation"

_REQUIRED = ("category", "substance", "quantity", "period", "limit", "unit", "source")


@dataclass(frozen=True)
class Limit:
    """One limit (or screening reference) for one patient, in the unit it is written in."""

    substance: str
    quantity: str
    period: str
    limit: float | None
    unit: str
    kind: str
    basis: str
    clause: str
    confidence: str
    source: str

    @property
    def limit_si(self) -> float | None:
        return None if self.limit is None else units.to_si(self.limit, self.unit)


@dataclass(frozen=True)
class LimitSet:
    """Every limit of one contact and the governing one per substance, as mg per device."""

    limits: tuple[Limit, ...]
    governing: tuple[Limit, ...]
    edition: str
    edition_note: str
    empty_reason: str = ""
    days: Mapping[str, float] | None = None


def _raise(where: str, given: object, unit: str, allowed: str, do: str) -> None:
    raise InputError([Fault(where, str(given), unit, allowed, do)])


def read_edition(path: Path) -> Mapping[str, Any]:
    """Read a user's own file of limits; raises InputError with every fault found.

    The format is that of ``reference/limits``: every ``[[limit]]`` needs a source line.
    """
    try:
        raw = tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        _raise(path.name, error, "", "a TOML file of limits", "Start from the shipped format.")
    faults = []
    for i, row in enumerate(raw.get("limit", [])):
        for key in _REQUIRED:
            if row.get(key) in (None, ""):
                faults.append(
                    Fault(f"limit[{i}].{key}", "nothing", "", "a value",
                          "Every limit needs it; a source names document, clause and page.")
                )  # fmt: skip
        value = row.get("limit")
        if isinstance(value, bool) or not isinstance(value, (int, float)) or not value > 0.0:
            faults.append(Fault(f"limit[{i}].limit", str(value), str(row.get("unit", "")),
                                "a number above 0", "Correct it."))  # fmt: skip
        if row.get("unit") not in ("mg", "ug", "ug/cm2", "mg/cm2"):
            faults.append(Fault(f"limit[{i}].unit", repr(row.get("unit")), "",
                                "mg, ug, ug/cm2, mg/cm2", "Use one of these units."))  # fmt: skip
    if not raw.get("edition", {}).get("source"):
        faults.append(Fault("edition.source", "nothing", "", "a source line",
                            "Name the document the figures come from."))  # fmt: skip
    if faults:
        raise InputError(faults)
    return raw


def _edition(name: str, own: Mapping[str, Any] | None) -> Mapping[str, Any]:
    if name not in EDITIONS:
        raise InputError([unknown_name("edition", name, EDITIONS, "Name a known edition.")])
    shipped = reference.document(EDITIONS[name])
    if own and own.get("edition", {}).get("id") == name:
        return own
    return shipped


def _check(
    duration: str, body_mass_kg: float | None, devices: int | None, area_cm2: float | None,
    special: str | None,
) -> None:  # fmt: skip
    faults = []
    if duration not in DURATIONS:
        faults.append(unknown_name("duration", duration, DURATIONS, "Name the contact."))
    if special is not None and special not in SPECIALS:
        faults.append(Fault("special", repr(special), "", nearest(special, SPECIALS),
                            "Use one of the special situations of the standard."))  # fmt: skip
    if body_mass_kg is not None and not 0.0 < body_mass_kg <= 400.0:
        faults.append(Fault("body_mass_kg", f"{body_mass_kg:g}", "kg", "more than 0 to 400 kg",
                            "Give the body mass of the lightest patient."))  # fmt: skip
    if devices is not None and not 1 <= devices <= 100:
        faults.append(Fault("devices", str(devices), "", "1 to 100",
                            "Count the EO-sterilised devices used together."))  # fmt: skip
    if area_cm2 is not None and not 0.0 < area_cm2 <= 100_000.0:
        faults.append(Fault("area_cm2", f"{area_cm2:g}", "cm2", "more than 0 to 100000 cm2",
                            "Give the area that touches the patient."))  # fmt: skip
    if faults:
        raise InputError(faults)


def population_fault(word: str) -> Fault:
    """Return the question a population's name raises: its name never chooses a mass.

    Published default masses for newborns differ by a factor of seven.
    """
    return Fault("body_mass_kg", repr(word), "", "a body mass in kg with a written justification",
                 "Weigh or look up the lightest patient and say why that mass applies.")  # fmt: skip


def concomitant_factor(devices: int | None, edition: Mapping[str, Any]) -> float:
    """Return the share of the intake one device may use. [-]"""
    count = edition["edition"]["devices_default"] if devices is None else devices
    return 1.0 / count


def intake_limit_mg(
    intake_mg_per_kg_d: float, body_mass_kg: float, factor: float | None
) -> float:
    """Return what one device may give per day by the intake route. [mg]

    Raises
    ------
    ValueError
        Without a concomitant factor: a tolerable intake is the sum over all devices and
        never a limit of one.
    """
    if factor is None or not 0.0 < factor <= 1.0:
        raise ValueError(
            "a tolerable intake needs the concomitant factor (0.2 by default, 1/n for n devices)"
        )
    return intake_mg_per_kg_d * body_mass_kg * factor


def _for_patient(
    row: Mapping[str, Any], edition: Mapping[str, Any], body_mass_kg: float, devices: int | None
) -> Limit:
    """Carry one published figure to this patient and number of devices."""
    head = edition["edition"]
    published, adult = float(row["limit"]), head["body_mass_kg"]
    more = (devices or 0) > head["devices_default"]
    limit = Limit(row["substance"], row["quantity"], row["period"], published, row["unit"], "limit",
                  f"{head['name']}: published figure, {adult:g} kg", row.get("clause", ""),
                  row.get("confidence", ""), row["source"])  # fmt: skip
    fixed = row["quantity"] != "mg_per_device" or row["category"] == "special"
    if fixed or (body_mass_kg == adult and not more):
        return limit
    # A heavier patient or fewer devices never raise a figure above the published one.
    count = max(devices or 0, head["devices_default"])
    by_mass = published * min(body_mass_kg, adult) / adult
    how = f"figure {published:g} {row['unit']} x {min(body_mass_kg, adult):g}/{adult:g} kg"
    routes = []
    for intake in edition.get("intake", ()):
        same = (intake["category"], intake["substance"], intake["period"])
        if same == (row["category"], row["substance"], row["period"]):
            value = intake_limit_mg(float(intake["value"]), min(body_mass_kg, adult), 1.0 / count)
            routes.append((value, f"tolerable intake {intake['value']:g} mg/kg/d x "
                           f"{body_mass_kg:g} kg x 1/{count}"))  # fmt: skip
    if more and not routes:
        by_mass, how = by_mass * head["devices_default"] / count, f"{how}, shared by {count} devices"
    routes.append((by_mass, how))
    value, how = min(routes)
    return replace(limit, limit=value, basis=f"{head['name']}: {how}")


def _mass_equivalent(limit: Limit, area_cm2: float | None) -> float | None:
    """Return a limit as mg per device; a contact limit needs the area. [mg]"""
    if limit.limit_si is None:
        return None
    if limit.quantity == "ug_per_cm2":
        if area_cm2 is None:
            return None
        return units.from_si(limit.limit_si * units.to_si(area_cm2, "cm2"), "mg")
    return units.from_si(limit.limit_si, "mg")


def _governing(limits: tuple[Limit, ...], area_cm2: float | None, days: Mapping[str, float]):
    found = []
    for substance in ("EO", "ECH"):
        candidates = []
        for limit in limits:
            mass = _mass_equivalent(limit, area_cm2)
            if limit.substance != substance or mass is None:
                continue
            if limit.period == "day":
                # An average per day allows that much on each day of the contact.
                mass *= days["day"]
            candidates.append((mass, limit))
        if candidates:
            mass, limit = min(candidates, key=lambda pair: pair[0])
            basis = limit.basis
            if limit.quantity == "ug_per_cm2":
                basis = f"{basis}; {limit.limit:g} {limit.unit} x {area_cm2:g} cm2"
            found.append(replace(limit, limit=mass, unit="mg", quantity="mg_per_device",
                                 basis=basis))  # fmt: skip
        else:
            blank = next((lim for lim in limits if lim.substance == substance), None)
            if blank is not None:
                found.append(blank)
    return tuple(found)


def limits_for(
    edition: str,
    duration: str,
    body_mass_kg: float | None = None,
    devices: int | None = None,
    area_cm2: float | None = None,
    special: str | None = None,
    *,
    own: Mapping[str, Any] | None = None,
) -> LimitSet:
    """Return every limit of one contact, and the governing one per substance.

    Parameters
    ----------
    edition : str
        ``iso10993-7:1995``, ``iso10993-7:2008+A1`` or ``iso10993-7:2026``.
    duration : str
        ``limited``, ``prolonged`` or ``permanent``; a longer contact meets the shorter
        limits too.
    body_mass_kg : float, optional
        Of the lightest patient; the adult of the edition when not given. [kg]
    devices : int, optional
        EO-sterilised devices used together; five when unknown.
    area_cm2 : float, optional
        Contact area, for the governing limit as a mass. [cm2]
    special : str, optional
        A special situation of the standard, whose limits replace the general ones.
    own : mapping, optional
        A file read by `read_edition`: it fills an empty edition, or adds stricter limits.

    Raises
    ------
    InputError
        For an unknown edition, contact or situation, a mass, area or number out of range.
    """
    _check(duration, body_mass_kg, devices, area_cm2, special)
    content = _edition(edition, own)
    head = content["edition"]
    mass = head["body_mass_kg"] if body_mass_kg is None else body_mass_kg
    days = {"day": {"limited": 1.0, "prolonged": float(head["days_prolonged"]),
                    "permanent": float(head["days_lifetime"])}[duration]}  # fmt: skip
    rows = list(content.get("limit", ()))
    if own is not None and content is not own:
        rows += list(own.get("limit", ()))
    chosen = []
    specials = [r for r in rows if special is not None and r.get("special") == special]
    replaced = {(r["substance"], r["quantity"]) for r in specials}
    for row in rows:
        if row["category"] == "special":
            if row.get("special") == special:
                chosen.append(row)
        elif row["category"] in (duration, "any"):
            # A special figure takes the place of the general one of its substance.
            lens = special == "intraocular_lens" and row["substance"] == "EO"
            drape = special == "drape" and row["quantity"] == "mg_per_device"
            if (row["substance"], row["quantity"]) not in replaced and not lens and not drape:
                chosen.append(row)
    limits = tuple(_for_patient(row, content, mass, devices) for row in chosen)
    reason = ""
    if not limits:
        reason = f"{head['name']} holds no figures here: {head['note']}"
        limits = tuple(
            Limit(s, "mg_per_device", "24h", None, "mg", "limit", reason, "", "", head["source"])
            for s in ("EO", "ECH")
        )
    return LimitSet(limits, _governing(limits, area_cm2, days), edition, head["note"], reason, days)


def screening(body_mass_kg: float | None = None) -> tuple[Limit, ...]:
    """Return every screening reference of EG for one patient and one day. [mg]

    A value per kg is multiplied by the body mass; a value per day, made for an adult, is
    scaled down for a lighter patient and never up.
    """
    adult = reference.document(EDITIONS["iso10993-7:2008+A1"])["edition"]["body_mass_kg"]
    mass = adult if body_mass_kg is None else body_mass_kg
    found = []
    for row in reference.document("limits/screening")["reference"]:
        if row["unit"] == "mg/kg/d":
            value, how = row["value"] * mass, f"{row['value']:g} mg/kg/d x {mass:g} kg"
        else:
            share = min(1.0, mass / row["basis_kg"])
            value, how = row["value"] * share, f"{row['value']:g} mg/d"
            if share < 1.0:
                how += f" x {mass:g}/{row['basis_kg']:g} kg"
        found.append(Limit("EG", "mg_per_device", "24h", value, "mg", "screening",
                           f"{row['name']} ({row['id']}): {how}; {SCREENING_NOTE}", row["locator"],
                           row["confidence"], row["source"]))  # fmt: skip
    return tuple(found)


def screening_by_id(reference_id: str, body_mass_kg: float | None = None) -> Limit:
    """Return one screening reference of EG for this patient."""
    rows = reference.document("limits/screening")["reference"]
    index = [row["id"] for row in rows].index(reference_id)
    return screening(body_mass_kg)[index]
