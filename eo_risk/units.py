"""Units: exact constants and factors, conversion at the edges, nothing else.

Inside the package every quantity is SI. A unit name here is the spelling used in
``reference/`` and in field names; a factor turns one of it into SI.
"""

from __future__ import annotations

import math
import re

GAS_CONSTANT_J_PER_MOL_K = 8.31446261815324  # exact since the 2019 SI
ZERO_CELSIUS_K = 273.15
STANDARD_ATMOSPHERE_PA = 101325.0
STANDARD_GRAVITY_M_PER_S2 = 9.80665
SECONDS_PER_HOUR = 3600.0
SECONDS_PER_DAY = 86400.0

# Of any unit: what is less than this is nothing, for its square is zero in the computer.
LEAST = 1e-100

# Thinner walls and narrower bores are rather a number given in metres.
LEAST_WALL_MM, LEAST_BORE_MM = 0.005, 0.01

# One of the named unit, in SI. Temperatures are converted by their own functions.
SI_FACTOR: dict[str, float] = {
    "-": 1.0,
    "1": 1.0,
    "%": 1e-2,
    "ppm": 1e-6,
    "m": 1.0,
    "cm": 1e-2,
    "mm": 1e-3,
    "um": 1e-6,
    "in": 0.0254,
    "Fr": 1e-3 / 3.0,  # French gauge: a third of a millimetre of outer diameter
    "m2": 1.0,
    "cm2": 1e-4,
    "m3": 1.0,
    "L": 1e-3,
    "mL": 1e-6,
    "cm3": 1e-6,
    "uL": 1e-9,
    "kg": 1.0,
    "g": 1e-3,
    "mg": 1e-6,
    "ug": 1e-9,
    "oz": 0.028349523125,
    "lb": 0.45359237,
    "s": 1.0,
    "min": 60.0,
    "h": 3600.0,
    "d": 86400.0,
    "Pa": 1.0,
    "kPa": 1e3,
    "mbar": 1e2,
    "bar": 1e5,
    "psi": 6894.757293168361,
    "inHg": 3386.388640341,
    "mmHg": 133.322387415,
    "atm": 101325.0,
    "K": 1.0,
    "J": 1.0,
    "kJ": 1e3,
    "W": 1.0,
    "mol": 1.0,
    "g/mol": 1e-3,
    "kJ/mol": 1e3,
    "J/kg": 1.0,
    "kJ/kg": 1e3,
    "J/(kg K)": 1.0,
    "W/(m2 K)": 1.0,
    "W/(m K)": 1.0,
    "W/K": 1.0,
    "N/m": 1.0,
    "Pa s": 1.0,
    "m/s": 1.0,
    "1/s": 1.0,
    "1/min": 1.0 / 60.0,
    "1/h": 1.0 / 3600.0,
    "m2/s": 1.0,
    "cm2/s": 1e-4,
    "kg/m3": 1.0,
    "g/cm3": 1e3,
    "g/m3": 1e-3,
    "mg/m3": 1e-6,
    "mg/L": 1e-3,
    "mg/mL": 1.0,
    "L/g": 1.0,  # (mg/g)/(mg/L); the same number in m3/kg
    "m3/kg": 1.0,
    "L/mol": 1e-3,
    "L/(mol s)": 1e-3,
    "L/(mol min)": 1e-3 / 60.0,
    "L2/(mol2 s)": 1e-6,
    "mol/L": 1e3,
    "mol/m3": 1.0,
    "mol/(m3 Pa)": 1.0,
    "kg/m2": 1.0,
    "mg/cm2": 1e-2,
    "ug/cm2": 1e-5,
    "mg/cm": 1e-4,
    "kg/m": 1.0,
    "mg/kg/d": 1e-6 / 86400.0,
    "mg/d": 1e-6 / 86400.0,
    "ug/g": 1e-6,
    "mg/g": 1e-3,
    "mg/kg": 1e-6,
    "g/g": 1.0,
    "m3/s": 1.0,
    "m3/h": 1.0 / 3600.0,
    "NL/min": 1e-3 / 60.0,  # litre of gas at the stated normal condition
}


def to_si(value, unit: str):
    """Convert a value given in `unit` to SI; raises KeyError for an unknown unit."""
    return value * SI_FACTOR[unit]


def from_si(value, unit: str):
    """Convert an SI value to `unit`; raises KeyError for an unknown unit."""
    return value / SI_FACTOR[unit]


