"""Residue test results as a table: CSV or Excel in, checked rows out, or every fault.

Nothing is imported unless the whole table holds. Amounts stay in the laboratory's unit here;
`device_amounts` turns them into mg per device.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from eo_risk.errors import NOTHING, Fault, InputError, nearest
from eo_risk.files import read_bytes
from eo_risk.key_hints import unknown_key
from eo_risk.spreadsheet import Row, Sheet, csv_text, place, sheet_from_bytes

SUBSTANCES = ("EO", "ECH", "EG")
EXTRACTIONS = ("simulated_use", "exhaustive", "headspace")
UNITS = ("mg/device", "ug/device", "ug/mL", "ug/g", "ug/cm2")
LONGEST_H = 20_000.0  # a guard against a date or minutes in the hours column

REQUIRED = ("lot", "aeration_h", "substance", "result", "unit")
# Header, unit, what belongs there.
TEMPLATE_COLUMNS: tuple[tuple[str, str, str], ...] = (
    ("device", "", "name of the device tested"),
    ("lot", "", "production lot; required"),
    ("sterilisation_lot", "", "cycle or sterilisation lot"),
    ("sample", "", "number of the sample, so that equal results are no repeated row"),
    ("group", "", "packaging, position in the stack or family member, to compare"),
    ("state", "", "new or re-sterilised"),
    ("packaging", "", "packaging during aeration"),
    ("aeration_h", "h", "hours after the end of the cycle; required"),
    ("aeration_temperature_c", "C", "temperature of the aeration"),
    ("date", "", "date of the test"),
    ("extraction", "", ", ".join(EXTRACTIONS)),
    ("extract_volume_ml", "mL", "volume of the extract; needed for ug/mL"),
    ("sample_mass_g", "g", "mass extracted when it is only a part of the device"),
    ("device_mass_g", "g", "mass of the whole device; needed for ug/g"),
    ("area_cm2", "cm2", "contact area of the whole device; needed for ug/cm2"),
    ("substance", "", "EO, ECH or EG; required"),
    ("result", "", "a number, <0.05, ND or <LOQ; required"),
    ("unit", "", "one of " + ", ".join(UNITS) + "; one unit in the whole column; required"),
    ("detection_limit", "", "in the unit of the result"),
    ("quantitation_limit", "", "in the unit of the result"),
    ("report", "", "number of the laboratory report"),
)
_NAMES = tuple(name for name, _, _ in TEMPLATE_COLUMNS)
_NUMBERS = {"aeration_h", "aeration_temperature_c", "extract_volume_ml", "sample_mass_g",
            "device_mass_g", "area_cm2", "detection_limit", "quantitation_limit"}  # fmt: skip
_FREE_TEXT = {n for n in _NAMES if n not in _NUMBERS | {"result"}}
_NOT_DETECTED = {"nd", "n.d.", "not detected", "<lod", "< lod", "<dl"}
_NOT_QUANTIFIED = {"<loq", "< loq", "<ql", "nq"}
_UNIT_SPELLINGS = {
    "mg": "mg/device", "mgperdevice": "mg/device", "ug": "ug/device", "ugperdevice": "ug/device",
    "ug/ml": "ug/mL", "mg/l": "ug/mL", "ug/g": "ug/g", "mg/kg": "ug/g",
}  # fmt: skip
_AMBIGUOUS = {
    "ppm": "Parts per million of what? Write ug/g of the device, or ug/mL of the extract.",
    "%": "A share is no amount: write what the laboratory measured.",
}
_IDENTITY = ("device", "lot", "sterilisation_lot", "group", "state", "packaging", "extraction",
             "aeration_temperature_c", "aeration_h", "substance", "sample")  # fmt: skip


@dataclass(frozen=True)
class LabRow:
    """One result as reported, with all that was said about it.

    `result` is the reported number, or the limit the result lies below when `below` is true,
    in `unit`. Texts that were not given are empty, numbers None.
    """

    row: int
    lot: str
    aeration_h: float
    substance: str
    result: float
    below: bool
    unit: str
    device: str = ""
    sterilisation_lot: str = ""
    sample: str = ""
    group: str = ""
    state: str = ""
    packaging: str = ""
    aeration_temperature_c: float | None = None
    date: str = ""
    extraction: str = ""
    extract_volume_ml: float | None = None
    sample_mass_g: float | None = None
    device_mass_g: float | None = None
    area_cm2: float | None = None
    detection_limit: float | None = None
    quantitation_limit: float | None = None
    report: str = ""


@dataclass(frozen=True)
class LabTable:
    """Every row of a table and what the reader understood of its form."""

    rows: tuple[LabRow, ...]
    understood: str


def _headers(sheet: Sheet) -> tuple[dict[str, str], list[Fault]]:
    """Return column names by header as spelled, and the faults of the headers."""
    found: dict[str, str] = {}
    faults = list(sheet.faults)
    for header in sheet.headers:
        name = "_".join(header.strip().lower().split())
        if name not in _NAMES:
            faults.append(unknown_key(f"column {header!r}", "an unknown column", header, _NAMES,
                                      "See `eo-risk template lab`."))  # fmt: skip
        elif name in found.values():
            faults.append(Fault(f"column {header!r}", "a column given twice", "", "once",
                                "Remove one of them."))  # fmt: skip
        else:
            found[header] = name
    missing = [name for name in REQUIRED if name not in found.values()]
    faults += [Fault(f"column {name!r}", NOTHING, "", "a required column", "Add this column.")
               for name in missing]  # fmt: skip
    return found, faults


class _Cells:
    """The cells of one row by column name; notes every fault with its place."""

    def __init__(self, row: Row, columns: dict[str, str], comma: bool):
        self.row = row
        self.text = {columns[h]: cell for h, cell in row.cells.items() if h in columns}
        self.comma = comma
        self.faults: list[Fault] = []

    def fault(self, column: str, given: str, allowed: str, do: str, unit: str = "") -> None:
        self.faults.append(Fault(place(self.row.number, column), given, unit, allowed, do))

    def number(self, column: str, low: float, high: float, unit: str, above: bool) -> float | None:
        text = self.text.get(column)
        if text is None:
            return None
        value = _float(text, self.comma)
        outside = not math.isfinite(value) or not low <= value <= high
        if outside or (above and value == low):
            allowed = f"{'more than' if above else 'from'} {low:g} to {high:g} {unit}".strip()
            self.fault(column, text, allowed, "Correct this cell.", unit)
            return None
        return value

    def word(self, column: str, choices: tuple[str, ...], spell: Callable[[str], str]) -> str:
        text = self.text.get(column, "")
        found = spell(text) if text else ""
        if text and found not in choices:
            todo = _AMBIGUOUS.get(found, "Use one of these.")
            self.fault(column, repr(text[:40]), nearest(text, choices), todo)
        return found


def _float(text: str, comma: bool) -> float:
    try:
        return float(text.replace(",", ".", 1) if comma else text)
    except ValueError:
        return math.nan


def _spelled_unit(text: str) -> str:
    plain = text.replace("µ", "u").replace("μ", "u").replace("²", "2")
    plain = "".join(plain.split()).lower()
    return _UNIT_SPELLINGS.get(plain, plain)


def _result(cells: _Cells, limits: dict[str, float | None]) -> tuple[float, bool]:
    """Return the number of a result and whether the result lies below it."""
    text = cells.text.get("result", "")
    plain = text.strip().lower()
    for words, column in ((_NOT_DETECTED, "detection_limit"),
                          (_NOT_QUANTIFIED, "quantitation_limit")):  # fmt: skip
        if plain in words:
            limit = limits[column]
            if limit is None:
                cells.fault("result", repr(text), f"with a number in column {column}",
                            "Give the limit of the method, or write <number.")  # fmt: skip
            return limit or math.nan, True
    below = plain.startswith("<")
    value = _float(plain.removeprefix("<").strip(), cells.comma)
    if not math.isfinite(value) or value <= 0.0:
        if text:
            cells.fault("result", repr(text[:40]), "a number above 0, <number, ND or <LOQ",
                        "Nothing found is below a detection limit: write < and it.")
        return math.nan, below
    floor = max((x for x in limits.values() if x is not None), default=0.0)
    # A number below what the method can quantify is only known to lie below that.
    return (floor, True) if value < floor and not below else (value, below)


def _lab_row(cells: _Cells) -> LabRow | None:
    """Check one row; None when it has a fault."""
    for column in REQUIRED:
        if column not in cells.text:
            cells.fault(column, NOTHING, "a value", "Fill in this cell.")
    number = cells.number
    limits = {c: number(c, 0.0, 1e9, "", True) for c in ("detection_limit", "quantitation_limit")}
    result, below = _result(cells, limits)
    texts = ("device", "lot", "sterilisation_lot", "sample", "group", "state", "packaging",
             "date", "report")  # fmt: skip
    fields = {
        "aeration_h": number("aeration_h", 0.0, LONGEST_H, "h", False),
        "aeration_temperature_c": number("aeration_temperature_c", -20.0, 120.0, "C", False),
        "extract_volume_ml": number("extract_volume_ml", 0.0, 1e6, "mL", True),
        "sample_mass_g": number("sample_mass_g", 0.0, 1e6, "g", True),
        "device_mass_g": number("device_mass_g", 0.0, 1e6, "g", True),
        "area_cm2": number("area_cm2", 0.0, 1e7, "cm2", True),
        "substance": cells.word("substance", SUBSTANCES, str.upper),
        "unit": cells.word("unit", UNITS, _spelled_unit),
        "extraction": cells.word("extraction", EXTRACTIONS,
                                 lambda t: "_".join(t.lower().replace("-", " ").split())),
        **{name: cells.text.get(name, "") for name in texts},
    }  # fmt: skip
    if cells.faults:
        return None
    return LabRow(row=cells.row.number, result=result, below=below, **limits, **fields)


def _table_faults(rows: list[LabRow]) -> list[Fault]:
    """Find what is wrong between rows: mixed units, repeated rows."""
    faults = []
    for row in rows[1:]:
        if row.unit != rows[0].unit:
            faults.append(
                Fault(place(row.row, "unit"), repr(row.unit), "",
                      f"one unit in the column; row {rows[0].row} has {rows[0].unit}",
                      "Put results in another unit in a table of their own.")
            )  # fmt: skip
    seen: dict[tuple, int] = {}
    for row in rows:
        key = tuple(getattr(row, name) for name in _IDENTITY)
        if not row.sample:
            # Samples without numbers are replicates unless they agree in everything.
            key += (row.result, row.below)
        if key in seen:
            faults.append(
                Fault(place(row.row, "result"), f"a repeat of row {seen[key]}", "",
                      "each result once", "Delete it, or number the samples in column sample.")
            )  # fmt: skip
        seen.setdefault(key, row.row)
    return faults


def results_of_sheet(sheet: Sheet) -> LabTable:
    """Turn a sheet into results; raises InputError with every fault, by row and column."""
    columns, faults = _headers(sheet)
    if not sheet.rows:
        faults.append(Fault("rows", NOTHING, "", "one row per result", "Fill in the table."))
    rows = []
    # A blank header column is a fault already; its cells would only repeat it.
    if set(REQUIRED) <= set(columns.values()):
        for row in sheet.rows:
            cells = _Cells(row, columns, sheet.decimal_comma)
            found = _lab_row(cells)
            faults += cells.faults
            if found is not None:
                rows.append(found)
    if faults := faults + _table_faults(rows):
        raise InputError(faults)
    return LabTable(tuple(rows), sheet.understood)


def template_csv() -> str:
    """Write an empty table with every column."""
    return csv_text(_NAMES, [])


def results_from_bytes(content: bytes, name: str) -> LabTable:
    """Read results from the content of a CSV or Excel file.

    Parameters
    ----------
    content : bytes
        The whole file.
    name : str
        Its file name.

    Returns
    -------
    LabTable
        Every row; a table with any fault gives none.

    Raises
    ------
    InputError
        With every fault, by row and column.
    MissingExtraError
        If Excel is given and the extra ``excel`` is not installed.
    """
    return results_of_sheet(sheet_from_bytes(content, name, _FREE_TEXT))


def read_results(path: Path) -> LabTable:
    """Read results from a CSV or Excel file; raises as `results_from_bytes`."""
    return results_from_bytes(read_bytes(path, "table of results"), path.name)
