"""Command `template`: files to fill in, as text on stdout or in a new file."""

from __future__ import annotations

import argparse
from pathlib import Path

from eo_risk.commands.printing import add_json_flag, emit, say

KINDS = ("plan", "items", "lab", "site", "chart")
_TABLES = ("items", "lab", "chart")


def register(subparsers) -> None:
    """Add the command to the parser."""
    parser = subparsers.add_parser("template", help="write a file to fill in")
    parser.add_argument("kind", choices=KINDS, help="what to fill in")
    parser.add_argument(
        "--out", metavar="FILE", help="write to this new file (.xlsx for a table) instead"
    )
    add_json_flag(parser)
    parser.set_defaults(run=run)


def _plan() -> tuple[str, list[dict]]:
    from eo_risk.plan.load_plan import SCHEMA_VERSION, plan_json, read_plan

    item = {
        "name": "first item",
        "parts": [{"name": "body", "material": "plastic_unknown"}],
        "lumens": [{"name": "lumen", "drying": [{}]}],
        "external_water": {"drying": [{}]},
    }
    raw = {"schema_version": SCHEMA_VERSION, "cycle": {}, "aeration": [{}], "items": [item]}
    return plan_json(read_plan(raw)) + "\n", []


def _items() -> tuple[str, list[dict]]:
    from eo_risk.plan.tables import COLUMNS, items_csv

    channel = {"open_ends": 2, "wall_part": "sheath", "droplets_seen": "not_looked"}
    example = {
        "name": "example: overwrite these rows (a row without a name continues its item)",
        "quantity": 1,
        "parts": [
            {"name": "sheath", "material": "polyurethane_unknown", "shape": "tube"},
            {"name": "handle", "material": "plastic_unknown"},
        ],
        "lumens": [{"name": "channel"} | channel, {"name": "second channel"} | channel],
        "droplets_seen": "not_looked",
        "packaging": "film_paper_pouch",
    }
    rows = [{"column": c.header, "unit": c.unit, "field": c.path} for c in COLUMNS]
    return items_csv([example]), rows


def _lab() -> tuple[str, list[dict]]:
    from eo_risk.measured.results_table import TEMPLATE_COLUMNS, template_csv

    rows = [{"column": name, "unit": unit, "field": note} for name, unit, note in TEMPLATE_COLUMNS]
    return template_csv(), rows


def _site() -> tuple[str, list[dict]]:
    from eo_risk.commands.site_template import SITE_TEMPLATE

    return SITE_TEMPLATE, []


def _chart() -> tuple[str, list[dict]]:
    from datetime import datetime, timedelta

    from eo_risk.plan.chart import COLUMNS, STAGES
    from eo_risk.spreadsheet import csv_text

    start, step = datetime.fromisoformat("2026-03-12T06:30+01:00"), timedelta(minutes=10)
    # An interrupted step goes on, then another follows; blanks for what is not recorded.
    stages = [*STAGES, "aeration", "aeration 2", "aeration 2"]
    blanks = [""] * (len(COLUMNS) - 2)
    rows = [[(start + i * step).isoformat(timespec="minutes"), stage, *blanks]
            for i, stage in enumerate(stages)]  # fmt: skip
    described = [{"column": c.header, "unit": c.unit, "field": _CHART_NOTES[c.header]}
                 for c in COLUMNS]  # fmt: skip
    return csv_text([c.header for c in COLUMNS], rows), described


_CHART_NOTES = {
    "time": "date, time and offset; without an offset the site's time zone is used",
    "stage": "where a stage begins, blank where it goes on; aeration may carry its step",
    "temperature_c": "load or gas; may be blank",
    "pressure_kpa": "absolute, unless the header says otherwise: pressure [inHg vacuum]",
    "rh_percent": "relative humidity in the chamber; may be blank",
    "eo_mg_per_l": "EO in the chamber; may be blank",
}


def _write(path: Path, text: str) -> None:
    """Write a new file; an existing one is never overwritten."""
    from eo_risk.files import refuse
    from eo_risk.workbook import workbook_of_csv

    content = text.encode("utf-8")
    if path.suffix.lower() == ".xlsx":
        content = workbook_of_csv(text)
    try:
        with path.open("xb") as handle:
            handle.write(content)
    except FileExistsError:
        raise refuse(str(path), "an existing file", "a new file", "Choose another name.") from None
    except OSError as error:
        raise refuse(str(path), error.strerror or "unwritable", "a writable place",
                     "Choose another place.") from None  # fmt: skip


def run(args: argparse.Namespace) -> int:
    """Print the template, or write it; returns the exit code."""
    from eo_risk.files import refuse

    make = {"plan": _plan, "items": _items, "lab": _lab, "site": _site, "chart": _chart}
    text, rows = make[args.kind]()
    if args.out:
        if args.out.lower().endswith(".xlsx") and args.kind not in _TABLES:
            raise refuse("--out", args.out, "a text file",
                         f"Only {', '.join(_TABLES)} are tables.")  # fmt: skip
        _write(Path(args.out), text)
        say(f"written: {args.out}")
    if args.json or not args.out:
        answer = {"kind": args.kind, "file": args.out, "text": text, "rows": rows}
        emit(args, answer, text.rstrip("\n"))
    return 0