def celsius_to_kelvin(temperature_c):
    """Convert a temperature from degrees Celsius to kelvin."""
    return temperature_c + ZERO_CELSIUS_K


def kelvin_to_celsius(temperature_k):
    """Convert a temperature from kelvin to degrees Celsius."""
    return temperature_k - ZERO_CELSIUS_K


def convert(value: float, unit: str, to: str) -> float:
    """Turn a value from one unit into another of the same kind, temperatures included.

    Parameters
    ----------
    value : float
        The number. [`unit`]
    unit, to : str
        Keys of `SI_FACTOR`, ``C`` or ``F``.

    Returns
    -------
    float
        The number in `to`.

    Raises
    ------
    ValueError
        If a unit is unknown or the two are not of one kind.
    """
    if unit == to:
        return value
    if unit in _TEMPERATURE and to in _TEMPERATURE:
        celsius = {"C": value, "F": (value - 32.0) / 1.8, "K": value - ZERO_CELSIUS_K}[unit]
        return {"C": celsius, "F": celsius * 1.8 + 32.0, "K": celsius + ZERO_CELSIUS_K}[to]
    if _KIND.get(unit) is None or _KIND.get(unit) != _KIND.get(to):
        raise ValueError(f"{unit!r} cannot be turned into {to!r}")
    return from_si(to_si(value, unit), to)


def tidy(value: float) -> float:
    """Drop what a conversion adds beyond 15 figures, so that 12 in and 304.8 mm are one number."""
    return float(f"{value:.15g}")


def units_like(unit: str) -> list[str]:
    """List the units a value in `unit` can be turned into, `unit` itself among them."""
    group = _TEMPERATURE[:2] if unit in _TEMPERATURE else _KIND_GROUPS.get(_KIND.get(unit, ""), ())
    return list(group) or [unit]


_TEMPERATURE = ("C", "F", "K")
_KIND_GROUPS = {
    "length": ("m", "cm", "mm", "um", "in", "Fr"),
    "mass": ("kg", "g", "mg", "ug", "oz", "lb"),
    "time": ("s", "min", "h", "d"),
    "volume": ("m3", "L", "mL", "cm3", "uL"),
    "area": ("m2", "cm2"),
    "pressure": ("Pa", "kPa", "mbar", "bar", "psi", "inHg", "mmHg", "atm"),
    "concentration": ("kg/m3", "g/m3", "mg/m3", "mg/L", "mg/mL"),
}
_KIND = {unit: kind for kind, group in _KIND_GROUPS.items() for unit in group}

_NUMBER = re.compile(r"([-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?)\s*(.*)")
_FRACTION = re.compile(r"([-+]?)(?:(\d+)\s+)?(\d+)\s*/\s*(\d+)(?![\d./])\s*(.*)")
# How people write a unit: lower case, without blanks and degree signs, micro sign as u.
_SPELLINGS = {
    **{unit.lower(): unit for unit in SI_FACTOR},
    **dict.fromkeys(("c", "degc", "celsius"), "C"),
    **dict.fromkeys(("f", "degf", "fahrenheit"), "F"),
    **dict.fromkeys(("hpa", "millibar"), "mbar"),
    **dict.fromkeys(("inch", "inches", '"', "\u2033", "\u201d"), "in"),
    **dict.fromkeys(("french", "ch"), "Fr"),
    **dict.fromkeys(("gram", "grams"), "g"),
    **dict.fromkeys(("ounce", "ounces"), "oz"),
    **dict.fromkeys(("mins", "minute", "minutes"), "min"),
    **dict.fromkeys(("hr", "hrs", "hour", "hours"), "h"),
    **dict.fromkeys(("sec", "second", "seconds"), "s"),
    **dict.fromkeys(("%rh", "percent"), "%"),
    **dict.fromkeys(("/h", "perh", "perhour"), "1/h"),
    **dict.fromkeys(("cm²", "sqcm"), "cm2"),
}
_READINGS = {"absolute": "absolute", "abs": "absolute", "gauge": "gauge", "vacuum": "vacuum"}
_WITH_READING = {
    "psia": "psi absolute", "psig": "psi gauge", "bara": "bar absolute", "barg": "bar gauge",
}  # fmt: skip


def unit_named(text: str) -> str | None:
    """Find the unit a person means by `text`; None when there is none."""
    plain = re.sub(r"[\s°]", "", text).replace("µ", "u").replace("μ", "u").lower()
    return _SPELLINGS.get(plain)


