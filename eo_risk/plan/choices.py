"""The names a plan may use, for a screen that offers them: materials, packagings, types."""

from __future__ import annotations

from eo_risk import reference


def materials() -> dict[str, str]:
    """Map the id of every material to its name."""
    return {key: found.name for key, found in reference.materials().items()}


def packagings() -> dict[str, str]:
    """Map the id of every packaging to its name."""
    return {key: found.name for key, found in reference.packagings().items()}


def starting_types() -> dict[str, str]:
    """Map the id of every starting type to its name."""
    return {key: found.name for key, found in reference.item_types().items()}
