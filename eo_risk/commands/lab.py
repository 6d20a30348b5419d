"""Command `lab`: laboratory results in, dissipation curve and release time out."""

from __future__ import annotations

import argparse
from pathlib import Path

from eo_risk.commands.flags import Flags
from eo_risk.commands.printing import add_json_flag, columns, emit, say
from eo_risk.units import LEAST_WALL_MM

_SUBSTANCES = ("EO", "ECH", "EG")
_MODELS = ("both", "pooled", "lots")
_PER_AREA = "ug/cm2"
_SHAPES = ("sheet", "tube", "rod", "sphere", "fibre")


def register(subparsers) -> None:
    """Add the command to the parser."""
    parser = subparsers.add_parser(
        "lab", help="laboratory results: dissipation curve, release time, certificates"
    )
    parser.add_argument("results", help="table of results (CSV or XLSX); see `template lab`")
    parser.add_argument("--limit-mg", help="limit per device; for EG a screening reference")
    parser.add_argument("--limit-ug-per-cm2", help="or limit per contact area; needs the area")
    parser.add_argument("--substance", default="EO", help="EO (default), ECH or EG")
    parser.add_argument("--also", action="append", default=[], metavar="SUBSTANCE=LIMIT",
                        help="limit of another substance in the table: ECH=9 in mg per device, "
                        "or ECH=5000ug/cm2")  # fmt: skip
    parser.add_argument("--confidence", help="of the prediction limit (default 0.95)")
    parser.add_argument("--model", default="both", help="both (default), pooled or lots")
    parser.add_argument("--device-mass-g", help="mass of the whole device, for ug/g")
    parser.add_argument("--area-cm2", help="contact area of the device, for ug/cm2")
    parser.add_argument("--only", action="append", default=[], metavar="COLUMN=VALUE",
                        help="use these rows only, as in state=new; show the others")  # fmt: skip
    parser.add_argument("--from-h", help="use results from this hour on")
    parser.add_argument("--margin-h", help="difference between groups that can be lived with")
    parser.add_argument("--reference-group", help="compare groups with this one")
    parser.add_argument("--predicted", metavar="FILE", help="answer of `check --json` to compare")
    parser.add_argument("--item", help="name of the item in that answer")
    parser.add_argument("--report", metavar="FILE.html", help="write the release-time sheet")
    body = parser.add_argument_group("layer model beside the line (the governing part)")
    body.add_argument("--material", help="material id; see `materials`")
    body.add_argument("--shape", default="sheet", help=", ".join(_SHAPES))
    body.add_argument("--thickness-mm", help="thickness of a sheet, wall of a tube")
    body.add_argument("--outer-diameter-mm", help="of a tube, rod, fibre or sphere")
    body.add_argument("--faces", default="2", help="1 or 2 open faces; a tube with 1: outer")
    body.add_argument("--packaging", help="packaging id, when the table does not say")
    body.add_argument("--temperature-c", help="aeration temperature, when the table does not say")
    body.add_argument("--after-exposure-h", help="start from a gas exposure, not an even level")
    body.add_argument("--exposure-temperature-c", help="of that exposure, else as in aeration")
    body.add_argument("--part-mass-g", help="mass of the part, to keep uptake and start level")
    body.add_argument("--eo-mg-per-l", help="EO in the gas of that exposure, to keep them")
    body.add_argument("--record-id", help="id of the material record to write out")
    body.add_argument("--save-record", metavar="SITE.toml",
                      help="add what was fitted to this site file, for `check --site`")
    body.add_argument("--seed", help="seed of the samples (default 1)")
    add_json_flag(parser)
    parser.set_defaults(run=run)


