"""Command `glycol`: what EO makes of a given mass of leftover water."""

from __future__ import annotations

import argparse

from eo_risk.commands.flags import Flags
from eo_risk.commands.printing import add_json_flag, band, emit, significant
from eo_risk.errors import Fault


def register(subparsers) -> None:
    """Add the command to the parser."""
    parser = subparsers.add_parser("glycol", help="what EO makes of leftover water")
    parser.add_argument("--water-mg", help="leftover water")
    parser.add_argument("--eo-mg-per-l", help="EO in the chamber gas")
    parser.add_argument("--temperature-c", help="set point of the cycle")
    parser.add_argument("--exposure-h", help="gas exposure")
    parser.add_argument("--form", help="film (default) or plug")
    parser.add_argument("--bore-mm", help="bore of the lumen; a plug needs it")
    parser.add_argument("--gas-path-mm", help="gas between the mouth and each end of the plug")
    parser.add_argument("--aeration-h", help="aeration afterwards")
    parser.add_argument("--aeration-temperature-c", help="temperature of the aeration")
    parser.add_argument("--total-pressure-kpa", help="total pressure during exposure, absolute")
    parser.add_argument("--evacuation-kpa", help="pressure before the injection, absolute")
    parser.add_argument("--co2-kpa", help="CO2 in the gas, absolute")
    parser.add_argument("--load-temperature-c", help="the water's own temperature, if not the set")
    parser.add_argument("--chloride-mol-per-l", help="chloride of the water")
    parser.add_argument("--ph", help="pH of the water, if it is held")
    parser.add_argument("--samples", help="number of samples (default 2048)")
    parser.add_argument("--seed", help="seed of the samples (default 1)")
    add_json_flag(parser)
    parser.set_defaults(run=run)


def _read(args: argparse.Namespace) -> dict:
    import math

    flags = Flags(args)
    number = flags.number
    given = {
        "water": number("--water-mg", "mg", 0, 1e7, required=True),
        "eo": number("--eo-mg-per-l", "mg/L", 0, 1700, above=True, required=True),
        "set_c": number("--temperature-c", "C", 15, 65, required=True),
        "exposure": number("--exposure-h", "h", 0, 100, above=True, required=True),
        "form": flags.word("--form", ("film", "plug")) or "film",
        "bore": number("--bore-mm", "mm", 0, 100, above=True),
        "path": number("--gas-path-mm", "mm", 0, 20_000),
        "aeration": number("--aeration-h", "h", 0, 5000) or 0.0,
        "aeration_c": number("--aeration-temperature-c", "C", 5, 80),
        "total": number("--total-pressure-kpa", "kPa", 0, 700, above=True),
        "evacuation": number("--evacuation-kpa", "kPa", 0, 110, above=True),
        "co2": number("--co2-kpa", "kPa", 0, 700) or 0.0,
        "load_c": number("--load-temperature-c", "C", 5, 80),
        "chloride": number("--chloride-mol-per-l", "mol/L", 0, 6) or 0.0,
        "ph": number("--ph", "", 0, 14),
        "samples": flags.whole("--samples", 16, 1_000_000) or 2048,
        "seed": flags.whole("--seed", 0, 2**31) or 1,
    }
    if given["form"] == "plug":
        for key, flag in (("bore", "--bore-mm"), ("path", "--gas-path-mm")):
            if given[key] is None and getattr(args, flag[2:].replace("-", "_")) is None:
                flags.faults.append(Fault(flag, "nothing", "", "a length in mm",
                                          "A plug needs it."))  # fmt: skip
        if given["bore"] and given["path"] is not None and given["water"] is not None:
            longest_mg = math.pi / 4.0 * given["bore"] ** 2 * 20_000.0
            if given["water"] > longest_mg:
                flags.fault("--water-mg", "mg", f"up to {longest_mg:.3g} mg in this bore",
                            "Correct water or bore.")  # fmt: skip
    if given["eo"] and given["set_c"] is not None and given["total"]:
        from eo_risk.physics.gas import partial_pressure_pa
        from eo_risk.physics.properties import central
        from eo_risk.units import celsius_to_kelvin, to_si

        eo_kpa = float(partial_pressure_pa(to_si(given["eo"], "mg/L"),
                                           celsius_to_kelvin(given["set_c"]),
                                           central("eo.molar_mass"))) / 1e3  # fmt: skip
        if eo_kpa > given["total"]:
            flags.fault("--total-pressure-kpa", "kPa", f"{eo_kpa:.3g} kPa or more (EO alone)",
                        "Give the absolute pressure of the exposure.")  # fmt: skip
    flags.done()
    return given


