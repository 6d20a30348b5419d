"""How every command prints: JSON or text on stdout, messages on stderr."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Iterable, Sequence

from eo_risk.output import numbers


def add_json_flag(parser: argparse.ArgumentParser) -> None:
    """Give a command the flag every command has."""
    parser.add_argument("--json", action="store_true", help="print the answer as JSON")


def emit(args: argparse.Namespace, answer: dict, text: str) -> None:
    """Print the answer as JSON or as text; NaN and infinity are refused in JSON."""
    if args.json:
        print(json.dumps(answer, allow_nan=False, ensure_ascii=False, indent=1))
    else:
        print(text)


def say(message: str) -> None:
    """Print a message for the person at the terminal, away from the answer."""
    print(message, file=sys.stderr)


def significant(number: float | None, digits: int = 3) -> str:
    """Write a number as every answer does; a cell without a number is a dash."""
    return "-" if number is None else numbers.significant(number, digits)


def band(p05: float, p50: float, p95: float, unit: str) -> str:
    """Write a median with its 5 to 95 % band and unit as every answer does."""
    return numbers.band_text({"p05": p05, "p50": p50, "p95": p95}, unit)


def assumed_lines(rows: Iterable[dict]) -> list[str]:
    """Say what was assumed for what nobody told, one line each."""
    return [
        f"assumed {row['field']}: {significant(row['low'])} to {significant(row['high'])} "
        f"{numbers.shown_unit(row['unit'])}"
        for row in rows
    ]


def caution_lines(cautions: Iterable[dict]) -> list[str]:
    """Say the cautions as every answer does, with what to do, one line each."""
    from eo_risk.output.shown import text_in
    from eo_risk.output.wording import LEVEL, caution_text
    from eo_risk.plan.site_entries import UnitsShown

    return [f"{LEVEL[c['level']]}: {text_in(caution_text(c), UnitsShown())}" for c in cautions]


def columns(rows: Sequence[Sequence[str]], header: Sequence[str]) -> str:
    """Lay out rows of text under a header, each column as wide as its widest cell."""
    table = [list(header), *[list(map(str, row)) for row in rows]]
    widths = [max(len(row[i]) for row in table) for i in range(len(header))]
    lines = ["  ".join(c.ljust(w) for c, w in zip(row, widths, strict=True)) for row in table]
    lines.insert(1, "  ".join("-" * w for w in widths))
    return "\n".join(line.rstrip() for line in lines)
