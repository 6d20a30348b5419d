"""The site file in the sidebar: which one is in use, another to take, entries left out."""

from __future__ import annotations

from pathlib import Path

import streamlit as st

from eo_risk.errors import Fault
from eo_risk.plan.site import default_site_path
from ui import forms, state, words


def _in_use() -> None:
    site, origin = state.site(), state.site_origin()
    if not origin:
        st.text(words.NO_SITE)
        return
    st.text(f"{words.SITE_IN_USE}: {site.name or words.UNNAMED_SITE}\n{origin}")
    if site.broken:
        lines = "\n".join(f"- {words.plain(fault)}" for fault in site.broken_faults)
        st.warning(f"{words.LEFT_OUT}\n\n{lines}")


def _taken(faults: tuple[Fault, ...]) -> None:
    state.keep_faults(faults)
    st.rerun()


def draw() -> None:
    """Draw the choice of a site file: the user's own, a path, an upload, the invented one."""
    with st.expander(words.SITE_FILE, expanded=bool(state.site().broken)):
        _in_use()
        own = default_site_path()
        if own.is_file() and st.button(words.OWN_SITE, help=str(own)):
            _taken(state.use_site(own))
        if st.button(words.DEMO_SITE):
            _taken(state.use_site(state.DEMO / "site.toml"))
        path = st.text_input(words.SITE_PATH, key="site_path", placeholder=str(own))
        if path and st.button(words.USE_PATH):
            _taken(state.use_site(Path(path).expanduser()))
        file = st.file_uploader(words.SITE_UPLOAD, type="toml", key="site_file")
        if file is not None and st.button(words.USE_UPLOAD):
            _taken(state.use_site_content(file.getvalue(), file.name))


def show_refused() -> None:
    """Show the faults of the last file that was opened."""
    forms.show_faults(state.file_faults(), words.FILE_FAULTS)
