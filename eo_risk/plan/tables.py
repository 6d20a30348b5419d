"""Items from a table: one row per item, a column per main field, the unit in the header.

A row gives one part and one lumen. A row without a name that names a part or a lumen
continues the item above it: with a further part, a further lumen, or a further drying step of
a lumen that stands there already. Every fault is reported with its row and column.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from eo_risk.errors import NOTHING, Fault, InputError
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
    Column("part", "parts[0].name", text=True),
    Column("material", "parts[0].material", text=True),
    Column("shape", "parts[0].shape", text=True),
    Column("mass_g", "parts[0].mass_g", "g"),
    Column("thickness_mm", "parts[0].thickness_mm", "mm"),
    Column("wall_mm", "parts[0].wall_mm", "mm"),
    Column("outer_diameter_mm", "parts[0].outer_diameter_mm", "mm"),
    Column("faces", "parts[0].faces"),
    Column("plasticiser_percent", "parts[0].plasticiser_percent", "%"),
    Column("lumen", "lumens[0].name", text=True),
    Column("wall_part", "lumens[0].wall_part", text=True),
    Column("bore_mm", "lumens[0].bore_mm", "mm"),
    Column("length_mm", "lumens[0].length_mm", "mm"),
    Column("open_ends", "lumens[0].open_ends"),
    Column("blocked", "lumens[0].blocked", text=True),
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
    Column("highest_chamber_kpa", "instructions.highest_chamber_kpa", "kPa"),
    Column("lowest_eo_mg_per_l", "instructions.eo_mg_per_l_low", "mg/L"),
    Column("highest_eo_mg_per_l", "instructions.eo_mg_per_l_high", "mg/L"),
    Column("aeration_h", "instructions.aeration_h", "h"),
    Column("aeration_temperature_c", "instructions.aeration_temperature_c", "C"),
    Column("laboratory_release_h", "laboratory_release_h", "h"),
    Column("laboratory_temperature_c", "laboratory_temperature_c", "C"),
    Column("needed_by", "needed_by", text=True),
    Column("set_number", "set_number", text=True),
    Column("lot", "lot", text=True),
)  # fmt: skip
HEADERS = tuple(column.header for column in COLUMNS)

_STEP = re.compile(r"(\w+)(?:\[(\d+)\])?")
# How a row's one part and one lumen are called where it does not say; they exist when a
# column of theirs is filled.
_NAMES = {"parts": "body", "lumens": "lumen"}
_NAME_COLUMN = {"parts": "part", "lumens": "lumen"}


@dataclass
class _Draft:
    """An item as its rows give it, with the row of each block and the place of each value."""

    item: dict[str, Any]
    row: int
    rows: dict[str, int] = field(default_factory=dict)  # by block, such as ``parts[1]``
    places: dict[str, str] = field(default_factory=dict)  # by path


@dataclass(frozen=True)
class ItemsTable:
    """Items as a plan holds them (unresolved), what the reader understood, and its faults."""

    drafts: tuple[_Draft, ...]
    understood: str
    headers: Mapping[str, str] = field(default_factory=dict)  # as spelled in the file, by path
    faults: tuple[Fault, ...] = ()

    @property
    def items(self) -> tuple[dict[str, Any], ...]:
        """The items, in the order of the table."""
        return tuple(draft.item for draft in self.drafts)

    def with_own(self, found: Iterable[Fault], before: int = 0) -> tuple[Fault, ...]:
        """Put the faults of a plan beside the table's own, by row and once for each cell.

        `before` counts the items of the plan that stand before those of the table.
        """
        placed = [*self.faults, *(self._by_row(fault, before) for fault in found)]
        first = {fault.where: fault for fault in reversed(placed)}
        return tuple(fault for fault in placed if first[fault.where] is fault)

    def _by_row(self, fault: Fault, before: int) -> Fault:
        match = re.match(r"items\[(\d+)\]\.?", fault.where)
        index = int(match[1]) - before if match else -1
        if not 0 <= index < len(self.drafts):
            return fault
        where = _fault_place(fault.where[match.end() :], self.drafts[index], self.headers)
        return replace(fault, where=where)


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


def _filled(row: Row, placed: Sequence[Placed]) -> list[tuple[Placed, str]]:
    cells = [(column, row.cells.get(column.header)) for column in placed]
    return [(column, cell) for column, cell in cells if cell is not None and not is_unknown(cell)]


def _row_item(row: Row, placed: Sequence[Placed]) -> dict[str, Any]:
    item: dict[str, Any] = {}
    for column, cell in _filled(row, placed):
        _put(item, column.column.path, column.value(cell))
    return item


def _draft(row: Row, placed: Sequence[Placed]) -> _Draft:
    draft = _Draft(_row_item(row, placed), row.number)
    if not draft.item.get("device"):  # a device's part and lumen have names of their own
        for key, name in _NAMES.items():
            for block in draft.item.get(key, ()):
                block.setdefault("name", name)
    for column, _ in _filled(row, placed):
        draft.places[column.column.path] = place(row.number, column.header)
    return draft


def _continues(item: Mapping[str, Any]) -> bool:
    """Tell whether a row goes on with the item above: no name, but that of a part or lumen."""
    own = any(key in item for key in ("name", "device", "starting_type"))
    return not own and any("name" in b for key in _NAMES for b in item.get(key, ()))


def _extend(draft: _Draft, row: Row, placed: Sequence[Placed]) -> list[Fault]:
    """Add a row's part, lumen or drying step to the item it continues; returns its faults."""
    faults, more = [], _row_item(row, placed)
    moved = {
        key: _add(draft, key, block, row.number)
        for key in _NAMES
        for block in more.get(key, ())
    }
    for key in moved:
        if "name" not in more[key][0]:
            name = _NAME_COLUMN[key]
            faults.append(Fault(place(row.number, name), NOTHING, "", "a name of its own",
                                f"Name the {name} this row adds."))  # fmt: skip
    for column, cell in _filled(row, placed):
        path, where = column.column.path, place(row.number, column.header)
        key = path.partition("[")[0]
        if key in moved:
            general, at = moved[key]
            draft.places[path.replace(general, at)] = where
        else:
            faults.append(Fault(where, repr(cell[:40]), "",
                                "nothing: this row continues the item above",
                                "Fill only its part or lumen, or name the item."))  # fmt: skip
    return faults


