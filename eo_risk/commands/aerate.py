"""Command `aerate`: how long one part holds EO or ECH."""

from __future__ import annotations

import argparse
from dataclasses import asdict
from itertools import pairwise
from pathlib import Path

from eo_risk.commands.flags import Flags
from eo_risk.commands.printing import add_json_flag, band, caution_lines, columns, emit
from eo_risk.units import LEAST_WALL_MM, to_si

_SOLID = ("rod", "sphere", "fibre")
_SHAPES = ("sheet", "tube", *_SOLID)
# What only some shapes have; with another one it would count for nothing.
_OF_SHAPES = {
    "faces": ("sheet",), "bore_length_mm": ("tube",), "outer_diameter_mm": ("tube", *_SOLID)
}  # fmt: skip


def register(subparsers) -> None:
    """Add the command to the parser."""
    parser = subparsers.add_parser("aerate", help="how long one part holds EO or ECH")
    parser.add_argument("--material", help="material id; see `eo-risk materials`")
    parser.add_argument("--thickness-mm", help="full thickness, wall, or diameter of a rod")
    parser.add_argument("--shape", help=", ".join(_SHAPES))
    parser.add_argument("--outer-diameter-mm", help="of a tube, which needs it")
    parser.add_argument("--faces", help="open faces of a sheet, 1 or 2 (default 2)")
    parser.add_argument("--bore-length-mm", help="length of a tube: credits its bore")
    parser.add_argument("--start-ug-per-g", help="mean level at the start")
    parser.add_argument("--temperature-c", help="of the aeration")
    parser.add_argument("--hours", help="times, such as 0,24,48")
    parser.add_argument("--packaging", help="packaging id (default none)")
    parser.add_argument("--substance", help="EO or ECH (default EO)")
    parser.add_argument("--after-exposure-h", help="start from the skin an exposure leaves")
    parser.add_argument("--site", help="site file whose material records replace the shipped ones")
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


def _check_size(flags: Flags, args: argparse.Namespace, given: dict) -> None:
    """Note a size that is missing, does not fit another one, or is none of the shape."""
    shape, size, outer = given["shape"], given["thickness_mm"], given["outer_diameter_mm"]
    for name, shapes in _OF_SHAPES.items():
        if given[name] is not None and shape not in shapes:
            flags.fault(f"--{name.replace('_', '-')}", "", f"with shape {', '.join(shapes)} only",
                        f"Leave it out: the shape is {shape}.")  # fmt: skip
    if shape == "tube" and args.outer_diameter_mm is None:
        flags.fault("--outer-diameter-mm", "mm", "more than twice the wall", "A tube needs it.")
    if None in (size, outer):
        return
    if shape == "tube" and 2.0 * size >= outer:
        flags.fault("--thickness-mm", "mm", "less than half the outer diameter",
                    "Correct the wall.")  # fmt: skip
    elif shape in _SOLID and size != outer:
        flags.fault("--outer-diameter-mm", "mm", f"{size:g} mm, as --thickness-mm",
                    f"Both are the diameter of a {shape}: leave this one out.")  # fmt: skip


def _part(given: dict):
    """Build the plan's part that these flags describe."""
    from eo_risk.plan.load_plan import Part

    shape, thickness = given["shape"], given["thickness_mm"]
    solid = shape in _SOLID
    return Part(
        name="part", material=given["material"], shape=shape, mass_g=1.0,
        thickness_mm=None if shape == "tube" else thickness,
        wall_mm=thickness if shape == "tube" else None,
        outer_diameter_mm=thickness if solid else given["outer_diameter_mm"],
        faces=given["faces"] or 2, open_faces="outer",
    )  # fmt: skip


def _own_records(site: str | None):
    """Return the material records of a site file that hold for every item."""
    from eo_risk.errors import InputError
    from eo_risk.plan.site_file import read_site

    if site is None:
        return ()
    found = read_site(Path(site))
    # As in a check: the shipped record may be of a faster material.
    faults = [fault for entry in found.broken if entry.kind == "material_record"
              for fault in entry.faults]  # fmt: skip
    if faults:
        raise InputError(faults)
    return tuple(r for r in found.material_record if not r.items)


