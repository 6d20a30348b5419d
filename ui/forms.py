"""Widgets for a block of the plan, made from the plan's own schema: no field is forgotten."""

from __future__ import annotations

from functools import cache
from typing import Any

import streamlit as st

from eo_risk.errors import Fault
from eo_risk.plan import choices
from eo_risk.plan.fields import NONE_NAMED, Block, is_unknown
from eo_risk.plan.site_entries import UnitsShown
from eo_risk.units import parse_quantity, split_number
from ui import state, words

# Free text in the plan that names an entry of a list.
_NAMED = {
    "material": choices.materials,
    "packaging": choices.packagings,
    "starting_type": choices.starting_types,
}


@cache
def kinds(model: type[Block]) -> dict[str, tuple[str, list]]:
    """Return the simple fields of a block: number, whole, choice, moment or text, with choices."""
    found: dict[str, tuple[str, list]] = {}
    for name, schema in model.model_json_schema()["properties"].items():
        variants = schema.get("anyOf", [schema])
        enums = [v["enum"] for v in variants if "enum" in v]
        types = {v.get("type") for v in variants}
        if name in _NAMED:
            found[name] = ("choice", list(_NAMED[name]()))
        elif enums:
            found[name] = ("choice", [word for word in enums[0] if word != words.UNKNOWN])
        elif "integer" in types:
            found[name] = ("whole", [])
        elif "number" in types:
            found[name] = ("number", [])
        elif any(v.get("format") == "date-time" for v in variants):
            found[name] = ("moment", [])
        elif types <= {"string", "null"}:
            found[name] = ("text", [])
    return found


def number_shown(value: Any, unit: str, units: UnitsShown) -> str:
    """Write a number of the plan in the unit shown, without the digits no person reads."""
    if value is None or isinstance(value, str):
        return value or ""
    return f"{units.shown(float(value), unit)[0]:.6g}"


def number_entered(value: Any, text: str | None, unit: str, units: UnitsShown) -> Any:
    """Return what the plan keeps: the old value where its text stands, else what was entered.

    A plain number is in the unit shown; text with a unit of its own is left for the plan to
    read, which knows the ambient pressure, and to refuse where it cannot.
    """
    text = (text or "").strip()
    if not text:
        return None
    if text == number_shown(value, unit, units):
        return value
    try:
        number, rest = split_number(text)
    except ValueError:
        return text
    return text if rest else units.entered(number, unit)


def complaint(entered: Any, unit: str) -> str:
    """Say why text in a number field cannot be read; empty where it can."""
    if not isinstance(entered, str) or is_unknown(entered) or entered.lower() == NONE_NAMED:
        return ""
    try:
        parse_quantity(entered, unit.removesuffix(" absolute"))
    except ValueError as error:
        return f"{words.NOT_UNDERSTOOD}: {error}."
    return ""


def number(label: str, value: Any, key: str, unit: str, placeholder: str = words.UNKNOWN) -> Any:
    """Draw a number as text that may carry its unit, and under it why it cannot be read.

    A number that is not touched comes back as it was, whatever the unit shown rounds.
    """
    units = state.units()
    state.preset(key, number_shown(value, unit, units))
    text = st.text_input(label, key=key, placeholder=placeholder)
    entered = number_entered(value, text, unit, units)
    if said := complaint(entered, unit):
        st.error(words.plain(said))
    return entered


def _whole(label: str, value: Any, key: str) -> int | None:
    """Draw a whole number that can be emptied: a default would come back where it is cleared."""
    state.preset(key, None if value is None else int(value))
    return st.number_input(label, value=None, step=1, key=key, format="%d",
                           placeholder=words.UNKNOWN)  # fmt: skip


def _choice(label: str, options: list, value: Any, key: str) -> Any:
    offered = [None, *options]
    if value not in offered:
        offered.append(value)
    return st.selectbox(label, offered, index=offered.index(value), format_func=words.choice,
                        key=key)  # fmt: skip


def _widget(field: str, kind: str, options: list, value: Any, key: str) -> Any:
    label = words.label(field, state.units())
    if kind == "choice":
        return _choice(label, options, value or None, key)
    if kind == "whole":
        return _whole(label, value, key)
    if kind == "number":
        return number(label, value, key, words.unit_of(field))
    help_text = words.TIME_HELP if kind == "moment" else words.FREE_TEXT_HELP
    text = st.text_input(label, value=value or "", help=help_text, key=key,
                         placeholder=words.UNKNOWN)  # fmt: skip
    return (text or None) if kind == "moment" else text


def block(model: type[Block], raw: dict, key: str, *, columns: int = 3, skip: tuple = ()) -> dict:
    """Draw the simple fields of one block and return it with the values as entered.

    Parameters
    ----------
    model : type of Block
        The block of the plan.
    raw : dict
        Its values now; blocks within it are kept.
    key : str
        Prefix of the widget keys.
    columns : int
        Fields beside each other.
    skip : tuple of str
        Fields that are not drawn.
    """
    entered = dict(raw)
    fields = [(name, *kind) for name, kind in kinds(model).items() if name not in skip]
    for index, (name, kind, options) in enumerate(fields):
        if index % columns == 0:  # row by row, so that a narrow screen keeps the order
            places = st.columns(columns)
        value = raw.get(name)
        value = None if value == words.UNKNOWN else value
        with places[index % columns]:
            entered[name] = _widget(name, kind, options, value, f"{key}-{name}")
    return entered


def _named(where: str) -> str:
    """Name a place in the plan as the screens do, beside its path."""
    field = where.rpartition(".")[2]
    of_plan = field.isidentifier() and field.islower()
    return f"{words.plain(words.label(field))} `{where}`" if of_plan else f"`{where}`"


def show_faults(faults: tuple[Fault, ...], where: str = "") -> None:
    """Show every fault with its path, what is allowed and what to do."""
    if faults:
        lines = "\n".join(f"- {_named(f.where)}: {words.plain(f.said)}" for f in faults)
        st.error(f"{where or words.FAULTS}\n\n{lines}")


def take(candidate: dict) -> None:
    """Take a changed plan and draw the page afresh, or show its faults."""
    faults = state.offer(candidate)
    show_faults(faults)
    if not faults:
        st.rerun()
