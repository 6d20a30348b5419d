"""What is allowed: limits by edition, contact, patient and number of devices.

A published figure is for the adult of its edition with at most five such devices. For a
lighter patient or more devices two routes are computed, the figure scaled by body mass, and the
tolerable intake times body mass times the concomitant factor; the stricter stands. A tolerable
intake is never a limit by itself. EG has no limit: `screening` gives named references.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from eo_risk import reference, units
from eo_risk.errors import Fault, InputError, unknown_name
from eo_risk.judgement.allowed.allowance import allowed, intake_of

DURATIONS = ("limited", "prolonged", "permanent")
SPECIALS = ("intraocular_lens", "apheresis", "oxygenator", "bypass", "blood_purification", "drape")
EDITIONS = {
    "iso10993-7:1995": "limits/iso10993_7_1995",
    "iso10993-7:2008+A1": "limits/iso10993_7_2008_a1",
    "iso10993-7:2026": "limits/iso10993_7_2026",
}
SUBSTANCES = ("EO", "ECH")
SCREENING_NOTE = "screening, not a limit; says nothing about local irritation"
# The period that only a contact of this length has to meet.
_LONGEST = {"limited": "24h", "prolonged": "30d", "permanent": "lifetime"}

# A contact area is known, a range to be marked as assumed, or not given. [cm2]
Area = float | tuple[float, float] | None


@dataclass(frozen=True)
class Limit:
    """One limit (or screening reference) for one patient, in the unit it is written in.

    `limit` None means that there is no figure, and `basis` says why. `mass_equivalent_mg` is
    what it allows per device over the whole contact, None where that cannot be told; a contact
    limit takes the smallest area of its range.
    """

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
    mass_equivalent_mg: float | None = None
    for_verdict: bool = True

    @property
    def limit_si(self) -> float | None:
        return None if self.limit is None else units.to_si(self.limit, self.unit)


@dataclass(frozen=True)
class LimitSet:
    """Every limit of one contact and the governing one per substance, as mg per device.

    `days` are the days of each period, that of ``day`` those over which an average per day is
    taken; `empty_reason` says which figures are missing; `area_question` is asked when the area
    would decide.
    """

    limits: tuple[Limit, ...]
    governing: tuple[Limit, ...]
    edition: str
    edition_note: str
    empty_reason: str = ""
    days: Mapping[str, float] | None = None
    area_question: str = ""


def _number_fault(where: str, given: object, unit: str, high: float, do: str) -> list[Fault]:
    numeric = isinstance(given, (int, float)) and not isinstance(given, bool)
    if numeric and math.isfinite(given) and 0.0 < given <= high:
        return []
    shown = f"{given:g}" if numeric else repr(given)
    return [Fault(where, shown, unit, f"more than 0 to {high:g} {unit}", do)]


def _check(
    edition: str, duration: str, body_mass_kg: float | None, devices: int | None, area_cm2: Area,
    special: str | None,
) -> None:  # fmt: skip
    faults = []
    if edition not in EDITIONS:
        faults.append(unknown_name("edition", edition, EDITIONS, "Name a known edition."))
    if duration not in DURATIONS:
        faults.append(unknown_name("duration", duration, DURATIONS, "Name the contact."))
    if special is not None and special not in SPECIALS:
        do = "Use a special situation of the standard, or none."
        faults.append(unknown_name("special", special, SPECIALS, do))
    if body_mass_kg is not None:
        faults += _number_fault("body_mass_kg", body_mass_kg, "kg", 400.0,
                                "Give the body mass of the lightest patient.")  # fmt: skip
    if devices is not None and (not 1 <= devices <= 100 or devices != int(devices)):
        faults.append(Fault("devices", str(devices), "", "a whole number from 1 to 100",
                            "Count the EO-sterilised devices used together."))  # fmt: skip
    if area_cm2 is not None:
        do = "Give the area that touches the patient, or its range from low to high."
        low, high = _ends(area_cm2)
        for end in {low, high}:
            faults += _number_fault("area_cm2", end, "cm2", 100_000.0, do)
        if low > high:
            faults.append(Fault("area_cm2", f"{low:g} to {high:g}", "cm2", "low before high", do))
    if faults:
        raise InputError(faults)


def _ends(area_cm2: float | tuple[float, float]) -> tuple[float, float]:
    return area_cm2 if isinstance(area_cm2, tuple) else (area_cm2, area_cm2)


def population_fault(word: str) -> Fault:
    """Return the question a population's name raises: its name never chooses a mass.

    Two standards give a newborn 3.5 kg (ISO 10993-17:2002, 6.2.2) and 0.5 kg (ISO 18562-1:2017).
    """
    allowed = "a body mass in kg with a written justification"
    do = "Give the mass of the lightest patient and write down why it applies."
    return Fault("body_mass_kg", repr(word), "", allowed, do)


def _limit_of(
    row: Mapping[str, Any], head: Mapping[str, Any], intakes: Sequence[Mapping[str, Any]],
    duration: str, body_mass_kg: float, devices: int | None,
) -> Limit:  # fmt: skip
    """Write one row of a file of limits as the limit of this patient."""
    carried = {}
    if row["category"] in DURATIONS and row["category"] != duration:
        carried = head.get("carried", {})
    note = f"; {row['note']}" if row.get("note") else ""
    clause, confidence, source = (
        carried.get(key, row.get(key, "")) for key in ("clause", "confidence", "source")
    )
    value = None
    if row.get("limit") is None:
        basis = f"{head['name']}: no figure"
    else:
        intake = intake_of(row, intakes)
        value, how = allowed(row, head, intake, body_mass_kg, devices)
        basis = f"{head['name']}: {how}"
    return Limit(row["substance"], row["quantity"], row["period"], value, row["unit"], "limit",
                 basis + note, clause, confidence, source,
                 for_verdict=head["status"] != "history")  # fmt: skip


def _applies(row: Mapping[str, Any], duration: str, special: str | None) -> bool:
    category = row["category"]
    if category == "special":
        return special is not None and row.get("special") == special
    if category in ("any", duration):
        return True
    # A longer contact meets the shorter limits too; an average per day has its own days.
    shorter = DURATIONS.index(category) < DURATIONS.index(duration)
    return shorter and row["period"] != "day"


def _rows_of_edition(
    rows: Sequence[Mapping[str, Any]], duration: str, special: str | None
) -> list[Mapping[str, Any]]:
    """Choose what applies; a special situation takes the place of what it replaces."""
    chosen = [row for row in rows if _applies(row, duration, special)]
    replaced = {(row["substance"], period) for row in chosen for period in row.get("replaces", ())}
    return [
        row for row in chosen
        if row["category"] == "special" or (row["substance"], row["period"]) not in replaced
    ]  # fmt: skip


def _missing(
    rows: Sequence[Mapping[str, Any]], head: Mapping[str, Any], duration: str, special: str | None
) -> list[Limit]:
    """Return a row without a figure for every one the edition should hold and does not."""
    found = []
    for substance in SUBSTANCES:
        mine = [row for row in rows if row["substance"] == substance]
        own_category = "special" if special else duration
        wanted = []
        if not any(row["category"] == own_category for row in mine):
            what = f"{special or duration} contact"
            wanted.append(("mg_per_device", _LONGEST[duration], "mg", what))
        per_area = any(row["quantity"] == "ug_per_cm2" for row in mine)
        if not per_area and head["status"] != "history":
            wanted.append(("ug_per_cm2", "contact", "ug/cm2", "the area of contact"))
        for quantity, period, unit, what in wanted:
            reason = f"{head['name']}: no figure of {substance} for {what} is held here"
            found.append(Limit(substance, quantity, period, None, unit, "limit", reason, "", "",
                               head["source"]))  # fmt: skip
    return found


def _with_mass(limit: Limit, area_cm2: Area, days: float) -> Limit:
    """Add what a limit allows per device over the whole contact. [mg]"""
    if limit.limit is None or (limit.quantity == "ug_per_cm2" and area_cm2 is None):
        return limit
    mass = limit.limit_si
    if limit.quantity == "ug_per_cm2":
        mass *= units.to_si(_ends(area_cm2)[0], "cm2")
    elif limit.period == "day":
        mass *= days
    return replace(limit, mass_equivalent_mg=units.from_si(mass, "mg"))


def _area_text(area_cm2: Area) -> str:
    low, high = _ends(area_cm2)
    return f"{low:g} cm2" if low == high else f"{low:g} cm2 (assumed, {low:g} to {high:g} cm2)"


def _governing(limits: Sequence[Limit], area_cm2: Area) -> tuple[Limit, ...]:
    """Return the strictest limit of each substance as mg per device.

    Where a figure is missing none governs: the missing one could be the stricter.
    """
    found = []
    for substance in SUBSTANCES:
        mine = [limit for limit in limits if limit.substance == substance]
        known = [limit for limit in mine if limit.mass_equivalent_mg is not None]
        blank = next((limit for limit in mine if limit.limit is None), None)
        if blank is not None or not known:
            found.append(blank or mine[0])
            continue
        least = min(known, key=lambda limit: limit.mass_equivalent_mg)
        basis = least.basis
        if least.quantity == "ug_per_cm2":
            basis += f"; {least.limit:g} {least.unit} x {_area_text(area_cm2)}"
        elif crossing := _crossing_cm2(mine, least) if area_cm2 is None else None:
            basis += f"; below {crossing:.4g} cm2 of contact the contact limit rules instead"
        found.append(replace(least, limit=least.mass_equivalent_mg, unit="mg", basis=basis,
                             quantity="mg_per_device"))  # fmt: skip
    return tuple(found)


def _crossing_cm2(limits: Sequence[Limit], least: Limit) -> float | None:
    """Return the contact area below which the contact limit is the stricter one. [cm2]"""
    per_area = [limit.limit_si for limit in limits if limit.quantity == "ug_per_cm2"]
    if not per_area:
        return None
    mass = units.to_si(least.mass_equivalent_mg, "mg")
    return units.from_si(mass / min(per_area), "cm2")


def _area_question(
    limits: Sequence[Limit], governing: Sequence[Limit], area_cm2: Area
) -> str:
    if not any(limit.limit and limit.quantity == "ug_per_cm2" for limit in limits):
        return ""
    if area_cm2 is None:
        return ("Which area touches the patient? The contact limit cannot be compared without "
                "it and rules for small areas.")  # fmt: skip
    low, high = _ends(area_cm2)
    if low < high and any(limit.period == "contact" for limit in governing):
        return "Which area touches the patient? The contact limit rules over an assumed area."
    return ""


def _days(head: Mapping[str, Any], duration: str) -> dict[str, float]:
    """Return the days of each period this contact has to meet, by the word of the period. [d]"""
    lengths = {"24h": 1.0, "30d": float(head["days_prolonged"]),
               "lifetime": float(head["days_lifetime"])}  # fmt: skip
    met = dict(list(lengths.items())[: DURATIONS.index(duration) + 1])
    return met | {"day": lengths[_LONGEST[duration]]}


def limits_for(
    edition: str,
    duration: str,
    body_mass_kg: float | None = None,
    devices: int | None = None,
    area_cm2: Area = None,
    special: str | None = None,
    *,
    own: Mapping[str, Any] | None = None,
) -> LimitSet:
    """Return every limit of one contact, and the governing one per substance.

    Parameters
    ----------
    edition : str
        A key of `EDITIONS`.
    duration : str
        ``limited``, ``prolonged`` or ``permanent``; a longer contact meets the shorter
        limits too.
    body_mass_kg : float, optional
        Of the lightest patient; the adult of the edition when not given. [kg]
    devices : int, optional
        EO-sterilised devices used together; five when unknown.
    area_cm2 : float or (float, float), optional
        Contact area, or its assumed range; the governing limit takes the low end. [cm2]
    special : str, optional
        One of `SPECIALS`; its rows take the place of the general ones they name.
    own : mapping, optional
        ``{"limit": rows}`` with a site's or maker's own rows. Rows whose ``edition`` is this
        one fill an edition of which no figures are held; the others stand beside it.

    Raises
    ------
    InputError
        With every fault: unknown edition, contact or situation; mass, area or number out of
        range.
    """
    _check(edition, duration, body_mass_kg, devices, area_cm2, special)
    shipped = reference.document(EDITIONS[edition])
    head, rows, intakes = shipped["edition"], shipped.get("limit", ()), shipped.get("intake", ())
    mine = own["limit"] if own else ()
    filling = [row for row in mine if row.get("edition") == edition]
    beside = [row for row in mine if row.get("edition") not in EDITIONS
              and _applies(row, duration, special)]  # fmt: skip
    mass = head["body_mass_kg"] if body_mass_kg is None else body_mass_kg

    chosen = _rows_of_edition([*rows, *filling], duration, special)
    limits = [_limit_of(row, head, intakes, duration, mass, devices) for row in chosen]
    limits += _missing(chosen, head, duration, special)
    own_head = dict(head, name="own limit")
    own_head.pop("carried", None)
    limits += [_limit_of(row, own_head, (), duration, mass, devices) for row in beside]

    days = _days(head, duration)
    limits = [_with_mass(limit, area_cm2, days["day"]) for limit in limits]
    note = head["note_filled"] if filling and "note_filled" in head else head["note"]
    blanks = [limit.basis for limit in limits if limit.limit is None]
    reason = "; ".join(blanks) if chosen else f"{head['name']} holds no figures here: {note}"
    governing = _governing(limits, area_cm2)
    return LimitSet(tuple(limits), governing, edition, note, reason, days,
                    _area_question(limits, governing, area_cm2))  # fmt: skip


def usual_devices(edition: str) -> int:
    """Return the devices used together that an edition counts with where nobody says."""
    return reference.document(EDITIONS[edition])["edition"]["devices_default"]


def screening(body_mass_kg: float | None = None) -> tuple[Limit, ...]:
    """Return every screening reference of EG for one patient and one day.

    A value per kg is multiplied by the body mass. A value per day, made for an adult of its own
    body mass, is scaled down for a lighter patient and never up. All are for repeated oral or
    drug doses; the adult of the 2008 edition stands in for an unknown body mass.

    Parameters
    ----------
    body_mass_kg : float, optional
        Of the lightest patient. [kg]
    """
    if body_mass_kg is None:
        body_mass_kg = reference.document(EDITIONS["iso10993-7:2008+A1"])["edition"]["body_mass_kg"]
    elif faults := _number_fault("body_mass_kg", body_mass_kg, "kg", 400.0, "Correct it."):
        raise InputError(faults)
    return tuple(_reference_for(row, body_mass_kg) for row in _references())


def _references() -> list[Mapping[str, Any]]:
    return reference.document("limits/screening")["screening"]


def _reference_for(row: Mapping[str, Any], body_mass_kg: float) -> Limit:
    if row["unit"] == "mg/kg/d":
        value, how = row["value"] * body_mass_kg, f"{row['value']:g} mg/kg/d x {body_mass_kg:g} kg"
    else:
        share = min(1.0, body_mass_kg / row["basis_kg"])
        value, how = row["value"] * share, f"{row['value']:g} mg/d"
        how += f" x {body_mass_kg:g}/{row['basis_kg']:g} kg" if share < 1.0 else " for an adult"
    return Limit("EG", "mg_per_device", "24h", value, "mg", "screening",
                 f"{row['name']} ({row['id']}): {how}; {SCREENING_NOTE}", row["locator"],
                 row["confidence"], row["source"], mass_equivalent_mg=value,
                 for_verdict=False)  # fmt: skip


def screening_by_id(reference_id: str, body_mass_kg: float | None = None) -> Limit:
    """Return one screening reference of EG; raises InputError with the nearest names."""
    ids = [row["id"] for row in _references()]
    if reference_id not in ids:
        raise InputError([unknown_name("glycol_reference", reference_id, ids, "Choose one.")])
    return screening(body_mass_kg)[ids.index(reference_id)]
