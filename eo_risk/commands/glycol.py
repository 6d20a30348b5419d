"""Command `glycol`: what EO makes of a given mass of leftover water."""

from __future__ import annotations

import argparse
from dataclasses import replace

from eo_risk.commands.flags import Flags
from eo_risk.commands.printing import (
    add_json_flag,
    assumed_lines,
    assumed_of,
    band,
    emit,
    minutes_words,
    points,
    significant,
)
from eo_risk.errors import NOTHING, Fault
from eo_risk.units import LEAST_BORE_MM, floor_to

_REMOVALS = ("none", "open", "flow")
_LONGEST_LUMEN_MM = 20_000.0  # as the command `water` takes it


def register(subparsers) -> None:
    """Add the command to the parser."""
    parser = subparsers.add_parser("glycol", help="what EO makes of leftover water")
    parser.add_argument("--water-mg", help="leftover water")
    parser.add_argument("--eo-mg-per-l", help="EO in the chamber gas")
    parser.add_argument("--temperature-c", help="set point of the cycle")
    parser.add_argument("--exposure-h", help="gas exposure")
    parser.add_argument("--form", help="film (default) or plug")
    parser.add_argument("--bore-mm", help="bore of the lumen; a film without it lies open")
    parser.add_argument("--gas-path-mm", help="gas between the mouth and each end of the water")
    parser.add_argument("--aeration-h", help="aeration afterwards")
    parser.add_argument("--aeration-temperature-c", help="temperature of the aeration")
    parser.add_argument("--total-pressure-kpa", help="total pressure during exposure, absolute")
    parser.add_argument("--evacuation-kpa", help="pressure before the injection, absolute")
    parser.add_argument("--co2-kpa", help="CO2 in the gas, absolute")
    parser.add_argument("--load-temperature-c", help="of the water in exposure (set point)")
    parser.add_argument("--chloride-mol-per-l", help="chloride of the water")
    parser.add_argument("--ph", help="of acid or alkali left from the rinse; it adds to CO2")
    parser.add_argument("--glycol-reference", help="screening reference (default ich_q3c)")
    parser.add_argument("--body-mass-kg", help="of the patient, for that reference (adult)")
    parser.add_argument("--reference-mg", help="EG not to be passed, in place of a reference")
    parser.add_argument("--removal", help="EG leaving in aeration: none (default) open flow")
    parser.add_argument("--surface-cm2", help="open surface, for --removal open")
    parser.add_argument("--removal-flow-nl-per-min",
                        help="air led through the lumen, for --removal flow")  # fmt: skip
    parser.add_argument("--air-pressure-gauge-bar", help="of drying air, at the lumen's inlet")
    parser.add_argument("--air-flow-nl-per-min", help="of drying air, measured; preferred")
    parser.add_argument("--samples", help="number of samples (default 2048)")
    parser.add_argument("--seed", help="seed of the samples (default 1)")
    add_json_flag(parser)
    parser.set_defaults(run=run)


def _read(args: argparse.Namespace) -> dict:
    flags = Flags(args)
    number = flags.number
    given = {
        "water": number("--water-mg", "mg", 0, 1e7, required=True),
        "eo": number("--eo-mg-per-l", "mg/L", 0, 1700, above=True, required=True),
        "set_c": number("--temperature-c", "C", 15, 65, required=True),
        "exposure": number("--exposure-h", "h", 0, 100, above=True, required=True),
        "form": flags.word("--form", ("film", "plug")) or "film",
        "bore": number("--bore-mm", "mm", LEAST_BORE_MM, 100),
        "path": number("--gas-path-mm", "mm", 0, 20_000),
        "aeration": number("--aeration-h", "h", 0, 5000) or 0.0,
        "aeration_c": number("--aeration-temperature-c", "C", 5, 80),
        "total": number("--total-pressure-kpa", "kPa", 0, 700, above=True),
        "evacuation": number("--evacuation-kpa", "kPa", 0, 110, above=True),
        "co2": number("--co2-kpa", "kPa", 0, 700) if args.co2_kpa is not None else 0.0,
        "load_c": number("--load-temperature-c", "C", 5, 80),
        "chloride": number("--chloride-mol-per-l", "mol/L", 0, 6),
        "ph": number("--ph", "", 0, 14),
        "reference": number("--reference-mg", "mg", 0, 1e6, above=True),
        "body_mass": number("--body-mass-kg", "kg", 0, 400, above=True),
        "removal": flags.word("--removal", _REMOVALS) or "none",
        "surface": number("--surface-cm2", "cm2", 0, 1e6, above=True),
        "flow": number("--removal-flow-nl-per-min", "NL/min", 0, 1000, above=True),
        "pressure": number("--air-pressure-gauge-bar", "bar gauge", 0, 10),
        "air_flow": number("--air-flow-nl-per-min", "NL/min", 0, 1000),
        "samples": flags.whole("--samples", 16, 1_000_000) or 2048,
        "seed": flags.whole("--seed", 0, 2**31 - 1),
    }
    given["seed"] = 1 if given["seed"] is None else given["seed"]
    given["reference"], given["basis"] = _reference(flags, given, args.glycol_reference)
    _check_lumen(flags, given, args)
    _check_removal(flags, given)
    _check_pressures(flags, given)
    flags.done()
    return given


