"""The load's data, the cycle, the aeration steps, the room and the rules, in one form."""

from __future__ import annotations

import streamlit as st

from eo_risk.plan.load_plan import (
    AerationStep,
    Chamber,
    Cycle,
    Gas,
    LoadPlan,
    Room,
    Rules,
    Washes,
)
from ui import forms, run_import, state, words


def _aeration(steps: list[dict], key: str) -> list[dict]:
    drawn = []
    for i, step in enumerate(steps):
        st.markdown(f"**{words.STEP} {i + 1}**")
        drawn.append(forms.block(AerationStep, step, f"{key}-step{i}", columns=4))
    return drawn


def _form() -> None:
    raw = state.raw()
    key = state.form_key("cycle")
    st.caption(f"{words.NUMBERS_HELP} {words.APPLY_HELP}")
    with st.form(key):
        load, cycle, aeration, room, rules = st.tabs(words.CYCLE_TABS, key="cycle_tabs")
        with load:
            raw |= forms.block(LoadPlan, raw, f"{key}-load", skip=("schema_version",))
            raw["chamber"] = forms.block(Chamber, raw["chamber"], f"{key}-chamber")
        with cycle:
            raw["cycle"] = forms.block(Cycle, raw["cycle"], f"{key}-cycle")
            st.markdown(f"**{words.WASHES}**")
            raw["cycle"]["washes"] = forms.block(Washes, raw["cycle"]["washes"], f"{key}-washes")
            st.markdown(f"**{words.GAS}**")
            raw["cycle"]["gas"] = forms.block(Gas, raw["cycle"]["gas"], f"{key}-gas")
        with aeration:
            raw["aeration"] = _aeration(raw["aeration"], key)
        with room:
            raw["room"] = forms.block(Room, raw["room"], f"{key}-room")
        with rules:
            raw["rules"] = forms.block(Rules, raw["rules"], f"{key}-rules")
        sent = st.form_submit_button(words.APPLY)
    if sent:
        forms.take(raw)


def _steps() -> None:
    """Draw the buttons that add an aeration step or remove the last one."""
    raw = state.raw()
    add, remove = st.columns(2)
    if add.button(words.ADD_STEP):
        raw["aeration"].append({})
        forms.take(raw)
    if remove.button(words.REMOVE_STEP, disabled=len(raw["aeration"]) < 2):
        raw["aeration"].pop()
        forms.take(raw)


def _from_site() -> None:
    """Draw the names of the site file that may stand for a block of the plan."""
    site = state.site()
    titles = {"cycle": words.CYCLE_NAME, "aeration": words.AERATION_NAME, "room": words.ROOM_NAME}
    for kind, title in titles.items():
        names = site.names(kind)
        if not names:
            continue
        choice, button = st.columns([3, 1], vertical_alignment="bottom")
        chosen = choice.selectbox(title, names, key=f"site-{kind}")
        if button.button(f"{words.TAKE}: {title}", key=f"take-{kind}"):
            forms.take(state.raw() | {kind: chosen})


st.title(words.CYCLE)
if state.site().cycle or state.site().aeration or state.site().room:
    with st.expander(words.FROM_SITE):
        _from_site()
_form()
_steps()
with st.expander(words.AS_RUN, expanded=bool(state.differences())):
    run_import.draw()
