"""Excel workbooks: the cells of a first sheet, with what cannot be trusted refused."""

from __future__ import annotations

import csv
import io
import zipfile
from types import ModuleType

from eo_risk.cells import MOST_COLUMNS, MOST_ROWS, cell_text
from eo_risk.errors import Fault, InputError, MissingExtraError
from eo_risk.files import refuse

LARGEST_UNPACKED_BYTES = 200_000_000  # a workbook is a zip archive; a bomb unpacks to more


def _openpyxl() -> ModuleType:
    """Return the workbook library; raises MissingExtraError when it is not installed."""
    try:
        import openpyxl
    except ImportError:
        raise MissingExtraError(
            "Excel files need the extra 'excel': pip install 'eo-risk[excel]'; or use CSV"
        ) from None
    return openpyxl


def _check_archive(content: bytes, name: str) -> None:
    """Refuse what is no archive or unpacks to too much, before anything is unpacked."""
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            entries = archive.infolist()
    except zipfile.BadZipFile:
        raise refuse(name, "no workbook", "an .xlsx workbook", "Save it as .xlsx.") from None
    unpacked = sum(entry.file_size for entry in entries)
    if unpacked > LARGEST_UNPACKED_BYTES:
        raise refuse(name, f"{unpacked / 1e6:.0f} MB unpacked",
                      f"up to {LARGEST_UNPACKED_BYTES / 1e6:.0f} MB", "This is no list of items.")


def grid_of_workbook(content: bytes, name: str) -> tuple[list[tuple[int, list[str]]], str]:
    """Read the first sheet of a workbook as rows of text.

    Returns
    -------
    list of (int, list of str)
        Row number and cells.
    str
        What was understood.

    Raises
    ------
    InputError
        For no workbook, one that unpacks to too much, merged cells, formulas, error values.
    MissingExtraError
        If openpyxl is not installed.
    """
    openpyxl = _openpyxl()
    _check_archive(content, name)
    try:
        book = openpyxl.load_workbook(io.BytesIO(content), data_only=False)
    except Exception as error:  # the library raises many kinds for a damaged workbook
        raise refuse(name, str(error)[:60] or "no workbook", "an .xlsx workbook",
                      "Save it again as .xlsx.") from None  # fmt: skip
    if not book.worksheets:
        raise refuse(name, "no sheet", "a sheet with cells", "Put the table on a sheet.")
    sheet = book.worksheets[0]
    if sheet.max_row > MOST_ROWS or sheet.max_column > MOST_COLUMNS:
        raise refuse(f"{name}, sheet {sheet.title!r}",
                      f"{sheet.max_row} rows and {sheet.max_column} columns",
                      f"up to {MOST_ROWS} rows and {MOST_COLUMNS} columns",
                      "Delete empty formatted cells.")  # fmt: skip
    faults = [
        Fault(f"cells {merged}", "merged", "", "one value per cell", "Unmerge these cells.")
        for merged in sheet.merged_cells.ranges
    ]
    grid = []
    for number, cells in enumerate(sheet.iter_rows(), start=1):
        for cell in cells:
            if cell.data_type in ("f", "e"):
                kind = "a formula" if cell.data_type == "f" else f"the error {cell.value}"
                faults.append(Fault(f"cell {cell.coordinate}", kind, "", "a value",
                                    "Paste values instead of formulas."))  # fmt: skip
        grid.append((number, [cell_text(cell.value) for cell in cells]))
    if faults:
        raise InputError(faults)
    return grid, f"Excel sheet {sheet.title!r}"


def workbook_of_csv(text: str) -> bytes:
    """Write CSV text as a workbook whose cells are all text, never formulas.

    Raises
    ------
    MissingExtraError
        If openpyxl is not installed.
    """
    openpyxl = _openpyxl()
    book = openpyxl.Workbook()
    for row, cells in enumerate(csv.reader(io.StringIO(text, newline="")), start=1):
        for column, value in enumerate(cells, start=1):
            cell = book.active.cell(row, column, value)
            cell.data_type = "s"
    content = io.BytesIO()
    book.save(content)
    return content.getvalue()