def _pairs(flags: Flags, flag: str, texts: list[str]) -> dict[str, str]:
    """Split ``NAME=VALUE`` texts; notes a fault for any that is none, or names one again."""
    from eo_risk.errors import Fault

    found = {}
    for text in texts:
        name, sign, value = text.partition("=")
        if not sign or not name.strip() or not value.strip():
            flags.faults.append(Fault(flag, repr(text), "", "NAME=VALUE", "Write both."))
        elif name.strip() in found:
            flags.faults.append(Fault(flag, f"{name.strip()} twice", "", "each name once",
                                      "Give one of them."))  # fmt: skip
        else:
            found[name.strip()] = value.strip()
    return found


def _limits(flags: Flags, args: argparse.Namespace) -> dict[str, dict[str, float]]:
    """Read the limits of every substance, per device and per contact area."""
    from eo_risk.errors import Fault, nearest

    per_device: dict[str, float] = {}
    per_area = {args.substance: flags.number("--limit-ug-per-cm2", "ug/cm2", 0, 1e9, above=True)}
    has_limit = args.limit_mg is not None or args.limit_ug_per_cm2 is not None
    for name, text in _pairs(flags, "--also", args.also).items():
        if name == args.substance and has_limit:
            flags.faults.append(Fault("--also", f"a second limit for {name}", "", "one limit for "
                                      "a substance", "Give the one that allows less."))  # fmt: skip
            continue
        number = text.removesuffix(_PER_AREA)
        try:
            (per_device if number == text else per_area)[name] = float(number)
        except ValueError:
            flags.faults.append(Fault("--also", repr(text), "", "a number in mg per device, or "
                                      "one with ug/cm2",
                                      "Write ECH=9 or ECH=5000ug/cm2."))  # fmt: skip
        if name not in _SUBSTANCES:
            flags.faults.append(Fault("--also", repr(name), "", nearest(name, _SUBSTANCES),
                                      "Use one of these."))  # fmt: skip
    known = {name: value for name, value in per_area.items() if value is not None}
    return {"also_mg": per_device, "per_area_ug_cm2": known}


def _options(flags: Flags, args: argparse.Namespace):
    from eo_risk.measured.lab_options import LabOptions

    given = {
        "limit_mg": flags.number("--limit-mg", "mg", 0, 1e9, above=True),
        "substance": flags.word("--substance", _SUBSTANCES),
        "confidence": flags.number("--confidence", "", 0.5, 0.9999),
        "model": flags.word("--model", _MODELS),
        "device_mass_g": flags.number("--device-mass-g", "g", 0, 1e6, above=True),
        "area_cm2": flags.number("--area-cm2", "cm2", 0, 1e7, above=True),
        "from_h": flags.number("--from-h", "h", 0, 20_000),
        "margin_h": flags.number("--margin-h", "h", 0, 20_000),
        "reference_group": args.reference_group,
        "only": _pairs(flags, "--only", args.only),
        **_limits(flags, args),
    }
    return lambda: LabOptions(**{key: value for key, value in given.items() if value is not None})


def _physics(flags: Flags, args: argparse.Namespace):
    from eo_risk.measured.layer_fit.answer import PhysicsRequest

    given = {
        "shape": flags.word("--shape", _SHAPES),
        "thickness_mm": flags.number("--thickness-mm", "mm", LEAST_WALL_MM, 500),
        "outer_diameter_mm": flags.number("--outer-diameter-mm", "mm", LEAST_WALL_MM, 1000),
        "faces": flags.whole("--faces", 1, 2),
        "packaging": args.packaging,
        "temperature_c": flags.number("--temperature-c", "C", -20, 120),
        "exposure_h": flags.number("--after-exposure-h", "h", 0, 100),
        "exposure_temperature_c": flags.number("--exposure-temperature-c", "C", -20, 120),
        "part_mass_g": flags.number("--part-mass-g", "g", 0, 1e6, above=True),
        "eo_mg_per_l": flags.number("--eo-mg-per-l", "mg/L", 0, 1700, above=True),
        "record_id": args.record_id,
        "seed": flags.whole("--seed", 0, 2**31),
    }
    if args.material is None:
        return lambda: None
    known = {key: value for key, value in given.items() if value is not None}
    return lambda: PhysicsRequest(args.material, **known)


