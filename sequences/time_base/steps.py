"""Every time factor over the centre eight divisions, and the magnifier, against time marks."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Final, Literal

from pydantic import Field

from harness import steps
from harness.models import Function, Setup, rated
from harness.quantities import round_to, show, stepped
from harness.steps import Measure, Role, Sine, Square, Stimulus, TimeMarks, View
from harness.values import Model, Seconds
from sequences import (
    Judges,
    Plan,
    Planned,
    calibrator_of,
    generator_of,
    read_all,
    require_a_hand,
    signal_range,
)
from sequences.time_base import Rated
from sequences.time_base.span import SPAN

TITLE: Final = "Time base"
QUANTITIES: Final = (SPAN,)
JUDGES: Final[Judges] = {"unit": (SPAN.name,)}
CENTRE_DIV: Final = 8.0  # the outer division at either side is left out: common practice
_BELIEVED_WITHIN: Final = 0.15
_PERIODS_SHOWN: Final = 1.5  # marks may come no faster than at two thirds of the rated bandwidth
_WELL_KNOWN: Final = 0.1  # of the tolerance: what it takes from a verdict no reading shows
_MOST_MARKS: Final = 40  # over the centre eight divisions; more cannot be told apart


class Options(Model):
    """What a job may choose."""

    channel: int = Field(1, ge=1, description="channel that shows the marks")
    path: str = "lead"
    ranges: tuple[Seconds, ...] = Field((), description="time factors; all if left out")
    magnified: bool = Field(True, description="try the magnifier too, where the unit has one")
    magnified_ranges: tuple[Seconds, ...] = Field((), description="time factors for the magnifier; all if left out")
    repeats: int = Field(1, ge=1, le=20)
    source: Literal["calibrator", "generator"] = Field(
        "calibrator", description="time marks of the calibrator, or a wave of the generator"
    )
    signal: Literal["sine", "square"] = Field(
        "sine", description="the generator's wave; the counter says its frequency"
    )
    to_line: bool = Field(
        False,
        description="a person turns the period until the marks are on their lines, and types what the source says",
    )
    return_to_first: bool = Field(False, description="take the first point once more at the end: drift over the run")


def needs(options: Options) -> tuple[Role, ...]:
    """The roles that the sequence uses."""
    return (options.source,)


def gives(options: Options) -> tuple[str, ...]:
    """What the calibrator must be able to give."""
    return ("time_marks",) if options.source == "calibrator" else ()


def accuracies(options: Options) -> tuple[tuple[Role, Function], ...]:
    """What its verdicts rest on, in the bench file; of a generator's wave that may be the counter's line."""
    return (("calibrator", "period"),) if options.source == "calibrator" else ()


def plan(setup: Setup, options: Options) -> Plan:
    """Rising time factors, the magnified ones after them, so that each knob turns one way."""
    if options.to_line and options.source == "calibrator":
        require_a_hand(setup, calibrator_of(setup).periods, "period")
    points, left_out = [], []
    for magnifier, ranges in _settings(setup, options):
        for s_per_div in ranges:
            marks = _marks(setup, options, s_per_div / magnifier)
            said = f"{show(s_per_div, 's')}/div" + (f" ×{magnifier:g}" if magnifier != 1 else "")
            if marks is None:
                left_out.append(
                    f"{said}: the {options.source} gives nothing that fits its divisions and that the unit can show."
                )
            else:
                step = _step(setup, options, s_per_div, magnifier, marks)
                points.append(Planned(step=step, repeats=options.repeats))
    return Plan(points=tuple(points), left_out=tuple(left_out))


def _settings(setup: Setup, options: Options) -> list[tuple[float, tuple[float, ...]]]:
    plain = tuple(sorted(options.ranges or setup.unit.s_per_div))
    if setup.unit.magnifier == 1 or not options.magnified:
        return [(1.0, plain)]
    magnified = tuple(sorted(options.magnified_ranges or plain, reverse=True))
    return [(1.0, plain), (setup.unit.magnifier, magnified)]


def _marks(setup: Setup, options: Options, s_per_div: float) -> tuple[float, float] | None:
    """Period of the marks, and the divisions between the first and the last that the centre eight hold.

    One mark a division is best; marks faster than the unit can show give way to slower ones over fewer divisions.
    """
    available = _periods(setup, options, s_per_div)
    slowest_s, fastest_s = CENTRE_DIV * s_per_div, _PERIODS_SHOWN / setup.unit.bandwidth
    fitting = [p for p in available if fastest_s <= p <= slowest_s * (1 + 1e-9) and slowest_s / p <= _MOST_MARKS]
    if not fitting:
        return None

    def span_div(period_s: float) -> float:
        return round_to(math.floor(slowest_s / period_s * (1 + 1e-9)) * period_s / s_per_div, 9)

    best = max(fitting, key=lambda p: (span_div(p), p <= s_per_div * (1 + 1e-9), -abs(math.log(p / s_per_div))))
    return best, span_div(best)


def _periods(setup: Setup, options: Options, s_per_div: float) -> list[float]:
    """The periods that the source gives, as far as they may serve a time factor."""
    if options.source == "generator":
        generator = generator_of(setup)
        return list(stepped(1 / generator.frequency_high, 1 / generator.frequency_low))
    calibrator = calibrator_of(setup)
    if calibrator.periods == "continuous":
        periods = [round_to(s_per_div * n, calibrator.level_digits) for n in (1, 2, 4, 8)]
    elif calibrator.periods in ("1-2-5", "decade"):
        mantissas = (1, 2, 5) if calibrator.periods == "1-2-5" else (1,)
        periods = list(stepped(calibrator.period_low, calibrator.period_high, mantissas))
    else:
        periods = sorted(p for p in calibrator.periods if not isinstance(p, str))
    return [p for p in periods if calibrator.period_low <= p <= calibrator.period_high]


def _wave(setup: Setup, options: Options, period_s: float) -> tuple[Stimulus, View]:
    """What is put out, and the channel's own settings for it."""
    unit, to_unit = setup.unit, setup.bench.path(options.path).divides_by
    if options.source == "calibrator":
        level = calibrator_of(setup).mark_level
        inside = [v for v in sorted(unit.volts_per_div) if level / to_unit / v <= unit.vertical_div - 2]
        volts_per_div, ground_div = inside[0] if inside else max(unit.volts_per_div), 1 - unit.vertical_div / 2
        stimulus: Stimulus = TimeMarks(period_s=period_s, level_vpp=level)
    else:
        volts_per_div = signal_range(unit, None)
        level = round_to(min(unit.usable_div * volts_per_div * to_unit, generator_of(setup).level_high), 2)
        ground_div = 0.0 if options.signal == "sine" else 1 - unit.vertical_div / 2
        kind = Sine if options.signal == "sine" else Square
        stimulus = kind(level_vpp=level, frequency_hz=round_to(1 / period_s, 9))
    return stimulus, View(
        channel=options.channel, volts_per_div=volts_per_div, s_per_div=1.0, ground_line_div=ground_div
    )