def _reference(flags: Flags, given: dict, name: str | None) -> tuple[float | None, str]:
    """Return the EG not to be passed and what it rests on. [mg]"""
    if given["reference"] is not None:
        return given["reference"], "as given"
    from eo_risk.errors import InputError
    from eo_risk.judgement.limits import screening_by_id

    try:
        found = screening_by_id(name or "ich_q3c", given["body_mass"])
    except InputError as error:
        flags.faults += [replace(fault, where="--glycol-reference") for fault in error.faults]
        return None, ""
    return found.limit, found.basis


def _check_removal(flags: Flags, given: dict) -> None:
    """Ask for what a credited removal rests on."""
    needs = {"open": [("surface", "--surface-cm2", "an area in cm2")],
             "flow": [("flow", "--removal-flow-nl-per-min", "a flow in NL/min"),
                      ("bore", "--bore-mm", "a bore in mm"),
                      ("path", "--gas-path-mm", "a length in mm")]}  # fmt: skip
    for key, flag, allowed in needs.get(given["removal"], ()):
        if given[key] is None:
            flags.faults.append(Fault(flag, NOTHING, "", allowed,
                                      f"--removal {given['removal']} rests on it."))  # fmt: skip
    if given["removal"] == "open" and given["bore"] is not None:
        flags.fault("--removal", "", "flow, or none", "Water in a lumen lies on no open surface.")


def _check_lumen(flags: Flags, given: dict, args: argparse.Namespace) -> None:
    """Ask for both numbers of a lumen, and refuse more water than any lumen holds."""
    texts = {"--bore-mm": args.bore_mm, "--gas-path-mm": args.gas_path_mm}
    missing = [flag for flag, text in texts.items() if text is None]
    if given["form"] == "plug" or len(missing) == 1:
        do = "Water in a lumen needs bore and gas path."
        flags.faults += [Fault(flag, NOTHING, "", "a length in mm", do) for flag in missing]
    if given["bore"] is not None and given["water"] is not None:
        longest_mg = _mg_per_mm(given["bore"]) * _LONGEST_LUMEN_MM
        if given["water"] > longest_mg:
            flags.fault("--water-mg", "mg", f"up to {longest_mg:.3g} mg in this bore",
                        "Correct water or bore.")  # fmt: skip


def _mg_per_mm(bore_mm: float) -> float:
    """Return the water that fills one millimetre of a bore. [mg/mm]"""
    from eo_risk.judgement.water.one_lumen import most_water_kg
    from eo_risk.units import from_si

    return float(from_si(most_water_kg(bore_mm, 1.0), "mg"))


def _check_pressures(flags: Flags, given: dict) -> None:
    """Refuse a total pressure that EO, CO2 and what was left before do not fit into."""
    total, low = given["total"], given["evacuation"]
    if total is None:
        return
    if low is not None and low >= total:
        flags.fault("--evacuation-kpa", "kPa", f"less than the total, {total:g} kPa",
                    "Give both as absolute pressures.")  # fmt: skip
    if given["eo"] is None or given["set_c"] is None or given["co2"] is None:
        return
    from eo_risk.physics.gas import partial_pressure_pa
    from eo_risk.physics.properties import central
    from eo_risk.units import celsius_to_kelvin, from_si, to_si

    eo_pa = partial_pressure_pa(to_si(given["eo"], "mg/L"), celsius_to_kelvin(given["set_c"]),
                                central("eo.molar_mass"))  # fmt: skip
    least = float(from_si(eo_pa, "kPa")) + given["co2"]
    if total < least:
        flags.fault("--total-pressure-kpa", "kPa", f"{least:.3g} kPa or more (EO and CO2 alone)",
                    "Give the absolute pressure of the exposure.")  # fmt: skip


