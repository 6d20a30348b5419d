"""Faults a user can act on: where, what was given, what is allowed, what to do."""

from __future__ import annotations

import difflib
from collections.abc import Iterable
from dataclasses import asdict, dataclass

NOTHING = "nothing"  # what was given where a value is missing
SHORT_LIST = 12  # so many names are read faster than a guess at one is doubted


def said_with(given: str, unit: str) -> str:
    """Write what was given with the unit it was read in; text that is no number has its own."""
    try:
        float(given)
    except ValueError:
        return given
    return f"{given} {unit}".strip()


@dataclass(frozen=True)
class Fault:
    """One fault of an input, ready to print."""

    where: str
    given: str
    unit: str
    allowed: str
    do: str

    @property
    def said(self) -> str:
        """What was given, what is allowed and what to do, without the place."""
        if self.given == NOTHING:
            return f"nothing is given; needed: {self.allowed}. {self.do}"
        given = said_with(self.given, self.unit)
        return f"{given} is not allowed; allowed: {self.allowed}. {self.do}"

    def __str__(self) -> str:
        return f"{self.where}: {self.said}"

    def as_dict(self) -> dict[str, str]:
        return asdict(self)


class EoRiskError(Exception):
    """Base of every error this package raises on purpose."""


class InputError(EoRiskError):
    """An input cannot be used; carries every fault found, not only the first."""

    def __init__(self, faults: Iterable[Fault]):
        self.faults = tuple(faults)
        super().__init__("\n".join(str(fault) for fault in self.faults))


class MissingDataError(EoRiskError):
    """A number is needed that no record holds."""


class OutOfRangeError(EoRiskError):
    """A value lies outside the range of validity of a record or formula."""


class MissingExtraError(EoRiskError):
    """An optional package is needed; the message names the extra to install."""


def nearest(name: str, choices: Iterable[str], count: int = 3) -> str:
    """Say which names are allowed: a short list whole, of a long one the closest to `name`."""
    choices = [f'"{choice}"' if "," in choice else choice for choice in choices]
    if not choices:
        return "none"
    if len(choices) <= SHORT_LIST:
        return "one of: " + ", ".join(choices)
    by_lower = {choice.lower(): choice for choice in sorted(choices, reverse=True)}
    close = difflib.get_close_matches(str(name).lower(), by_lower, n=count, cutoff=0.0)
    return "closest: " + ", ".join(by_lower[match] for match in close)


def unknown_name(where: str, given: str, choices: Iterable[str], do: str) -> Fault:
    """Build the fault for a name that is not in the list of allowed names."""
    return Fault(where, repr(str(given)), "", nearest(given, choices), do)
