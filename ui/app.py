"""The frame of the screens: navigation, the plan in hand, opening and saving it."""

from __future__ import annotations

import sys
from pathlib import Path

import streamlit as st

ROOT = Path(__file__).resolve().parent.parent
if str(ROOT) not in sys.path:  # Streamlit starts this file by its path
    sys.path.insert(0, str(ROOT))

from eo_risk.output.numbers import known, moment_text  # noqa: E402
from ui import lab_words, site_choice, state, words  # noqa: E402


def _open_and_save() -> None:
    """Draw the part of the sidebar that opens and saves plans."""
    demo = st.selectbox(words.OPEN_DEMO, state.demo_names(), format_func=words.choice)
    if st.button(words.OPEN):
        state.keep_faults(state.open_demo(demo))
        st.rerun()
    file = st.file_uploader(words.OPEN_PLAN, type="json", key="plan_file")
    if file is not None and st.button(words.OPEN_FILE):
        state.keep_faults(state.open_file(file.getvalue(), file.name))
        st.rerun()
    plan = state.plan()
    st.download_button(words.SAVE_PLAN, state.plan_text(), state.file_name(plan, "json"),
                       "application/json", on_click="ignore", key="save_plan")  # fmt: skip
    st.caption(words.SAVE_HELP)


def _sidebar() -> None:
    plan = state.plan()
    with st.sidebar:
        st.markdown(f"**{words.LOAD_IN_HAND}**")
        st.text(f"{words.label('load_number')}: {known(plan.load_number)}\n"
                f"{words.label('steriliser')}: {known(plan.steriliser)}\n"
                f"{words.label('cycle_start')}: {moment_text(plan.cycle_start)}\n"
                f"{words.ITEMS}: {len(plan.items)}")  # fmt: skip
        site_choice.draw()
        _open_and_save()


st.set_page_config(page_title=words.TITLE, layout="wide")
state.start()
page = st.navigation(
    [
        st.Page("views/start.py", title=words.NEW_LOAD, default=state.opens_with_new_load()),
        st.Page("views/load.py", title=words.LOAD, default=not state.opens_with_new_load()),
        st.Page("views/cycle.py", title=words.CYCLE),
        st.Page("views/result.py", title=words.RESULT),
        st.Page("views/laboratory.py", title=lab_words.LABORATORY),
    ]
)
for line in state.take_said():
    st.toast(line)
site_choice.show_refused()
page.run()
_sidebar()  # shows and saves the plan as the page has just changed it
