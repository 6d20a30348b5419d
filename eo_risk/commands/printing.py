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


def points(samples, unit: str, names: Sequence[str] = ("p05", "p50", "p95")) -> dict:
    """Return quantiles by name; None for one that is never reached."""
    import numpy as np

    from eo_risk.units import from_si

    level = {"p05": 0.05, "p50": 0.5, "p95": 0.95}
    # "higher" never mixes a number with an infinite neighbour.
    method = "linear" if np.all(np.isfinite(samples)) else "higher"
    values = np.quantile(samples, [level[name] for name in names], method=method)
    return {
        name: float(from_si(value, unit)) if np.isfinite(value) else None
        for name, value in zip(names, values, strict=True)
    }


def minutes_words(minutes: dict) -> str:
    """Say the minutes of air to a target, of half the samples and of 95 %."""
    return ", ".join(
        f"{level} %: {'not this way' if found is None else significant(found) + ' min'}"
        for level, found in (("50", minutes["p50"]), ("95", minutes["p95"]))
    )


def assumed_of(inputs) -> list[dict]:
    """Return what was assumed for what nobody told."""
    return [
        {"field": a.field, "low": a.low, "high": a.high, "unit": a.unit}
        for a in inputs.assumed.values()
    ]


def assumed_lines(rows: Iterable[dict]) -> list[str]:
    """Say what was assumed for what nobody told as every answer does, one line each."""
    from eo_risk.output.wording import assumed_line

    return [assumed_line({"note": "", **row}) for row in rows]


def caution_lines(cautions: Iterable[dict]) -> list[str]:
    """Say the cautions as every answer does, with what to do, one line each."""
    from eo_risk.output.shown import text_in
    from eo_risk.output.wording import caution_line
    from eo_risk.plan.site_entries import UnitsShown

    return [text_in(caution_line(caution), UnitsShown()) for caution in cautions]


def columns(rows: Sequence[Sequence[str]], header: Sequence[str]) -> str:
    """Lay out rows of text under a header, each column as wide as its widest cell."""
    table = [list(header), *[list(map(str, row)) for row in rows]]
    widths = [max(len(row[i]) for row in table) for i in range(len(header))]
    lines = ["  ".join(c.ljust(w) for c, w in zip(row, widths, strict=True)) for row in table]
    lines.insert(1, "  ".join("-" * w for w in widths))
    return "\n".join(line.rstrip() for line in lines)
