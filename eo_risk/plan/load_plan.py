"""The load plan: what goes in, in the user's units, checked but not yet computed.

Every model is frozen and refuses keys it does not know. Names and words follow the trade;
``None`` always means unknown. No field is meant for a patient's name or number.
"""

from __future__ import annotations

import hashlib
import json
from collections import Counter
from datetime import timedelta
from pathlib import Path
from typing import Annotated, Literal

from pydantic import BeforeValidator, Field, ValidationError

from eo_risk.errors import Fault, InputError
from eo_risk.files import read_text
from eo_risk.plan.fields import (
    Block,
    LaterMoment,
    Looked,
    Moment,
    Text,
    YesNo,
    faults_of,
    number,
    whole,
    word,
)
from eo_risk.plan.own_numbers import OwnLimit, OwnRecord, Special
from eo_risk.units import LEAST_BORE_MM, LEAST_WALL_MM, to_si

SCHEMA_VERSION = 1

Shape = Literal["sheet", "tube", "rod", "sphere", "fibre"]
_DEGREES = (-20.0, 120.0)
Temperature = number("C", *_DEGREES)
Percent = number("%", 0.0, 100.0)
Name = Annotated[Text, Field(min_length=1, description="free text; no patient names or numbers")]


class Emptied(Block):
    """How a lumen was emptied after rinsing, before any drying."""

    how: word(Literal["none", "hung", "syringe", "suction", "air"]) = None
    pushes: whole(0, 100) = None
    seconds: number("s", 0.0, 3600.0) = None
    pressure_gauge_bar: number("bar gauge", 0.0, 10.0) = None
    flow_nl_per_min: number("NL/min", 0.0, 1000.0) = None
    orientation: word(Literal["vertical", "coiled"]) = None


class DryingStep(Block):
    """One drying step, in the order it was done."""

    method: word(Literal["compressed_air", "cabinet", "bench", "vacuum", "towel"]) = None
    minutes: number("min", 0.0, 100_000.0) = None
    air_temperature_c: Temperature = None
    air_rh_percent: Percent = None
    pressure_gauge_bar: number("bar gauge", 0.0, 10.0) = None
    flow_nl_per_min: number("NL/min", 0.0, 1000.0) = None
    vacuum_kpa: number("kPa", 0.0, 110.0, above=True) = None


class Lumen(Block):
    """One channel of an item."""

    name: Name
    bore_mm: number("mm", LEAST_BORE_MM, 100.0) = None
    length_mm: number("mm", 0.0, 20_000.0, above=True) = None
    open_ends: whole(0, 2) = None
    blocked: YesNo = None
    branch_of: Text = ""
    hubs: whole(0, 20) = None
    emptied: Emptied = Emptied()
    drying: tuple[DryingStep, ...] = ()
    droplets_seen: Looked = None
    droplets_counted: whole(0, 10_000) = None
    measured_mg: number("mg", 0.0, 1e7) = None
    scale_error_mg: number("mg", 0.0, 1e6) = None
    wall_part: Text = ""
    aeration_flow_nl_per_min: number("NL/min", 0.0, 1000.0) = None


def _or_unknown(schema: dict) -> None:
    """Let a block that may be missing be written as ``"unknown"``."""
    schema["anyOf"].append({"const": "unknown"})


class Coating(Block):
    """A second material on the outer face of a part."""

    material: Name
    thickness_mm: number("mm", 0.0, 10.0, above=True) = None


class Part(Block):
    """One material body of an item."""

    name: Name
    material: Name
    shape: word(Shape) = None
    mass_g: number("g", 0.0, 100_000.0, above=True) = None
    thickness_mm: number("mm", LEAST_WALL_MM, 200.0) = None
    wall_mm: number("mm", LEAST_WALL_MM, 100.0) = None
    outer_diameter_mm: number("mm", LEAST_WALL_MM, 500.0) = None
    faces: whole(1, 2) = None
    open_faces: word(Literal["outer", "inner", "both"]) = None
    plasticiser_percent: number("%", 0.0, 60.0) = None
    density_g_per_cm3: number("g/cm3", 0.01, 25.0) = None
    coating: Coating | None = Field(None, json_schema_extra=_or_unknown)


