"""The calls into the library for laboratory results, kept for what was asked before."""

from __future__ import annotations

import json
from datetime import datetime

import streamlit as st

from eo_risk.measured.lab import lab_answer
from eo_risk.measured.lab_options import LabOptions
from eo_risk.measured.layer_fit.answer import PhysicsRequest
from eo_risk.measured.results_table import LabTable, results_from_bytes
from eo_risk.output.lab_sheet import lab_sheet_html
from ui import lab_words


@st.cache_data(max_entries=32, show_spinner=False)
def table(content: bytes, name: str) -> LabTable:
    """Read a table of results; raises InputError with every fault."""
    return results_from_bytes(content, name)


@st.cache_data(max_entries=64, show_spinner=lab_words.WORKING)
def answer(
    content: bytes, name: str, options: LabOptions, physics: PhysicsRequest | None,
    item_text: str | None,
) -> str:  # fmt: skip
    """Answer a table as asked, beside an item of a check; returns JSON text."""
    predicted = None if item_text is None else json.loads(item_text)
    found = lab_answer(table(content, name), options, predicted=predicted, physics=physics)
    return json.dumps(found, allow_nan=False, ensure_ascii=False, indent=1)


@st.cache_data(max_entries=64, show_spinner=False)
def sheet(answer_text: str, created: datetime) -> str:
    """Write the release-time sheet of an answer."""
    return lab_sheet_html(json.loads(answer_text), created)
