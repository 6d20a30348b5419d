"""A plan as it ran: the chart laid over it, and what differs."""

from __future__ import annotations

import json

import streamlit as st

from eo_risk.errors import EoRiskError
from eo_risk.output.numbers import known
from eo_risk.plan.as_run import Difference, as_run, measured_from_bytes
from eo_risk.plan.load_plan import plan_json
from ui import forms, show, state, words


def _lay_over(content: bytes, name: str) -> None:
    plan = state.plan()
    try:
        measured = measured_from_bytes(plan, content, name)
        run, differences = as_run(plan, measured)
    except EoRiskError as error:
        show.refused(error, words.RUN_FAULTS)
        return
    faults = state.offer(json.loads(plan_json(run)))
    if faults:
        forms.show_faults(faults)
        return
    state.keep_differences(differences)
    state.say(words.plain(measured.note))
    st.rerun()


def _cells(difference: Difference) -> list[str]:
    values = (difference.planned, difference.as_run)
    return [difference.field, *map(known, values), difference.note]


def draw() -> None:
    """Draw the import of a chart or of measured values, and the differences it found."""
    st.caption(words.RUN_HELP)
    file = st.file_uploader(words.RUN_FILE, type=["csv", "tsv", "txt", "xlsx", "json"],
                            key="run_file")  # fmt: skip
    if file is not None and st.button(words.LAY_OVER):
        _lay_over(file.getvalue(), file.name)
    found = state.differences()
    if found:
        show.rows(words.DIFFERENCE_HEADER, [_cells(d) for d in found], words.DIFFERENCES)
