"""Reads the numbers and words of a command's flags and collects every fault.

Flags are taken as text by the parser, so that a wrong one is answered like any other bad
input: where, what was given, what is allowed, what to do.
"""

from __future__ import annotations

import argparse
import math
from collections.abc import Sequence

from eo_risk.errors import NOTHING, Fault, InputError, unknown_name
from eo_risk.units import LEAST


class Flags:
    """The flags of one call; ``done`` raises what was collected."""

    def __init__(self, args: argparse.Namespace):
        self._args = args
        self.faults: list[Fault] = []

    def _text(self, flag: str) -> str | None:
        return getattr(self._args, flag.lstrip("-").replace("-", "_"))

    def fault(self, flag: str, unit: str, allowed: str, do: str) -> None:
        """Note a fault of a flag as it was given, or that nothing was."""
        text = self._text(flag)
        given, unit = (NOTHING, "") if text is None else (str(text), unit)
        self.faults.append(Fault(flag, given, unit, allowed, do))

    def number(
        self,
        flag: str,
        unit: str,
        low: float,
        high: float,
        *,
        above: bool = False,
        required: bool = False,
    ) -> float | None:
        """Return a number between `low` (or above it) and `high`; None when not given."""
        text = self._text(flag)
        allowed = f"{'more than' if above else 'from'} {low:g} to {high:g} {unit}".strip()
        if text is None:
            if required:
                self.faults.append(Fault(flag, NOTHING, "", allowed, "Give this number."))
            return None
        try:
            value = float(text)
        except ValueError:
            value = math.nan
        within = low + LEAST < value <= high if above else low <= value <= high
        if not math.isfinite(value) or not within:
            self.fault(flag, unit, allowed, "Correct this number.")
            return None
        return value

    def whole(self, flag: str, low: int, high: int, *, required: bool = False) -> int | None:
        """Return a whole number between `low` and `high`; None when not given."""
        value = self.number(flag, "", low, high, required=required)
        if value is not None and value != int(value):
            self.fault(flag, "", f"a whole number from {low} to {high}", "Correct this number.")
            return None
        return None if value is None else int(value)

    def word(self, flag: str, choices: Sequence[str], *, required: bool = False) -> str | None:
        """Return one of the allowed words; None when not given."""
        text = self._text(flag)
        if text is None:
            if required:
                allowed = "one of " + ", ".join(choices)
                self.faults.append(Fault(flag, NOTHING, "", allowed, "Choose one."))
            return None
        if text not in choices:
            self.faults.append(unknown_name(flag, text, choices, "Choose one of these."))
            return None
        return text

    def done(self) -> None:
        """Raise InputError with every fault found; return when there is none."""
        if self.faults:
            raise InputError(self.faults)
