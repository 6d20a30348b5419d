"""The names a plan may use, for a screen or report that offers or explains them."""

from __future__ import annotations

from eo_risk import reference


def materials() -> dict[str, str]:
    """Map the id of every material to its name."""
    return {key: found.name for key, found in reference.materials().items()}


def packagings() -> dict[str, str]:
    """Map the id of every packaging to its name."""
    return {key: found.name for key, found in reference.packagings().items()}


def published_practice(packaging: str) -> str:
    """Say what is published about aeration in a packaging; empty where nothing is."""
    found = reference.packagings().get(packaging)
    return "" if found is None else found.published_practice


def starting_types() -> dict[str, str]:
    """Map the id of every starting type to its name."""
    return {key: found.name for key, found in reference.item_types().items()}
