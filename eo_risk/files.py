"""Files a person hands in: read whole, refused when too large or no text."""

from __future__ import annotations

from pathlib import Path

from eo_risk.errors import NOTHING, Fault, InputError

LARGEST_FILE_BYTES = 20_000_000  # a guard against a file that is something else


def refuse(where: str, given: str, allowed: str, do: str, unit: str = "") -> InputError:
    """Build the error of one fault."""
    return InputError([Fault(where, given, unit, allowed, do)])


def write_text(path: Path, text: str) -> None:
    """Write a UTF-8 file; raises InputError when it cannot be written."""
    try:
        path.write_text(text, encoding="utf-8")
    except OSError as error:
        reason = error.strerror or "not writable"
        raise refuse(str(path), reason, "a file that can be written", "Check the folder.") from None


def check_size(size: int, where: str, what: str) -> None:
    """Refuse a file that is too large to be a `what`; raises InputError."""
    if size > LARGEST_FILE_BYTES:
        raise refuse(where, f"{size / 1e6:.0f}", f"up to {LARGEST_FILE_BYTES / 1e6:.0f} MB",
                     f"This is no {what}.", "MB")  # fmt: skip


def read_bytes(path: Path, what: str) -> bytes:
    """Read a file; raises InputError when it is absent, unreadable or too large."""
    try:
        check_size(path.stat().st_size, str(path), what)
        return path.read_bytes()
    except OSError as error:
        raise refuse(str(path), NOTHING, f"a file that can be read ({error.strerror})",
                     "Check the path.") from None  # fmt: skip


def as_text(content: bytes, where: str) -> str:
    """Decode UTF-8, with or without a byte order mark; raises InputError."""
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise refuse(where, "bytes", "UTF-8 text", "Save the file as UTF-8.") from None


def read_text(path: Path, what: str) -> str:
    """Read a UTF-8 text file; raises InputError as `read_bytes` and `as_text`."""
    return as_text(read_bytes(path, what), str(path))