def _is_counted(setup: Setup) -> bool:
    """Whether the counter is read at every point: nobody reads one by eye for a generator that is known well enough."""
    counter = setup.bench.counter
    if counter is None or counter.driver != "manual":
        return counter is not None
    own = [line.of_value for line in generator_of(setup).accuracy if line.function == "frequency"]
    return not own or min(own) > _WELL_KNOWN * rated(setup.unit, Rated).time


def _step(setup: Setup, options: Options, s_per_div: float, magnifier: float, marks: tuple[float, float]) -> Measure:
    period_s, span_div = marks
    stimulus, view = _wave(setup, options, period_s)
    on_lines = options.to_line and options.source == "calibrator" and math.isclose(span_div % 1.0, 0.0)
    return Measure(
        purpose="time factor",
        path=options.path,
        source=options.source,
        stimulus=stimulus,
        display="unit",
        view=replace(view, s_per_div=s_per_div, magnifier=magnifier),
        quantity=SPAN.name,
        with_counter=options.source == "generator" and _is_counted(setup),
        tune_to_div=span_div if on_lines else None,
        tune="period" if on_lines else "frequency",
        expected=span_div,
        expected_low=round(span_div * (1 - _BELIEVED_WITHIN), 4),
        expected_high=round(span_div * (1 + _BELIEVED_WITHIN), 4),
    )


def script(setup: Setup, options: Options) -> steps.Sequence[None]:
    """Read every time factor."""
    yield from read_all(plan(setup, options), return_to_first=options.return_to_first)
