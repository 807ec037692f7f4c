"""The room at the moments of the readings, by its meter: asked now and then, and never a reason to end a run."""

from __future__ import annotations

import math
from collections.abc import Callable
from contextlib import suppress
from dataclasses import replace
from typing import Final

from drivers import RoomMeter
from harness.errors import HalfpowerError, SafetyError
from harness.link.link import OnEvent
from harness.steps import ROOM_C, ROOM_HUMIDITY, Reading
from harness.words.clock import Clock

FRESH_S: Final = 10.0
"""The air of a room changes within minutes (common practice); so long an answer stands for the room as it is."""
AGAIN_S: Final = 60.0  # before a meter that did not answer is asked again: its silence takes seconds each time
EVENT: Final = "room"


class Room:
    """The meter of the room, opened with the first reading; without one, or while it is silent, nothing is known."""

    def __init__(self, opens: Callable[[], RoomMeter] | None, *, clock: Clock, on_event: OnEvent) -> None:
        self._opens, self._clock, self._on_event = opens, clock, on_event
        self._meter: RoomMeter | None = None
        self._known: dict[str, float] = {}
        self._ask_at = -math.inf
        self._silent = False

    def beside(self, reading: Reading) -> Reading:
        """A reading with the room as it is now."""
        if self._opens is not None and self._clock.now() >= self._ask_at:
            self._ask()
        return replace(reading, more={**reading.more, **self._known}) if self._known else reading

    def close(self) -> None:
        """Let go of the meter."""
        if self._meter is not None:
            with suppress(HalfpowerError):
                self._meter.close()
        self._meter = None

    def _ask(self) -> None:
        assert self._opens is not None
        try:
            if self._meter is None:
                self._meter = self._opens()
            warm, humid = self._meter.read_room()
            self._meter.check()
        except SafetyError:
            raise
        except HalfpowerError as error:
            self.close()
            self._known, self._ask_at = {}, self._clock.now() + AGAIN_S
            if not self._silent:
                self._on_event(EVENT, f"The room is not known from here on: {error}")
            self._silent = True
            return
        if self._silent:
            self._on_event(EVENT, "The room's meter answers again.")
        self._silent = False
        self._known = {ROOM_C: warm} | ({} if humid is None else {ROOM_HUMIDITY: humid})
        self._ask_at = self._clock.now() + FRESH_S
