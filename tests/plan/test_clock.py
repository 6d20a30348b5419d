"""The clock: the sums a specialist does by hand, midnight, and the nights clocks change."""

from datetime import datetime, timedelta

import pytest

from eo_risk.errors import InputError
from eo_risk.plan.clock import (
    NO_ZONE_NOTE,
    earliest_out,
    first_after,
    is_time_of_day,
    moment_of,
    up_to_minute,
    with_offset,
)

HOUR = timedelta(hours=1)
ZERO = timedelta()


def moment(text):
    return datetime.fromisoformat(text)


def test_start_cycle_and_aeration_add_up():
    # The worked day: 06:30 + 2.5 h + 12 h = 21:00, so 15:00 is six hours too soon.
    out = earliest_out(moment("2026-04-14T06:30+02:00"), 2.5 * HOUR, ZERO, 12.0, "Europe/Berlin")
    assert out.moment.isoformat() == "2026-04-14T21:00:00+02:00"
    assert out.note == ""


def test_transfer_and_lost_time_count_and_midnight_is_crossed():
    out = earliest_out(
        moment("2026-04-14T18:00+02:00"), 4 * HOUR, timedelta(minutes=5), 12.0, "Europe/Berlin",
        timedelta(minutes=25),
    )  # fmt: skip
    assert out.moment.isoformat() == "2026-04-15T10:30:00+02:00"


# In 2026 the clocks of Berlin go forward on 29 March and back on 25 October (IANA tz data).
@pytest.mark.parametrize(
    ("start", "expected"),
    [
        ("2026-03-28T20:00+01:00", "2026-03-29T11:30:00+02:00"),
        ("2026-10-24T20:00+02:00", "2026-10-25T09:30:00+01:00"),
    ],
)
def test_an_hour_is_an_hour_when_the_clocks_change(start, expected):
    out = earliest_out(moment(start), 2.5 * HOUR, ZERO, 12.0, "Europe/Berlin")
    assert out.moment.isoformat() == expected
    assert out.moment - moment(start) == 14.5 * HOUR
    assert "clocks change" in out.note


def test_without_a_time_zone_the_offset_is_kept_and_said():
    out = earliest_out(moment("2026-03-28T20:00+01:00"), 2.5 * HOUR, ZERO, 12.0)
    assert out.moment.isoformat() == "2026-03-29T10:30:00+01:00"
    assert out.note == NO_ZONE_NOTE


def test_a_start_with_another_offset_is_shown_in_the_sites_time():
    out = earliest_out(moment("2026-04-14T04:30+00:00"), 2.5 * HOUR, ZERO, 12.0, "Europe/Berlin")
    assert out.moment.isoformat() == "2026-04-14T21:00:00+02:00"
    assert "2026-04-14T06:30+02:00" in out.note


def test_seconds_are_rounded_up():
    assert up_to_minute(moment("2026-04-14T20:59:00.5+02:00")).minute == 0
    assert up_to_minute(moment("2026-04-14T20:59+02:00")).minute == 59


def test_an_unknown_time_zone_offers_the_nearest():
    with pytest.raises(InputError, match="Europe/Berlin"):
        earliest_out(moment("2026-04-14T06:30+02:00"), HOUR, ZERO, 1.0, "Europe/Berlyn")
    with pytest.raises(InputError, match="IANA"):
        earliest_out(moment("2026-04-14T06:30+02:00"), HOUR, ZERO, 1.0, "../etc/passwd")


def test_local_times_get_their_offset():
    assert with_offset("2026-04-14T06:30", "Europe/Berlin", "x") == "2026-04-14T06:30:00+02:00"
    assert with_offset("2026-01-14T06:30", "Europe/Berlin", "x") == "2026-01-14T06:30:00+01:00"
    assert with_offset("2026-01-14T06:30+03:00", "Europe/Berlin", "x").endswith("+03:00")
    assert with_offset("tomorrow", "Europe/Berlin", "x") == "tomorrow"
    assert with_offset("2026-04-14", "Europe/Berlin", "x") == "2026-04-14"  # midnight is not meant


@pytest.mark.parametrize(
    ("text", "word"), [("2026-03-29T02:30", "skip"), ("2026-10-25T02:30", "show twice")]
)
def test_a_time_the_clocks_skip_or_repeat_is_refused(text, word):
    with pytest.raises(InputError, match=word) as caught:
        with_offset(text, "Europe/Berlin", "cycle_start")
    assert caught.value.faults[0].where == "cycle_start"


def test_a_bare_time_of_day_is_the_first_after_the_start():
    start = moment("2026-04-14T06:30+02:00")
    assert first_after("15:00", start, "Europe/Berlin", "x") == "2026-04-14T15:00:00+02:00"
    assert first_after("6:30", start, "", "x") == "2026-04-15T06:30:00+02:00"
    assert first_after("15:00", moment("2026-10-24T16:00+02:00"), "Europe/Berlin", "x") == (
        "2026-10-25T15:00:00+01:00"
    )
    with pytest.raises(InputError, match="skip"):
        first_after("02:30", moment("2026-03-28T20:00+01:00"), "Europe/Berlin", "needed_by")
    assert [is_time_of_day(text) for text in ("7:05", "24:00", "15:60", "noon", 15)] == [
        True, False, False, False, False,
    ]  # fmt: skip
    assert moment_of("2026-04-14T06:30") is None
    assert moment_of("soon") is None
