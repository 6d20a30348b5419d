"""What was fitted, as material records that a site keeps and a check then prefers."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from eo_risk import reference
from eo_risk.judgement.result import Band
from eo_risk.measured.layer_fit.unknowns import PhysicsSetup
from eo_risk.physics import properties
from eo_risk.units import celsius_to_kelvin, from_si, kelvin_to_celsius, to_si

_DIGITS = 4
_SIZE = {"sheet": "thickness", "tube": "wall", "rod": "radius", "sphere": "radius"}


def _points(band: Band, unit: str) -> dict[str, float]:
    values = {"value": band.p50, "low": band.p05, "high": band.p95}
    return {key: float(f"{from_si(v, unit):.{_DIGITS}g}") for key, v in values.items()}


def _over(band: Band, other: Band) -> Band:
    """Divide one log-normal band by another, as if they were independent."""
    def edge(own: float, opposite: float) -> float:
        return math.hypot(math.log(own / band.p50), math.log(opposite / other.p50))

    value = band.p50 / other.p50
    return Band(value * math.exp(-edge(band.p05, other.p95)), value,
                value * math.exp(edge(band.p95, other.p05)))  # fmt: skip


def _ech(setup: PhysicsSetup, fitted: Band, eo: Band | None) -> tuple[Band, str]:
    """Return the diffusivity of ECH over that of EO, and what EO it refers to."""
    if eo is not None:
        return _over(fitted, eo), "over the diffusivity of EO fitted to the same table"
    shipped = float(properties.diffusivity_m2_per_s(setup.material, setup.temperature_k))
    band = Band(*(point / shipped for point in (fitted.p05, fitted.p50, fitted.p95)))
    name = f"{setup.material}.diffusivity"
    return band, f"over the diffusivity of EO by the shipped record {name}"


@dataclass(frozen=True)
class Origin:
    """Where fitted numbers come from: the device tested, the reports, how many results.

    The records hold for the device alone; without one, for every item of the material.
    """

    device: str
    reports: tuple[str, ...]
    results: int
    name: str | None = None

    @property
    def source(self) -> str:
        """Name the reports; a laboratory's own name of one may hold the word."""
        named = (name if "report" in name.casefold() else f"report {name}" for name in self.reports)
        return f"laboratory results: {', '.join(named) or 'no report number'}"


def _record(
    setup: PhysicsSetup, origin: Origin, quantity: str, band: Band, status: str, note: str
) -> dict[str, object]:
    unit = "mg"
    if quantity != reference.START_LEVEL:
        unit = reference.record(reference.shipped_id(f"{setup.material}.{quantity}")).unit
    celsius = kelvin_to_celsius(setup.temperature_k)
    size_mm = from_si(float(setup.body.thickness_m), "mm")
    size = f"fitted as a {setup.body.shape} of {size_mm:g} mm {_SIZE[setup.body.shape]}"
    slug = re.sub(r"[^0-9a-z]+", "_", origin.device.lower()).strip("_")
    parts = ("site", slug, setup.material, quantity)
    name = origin.name
    if name and quantity != "diffusivity":
        name = f"{name}.{quantity}"
    return {
        "id": name or ".".join(filter(None, parts)),
        "material": setup.material,
        "quantity": quantity,
        **_points(band, unit),
        "unit": unit,
        "spread": "lognormal",
        "status": status,
        "source": origin.source,
        "locator": f"layer model fitted to {origin.results} results of {setup.substance} "
                   f"at {celsius:g} C",
        "note": "; ".join(filter(None, (size, note))),
        "items": [origin.device] if origin.device else [],
    }  # fmt: skip


def diffusivity_record(
    setup: PhysicsSetup, origin: Origin, fitted: Band, eo: Band | None = None
) -> dict[str, object]:
    """Write a fitted diffusivity as a site's own material record.

    Parameters
    ----------
    setup : PhysicsSetup
        What was fitted, EO or ECH.
    origin : Origin
        Device and reports.
    fitted : Band
        Diffusivity at the aeration temperature. [m2/s]
    eo : Band, optional
        Diffusivity of EO fitted to the same table, to which that of ECH is referred. [m2/s]

    Returns
    -------
    dict
        Fields of a material record of a site file, or of ``own_records`` of a plan.
    """
    if setup.substance == "ECH":
        band, note = _ech(setup, fitted, eo)
        return _record(setup, origin, "ech_diffusivity_ratio", band, "measured", note)
    record = _record(setup, origin, "diffusivity", fitted, "measured", "")
    celsius = kelvin_to_celsius(setup.temperature_k)
    return record | {"temperature_c": float(f"{celsius:.6g}")}


