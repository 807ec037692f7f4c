"""The half-power frequency of every channel: a levelled sine, an adaptive search, the frequency from the counter."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Final

from harness import steps
from harness.models import Setup
from harness.quantities import ratio_of_db, round_to
from harness.steps import Measure, Role, Sine, View, connect, measure
from sequences import Judges, Plan, Planned, channels_of, generator_of, signal_range
from sequences.bandwidth.asked import DEFLECTION_DIV, Options, to_reference
from sequences.bandwidth.at_rated import AT_RATED
from sequences.bandwidth.by_hand import hand_plan, hand_script
from sequences.bandwidth.levelled import Searched, levelled
from sequences.bandwidth.lines import LINE_TO_LINE
from sequences.bandwidth.response import half_power
from sequences.bandwidth.response_model import HALF_POWER
from sequences.bandwidth.search import Ask, next_at_rated, next_request
from sequences.bandwidth.wanted import Wanted, on_range
from sequences.deflection import PEAK_TO_PEAK
from sequences.levelling.sine import LEVEL, LEVEL_CHECK, Taken, sine_level
from sequences.levelling.steps import REPEATS, level_step, read_levels, sweep
from sequences.levelling.width import TRACE_WIDTH, reads_width, width_step

TITLE: Final = "Bandwidth"
QUANTITIES: Final = (TRACE_WIDTH, LINE_TO_LINE)  # and what is shared with the vertical deflection
RATINGS: Final = (HALF_POWER, AT_RATED)
JUDGES: Final[Judges] = {
    "unit": (PEAK_TO_PEAK.name, TRACE_WIDTH.name, LINE_TO_LINE.name),
    "reference": (PEAK_TO_PEAK.name, LINE_TO_LINE.name),
}
_MOST_READINGS: Final = 120
_LEVEL_DIGITS: Final = 4
_MOST_SKIPPED: Final = 4  # of one channel; who leaves out more does not want it measured
_ASIDE: Final = 1.03  # a point beside one that was left out: near enough for the search, elsewhere on the screen


def needs(options: Options) -> tuple[Role, ...]:
    """The roles that the sequence uses."""
    return ("generator", "counter") if options.tuned else ("generator",)


def plan(setup: Setup, options: Options) -> Plan:
    """What is known beforehand: the level table and the reference readings; the search finds its own points."""
    setup = on_range(setup, options.volts_per_div)
    if options.levelling == "by hand":
        return Plan(points=tuple(Planned(step=step) for step in hand_plan(setup, options, wanted_of(setup, options))))
    return Plan(points=tuple(Planned(step=step, repeats=REPEATS) for step in _level_steps(setup, options)))


def script(setup: Setup, options: Options) -> steps.Sequence[None]:
    """Level, search each channel, check the level at the end."""
    setup = on_range(setup, options.volts_per_div)
    wanted = wanted_of(setup, options)
    if options.levelling == "by hand":
        yield from hand_script(setup, options, wanted)
        return
    level: list[Taken] = []
    if setup.bench.reference is not None and not _at_each(setup, options):
        yield from read_levels(setup, _level_steps(setup, options), level)
    found_hz = []
    for channel in channels_of(setup, options.channels):
        frequency_hz = yield from _search(setup, options, channel, wanted, level)
        found_hz += [frequency_hz] if frequency_hz else []
    if setup.bench.reference is not None and not _at_each(setup, options):
        ends = dict.fromkeys((wanted.reference_hz, *(round_to(f, _LEVEL_DIGITS) for f in found_hz)))
        checks = [_level_step(setup, options, f, LEVEL_CHECK) for f in ends if f <= wanted.max_hz]
        yield from read_levels(setup, checks, level)


def wanted_of(setup: Setup, options: Options) -> Wanted:
    """The options as the reckoning takes them."""
    return Wanted.from_options(options.model_dump(mode="json"), setup)


def _search(
    setup: Setup, options: Options, channel: int, wanted: Wanted, level: list[Taken]
) -> steps.Sequence[float | None]:
    shown: list[Taken] = []
    skipped: list[float] = []
    known = Searched()
    at_unit = False
    if reads_width(setup):
        step = width_step(options.path, channel, signal_range(setup.unit, options.volts_per_div))
        yield from connect(path=step.path, source=step.source, display="unit", channel=channel)
        shown.append((step, (yield from measure(step))))
        at_unit = True
    for number in range(_MOST_READINGS):
        state = levelled(setup, wanted, level, shown, known=known)
        following = next_request if options.at == "half power" else next_at_rated
        ask = following(state.readings, state.plan)
        if not isinstance(ask, Ask):
            break
        ask = _beside(ask, skipped, wanted)
        if setup.bench.reference is not None and _at_each(setup, options):
            moved = yield from _level_where_unknown(setup, options, ask.frequency_hz, level)
            at_unit = at_unit and not moved
        step = _unit_step(setup, options, channel, ask, number)
        if ask.replaces is not None:
            step = replace(step, replaces=state.numbers[ask.replaces])
        if not at_unit:
            yield from connect(path=step.path, source=step.source, display="unit", channel=channel)
            at_unit = True
        reading = yield from measure(step)
        shown.append((step, reading))
        if reading.status not in ("read", "off_screen"):
            skipped.append(ask.frequency_hz)
            if len(skipped) == _MOST_SKIPPED:
                break
    state = levelled(setup, wanted, level, shown, known=known)
    return half_power(state.readings, state.plan).frequency_hz


def _beside(ask: Ask, skipped: list[float], wanted: Wanted) -> Ask:
    """A point that was left out is left alone: the next is read a little beside it, the reference once more."""
    if ask.frequency_hz not in skipped or ask.frequency_hz == wanted.reference_hz:
        return ask
    around = [
        round_to(ask.frequency_hz * _ASIDE**n, _LEVEL_DIGITS) for m in range(1, 2 * _MOST_SKIPPED) for n in (m, -m)
    ]
    free = [f for f in around if f not in skipped and wanted.reference_hz < f <= wanted.max_hz]
    return replace(ask, frequency_hz=free[0]) if free else ask


def _level_where_unknown(
    setup: Setup, options: Options, frequency_hz: float, level: list[Taken]
) -> steps.Sequence[bool]:
    """Read the level at a frequency that has none yet, and at the reference frequency; says whether it moved."""
    wanted = dict.fromkeys((wanted_of(setup, options).reference_hz, frequency_hz))
    missing = [f for f in wanted if not any(sine_level(step)[0] == f for step, _ in level)]
    if missing:
        yield from read_levels(setup, [_level_step(setup, options, f, LEVEL) for f in missing], level)
    return bool(missing)


def _level_steps(setup: Setup, options: Options) -> list[Measure]:
    if setup.bench.reference is None:
        return []
    wanted = wanted_of(setup, options)
    if options.at == "rated":
        there = (wanted.reference_hz, min(setup.unit.bandwidth, wanted.max_hz))
        return [_level_step(setup, options, f, LEVEL) for f in there]
    if _at_each(setup, options):
        return [_level_step(setup, options, wanted.reference_hz, LEVEL)]
    dense_from = max(wanted.reference_hz, setup.unit.bandwidth / 10)
    grid = [wanted.reference_hz]
    grid += _log_grid(wanted.reference_hz, dense_from, 2)
    grid += _log_grid(dense_from, wanted.max_hz, options.level_points_per_decade)
    grid.append(wanted.max_hz)
    return [_level_step(setup, options, f, LEVEL) for f in sorted({round_to(f, _LEVEL_DIGITS) for f in grid})]


def _log_grid(low: float, high: float, per_decade: int) -> list[float]:
    count = max(1, math.ceil(math.log10(high / low) * per_decade)) if high > low else 0
    return [low * (high / low) ** (i / count) for i in range(count)]


def _level_step(setup: Setup, options: Options, frequency_hz: float, purpose: str) -> Measure:
    vpp = _base_vpp(setup, options)
    return level_step(setup, to_reference(options), level_vpp=vpp, frequency_hz=frequency_hz, purpose=purpose)


def _unit_step(setup: Setup, options: Options, channel: int, ask: Ask, number: int) -> Measure:
    vpp = round_to(_base_vpp(setup, options) * ratio_of_db(ask.level_db), _LEVEL_DIGITS)
    low, high = ask.expected_div or (None, None)
    middle = None if low is None or high is None else (low + high) / 2
    return Measure(
        purpose=ask.purpose,
        path=options.path,
        source="generator",
        stimulus=Sine(level_vpp=vpp, frequency_hz=ask.frequency_hz),
        display="unit",
        view=View(
            channel=channel,
            volts_per_div=signal_range(setup.unit, options.volts_per_div),
            s_per_div=sweep(ask.frequency_hz, setup.unit.s_per_div, remote=setup.unit.read == "remote"),
        ),
        quantity=PEAK_TO_PEAK.name,
        with_counter=setup.bench.counter is not None,
        expected=None if middle is None else round(middle, 3),
        expected_low=None if low is None else round(low, 3),
        expected_high=None if high is None else round(high, 3),
        tune_to_div=ask.line_div if ask.tune == "frequency" else None,
        repeat=number,
        because=ask.because,
    )


def _base_vpp(setup: Setup, options: Options) -> float:
    """The level at the reference frequency, at the source."""
    path = setup.bench.path(options.path)
    vpp = (options.deflection or DEFLECTION_DIV) * signal_range(setup.unit, options.volts_per_div) * path.divides_by
    return round_to(min(vpp, generator_of(setup).level_high), _LEVEL_DIGITS)


def _at_each(setup: Setup, options: Options) -> bool:
    """Whether the level is read at every point, which only a switch makes bearable."""
    if options.levelling != "auto":
        return options.levelling == "each"
    channels = channels_of(setup, options.channels)
    routed = any(setup.route(options.path, "unit", channel) is not None for channel in channels)
    return routed and setup.route(to_reference(options), "reference", 1) is not None