def _bodies(given: dict):
    """Run the water through exposure and aeration; returns body, ceiling and what was drawn."""
    import numpy as np

    from eo_risk.judgement.inputs import ItemInputs
    from eo_risk.judgement.risk import Draw
    from eo_risk.judgement.water_only import run_water_only
    from eo_risk.units import celsius_to_kelvin, to_si

    inputs = ItemInputs(Draw(given["seed"], given["samples"]).item("glycol"))

    def full(value: float) -> np.ndarray:
        return np.full(given["samples"], value)

    set_k = full(celsius_to_kelvin(given["set_c"]))
    load_c = given["set_c"] if given["load_c"] is None else given["load_c"]
    air_k = inputs.number("--aeration-temperature-c", given["aeration_c"], "C",
                          "assumed.aeration_temperature")  # fmt: skip
    low = inputs.number("--evacuation-kpa", given["evacuation"], "kPa",
                        "assumed.evacuation_pressure")  # fmt: skip
    found = run_water_only(
        inputs,
        water_kg=full(to_si(given["water"], "mg")),
        eo_kg_per_m3=full(to_si(given["eo"], "mg/L")),
        gas_k=set_k,
        water_k=full(celsius_to_kelvin(load_c)),
        exposure_s=full(to_si(given["exposure"], "h")),
        aeration_s=full(to_si(given["aeration"], "h")),
        aeration_k=air_k,
        low_pa=low,
        total_pa=None if given["total"] is None else full(to_si(given["total"], "kPa")),
        co2_pa=full(to_si(given["co2"], "kPa")),
        chloride_mol_per_m3=full(to_si(given["chloride"], "mol/L")),
        ph=given["ph"],
        plug=None if given["form"] == "film" else (to_si(given["bore"], "mm"),
                                                   to_si(given["path"], "mm")),
    )  # fmt: skip
    return found, inputs


def run(args: argparse.Namespace) -> int:
    """Print EG, ECH and EO; returns the exit code."""
    given = _read(args)
    import numpy as np

    from eo_risk import reference
    from eo_risk.judgement.result import NOTICE
    from eo_risk.units import from_si

    found, inputs = _bodies(given)

    def points(samples: np.ndarray) -> dict:
        low, middle, high = from_si(np.quantile(samples, (0.05, 0.5, 0.95)), "mg")
        return {"p05": float(low), "p50": float(middle), "p95": float(high)}

    answer = {
        "form": given["form"],
        "eg_mg": points(found.eg_exposure_kg),
        "eo_dissolved_mg": points(found.eo_exposure_kg),
        "eg_after_aeration_mg": points(found.eg_kg),
        "eo_after_aeration_mg": points(found.eo_kg),
        "ech_unbuffered_mg": points(found.ech_unbuffered_kg),
        "ech_buffered_mg": points(found.ech_buffered_kg),
        "eg_ceiling_mg": float(from_si(np.median(found.ceiling_kg), "mg")),
        "records": [
            {"id": r, "class": reference.record(r).data_class}
            for r in inputs.draw.variables
            if r in reference.records()
        ],
        "samples": given["samples"],
        "seed": given["seed"],
        "notice": NOTICE,
    }
    lines = [
        f"as one {given['form']}:",
        f"EO dissolved as the exposure ends: {band(**answer['eo_dissolved_mg'], unit='mg')}",
        f"EG then: {band(**answer['eg_mg'], unit='mg')}",
        f"EO after aeration: {band(**answer['eo_after_aeration_mg'], unit='mg')}",
        f"EG after aeration: {band(**answer['eg_after_aeration_mg'], unit='mg')}",
        f"ECH, unbuffered: {band(**answer['ech_unbuffered_mg'], unit='mg')}",
        f"ECH, buffered: {band(**answer['ech_buffered_mg'], unit='mg')}",
        f"ceiling of EG: {significant(answer['eg_ceiling_mg'])} mg",
        "EG has no limit in ISO 10993-7; its references are screening.",
        "",
        NOTICE,
    ]
    emit(args, answer, "\n".join(lines))
    return 0
