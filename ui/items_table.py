"""The items of a plan as a table and back; what the table does not show is kept."""

from __future__ import annotations

import copy
from typing import Any

import pandas as pd

from eo_risk.plan.load_plan import (
    DryingStep,
    ExternalWater,
    Item,
    Lumen,
    Part,
    PatientContact,
)
from eo_risk.plan.site_entries import UnitsShown
from ui import paths, words
from ui.forms import kinds, number_entered, number_shown

ROW = "row"  # which item of the plan a row shows; empty in a row that was added
ALSO = "also"  # what an item has beyond the one part, lumen and drying step of its row
NEW_NAMES = {"parts": "body", "lumens": "lumen"}
_WHOLE = {"quantity"}
_TEXT = {"name", "needed_by"}
_CHOICE_BLOCK = {
    "parts[0].material": (Part, "material"),
    "lumens[0].droplets_seen": (Lumen, "droplets_seen"),
    "lumens[0].blocked": (Lumen, "blocked"),
    "lumens[0].drying[0].method": (DryingStep, "method"),
    "external_water.state": (ExternalWater, "state"),
    "patient.duration": (PatientContact, "duration"),
    "instructions.eo_allowed": (Item, "droplets_seen"),
    **{name: (Item, name) for name in
       ("starting_type", "droplets_seen", "packaging", "rinse_water", "lubricant")},
}  # fmt: skip


def choices_of(path: str) -> list[str] | None:
    """Return the words a column takes; None for a column of numbers or text."""
    if path == "instructions.eo_allowed":
        return ["yes", "no"]
    if path not in _CHOICE_BLOCK:
        return None
    model, name = _CHOICE_BLOCK[path]
    return kinds(model)[name][1]


def is_whole(path: str) -> bool:
    """Tell whether a column holds whole numbers."""
    return path in _WHOLE


def is_number(path: str) -> bool:
    """Tell whether a column holds numbers, which may be typed with their unit."""
    return path not in _TEXT | _WHOLE and choices_of(path) is None


def unit_of(path: str) -> str:
    """Return the unit of the field a column shows."""
    return words.unit_of(path.rpartition(".")[2])


def also(item: dict) -> str:
    """Say what an item has that its row does not show; empty where the row shows it all."""
    lumens = item.get("lumens") or []
    more = (
        (len(item.get("parts") or []) - 1, words.PART),
        (len(lumens) - 1, words.LUMEN),
        (sum(len(lumen.get("drying") or []) for lumen in lumens)
         - bool(paths.get(item, "lumens[0].drying")), words.DRYING),
    )  # fmt: skip
    return ", ".join(f"+{count} {what.lower()}{'s' * (count > 1)}"
                     for count, what in more if count > 0)  # fmt: skip


def frame_of(items: list[dict], units: UnitsShown) -> pd.DataFrame:
    """Lay the items out as a table, one row each, an unknown as an empty cell."""
    columns: dict[str, pd.Series] = {
        ROW: pd.Series(range(len(items)), dtype="Float64"),
    }
    for path in words.COLUMNS:
        values = [paths.get(item, path) for item in items]
        if is_whole(path):
            columns[path] = pd.Series(values, dtype="Int64")
            continue
        if is_number(path):
            values = [number_shown(value, unit_of(path), units) for value in values]
        columns[path] = pd.Series([value or None for value in values], dtype="object")
        if path == "name" and any(map(also, items)):
            columns[ALSO] = pd.Series(list(map(also, items)), dtype="object")
    return pd.DataFrame(columns)


def _plain(path: str, cell: Any) -> Any:
    if cell is None or (not isinstance(cell, str) and pd.isna(cell)) or cell == "":
        return None
    return int(cell) if is_whole(path) else str(cell)


def _write(item: dict, path: str, value: Any) -> None:
    blank = "" if value is None and path in ("packaging", "starting_type") else value
    paths.put(item, path, blank, NEW_NAMES)


def items_of(base: list[dict], edited: pd.DataFrame, units: UnitsShown) -> list[dict]:
    """Turn an edited table back into items.

    Parameters
    ----------
    base : list of dict
        The raw items the table was drawn from.
    edited : DataFrame
        The table as edited: rows removed, added, cells changed.
    units : UnitsShown
        The units the table is drawn in.

    Returns
    -------
    list of dict
        Items with only the changed cells written; an added row makes a new item, a row
        without any entry is left out.
    """
    items = []
    for _, row in edited.iterrows():
        number = row[ROW]
        known = not pd.isna(number)
        item = copy.deepcopy(base[int(number)]) if known else {"parts": [], "name": ""}
        changed = False
        for path in words.COLUMNS:
            before, value = paths.get(item, path), _plain(path, row[path])
            if is_number(path):
                value = number_entered(before, value, unit_of(path), units)
            if value != (None if before == "" else before):
                _write(item, path, value)
                changed = True
        if known or changed:
            items.append(item)
    return items
