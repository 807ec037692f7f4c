"""Instrument drivers: one generic SCPI driver a role, and the manual ones.

What the bench expects of a driver is in the protocols below; a driver of your own needs nothing else.
A driver turns text into SI floats at once, refuses 9.9E37 and 9.91E37, and uses absolute settings only, so
that repeating a step is safe.
"""

from __future__ import annotations

from typing import Final, Protocol

from harness.steps import Measure, Reading, Stimulus, View
from harness.words.clock import AT_WORK_S, BETWEEN_SIGNS_S

_OURS: Final = f"{__name__}."


def longest_s(driver: object) -> float:
    """How long a driver may be at work without an exchange: as it says, or as one of its kind may be."""
    ours = type(driver).__module__.startswith(_OURS)
    return float(getattr(driver, "longest_s", BETWEEN_SIGNS_S if ours else AT_WORK_S))


class Driver(Protocol):
    """What every driver has."""

    def identify(self) -> str:
        """Who answers; for a manual instrument its label."""

    def check(self) -> None:
        """Close a point: read the error queue until it is empty; raise InstrumentError for an entry."""

    def close(self) -> None:
        """Let go of the instrument."""


class Source(Driver, Protocol):
    """A calibrator or generator."""

    def apply(self, stimulus: Stimulus) -> None:
        """Set everything, switch the output on, and return when the setting is complete."""

    def off(self) -> None:
        """Switch the output off; safe to call at any time, any number of times."""


class Meter(Driver, Protocol):
    """A frequency counter."""

    def read_frequency_hz(self, expected_hz: float) -> float:
        """Count."""


class Screen(Driver, Protocol):
    """A display that is read: the unit under test or the reference."""

    def show(self, view: View) -> None:
        """Set the display."""

    def read(self, step: Measure) -> Reading:
        """Read the step's quantity, in div, s or as a ratio; raises for what cannot be read."""


class RoomMeter(Driver, Protocol):
    """A thermometer and hygrometer of the room."""

    def read_room(self) -> tuple[float, float | None]:
        """The temperature in °C, and the relative humidity in percent, None where it has none."""


class Router(Driver, Protocol):
    """A switch that moves signals."""

    def route(self, channel_list: str) -> None:
        """Close just these channels."""
