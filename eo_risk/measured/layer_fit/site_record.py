"""What was fitted, as material records that a site keeps and a check then prefers."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Mapping, Sequence

from eo_risk import reference
from eo_risk.judgement.result import Band
from eo_risk.measured.layer_fit.unknowns import PhysicsSetup
from eo_risk.physics import properties
from eo_risk.units import from_si, kelvin_to_celsius

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


def site_material_record(
    setup: PhysicsSetup,
    fitted: Band,
    *,
    device: str,
    reports: Sequence[str],
    results: int,
    eo: Band | None = None,
    name: str | None = None,
) -> dict[str, object]:
    """Write a fitted diffusivity as a site's own material record.

    Parameters
    ----------
    setup : PhysicsSetup
        What was fitted, EO or ECH.
    fitted : Band
        Diffusivity at the aeration temperature. [m2/s]
    device : str
        The device tested, for which alone the record holds; empty for every item of the
        material.
    reports : sequence of str
        Numbers of the laboratory reports, its source.
    results : int
        Number of results it rests on.
    eo : Band, optional
        Diffusivity of EO fitted to the same table, to which that of ECH is referred. [m2/s]
    name : str, optional
        Id of the record.

    Returns
    -------
    dict
        Fields of a material record of a site file, or of ``own_records`` of a plan.
    """
    celsius = kelvin_to_celsius(setup.temperature_k)
    quantity = "diffusivity" if setup.substance == "EO" else "ech_diffusivity_ratio"
    shipped = reference.record(f"{setup.material}.{quantity}")
    band, referred = (fitted, "") if setup.substance == "EO" else _ech(setup, fitted, eo)
    size_mm = from_si(float(setup.body.thickness_m), "mm")
    size = f"fitted as a {setup.body.shape} of {size_mm:g} mm {_SIZE[setup.body.shape]}"
    slug = re.sub(r"[^0-9a-z]+", "_", device.lower()).strip("_")
    record = {
        "id": name or ".".join(filter(None, ("site", slug, setup.material, quantity))),
        "material": setup.material,
        "quantity": quantity,
        **_points(band, shipped.unit),
        "unit": shipped.unit,
        "spread": "lognormal",
        "status": "measured",
        "source": "laboratory report " + (", ".join(reports) or "without a number"),
        "locator": f"layer model fitted to {results} results of {setup.substance} "
                   f"at {celsius:g} C",
        "note": "; ".join(filter(None, (size, referred))),
        "items": [device] if device else [],
    }  # fmt: skip
    if quantity == "diffusivity":
        record["temperature_c"] = float(f"{celsius:.6g}")
    return record


def records_toml(records: Sequence[Mapping[str, object]]) -> str:
    """Write material records as they stand in a site file."""
    blocks = []
    for record in records:
        # JSON strings, numbers and lists of strings are TOML ones as well.
        lines = [f"{key} = {json.dumps(value, ensure_ascii=False)}"
                 for key, value in record.items()]  # fmt: skip
        blocks.append("\n".join(["[[material_record]]", *lines]) + "\n")
    return "\n".join(blocks)
