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


def slow_pool_source() -> str:
    """Cite where a second, slower stage of release was seen."""
    key = reference.record("slow_pool.fraction").source
    return reference.sources()[key].citation


def slow_pool_share() -> str:
    """Say which share of the EO the slow pool holds, with its ends."""
    found = reference.record("slow_pool.fraction")
    low, middle, high = (f"{100.0 * v:g}" for v in (found.low, found.value_si, found.high))
    return f"{middle} % ({low} to {high} %)"
