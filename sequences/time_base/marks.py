"""What a job may choose of the time base, and which marks or waves fit a time factor."""

from __future__ import annotations

import math
from typing import Final, Literal

from pydantic import Field

from harness.models import Calibrator, Setup
from harness.quantities import round_to, stepped
from harness.steps import Sine, Square, Stimulus, TimeMarks, View
from harness.values import Flag, Model, Seconds
from sequences import calibrator_of, generator_of, signal_range
from sequences.time_base.sweep import CENTRE_DIV

_PERIODS_SHOWN: Final = 1.5  # marks may come no faster than at two thirds of the rated bandwidth
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
    ends: Flag | None = Field(None, description="try both ends of the magnified sweep too; left out: no")
    linearity: Flag | None = Field(None, description="how even the sweep is; left out: where the unit file rates it")
    linearity_ranges: tuple[Seconds, ...] | None = Field(
        None, description="time factors for that; the one nearest to 1 ms if left out"
    )
    delay: Flag | None = Field(None, description="the delay from the trigger; left out: where the unit file rates it")
    delays: tuple[Seconds, ...] | None = Field(
        None, description="which delays; if left out one, 10 ms by eye and 100 ms by record"
    )
    clock: Flag | None = Field(
        None, description="the clock, by sines of the generator; left out: where the unit file rates it"
    )
    clock_path: str | None = Field(None, description="path of those sines; 'terminated' if the bench has it")


def marks_for(setup: Setup, options: Options, s_per_div: float) -> tuple[float, float] | None:
    """Period of the marks, and the divisions between the first and the last that the centre eight hold.

    One mark a division is best; marks faster than the unit can show give way to slower ones over fewer divisions.
    """
    available = periods_of(setup, options, s_per_div)
    slowest_s, fastest_s = CENTRE_DIV * s_per_div, _PERIODS_SHOWN / setup.unit.bandwidth
    fitting = [p for p in available if fastest_s <= p <= slowest_s * (1 + 1e-9) and slowest_s / p <= _MOST_MARKS]
    if not fitting:
        return None

    def span_div(period_s: float) -> float:
        return round_to(math.floor(slowest_s / period_s * (1 + 1e-9)) * period_s / s_per_div, 9)

    best = max(fitting, key=lambda p: (span_div(p), p <= s_per_div * (1 + 1e-9), -abs(math.log(p / s_per_div))))
    return best, span_div(best)


def periods_of(setup: Setup, options: Options, s_per_div: float) -> list[float]:
    """The periods that the source gives, as far as they may serve a time factor."""
    if options.source == "generator":
        generator = generator_of(setup)
        return list(stepped(1 / generator.frequency_high, 1 / generator.frequency_low))
    calibrator = calibrator_of(setup)
    available = available_periods(calibrator)
    if available is None:
        available = tuple(round_to(s_per_div * n, calibrator.level_digits) for n in (1, 2, 4, 8))
    return [p for p in available if calibrator.period_low <= p <= calibrator.period_high]


def available_periods(calibrator: Calibrator) -> tuple[float, ...] | None:
    """The periods that a calibrator steps through, rising; None where any can be set."""
    low_s, high_s = calibrator.period_low, calibrator.period_high
    match calibrator.periods:
        case "continuous":
            return None
        case "decade":
            return tuple(stepped(low_s, high_s, (1,)))
        case "1-2-5":
            return tuple(stepped(low_s, high_s))
        case listed:
            return tuple(sorted(period_s for period_s in listed if low_s <= period_s <= high_s))


def wave(setup: Setup, options: Options, period_s: float) -> tuple[Stimulus, View]:
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
