"""One call into the library, kept for plans that were checked before."""

from __future__ import annotations

import json
from dataclasses import asdict
from datetime import datetime

import streamlit as st

from eo_risk.judgement.assess import check_plan
from eo_risk.output.answer import check_answer
from eo_risk.output.report import report_html, sheet_html
from eo_risk.plan.as_run import Difference
from eo_risk.plan.load_plan import AerationStep, parse_plan
from eo_risk.plan.site_entries import UnitsShown
from ui import words


@st.cache_data(max_entries=64, show_spinner=words.CHECKING)
def checked(plan_text: str, seed: int, samples: int, aerators: dict | None = None) -> str:
    """Check a plan given as JSON text; returns the answer as JSON text.

    `aerators` are the site's own by name, as blocks of a plan.
    """
    named = {name: AerationStep.model_validate(step) for name, step in (aerators or {}).items()}
    assessment = check_plan(parse_plan(plan_text), samples=samples, seed=seed, aerators=named)
    return json.dumps(check_answer(assessment), allow_nan=False, ensure_ascii=False, indent=1)


def with_differences(answer_text: str, found: tuple[Difference, ...]) -> str:
    """Add to an answer what the run changed, as the command line does."""
    answer = json.loads(answer_text) | {"differences": [asdict(one) for one in found]}
    return json.dumps(answer, allow_nan=False, ensure_ascii=False, indent=1)


@st.cache_data(max_entries=64, show_spinner=False)
def pages(
    answer_text: str, plan_text: str, created: datetime, units: dict
) -> tuple[str, str]:
    """Write load sheet and report of a result in the units of the site."""
    shown = UnitsShown.model_validate(units)
    answer, plan = json.loads(answer_text), parse_plan(plan_text)
    return sheet_html(answer, plan, created, shown), report_html(answer, plan, created, shown)
