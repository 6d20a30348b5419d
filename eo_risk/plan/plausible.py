"""Faults that no single field shows: names that exist, numbers that fit together.

The checks read the raw plan, so that they are reported beside the faults of single fields
even when the plan as a whole cannot be built.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any

from eo_risk import reference, units
from eo_risk.errors import NOTHING, Fault, unknown_name

_OTHER_MATERIAL = (
    "See `eo-risk materials`. One that is not listed can be taken as a polymer of the "
    "food-contact correlation (food_contact_...), always on Hold."
)


# The size that counts for a shape, and the one that stands in for it or counts for nothing.
_SIZES = {
    "sheet": ("thickness_mm", "wall_mm"),
    "tube": ("wall_mm", "thickness_mm"),
    **dict.fromkeys(("rod", "fibre", "sphere"), ("outer_diameter_mm", "thickness_mm")),
}
_PLASTICISED = "pvc_plasticised"  # the material whose diffusivity a plasticiser moves


def _number(block: Any, key: str) -> float | None:
    value = block.get(key) if isinstance(block, dict) else None
    good = isinstance(value, (int, float)) and not isinstance(value, bool) and math.isfinite(value)
    return float(value) if good else None


def _blocks(owner: Any, key: str) -> list[dict]:
    value = owner.get(key) if isinstance(owner, dict) else None
    return [b for b in value if isinstance(b, dict)] if isinstance(value, (list, tuple)) else []


def _block(owner: Any, key: str) -> dict:
    value = owner.get(key) if isinstance(owner, dict) else None
    return value if isinstance(value, dict) else {}


def _part_faults(part: dict, where: str) -> Iterator[Fault]:
    names = [(part.get("material"), f"{where}.material")]
    if isinstance(part.get("coating"), dict):
        names.append((part["coating"].get("material"), f"{where}.coating.material"))
    for name, place in names:
        if isinstance(name, str) and name and name not in reference.materials():
            yield unknown_name(place, name, reference.materials(), _OTHER_MATERIAL)
    if part.get("shape") == "sphere" and isinstance(part.get("coating"), dict):
        yield Fault(f"{where}.coating", "a coating on a sphere", "", "sheet, tube, rod or fibre",
                    "Give the shape that comes nearest.")  # fmt: skip
    yield from _unread_faults(part, where)
    wall, outer = _number(part, "wall_mm"), _number(part, "outer_diameter_mm")
    if wall is not None and outer is not None and wall >= outer / 2.0:
        yield Fault(
            f"{where}.wall_mm", f"{wall:g}", "mm", f"less than half of {outer:g} mm",
            "A tube's wall is thinner than its radius.",
        )  # fmt: skip


def _unread_faults(part: dict, where: str) -> Iterator[Fault]:
    """Refuse numbers of a part that its shape or material would leave unread."""
    shape = part.get("shape")
    if shape in _SIZES:
        counts, other = _SIZES[shape]
        size, given = _number(part, counts), _number(part, other)
        unread = size is not None or shape == "tube"
        if given is not None and given > 0.0 and unread and given != size:
            yield Fault(f"{where}.{other}", f"{given:g}", "mm", f"{counts} for a {shape}",
                        f"Give the size as {counts} alone.")  # fmt: skip
    share, material = _number(part, "plasticiser_percent"), part.get("material")
    if share and material in reference.materials() and material != _PLASTICISED:
        yield Fault(f"{where}.plasticiser_percent", f"{share:g}", "%", f"of {_PLASTICISED} only",
                    "Leave it out, or correct the material.")  # fmt: skip


def _lumen_faults(lumen: dict, parts: list[dict], where: str) -> Iterator[Fault]:
    wall_part, bore = lumen.get("wall_part"), _number(lumen, "bore_mm")
    if isinstance(wall_part, str) and wall_part:
        around = {p.get("name"): p for p in parts}
        if wall_part not in around:
            yield unknown_name(
                f"{where}.wall_part", wall_part, map(str, around), "Name a part of this item."
            )
        elif bore is not None:
            outer = _number(around[wall_part], "outer_diameter_mm")
            if outer is not None and bore >= outer:
                yield Fault(
                    f"{where}.bore_mm", f"{bore:g}", "mm", f"below {outer:g} mm",
                    "The bore is inside the part around it.",
                )  # fmt: skip
    length, water = _number(lumen, "length_mm"), _number(lumen, "measured_mg")
    if None not in (bore, length, water):
        # A millilitre of water is a gram; the bore cannot hold more than its volume.
        hubs = _number(lumen, "hubs") or 0.0
        hub_mg = units.from_si(reference.record("water.hub.kg").high_si, "mg")
        holds_mg = math.pi / 4.0 * bore**2 * length + hubs * hub_mg
        if water > holds_mg:
            yield Fault(
                f"{where}.measured_mg", f"{water:g}", "mg", f"up to {holds_mg:.0f} mg",
                "This bore cannot hold so much water.",
            )  # fmt: skip


def _branch_faults(lumens: list[dict], where: str) -> Iterator[Fault]:
    """A branch opens into a main channel of the same item, which is no branch itself."""
    main = [str(lm.get("name")) for lm in lumens if lm.get("branch_of") in (None, "", "unknown")]
    for i, lumen in enumerate(lumens):
        into = lumen.get("branch_of")
        if isinstance(into, str) and into not in ("", "unknown") and into not in main:
            yield unknown_name(f"{where}.lumens[{i}].branch_of", into, main,
                               "Name the main channel it opens into.")  # fmt: skip


def _beside_faults(item: dict, where: str) -> Iterator[Fault]:
    textile, hard = ("dry", "damp", "spun", "soaked"), ("dry", "wiped", "blown", "drained",
                                                        "dripping")  # fmt: skip
    for i, thing in enumerate(_blocks(item, "beside")):
        kind, state = thing.get("kind"), thing.get("state")
        allowed = textile if kind == "textile" else hard
        if kind in ("tray", "container", "gasket", "textile") and isinstance(state, str):
            if state != "unknown" and state in textile + hard and state not in allowed:
                yield Fault(f"{where}.beside[{i}].state", repr(state), "", ", ".join(allowed),
                            f"Use a state of a {kind}.")  # fmt: skip


def _item_faults(item: dict, where: str) -> Iterator[Fault]:
    packaging = item.get("packaging")
    if isinstance(packaging, str) and packaging not in ("", "unknown"):
        if packaging not in reference.packagings():
            yield unknown_name(
                f"{where}.packaging", packaging, reference.packagings(), "Use one of these ids."
            )
    parts = _blocks(item, "parts")
    if not parts:
        yield Fault(f"{where}.parts", NOTHING, "", "one part or more",
                    "Name at least one material body.")  # fmt: skip
    for i, part in enumerate(parts):
        yield from _part_faults(part, f"{where}.parts[{i}]")
    yield from _branch_faults(_blocks(item, "lumens"), where)
    yield from _beside_faults(item, where)
    for i, lumen in enumerate(_blocks(item, "lumens")):
        yield from _lumen_faults(lumen, parts, f"{where}.lumens[{i}]")
    for key in ("parts", "lumens"):
        names = [str(b.get("name")) for b in _blocks(item, key)]
        for i, name in enumerate(names):
            if name in names[:i]:
                yield Fault(f"{where}.{key}[{i}].name", repr(name), "", "a name used once",
                            "Give it a name of its own.")  # fmt: skip


def _cycle_faults(cycle: dict) -> Iterator[Fault]:
    washes = _block(cycle, "washes")
    low, high = _number(washes, "low_kpa"), _number(washes, "high_kpa")
    if low is not None and high is not None and low >= high:
        yield Fault("cycle.washes.low_kpa", f"{low:g}", "kPa", f"below {high:g} kPa",
                    "A wash goes down to its low pressure and up to its high one.")  # fmt: skip
    gas_faults = list(_gas_faults(_block(cycle, "gas")))
    yield from gas_faults
    if not gas_faults:
        yield from _pressure_faults(cycle)


def _gas_faults(gas: dict) -> Iterator[Fault]:
    """Ask for both sides of a mixture: what is beside the EO acts on the water."""
    percent = _number(gas, "eo_mass_percent") if "eo_mass_percent" in gas else 100.0
    balance = gas.get("balance", "none")
    if balance in ("co2", "n2") and (percent is None or percent >= 100.0):
        given = "unknown" if percent is None else f"{percent:g}"
        yield Fault("cycle.gas.eo_mass_percent", given, "%", "more than 0 to below 100 %",
                    f"Read on the cylinder how much is EO beside {balance.upper()}.")  # fmt: skip
    elif balance not in ("co2", "n2") and (percent is None or percent < 100.0):
        share = "unknown" if percent is None else f"{percent:g} % EO"
        yield Fault("cycle.gas.balance", f"{balance} with {share}", "", "co2 or n2",
                    "Name the gas that makes up the rest of the cylinder.")  # fmt: skip


def _pressure_faults(cycle: dict) -> Iterator[Fault]:
    """Refuse a total pressure that EO, its balance gas and what was there before exceed.

    Air and vapour before the injection count as the larger of the two: steam that is let in
    while the pump runs takes the place of the air.
    """
    eo, temperature = _number(cycle, "eo_mg_per_l"), _number(cycle, "temperature_c")
    total = _number(cycle, "total_pressure_kpa")
    if None in (eo, temperature, total) or not -20.0 <= temperature <= 120.0:
        return
    kelvin = units.celsius_to_kelvin(temperature)
    per_mole = units.GAS_CONSTANT_J_PER_MOL_K * kelvin
    molar_mass = reference.record("eo.molar_mass").value_si
    eo_pa = units.to_si(eo, "mg/L") / molar_mass * per_mole
    parts = [f"EO {units.from_si(eo_pa, 'kPa'):.3g}"]
    gas = _block(cycle, "gas")
    balance, share = gas.get("balance"), _number(gas, "eo_mass_percent")
    beside_pa = 0.0
    if balance in ("co2", "n2") and share and share < 100.0:
        beside = units.to_si(eo, "mg/L") * (100.0 - share) / share
        beside_pa = beside / reference.record(f"{balance}.molar_mass").value_si * per_mole
        parts.append(f"{balance.upper()} {units.from_si(beside_pa, 'kPa'):.3g}")
    before_pa, before = _before_injection(cycle, kelvin)
    parts += [before] if before else []
    sum_kpa = units.from_si(eo_pa + beside_pa + before_pa, "kPa")
    if sum_kpa > total:
        yield Fault("cycle.total_pressure_kpa", f"{total:g}", "kPa", f"{sum_kpa:.3g} kPa or more",
                    f"{' + '.join(parts)} kPa alone exceed this pressure (absolute).")  # fmt: skip


def _before_injection(cycle: dict, kelvin: float) -> tuple[float, str]:
    """Return the least pressure before the injection, and what it is. [Pa]"""
    from eo_risk.physics.properties import water_saturation_pa

    rh, low = _number(cycle, "conditioning_rh_percent"), _number(cycle, "evacuation_kpa")
    found = [(0.0, "")]
    if rh is not None:
        vapour_pa = float(water_saturation_pa(kelvin)) * rh / 100.0
        found.append((vapour_pa, f"vapour {units.from_si(vapour_pa, 'kPa'):.3g}"))
    if low is not None:
        found.append((units.to_si(low, "kPa"), f"left by the evacuation {low:.3g}"))
    return max(found)


def plan_faults(raw: dict) -> list[Fault]:
    """Find what does not fit together in a raw plan, each with its path."""
    faults = list(_cycle_faults(_block(raw, "cycle")))
    items = _blocks(raw, "items")
    for key in ("items", "aeration"):
        if isinstance(raw.get(key), (list, tuple)) and not raw[key]:
            faults.append(Fault(key, NOTHING, "", "one entry or more", "Add one."))
    seen: list[str] = []
    for i, item in enumerate(items):
        name = str(item.get("name"))
        if name in seen:
            faults.append(Fault(f"items[{i}].name", repr(name), "", "a name used once in the load",
                                "Use quantity for equal pieces, or another name."))  # fmt: skip
        seen.append(name)
        faults += _item_faults(item, f"items[{i}]")
    return faults
