"""Time as a boundary: whoever waits or stamps is handed a `Clock`, so tests and simulated nights do not wait."""

from __future__ import annotations

import datetime as dt
import time
from typing import Protocol


class Clock(Protocol):
    """Monotonic seconds, sleep, and the date."""

    def now(self) -> float:
        """Monotonic time in seconds."""

    def sleep(self, seconds: float) -> None:
        """Wait."""

    def utc(self) -> dt.datetime:
        """Wall-clock time, with its zone."""


class RealClock:
    """The machine's clock."""

    def now(self) -> float:
        """Monotonic time in seconds."""
        return time.monotonic()

    def sleep(self, seconds: float) -> None:
        """Wait."""
        time.sleep(seconds)

    def utc(self) -> dt.datetime:
        """Wall-clock time, UTC."""
        return dt.datetime.now(dt.UTC)
