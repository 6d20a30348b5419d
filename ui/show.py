"""What every page shows alike: lines under a title, a table of text, what was refused."""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence

import pandas as pd
import streamlit as st

from eo_risk.errors import EoRiskError, InputError
from ui import forms, words


def lines(title: str, said: Sequence[str]) -> None:
    """Show lines as a list under a title; nothing without lines."""
    if said:
        st.markdown(f"**{title}**")
        st.markdown("\n".join(f"- {words.plain(line)}" for line in said))


# On a phone a row stands as a block of its own, with each cell under its header: columns beside
# each other would be cut off at the edge.
_FOLDED = """<style>@media (max-width: 640px) {{
{table}, {table} :is(tbody, tr, td) {{ display: block; width: 100%; border: 0; }}
{table} thead {{ display: none; }}
{table} tr {{ padding: 0.5rem 0; border-bottom: 1px solid #c3cad1; }}
{table} td {{ display: flex; gap: 0.5rem; padding: 0.15rem 0.6rem; }}
{table} td:first-child {{ font-weight: bold; }}
{table} td::before {{ flex: 0 0 6.5rem; white-space: normal; color: #4b5560; }}
{labels}
}}</style>"""


def _folded(header: Sequence[str], title: str) -> str:
    """Write the style that folds the table of a title on a narrow screen."""
    table = f"table[aria-label={_css_text(title)}]"
    labels = (f"{table} td:nth-child({number})::before {{ content: {_css_text(name)}; }}"
              for number, name in enumerate(header[1:], 2))  # fmt: skip
    return _FOLDED.format(table=table, labels="\n".join(labels))


def _css_text(text: str) -> str:
    return json.dumps(text, ensure_ascii=False)


def rows(header: Sequence[str], cells: Iterable[Sequence[str]], title: str) -> None:
    """Show rows of text as a table; the title is read aloud."""
    frame = pd.DataFrame(list(cells), columns=list(header))
    st.table(frame.map(words.plain), hide_index=True, alt=title)
    st.html(_folded(header, title))


def titled_rows(header: Sequence[str], cells: Iterable[Sequence[str]], title: str) -> None:
    """Show rows of text as a table under its title."""
    st.markdown(f"**{title}**")
    rows(header, cells, title)


def refused(error: EoRiskError, title: str = "") -> None:
    """Show what was refused: every fault, or what stands in the way."""
    if isinstance(error, InputError):
        forms.show_faults(error.faults, title)
    else:
        st.error(words.plain(str(error)))