def _add(draft: _Draft, key: str, block: dict[str, Any], row: int) -> tuple[str, str]:
    """Add a block of a row to a draft; returns its path in the row and its path in the item."""
    blocks = draft.item.setdefault(key, [])
    names = [b.get("name") for b in blocks]
    if key == "lumens" and set(block) == {"name", "drying"} and block["name"] in names:
        at = names.index(block["name"])
        steps = blocks[at].setdefault("drying", [])
        steps += block["drying"]
        return "lumens[0].drying[0]", f"lumens[{at}].drying[{len(steps) - 1}]"
    blocks.append(block)
    at = f"{key}[{len(blocks) - 1}]"
    draft.rows[at] = row
    return f"{key}[0]", at


def _local_time(text: Any) -> bool:
    """Tell whether a time gets its date or offset only when the plan is resolved."""
    try:
        return is_time_of_day(text) or datetime.fromisoformat(text).tzinfo is None
    except (TypeError, ValueError):
        return False


def _fault_place(where: str, draft: _Draft, headers: Mapping[str, str]) -> str:
    """Turn the path of a fault into row and column."""
    if where in draft.places:
        return draft.places[where]
    block = re.match(r"(?:parts|lumens)\[\d+\]", where)
    row = draft.rows.get(block[0], draft.row) if block else draft.row
    general = re.sub(r"\[\d+\]", "[0]", where)
    return place(row, headers.get(general, where))


def _item_faults(draft: _Draft, headers: Mapping[str, str]) -> list[Fault]:
    """Check one item by itself; what a device or a starting type will add is not missed."""
    item = draft.item
    named = item.get("device") or item.get("starting_type")
    probe = {key: value for key, value in item.items() if key != "device"}
    if _local_time(probe.get("needed_by")):
        del probe["needed_by"]  # the site's time zone gives it an offset
    faults = []
    if "name" not in probe:
        if not item.get("device"):
            faults.append(Fault(place(draft.row, "name"), NOTHING, "", "a name",
                                "Name the item."))  # fmt: skip
        probe["name"] = "(unnamed)"
    for i, part in enumerate(probe.get("parts", [])):
        if not named and "material" not in part:
            where = _fault_place(f"parts[{i}].material", draft, headers)
            faults.append(Fault(where, NOTHING, "", "a material id",
                                "See `eo-risk materials`; an unknown grade is legal."))  # fmt: skip
    stand_in = {"name": "body", "material": "stainless_steel"}
    probe["parts"] = [stand_in | part for part in probe.get("parts", [{}] if named else [])]
    probe["lumens"] = [{"name": "lumen"} | lumen for lumen in probe.get("lumens", [])]
    try:
        found = []
        Item.model_validate(probe)
    except ValidationError as error:
        found = faults_of(error, known_fields() | {"": list(Item.model_fields)})
    # A site's own packaging names and a device's parts are known only when the plan is resolved.
    rest = plan_faults({"items": [_by_itself(probe, bool(named))]})
    found += [replace(f, where=f.where.removeprefix("items[0].")) for f in rest]
    for fault in found:
        if fault.where == "parts":
            fault = replace(fault, do="Fill in material, device or starting_type.")
        faults.append(replace(fault, where=_fault_place(fault.where, draft, headers)))
    return faults


