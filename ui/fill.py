"""Values for every item that leaves a field unknown; what was entered is never touched."""

from __future__ import annotations

import copy
from collections.abc import Mapping
from typing import Any

import streamlit as st

from ui import forms, items_table, paths, state, words

# What every item has of its own; a size for all would replace the ranges of starting types.
_ITS_OWN = (
    "name", "quantity", "starting_type", "needed_by", "parts[0].material", "parts[0].mass_g",
    "parts[0].thickness_mm", "parts[0].wall_mm", "parts[0].outer_diameter_mm",
    "lumens[0].bore_mm", "lumens[0].length_mm",
)  # fmt: skip


def filled(items: list[dict], values: Mapping[str, Any]) -> tuple[list[dict], int]:
    """Write values where fields are unknown.

    Parameters
    ----------
    items : list of dict
        Raw items; they are not written into.
    values : mapping
        What to write, by column of the items table; an item without such a part or lumen is
        left as it is.

    Returns
    -------
    list of dict
        The items with the values.
    int
        How many cells were filled.
    """
    changed, count = copy.deepcopy(items), 0
    for item in changed:
        there = {path: "[" not in path or bool(item.get(path.partition("[")[0]))
                 for path in values}  # fmt: skip
        for path, value in values.items():
            if there[path] and paths.get(item, path) in (None, ""):
                paths.put(item, path, value)
                count += 1
    return changed, count


def _value(path: str, key: str) -> Any:
    """Draw the widget of a column; returns what was entered as a plan takes it."""
    units, options = state.units(), items_table.choices_of(path)
    title = words.in_units(words.COLUMNS[path], units)
    if options is not None:
        return st.selectbox(title, options, index=None, key=f"{key}-{path}",
                            format_func=words.choice, placeholder=words.UNCHANGED)  # fmt: skip
    unit = items_table.unit_of(path)
    return forms.number(title, None, f"{key}-{path}", unit, words.UNCHANGED)


def draw(key: str) -> list[dict] | None:
    """Draw a value for each column; returns the filled items once it is asked for."""
    asked: dict[str, Any] = {}
    with st.form(key):
        columns = [path for path in words.COLUMNS if path not in _ITS_OWN]
        for start in range(0, len(columns), 3):  # row by row, as on a narrow screen
            for place, path in zip(st.columns(3), columns[start : start + 3], strict=False):
                with place:
                    asked[path] = _value(path, key)
        sent = st.form_submit_button(words.FILL)
    if not sent:
        return None
    values = {path: value for path, value in asked.items() if value is not None}
    if any(forms.complaint(values[path], items_table.unit_of(path))
           for path in filter(items_table.is_number, values)):  # fmt: skip
        return None  # said at the field, once and not for every item
    items, count = filled(state.raw()["items"], values)
    state.say(f"{count} {words.FILLED}")
    return items
