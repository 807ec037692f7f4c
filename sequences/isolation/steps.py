"""The isolation of the channels: one is driven with a sine, the others are read, by frequency."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from typing import Final

from pydantic import Field

from harness import steps
from harness.models import Setup, rated
from harness.quantities import ratio_of_db, round_to
from harness.steps import Measure, Role, Sine, View, connect, measure
from harness.values import Hertz, Model, VoltsPp
from harness.words.language import tr
from sequences import Judges, Plan, Planned, channels_of, generator_of
from sequences.deflection import PEAK_TO_PEAK
from sequences.isolation import Rated
from sequences.isolation.crosstalk import CROSSTALK, CUSTOMARY_DB, highest_hz
from sequences.levelling.steps import most_vpp, raised, rounded_down, sweep
from sequences.levelling.width import TRACE_WIDTH, reads_width, width_step

TITLE: Final = "Channel isolation"
QUANTITIES: Final = (CROSSTALK,)
JUDGES: Final[Judges] = {"unit": (CROSSTALK.name, PEAK_TO_PEAK.name, TRACE_WIDTH.name)}
DRIVEN: Final = "driven channel"
_PARTS: Final = (0.01, 0.1, 1.0)  # of the highest frequency


class Options(Model):
    """What a job may choose."""

    channels: tuple[int, ...] = Field((), description="channels that are read; all if left out")
    path: str = Field("terminated", description="the path of the sine to the driven channel")
    frequencies: tuple[Hertz, ...] = Field(
        (), description="frequencies; a hundredth, a tenth and all of the highest rated one if left out"
    )
    level: VoltsPp | None = Field(None, gt=0, description="level at the source; as high as all ratings allow")
    repeats: int = Field(1, ge=1, le=20)


def needs(_options: Options) -> tuple[Role, ...]:
    """The roles that the sequence uses."""
    return ("generator",)


def plan(setup: Setup, options: Options) -> Plan:
    """Every channel beside every other that is driven, at each frequency."""
    if rated(setup.unit, Rated).isolation is None:
        return Plan(left_out=(tr("Isolation: the unit file states no rating."),))
    if setup.unit.channels < 2:
        return Plan(left_out=(tr("Isolation: the unit has one channel."),))
    frequencies, left_out = _frequencies(setup, options)
    points = [
        Planned(step=_beside(setup, options, hz, channel, driven), repeats=options.repeats)
        for driven in _driven(setup, options)
        for hz in frequencies
        for channel in _read(setup, options, driven)
    ]
    return Plan(points=tuple(points), left_out=tuple(left_out))


def script(setup: Setup, options: Options) -> steps.Sequence[None]:
    """Drive each channel; at each frequency read it, then the others."""
    work = plan(setup, options).points
    for driven in dict.fromkeys(planned.step.driven or 0 for planned in work):
        these = [planned for planned in work if planned.step.driven == driven]
        yield from connect(path=options.path, source="generator", display="unit", channel=driven)
        if reads_width(setup):
            yield from _widths(these)
        level_hz = None
        for planned in these:
            if planned.step.stimulus.rate_hz != level_hz:
                level_hz = planned.step.stimulus.rate_hz
                yield from measure(_own(setup, options, planned.step))
            yield from _until_on_screen(setup, planned)


def _widths(points: list[Planned]) -> steps.Sequence[None]:
    """The width of the trace of each channel that is read, with no signal on any."""
    for step in {planned.step.view.channel: planned.step for planned in points}.values():
        width = width_step(step.path, step.view.channel, step.view.volts_per_div)
        yield from measure(replace(width, driven=step.driven))


def _until_on_screen(setup: Setup, planned: Planned) -> steps.Sequence[None]:
    """Read with its repeats; where it leaves the screen, on the next ranges."""
    ranges = [v for v in sorted(setup.unit.volts_per_div) if v >= planned.step.view.volts_per_div]
    for volts_per_div in ranges:
        step = replace(planned.step, view=replace(planned.step.view, volts_per_div=volts_per_div))
        reading = yield from measure(step)
        if reading.status == "off_screen":
            continue
        for repeat in range(1, planned.repeats):
            if reading.status == "read":
                yield from measure(replace(step, repeat=repeat))
        break


def _frequencies(setup: Setup, options: Options) -> tuple[list[float], list[str]]:
    generator, highest = generator_of(setup), highest_hz(setup.unit)
    wanted = options.frequencies or tuple(round_to(part * highest, 3) for part in _PARTS)
    inside = [hz for hz in wanted if generator.frequency_low <= hz <= generator.frequency_high]
    left_out = [
        tr("Isolation at {hz:g} Hz: the generator does not give it.", hz=hz) for hz in wanted if hz not in inside
    ]
    return inside, left_out


def _driven(setup: Setup, options: Options) -> Iterator[int]:
    return (channel for channel in channels_of(setup, ()) if _read(setup, options, channel))


def _read(setup: Setup, options: Options, driven: int) -> list[int]:
    return [channel for channel in channels_of(setup, options.channels) if channel != driven]


def _level_vpp(setup: Setup, options: Options) -> float:
    """As high as the driven channel still shows, and everything bears; down to what a level is set to."""
    by = setup.bench.path(options.path).divides_by / raised(setup, options.path)
    shown = setup.unit.usable_div * max(setup.unit.volts_per_div) * by
    most = min(options.level or math.inf, most_vpp(setup, options.path), shown)
    return rounded_down(most, 3)


def _own(setup: Setup, options: Options, beside: Measure) -> Measure:
    """What the driven channel itself shows."""
    at_input = _at_input(setup, options)
    volts_per_div = _fitting(setup, at_input)
    view = replace(beside.view, channel=beside.driven or 0, volts_per_div=volts_per_div)
    return replace(
        beside,
        purpose=DRIVEN,
        view=view,
        quantity=PEAK_TO_PEAK.name,
        expected=round(at_input / volts_per_div, 3),
        driven=None,
    )


def _beside(setup: Setup, options: Options, frequency_hz: float, channel: int, driven: int) -> Measure:
    """What another channel shows of it, on the range that just holds what is allowed."""
    unit = setup.unit
    allowed_v = _at_input(setup, options) / ratio_of_db(rated(unit, Rated).isolation or CUSTOMARY_DB)
    return Measure(
        purpose="crosstalk",
        path=options.path,
        source="generator",
        stimulus=Sine(level_vpp=_level_vpp(setup, options), frequency_hz=frequency_hz),
        display="unit",
        view=View(
            channel=channel,
            volts_per_div=_fitting(setup, allowed_v),
            s_per_div=sweep(frequency_hz, unit.s_per_div, remote=unit.read == "remote"),
        ),
        quantity=CROSSTALK.name,
        driven=driven,
    )


def _at_input(setup: Setup, options: Options) -> float:
    path = setup.bench.path(options.path)
    return _level_vpp(setup, options) * raised(setup, options.path) / path.divides_by


def _fitting(setup: Setup, volts_pp: float) -> float:
    """The most sensitive range that shows it inside the screen."""
    fitting = [v for v in sorted(setup.unit.volts_per_div) if volts_pp / v <= setup.unit.usable_div * (1 + 1e-9)]
    return fitting[0] if fitting else max(setup.unit.volts_per_div)
