"""What is asked of a table of results, and which of its rows take part."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

from eo_risk.errors import Fault, InputError, unknown_name
from eo_risk.measured.device_amounts import DeviceAmount
from eo_risk.measured.results_table import SUBSTANCES, LabRow

MODELS = ("both", "pooled", "lots")
# What must be one and the same for results to be put together.
CONDITIONS = ("device", "state", "packaging", "extraction", "aeration_temperature_c")
_MOST_OFFERED = 3  # choices written out in a message
CHOOSABLE = (*CONDITIONS, "lot", "sterilisation_lot", "group", "aeration_h", "date", "report")


@dataclass(frozen=True)
class LabOptions:
    """What is asked of a table of results."""

    limit_mg: float
    substance: str = "EO"
    confidence: float = 0.95
    model: Literal["both", "pooled", "lots"] = "both"
    device_mass_g: float | None = None
    area_cm2: float | None = None
    only: Mapping[str, str] = field(default_factory=dict)
    from_h: float = 0.0
    also_mg: Mapping[str, float] = field(default_factory=dict)
    margin_h: float | None = None
    reference_group: str | None = None

    @property
    def limits_mg(self) -> dict[str, float]:
        """Limit (for EG the reference) of every substance asked about. [mg per device]"""
        return {self.substance: self.limit_mg, **self.also_mg}

    def check(self) -> None:
        """Raise InputError with every fault of the options."""
        faults = []
        for name in self.limits_mg:
            if name not in SUBSTANCES:
                faults.append(unknown_name("substance", name, SUBSTANCES, "Use one of these."))
        for name, value in self.limits_mg.items():
            if not 0.0 < value < math.inf:
                faults.append(Fault(f"limit of {name}", f"{value:g}", "mg", "more than 0 mg",
                                    "Give the limit per device."))  # fmt: skip
        if not 0.5 <= self.confidence <= 0.9999:
            faults.append(Fault("confidence", f"{self.confidence:g}", "", "from 0.5 to 0.9999",
                                "0.95 is usual."))  # fmt: skip
        if self.model not in MODELS:
            faults.append(unknown_name("model", self.model, MODELS, "Use one of these."))
        for name in self.only:
            if name not in CHOOSABLE:
                faults.append(unknown_name("only", name, CHOOSABLE, "Use one of these columns."))
        if faults:
            raise InputError(faults)


def cell(row: LabRow, column: str) -> str:
    value = getattr(row, column)
    return f"{value:g}" if isinstance(value, float) else value or "unknown"


def _same(text: str, wanted: str) -> bool:
    try:
        return float(text) == float(wanted)
    except ValueError:
        return text.casefold() == wanted.casefold()


def why_not_used(row: LabRow, options: LabOptions) -> str:
    """Say why a row takes no part; empty when it does."""
    other = [f"{name} is {cell(row, name)}" for name, wanted in options.only.items()
             if not _same(cell(row, name), wanted)]  # fmt: skip
    if row.aeration_h < options.from_h:
        other.append(f"before {options.from_h:g} h")
    return "; ".join(other)


def choices_needed(rows: Sequence[LabRow]) -> dict[str, list[str]]:
    """List the conditions that differ within a group, with their values over the table."""
    found = {}
    for name in CONDITIONS:
        by_group: dict[tuple[str, str], set[str]] = {}
        for row in rows:
            by_group.setdefault((row.substance, row.group), set()).add(cell(row, name))
        if any(len(values) > 1 for values in by_group.values()):
            found[name] = sorted({cell(row, name) for row in rows})
    return found


def _typed(name: str, value: str) -> str:
    """Write the choice of one value as it is typed."""
    choice = f"{name}={value}"
    return f'--only "{choice}"' if " " in choice else f"--only {choice}"


def check_conditions(amounts: Sequence[DeviceAmount], group: str) -> None:
    """Refuse to put results of different conditions together; raises InputError."""
    faults = []
    for name in CONDITIONS:
        counts = Counter(cell(a.row, name) for a in amounts)
        if len(counts) > 1:
            where = f"column {name!r}" + (f", group {group!r}" if group else "")
            given = ", ".join(f"{value} ({count})" for value, count in counts.most_common())
            typed = [_typed(name, value) for value, _ in counts.most_common(_MOST_OFFERED)]
            todo = (f"Add {' or '.join(typed)}: the other results are then shown and not used. Or "
                    "name what differs in column group, to compare.")  # fmt: skip
            faults.append(Fault(where, given, "", "one value among results put together", todo))
    if faults:
        raise InputError(faults)
