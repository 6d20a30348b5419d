"""Which cautions stand beside an item or the load, worst first.

Text, level, trigger and action of every caution are records; here stands only the test
that decides whether it applies. An unknown never counts as good news: where a known bad
answer would block, a blank blocks too, with "ask".
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import timedelta

from eo_risk import reference, units
from eo_risk.judgement.result import Caution
from eo_risk.judgement.water.channels import doubtful
from eo_risk.plan.fields import named
from eo_risk.plan.load_plan import AerationStep, DryingStep, Item, LoadPlan, Lumen

_ORDER = {"block": 0, "warn": 1, "inform": 2}


@dataclass(frozen=True)
class ItemFacts:
    """What the computation found that a caution may rest on."""

    glycol_over_reference: bool = False
    starved_lumens: tuple[str, ...] = ()
    deep_plugs: tuple[str, ...] = ()
    outside_material_range: tuple[str, ...] = ()
    mass_geometry_differ: tuple[str, ...] = ()
    out: object | None = None  # datetime of the earliest time out, or None
    extra: tuple[tuple[str, str], ...] = field(default=())


def caution(code: str, where: str = "", level: str | None = None) -> Caution:
    """Make a caution from its record; raises KeyError for an unknown code."""
    rule = reference.caution_rules()[code]
    return Caution(code, level or rule.level, rule.text, rule.action, where)


def worst_first(cautions: list[Caution]) -> tuple[Caution, ...]:
    """Sort by level, then as the records list them; drop repeats of one code at one place."""
    unique = {(c.code, c.where): c for c in cautions}
    place = {code: i for i, code in enumerate(reference.caution_rules())}
    return tuple(sorted(unique.values(), key=lambda c: (_ORDER[c.level], place[c.code], c.where)))


def blocks(cautions: tuple[Caution, ...]) -> bool:
    """Tell whether any caution blocks."""
    return any(c.level == "block" for c in cautions)


def _lumen(lumen: Lumen) -> Iterator[Caution]:
    if lumen.droplets_seen == "yes" or lumen.droplets_counted:
        yield caution("liquid_seen", lumen.name)
    elif lumen.droplets_seen != "no":
        yield caution("not_looked", lumen.name)
    if lumen.blocked == "yes":
        yield caution("channel_blocked", lumen.name)
    if lumen.open_ends == 0:
        yield caution("lumen_closed", lumen.name)
    elif lumen.open_ends is None:
        yield caution("gas_access_doubtful", lumen.name)
    elif lumen.blocked is None:
        yield caution("gas_access_doubtful", f"{lumen.name}: nobody says whether air comes through")


def _looked_outside(item: Item) -> Iterator[Caution]:
    outside = item.external_water
    dripping = outside.state == "dripping" and not outside.drying
    if item.droplets_seen == "yes" or dripping:
        yield caution("liquid_seen", "outside" if dripping else "")
    elif item.droplets_seen != "no":
        if item.joints == 0:
            yield caution("not_looked_outside")
        else:
            yield caution("not_looked", "joints and hinges")


def _rinse_and_lubricant(item: Item) -> Iterator[Caution]:
    if item.rinse_water == "saline":
        yield caution("salt_left")
    elif item.rinse_water is None:
        yield caution("rinse_water_unknown")
    elif item.rinse_water == "tap":
        yield caution("tap_rinse")
    if item.lubricant == "oil":
        yield caution("oil_lubricant")
    elif item.lubricant is None:
        yield caution("lubricant_unknown")


def _packaging(item: Item) -> Iterator[Caution]:
    if not item.packaging:
        yield caution("packaging_unknown")
    elif not reference.packagings()[item.packaging].permeable:
        yield caution("pack_not_permeable")


def _irradiated(item: Item, plan: LoadPlan) -> Iterator[Caution]:
    members = {
        member
        for part in item.parts
        for member in (reference.material(part.material).members or (part.material,))
    }
    if not any(reference.material(m).contains_chlorine for m in members):
        return
    rule = plan.rules.irradiated_chlorinated
    if rule == "off" or item.irradiated_before == "no":
        return
    if item.irradiated_before == "yes":
        level = "block" if rule == "stop" else "warn"
        yield caution("irradiated_chlorinated", level=level)
    else:
        yield caution("irradiation_unknown", level="block" if rule == "stop" else "inform")


def _use(item: Item) -> Iterator[Caution]:
    allowed = item.instructions.eo_allowed
    if allowed == "no":
        yield caution("use_not_allowed")
    elif allowed is None:
        yield caution("use_unknown")
    if item.instructions.moisten_for_steam == "yes":
        yield caution("moisten_for_steam")


def _all_drying(item: Item) -> Iterator[tuple[str, DryingStep]]:
    for step in item.external_water.drying:
        yield "outside", step
    for lumen in item.lumens:
        for step in lumen.drying:
            yield lumen.name, step


def _drying_record(step: DryingStep) -> str:
    return "assumed.cabinet_temperature" if step.method == "cabinet" else "assumed.air_temperature"


def _temperatures(item: Item, plan: LoadPlan) -> Iterator[tuple[str, float | None, str]]:
    """Yield what warms an item: where, temperature [C], the record of an unknown one."""
    yield "cycle", plan.cycle.temperature_c, "assumed.cycle_temperature"
    for i, step in enumerate(plan.aeration):
        yield f"aeration {i + 1}", step.temperature_c, "assumed.aeration_temperature"
    for place, dried in _all_drying(item):
        if dried.method != "towel":
            yield f"drying, {place}", dried.air_temperature_c, _drying_record(dried)


def _pressures(item: Item) -> Iterator[tuple[str, float | None, str]]:
    """Yield the air pressures an item meets: where, gauge [bar], the record of an unknown one."""
    for place, step in _all_drying(item):
        if step.method == "compressed_air" or step.pressure_gauge_bar is not None:
            yield place, step.pressure_gauge_bar, "assumed.air_pressure"
    for lumen in item.lumens:
        if lumen.emptied.how == "air" or lumen.emptied.pressure_gauge_bar is not None:
            yield lumen.name, lumen.emptied.pressure_gauge_bar, "assumed.air_pressure"


def _chamber_pressures(plan: LoadPlan) -> Iterator[tuple[str, float | None, None]]:
    """Yield the chamber pressures above ambient: where, absolute [kPa]; no record has a range.

    EO alone is run below ambient; a mixture of gases may not be.
    """
    ambient_kpa = plan.rules.ambient_kpa
    if ambient_kpa is None:
        ambient_kpa = units.from_si(units.STANDARD_ATMOSPHERE_PA, "kPa")
    cycle = plan.cycle
    for place, kpa in (("exposure", cycle.total_pressure_kpa), ("washes", cycle.washes.high_kpa)):
        mixed = place == "exposure" and cycle.gas.balance in ("co2", "n2")
        if mixed if kpa is None else kpa > ambient_kpa:
            yield f"cycle, {place}", kpa, None


def _exceeded(
    found: Iterator[tuple[str, float | None, str | None]], highest: float | None, unit: str
) -> Iterator[Caution]:
    """Compare what is planned with a highest value; an unknown one may be its range's end.

    Without a record of its range it may be anything.
    """
    if highest is None:
        return
    for place, value, record_id in found:
        if value is not None:
            most, said = value, f"{value:.4g} {unit}"
        elif record_id is not None:
            most = reference.record(record_id).high
            said = f"not known, up to {most:.4g} {unit}"
        else:
            most, said = math.inf, "pressure not known"
        if most > highest:
            yield caution("instructions_exceeded", f"{place}: {said}, highest {highest:.4g} {unit}")


def _instructions(item: Item, plan: LoadPlan) -> Iterator[Caution]:
    says = item.instructions
    yield from _exceeded(_temperatures(item, plan), named(says.highest_temperature_c), "C")
    yield from _exceeded(_pressures(item), named(says.highest_air_pressure_gauge_bar),
                         "bar gauge")  # fmt: skip
    yield from _exceeded(_chamber_pressures(plan), named(says.highest_chamber_kpa), "kPa")
    level = reference.record("assumed.eo_concentration")
    given = plan.cycle.eo_mg_per_l
    low, high = named(says.eo_mg_per_l_low), named(says.eo_mg_per_l_high)
    least, most = (given, given) if given is not None else (level.low, level.high)
    if (low is not None and least < low) or (high is not None and most > high):
        said = f"{given:g} mg/L EO" if given is not None else "EO not known"
        yield caution("instructions_exceeded", f"cycle: {said}")


def _blank_requirements(item: Item, plan: LoadPlan) -> Iterator[str]:
    """Name what instructions that were read may ask of this plan and nobody has entered."""
    says = item.instructions
    if says.eo_allowed == "yes":
        if says.highest_temperature_c is None:
            yield "highest temperature"
        pressed = any(bar is None or bar > 0.0 for _, bar, _ in _pressures(item))
        if pressed and says.highest_air_pressure_gauge_bar is None:
            yield "highest air pressure"
        if says.highest_chamber_kpa is None and any(_chamber_pressures(plan)):
            yield "highest chamber pressure"
        if says.eo_mg_per_l_low is None:
            yield "lowest EO concentration"
        if says.eo_mg_per_l_high is None:
            yield "highest EO concentration"
        if says.aeration_h is None:
            yield "hours of aeration"
        elif named(says.aeration_h) and says.aeration_temperature_c is None:
            yield "temperature of the aeration"
    if item.laboratory_release_h and item.laboratory_temperature_c is None:
        yield "temperature of the laboratory release time"


def _requirements(item: Item, plan: LoadPlan) -> Iterator[Caution]:
    blank = ", ".join(_blank_requirements(item, plan))
    if blank:
        yield caution("requirement_unknown", blank)


def counted_hours(steps: tuple[AerationStep, ...], at_least_c: float | None) -> float:
    """Add up planned hours; hours below the named temperature do not count. [h]"""
    return sum(
        step.hours or 0.0
        for step in steps
        if at_least_c is None
        or (step.temperature_c is not None and step.temperature_c >= at_least_c)
    )


def required_by_others(item: Item, plan: LoadPlan) -> list[tuple[str, float, float | None]]:
    """List what asks for aeration hours: who, hours [h], lowest temperature [C]."""
    says = item.instructions
    asked = [
        ("instructions", named(says.aeration_h), named(says.aeration_temperature_c)),
        ("site minimum", plan.site_minimum_aeration_h, None),
        ("laboratory release time", item.laboratory_release_h, item.laboratory_temperature_c),
    ]
    return [(who, hours, lowest) for who, hours, lowest in asked if hours is not None]


def _aeration(item: Item, plan: LoadPlan) -> Iterator[Caution]:
    for who, hours, lowest in required_by_others(item, plan):
        counted = counted_hours(plan.aeration, lowest)
        if counted < hours:
            at = "" if lowest is None else f" at {lowest:g} C or more"
            yield caution("aeration_below_required", f"{who}: {hours:g} h{at}, planned "
                          f"{counted:g} h")  # fmt: skip


def _humidity(plan: LoadPlan) -> Iterator[Caution]:
    humidity = plan.cycle.conditioning_rh_percent
    low = reference.record("decision.humidity_low").value
    high = reference.record("decision.humidity_high").value
    if humidity is None:
        yield caution("humidity_too_low", "chamber humidity is not known")
    elif humidity < low:
        yield caution("humidity_too_low", f"{humidity:g} % RH")
    elif humidity > high:
        yield caution("humidity_too_high", f"{humidity:g} % RH")


def _desiccated(item: Item) -> Iterator[Caution]:
    hot = reference.record("decision.desiccated_temperature").value
    for place, step in _all_drying(item):
        if step.method == "vacuum" and (step.air_temperature_c or 0.0) >= hot:
            yield caution("desiccated", place)


def _needed(item: Item, facts: ItemFacts) -> Iterator[Caution]:
    if item.needed_by is None:
        return
    if facts.out is None:
        needed = f"needed {item.needed_by:%Y-%m-%d %H:%M}"
        yield caution("needed_too_soon", f"{needed}, the time out is not known")
    elif item.needed_by < facts.out - timedelta(seconds=1):
        needed = item.needed_by.astimezone(facts.out.tzinfo)  # as the time out is read
        yield caution("needed_too_soon", f"needed {needed:%Y-%m-%d %H:%M}")


def _found(item: Item, plan: LoadPlan, facts: ItemFacts) -> Iterator[Caution]:
    if facts.glycol_over_reference:
        yield caution("glycol_above_reference", level=plan.rules.glycol_above_reference)
    for name in facts.starved_lumens:
        yield caution("eo_starvation", name)
    for name in facts.deep_plugs:
        # A plug is the only gas path of a channel that has one open end.
        lumen = next(lm for lm in item.lumens if lm.name == name)
        only_path = lumen.open_ends == 1
        yield caution("plug_beyond_penetration", name, level="block" if only_path else None)
    for code in ("outside_material_range", "mass_geometry_differ"):
        for where in getattr(facts, code):
            yield caution(code, where)
    for code, where in facts.extra:
        yield caution(code, where)


def item_cautions(item: Item, plan: LoadPlan, facts: ItemFacts) -> tuple[Caution, ...]:
    """Collect every caution of one item, worst first."""
    found: list[Caution] = []
    for lumen in item.lumens:
        found += _lumen(lumen)
    for lumen, why in doubtful(item):
        found.append(caution("gas_access_doubtful", f"{lumen.name}: {why}"))
    for rule in (_looked_outside, _rinse_and_lubricant, _packaging, _use, _desiccated):
        found += rule(item)
    found += _irradiated(item, plan)
    found += _instructions(item, plan)
    found += _requirements(item, plan)
    found += _aeration(item, plan)
    found += _humidity(plan)
    found += _needed(item, facts)
    found += _found(item, plan, facts)
    return worst_first(found)
