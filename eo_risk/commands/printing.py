"""How every command prints: JSON or text on stdout, messages on stderr."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Sequence


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
    """Format a number to a few significant figures without an exponent where legible."""
    if number is None:
        return "-"
    if number == 0:
        return "0"
    text = f"{number:.{digits}g}"
    if "e" in text and 1e-4 <= abs(number) < 1e7:
        text = f"{float(text):.10f}".rstrip("0").rstrip(".")
    return text


def band(p05: float, p50: float, p95: float, unit: str) -> str:
    """Format a median with its 5 to 95 % band and unit."""
    return f"{significant(p50)} {unit} ({significant(p05)} to {significant(p95)})"


def columns(rows: Sequence[Sequence[str]], header: Sequence[str]) -> str:
    """Lay out rows of text under a header, each column as wide as its widest cell."""
    table = [list(header), *[list(map(str, row)) for row in rows]]
    widths = [max(len(row[i]) for row in table) for i in range(len(header))]
    lines = ["  ".join(c.ljust(w) for c, w in zip(row, widths, strict=True)) for row in table]
    lines.insert(1, "  ".join("-" * w for w in widths))
    return "\n".join(line.rstrip() for line in lines)