def _bodies(given: dict):
    """Run the water through exposure and aeration; returns body, ceiling and what was drawn."""
    import numpy as np

    from eo_risk.judgement.inputs import ItemInputs
    from eo_risk.judgement.risk import Draw
    from eo_risk.judgement.water.water_only import run_water_only
    from eo_risk.units import celsius_to_kelvin, to_si

    inputs = ItemInputs(Draw(given["seed"], given["samples"]).item("glycol"))

    def full(value: float) -> np.ndarray:
        return np.full(given["samples"], value)

    set_k = full(celsius_to_kelvin(given["set_c"]))
    load_c = given["set_c"] if given["load_c"] is None else given["load_c"]
    # An unknown that moves nothing is not drawn, or it would be listed as assumed.
    air_k = set_k if not given["aeration"] else inputs.number(
        "--aeration-temperature-c", given["aeration_c"], "C", "assumed.aeration_temperature"
    )  # fmt: skip
    low = 0.0 * set_k if given["form"] == "film" and given["evacuation"] is None else inputs.number(
        "--evacuation-kpa", given["evacuation"], "kPa", "assumed.evacuation_pressure"
    )  # fmt: skip
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
        chloride_mol_per_m3=full(to_si(given["chloride"] or 0.0, "mol/L")),
        ph=given["ph"],
        form=given["form"],
        removal=_removal(given, full),
        lumen=None if given["bore"] is None else (to_si(given["bore"], "mm"),
                                                  to_si(given["path"], "mm")),
    )  # fmt: skip
    return found, inputs


def _share(part, whole) -> float | None:
    """Return the 95 % point of one mass over that of another; None of nothing. [-]"""
    import numpy as np

    top = float(np.quantile(whole, 0.95))
    return float(np.quantile(part, 0.95)) / top if top > 0.0 else None


def _removal(given: dict, full):
    """Return the removal asked for; None by default."""
    from eo_risk.judgement.water.water_only import Removal
    from eo_risk.units import to_si

    if given["removal"] == "open":
        return Removal(surface_m2=full(to_si(given["surface"], "cm2")))
    return Removal(flow_nl_per_min=given["flow"]) if given["removal"] == "flow" else None


def _largest_water_mg(given: dict) -> float:
    """Return the largest water whose film stays below the reference, nothing removed. [mg]

    The film is the form that makes more glycol. In the open that is in proportion to its water;
    in a lumen more water also holds its EO longer in the aeration.
    """
    import numpy as np

    from eo_risk.judgement.change.search import largest_below
    from eo_risk.physics.chemistry import largest_water_kg
    from eo_risk.units import from_si, to_si

    limit_kg, one_kg = to_si(given["reference"], "mg"), to_si(1.0, "mg")

    def film(water_mg: float, **where) -> np.ndarray:
        asked = given | {"water": water_mg, "form": "film", "removal": "none"} | where
        return _bodies(asked)[0].eg_kg

    largest_kg = largest_water_kg(one_kg, film(1.0, bore=None), limit_kg)
    if given["bore"] is not None and given["aeration"]:
        largest_kg = largest_below(
            lambda kg: float(np.quantile(film(float(from_si(kg, "mg"))), 0.95)),
            limit_kg,
            largest_kg,
        )
    return float(from_si(largest_kg, "mg"))


def _air(given: dict, largest_mg: float) -> tuple[dict | None, list[dict]]:
    """Return the minutes of air to the largest water, and what they assume; None outside a lumen.

    The lumen is the gas path at both ends and the water between them.
    """
    if given["bore"] is None:
        return None, []
    if given["water"] <= largest_mg:
        return {"p50": 0.0, "p95": 0.0}, []
    from eo_risk.judgement.water.one_lumen import LumenTold, OneLumen

    plug_mm = given["water"] / _mg_per_mm(given["bore"])
    told = LumenTold(given["bore"], 2.0 * given["path"] + plug_mm, water_mg=given["water"],
                     pressure_bar=given["pressure"], flow_nl_per_min=given["air_flow"])  # fmt: skip
    lumen = OneLumen(told, given["samples"], given["seed"])
    seconds = lumen.seconds_to(largest_mg, lumen.drying(lumen.start_kg()))
    return points(seconds, "min", ("p50", "p95")), assumed_of(lumen.inputs)


