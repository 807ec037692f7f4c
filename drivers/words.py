"""Settings and signals in a person's words.   [pure]"""

from __future__ import annotations

from typing import TYPE_CHECKING, assert_never

from harness.quantities import show
from harness.signals import unit_of
from harness.steps import Dc, FastEdge, Measure, NoSignal, Sine, Square, Stimulus, TimeMarks, View

if TYPE_CHECKING:
    from harness.models import Unit


def stimulus_parts(stimulus: Stimulus) -> dict[str, str]:
    """Split a signal into the knobs that a person turns."""
    match stimulus:
        case NoSignal():
            return {"output": "off"}
        case Dc(level_v=level_v):
            return {"function": "DC", "level": show(level_v, "V", 7)}
        case Square() | FastEdge():
            function = "square wave from 0 V" if isinstance(stimulus, Square) else "square wave, fast edge"
            return _wave(function, stimulus.level_vpp, stimulus.frequency_hz)
        case Sine(level_vpp=level_vpp, frequency_hz=frequency_hz):
            return _wave("sine", level_vpp, frequency_hz)
        case TimeMarks(period_s=period_s, level_vpp=level_vpp):
            return {"function": "time marks", "period": show(period_s, "s", 7), "level": show(level_vpp, "Vpp", 7)}
        case _:
            assert_never(stimulus)


def _wave(function: str, level_vpp: float, frequency_hz: float) -> dict[str, str]:
    return {"function": function, "frequency": show(frequency_hz, "Hz", 7), "level": show(level_vpp, "Vpp", 7)}


def view_parts(view: View) -> dict[str, str]:
    """Split a display's settings into the knobs that a person turns."""
    ground = f"{abs(view.ground_line_div):g} div {'above' if view.ground_line_div > 0 else 'below'} the centre"
    parts = {
        "channel": str(view.channel),
        "deflection factor": f"{show(view.volts_per_div, 'V')}/div",
        "time factor": f"{show(view.s_per_div, 's')}/div",
        "coupling": {"dc": "DC", "ac": "AC", "ground": "ground"}[view.coupling],
        "ground line": ground if view.ground_line_div else "at the centre",
    }
    if view.magnifier != 1:
        parts["magnifier"] = f"×{view.magnifier:g}"
    else:
        parts["magnifier"] = "off"
    return parts


def expectation(step: Measure, unit: Unit | None) -> str:
    """Say where the trace should be, and within what it meets the rating."""
    if step.expected is None:
        return ""
    name = unit_of(step.quantity)
    text = (
        f"expected about {show(step.expected, name, 3)}" if name != "div" else f"expected about {step.expected:.1f} div"
    )
    tolerance = _tolerance(step, unit)
    if tolerance is None:
        return text
    low, high = sorted((step.expected * (1 - tolerance), step.expected * (1 + tolerance)))
    return f"{text}; within {low:.2f} to {high:.2f} it meets the rating"


def _tolerance(step: Measure, unit: Unit | None) -> float | None:
    """The rating that applies to the reading itself; a sine's amplitude is rated by its frequency instead."""
    if unit is None or step.display != "unit" or not step.expected:
        return None
    rated = unit.tolerance
    if step.quantity == "span":
        return rated.time_magnified if step.view.magnifier != 1 and rated.time_magnified else rated.time
    if step.quantity == "deflection" or (step.quantity == "peak_to_peak" and isinstance(step.stimulus, Square)):
        return rated.deflection
    return None
