"""Items from a table: one row per item, a column per main field, the unit in the header.

A row gives one part and one lumen; a thing with more of them is a device of the site file
or an item of a JSON plan. Every fault is reported with its row and column.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from eo_risk.errors import Fault, InputError
from eo_risk.files import read_bytes
from eo_risk.plan.clock import is_time_of_day
from eo_risk.plan.columns import Column, Placed, place_headers
from eo_risk.plan.fields import faults_of, is_unknown
from eo_risk.plan.load_plan import Item, known_fields
from eo_risk.plan.plausible import plan_faults
from eo_risk.spreadsheet import Row, Sheet, csv_text, place, sheet_from_bytes

COLUMNS: tuple[Column, ...] = (
    Column("name", "name", text=True),
    Column("quantity", "quantity"),
    Column("device", "device", text=True),
    Column("starting_type", "starting_type", text=True),
    Column("material", "parts[0].material", text=True),
    Column("shape", "parts[0].shape", text=True),
    Column("mass_g", "parts[0].mass_g", "g"),
    Column("thickness_mm", "parts[0].thickness_mm", "mm"),
    Column("wall_mm", "parts[0].wall_mm", "mm"),
    Column("outer_diameter_mm", "parts[0].outer_diameter_mm", "mm"),
    Column("faces", "parts[0].faces"),
    Column("plasticiser_percent", "parts[0].plasticiser_percent", "%"),
    Column("bore_mm", "lumens[0].bore_mm", "mm"),
    Column("length_mm", "lumens[0].length_mm", "mm"),
    Column("open_ends", "lumens[0].open_ends"),
    Column("emptied", "lumens[0].emptied.how", text=True),
    Column("pushes", "lumens[0].emptied.pushes"),
    Column("drying_method", "lumens[0].drying[0].method", text=True),
    Column("drying_min", "lumens[0].drying[0].minutes", "min"),
    Column("drying_temperature_c", "lumens[0].drying[0].air_temperature_c", "C"),
    Column("drying_rh_percent", "lumens[0].drying[0].air_rh_percent", "%"),
    Column("drying_pressure_gauge_bar", "lumens[0].drying[0].pressure_gauge_bar", "bar gauge"),
    Column("droplets_in_lumen", "lumens[0].droplets_seen", text=True),
    Column("water_in_lumen_mg", "lumens[0].measured_mg", "mg"),
    Column("droplets_seen", "droplets_seen", text=True),
    Column("surface_area_cm2", "external_water.area_cm2", "cm2"),
    Column("surface_state", "external_water.state", text=True),
    Column("low_edge_cm", "external_water.low_edge_cm", "cm"),
    Column("surface_water_mg", "external_water.measured_mg", "mg"),
    Column("joints", "joints"),
    Column("packaging", "packaging", text=True),
    Column("rinse_water", "rinse_water", text=True),
    Column("lubricant", "lubricant", text=True),
    Column("irradiated_before", "irradiated_before", text=True),
    Column("duration", "patient.duration", text=True),
    Column("body_mass_kg", "patient.body_mass_kg", "kg"),
    Column("devices_used_together", "patient.devices_used_together"),
    Column("contact_area_cm2", "patient.contact_area_cm2", "cm2"),
    Column("eo_allowed", "instructions.eo_allowed", text=True),
    Column("highest_temperature_c", "instructions.highest_temperature_c", "C"),
    Column("highest_air_pressure_gauge_bar", "instructions.highest_air_pressure_gauge_bar",
           "bar gauge"),
    Column("aeration_h", "instructions.aeration_h", "h"),
    Column("aeration_temperature_c", "instructions.aeration_temperature_c", "C"),
    Column("laboratory_release_h", "laboratory_release_h", "h"),
    Column("needed_by", "needed_by", text=True),
    Column("set_number", "set_number", text=True),
    Column("lot", "lot", text=True),
)  # fmt: skip
HEADERS = tuple(column.header for column in COLUMNS)

_STEP = re.compile(r"(\w+)(?:\[(\d+)\])?")
# How a row's one part and one lumen are called; they exist when a column of theirs is filled.
_NAMES = {"parts": "body", "lumens": "lumen"}


@dataclass(frozen=True)
class ItemsTable:
    """Items as a plan holds them (unresolved), and what the reader understood."""

    items: tuple[dict[str, Any], ...]
    understood: str


def _put(item: dict[str, Any], path: str, value: Any) -> None:
    """Put a value at a path such as ``lumens[0].emptied.how``, making what is not there."""
    steps = path.split(".")
    for i, step in enumerate(steps):
        key, index = _STEP.fullmatch(step).groups()
        if i == len(steps) - 1:
            item[key] = value
        elif index is None:
            item = item.setdefault(key, {})
        else:
            blocks = item.setdefault(key, [])
            if not blocks:
                blocks.append({})
            item = blocks[0]


def _row_item(row: Row, placed: Sequence[Placed]) -> dict[str, Any]:
    item: dict[str, Any] = {}
    for column in placed:
        cell = row.cells.get(column.header)
        if cell is not None and not is_unknown(cell):
            _put(item, column.column.path, column.value(cell))
    if not item.get("device"):  # a device's part and lumen have names of their own
        for key, name in _NAMES.items():
            for block in item.get(key, ()):
                block["name"] = name
    return item


def _local_time(text: Any) -> bool:
    """Tell whether a time gets its date or offset only when the plan is resolved."""
    try:
        return is_time_of_day(text) or datetime.fromisoformat(text).tzinfo is None
    except (TypeError, ValueError):
        return False


def _row_faults(item: dict[str, Any], row: Row, placed: Sequence[Placed]) -> list[Fault]:
    """Check one row by itself; what a device or a starting type will add is not missed."""
    headers = {column.column.path: column.header for column in placed}
    named = item.get("device") or item.get("starting_type")
    probe = {key: value for key, value in item.items() if key != "device"}
    if _local_time(probe.get("needed_by")):
        del probe["needed_by"]  # the site's time zone gives it an offset
    faults = []
    if "name" not in probe:
        if not item.get("device"):
            faults.append(Fault(place(row.number, "name"), "nothing", "", "a name",
                                "Name the item."))  # fmt: skip
        probe["name"] = "(unnamed)"
    for part in probe.get("parts", []):
        if not named and "material" not in part:
            faults.append(Fault(place(row.number, "material"), "nothing", "", "a material id",
                                "See `eo-risk materials`; an unknown grade is legal."))  # fmt: skip
    stand_in = {"name": "body", "material": "stainless_steel"}
    probe["parts"] = [stand_in | part for part in probe.get("parts", [{}] if named else [])]
    probe["lumens"] = [{"name": "lumen"} | lumen for lumen in probe.get("lumens", [])]
    try:
        found = []
        Item.model_validate(probe)
    except ValidationError as error:
        found = faults_of(error, known_fields() | {"": list(Item.model_fields)})
    # A site's own packaging names are known only when the plan is resolved.
    rest = plan_faults({"items": [{k: v for k, v in probe.items() if k != "packaging"}]})
    found += [replace(f, where=f.where.removeprefix("items[0].")) for f in rest]
    for fault in found:
        if fault.where == "parts":
            todo = "Fill in material, device or starting_type."
            fault = replace(fault, where="material", do=todo)
        header = headers.get(fault.where, fault.where)
        faults.append(replace(fault, where=place(row.number, header)))
    return faults


def items_of_sheet(sheet: Sheet) -> ItemsTable:
    """Turn a sheet into items; raises InputError with every fault, by row and column."""
    placed, faults = place_headers(
        sheet.headers, COLUMNS, "Use the headers of `eo-risk template items`."
    )
    faults += sheet.faults
    if not sheet.rows:
        faults.append(Fault("rows", "none", "", "one row per item", "Fill in the table."))
    items = []
    names: list[str] = []
    for row in sheet.rows:
        item = _row_item(row, placed)
        faults += _row_faults(item, row, placed)
        items.append(item)
        name = str(item.get("name", item.get("device", "")))
        if name and name in names:
            faults.append(Fault(place(row.number, "name"), repr(name), "", "a name used once",
                                "Use quantity for equal pieces, or another name."))  # fmt: skip
        names.append(name)
    if faults:
        raise InputError(faults)
    return ItemsTable(tuple(items), sheet.understood)


def _text_headers(content: bytes) -> set[str]:
    """List the headers of free text, as spelled, so that a name may begin with a number."""
    first = content[:10_000].decode("utf-8-sig", errors="ignore").splitlines()[:1]
    cells = re.split(r"[;,\t]", first[0]) if first else []
    texts = {column.header for column in COLUMNS if column.text}
    return {cell.strip().strip('"') for cell in cells if cell.strip().strip('"').lower() in texts}


def items_from_bytes(content: bytes, name: str) -> ItemsTable:
    """Read items from the content of a CSV or Excel file.

    Parameters
    ----------
    content : bytes
        The whole file.
    name : str
        Its file name.

    Returns
    -------
    ItemsTable
        Items that `resolve` and `read_plan` take, and what was understood.

    Raises
    ------
    InputError
        With every fault, by row and column.
    MissingExtraError
        If Excel is given and the extra ``excel`` is not installed.
    """
    return items_of_sheet(sheet_from_bytes(content, name, _text_headers(content)))


def read_items(path: Path) -> ItemsTable:
    """Read items from a CSV or Excel file; raises as `items_from_bytes`."""
    return items_from_bytes(read_bytes(path, "list of items"), path.name)


def _get(item: Mapping[str, Any], path: str) -> Any:
    value: Any = item
    for step in path.split("."):
        key, index = _STEP.fullmatch(step).groups()
        value = value.get(key) if isinstance(value, Mapping) else None
        if index is not None:
            value = value[int(index)] if value and len(value) > int(index) else None
    return "" if is_unknown(value) else value


def items_csv(items: Iterable[Mapping[str, Any]]) -> str:
    """Write items as the table `read_items` reads: the first part and lumen of each.

    Cells that a spreadsheet would run as a formula are neutralised.
    """
    return csv_text(HEADERS, [[_get(item, c.path) for c in COLUMNS] for item in items])
