"""Command `aerate`: how long one part holds EO or ECH."""

from __future__ import annotations

import argparse
from itertools import pairwise

from eo_risk.commands.flags import Flags
from eo_risk.commands.printing import add_json_flag, band, columns, emit

_SHAPES = ("sheet", "tube", "rod", "sphere", "fibre")


def register(subparsers) -> None:
    """Add the command to the parser."""
    parser = subparsers.add_parser("aerate", help="how long one part holds EO or ECH")
    parser.add_argument("--material", help="material id; see `eo-risk materials`")
    parser.add_argument("--thickness-mm", help="full thickness, wall, or diameter of a rod")
    parser.add_argument("--shape", help=", ".join(_SHAPES))
    parser.add_argument("--outer-diameter-mm", help="of a tube")
    parser.add_argument("--faces", help="open faces of a sheet, 1 or 2 (default 2)")
    parser.add_argument("--bore-length-mm", help="length of a tube; a short bore counts as open")
    parser.add_argument("--start-ug-per-g", help="mean level at the start")
    parser.add_argument("--temperature-c", help="of the aeration")
    parser.add_argument("--hours", help="times, such as 0,24,48")
    parser.add_argument("--packaging", help="packaging id (default none)")
    parser.add_argument("--substance", help="EO or ECH (default EO)")
    parser.add_argument("--after-exposure-h", help="start from the skin an exposure leaves")
    parser.add_argument("--samples", help="number of samples (default 2048)")
    parser.add_argument("--seed", help="seed of the samples (default 1)")
    add_json_flag(parser)
    parser.set_defaults(run=run)


def _hours(flags: Flags, text: str | None) -> list[float]:
    """Read the times; they must rise."""
    try:
        hours = [float(word) for word in (text or "").split(",")]
    except ValueError:
        hours = []
    rising = all(a < b for a, b in pairwise(hours))
    if not hours or not rising or hours[0] < 0.0 or hours[-1] > 5000.0:
        flags.fault("--hours", "h", "rising numbers from 0 to 5000, such as 0,24,48",
                    "Correct the list.")  # fmt: skip
    return hours


def _part(given: dict):
    """Build the plan's part that these flags describe."""
    from eo_risk.plan.load_plan import Part

    shape, thickness = given["shape"], given["thickness_mm"]
    solid = shape in ("rod", "sphere", "fibre")
    short = given["bore_length_mm"] is not None and given["bore_length_mm"] <= thickness * 5.0
    return Part(
        name="part", material=given["material"], shape=shape, mass_g=1.0,
        thickness_mm=None if shape == "tube" else thickness,
        wall_mm=thickness if shape == "tube" else None,
        outer_diameter_mm=given["outer_diameter_mm"] or (thickness if solid else None),
        faces=given["faces"], open_faces="both" if short else "outer",
    )  # fmt: skip


def _read(args: argparse.Namespace) -> tuple[dict, list[float], int, int]:
    from eo_risk import reference

    flags = Flags(args)
    given = {
        "material": flags.word("--material", tuple(reference.materials()), required=True),
        "thickness_mm": flags.number("--thickness-mm", "mm", 0, 200, above=True, required=True),
        "shape": flags.word("--shape", _SHAPES) or "sheet",
        "outer_diameter_mm": flags.number("--outer-diameter-mm", "mm", 0, 500, above=True),
        "faces": flags.whole("--faces", 1, 2) or 2,
        "bore_length_mm": flags.number("--bore-length-mm", "mm", 0, 20_000, above=True),
        "start": flags.number("--start-ug-per-g", "ug/g", 0, 1e6, above=True, required=True),
        "temperature_c": flags.number("--temperature-c", "C", -20, 120, required=True),
        "packaging": flags.word("--packaging", tuple(reference.packagings())) or "none",
        "substance": flags.word("--substance", ("EO", "ECH")) or "EO",
        "after_h": flags.number("--after-exposure-h", "h", 0, 100, above=True),
    }
    hours = _hours(flags, args.hours)
    if given["shape"] == "tube" and args.outer_diameter_mm is None:
        flags.fault("--outer-diameter-mm", "mm", "more than twice the wall", "A tube needs it.")
    samples = flags.whole("--samples", 16, 1_000_000) or 2048
    seed = flags.whole("--seed", 0, 2**31)
    seed = 1 if seed is None else seed
    wall = given["thickness_mm"]
    if given["outer_diameter_mm"] and wall and given["shape"] == "tube":
        if 2.0 * wall >= given["outer_diameter_mm"]:
            flags.fault("--thickness-mm", "mm", "less than half the outer diameter",
                        "Correct the wall.")  # fmt: skip
    flags.done()
    return given, hours, samples, seed


