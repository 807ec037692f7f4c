"""Time that costs nothing: a simulated bench waits on this clock, so a night takes seconds."""

from __future__ import annotations

import datetime as dt
import threading


class VirtualClock:
    """A `harness.words.clock.Clock` that moves only when somebody sleeps on it; safe to share between threads."""

    def __init__(self, start: dt.datetime | None = None) -> None:
        begin = start or dt.datetime.now(dt.UTC)
        self._start = begin if begin.tzinfo else begin.replace(tzinfo=dt.UTC)
        self._elapsed_s = 0.0
        self._lock = threading.Lock()

    def now(self) -> float:
        """Seconds since the clock was made."""
        return self._elapsed_s

    def sleep(self, seconds: float) -> None:
        """Move on at once."""
        if seconds > 0:
            with self._lock:
                self._elapsed_s += seconds

    def utc(self) -> dt.datetime:
        """The start date plus what has been slept."""
        return self._start + dt.timedelta(seconds=self._elapsed_s)
