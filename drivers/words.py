"""Settings and expectations in a person's words.   [pure]"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING, Final

from harness.measurement import quantity_of
from harness.quantities import show
from harness.steps import EXTERNAL, Measure, Sine, TimeMarks, Trigger, View

if TYPE_CHECKING:
    from harness.models import Unit


FARTHEST_TURNED: Final = 0.15  # relative; what a source says farther from what it was set to is asked for again
OF_A_CHANNEL: Final = ("deflection factor", "coupling", "ground line", "input", "bandwidth limiter")
"""The knobs that each channel has; the others are the display's."""
_TOGETHER: Final = {
    "x-y": "X-Y, this channel upwards",
    "sum": "both channels added",
    "difference": "both channels added, the other inverted",
}
_FILTERS: Final = {"low_reject": "LF reject", "high_reject": "HF reject", "dc": "DC", "ac": "AC"}

HELP_FREQUENCY: Final = """\
19.98 MHz   what the counter shows, with its unit
=           just as expected
back        take the previous reading again
note TEXT   keep a remark with the run; the question stands
stop        stop here, outputs off; 'halfpower resume' goes on later
?           this list"""


def view_parts(view: View, known: Iterable[str] = ()) -> dict[str, str]:
    """Split a display's settings into the knobs that a person turns; what is known to be turned is turned back."""
    ground = f"{abs(view.ground_line_div):g} div {'above' if view.ground_line_div > 0 else 'below'} the centre"
    parts = {
        "deflection factor": f"{show(view.volts_per_div, 'V')}/div",
        "time factor": f"{show(view.s_per_div, 's')}/div",
        "coupling": {"dc": "DC", "ac": "AC", "ground": "ground"}[view.coupling],
        "ground line": ground if view.ground_line_div else "at the centre",
    }
    if view.magnifier != 1:
        parts["magnifier"] = f"×{view.magnifier:g}"
    else:
        parts["magnifier"] = "off"
    parts |= _less_usual(view)
    return parts | {what: _back(what, view) for what in known if what not in parts}


def _less_usual(view: View) -> dict[str, str]:
    """The knobs that hardly any reading asks for."""
    parts = {}
    if view.input_ohm is not None:
        parts["input"] = show(view.input_ohm, "Ω")
    if view.limited:
        parts["bandwidth limiter"] = "on"
    if view.together:
        parts["traces"] = _TOGETHER[view.together]
    if view.trigger is not None:
        parts["triggered by"] = _trigger(view.trigger, view.channel)
    if view.delay_s and view.magnifier == 1:
        parts["delayed sweep"] = f"{show(view.delay_s, 's')} after the trigger"
    elif view.delay_s:
        shift_div, side = abs(view.delay_s) / view.s_per_div, "left" if view.delay_s < 0 else "right"
        parts["horizontal position"] = f"what is {shift_div:g} div {side} of the sweep's middle, in the centre"
    return parts


def _back(what: str, view: View) -> str:
    """How a knob usually stands that an earlier reading had otherwise."""
    usual = {
        "input": "its usual resistance",
        "traces": "each channel against time",
        "triggered by": _trigger(Trigger(), view.channel),
        "horizontal position": "the sweep's middle in the centre",
    }
    return usual.get(what, "off")


def _trigger(trigger: Trigger, channel: int) -> str:
    """What starts the sweep, in one phrase."""
    source = f"channel {channel}" if trigger.source == "channel" else "the external input"
    level = "" if trigger.level_v is None else f", level {show(trigger.level_v, 'V')}"
    mode = "normal" if trigger.normal else "auto"
    return f"{source}, {trigger.slope} edge, {_FILTERS[trigger.coupling]}, {mode}{level}"


def expectation(step: Measure, unit: Unit | None) -> str:
    """Say where the trace should be, and what its tolerance is: the verdict allows for the uncertainty too."""
    if step.expected is None or quantity_of(step).sweeps:
        return ""
    name = quantity_of(step).unit
    text = (
        f"expected about {show(step.expected, name, 3)}" if name != "div" else f"expected about {step.expected:.1f} div"
    )
    tolerance = _tolerance(step, unit)
    if tolerance is None:
        return text
    assert unit is not None  # else there is none
    rated, half = f"{100 * tolerance:.3g} %", abs(step.expected) * tolerance
    if half < unit.resolution:
        return f"{text}; the tolerance of ±{rated} is finer than the {unit.resolution:g} div of a reading"
    low, high = step.expected - half, step.expected + half
    return f"{text}; the tolerance of ±{rated}, before any uncertainty, is {low:.2f} to {high:.2f} div"


def marks_asked(step: Measure) -> tuple[str, str]:
    """Which time marks a span lies between: the question, and where to begin; empty for another signal."""
    rate_hz, rating = step.stimulus.rate_hz, quantity_of(step).rating
    if (
        quantity_of(step).read_out
        or not rate_hz
        or rating is None
        or not rating.is_error
        or rating.axis != "time"
        or not step.expected
    ):
        return "", ""
    mark = "mark" if isinstance(step.stimulus, TimeMarks) else "rise"
    apart_div = 1 / rate_hz / (step.view.s_per_div / step.view.magnifier)
    count = max(1, round(step.expected / apart_div))
    after = "the next" if count == 1 else f"the {_ordinal(count)} after it"
    begin = f"begin at the {mark} nearest to {step.expected / 2:.3g} div left of the centre"
    often = f"period {show(1 / rate_hz, 's')}, {show(rate_hz, 'Hz')}"
    return f"how many divisions from one {mark} to {after}?", f"{mark}s: {apart_div:.3g} div apart; {begin}; {often}"


def told_besides(step: Measure) -> Iterator[str]:
    """Where the signal is, if not on the channel that is read, and why it is asked again."""
    if step.driven is not None and step.driven != EXTERNAL:
        yield f"the signal is on channel {step.driven}, the trigger too: read what this one shows of it"
    if step.because:
        yield f"why: {step.because}"


def to_turn(step: Measure, target_div: float) -> tuple[str, str]:
    """What is turned until the trace is on its lines, and what is then answered."""
    ends = "top to bottom" if step.tune == "frequency" else "from line to line"
    done = "press Enter when it does" if step.said_when_tuned is None else f"then type what the {step.source} says"
    most = step.said_nominally * (1 + FARTHEST_TURNED)  # a display that shows nothing sends nobody into a hazard
    limit = f", no higher than {show(most, 'V', 3)}" if step.said_when_tuned and step.tune == "level" else ""
    return (
        f"turn the {step.source}'s {step.tune} until the trace spans {target_div:g} div, {ends}{limit}",
        f"{done}; where it cannot be met, type what it spans instead, such as {target_div * 0.9:.1f} div",
    )


def _ordinal(number: int) -> str:
    ending = "th" if number % 100 in (11, 12, 13) else {1: "st", 2: "nd", 3: "rd"}.get(number % 10, "th")
    return f"{number}{ending}"


def _tolerance(step: Measure, unit: Unit | None) -> float | None:
    """The rating that applies to the reading itself; a sine's amplitude is rated by its frequency instead."""
    if unit is None or step.display != "unit" or not step.expected or isinstance(step.stimulus, Sine):
        return None
    rating = quantity_of(step).rating
    if (
        rating is None
        or not rating.is_error
        or rating.absolute
        or rating.tolerance is None
        or quantity_of(step).read_out
    ):
        return None
    return rating.tolerance(unit, step)
