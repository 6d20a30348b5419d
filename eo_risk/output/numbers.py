"""How numbers, times and free text are written: figures, bands, units, nothing disguised."""

from __future__ import annotations

import math
import re
import unicodedata
from collections.abc import Sequence
from datetime import datetime

from eo_risk.units import figures_text, hours_text

UNKNOWN = "unknown"
NOT_COMPUTED = "not computed"
_LEAST = 1e-3  # of a band in mg or per area, far below every limit: less is not worth reading
_UNITS = {"ug": "µg", "ug/cm2": "µg/cm²", "mg/d": "mg/day", "1/h": "air changes per h",
          "C": "°C", "F": "°F"}  # fmt: skip


def shown_unit(unit: str) -> str:
    """Spell a unit the way it is printed."""
    return _UNITS.get(unit, re.sub(r"\bug", "µg", unit).replace("cm2", "cm²").replace("m3", "m³"))


def printable(text: object) -> str:
    """Replace control and direction characters, which could disguise what a line says."""
    return "".join(
        " " if unicodedata.category(c) in ("Cc", "Cf", "Cs", "Co", "Zl", "Zp") else c
        for c in str(text)
    )


def significant(number: float | None, digits: int = 3) -> str:
    """Write a number with a few significant figures; what is no number is not computed."""
    if number is None or not math.isfinite(number):
        return NOT_COMPUTED
    return figures_text(number, digits)


def with_unit(number: float | None, unit: str, digits: int = 3) -> str:
    """Write a number with its unit."""
    text = significant(number, digits)
    return text if text == NOT_COMPUTED else f"{text} {shown_unit(unit)}"


def _digits_apart(points: Sequence[float], limit: float | None) -> int:
    """Count the figures, 2 to 4, that keep every point on its own side of the limit."""
    if limit is None:
        return 2
    shown_limit = float(significant(limit))
    for digits in (2, 3):
        rounded = [float(f"{p:.{digits}g}") for p in points]
        pairs = zip(points, rounded, strict=True)
        if all((p > limit) == (r > shown_limit) and (p == limit or r != shown_limit)
               for p, r in pairs):  # fmt: skip
            return digits
    return 4


def _figures(number: float, digits: int, least: float) -> str:
    """Write all the figures asked for: 2.0, not 2."""
    if 0.0 < number < least:
        return f"below {least:g}"
    text = f"{number:#.{digits}g}".rstrip(".")
    return significant(number, digits) if "e" in text or number == 0 else text


def band_text(band: dict, unit: str, limit: float | None = None, *, least: float = _LEAST) -> str:
    """Write a median with its 5 to 95 % band: ``6.1 mg (3.9 to 9.8)``.

    What is below `least` but not nought is not told apart.
    """
    points = [band.get(key) for key in ("p05", "p50", "p95")]
    if any(p is None or not math.isfinite(p) for p in points):
        return NOT_COMPUTED
    digits = _digits_apart(points, limit)
    low, middle, high = (_figures(p, digits, least) for p in points)
    return f"{middle} {shown_unit(unit)} ({low} to {high})"


def hours_up(hours: float | None) -> str:
    """Write hours rounded up: a printed time never falls short of the needed one."""
    return NOT_COMPUTED if hours is None or not math.isfinite(hours) else hours_text(hours)


def chance_text(probability: float | None, error: float | None, samples: int) -> str:
    """Write the chance of being over a limit with its sampling error, in percent.

    None or all of the samples is no chance of nought or one: then they are counted.
    """
    if probability is None:
        return "-"
    if probability in (0.0, 1.0):
        return f"{probability * samples:.0f} of {samples} samples"
    percent = f"{100.0 * probability:.1f}"
    margin = "" if error is None else f" ± {100.0 * error:.1f}"
    return f"{percent}{margin} %"


def moment_text(moment: datetime | str | None) -> str:
    """Write a time with its offset, without seconds."""
    if moment is None:
        return UNKNOWN
    if isinstance(moment, str):
        moment = datetime.fromisoformat(moment)
    text = moment.isoformat(sep=" ", timespec="minutes")
    return f"{text[:16]} {text[16:]}".strip()


def known(value: object, unit: str = "", digits: int = 3) -> str:
    """Write a plan field with its unit; a blank says unknown."""
    if value is None or value == "":
        return UNKNOWN
    if isinstance(value, (int, float)) and not isinstance(value, bool):
        text = significant(float(value), digits)
        return f"{text} {shown_unit(unit)}".strip()
    return printable(value)


def shorten(text: str, length: int) -> str:
    """Cut text at a word, with an ellipsis that says there is more."""
    text = " ".join(printable(text).split())
    if len(text) <= length:
        return text
    head = text[: length - 1]
    at_word = head.rsplit(" ", 1)[0]
    return (at_word if len(at_word) > length // 2 else head).rstrip(" ,;:.") + "…"