def _pressure_absolute_pa(number: float, unit: str, reading: str, ambient_pa: float) -> float:
    value_pa = to_si(number, unit)
    if reading == "absolute":
        return value_pa
    return ambient_pa + value_pa if reading == "gauge" else ambient_pa - value_pa


def _split_pressure(text: str) -> tuple[str, str]:
    text = _WITH_READING.get(text.strip().lower(), text)
    words = text.replace("(", " ").replace(")", " ").split()
    reading = next((_READINGS[w.lower()] for w in words if w.lower() in _READINGS), "")
    rest = [w for w in words if w.lower() not in (*_READINGS, "of")]
    return " ".join(rest), reading


def split_number(text: str) -> tuple[float, str]:
    """Split text into its number, which may be a fraction as in ``1 1/4 in``, and the rest.

    Raises
    ------
    ValueError
        If the text does not begin with a number, or writes it with a comma.
    """
    text = text.strip()
    if re.search(r"\d,\d", text):
        raise ValueError("write a decimal point, not a comma")
    if match := _FRACTION.fullmatch(text):
        sign, whole, part, parts = match[1], int(match[2] or 0), int(match[3]), int(match[4])
        if parts == 0:
            raise ValueError("a fraction of nothing")
        return float(f"{sign}{whole + part / parts!r}"), match[5].strip()
    match = _NUMBER.fullmatch(text)
    if match is None:
        raise ValueError("not a number with a unit")
    return float(match[1]), match[2].strip()


def parse_quantity(
    text: str, unit: str, *, ambient_pa: float = STANDARD_ATMOSPHERE_PA
) -> float:
    """Read a number with its unit, such as ``131 F`` or ``27 inHg vacuum``.

    Parameters
    ----------
    text : str
        A number or fraction, and its unit; a pressure also says absolute, gauge or vacuum.
    unit : str
        The unit of the field: a key of `SI_FACTOR`, ``C``, or a pressure unit followed by
        ``gauge``; a pressure unit alone means absolute.
    ambient_pa : float
        Ambient pressure that gauge and vacuum readings refer to. [Pa]

    Returns
    -------
    float
        The number in the unit of the field.

    Raises
    ------
    ValueError
        If the text is no number, the unit does not fit the field, or a pressure does not
        say how it was read.
    """
    number, rest = split_number(text)
    if not rest:
        return number
    field_unit, _, field_reading = unit.partition(" ")
    if _KIND.get(field_unit) == "pressure":
        name, reading = _split_pressure(rest)
        given = unit_named(name)
        if _KIND.get(given) != "pressure":
            raise ValueError(f"{rest!r} is no pressure unit")
        if not reading:
            raise ValueError("a pressure with a unit must say absolute, gauge or vacuum")
        absolute_pa = _pressure_absolute_pa(number, given, reading, ambient_pa)
        return tidy(from_si(absolute_pa - (ambient_pa if field_reading else 0.0), field_unit))
    given = unit_named(rest)
    if given is None or (field_unit == "C" and given not in ("C", "F")):
        raise ValueError(f"{rest!r} is no unit of this field; {_allowed(field_unit)}")
    try:
        return tidy(convert(number, given, field_unit))
    except ValueError:
        raise ValueError(f"{rest!r} cannot be turned into {field_unit}") from None


def _allowed(unit: str) -> str:
    return ", ".join(units_like(unit))


def hours_text(hours: float) -> str:
    """Write hours rounded up to three figures, at the finest to a tenth."""
    size = math.floor(math.log10(hours)) if hours > 0.0 else 0
    step = 10.0 ** max(size - 2, -1)
    up = math.ceil(hours / step - 1e-5) * step
    return f"{up:.1f} h".replace(".0 h", " h")


def figures_text(number: float, figures: int = 3) -> str:
    """Write a number with a few significant figures, without an exponent where legible."""
    text = f"{number + 0.0:.{figures}g}"  # no minus before a zero
    return f"{float(text):.10g}" if "e" in text and 1e-4 <= abs(number) < 1e7 else text


def percent(share: float) -> str:
    """Write a share in whole percent; what is not all, or not nothing, never reads so."""
    if 0.0 < share < 0.01:
        return "below 1 %"
    return "over 99 %" if 0.99 < share < 1.0 else f"{100.0 * share:.0f} %"


def floor_to(number: float, digits: int = 3) -> float:
    """Round down to a few figures: a largest amount is never printed larger than it is."""
    if number <= 0.0:
        return number
    step = 10.0 ** (math.floor(math.log10(number)) - digits + 1)
    return math.floor(number / step + 1e-9) * step
