"""Settings and expectations in a person's words.   [pure]"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING, Final

from harness.measurement import quantity_of
from harness.quantities import show
from harness.steps import EXTERNAL, Measure, Sine, TimeMarks, Trigger, View
from harness.words.language import tr, tr_kept, tr_later

if TYPE_CHECKING:
    from harness.models import Unit


FARTHEST_TURNED: Final = 0.15  # relative; what a source says farther from what it was set to is asked for again
OF_A_CHANNEL: Final = ("deflection factor", "coupling", "ground line", "input", "bandwidth limiter")
"""The knobs that each channel has; the others are the display's."""
_TOGETHER: Final = {
    "x-y": tr_later("X-Y, this channel upwards"),
    "sum": tr_later("both channels added"),
    "difference": tr_later("both channels added, the other inverted"),
}
_FILTERS: Final = {"low_reject": tr_later("LF reject"), "high_reject": tr_later("HF reject"), "dc": "DC", "ac": "AC"}

HELP_FREQUENCY: Final = """\
19.98 MHz   what the counter shows, with its unit
=           just as expected
back        take the previous reading again
note TEXT   keep a remark with the run; the question stands
stop        stop here, outputs off; 'halfpower resume' goes on later
?           this list"""


def view_parts(view: View, known: Iterable[str] = ()) -> dict[str, str]:
    """Split a display's settings into the knobs that a person turns; what is known to be turned is turned back."""
    off_div = abs(view.ground_line_div)
    above, below = (
        tr("{off_div:g} div above the centre", off_div=off_div),
        tr("{off_div:g} div below the centre", off_div=off_div),
    )
    ground = above if view.ground_line_div > 0 else below
    parts = {
        "deflection factor": f"{show(view.volts_per_div, 'V')}/div",
        "time factor": f"{show(view.s_per_div, 's')}/div",
        "coupling": {"dc": "DC", "ac": "AC", "ground": tr("ground")}[view.coupling],
        "ground line": ground if view.ground_line_div else tr("at the centre"),
    }
    if view.magnifier != 1:
        parts["magnifier"] = f"×{view.magnifier:g}"
    else:
        parts["magnifier"] = tr("off")
    parts |= _less_usual(view)
    return parts | {what: _back(what, view) for what in known if what not in parts}


def _less_usual(view: View) -> dict[str, str]:
    """The knobs that hardly any reading asks for."""
    parts = {}
    if view.input_ohm is not None:
        parts["input"] = show(view.input_ohm, "Ω")
    if view.limited:
        parts["bandwidth limiter"] = tr("on")
    if view.together:
        parts["traces"] = tr(_TOGETHER[view.together])
    if view.trigger is not None:
        parts["triggered by"] = _trigger(view.trigger, view.channel)
    if view.delay_s and view.magnifier == 1:
        parts["delayed sweep"] = tr("{delay_s} after the trigger", delay_s=show(view.delay_s, "s"))
    elif view.delay_s:
        shift_div, side = abs(view.delay_s) / view.s_per_div, tr("left") if view.delay_s < 0 else tr("right")
        parts["horizontal position"] = tr(
            "what is {shift_div:g} div {side} of the sweep's middle, in the centre", shift_div=shift_div, side=side
        )
    return parts


def _back(what: str, view: View) -> str:
    """How a knob usually stands that an earlier reading had otherwise."""
    usual = {
        "input": tr("its usual resistance"),
        "traces": tr("each channel against time"),
        "triggered by": _trigger(Trigger(), view.channel),
        "horizontal position": tr("the sweep's middle in the centre"),
    }
    return usual.get(what, tr("off"))