class ExternalWater(Block):
    """Liquid water on the outside of an item."""

    area_cm2: number("cm2", 0.0, 1e6) = None
    state: word(Literal["dripping", "drained", "blown", "wiped"]) = None
    low_edge_cm: number("cm", 0.0, 10_000.0) = None
    measured_mg: number("mg", 0.0, 1e7) = None
    scale_error_mg: number("mg", 0.0, 1e6) = None
    textile_g: number("g", 0.0, 1e5) = None
    drying: tuple[DryingStep, ...] = ()


class Beside(Block):
    """Something packed with an item that is not the item: tray, container, lid, textile.

    `dry_mass_g` is that of a textile, `area_cm2` the wet area of anything else; a container is
    its lid with the gasket.
    """

    kind: word(Literal["tray", "container", "gasket", "textile"]) = None
    state: word(Literal["dry", "wiped", "blown", "drained", "dripping", "damp", "spun",
                        "soaked"]) = None  # fmt: skip
    area_cm2: number("cm2", 0.0, 1e6) = None
    dry_mass_g: number("g", 0.0, 1e5) = None
    measured_mg: number("mg", 0.0, 1e7) = None
    scale_error_mg: number("mg", 0.0, 1e6) = None


class PatientContact(Block):
    """Whom the item touches, for how long, and what else is used on the same day."""

    duration: word(Literal["none", "limited", "prolonged", "permanent"]) = None
    body_mass_kg: number("kg", 0.0, 400.0, above=True) = None
    body_mass_reason: Text = ""
    devices_used_together: whole(1, 100) = None
    contact_area_cm2: number("cm2", 0.0, 100_000.0, above=True) = None
    special: word(Special) = None
    residue_counted: word(Literal["whole", "simulated_use"]) = "whole"
    share_reaching_patient_percent: Percent = None


class Instructions(Block):
    """What the maker's instructions for use say; ``"none"`` where they name no such number."""

    eo_allowed: YesNo = None
    highest_temperature_c: number("C", *_DEGREES, or_none=True) = None
    highest_air_pressure_gauge_bar: number("bar gauge", 0.0, 10.0, or_none=True) = None
    highest_chamber_kpa: number("kPa", 50.0, 700.0, or_none=True) = None
    aeration_h: number("h", 0.0, 2000.0, or_none=True) = None
    aeration_temperature_c: number("C", *_DEGREES, or_none=True) = None
    eo_mg_per_l_low: number("mg/L", 0.0, 1700.0, or_none=True) = None
    eo_mg_per_l_high: number("mg/L", 0.0, 1700.0, or_none=True) = None
    moisten_for_steam: YesNo = None


class Item(Block):
    """One thing in the load; `quantity` pieces share the description, masses are per piece."""

    name: Name
    quantity: whole(1, 10_000) = 1
    parts: tuple[Part, ...]
    lumens: tuple[Lumen, ...] = ()
    joints: whole(0, 500) = None
    packaging: Text = ""
    rinse_water: word(Literal["treated", "tap", "saline"]) = None
    rinse_ph: number("pH", 0.0, 14.0) = None
    lubricant: word(Literal["none", "water_based", "oil"]) = None
    external_water: ExternalWater = ExternalWater()
    beside: tuple[Beside, ...] = ()
    droplets_seen: Looked = None
    irradiated_before: YesNo = None
    earlier_eo_cycles: whole(0, 1000) = None
    patient: PatientContact = PatientContact()
    instructions: Instructions = Instructions()
    laboratory_release_h: number("h", 0.0, 5000.0) = None
    laboratory_temperature_c: Temperature = None
    needed_by: LaterMoment = None
    set_number: Text = ""
    lot: Text = ""
    starting_type: Text = ""


class Chamber(Block):
    """The steriliser's chamber and the state of the load when the cycle starts."""

    volume_l: number("L", 0.0, 200_000.0, above=True) = None
    load_temperature_start_c: Temperature = None


class Washes(Block):
    """Air washes after the gas exposure; pressures are absolute."""

    count: whole(0, 20) = None
    low_kpa: number("kPa", 0.0, 110.0, above=True) = None
    high_kpa: number("kPa", 0.0, 500.0, above=True) = None
    minutes_each: number("min", 0.0, 1000.0) = None
    gas: word(Literal["air", "n2"]) = "air"


