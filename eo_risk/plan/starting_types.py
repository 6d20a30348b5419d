"""Generic item types to start from: a type fills an item, ranges where it has numbers.

What a type can only say as a range stays unknown in the item and is handed to the
assessment as a range; the user's own value replaces it field by field.
"""

from __future__ import annotations

from typing import Any

from eo_risk import reference
from eo_risk.errors import InputError, unknown_name
from eo_risk.plan.fields import is_unknown
from eo_risk.plan.load_plan import Item


def starting_type(name: str, where: str = "starting_type") -> reference.ItemType:
    """Return a type by its id or name; raises InputError with the nearest ids."""
    types = reference.item_types()
    for found in types.values():
        if name in (found.id, found.name):
            return found
    raise InputError([unknown_name(where, name, types, "Use one of these starting types.")])


def _words(kind: reference.ItemType) -> dict[str, Any]:
    """What a type says in words and whole numbers, by the path it has in an item."""
    said: dict[str, Any] = {
        "parts[0].material": kind.material,
        "parts[0].shape": kind.shape,
        "joints": kind.joints,
    }
    if kind.open_ends is not None:
        said["lumens[0].open_ends"] = kind.open_ends
    return said


def fill_from_type(raw: dict[str, Any], where: str = "item") -> dict[str, Any]:
    """Fill what a raw item leaves unknown with the words of its starting type.

    Parameters
    ----------
    raw : dict
        An item with a ``starting_type``; parts and lumens may be missing.
    where : str
        Path of the item, for the error.

    Returns
    -------
    dict
        The item with the type's part, its lumen where it has one, and its joints. Numbers
        with a range stay unknown; `starting_ranges` gives them.

    Raises
    ------
    InputError
        If there is no such type, with the nearest ids.
    """
    kind = starting_type(str(raw["starting_type"]), f"{where}.starting_type")
    item = dict(raw) | {"starting_type": kind.id}
    part = {"name": "body", "material": kind.material, "shape": kind.shape}
    item["parts"] = _first_filled(item.get("parts"), part)
    if kind.bore_mm is not None:
        lumen: dict[str, Any] = {"name": "lumen", "open_ends": kind.open_ends}
        first = item["parts"][0]
        if kind.shape == "tube" and isinstance(first, dict):
            lumen["wall_part"] = first["name"]
        item["lumens"] = _first_filled(item.get("lumens"), lumen)
    if is_unknown(item.get("joints")):
        item["joints"] = kind.joints
    return item


def _first_filled(blocks: Any, standard: dict[str, Any]) -> list[Any]:
    """Lay the first of the user's blocks over the type's block."""
    given = list(blocks) if isinstance(blocks, (list, tuple)) else []
    first = given[0] if given else {}
    if not isinstance(first, dict):
        return given
    own = {key: value for key, value in first.items() if not is_unknown(value) and value != ""}
    return [standard | own, *given[1:]]


def _ranges(kind: reference.ItemType) -> dict[str, tuple[reference.Range | None, str]]:
    thickness = "wall_mm" if kind.shape == "tube" else "thickness_mm"
    return {
        "parts[0].mass_g": (kind.mass_g, "g"),
        f"parts[0].{thickness}": (kind.thickness_mm, "mm"),
        "parts[0].outer_diameter_mm": (kind.outer_diameter_mm, "mm"),
        "lumens[0].bore_mm": (kind.bore_mm, "mm"),
        "lumens[0].length_mm": (kind.length_mm, "mm"),
        "external_water.area_cm2": (kind.area_cm2, "cm2"),
    }


def _at(item: Item, path: str) -> Any:
    """Return the value at a path of `_ranges` or `_words`."""
    owner: Any = item
    for step in path.split("."):
        key, _, index = step.removesuffix("]").partition("[")
        owner = getattr(owner, key)
        if index:
            owner = owner[int(index)] if len(owner) > int(index) else None
        if owner is None:
            return None
    return owner


def starting_ranges(item: Item) -> dict[str, tuple[float, float, float, str]]:
    """Return the ranges a starting type gives for what the item leaves unknown.

    Parameters
    ----------
    item : Item
        An item of a resolved plan.

    Returns
    -------
    dict
        By field path (``parts[0].mass_g``): low, value, high and their unit. Empty for an
        item without a starting type; a field the user filled is not in it.

    Raises
    ------
    InputError
        If there is no such type, with the nearest ids.
    """
    if not item.starting_type:
        return {}
    kind = starting_type(item.starting_type)
    return {
        path: (found.low, found.value, found.high, unit)
        for path, (found, unit) in _ranges(kind).items()
        if found is not None and _at(item, path) is None
    }


def from_starting_type(item: Item) -> tuple[str, ...]:
    """List the fields that still stand as the starting type gave them, ranges and words."""
    if not item.starting_type:
        return ()
    kind = starting_type(item.starting_type)
    words = [path for path, value in _words(kind).items() if _at(item, path) == value]
    return (*words, *starting_ranges(item))