def _predicted(args: argparse.Namespace):
    import json

    from eo_risk.files import read_text, refuse
    from eo_risk.measured.predictions import predicted_item

    if args.predicted is None:
        return None
    try:
        answer = json.loads(read_text(Path(args.predicted), "answer"))
    except ValueError:
        raise refuse(args.predicted, "no JSON", "an answer of `eo-risk check --json`",
                     "Save that answer.") from None  # fmt: skip
    return predicted_item(answer, args.item)


def _curve_lines(answer: dict) -> list[str]:
    from eo_risk.output.lab_wording import fitted_line, model_header, model_rows, release_sentence

    table = columns(model_rows(answer), model_header(answer))
    return [fitted_line(answer), "", table, "", release_sentence(answer)]


def _one_time_lines(answer: dict) -> list[str]:
    from eo_risk.output.lab_wording import ONE_TIME, once_facts, once_headline

    facts = (f"{name}: {value}" for name, value in once_facts(answer))
    return [once_headline(answer), ONE_TIME, *facts]


def _text(answer: dict) -> str:
    from eo_risk.measured.layer_fit.site_record import records_toml
    from eo_risk.output import lab_wording

    lines = [lab_wording.limit_line(answer)]
    lines += (_curve_lines if answer["kind"] == "curve" else _one_time_lines)(answer)
    if answer["kind"] == "one_time" or not all(r["used"] for r in answer["results"]):
        rows = lab_wording.result_rows(answer["results"])
        lines += ["", columns(rows, lab_wording.RESULT_HEADER)]
    for part in (
        lab_wording.layer_lines(answer), lab_wording.family_lines(answer),
        lab_wording.comparison_lines(answer), lab_wording.other_lines(answer),
        lab_wording.prediction_lines(answer),
    ):  # fmt: skip
        lines += ["", *part] if part else []
    if answer["material_records"]:
        lines += ["", "For the site file:", records_toml(answer["material_records"]).rstrip()]
    lines += ["", *(f"- {line}" for line in lab_wording.caution_lines(answer))]
    return "\n".join([*lines, "", answer["notice"]])


def _write_report(answer: dict, path: Path) -> None:
    from datetime import datetime

    from eo_risk.files import write_text
    from eo_risk.output.lab_sheet import lab_sheet_html

    write_text(path, lab_sheet_html(answer, datetime.now().astimezone()))
    say(f"written: {path}")


def _save_records(answer: dict, path: Path) -> None:
    from eo_risk.files import read_text, refuse, write_text
    from eo_risk.measured.layer_fit.site_record import records_toml
    from eo_risk.plan.site_file import with_material_records

    if not answer["material_records"]:
        raise refuse("--save-record", str(path), "a fit of the layer model to keep",
                     "Give --material and the size of the part.")  # fmt: skip
    there = read_text(path, "site file") if path.exists() else ""
    blocks = records_toml(answer["material_records"])
    write_text(path, with_material_records(there, blocks, path.parent))
    for record in answer["material_records"]:
        say(f"written to {path}: {record['id']}")


def run(args: argparse.Namespace) -> int:
    """Answer a table of laboratory results; returns the exit code."""
    from eo_risk.measured.lab import lab_answer
    from eo_risk.measured.results_table import read_results

    flags = Flags(args)
    options, physics = _options(flags, args), _physics(flags, args)
    flags.done()
    answer = lab_answer(
        read_results(Path(args.results)), options(),
        predicted=_predicted(args), physics=physics(),
    )  # fmt: skip
    if args.save_record:
        _save_records(answer, Path(args.save_record))
    if args.report:
        _write_report(answer, Path(args.report))
    emit(args, answer, _text(answer))
    return 0
