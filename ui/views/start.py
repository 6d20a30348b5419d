"""A new load from the site file: cycle, aeration, start, and items by name or from a list."""

from __future__ import annotations

from datetime import date, datetime, time

import streamlit as st

from eo_risk.errors import NOTHING, EoRiskError, Fault
from eo_risk.plan.site import named_plan
from eo_risk.plan.tables import ItemsTable, table_from_bytes
from ui import forms, pick, show, state, words


def _start(day: date | None, clock: time | None) -> str | None:
    """Put day and time together; without the site's time zone, in the offset of this computer."""
    if day is None or clock is None:
        return None
    moment = datetime.combine(day, clock)
    rules = state.site().rules
    return (moment if rules and rules.time_zone else moment.astimezone()).isoformat()


def _listed(file) -> ItemsTable:
    if file is None:
        return ItemsTable((), "")
    table = table_from_bytes(file.getvalue(), file.name)
    state.say(words.plain(f"{words.UNDERSTOOD}: {table.understood}"))
    return table


def _make(
    cycle: str, aeration: str, named: list[dict], table: ItemsTable, holds_other_load: str | None,
    **others: str | None,
) -> None:  # fmt: skip
    """Make the load of the items by name and those of the list; show every fault."""
    items = pick.with_own_names([*named, *table.items], ())
    raw = named_plan(items, cycle, aeration, state.site(), **others)
    faults = table.with_own(state.offer(raw, usable=not table.faults), len(named))
    forms.show_faults(faults)
    if not faults:
        _say_other_load(holds_other_load)
        st.switch_page("views/load.py")


def _say_other_load(holds_other_load: str | None) -> None:
    """Write into the steps of the new load whether another load is in their aerator."""
    raw = state.raw()
    for step in raw["aeration"]:
        if holds_other_load and step.get("place") != "room":
            step["holds_other_load"] = holds_other_load
    state.offer(raw)


def _form() -> None:
    site = state.site()
    with st.form("new_load"):
        number, day, clock = st.columns(3)
        load = number.text_input(words.label("load_number"), help=words.FREE_TEXT_HELP)
        on = day.date_input(words.START_DAY, value="today")
        at = clock.time_input(words.START_TIME, value=None, step=300)
        first, second, third = st.columns(3)
        cycle = first.selectbox(words.CYCLE_NAME, site.names("cycle"))
        aeration = second.selectbox(words.AERATION_NAME, site.names("aeration"))
        other = third.selectbox(words.label("holds_other_load"), ["yes", "no"], index=None,
                                placeholder=words.AS_THE_SITE_SAYS, key="new-other")  # fmt: skip
        named = pick.draw("new")
        file = st.file_uploader(words.IMPORT_ITEMS, type=["csv", "tsv", "txt", "xlsx"],
                                key="new-list")  # fmt: skip
        sent = st.form_submit_button(words.MAKE_LOAD, type="primary")
    if not sent:
        return
    try:
        table = _listed(file)
    except EoRiskError as error:
        show.refused(error)
        return
    if not named and not table.items:
        forms.show_faults((Fault(words.ITEMS, NOTHING, "", "one item or more",
                                 "Choose devices or types, or give a list."),))  # fmt: skip
        return
    _make(cycle, aeration, named, table, other,
          cycle_start=_start(on, at), load_number=load or None)  # fmt: skip


st.title(words.NEW_LOAD)
if state.site().cycle and state.site().aeration:
    _form()
else:
    st.info(words.NO_SITE_CYCLES)
