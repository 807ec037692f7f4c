"""Time as a boundary: whoever waits or stamps is handed a `Clock`, so tests and simulated nights do not wait.

And signs of life: whoever works says, before anything that takes time, by when it will be heard of again. Whoever
listens (the guardian, a heartbeat) then tells slow from hung without knowing what is being done.
"""

from __future__ import annotations

import datetime as dt
import math
import time
from collections.abc import Callable
from contextlib import suppress
from typing import Final, Protocol, TypeAlias

from harness.quantities import duration

OnLife: TypeAlias = Callable[[float], None]
"""Still alive, and the next sign of life comes within so many seconds: a lease. `math.inf`: waiting for a person."""

BETWEEN_SIGNS_S: Final = 5.0
"""What every lease has beyond what is bounded by a time-out or a wait: the program's own work between two of those."""

AT_WORK_S: Final = 30.0
"""The lease for what no time-out bounds: a synced line on a disk that spins up, a user's own driver or sequence at work
by itself, a bench being opened. Longer, and what hangs there leaves an output on for longer; shorter, and a slow disk
ends a good run. A process that stands still as a whole is noticed sooner, by its beats (`harness.bench.guarding`)."""

SET_BACK_S: Final = 2.0
SLEWED: Final = 1e-3
"""A clock that is kept right may go slower by less than this, as may the one that nobody sets: not set back."""

SLICE_S: Final = 1.0
"""A long sleep on a real clock gives a sign this often."""


def no_sign(_within_s: float) -> None:
    """Nobody listens."""


class Clock(Protocol):
    """Monotonic seconds, sleep, and the date."""

    def now(self) -> float:
        """Monotonic time in seconds."""

    def sleep(self, seconds: float) -> None:
        """Wait."""

    def utc(self) -> dt.datetime:
        """Wall-clock time, with its zone."""


def stamp(clock: Clock) -> str:
    """Now, as a journal has it. It is told and orders nothing: what came first stands first."""
    return clock.utc().isoformat(timespec="milliseconds")


class Stamps:
    """Time stamps for the lines of a journal, and word of a clock that was set back between two of them.

    `last` is the stamp of the line before the first, where a run goes on.
    """

    def __init__(self, clock: Clock, tell: Callable[[str, str], None], last: str = "") -> None:
        self._clock, self._tell = clock, tell
        self._seen_s, self._seen = clock.now(), _moment(last)

    def __call__(self) -> str:
        """Now; what is told of the clock comes before the line that asks."""
        seen, passed_s = self._seen, self._clock.now() - self._seen_s
        self._seen_s, self._seen = self._clock.now(), self._clock.utc()
        if seen is not None:
            back_s = passed_s - (self._seen - seen).total_seconds()
            if back_s > SET_BACK_S + SLEWED * passed_s:
                self._tell("clock", f"The clock was set back by {duration(back_s)}; the journal's lines stand in the "
                                    "order in which things happened, whatever their time stamps say.")  # fmt: skip
        return stamp(self._clock)


def _moment(text: str) -> dt.datetime | None:
    with suppress(ValueError):  # none, or of another's making
        moment = dt.datetime.fromisoformat(text)
        return moment if moment.tzinfo else None
    return None


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


class BeatingClock:
    """A clock that gives signs of life while it sleeps: in slices, or one a sleep where sleeping costs no time."""

    def __init__(self, clock: Clock, on_life: OnLife, *, slice_s: float = SLICE_S) -> None:
        self._clock, self._on_life, self._slice_s = clock, on_life, slice_s

    def now(self) -> float:
        """Monotonic time in seconds."""
        return self._clock.now()

    def sleep(self, seconds: float) -> None:
        """Wait, heard of all the while."""
        end = self._clock.now() + seconds
        left = seconds
        while left > 0:
            piece = min(left, self._slice_s)
            self._on_life(piece + BETWEEN_SIGNS_S)
            self._clock.sleep(piece)
            left = 0.0 if math.isinf(self._slice_s) else end - self._clock.now()

    def utc(self) -> dt.datetime:
        """Wall-clock time, with its zone."""
        return self._clock.utc()
