"""Columns of a table a person fills in: which field a header means, and in which unit."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from eo_risk.errors import Fault
from eo_risk.key_hints import unknown_key
from eo_risk.units import split_number, unit_named, units_like

_ENDINGS = {
    "mm": "_mm", "g": "_g", "mg": "_mg", "cm2": "_cm2", "cm": "_cm", "min": "_min", "h": "_h",
    "C": "_c", "kg": "_kg", "bar gauge": "_gauge_bar", "%": "_percent", "kPa": "_kpa",
    "mg/L": "_mg_per_l",
}  # fmt: skip


@dataclass(frozen=True)
class Column:
    """One column: its header, the field it fills, the unit of its plain numbers."""

    header: str
    path: str
    unit: str = ""
    text: bool = False

    @property
    def base(self) -> str:
        """The header without its unit, as in ``mass [oz]``."""
        return self.header.removesuffix(_ENDINGS[self.unit]) if self.unit else self.header


@dataclass(frozen=True)
class Placed:
    """A column of a file: the field's column, its own header and its own unit."""

    column: Column
    header: str
    unit: str

    def value(self, cell: str) -> float | str:
        """Return a cell as a plan takes it: a number, or text with its unit."""
        if not self.column.unit:
            return cell
        try:
            number, rest = split_number(cell)
        except ValueError:
            return cell
        if rest:
            return cell
        return number if self.unit == self.column.unit else f"{cell} {self.unit}"


def _unit_of(text: str, column: Column) -> str | None:
    """Return the unit a bracket names when it fits the column; None when it does not."""
    name, _, reading = text.strip().partition(" ")
    unit, own = unit_named(name), column.unit.partition(" ")
    if not column.unit or unit not in units_like(own[0]):
        return None
    if own[2] and reading.lower() != own[2]:
        return None
    return " ".join(filter(None, (unit, reading.lower())))


def _place(header: str, columns: Sequence[Column], hint: str) -> Placed | Fault:
    where = f"column {header!r}"
    bracket = re.fullmatch(r"\s*(.*?)\s*[\[(]\s*(.+?)\s*[\])]\s*", header)
    name = re.sub(r"[\s-]+", "_", (bracket[1] if bracket else header).strip().lower())
    by_name = {column.base: column for column in columns} | {c.header: c for c in columns}
    column = by_name.get(name)
    if column is None:
        return unknown_key(where, "an unknown column", header, [c.header for c in columns], hint)
    if not bracket:
        if name != column.header:
            return Fault(where, "a header without its unit", "", column.header,
                         "Put the unit in the header.")  # fmt: skip
        return Placed(column, header, column.unit)
    unit = _unit_of(bracket[2], column)
    if unit is None:
        plain, _, reading = column.unit.partition(" ")
        allowed = ", ".join(f"{u} {reading}".strip() for u in units_like(plain)) if plain else ""
        return Fault(where, repr(bracket[2]), "", allowed or "no unit",
                     "Correct the unit in the header.")  # fmt: skip
    return Placed(column, header, unit)


def place_headers(
    headers: Sequence[str], columns: Sequence[Column], hint: str
) -> tuple[list[Placed], list[Fault]]:
    """Find the column each header means; ``mass_g``, ``mass [oz]``, ``Mass (g)`` are one.

    Parameters
    ----------
    headers : sequence of str
        Headers as spelled in the file.
    columns : sequence of Column
        The columns there are.
    hint : str
        What to do about an unknown header.

    Returns
    -------
    list of Placed
        The columns found.
    list of Fault
        Unknown headers, units that do not fit, columns given twice.
    """
    placed: list[Placed] = []
    faults: list[Fault] = []
    for header in headers:
        found = _place(header, columns, hint)
        if isinstance(found, Fault):
            faults.append(found)
        elif found.column in [p.column for p in placed]:
            faults.append(Fault(f"column {header!r}", "a column given twice", "", "once",
                                "Remove one of them."))  # fmt: skip
        else:
            placed.append(found)
    return placed, faults
