"""The only module that touches session state: one load plan as text, and one result."""

from __future__ import annotations

import json
import re
from dataclasses import dataclass
from pathlib import Path

import streamlit as st

from eo_risk.errors import EoRiskError, Fault, InputError
from eo_risk.files import as_text, check_size
from eo_risk.plan.as_run import Difference
from eo_risk.plan.load_plan import LoadPlan, json_of, parse_plan, plan_json
from eo_risk.plan.site import Site, default_site_path, parse_site, plan_of, read_site
from eo_risk.plan.site_entries import UnitsShown

DEMO = Path(__file__).resolve().parent.parent / "demo"
FIRST_DEMO = "wet_lumen"

_PLAN, _TABLE, _FORM, _BASE, _RESULT, _FAULTS, _CHOSEN, _SITE, _RUN, _NEW_FIRST = (
    "plan_text", "table_version", "form_version", "table_base", "result", "file_faults", "chosen",
    "site", "run_differences", "new_first",
)  # fmt: skip
_SAID = "said"
_LAB, _LAB_VERSION, _LAB_UPLOAD = "lab_table", "lab_table_version", "lab_upload"


@dataclass(frozen=True)
class Result:
    """One answer as text, with the inputs it was computed from."""

    answer_text: str
    plan_text: str
    seed: int
    samples: int

    @property
    def answer(self) -> dict:
        return json.loads(self.answer_text)

    @property
    def plan(self) -> LoadPlan:
        return parse_plan(self.plan_text)


@dataclass(frozen=True)
class SiteInUse:
    """A site file as read, and where it came from; empty for none."""

    site: Site = Site()  # noqa: RUF009  frozen
    origin: str = ""


def start() -> None:
    """Take the user's own site file and open the first demo plan in a new session."""
    if _PLAN not in st.session_state:
        st.session_state[_TABLE] = st.session_state[_FORM] = 0
        st.session_state[_SITE] = SiteInUse()
        own = default_site_path()
        faults = use_site(own) if own.is_file() else ()
        st.session_state[_NEW_FIRST] = bool(site().cycle and site().aeration)
        keep_faults(faults + open_demo(FIRST_DEMO))


def opens_with_new_load() -> bool:
    """Tell whether the session began with a site file from which a load can be made."""
    return st.session_state[_NEW_FIRST]


def site() -> Site:
    """Return the site file in use; an empty one where there is none."""
    return st.session_state[_SITE].site


def site_origin() -> str:
    """Say where the site file in use came from; empty for none."""
    return st.session_state[_SITE].origin


def units() -> UnitsShown:
    """Return the units the site shows."""
    return site().units_shown


def _keep_site(found: Site, origin: str) -> None:
    st.session_state[_SITE] = SiteInUse(found, origin)
    st.session_state[_FORM] += 1  # fields are drawn afresh, in the units of this site
    st.session_state[_TABLE] += 1


def use_site(path: Path) -> tuple[Fault, ...]:
    """Take a site file by its path; returns its faults and keeps the one in use if it has any."""
    try:
        _keep_site(read_site(path), str(path))
    except InputError as error:
        return error.faults
    return ()


def use_site_content(content: bytes, name: str) -> tuple[Fault, ...]:
    """Take a site file from its content; a file of limits it names is looked for in the user's
    configuration folder."""
    try:
        check_size(len(content), name, "site file")
        _keep_site(parse_site(as_text(content, name), default_site_path().parent), name)
    except InputError as error:
        return error.faults
    return ()


def plan_text() -> str:
    """Return the plan as JSON text; it is always a usable plan."""
    return st.session_state[_PLAN]


def raw() -> dict:
    """Return the plan as a raw dictionary of one's own."""
    return json.loads(plan_text())


def plan() -> LoadPlan:
    """Return the plan as a model."""
    return parse_plan(plan_text())


def offer(candidate: object, *, from_table: bool = False, usable: bool = True) -> tuple[Fault, ...]:
    """Take a changed plan if it is usable; otherwise return its faults and keep the old one.

    A change that comes from the items table leaves the table as it is drawn. Without `usable`
    the plan is not taken: what it was made of has faults of its own.
    """
    try:
        text = plan_json(plan_of(candidate, site()))
    except InputError as error:
        return error.faults
    except EoRiskError as error:
        return (Fault("(plan)", str(error), "", "see the message", "Correct the input."),)
    if usable and text != st.session_state.get(_PLAN):
        st.session_state[_PLAN] = text
        st.session_state[_FORM] += 1
        if not from_table:
            st.session_state[_TABLE] += 1
    return ()


def open_text(text: str) -> tuple[Fault, ...]:
    """Open a plan from JSON text; returns its faults, and keeps the old plan if there are any."""
    try:
        return offer(json_of(text))
    except InputError as error:
        return error.faults


def demo_names() -> list[str]:
    """List the demo plans, the first one to open at the top."""
    return sorted((path.stem for path in DEMO.glob("*.json")), key=lambda n: (n != FIRST_DEMO, n))


