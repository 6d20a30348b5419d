"""Faults a user can act on: where, what was given, what is allowed, what to do."""

from __future__ import annotations

import difflib
from collections.abc import Iterable
from dataclasses import asdict, dataclass


@dataclass(frozen=True)
class Fault:
    """One fault of an input, ready to print."""

    where: str
    given: str
    unit: str
    allowed: str
    do: str

    def __str__(self) -> str:
        given = f"{self.given} {self.unit}".strip()
        return f"{self.where}: {given} is not allowed; allowed: {self.allowed}. {self.do}"

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
    """Return the allowed names closest to `name`, as text for an error message."""
    choices = sorted(choices)
    close = difflib.get_close_matches(str(name), choices, n=count, cutoff=0.4)
    if close:
        return "closest: " + ", ".join(close)
    return "one of: " + ", ".join(choices)


def unknown_name(where: str, given: str, choices: Iterable[str], do: str) -> Fault:
    """Build the fault for a name that is not in the list of allowed names."""
    return Fault(where, repr(str(given)), "", nearest(given, choices), do)
