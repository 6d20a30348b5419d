"""One value for every item that leaves a field unknown; what was entered is never touched."""

from __future__ import annotations

import copy
from typing import Any

import streamlit as st

from ui import forms, items_table, paths, state, words

_NEVER = ("name", "quantity", "starting_type", "needed_by")


def filled(items: list[dict], path: str, value: Any) -> tuple[list[dict], int]:
    """Write a value where a field is unknown.

    Parameters
    ----------
    items : list of dict
        Raw items; they are not written into.
    path : str
        A column of the items table; an item without such a part or lumen is left as it is.
    value : object
        What to write.

    Returns
    -------
    list of dict
        The items with the value.
    int
        How many were filled.
    """
    changed, count = copy.deepcopy(items), 0
    listed = path.partition("[")[0] if "[" in path else ""
    for item in changed:
        there = not listed or bool(item.get(listed))
        if there and paths.get(item, path) in (None, ""):
            paths.put(item, path, value)
            count += 1
    return changed, count


def _value(path: str) -> Any:
    """Draw the widget of a value; returns it in the unit of the field."""
    options = items_table.choices_of(path)
    if options is not None:
        return st.selectbox(words.VALUE, options, index=None, key=f"fill-{path}",
                            format_func=words.choice)  # fmt: skip
    units, unit = state.units(), items_table.unit_of(path)
    entered = st.number_input(words.VALUE, value=None, min_value=0.0, format="%g",
                              key=f"fill-{path}")  # fmt: skip
    return forms.number_entered(None, entered, unit, units)


def draw() -> list[dict] | None:
    """Draw the choice of field and value; returns the filled items once it is asked for."""
    units = state.units()
    titles = {p: words.in_units(t, units) for p, t in words.COLUMNS.items() if p not in _NEVER}
    path = st.selectbox(words.FILL_FIELD, list(titles), key="fill-field",
                        format_func=titles.__getitem__)  # fmt: skip
    value = _value(path)
    if not st.button(words.FILL, disabled=value is None):
        return None
    items, count = filled(state.raw()["items"], path, value)
    st.toast(f"{count} {words.FILLED}")
    return items