def uptake_record(
    setup: PhysicsSetup, origin: Origin, full_mg: Band, part_mass_g: float, eo_mg_per_l: float
) -> dict[str, object]:
    """Write the uptake that the start level and a known gas tell, as a material record.

    Parameters
    ----------
    setup, origin : PhysicsSetup, Origin
        As for `diffusivity_record`; EO after a gas exposure.
    full_mg : Band
        What the part would hold at equilibrium with the gas. [mg]
    part_mass_g, eo_mg_per_l : float
        Mass of the part and EO in the gas. [g], [mg/L]

    Notes
    -----
    Carried to the temperature of the shipped record with its heat of uptake. Derived, not
    measured: the gas and the mass come from elsewhere, and what the air washes took is not
    told apart from it.
    """
    name = f"{setup.material}.uptake"
    kelvin = setup.exposure_temperature_k or setup.temperature_k
    shipped = reference.record(name)
    there = properties.gas_ratio(setup.material, celsius_to_kelvin(shipped.temperature_c))
    carried = float(there / properties.gas_ratio(setup.material, kelvin))
    per_gas = carried * to_si(1.0 / (part_mass_g * eo_mg_per_l), shipped.unit)
    band = Band(*(point * per_gas for point in (full_mg.p05, full_mg.p50, full_mg.p95)))
    hours, celsius = from_si(setup.exposure_s, "h"), kelvin_to_celsius(kelvin)
    note = (f"from the start level of {part_mass_g:g} g after {hours:g} h in {eo_mg_per_l:g} mg/L "
            f"of EO at {celsius:g} C; what air washes took is not in it")  # fmt: skip
    return _record(setup, origin, "uptake", band, "derived", note)


def start_level_record(
    setup: PhysicsSetup, origin: Origin, start_mg: Band, eo_mg_per_l: float
) -> dict[str, object]:
    """Write the start level of the next device, with the gas exposure it was measured after.

    Parameters
    ----------
    setup, origin : PhysicsSetup, Origin
        As for `diffusivity_record`; EO after a gas exposure, and a device that has a name.
    start_mg : Band
        What the next device of a new lot holds as its aeration begins. [mg]
    eo_mg_per_l : float
        EO in the gas. [mg/L]

    Notes
    -----
    A check takes it after such an exposure only; after another one the uptake rules.
    """
    kelvin = setup.exposure_temperature_k or setup.temperature_k
    start = Band(*(to_si(point, "mg") for point in (start_mg.p05, start_mg.p50, start_mg.p95)))
    record = _record(setup, origin, reference.START_LEVEL, start, "measured",
                     "with the scatter between lots and within them")  # fmt: skip
    return record | {
        "after_exposure_h": float(f"{from_si(setup.exposure_s, 'h'):.6g}"),
        "after_eo_mg_per_l": eo_mg_per_l,
        "after_temperature_c": float(f"{kelvin_to_celsius(kelvin):.6g}"),
    }


def slow_pool_records(
    setup: PhysicsSetup, origin: Origin, share: Band, half_life_s: Band
) -> list[dict[str, object]]:
    """Write the slow pool of EO as a site's own records: its share and its half-life.

    The share is of what the device holds as the aeration begins, the half-life at the
    temperature of the aeration. Both were fitted together with the diffusivity; kept apart,
    they are known less well together than the fit knows them.
    """
    celsius = kelvin_to_celsius(setup.temperature_k)
    pool = _record(setup, origin, "slow_pool.fraction", share, "measured", "")
    rate = _record(setup, origin, "slow_pool.half_life", half_life_s, "measured", "")
    return [pool, rate | {"temperature_c": float(f"{celsius:.6g}")}]


def records_toml(records: Sequence[Mapping[str, object]]) -> str:
    """Write material records as they stand in a site file."""
    blocks = []
    for record in records:
        # JSON strings, numbers and lists of strings are TOML ones as well.
        lines = [f"{key} = {json.dumps(value, ensure_ascii=False)}"
                 for key, value in record.items()]  # fmt: skip
        blocks.append("\n".join(["[[material_record]]", *lines]) + "\n")
    return "\n".join(blocks)
