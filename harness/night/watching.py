"""Watching a heartbeat: look again and again, say what changes, and stop at an alarm or at the end of the queue."""

from __future__ import annotations

import os
import socket
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Final

from harness.errors import JournalError
from harness.night.heartbeat import Beat, Judgement, Seen, judge, read
from harness.words.clock import Clock

POLL_S: Final = 2.0
AWAY_S: Final = 30.0  # a file on a network may be away for a moment
STARTS_S: Final = 15.0  # a queue that goes on, started with its watcher, leaves the old heartbeat so long at most


def process_lives(pid: int) -> bool | None:
    """Whether a process of this machine lives; None where that cannot be asked without harm."""
    if os.name != "posix" or pid <= 0:
        return None  # elsewhere this very call ends a process
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    except OSError:
        return True  # it is another user's
    return True


def watch(
    path: Path,
    *,
    clock: Clock,
    once: bool,
    tell: Callable[[str], None],
    lives: Callable[[int], bool | None] = process_lives,
) -> Judgement:
    """Look until the queue has ended or is silent; what is no heartbeat from the first raises a JournalError.

    A process that is gone at the first look is no alarm yet: another may be starting to go on with the queue.
    """
    beat = first = read(path)
    began_s = changed_s = clock.now()
    away_s = 0.0
    told: tuple[object, ...] = ()
    while True:
        verdict = look(beat, clock, None if once else clock.now() - changed_s, lives)
        if verdict.kind != "alarm" and told != (
            told := (verdict.kind, beat.doing, beat.number, beat.part, beat.pid, beat.may_be_on)
        ):
            tell(verdict.sentence)
        goes_on = beat is first and clock.now() - began_s < STARTS_S
        if once or verdict.kind == "ended" or (verdict.kind == "alarm" and not goes_on):
            return verdict
        if verdict.kind == "alarm" and clock.now() == began_s:
            tell(f"{verdict.sentence} Looking for {STARTS_S:.0f} s whether another goes on.")
        clock.sleep(POLL_S)
        try:
            latest = read(path)
        except JournalError as error:
            away_s += POLL_S
            if away_s > AWAY_S:
                return Judgement(kind="alarm", sentence=f"The heartbeat has gone: {error}", waiting=_idle(beat))
            continue
        away_s = 0.0
        if latest != beat:
            beat, changed_s = latest, clock.now()


def look(
    beat: Beat, clock: Clock, unchanged_s: float | None, lives: Callable[[int], bool | None] = process_lives
) -> Judgement:
    """Judge one beat, which has been the same for so long; None at the first look."""
    here = socket.gethostname()
    alive = lives(beat.pid) if beat.host == here else None
    seen = Seen(now=clock.utc(), unchanged_s=unchanged_s, host=here, alive=alive)
    return replace(judge(beat, seen), waiting=_idle(beat))


def _idle(beat: Beat) -> bool:
    """Whether nothing is switched on by the queue, nor left on by what went before."""
    return beat.doing == "waiting" and not beat.may_be_on