def _answer(given: dict) -> dict:
    import numpy as np

    from eo_risk import reference
    from eo_risk.judgement.result import NOTICE
    from eo_risk.units import from_si

    found, inputs = _bodies(given)
    largest_mg = _largest_water_mg(given)
    minutes, of_air = _air(given, largest_mg)
    drawn = [r for r in inputs.draw.variables if r in reference.records()]
    return {
        "form": given["form"],
        "aeration_h": given["aeration"],
        "eg_mg": points(found.eg_exposure_kg, "mg"),
        "eo_dissolved_mg": points(found.eo_exposure_kg, "mg"),
        "eg_after_aeration_mg": points(found.eg_kg, "mg"),
        "eo_after_aeration_mg": points(found.eo_kg, "mg"),
        "ech_unbuffered_mg": points(found.ech_unbuffered_kg, "mg"),
        "ech_buffered_mg": points(found.ech_buffered_kg, "mg"),
        "eg_ceiling_mg": float(from_si(np.median(found.ceiling_kg), "mg")),
        "deg_mg": points(found.diethylene_kg, "mg"),
        "deg_share": _share(found.diethylene_kg, found.film_eg_kg),
        "eg_removed_mg": None if found.removed_kg is None else points(found.removed_kg, "mg"),
        "reference_mg": given["reference"],
        "reference_basis": given["basis"],
        "largest_water_mg": largest_mg,
        "air_to_largest_min": minutes,
        "assumed_of_air": of_air,
        "assumed": assumed_of(inputs),
        "not_assessed": _not_assessed(given),
        "records": [{"id": r, "class": reference.record(r).data_class} for r in drawn],
        "samples": given["samples"],
        "seed": given["seed"],
        "notice": NOTICE,
    }


def _after_aeration(answer: dict) -> list[str]:
    if not answer["aeration_h"]:
        return ["no aeration named (--aeration-h): dissolved EO still turns into EG"]
    return [f"EO after aeration: {band(**answer['eo_after_aeration_mg'], unit='mg')}",
            f"EG after aeration: {band(**answer['eg_after_aeration_mg'], unit='mg')}"]  # fmt: skip


def _way_there(answer: dict, water_mg: float) -> str:
    if water_mg <= answer["largest_water_mg"]:
        return "the water given is below it"
    minutes = answer["air_to_largest_min"]
    if minutes is None:
        return "dry to it, then look again"
    return f"more air through the lumen comes to it ({minutes_words(minutes)}), then look again"


def _not_assessed(given: dict) -> list[str]:
    """Say what was not told: an ECH of 0 would read as none."""
    if given["chloride"] is not None:
        return []
    return ["ECH: not assessed, no chloride named (--chloride-mol-per-l, 0 for water without "
            "salt); salt would make ECH, and more EG"]  # fmt: skip


def _chlorohydrin(answer: dict) -> list[str]:
    return answer["not_assessed"] or [
        f"ECH, {name}: {band(**answer[f'ech_{name}_mg'], unit='mg')}"
        for name in ("unbuffered", "buffered")
    ]


def _lines(answer: dict, given: dict) -> list[str]:
    from eo_risk.output.wording import NEGLIGIBLE

    lines = [
        f"as one {answer['form']}:",
        f"EO dissolved as the exposure ends: {band(**answer['eo_dissolved_mg'], unit='mg')}",
        f"EG then: {band(**answer['eg_mg'], unit='mg')}",
        *_after_aeration(answer),
        *_chlorohydrin(answer),
        f"ceiling of EG: {significant(answer['eg_ceiling_mg'])} mg",
    ]
    deg, share = answer["deg_mg"], answer["deg_share"]
    if share is not None:
        small = "negligible" if share < NEGLIGIBLE else "add it to EG"
        lines.append(f"DEG beside the EG of a film: {band(**deg, unit='mg')}, at 95 % "
                     f"{significant(100.0 * share)} % of it: {small}")  # fmt: skip
    if answer["eg_removed_mg"] is not None:
        lines.append("EG credited as gone in the aeration, as asked: "
                     f"{band(**answer['eg_removed_mg'], unit='mg')}")  # fmt: skip
    largest = significant(floor_to(answer["largest_water_mg"]))
    film = "as a film" if answer["form"] == "film" else "even where it spreads out as a film"
    lines.append(
        f"below {significant(answer['reference_mg'])} mg EG at 95 % with up to {largest} mg of "
        f"water {film}; {_way_there(answer, given['water'])}"
    )
    lines.append("a check of the load counts warming up, conditioning and every place of an item "
                 "as well: its mass is another one")  # fmt: skip
    lines += assumed_lines((*answer["assumed"], *answer["assumed_of_air"]))
    return [*lines, "EG has no limit in ISO 10993-7; its references are screening.", "",
            answer["notice"]]  # fmt: skip


def run(args: argparse.Namespace) -> int:
    """Print EG, ECH and EO; returns the exit code."""
    given = _read(args)
    answer = _answer(given)
    emit(args, answer, "\n".join(_lines(answer, given)))
    return 0
