"""Command `water`: how much leftover water a lumen or an outside holds, before and after air."""

from __future__ import annotations

import argparse
from dataclasses import asdict

from eo_risk.commands.flags import Flags
from eo_risk.commands.printing import (
    add_json_flag,
    assumed_lines,
    assumed_of,
    band,
    caution_lines,
    emit,
    minutes_words,
    points,
    significant,
)
from eo_risk.units import LEAST_BORE_MM

_EMPTIED = ("none", "hung", "syringe", "suction", "air")
_ORIENTATIONS = ("vertical", "coiled")
_STATES = ("dripping", "drained", "blown", "wiped")


def register(subparsers) -> None:
    """Add the command to the parser."""
    parser = subparsers.add_parser(
        "water", help="estimate the water left in a lumen or on an outside, and its drying"
    )
    kinds = parser.add_subparsers(dest="kind", metavar="KIND", required=True)
    lumen = kinds.add_parser("lumen", help="water in one channel, and how air dries it")
    lumen.add_argument("--bore-mm", help="inner diameter")
    lumen.add_argument("--length-mm")
    lumen.add_argument("--open-ends", help="0, 1 or 2 (2 when not given)")
    lumen.add_argument("--blocked", action="store_true", help="no air comes out")
    lumen.add_argument("--emptied", help=" ".join(_EMPTIED))
    lumen.add_argument("--pushes", help="pushes of the syringe (1 when not given)")
    lumen.add_argument("--emptied-seconds", help="seconds of suction or air when emptied")
    lumen.add_argument("--emptied-pressure-gauge-bar", help="of the air when emptied")
    lumen.add_argument("--emptied-flow-nl-per-min", help="measured then; preferred to a pressure")
    lumen.add_argument("--orientation", help="while it hung: vertical or coiled")
    lumen.add_argument("--hubs", help="hubs, connectors and valve seats (0 when not given)")
    lumen.add_argument("--water-mg", help="weighed water before drying; replaces the estimate")
    lumen.add_argument("--scale-error-mg", help="95 %% error of the scale (0 when not given)")
    lumen.add_argument("--air-pressure-gauge-bar", help="at the inlet of the lumen")
    lumen.add_argument("--air-flow-nl-per-min", help="measured; preferred to a pressure")
    lumen.add_argument("--minutes", help="minutes of drying air (0 when not given)")
    lumen.add_argument("--target-mg", help="water that may stay: gives the minutes to reach it")
    lumen.add_argument("--air-temperature-c")
    lumen.add_argument("--air-rh-percent", help="of the air after its expansion")
    lumen.add_argument("--outer-diameter-mm", help="of the tube, for the heat of the room")
    surface = kinds.add_parser("surface", help="water on the outside of an item")
    surface.add_argument("--area-cm2")
    surface.add_argument("--state", help=" ".join(_STATES))
    surface.add_argument("--low-edge-cm", help="lowest edge on which water collects")
    surface.add_argument("--joints", help="hinges, box locks, threads (0 when not given)")
    for kind, run in ((lumen, run_lumen), (surface, run_surface)):
        kind.add_argument("--samples")
        kind.add_argument("--seed")
        add_json_flag(kind)
        kind.set_defaults(run=run)


def _sampling(flags: Flags) -> tuple[int, int]:
    samples = flags.whole("--samples", 16, 1_000_000)
    seed = flags.whole("--seed", 0, 2**31 - 1)
    return samples or 2048, 1 if seed is None else seed


