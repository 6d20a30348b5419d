"""What is asked of a table of results, and which of its rows take part."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

from eo_risk.errors import NOTHING, Fault, InputError, unknown_name
from eo_risk.measured.device_amounts import DeviceAmount
from eo_risk.measured.results_table import SUBSTANCES, LabRow
from eo_risk.units import convert

MODELS = ("both", "pooled", "lots")
# What must be one and the same for results to be put together.
CONDITIONS = ("device", "state", "packaging", "extraction", "aeration_temperature_c")
_MOST_OFFERED = 3  # choices written out in a message
CHOOSABLE = (*CONDITIONS, "lot", "sterilisation_lot", "group", "aeration_h", "date", "report")


@dataclass(frozen=True)
class LabOptions:
    """What is asked of a table of results.

    A limit is given per device or, in `per_area_ug_cm2` by its substance, per contact area;
    `resolved` turns the latter into the former.
    """

    limit_mg: float | None = None
    substance: str = "EO"
    confidence: float = 0.95
    model: Literal["both", "pooled", "lots"] = "both"
    device_mass_g: float | None = None
    area_cm2: float | None = None
    only: Mapping[str, str] = field(default_factory=dict)
    from_h: float = 0.0
    also_mg: Mapping[str, float] = field(default_factory=dict)
    per_area_ug_cm2: Mapping[str, float] = field(default_factory=dict)
    margin_h: float | None = None
    reference_group: str | None = None

    @property
    def limits_mg(self) -> dict[str, float]:
        """Limit (for EG the reference) of every substance asked about. [mg per device]"""
        asked = {} if self.limit_mg is None else {self.substance: self.limit_mg}
        return {**asked, **self.also_mg}

    @property
    def asked(self) -> list[str]:
        """Substances with a limit, the one that answers first."""
        return sorted({**self.limits_mg, **self.per_area_ug_cm2}, key=lambda s: s != self.substance)

    def _limit_faults(self) -> list[Fault]:
        found = []
        given = [(name, value, "mg") for name, value in self.limits_mg.items()]
        given += [(name, value, "ug/cm2") for name, value in self.per_area_ug_cm2.items()]
        for name, value, unit in given:
            if name not in SUBSTANCES:
                found.append(unknown_name("substance", name, SUBSTANCES, "Use one of these."))
            if not 0.0 < value < math.inf:
                found.append(Fault(f"limit of {name}", f"{value:g}", unit, f"more than 0 {unit}",
                                   "Correct this limit."))  # fmt: skip
        if self.limit_mg is not None and self.substance in self.also_mg:
            found.append(Fault(f"limit of {self.substance}", f"{self.limit_mg:g} and "
                               f"{self.also_mg[self.substance]:g}", "mg", "one limit",
                               "Give the one that allows less."))  # fmt: skip
        if twice := sorted(self.limits_mg.keys() & self.per_area_ug_cm2.keys()):
            found.append(Fault(f"limit of {twice[0]}", "one in mg and one in ug/cm2", "", "one of "
                               "them", "Give the one that allows less."))  # fmt: skip
        elif self.substance not in self.asked:
            found.append(Fault(f"limit of {self.substance}", NOTHING, "", "a limit per device "
                               "(--limit-mg) or per contact area (--limit-ug-per-cm2)",
                               "Give one."))  # fmt: skip
        return found

    def resolved(self, amounts: Sequence[DeviceAmount]) -> LabOptions:
        """Return the options with every limit per device, by the area of the devices tested.

        Raises
        ------
        InputError
            When a limit per contact area meets results without an area, or with several.
        """
        limits, faults = self.limits_mg, []
        for name, value in self.per_area_ug_cm2.items():
            areas = {a.row.area_cm2 for a in amounts if a.row.substance == name}
            if len(areas) == 1 and None not in areas:
                limits[name] = convert(value * areas.pop(), "ug", "mg")
                continue
            given = "no area" if None in areas or not areas else ", ".join(
                f"{area:g} cm2" for area in sorted(areas))  # fmt: skip
            faults.append(Fault(f"limit of {name}", f"{value:g} ug/cm2 with {given}", "",
                                "one contact area for the devices tested",
                                "Give the contact area (--area-cm2, or column area_cm2): a limit "
                                "in ug/cm2 is none in mg per device."))  # fmt: skip
        if faults:
            raise InputError(faults)
        also = {name: value for name, value in limits.items() if name != self.substance}
        return replace(self, limit_mg=limits[self.substance], also_mg=also)

    def check(self) -> None:
        """Raise InputError with every fault of the options."""
        faults = self._limit_faults()
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
