"""When the night begins: a moment that lies ahead, and a wait that is seen, heard of, and not misled by a clock."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from typing import Final

from harness.errors import QueueError
from harness.quantities import duration
from harness.words.clock import AT_WORK_S, Clock, OnLife
from harness.words.moments import next_moment, parse

SLICE_S: Final = 10.0
CLOCK_SET_S: Final = 5.0  # a clock that differs by more in one slice was set, or the machine slept


def start_of(at: str, clock: Clock) -> dt.datetime | None:
    """The moment to start at, None for at once; one that is past is refused."""
    if not at:
        return None
    now = clock.utc()
    moment = next_moment(parse(at), now)
    if moment <= now:
        raise QueueError(
            f"{at} is past: it is {now.astimezone():%Y-%m-%d %H:%M} now. Name a later time, or leave it out to start "
            "at once."
        )
    return moment


def waiting_text(moment: dt.datetime) -> str:
    """What is waited for."""
    return f"Waiting until {moment:%Y-%m-%d %H:%M}"


def wait_until(
    moment: dt.datetime,
    clock: Clock,
    *,
    on_life: OnLife,
    waiting: Callable[[str], None],
    trouble: Callable[[str], None],
) -> None:
    """Wait by the clock on the wall; that it was set is told, and the start stays at its time."""
    while (left_s := (moment - clock.utc()).total_seconds()) > 0:
        waiting(f"{waiting_text(moment)}, in {duration(left_s)}; Ctrl-C ends it.")
        piece_s = min(left_s, SLICE_S)
        on_life(piece_s + AT_WORK_S)
        before, day = clock.now(), clock.utc()
        clock.sleep(piece_s)
        set_s = (clock.utc() - day).total_seconds() - (clock.now() - before)
        if abs(set_s) > CLOCK_SET_S:
            way = "set back by" if set_s < 0 else "set forward, or the machine slept, by"
            trouble(f"The clock was {way} {duration(abs(set_s))}; the start stays at {moment:%H:%M}.")