def _read_lumen(flags: Flags) -> dict:
    given = {
        "bore_mm": flags.number("--bore-mm", "mm", LEAST_BORE_MM, 100, required=True),
        "length_mm": flags.number("--length-mm", "mm", 0, 20_000, above=True, required=True),
        "open_ends": flags.whole("--open-ends", 0, 2),
        "pushes": flags.whole("--pushes", 0, 100),
        "emptied_seconds": flags.number("--emptied-seconds", "s", 0, 3600),
        "emptied_bar": flags.number("--emptied-pressure-gauge-bar", "bar gauge", 0, 10),
        "emptied_flow": flags.number("--emptied-flow-nl-per-min", "NL/min", 0, 1000),
        "orientation": flags.word("--orientation", _ORIENTATIONS),
        "hubs": flags.whole("--hubs", 0, 20) or 0,
        "water_mg": flags.number("--water-mg", "mg", 0, 1e7),
        "scale_error_mg": flags.number("--scale-error-mg", "mg", 0, 1e6) or 0.0,
        "pressure_bar": flags.number("--air-pressure-gauge-bar", "bar gauge", 0, 10),
        "flow_nl_per_min": flags.number("--air-flow-nl-per-min", "NL/min", 0, 1000),
        "minutes": flags.number("--minutes", "min", 0, 100_000) or 0.0,
        "target_mg": flags.number("--target-mg", "mg", 0, 1e7),
        "air_c": flags.number("--air-temperature-c", "C", 0, 100),
        "air_rh_percent": flags.number("--air-rh-percent", "%", 0, 100),
        "outer_diameter_mm": flags.number("--outer-diameter-mm", "mm", LEAST_BORE_MM, 500),
    }
    given["how"] = flags.word("--emptied", _EMPTIED, required=given["water_mg"] is None)
    if given["open_ends"] is None:
        given["open_ends"] = 2
    if given["pressure_bar"] is not None and given["flow_nl_per_min"] is not None:
        flags.fault("--air-flow-nl-per-min", "NL/min", "a pressure or a flow",
                    "Leave the pressure out; the measured flow is the better number.")  # fmt: skip
    bore, outer = given["bore_mm"], given["outer_diameter_mm"]
    if bore is not None and outer is not None and outer <= bore:
        flags.fault("--outer-diameter-mm", "mm", f"more than the bore, {bore:g} mm",
                    "Correct one of the two.")  # fmt: skip
    if None not in (bore, given["length_mm"], given["water_mg"]):
        _check_fits(flags, given)
    return given


def _check_fits(flags: Flags, given: dict) -> None:
    """Refuse more water than bore and hubs can hold."""
    from eo_risk import reference
    from eo_risk.judgement.water.one_lumen import most_water_kg
    from eo_risk.units import from_si, to_si

    full_kg = most_water_kg(given["bore_mm"], given["length_mm"])
    full_kg += given["hubs"] * reference.record("water.hub.kg").high_si
    if to_si(given["water_mg"], "mg") > full_kg:
        flags.fault("--water-mg", "mg", f"0 to {from_si(full_kg, 'mg'):.0f} mg, the full lumen",
                    "Correct the mass, the bore or the length.")  # fmt: skip


def _cautions(codes: list[str]) -> list[dict]:
    from eo_risk.judgement.cautions import caution, worst_first

    found = worst_first([caution(code) for code in codes])
    return [asdict(c) for c in found]


def _lumen_cautions(lumen, left_kg) -> list[dict]:
    """Return the cautions that stand beside one lumen."""
    import numpy as np

    from eo_risk.physics.properties import water_gas_ratio

    codes = []
    if lumen.told.open_ends == 0:
        codes.append("lumen_closed")
    if lumen.told.blocked:
        codes.append("channel_blocked")
    ratio = water_gas_ratio(lumen.draw("assumed.cycle_temperature"), lumen.draw)
    if np.median(left_kg / lumen.full_kg * ratio) > 1.0:
        codes.append("eo_starvation")
    return _cautions(codes)


def _lumen_answer(lumen) -> dict:
    import numpy as np

    from eo_risk.judgement.water import leftover
    from eo_risk.units import from_si, to_si

    draw, start, flow = lumen.draw, lumen.start_kg(), lumen.flow_kg_per_s()
    drying = lumen.drying(start)
    # Flow and evaporation are printed as they belong to the flow or pressure given; the time
    # until dry allows for losses at connectors and drops off the main flow.
    full = lumen.drying(start, losses=False)
    full_rate = full.evaporation_kg_per_s * draw("drying.lumen.time_factor")
    left = drying.left_kg(lumen.seconds) if lumen.seconds > 0.0 else start
    flow_m3_per_s = np.median(flow / leftover.normal_flow_kg_per_s(draw, 1.0))
    more = None
    if lumen.told.target_mg is not None:
        more = points(lumen.seconds_to(lumen.told.target_mg, drying), "min", ("p50", "p95"))
    return {
        "water_mg": points(left, "mg"),
        "dry_after_min": points(
            np.maximum(drying.dry_s - lumen.seconds, 0.0), "min", ("p50", "p95")
        ),
        "air_flow_nl_per_min": float(from_si(flow_m3_per_s, "NL/min")) * lumen.passes_air,
        "evaporation_mg_per_min": float(from_si(np.median(full_rate), "mg") * to_si(1.0, "min")),
        "target_after_min": more,
        "before_drying_mg": points(start, "mg"),
        "cannot_dry": _why_not(lumen, drying),
        "cautions": _lumen_cautions(lumen, left),
        "assumed": assumed_of(lumen.inputs),
    }


