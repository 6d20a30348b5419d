"""What every kind of table has in common: how large it may be, and a cell as text."""

from __future__ import annotations

from datetime import date, datetime, time

MOST_ROWS = 20_000
MOST_COLUMNS = 200


def cell_text(value: object) -> str:
    """Write a cell value as text: numbers with a decimal point, times as ISO 8601."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float) and value.is_integer() and abs(value) < 1e15:
        return str(int(value))
    if isinstance(value, time):
        return value.isoformat("minutes")
    if isinstance(value, (datetime, date)):
        return value.isoformat()
    return str(value).strip()
