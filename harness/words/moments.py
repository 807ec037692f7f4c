"""Moments and intervals as a person writes them: "18:00" for the next such time, "12 months" until due.   [pure]"""

from __future__ import annotations

import calendar
import datetime as dt
import re
from dataclasses import dataclass
from typing import Final

EXAMPLES: Final = "'18:00' or '2026-12-01T18:00'"
_TIME: Final = re.compile(r"([01]?\d|2[0-3]):([0-5]\d)")
_DAY: Final = dt.timedelta(days=1)
_INTERVAL: Final = re.compile(r"(\d{1,3}) ?(day|week|month|year)s?")
INTERVAL_EXAMPLES: Final = "'12 months', '2 years' or '90 days'"


@dataclass(frozen=True, slots=True, kw_only=True)
class Interval:
    """A time by the calendar."""

    months: int = 0
    days: int = 0

    def after(self, day: dt.date) -> dt.date:
        """The same day of a later month, or its last one where it is shorter; then the days."""
        whole = day.year * 12 + day.month - 1 + self.months
        year, month = divmod(whole, 12)
        last = calendar.monthrange(year, month + 1)[1]
        return dt.date(year, month + 1, min(day.day, last)) + dt.timedelta(days=self.days)


def in_utc(text: str) -> dt.datetime:
    """A journal's time stamp in UTC, which is meant where none says its zone; ValueError for what is no time."""
    at = dt.datetime.fromisoformat(text)
    return at.astimezone(dt.UTC) if at.tzinfo else at.replace(tzinfo=dt.UTC)


def interval(text: str) -> Interval:
    """Understand an interval; raises ValueError with one sentence."""
    match = _INTERVAL.fullmatch(" ".join(text.split()))
    count = int(match[1]) if match else 0
    if match is None or not count:
        raise ValueError(f"{text[:40]!r} is no interval; expected such as {INTERVAL_EXAMPLES}")
    match match[2]:
        case "day" | "week" as unit:
            return Interval(days=count * (7 if unit == "week" else 1))
        case unit:
            return Interval(months=count * (12 if unit == "year" else 1))


def parse(text: str) -> dt.time | dt.datetime:
    """Understand a time of day, or a date with a time; raises ValueError with one sentence."""
    wanted = " ".join(text.split())
    if match := _TIME.fullmatch(wanted):
        return dt.time(int(match[1]), int(match[2]))
    try:
        if not re.match(r"\d{4}-\d{2}-\d{2}[T ]\d", wanted):
            raise ValueError
        return dt.datetime.fromisoformat(wanted)
    except ValueError:
        raise ValueError(f"{text[:40]!r} is no time to start at; expected such as {EXAMPLES}") from None


def next_moment(wanted: dt.time | dt.datetime, now: dt.datetime, zone: dt.tzinfo | None = None) -> dt.datetime:
    """The moment meant, in local time with its offset: the next such time of day, or the date as it stands.

    `zone` is the place's; the machine's own where it is None. Of an hour that comes twice when clocks go back the first
    is meant, the second once that is past; one that is skipped begins when the clocks have gone forward.
    """
    if isinstance(wanted, dt.datetime):
        return _placed(wanted, zone)
    today = dt.datetime.combine(now.astimezone(zone).date(), wanted)
    for moment in (_placed(today, zone), _placed(today.replace(fold=1), zone)):
        if moment > now:
            return moment
    return _placed(today + _DAY, zone)


def _placed(moment: dt.datetime, zone: dt.tzinfo | None) -> dt.datetime:
    if moment.tzinfo is None:
        moment = moment.astimezone() if zone is None else moment.replace(tzinfo=zone)
    return moment.astimezone(dt.UTC).astimezone(zone)  # by way of UTC, where every hour exists once
