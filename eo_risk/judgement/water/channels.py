"""Channels that join: which way gas and air can go in a lumen that has branches or is one."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from eo_risk.plan.load_plan import Item, Lumen


@dataclass(frozen=True)
class Ways:
    """What one lumen gives gas and air.

    `mouths` are ends that open to the outside; `passes_air` whether air led in is taken to
    come out; `sharing` over how many channels a pressure shares its air; `junctions` where
    water collects as in a hub.
    """

    mouths: int
    passes_air: bool
    sharing: int = 1
    junctions: int = 0


def joined(item: Item, lumen: Lumen) -> list[Lumen]:
    """Return the other lumens of an item that open into the same main channel."""
    main = lumen.branch_of or lumen.name
    group = [lm for lm in item.lumens if main in (lm.name, lm.branch_of)]
    return [lm for lm in group if lm.name != lumen.name] if len(group) > 1 else []


def ways_of(item: Item, lumen: Lumen) -> Ways:
    """Return the ways of one lumen.

    Air takes the easiest way: in a joined channel it counts only where somebody felt it come
    out (`blocked` is no), and a pressure shares its air. A branch has at most one mouth of its
    own, and a main channel keeps its two only where air was felt.
    """
    mouths = 2 if lumen.open_ends == 2 else 1 if lumen.open_ends else 0
    others = joined(item, lumen)
    if not others:
        return Ways(mouths, lumen.open_ends == 2 and lumen.blocked != "yes")
    felt = lumen.blocked == "no"
    if lumen.branch_of or not felt:
        mouths = min(mouths, 1)
    junctions = 1 if lumen.branch_of else 0
    return Ways(mouths, lumen.open_ends == 2 and felt, 1 + len(others), junctions)


def doubtful(item: Item) -> Iterator[tuple[Lumen, str]]:
    """Yield joined lumens whose gas access a blocked or closed neighbour puts in doubt."""
    for lumen in item.lumens:
        for other in joined(item, lumen):
            if other.blocked == "yes":
                yield lumen, f"joined with {other.name}, which is blocked"
            elif other.open_ends == 0:
                yield lumen, f"joined with {other.name}, which is closed"