def open_demo(name: str) -> tuple[Fault, ...]:
    """Open a demo plan by its name."""
    return open_text((DEMO / f"{name}.json").read_text(encoding="utf-8"))


def open_file(content: bytes, name: str) -> tuple[Fault, ...]:
    """Open a plan from the content of a file; returns its faults."""
    try:
        check_size(len(content), name, "load plan")
        return open_text(as_text(content, name))
    except InputError as error:
        return error.faults


def file_name(plan: LoadPlan, ending: str) -> str:
    """Name a file after the load and the day its cycle starts."""
    number = re.sub(r"[^0-9A-Za-z_-]+", "_", plan.load_number) or "unnumbered"
    day = f"_{plan.cycle_start:%Y-%m-%d}" if plan.cycle_start else ""
    return f"eo_load_{number}{day}.{ending}"


def keep_faults(faults: tuple[Fault, ...]) -> None:
    """Keep the faults of an opened file until the next one."""
    st.session_state[_FAULTS] = faults


def file_faults() -> tuple[Fault, ...]:
    """Return the faults of the last file that was opened."""
    return st.session_state[_FAULTS]


def say(text: str) -> None:
    """Keep a line for the next run: one shown just before a page is drawn afresh may be lost."""
    st.session_state.setdefault(_SAID, []).append(text)


def take_said() -> list[str]:
    """Return the lines kept for this run, once."""
    return st.session_state.pop(_SAID, [])


def form_key(name: str) -> str:
    """Return a widget key that changes with the plan, so that a form shows the plan's values."""
    return f"{name}-{st.session_state[_FORM]}"


def preset(key: str, value: object) -> None:
    """Give a widget its first value, without making it the value a cleared widget returns to."""
    if key not in st.session_state:
        st.session_state[key] = value


def chosen_item() -> int:
    """Return the place of the item whose fields are on screen."""
    return st.session_state.get(_CHOSEN, 0)


def choose_item(index: int) -> None:
    """Keep the item on screen where its name changes."""
    st.session_state[_CHOSEN] = index


def table_base() -> tuple[str, dict]:
    """Return the key of the items table and the plan it was drawn from.

    The table keeps its own edits while it is on screen; feeding them back as its data would
    lose every second one. It starts afresh from the plan when it comes on screen again.
    """
    key = f"items-{st.session_state[_TABLE]}"
    if key not in st.session_state or _BASE not in st.session_state:
        st.session_state[_BASE] = plan_text()
    return key, json.loads(st.session_state[_BASE])


def keep_differences(differences: tuple[Difference, ...]) -> None:
    """Keep what a run changed, with the plan it belongs to."""
    st.session_state[_RUN] = (plan_text(), differences)


def differences() -> tuple[Difference, ...]:
    """Return what the run changed; empty once the plan is another one."""
    text, found = st.session_state.get(_RUN, ("", ()))
    return found if text == plan_text() else ()


def keep_result(result: Result) -> None:
    """Keep a result beside the plan."""
    st.session_state[_RESULT] = result


def result() -> Result | None:
    """Return the last result; None before the first check."""
    return st.session_state.get(_RESULT)


def is_stale(found: Result) -> bool:
    """Tell whether the plan has changed since a result."""
    return found.plan_text != plan_text()


def lab_demo_names() -> list[str]:
    """List the demo tables of laboratory results."""
    return sorted(path.name for path in DEMO.glob("lab_*.csv"))


def _keep_lab(name: str, content: bytes) -> None:
    st.session_state[_LAB] = (name, content)
    st.session_state[_LAB_VERSION] = st.session_state.get(_LAB_VERSION, 0) + 1


def open_lab_demo(name: str) -> None:
    """Take a demo table of laboratory results."""
    _keep_lab(name, (DEMO / name).read_bytes())


def take_lab_upload(file_id: str, name: str, content: bytes) -> None:
    """Take an uploaded table once: on screen it is offered again at every run."""
    if st.session_state.get(_LAB_UPLOAD) != file_id:
        st.session_state[_LAB_UPLOAD] = file_id
        _keep_lab(name, content)


def lab_table() -> tuple[str, bytes] | None:
    """Return name and content of the table of laboratory results; None before the first."""
    return st.session_state.get(_LAB)


def lab_key(name: str) -> str:
    """Return a widget key that changes with the table of results."""
    return f"lab-{name}-{st.session_state.get(_LAB_VERSION, 0)}"


def use_records(records: list[dict]) -> tuple[Fault, ...]:
    """Let the plan use records of one's own; returns its faults as `offer`."""
    candidate = raw()
    new = {record["id"] for record in records}
    kept = [record for record in candidate.get("own_records") or [] if record["id"] not in new]
    candidate["own_records"] = [*kept, *records]
    return offer(candidate)


def use_release_time(
    names: list[str], hours: float, temperature_c: float | None
) -> tuple[Fault, ...]:
    """Give items of the plan a laboratory release time; returns its faults as `offer`."""
    candidate = raw()
    for item in candidate["items"]:
        if item["name"] in names:
            item["laboratory_release_h"] = hours
            item["laboratory_temperature_c"] = temperature_c
    return offer(candidate)
