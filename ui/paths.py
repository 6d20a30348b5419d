"""Reading and writing one value of a raw plan by its path: ``items[2].lumens[0].bore_mm``."""

from __future__ import annotations

import itertools
import re
from typing import Any

_STEP = re.compile(r"[^.\[\]]+")


def steps(path: str) -> list[str | int]:
    """Split a path into keys and places in lists."""
    return [int(s) if s.isdigit() else s for s in _STEP.findall(path)]


def get(raw: Any, path: str) -> Any:
    """Return the value at a path; None where the path ends or the value is unknown."""
    for step in steps(path):
        if isinstance(raw, dict):
            raw = raw.get(step)
        elif isinstance(raw, list) and isinstance(step, int) and step < len(raw):
            raw = raw[step]
        else:
            return None
    return None if raw == "unknown" else raw


def put(raw: Any, path: str, value: Any, names: dict[str, str] | None = None) -> None:
    """Write a value at a path; blocks that are not there are made, with the names given.

    Parameters
    ----------
    raw : dict
        What is written into.
    path : str
        Where; a place in a list may lie one beyond its end.
    value : object
        None is written as unknown.
    names : dict, optional
        Name of a block made in the list of this key.
    """
    way = steps(path)
    list_key = ""
    for step, after in itertools.pairwise(way):
        fresh: Any = [] if isinstance(after, int) else {}
        if isinstance(step, int):
            if step == len(raw):
                name = (names or {}).get(list_key)
                raw.append({"name": name} if name else fresh)
        else:
            list_key = step
            if raw.get(step) in (None, "unknown"):
                raw[step] = fresh
        raw = raw[step]
    raw[way[-1]] = "unknown" if value is None else value
