"""Signals in words: one wording for whoever sets them and whoever reads about them.   [pure]"""

from __future__ import annotations

from typing import Final, assert_never

from harness.quantities import show
from harness.steps import Dc, FastEdge, NoSignal, Sine, Square, Stimulus, TimeMarks

_DIGITS: Final = 7  # what is set is told in full: no setpoint has more


def describe(stimulus: Stimulus) -> str:
    """Name a signal in one phrase."""
    match stimulus:
        case NoSignal():
            return "no signal, output off"
        case Dc(level_v=level_v):
            return f"{show(level_v, 'V', _DIGITS)} DC"
        case Square(level_vpp=level_vpp, frequency_hz=frequency_hz):
            return _wave(level_vpp, "square wave", frequency_hz)
        case Sine(level_vpp=level_vpp, frequency_hz=frequency_hz):
            return _wave(level_vpp, "sine", frequency_hz)
        case TimeMarks(period_s=period_s):
            return f"time marks of {show(period_s, 's', _DIGITS)}"
        case FastEdge(level_vpp=level_vpp, frequency_hz=frequency_hz):
            return _wave(level_vpp, "fast edge", frequency_hz)
        case _:
            assert_never(stimulus)


def _wave(level_vpp: float, name: str, frequency_hz: float) -> str:
    return f"{show(level_vpp, 'Vpp', _DIGITS)} {name}, {show(frequency_hz, 'Hz', _DIGITS)}"
