"""The clock: from the cycle's start to the earliest time out, over midnight and time changes.

Durations are added in coordinated universal time, so that an hour is an hour when the
clocks change. No current time is read here.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta, tzinfo
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError, available_timezones

from eo_risk.errors import Fault, InputError, unknown_name

NO_ZONE_NOTE = (
    "The plan names no time zone: the offset of the cycle start is kept, and a change of the "
    "clocks in between is not shown."
)


@dataclass(frozen=True)
class TimeOut:
    """When a load may come out of aeration, and what to know about that time."""

    moment: datetime
    note: str = ""


def zone(name: str, where: str = "rules.time_zone") -> ZoneInfo:
    """Return a time zone by its IANA name; raises InputError with the nearest names."""
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        names = available_timezones()
        if not names:
            fault = Fault(where, repr(name), "", "a time zone of this computer",
                          "Install the Python package tzdata.")  # fmt: skip
        else:
            fault = unknown_name(where, name, names, "Use an IANA name.")
        raise InputError([fault]) from None


def up_to_minute(moment: datetime) -> datetime:
    """Round up to a whole minute: a sheet carries no seconds, and is never too early."""
    whole = moment.replace(second=0, microsecond=0)
    return whole if whole == moment else whole + timedelta(minutes=1)


def shown_in(moment: datetime, time_zone: str, otherwise: tzinfo | None) -> datetime:
    """Return a moment as the clocks of a time zone show it, else at a given offset."""
    return moment.astimezone(zone(time_zone) if time_zone else otherwise)


def earliest_out(
    cycle_start: datetime,
    cycle_length: timedelta,
    transfer: timedelta,
    required_h: float,
    time_zone: str = "",
    interrupted: timedelta = timedelta(),
) -> TimeOut:
    """Return when the load may come out of aeration.

    Parameters
    ----------
    cycle_start : datetime
        Start of the cycle, with its offset.
    cycle_length, transfer : timedelta
        Length of the cycle to the end of its last air wash, and the way to the aerator.
    required_h : float
        Hours of aeration required. [h]
    time_zone : str
        IANA name; empty keeps the offset of the start and says so.
    interrupted : timedelta
        Time lost during aeration, which the clock counts and the aeration does not.

    Returns
    -------
    TimeOut
        The moment, rounded up to a minute, with a note.

    Raises
    ------
    InputError
        If the time zone is unknown.
    """
    elapsed = cycle_length + transfer + interrupted + timedelta(hours=required_h)
    end = up_to_minute(cycle_start.astimezone(UTC) + elapsed)
    moment = shown_in(end, time_zone, cycle_start.tzinfo)
    if not time_zone:
        return TimeOut(moment, NO_ZONE_NOTE)
    start = cycle_start.astimezone(zone(time_zone))
    if start.utcoffset() != moment.utcoffset():
        return TimeOut(moment, "The clocks change between the start and this time; it is counted.")
    if start.utcoffset() != cycle_start.utcoffset():
        return TimeOut(moment, f"The cycle start is {start.isoformat(timespec='minutes')} in "
                               f"{time_zone}.")  # fmt: skip
    return TimeOut(moment)


def with_offset(text: str, time_zone: str, where: str) -> str:
    """Give a local time its offset from the site's time zone.

    Parameters
    ----------
    text : str
        ISO 8601 date and time; one that has an offset is returned as it is.
    time_zone : str
        IANA name.
    where : str
        Path of the field, for the error.

    Returns
    -------
    str
        The same time with its offset, or the text unchanged when it is no local time.

    Raises
    ------
    InputError
        If the clocks skip this time or show it twice: which one is meant is not guessed.
    """
    try:
        local = datetime.fromisoformat(text)
    except ValueError:
        return text  # the plan's own check names the fault
    if local.tzinfo is not None or is_day(text):
        return text
    place = zone(time_zone)
    early, late = (local.replace(tzinfo=place, fold=fold) for fold in (0, 1))
    if early.utcoffset() != late.utcoffset():
        exists = early.astimezone(UTC).astimezone(place).replace(tzinfo=None) == local
        given = f"which the clocks of {time_zone} {'show twice' if exists else 'skip'},"
        fault = Fault(where, f"{text!r}, {given}", "", "a time with its offset from UTC",
                      f"Write for example {early.isoformat(timespec='minutes')}.")  # fmt: skip
        raise InputError([fault])
    return early.isoformat()


def moment_of(text: object) -> datetime | None:
    """Return the moment a text with an offset means; None when it is no such text."""
    try:
        moment = datetime.fromisoformat(str(text))
    except ValueError:
        return None
    return None if moment.tzinfo is None else moment


def is_day(text: object) -> bool:
    """Tell whether a text is a date without a time; midnight is not meant by it."""
    try:
        date.fromisoformat(str(text))
    except ValueError:
        return False
    return True


def is_time_of_day(text: object) -> bool:
    """Tell whether a text is a bare time of day such as ``15:00``."""
    return isinstance(text, str) and re.fullmatch(r"([01]?\d|2[0-3]):[0-5]\d", text) is not None


def first_after(time_of_day: str, start: datetime, time_zone: str, where: str) -> str:
    """Return the first moment after `start` at which the clocks show a time of day.

    Without a time zone the offset of the start is kept. Raises InputError as `with_offset`.
    """
    here = shown_in(start, time_zone, start.tzinfo)
    hour, minute = map(int, time_of_day.split(":"))
    local = here.replace(hour=hour, minute=minute, second=0, microsecond=0, tzinfo=None)
    if local <= here.replace(tzinfo=None):
        local += timedelta(days=1)
    if time_zone:
        return with_offset(local.isoformat(), time_zone, where)
    return local.replace(tzinfo=start.tzinfo).isoformat()