def _read(args: argparse.Namespace) -> tuple[dict, list[float], int, int]:
    from eo_risk import reference

    flags = Flags(args)
    shape = flags.word("--shape", _SHAPES) or "sheet"
    thickest = 100 if shape == "tube" else 200
    given = {
        "material": flags.word("--material", tuple(reference.materials()), required=True),
        "thickness_mm": flags.number(
            "--thickness-mm", "mm", LEAST_WALL_MM, thickest, required=True
        ),
        "shape": shape,
        "outer_diameter_mm": flags.number("--outer-diameter-mm", "mm", LEAST_WALL_MM, 500),
        "faces": flags.whole("--faces", 1, 2),
        "bore_length_mm": flags.number("--bore-length-mm", "mm", 0, 20_000, above=True),
        "start": flags.number("--start-ug-per-g", "ug/g", 0, 1e6, above=True, required=True),
        "temperature_c": flags.number("--temperature-c", "C", -20, 120, required=True),
        "packaging": flags.word("--packaging", tuple(reference.packagings())) or "none",
        "substance": flags.word("--substance", ("EO", "ECH")) or "EO",
        "after_h": flags.number("--after-exposure-h", "h", 0, 100, above=True),
    }
    hours = _hours(flags, args.hours)
    _check_size(flags, args, given)
    if given["after_h"] and not reference.packagings()[given["packaging"]].permeable:
        flags.fault("--after-exposure-h", "h", f"no exposure in {given['packaging']}",
                    "Leave it out: no EO gets in.")  # fmt: skip
    samples = flags.whole("--samples", 16, 1_000_000) or 2048
    seed = flags.whole("--seed", 0, 2**31)
    seed = 1 if seed is None else seed
    flags.done()
    return given, hours, samples, seed


def _asked(given: dict, site: str | None):
    from eo_risk.judgement.material.one_part import OnePart

    length = given["bore_length_mm"]
    return OnePart(
        _part(given), given["packaging"], given["temperature_c"], given["substance"],
        given["after_h"], None if length is None else to_si(length, "mm"),
        _own_records(site),
    )  # fmt: skip


def _text(answer: dict, takes_up: bool) -> str:
    from eo_risk.output.wording import own_record_line

    left, half = answer["left_ug_per_g"], answer["half_left_h"]
    table = columns(
        [(f"{h:g}", band(*(left[key][k] for key in ("p05", "p50", "p95")), "ug/g"))
         for k, h in enumerate(answer["hours"])],
        ("hours", "left"),
    )  # fmt: skip
    words = "takes up no EO: nothing of the start given is held in it"
    if takes_up:
        words = (
            "half is not reached"
            if half is None
            else (f"half is left after {half:.3g} h by the median; its band stands in the table")
        )
    lines = [table, "", f"{words}; data class {answer['class']}"]
    if answer["records"]:
        lines.append(f"records: {', '.join(row['id'] for row in answer['records'])}")
    lines += caution_lines(answer["cautions"])
    lines += [f"own record: {own_record_line(row)}" for row in answer["own_records"]]
    return "\n".join([*lines, "", answer["notice"]])


def run(args: argparse.Namespace) -> int:
    """Print what is left over time; returns the exit code."""
    given, hours, samples, seed = _read(args)
    import numpy as np

    from eo_risk import reference
    from eo_risk.judgement.material.one_part import follow_part, half_left_h, part_cautions
    from eo_risk.judgement.own_records import own_record_uses
    from eo_risk.judgement.result import NOTICE

    asked = _asked(given, args.site)
    followed = follow_part(asked, hours, samples, seed)
    drawn = followed.inputs.draw
    points = np.quantile(given["start"] * np.clip(followed.left, 0.0, 1.0), (0.05, 0.5, 0.95),
                         axis=1)  # fmt: skip
    records = [r for r in drawn.variables if r in reference.records()]
    answer = {
        "hours": hours,
        "left_ug_per_g": {
            key: [float(v) for v in row]
            for key, row in zip(("p05", "p50", "p95"), points, strict=True)
        },
        "half_left_h": half_left_h(asked, samples, seed),
        "class": followed.model.data_class,
        "records": [{"id": r, "class": drawn.record(r).data_class} for r in records],
        "own_records": [asdict(use) for use in own_record_uses(asked.own_records, "part", records)],
        "cautions": [asdict(found) for found in part_cautions(asked, followed.model)],
        "samples": samples,
        "seed": seed,
        "notice": NOTICE,
    }
    emit(args, answer, _text(answer, followed.model.body is not None))
    return 0
