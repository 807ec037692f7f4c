"""When a queue starts: the next such time of day, a date as it stands, the two odd hours of the year; intervals."""

from __future__ import annotations

import datetime as dt
from zoneinfo import ZoneInfo

import pytest

from harness.words.moments import interval, next_moment, parse

# Facts of the time zone database: in 2026 summer time began in Germany on 29 March at 02:00 (which became 03:00) and
# ended on 25 October at 03:00 (which became 02:00).
BERLIN = ZoneInfo("Europe/Berlin")


def at(text: str) -> dt.datetime:
    return dt.datetime.fromisoformat(text)


@pytest.mark.parametrize(("wanted", "now", "expected"), [
    ("18:00", "2026-11-25T09:00+01:00", "2026-11-25T18:00+01:00"),
    ("18:00", "2026-11-25T18:00+01:00", "2026-11-26T18:00+01:00"),  # now is not next
    ("18:00", "2026-11-25T17:30+00:00", "2026-11-26T18:00+01:00"),  # it is 18:30 there
    ("6:05", "2026-12-31T23:00+01:00", "2027-01-01T06:05+01:00"),
    ("02:30", "2026-03-28T20:00+01:00", "2026-03-29T03:30+02:00"),  # skipped: after the clocks have gone forward
    ("02:30", "2026-10-24T20:00+02:00", "2026-10-25T02:30+02:00"),  # comes twice: the first
    ("02:30", "2026-10-25T02:45+02:00", "2026-10-25T02:30+01:00"),  # and then the second
    ("02:30", "2026-10-25T02:45+01:00", "2026-10-26T02:30+01:00"),
    ("2026-12-01T18:00", "2026-11-25T09:00+01:00", "2026-12-01T18:00+01:00"),
    ("2026-12-01 18:00", "2026-11-25T09:00+01:00", "2026-12-01T18:00+01:00"),
    ("2026-12-01T18:00+00:00", "2026-11-25T09:00+01:00", "2026-12-01T19:00+01:00"),
    ("2026-01-01T18:00", "2026-11-25T09:00+01:00", "2026-01-01T18:00+01:00"),  # past: whoever asks decides
])  # fmt: skip
def test_the_moment_that_is_meant(wanted: str, now: str, expected: str) -> None:
    found = next_moment(parse(wanted), at(now), BERLIN)
    assert found.isoformat(timespec="minutes") == expected


def test_the_machines_own_zone_is_taken_where_none_is_named() -> None:
    now = dt.datetime(2026, 11, 25, 9, tzinfo=dt.UTC)
    found = next_moment(parse("18:00"), now)
    assert dt.timedelta(0) < found - now <= dt.timedelta(days=1)
    assert (found.hour, found.minute) == (18, 0)
    assert found.utcoffset() == found.astimezone().utcoffset()


@pytest.mark.parametrize("text", ["", "noon", "24:00", "18", "18:60", "2026-12-01", "2026-02-30T18:00", "18:00:61"])
def test_what_is_no_time_is_refused_with_an_example(text: str) -> None:
    with pytest.raises(ValueError, match=r"is no time to start at; expected such as '18:00' or '2026-12-01T18:00'"):
        parse(text)


@pytest.mark.parametrize(
    ("text", "day", "due"),
    [
        ("12 months", "2024-02-29", "2025-02-28"),
        ("1 year", "2025-02-28", "2026-02-28"),
        ("2 years", "2024-02-29", "2026-02-28"),
        ("1 month", "2025-01-31", "2025-02-28"),
        ("11 months", "2025-12-31", "2026-11-30"),
        ("90 days", "2025-12-01", "2026-03-01"),
        ("6 weeks", "2025-01-01", "2025-02-12"),
    ],
)
def test_an_interval_goes_by_the_calendar(text, day, due):
    assert interval(text).after(dt.date.fromisoformat(day)) == dt.date.fromisoformat(due)


@pytest.mark.parametrize("text", ["", "soon", "0 months", "12", "1.5 years", "-1 year", "12 months ago", "9999 years"])
def test_what_is_no_interval_is_said(text):
    with pytest.raises(ValueError, match="is no interval; expected such as '12 months'"):
        interval(text)
