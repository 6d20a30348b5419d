"""What every page shows alike: lines under a title, a table of text, what was refused."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd
import streamlit as st

from eo_risk.errors import EoRiskError, InputError
from ui import forms, words


def lines(title: str, said: Sequence[str]) -> None:
    """Show lines as a list under a title; nothing without lines."""
    if said:
        st.markdown(f"**{title}**")
        st.markdown("\n".join(f"- {words.plain(line)}" for line in said))


def rows(header: Sequence[str], cells: Sequence[Sequence[str]], title: str) -> None:
    """Show rows of text as a table; the title is read aloud."""
    frame = pd.DataFrame(list(cells), columns=list(header))
    st.table(frame.map(words.plain), hide_index=True, alt=title)


def refused(error: EoRiskError, title: str = "") -> None:
    """Show what was refused: every fault, or what stands in the way."""
    if isinstance(error, InputError):
        forms.show_faults(error.faults, title)
    else:
        st.error(words.plain(str(error)))