def _curves(given: dict, hours: list[float], samples: int, seed: int):
    """Return left over start at every hour (hours, samples), and what was drawn."""
    import numpy as np

    from eo_risk.judgement.inputs import ItemInputs
    from eo_risk.judgement.parts import layer_stages, packaging_transfer, part_model
    from eo_risk.judgement.risk import Draw
    from eo_risk.judgement.timeline import LoadStage
    from eo_risk.physics.layer import run_layer
    from eo_risk.plan.load_plan import Item
    from eo_risk.units import celsius_to_kelvin, to_si

    inputs = ItemInputs(Draw(seed, samples).item("aerate"))
    item = Item(name="part", parts=(_part(given),), packaging=given["packaging"])
    model = part_model(item, 0, inputs, packaging_transfer(item, inputs))
    kelvin = np.full(samples, celsius_to_kelvin(given["temperature_c"]))
    zero, one = np.zeros(samples), np.ones(samples)

    def stage(name: str, time_h: float, eo: np.ndarray) -> LoadStage:
        return LoadStage(name, np.full(samples, to_si(time_h, "h")), kelvin, kelvin, eo, eo, one,
                         one, zero)  # fmt: skip

    steps = [b - a for a, b in zip([0.0, *hours[:-1]], hours, strict=True)]
    stages = [stage("aeration", step, zero) for step in steps]
    if model.body is None:
        return np.zeros((len(hours), samples)), inputs, model
    substance = given["substance"]
    if given["after_h"] is None:
        run = run_layer(model.body, layer_stages(model, stages, inputs, substance=substance),
                        start_kg_per_m3=1.0)  # fmt: skip
        return run.mean_kg_per_m3[1:], inputs, model
    # The skin an exposure leaves, scaled to the level given at the start of the aeration.
    taken = layer_stages(model, [stage("exposure", given["after_h"], one)], inputs,
                         gas=[(one, one)])  # fmt: skip
    run = run_layer(model.body, taken + layer_stages(model, stages, inputs, substance=substance))
    return run.mean_kg_per_m3[2:] / run.mean_kg_per_m3[1], inputs, model


def _half_h(given: dict, samples: int, seed: int) -> float | None:
    """Return when the median curve reaches half its start. [h]"""
    import numpy as np

    grid = list(np.geomspace(1e-4, 1e6, 241))
    left, _, _ = _curves(given, grid, samples, seed)
    level = np.median(left, axis=1)
    below = np.flatnonzero(level <= 0.5)
    if below.size == 0 or below[0] == 0:
        return None if below.size == 0 else float(grid[0])
    i = below[0]
    share = np.log(level[i - 1] / 0.5) / np.log(level[i - 1] / max(level[i], 1e-300))
    return float(grid[i - 1] * (grid[i] / grid[i - 1]) ** share)


def run(args: argparse.Namespace) -> int:
    """Print what is left over time; returns the exit code."""
    given, hours, samples, seed = _read(args)
    import numpy as np

    from eo_risk import reference
    from eo_risk.judgement.result import NOTICE

    left, inputs, model = _curves(given, hours, samples, seed)
    points = np.quantile(given["start"] * np.clip(left, 0.0, 1.0), (0.05, 0.5, 0.95), axis=1)
    records = [r for r in inputs.draw.variables if r in reference.records()]
    answer = {
        "hours": hours,
        "left_ug_per_g": {
            key: [float(v) for v in row]
            for key, row in zip(("p05", "p50", "p95"), points, strict=True)
        },
        "half_left_h": None if model.body is None else _half_h(given, min(samples, 256), seed),
        "class": model.data_class,
        "records": [{"id": r, "class": reference.record(r).data_class} for r in records],
        "samples": samples,
        "seed": seed,
        "notice": NOTICE,
    }
    table = columns(
        [(f"{h:g}", band(*(points[i][k] for i in range(3)), "ug/g")) for k, h in enumerate(hours)],
        ("hours", "left"),
    )
    half = answer["half_left_h"]
    words = "takes up no EO" if model.body is None else (
        "half is not reached" if half is None else f"half is left after {half:.3g} h"
    )  # fmt: skip
    emit(args, answer, f"{table}\n\n{words}; data class {answer['class']}\n\n{NOTICE}")
    return 0
