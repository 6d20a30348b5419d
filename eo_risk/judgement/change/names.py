"""How a change is named for reading; the answer keeps the names of its contract."""

from __future__ import annotations


def said_action(action: str, unit: str, aerator: str) -> str:
    """Name an action for reading: an aeration that only gets warmer, or moves, is no longer one."""
    if action != "aerate longer":
        return action
    return "aerate elsewhere" if aerator else "aerate warmer" if unit in ("C", "F") else action