class Gas(Block):
    """What the sterilant cylinder holds, by mass."""

    eo_mass_percent: number("%", 0.0, 100.0, above=True) = 100.0
    balance: word(Literal["none", "co2", "n2"]) = "none"


class Cycle(Block):
    """The sterilisation cycle; chamber pressures are absolute."""

    evacuation_kpa: number("kPa", 0.0, 110.0, above=True) = None
    evacuation_min: number("min", 0.0, 1000.0) = None
    conditioning_min: number("min", 0.0, 3000.0) = None
    conditioning_rh_percent: Percent = None
    temperature_c: Temperature = None
    eo_mg_per_l: number("mg/L", 0.0, 1700.0, above=True) = None
    injection_min: number("min", 0.0, 1000.0) = None
    exposure_h: number("h", 0.0, 100.0, above=True) = None
    total_pressure_kpa: number("kPa", 0.0, 700.0, above=True) = None
    washes: Washes = Washes()
    gas: Gas = Gas()
    transfer_min: number("min", 0.0, 3000.0) = None
    length_h: number("h", 0.0, 200.0, above=True) = None


class AerationStep(Block):
    """One step of aeration, in order.

    `hours` are the hours aerated; `interrupted_h` is time lost within the step, which counts
    for the clock but not as aeration.
    """

    hours: number("h", 0.0, 5000.0) = None
    temperature_c: Temperature = None
    air_changes_per_h: number("1/h", 0.0, 10_000.0) = None
    place: word(Literal["chamber", "cabinet", "room"]) = None
    free_volume_l: number("L", 0.0, 1e7, above=True) = None
    holds_other_load: YesNo = None
    interrupted_h: number("h", 0.0, 5000.0) = None


class Room(Block):
    """The room around the steriliser and the aerator."""

    volume_m3: number("m3", 0.0, 1e5, above=True) = None
    air_changes_per_h: number("1/h", 0.0, 1000.0) = None


class Rules(Block):
    """Which edition and site rules apply."""

    edition: word(Literal["iso10993-7:1995", "iso10993-7:2008+A1", "iso10993-7:2026"]) = (
        "iso10993-7:2008+A1"
    )
    glycol_reference: word(
        Literal[
            "ich_q3c", "ca_madl", "health_canada", "efsa_group", "atsdr_acute", "epa_rfd"
        ]
    ) = "ich_q3c"
    glycol_above_reference: word(Literal["block", "warn"]) = "block"
    glycol_removal: word(Literal["none", "open_surfaces", "connected_lumens", "both"]) = "none"
    full_load: word(Literal["on", "off"]) = "off"
    irradiated_chlorinated: word(Literal["stop", "warn", "off"]) = "warn"
    jurisdiction: word(Literal["us", "eu", "uk", "de", "fr", "ca", "jp", "kr"]) = None
    beyond_cap_h: number("h", 1.0, 5000.0) = None
    slow_pool: word(Literal["on", "off"]) = "off"
    time_zone: Text = ""
    ambient_kpa: number("kPa", 50.0, 110.0) = None
    lightest_patient_kg: number("kg", 0.0, 400.0, above=True) = None


def _version(value: object) -> int:
    if value != SCHEMA_VERSION:
        raise ValueError(f"this version reads schema_version {SCHEMA_VERSION}")
    return SCHEMA_VERSION


