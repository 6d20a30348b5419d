"""Items by name: the site's own devices, and starting types for everything else."""

from __future__ import annotations

from collections.abc import Iterable

import streamlit as st

from eo_risk.plan.choices import starting_types
from ui import state, words


def draw(key: str) -> list[dict]:
    """Draw the two lists of names and return the items chosen, in the order of choice."""
    devices = state.site().names("device")
    types = starting_types()
    own = st.multiselect(words.OWN_DEVICES, devices, key=f"{key}-devices",
                         placeholder=words.CHOOSE_NAMES if devices else words.NO_DEVICES,
                         disabled=not devices)  # fmt: skip
    kinds = st.multiselect(words.STARTING_TYPES, list(types), format_func=types.__getitem__,
                           key=f"{key}-types", placeholder=words.CHOOSE_NAMES)  # fmt: skip
    return [
        *({"device": name} for name in own),
        *({"name": types[kind], "starting_type": kind} for kind in kinds),
    ]


def with_own_names(items: Iterable[dict], taken: Iterable[str]) -> list[dict]:
    """Give every item a name that is used once in the load: ``cable``, ``cable 2``."""
    used, named = set(taken), []
    for item in items:
        wanted = str(item.get("name") or item.get("device") or words.ITEM)
        name, count = wanted, 1
        while name in used:
            count += 1
            name = f"{wanted} {count}"
        used.add(name)
        named.append(item | {"name": name})
    return named