def _by_itself(item: dict[str, Any], named: bool) -> dict[str, Any]:
    """Leave out what only the site file can tell: own packaging names, parts of a device."""
    alone = {key: value for key, value in item.items() if key != "packaging"}
    if named:
        alone["lumens"] = [{k: v for k, v in lumen.items() if k != "wall_part"}
                           for lumen in item["lumens"]]  # fmt: skip
    return alone


def _drafts(sheet: Sheet, placed: Sequence[Placed]) -> tuple[list[_Draft], list[Fault]]:
    """Put the rows of each item together."""
    drafts: list[_Draft] = []
    faults: list[Fault] = []
    for row in sheet.rows:
        if drafts and _continues(_row_item(row, placed)):
            faults += _extend(drafts[-1], row, placed)
        else:
            drafts.append(_draft(row, placed))
    return drafts, faults


def items_of_sheet(sheet: Sheet) -> ItemsTable:
    """Turn a sheet into items, and name every fault by row and column."""
    placed, faults = place_headers(
        sheet.headers, COLUMNS, "Use the headers of `eo-risk template items`."
    )
    if faults and not placed:  # a file of another kind: its headers say enough
        return ItemsTable((), sheet.understood, {}, tuple(faults))
    faults += sheet.faults
    if not sheet.rows:
        faults.append(Fault("rows", NOTHING, "", "one row per item", "Fill in the table."))
    drafts, more = _drafts(sheet, placed)
    faults += more
    headers = {c.path: c.header for c in COLUMNS} | {"parts": "material"}
    headers |= {c.column.path: c.header for c in placed}
    names: list[str] = []
    for draft in drafts:
        faults += _item_faults(draft, headers)
        name = str(draft.item.get("name", draft.item.get("device", "")))
        if name and name in names:
            faults.append(Fault(place(draft.row, "name"), repr(name), "", "a name used once",
                                "Use quantity for equal pieces, or another name."))  # fmt: skip
        names.append(name)
    understood = f"{sheet.understood}, {len(drafts)} item{'s' * (len(drafts) != 1)}"
    return ItemsTable(tuple(drafts), understood, headers, tuple(faults))


def _text_headers(content: bytes) -> set[str]:
    """List the headers of free text, as spelled, so that a name may begin with a number."""
    first = content[:10_000].decode("utf-8-sig", errors="ignore").splitlines()[:1]
    cells = re.split(r"[;,\t]", first[0]) if first else []
    texts = {column.header for column in COLUMNS if column.text}
    return {cell.strip().strip('"') for cell in cells if cell.strip().strip('"').lower() in texts}


def table_from_bytes(content: bytes, name: str) -> ItemsTable:
    """Read items from the content of a CSV or Excel file, with the faults of its cells.

    Parameters
    ----------
    content : bytes
        The whole file.
    name : str
        Its file name.

    Returns
    -------
    ItemsTable
        Items that `resolve` and `read_plan` take, what was understood, and every fault, by row
        and column.

    Raises
    ------
    InputError
        If it is no table at all.
    MissingExtraError
        If Excel is given and the extra ``excel`` is not installed.
    """
    return items_of_sheet(sheet_from_bytes(content, name, _text_headers(content)))


def items_from_bytes(content: bytes, name: str) -> ItemsTable:
    """Read items as `table_from_bytes`; raises InputError with every fault there is."""
    table = table_from_bytes(content, name)
    if table.faults:
        raise InputError(table.faults)
    return table


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


def _rows_of(item: Mapping[str, Any]) -> Iterator[Mapping[str, Any]]:
    """Spread an item over rows: its first part and lumen, then what continues it."""
    lists = {key: list(item.get(key) or ()) for key in _NAMES}
    yield item
    for i in range(1, max(map(len, lists.values()))):
        yield {key: blocks[i : i + 1] for key, blocks in lists.items()}
    for lumen in lists["lumens"]:
        for step in (lumen.get("drying") or ())[1:]:
            yield {"lumens": [{"name": lumen.get("name"), "drying": [step]}]}


def items_csv(items: Iterable[Mapping[str, Any]]) -> str:
    """Write items as the table `read_items` reads, further parts and lumens on further rows.

    Cells that a spreadsheet would run as a formula are neutralised.
    """
    rows = (row for item in items for row in _rows_of(item))
    return csv_text(HEADERS, [[_get(row, c.path) for c in COLUMNS] for row in rows])
