"""Signals in words: one wording for whoever sets them and whoever reads about them.   [pure]"""

from __future__ import annotations

from typing import Final

from harness.quantities import show
from harness.steps import Dc, FastEdge, NoSignal, Square, Stimulus, TimeMarks
from harness.words.language import tr

_DIGITS: Final = 7  # what is set is told in full: no setpoint has more
_ON_A_PANEL: Final = {Square: "square wave from 0 V", FastEdge: "square wave, fast edge"}
_KNOBS: Final = (
    ("frequency", "frequency_hz", "Hz"),
    ("period", "period_s", "s"),
    ("level", "level_vpp", "Vpp"),
    ("level", "level_v", "V"),
)


def describe(stimulus: Stimulus, digits: int = _DIGITS) -> str:
    """Name a signal in one phrase."""
    match stimulus:
        case NoSignal():
            return tr("{signal}, output off", signal=tr(stimulus.words))
        case Dc():
            return f"{show(stimulus.level_v, 'V', digits)} {tr(stimulus.words)}"
        case TimeMarks():
            return tr("time marks of {period}", period=show(stimulus.period_s, "s", digits))
    level, frequency = show(stimulus.level_vpp, "Vpp", digits), show(stimulus.frequency_hz, "Hz", _DIGITS)
    level = tr("about {level}", level=level) if getattr(stimulus, "turned", False) else level
    return f"{level} {tr(stimulus.words)}, {frequency}"


def knobs(stimulus: Stimulus) -> dict[str, str]:
    """Split a signal into the knobs that a person turns."""
    if isinstance(stimulus, NoSignal):
        return {"output": tr("off")}
    parts = {"function": tr(_ON_A_PANEL.get(type(stimulus), stimulus.words))}
    for name, field, unit in _KNOBS:
        if (value := getattr(stimulus, field, None)) is not None:
            parts[name] = show(value, unit, _DIGITS)
    if getattr(stimulus, "turned", False):
        parts["level"] = tr("about {level}, as the trace asks for it", level=parts["level"])
    return parts
