"""Field types of a load plan: numbers with a unit and a range, words from a list.

An unknown is legal everywhere: a missing key, null and ``"unknown"`` mean the same and
become None. A number may be text with a unit; it is turned into the field's unit.
"""

from __future__ import annotations

import math
from datetime import datetime
from typing import Annotated, Any, Literal, get_args

from pydantic import (
    BaseModel,
    BeforeValidator,
    ConfigDict,
    ValidationError,
    ValidationInfo,
    WithJsonSchema,
    model_serializer,
    model_validator,
)
from pydantic_core import PydanticCustomError

from eo_risk.errors import NOTHING, Fault, nearest
from eo_risk.key_hints import unknown_key
from eo_risk.plan.clock import is_day, is_time_of_day
from eo_risk.units import LEAST, STANDARD_ATMOSPHERE_PA, parse_quantity


class Block(BaseModel):
    """One block of a plan: frozen, and a key it does not know is refused."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    @model_validator(mode="before")
    @classmethod
    def _unknown_is_missing(cls, raw: Any) -> Any:
        if not isinstance(raw, dict):
            return raw
        return {key: value for key, value in raw.items() if not is_unknown(value)}

    @model_serializer(mode="wrap")
    def _unknown_is_written(self, handler) -> dict[str, Any]:
        return {key: "unknown" if v is None else v for key, v in handler(self).items()}


NONE_NAMED = "none"  # somebody was asked for a number, and names none


def named(value: float | str | None) -> float | None:
    """Return a number that somebody names; None where it is unknown or none is named."""
    return None if value is None or value == NONE_NAMED else float(value)


def fault(
    given: Any, unit: str, allowed: str, do: str = "Correct it.", *, field: str = ""
) -> PydanticCustomError:
    """Make the complaint about a value; a check of a whole block names the field itself."""
    context = {"given": str(given)[:80], "unit": unit, "allowed": allowed, "do": do,
               "field": field}  # fmt: skip
    return PydanticCustomError("fault", "{given} {unit} is not allowed; {allowed}. {do}", context)


def is_unknown(value: Any) -> bool:
    """Tell whether a raw value means unknown."""
    return value is None or (isinstance(value, str) and value.strip().lower() == "unknown")


def range_text(low: float, high: float, above: bool, unit: str) -> str:
    """Say a range in words, for an error message."""
    if not math.isfinite(low):
        return f"a number {unit}".strip()
    start = f"more than {low:g}" if above else f"{low:g}"
    end = f" to {high:g}" if math.isfinite(high) else "" if above else " or more"
    return f"{start}{end} {unit}".strip()


def _read_number(value: Any, unit: str, allowed: str, ambient_pa: float) -> float:
    if isinstance(value, bool) or not isinstance(value, (int, float, str)):
        raise fault(value, unit, allowed, "Give a number or 'unknown'.")
    if isinstance(value, str):
        try:
            value = parse_quantity(value, unit, ambient_pa=ambient_pa)
        except ValueError as error:
            raise fault(repr(value), "", f"{allowed}; {error}", "Correct the text.") from None
    if not math.isfinite(value):
        raise fault(value, unit, allowed, "Give a finite number or 'unknown'.")
    return float(value)


def _as_schema(
    schema: dict, description: str, *, text: bool = True, none: bool = False
) -> WithJsonSchema:
    """Say in the JSON Schema what a field takes: the value, text such as unknown, or null."""
    kinds = [schema, *([{"const": NONE_NAMED}] if none else []),
             *([{"type": "string"}] if text else []), {"type": "null"}]  # fmt: skip
    return WithJsonSchema({"anyOf": kinds} | ({"description": description} if description else {}))


def number(
    unit: str, low: float = 0.0, high: float = math.inf, *, above: bool = False,
    or_none: bool = False,
) -> Any:  # fmt: skip
    """Make the type of a number that may be unknown.

    `low` to `high` is the allowed range in `unit`; with `above` the low end is excluded. With
    `or_none` it may also be ``"none"``: whoever could name one does not, which is an answer.
    Gauge and vacuum pressures refer to `ambient_pa` of the validation context, else to the
    standard atmosphere.
    """
    spread, none = range_text(low, high, above, unit), f", or {NONE_NAMED}" * or_none
    allowed = spread + none

    def check(value: Any, info: ValidationInfo) -> float | str | None:
        if is_unknown(value):
            return None
        if or_none and isinstance(value, str) and value.strip().lower() == NONE_NAMED:
            return NONE_NAMED
        ambient_pa = (info.context or {}).get("ambient_pa", STANDARD_ATMOSPHERE_PA)
        given = _read_number(value, unit, allowed, ambient_pa)
        if given > high or given < low or (above and given <= low + LEAST):
            raise fault(f"{given:g}", unit, allowed, "Correct it, or write 'unknown'.")
        return given

    ends = {"exclusiveMinimum" if above else "minimum": low, "maximum": high}
    schema = {"type": "number"} | {key: end for key, end in ends.items() if math.isfinite(end)}
    described = _as_schema(schema, f"{spread}; or text with a unit{none}", none=or_none)
    kind = float | Literal[NONE_NAMED] | None if or_none else float | None
    return Annotated[kind, BeforeValidator(check), described]


def whole(low: int = 0, high: int = 1_000_000) -> Any:
    """Make the type of a whole number that may be unknown."""
    allowed = f"a whole number from {low} to {high}"

    def check(value: Any) -> int | None:
        if is_unknown(value):
            return None
        if isinstance(value, str) and value.strip().lstrip("-").isdigit():
            value = int(value)
        counted = isinstance(value, (int, float)) and not isinstance(value, bool)
        if not counted or not math.isfinite(value) or value != int(value):
            raise fault(value, "", allowed, "Correct it, or write 'unknown'.")
        if not low <= value <= high:
            raise fault(value, "", allowed, "Correct it, or write 'unknown'.")
        return int(value)

    schema = {"type": "integer", "minimum": low, "maximum": high}
    return Annotated[int | None, BeforeValidator(check), _as_schema(schema, allowed)]


def word(literal: Any) -> Any:
    """Make the type of a word from a list that may be unknown; the nearest is offered."""
    choices = get_args(literal)

    def check(value: Any) -> str | None:
        if is_unknown(value):
            return None
        if value not in choices:
            raise fault(repr(value), "", nearest(value, choices), "Use one of these words.")
        return value

    schema = {"enum": [*choices, "unknown"]}
    return Annotated[literal | None, BeforeValidator(check), _as_schema(schema, "", text=False)]


_WHOLE_TIME = "Write date, time and offset."


def _moment(value: Any) -> datetime | None:
    return _read_moment(value, "a time such as 2026-03-12T06:30+01:00", _WHOLE_TIME)


def _later_moment(value: Any) -> datetime | None:
    """Read a moment after the start of the cycle, whose date a time of day took on the way here."""
    whole = "a time such as 2026-03-12T15:00+01:00"
    if is_time_of_day(value):
        return _read_moment(value, whole, _WHOLE_TIME)
    either = f"a time of day from 0:00 to 23:59, such as 15:00, or {whole}"
    return _read_moment(value, either, "Correct it.")


def _read_moment(value: Any, allowed: str, do: str) -> datetime | None:
    if is_unknown(value):
        return None
    try:
        moment = value if isinstance(value, datetime) else datetime.fromisoformat(str(value))
    except ValueError:
        raise fault(repr(value), "", allowed, do) from None
    if not 1970 <= moment.year <= 2200:
        raise fault(repr(value), "", "a year from 1970 to 2200", "Correct the year.")
    if is_day(value):
        raise fault(repr(value), "", allowed, "Add the time of day.")
    if moment.tzinfo is None:
        do = "Add the offset from UTC, or name a site file with a time zone (--site)."
        raise fault(repr(value), "", allowed, do)
    return moment


def _text(value: Any) -> str:
    if value is None:
        return ""
    if not isinstance(value, str) or len(value) > 500 or any(ord(c) < 32 for c in value):
        given = repr(value)[:60]
        raise fault(given, "", "one line of text, up to 500 characters", "Shorten it.")
    return value


Moment = Annotated[
    datetime | None,
    BeforeValidator(_moment),
    _as_schema({"type": "string", "format": "date-time"}, "ISO 8601 with its offset"),
]
LaterMoment = Annotated[
    datetime | None,
    BeforeValidator(_later_moment),
    _as_schema({"type": "string", "format": "date-time"}, "ISO 8601 with its offset"),
]
Text = Annotated[str, BeforeValidator(_text)]
YesNo = word(Literal["yes", "no"])
Looked = word(Literal["yes", "no", "not_looked"])


# What pydantic's own complaints allow, in plain words.
_ALLOWED = {
    "missing": "a value",
    "tuple_type": "a list",
    "string_too_short": "one character or more",
    "too_short": "one character or more",
    "model_type": "a block of fields",
}


def dotted(location: tuple) -> str:
    """Write a location as a JSON path: items[2].parts[0].thickness_mm."""
    path = ""
    for step in location:
        path += f"[{step}]" if isinstance(step, int) else f".{step}" if path else str(step)
    return path or "(file)"


def faults_of(error: ValidationError, known_fields: dict[str, list[str]]) -> list[Fault]:
    """Turn every complaint of pydantic into a fault a user can act on."""
    found = []
    for item in error.errors(include_url=False):
        context = item.get("ctx", {})
        where = dotted((*item["loc"], *filter(None, [context.get("field")])))
        if item["type"] == "fault":
            found.append(Fault(where, *(context[k] for k in ("given", "unit", "allowed", "do"))))
        elif item["type"] == "extra_forbidden":
            found.append(_unknown_key(where, item["loc"], known_fields))
        else:
            given = NOTHING if item["type"] == "missing" else repr(item.get("input"))[:60]
            allowed = _ALLOWED.get(item["type"], item["msg"].removeprefix("Value error, "))
            found.append(Fault(where, given, "", allowed, "Correct or complete it."))
    return found


def _unknown_key(where: str, location: tuple, known_fields: dict[str, list[str]]) -> Fault:
    """Refuse a key, and tell where it belongs or which field may be meant."""
    above = [str(step) for step in location[:-1] if not isinstance(step, int)]
    names, key = known_fields.get(above[-1] if above else "", []), str(location[-1])
    others = {block: fields for block, fields in known_fields.items() if block}
    blocks = sorted(block for block, fields in others.items() if key in fields)
    there = f"; it is one of {' or '.join(blocks)}" * bool(blocks)
    return unknown_key(where, repr(key), key, names, f"This key is not known here{there}.",
                       None if blocks else others)  # fmt: skip