class LoadPlan(Block):
    """Everything known about one load before (or, as run, after) its cycle."""

    schema_version: Annotated[int, BeforeValidator(_version)]
    name: Text = ""
    note: Text = ""
    load_number: Text = ""
    steriliser: Text = ""
    status: word(Literal["planned", "as_run"]) = "planned"
    cycle_start: Moment = None
    site_minimum_aeration_h: number("h", 0.0, 2000.0) = None
    chamber: Chamber = Chamber()
    cycle: Cycle
    aeration: tuple[AerationStep, ...]
    room: Room = Room()
    rules: Rules = Rules()
    own_records: tuple[OwnRecord, ...] = ()
    own_limits: tuple[OwnLimit, ...] = ()
    items: tuple[Item, ...]

    @property
    def sha256(self) -> str:
        """Fingerprint of the resolved plan, without its name and note."""
        content = self.model_dump(mode="json", exclude={"name", "note"})
        text = json.dumps(content, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
        return hashlib.sha256(text.encode()).hexdigest()

    @property
    def cycle_length(self) -> timedelta | None:
        """Length of the cycle up to the end of the last air wash; None when unknown."""
        cycle, washes = self.cycle, self.cycle.washes
        if cycle.length_h is not None:
            return timedelta(hours=cycle.length_h)
        each_min = 0.0 if washes.count == 0 else washes.minutes_each
        before = (cycle.evacuation_min, cycle.conditioning_min, cycle.injection_min)
        if None in (*before, cycle.exposure_h, washes.count, each_min):
            return None
        return timedelta(hours=cycle.exposure_h, minutes=sum(before) + washes.count * each_min)

    @property
    def lost_time(self) -> timedelta:
        """Time lost within the aeration: the clock counts it, the aeration does not."""
        return timedelta(hours=sum(step.interrupted_h or 0.0 for step in self.aeration))


def known_fields() -> dict[str, list[str]]:
    """List the field names of every block by the key it stands under."""
    found: dict[str, list[str]] = {"": list(LoadPlan.model_fields)}
    blocks = {
        "chamber": Chamber, "cycle": Cycle, "washes": Washes, "gas": Gas, "room": Room,
        "rules": Rules, "emptied": Emptied, "external_water": ExternalWater,
        "beside": Beside,
        "patient": PatientContact, "instructions": Instructions, "coating": Coating,
        "items": Item, "parts": Part, "lumens": Lumen, "drying": DryingStep,
        "aeration": AerationStep, "own_records": OwnRecord, "own_limits": OwnLimit,
    }  # fmt: skip
    for key, block in blocks.items():
        found[key] = list(block.model_fields)
    return found


def validation_context(raw: dict) -> dict[str, float]:
    """Return the ambient pressure that gauge and vacuum readings of this plan refer to."""
    rules = raw.get("rules")
    given = rules.get("ambient_kpa") if isinstance(rules, dict) else None
    try:
        ambient_kpa = Rules.model_validate({"ambient_kpa": given}).ambient_kpa
    except ValidationError:  # reported with the faults of the plan
        return {}
    return {} if ambient_kpa is None else {"ambient_pa": to_si(ambient_kpa, "kPa")}


def read_plan(raw: object) -> LoadPlan:
    """Check a decoded JSON object; raises InputError with every fault found."""
    from eo_risk.plan.plausible import plan_faults

    if not isinstance(raw, dict):
        raise InputError(
            [Fault("(file)", type(raw).__name__, "", "a JSON object", "See `eo-risk schema plan`.")]
        )
    faults: list[Fault] = []
    plan = None
    try:
        plan = LoadPlan.model_validate(raw, context=validation_context(raw))
    except ValidationError as error:
        faults += faults_of(error, known_fields())
    faults += plan_faults(raw if plan is None else plan.model_dump(mode="json"))
    if faults or plan is None:
        raise InputError(faults)
    return plan


def json_of(text: str) -> object:
    """Decode JSON text; raises InputError when it is none."""

    def refuse(constant: str) -> None:
        raise ValueError(constant)  # what was given, as of any other text that is no JSON

    def block(pairs: list[tuple[str, object]]) -> dict:
        twice = [key for key, count in Counter(key for key, _ in pairs).items() if count > 1]
        if twice:  # one of the two would count, and nobody would know which
            raise ValueError(f"a block with {twice[0][:40]!r} twice")
        return dict(pairs)

    try:
        return json.loads(text, parse_constant=refuse, object_pairs_hook=block)
    except (ValueError, RecursionError) as error:
        fault = Fault("(file)", str(error)[:80], "", "JSON text", "Correct the file; a list of "
                      "items (CSV or Excel) is no plan, it goes with --items.")  # fmt: skip
        raise InputError([fault]) from None


def parse_plan(text: str) -> LoadPlan:
    """Read a plan from JSON text; raises InputError with every fault found."""
    return read_plan(json_of(text))


def load_plan(path: Path) -> LoadPlan:
    """Read a plan from a JSON file; raises InputError with every fault found."""
    return parse_plan(read_text(path, "load plan"))


def plan_json(plan: LoadPlan) -> str:
    """Write a plan as JSON text; unknowns are written as ``"unknown"``."""
    return json.dumps(plan.model_dump(mode="json"), indent=1, ensure_ascii=False)
