"""Tables a person hands in or takes out: CSV and Excel cells, as text, with their places.

The reader states what it understood and refuses what it would have to guess: mixed decimal
styles, merged cells, formulas. What goes out cannot run as a formula in a spreadsheet.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, replace

from eo_risk.cells import MOST_ROWS, cell_text
from eo_risk.errors import Fault, InputError
from eo_risk.files import as_text, check_size, refuse
from eo_risk.workbook import grid_of_workbook

_FORMULA_SIGNS = "=+-@\t\r\n"
_DELIMITERS = {"\t": "tabs", ";": "semicolons", ",": "commas"}
_COMMA_NUMBER = re.compile(r"[<>]?\s*[-+]?\d+,\d+(?:[eE][-+]?\d+)?(?=\s|$)")
_POINT_NUMBER = re.compile(r"[<>]?\s*[-+]?\d*\.\d+(?:[eE][-+]?\d+)?(?=\s|$)")
_BOTH = re.compile(r"[-+]?\d+(?:\.\d+)+,\d+|[-+]?\d+(?:,\d+)+\.\d+")


@dataclass(frozen=True)
class Row:
    """One row: its number in the file and its cells by column header, blanks left out."""

    number: int
    cells: dict[str, str]


@dataclass(frozen=True)
class Sheet:
    """A table as read: its headers in order, its rows, and what the reader understood.

    `faults` are those of its shape; a caller adds the faults of the cells and raises all.
    """

    headers: tuple[str, ...]
    rows: tuple[Row, ...]
    understood: str
    faults: tuple[Fault, ...] = ()
    decimal_comma: bool = False


def place(row: int, column: str) -> str:
    """Name a cell for an error message."""
    return f"row {row}, column {column}"


def sheet_from_bytes(content: bytes, name: str, texts: Collection[str] = ()) -> Sheet:
    """Read the content of a CSV or Excel file.

    Parameters
    ----------
    content : bytes
        The whole file.
    name : str
        Its name; the ending ``.xlsx`` or the first bytes of an archive mean Excel.
    texts : collection of str
        Headers of columns that hold names and other free text, never numbers.

    Returns
    -------
    Sheet
        Cells as text; numbers with a decimal point whatever the file used.

    Raises
    ------
    InputError
        For what is no table at all: no UTF-8 text, mixed decimal styles, merged cells,
        formulas, a file or workbook too large. Repeated headers and cells beyond the headers
        are in `Sheet.faults`.
    MissingExtraError
        If Excel is given and the extra ``excel`` is not installed.
    """
    check_size(len(content), name, "table")
    if content[:4] == b"PK\x03\x04" or name.lower().endswith((".xlsx", ".xlsm", ".xls")):
        grid, understood = grid_of_workbook(content, name)
        return _sheet(grid, understood, name)
    return _sheet_of_text(as_text(content, name), name, texts)


def _delimiter(text: str) -> str:
    """Take the separator of the header line: a tab before a semicolon before a comma."""
    header = re.sub(r'"[^"]*"', "", next((ln for ln in text.splitlines() if ln.strip()), ""))
    return next((d for d in _DELIMITERS if d in header), ",")


def _sheet_of_text(text: str, name: str, texts: Collection[str]) -> Sheet:
    if "\x00" in text:
        raise refuse(name, "zero bytes", "UTF-8 text", "Save the file as CSV UTF-8.")
    delimiter = _delimiter(text)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    grid: list[tuple[int, list[str]]] = []
    try:
        for cells in reader:
            grid.append((reader.line_num, [_plain(cell.strip()) for cell in cells]))
            if len(grid) > MOST_ROWS:
                raise refuse(name, f"more than {MOST_ROWS}", f"up to {MOST_ROWS} rows",
                              "Split the table.", "rows")  # fmt: skip
    except csv.Error as error:
        raise refuse(f"{name}, row {reader.line_num}", str(error), "a CSV table",
                      "Correct the quotes of this row.") from None  # fmt: skip
    header = next((cells for _, cells in grid if any(cells)), [])
    free = {i for i, title in enumerate(header) if title in texts}
    comma = _decimal_comma(grid, delimiter, name, free)
    if comma:
        grid = [
            (n, [c if i in free else _with_point(c) for i, c in enumerate(cells)])
            for n, cells in grid
        ]
    style = "comma" if comma else "point"
    understood = f"columns separated by {_DELIMITERS[delimiter]}, decimal {style}"
    return replace(_sheet(grid, understood, name), decimal_comma=comma)


def _plain(cell: str) -> str:
    """Take back the apostrophe that `neutralised` put in front."""
    return cell[1:] if cell[:1] == "'" and cell[1:2] in _FORMULA_SIGNS and cell[1:] else cell


def _with_point(cell: str) -> str:
    return cell.replace(",", ".", 1) if _COMMA_NUMBER.match(cell) else cell


def _decimal_comma(
    grid: Sequence[tuple[int, list[str]]], delimiter: str, name: str, free: set[int]
) -> bool:
    """Tell whether numbers are written with a comma; raises when both styles occur."""
    commas, points, both = [], [], []
    for number, cells in grid[1:]:
        for column, cell in enumerate(cells):
            where = place(number, str(column + 1))
            if column in free:
                continue
            if _BOTH.match(cell):
                both.append(Fault(where, repr(cell[:40]), "", "one decimal sign, no thousands sign",
                                  "Write the number with a decimal sign only."))  # fmt: skip
            elif _COMMA_NUMBER.match(cell):
                commas.append((where, cell))
            elif _POINT_NUMBER.match(cell):
                points.append((where, cell))
    if both:
        raise InputError(both)
    if commas and delimiter == ",":
        raise InputError(
            Fault(where, repr(cell[:40]), "", "a decimal point, as commas separate the columns",
                  "Use decimal points, or separate columns by semicolons or tabs.")
            for where, cell in commas
        )  # fmt: skip
    if commas and points:
        raise refuse(
            name,
            f"decimal comma ({commas[0][1]!r} in {commas[0][0]}) and decimal point "
            f"({points[0][1]!r} in {points[0][0]})",
            "one decimal sign in the whole file", "Write every number in one style.",
        )  # fmt: skip
    return bool(commas)


def _sheet(grid: Iterable[tuple[int, list[str]]], understood: str, name: str) -> Sheet:
    filled = [(number, cells) for number, cells in grid if any(cells)]
    if not filled:
        raise refuse(name, "an empty table", "a header row and rows", "Fill in the template.")
    header_row, headers = filled[0]
    while headers and not headers[-1]:
        headers = headers[:-1]
    faults = []
    for i, header in enumerate(headers):
        if not header or header in headers[:i]:
            faults.append(Fault(place(header_row, str(i + 1)), repr(header), "",
                                "a header used once", "Name every column once."))  # fmt: skip
    rows = []
    for number, cells in filled[1:]:
        for i, cell in enumerate(cells[len(headers) :], start=len(headers) + 1):
            if cell:
                faults.append(Fault(place(number, str(i)), repr(cell[:40]), "",
                                    f"{len(headers)} columns, as in the header",
                                    "Put text that holds the separator in quotes."))  # fmt: skip
        pairs = zip(headers, cells, strict=False)
        rows.append(Row(number, {header: cell for header, cell in pairs if cell}))
    said = f"{understood}, {len(rows)} row{'s' * (len(rows) != 1)}"
    return Sheet(tuple(headers), tuple(rows), said, tuple(faults))


def neutralised(value: object) -> str:
    """Write a cell so that a spreadsheet shows it as text and never runs it.

    A text that begins with a sign a spreadsheet takes for a formula gets an apostrophe in
    front; a plain number keeps its sign.
    """
    text = cell_text(value)
    if text and text[0] in _FORMULA_SIGNS and not _is_number(text):
        return "'" + text
    return text


def _is_number(text: str) -> bool:
    return re.fullmatch(r"[-+]?\d+(\.\d+)?([eE][-+]?\d+)?", text) is not None


def csv_text(headers: Sequence[str], rows: Iterable[Sequence[object]]) -> str:
    """Write a table as CSV text with commas, every cell neutralised."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow([neutralised(h) for h in headers])
    writer.writerows([[neutralised(cell) for cell in row] for row in rows])
    return out.getvalue()