def _why_not(lumen, drying) -> str | None:
    """Say why the air named never dries this lumen; None when it does in half the samples."""
    import numpy as np

    if np.isfinite(np.median(drying.dry_s)):
        return None
    if not lumen.passes_air:
        return "no air passes"
    if np.median(lumen.humidity) >= 1.0:
        return "the air is saturated and takes no water up"
    return "no air flows: give a pressure or a flow above 0"


def run_lumen(args: argparse.Namespace) -> int:
    """Answer for one lumen; returns the exit code."""
    flags = Flags(args)
    samples, seed = _sampling(flags)
    given = _read_lumen(flags) | {"blocked": args.blocked}
    flags.done()
    from eo_risk.judgement.water.one_lumen import LumenTold, OneLumen

    lumen = OneLumen(LumenTold(**given), samples, seed)
    answer = _finish(_lumen_answer(lumen), samples, seed)
    dry = answer["dry_after_min"]
    lines = [
        f"water left: {band(**answer['water_mg'], unit='mg')}",
        f"air flow {significant(answer['air_flow_nl_per_min'])} NL/min, evaporation "
        f"{significant(answer['evaporation_mg_per_min'])} mg/min",
    ]
    if answer["cannot_dry"]:
        lines.append(f"{answer['cannot_dry']}: it does not dry this way")
    else:
        most = "more than can be told" if dry["p95"] is None else significant(dry["p95"])
        lines.append(
            f"dry after {significant(dry['p50'])} more min of air (95 %: {most} min), losses at "
            "connectors and drops off the main flow allowed for; then look again"
        )
    target = answer["target_after_min"]
    if target is not None:
        lines.append(f"down to {significant(given['target_mg'])} mg after more air "
                     f"({minutes_words(target)}); then look again")  # fmt: skip
    emit(args, answer, _text(lines, answer))
    return 0


def run_surface(args: argparse.Namespace) -> int:
    """Answer for one outside; returns the exit code."""
    flags = Flags(args)
    samples, seed = _sampling(flags)
    area = flags.number("--area-cm2", "cm2", 0, 1e6, above=True, required=True)
    state = flags.word("--state", _STATES, required=True)
    edge = flags.number("--low-edge-cm", "cm", 0, 10_000)
    joints = flags.whole("--joints", 0, 500) or 0
    flags.done()
    answer = _finish(_surface_answer(area, state, edge, joints, samples, seed), samples, seed)
    lines = [f"water on the outside: {band(**answer['water_mg'], unit='mg')}"]
    for place, found in answer["water_by_place_mg"].items():
        lines.append(f"  {place}: {band(**found, unit='mg')}")
    emit(args, answer, _text(lines, answer))
    return 0


def _surface_answer(
    area_cm2: float, state: str, edge_cm: float | None, joints: int, samples: int, seed: int
) -> dict:
    import numpy as np

    from eo_risk.judgement.inputs import ItemInputs
    from eo_risk.judgement.risk import Draw
    from eo_risk.judgement.water import leftover
    from eo_risk.physics.water import has_edge_bead
    from eo_risk.units import to_si

    draw = Draw(seed, samples).item("surface")
    inputs = ItemInputs(draw)
    edge = 0.0
    if has_edge_bead(state):
        edge = inputs.number("--low-edge-cm", edge_cm, "cm", "assumed.low_edge")
    found = leftover.outside_start(
        draw, np.full(samples, to_si(area_cm2, "cm2")), state, edge, joints,
        draw("assumed.air_temperature"),
    )  # fmt: skip
    return {
        "water_mg": points(found.total_kg, "mg"),
        "water_by_place_mg": {
            "film": points(found.film_kg, "mg"),
            "low edge": points(found.bead_kg, "mg"),
            "joints": points(found.joints_kg, "mg"),
        },
        "cautions": _cautions([]),
        "assumed": assumed_of(inputs),
    }


def _finish(answer: dict, samples: int, seed: int) -> dict:
    """Add what every answer carries."""
    from eo_risk.judgement.result import NOTICE

    return answer | {"samples": samples, "seed": seed, "notice": NOTICE}


def _text(lines: list[str], answer: dict) -> str:
    said = (*assumed_lines(answer["assumed"]), *caution_lines(answer["cautions"]))
    return "\n".join([*lines, *said, "", answer["notice"]])
