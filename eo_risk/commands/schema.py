"""Command `schema`: the JSON Schema of the plan, the site file and every answer."""

from __future__ import annotations

import argparse

from eo_risk.commands.printing import add_json_flag, emit


def register(subparsers) -> None:
    """Add the command to the parser."""
    parser = subparsers.add_parser(
        "schema", help="print the JSON Schema of the plan or of a command's answer"
    )
    parser.add_argument("name", help="plan, site, errors, or a command")
    add_json_flag(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Print the schema; returns the exit code."""
    import json

    from eo_risk.commands.schemas import ANSWERS, INPUTS, schema_of
    from eo_risk.errors import InputError, unknown_name

    known = [*INPUTS, *ANSWERS]
    if args.name not in known:
        raise InputError([unknown_name("NAME", args.name, known, "Use one of these.")])
    answer = schema_of(args.name)
    emit(args, answer, json.dumps(answer, ensure_ascii=False, indent=1))
    return 0