def _trigger(trigger: Trigger, channel: int) -> str:
    """What starts the sweep, in one phrase."""
    source = tr("channel {channel}", channel=channel) if trigger.source == "channel" else tr("the external input")
    level = "" if trigger.level_v is None else tr(", level {level_v}", level_v=show(trigger.level_v, "V"))
    mode = tr("normal") if trigger.normal else tr("auto")
    return tr(
        "{source}, {slope} edge, {coupling}, {mode}{level}",
        source=source,
        slope=tr(trigger.slope),
        coupling=tr(_FILTERS[trigger.coupling]),
        mode=mode,
        level=level,
    )


def expectation(step: Measure, unit: Unit | None) -> str:
    """Say where the trace should be, and what its tolerance is: the verdict allows for the uncertainty too."""
    if step.expected is None or quantity_of(step).sweeps:
        return ""
    name = quantity_of(step).unit
    text = (
        tr("expected about {expected}", expected=show(step.expected, name, 3))
        if name != "div"
        else tr("expected about {expected:.1f} div", expected=step.expected)
    )
    tolerance = _tolerance(step, unit)
    if tolerance is None:
        return text
    assert unit is not None  # else there is none
    rated, half = f"{100 * tolerance:.3g} %", abs(step.expected) * tolerance
    if half < unit.resolution:
        return tr(
            "{text}; the tolerance of ±{rated} is finer than the {resolution:g} div of a reading",
            text=text,
            rated=rated,
            resolution=unit.resolution,
        )
    low, high = step.expected - half, step.expected + half
    return tr(
        "{text}; the tolerance of ±{rated}, before any uncertainty, is {low:.2f} to {high:.2f} div",
        text=text,
        rated=rated,
        low=low,
        high=high,
    )


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
    mark, marks = (tr("mark"), tr("marks")) if isinstance(step.stimulus, TimeMarks) else (tr("rise"), tr("rises"))
    apart_div = 1 / rate_hz / (step.view.s_per_div / step.view.magnifier)
    count = max(1, round(step.expected / apart_div))
    after = tr("the next") if count == 1 else tr("the {count} after it", count=_ordinal(count))
    begin = tr(
        "begin at the {mark} nearest to {expected:.3g} div left of the centre", mark=mark, expected=step.expected / 2
    )
    often = tr("period {rate_hz}, {rate_hz_2}", rate_hz=show(1 / rate_hz, "s"), rate_hz_2=show(rate_hz, "Hz"))
    return tr("how many divisions from one {mark} to {after}?", mark=mark, after=after), tr(
        "{marks}: {apart_div:.3g} div apart; {begin}; {often}",
        marks=marks,
        apart_div=apart_div,
        begin=begin,
        often=often,
    )


def told_besides(step: Measure) -> Iterator[str]:
    """Where the signal is, if not on the channel that is read, and why it is asked again."""
    if step.driven is not None and step.driven != EXTERNAL:
        yield tr(
            "the signal is on channel {driven}, the trigger too: read what this one shows of it", driven=step.driven
        )
    if step.because:
        yield tr("why: {because}", because=tr_kept(step.because))


def to_turn(step: Measure, target_div: float) -> tuple[str, str]:
    """What is turned until the trace is on its lines, and what is then answered."""
    ends = tr("top to bottom") if step.tune == "frequency" else tr("from line to line")
    done = (
        tr("press Enter when it does")
        if step.said_when_tuned is None
        else tr("then type what the {source} says", source=tr(step.source))
    )
    most = step.said_nominally * (1 + FARTHEST_TURNED)  # a display that shows nothing sends nobody into a hazard
    limit = (
        tr(", no higher than {most}", most=show(most, "V", 3)) if step.said_when_tuned and step.tune == "level" else ""
    )
    return (
        tr(
            "turn the {source}'s {tune} until the trace spans {target_div:g} div, {ends}{limit}",
            source=tr(step.source),
            tune=tr(step.tune),
            target_div=target_div,
            ends=ends,
            limit=limit,
        ),
        tr(
            "{done}; where it cannot be met, type what it spans instead, such as {target_div:.1f} div",
            done=done,
            target_div=target_div * 0.9,
        ),
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
