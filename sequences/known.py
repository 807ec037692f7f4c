"""Signals that hurt nobody, and the one reading by which two instruments show that they mean the same.   [pure]

For whoever tries an instrument out: nothing here is judged against a maker's figure.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from harness.models import LOW_OHM, Calibrator, Generator, Reference, Unit
from harness.quantities import nearest, round_to
from harness.steps import Connect, Dc, FastEdge, Measure, Sine, Square, TimeMarks, Trigger, View
from sequences.deflection import DEFLECTION, PEAK_TO_PEAK
from sequences.vertical.levels import available_levels

if TYPE_CHECKING:
    from collections.abc import Sequence

    from harness.models import Setup
    from harness.steps import Display, Role, Stimulus

HARMLESS_V: Final = 1.0
"""The highest peak of what is put out: 20 mW in 50 ohm, far below what any input, probe or termination bears."""
AGREES_WITHIN: Final = 0.1
"""Of what is applied: it tells peak to peak from peak, and an open output from a terminated one, and is no verdict."""
_SHARES: Final = (0.31416, 0.62832)  # of the highest harmless level: with as many digits as are to be set
_MOST_DIV: Final = 3.5  # an output that is left open gives twice its level

Pair = tuple["Stimulus", "Stimulus"]


def harmless(source: Calibrator | Generator) -> tuple[Mapping[str, Pair], tuple[str, ...]]:
    """Two settings of each signal of a source, by the name of its command; and what is not tried, in sentences."""
    made: dict[str, Pair | None] = {}
    if isinstance(source, Generator):
        made["sine"] = _sines(source)
        if source.edge_rise_time is not None:
            made["edge"] = _edges(source, 1e6)
    else:
        levels = _levels(source)
        for name in source.functions:
            made[name] = _of_a_calibrator(source, name, levels)
        if source.edge_rise_time is not None:
            made["edge"] = _edges(source, source.edge_frequency)
    left_out = [name.replace("_", " ") for name, pair in made.items() if pair is None]
    said = [f"The {name}: it has no level up to {HARMLESS_V:g} V." for name in left_out]
    return {name: pair for name, pair in made.items() if pair is not None}, tuple(said)


def _of_a_calibrator(source: Calibrator, name: str, levels: tuple[float, float] | None) -> Pair | None:
    if name == "time_marks":
        return _marks(source)
    if levels is None:
        return None
    match name:
        case "dc":
            sign = -1.0 if source.negative else 1.0
            return Dc(level_v=levels[0]), Dc(level_v=sign * levels[1])
        case "square":
            first, second = (Square(level_vpp=level, frequency_hz=source.square_frequency) for level in levels)
        case _:
            return _edges(source, source.edge_frequency)
    return first, second


def _levels(source: Calibrator | Generator) -> tuple[float, float] | None:
    """Two levels that it has; one twice where there is but one."""
    if isinstance(source, Calibrator) and (steps := available_levels(source)) is not None:
        few = [level for level in steps if level <= HARMLESS_V]
        return (few[-1], few[max(-2, -len(few))]) if few else None
    most, digits = min(source.level_high, HARMLESS_V), getattr(source, "level_digits", 5)
    if source.level_low > most:
        return None
    first, second = (round_to(max(share * most, source.level_low), digits) for share in _SHARES)
    return first, second


def _marks(source: Calibrator) -> Pair | None:
    if source.mark_level > HARMLESS_V:
        return None
    listed = source.periods if isinstance(source.periods, tuple) else ()
    periods = (nearest(listed, wanted) if listed else wanted for wanted in (1e-3, 1e-4))
    first, second = (
        TimeMarks(period_s=min(max(period_s, source.period_low), source.period_high), level_vpp=source.mark_level)
        for period_s in periods
    )
    return first, second


def _edges(source: Calibrator | Generator, frequency_hz: float) -> Pair | None:
    if (levels := _levels(source)) is None:
        return None
    return FastEdge(level_vpp=levels[0], frequency_hz=frequency_hz), FastEdge(
        level_vpp=levels[1], frequency_hz=frequency_hz
    )


def _sines(source: Generator) -> Pair | None:
    if (levels := _levels(source)) is None:
        return None
    low, high = source.frequency_low, source.frequency_high
    first, second = (
        Sine(level_vpp=level, frequency_hz=min(max(hertz, low), high))
        for level, hertz in zip(levels, (1.23457e6, 5e4), strict=True)
    )
    return first, second


def views(ranges: Sequence[float], sweeps: Sequence[float], channels: Sequence[int]) -> tuple[View, ...]:
    """How a display usually stands, and three ways in which nearly everything of it is otherwise."""
    two = (
        [nearest(ranges, wanted) for wanted in (0.1, 0.5)],
        [nearest(sweeps or (wanted,), wanted) for wanted in (1e-3, 1e-5)],
    )
    (first_v, second_v), (first_s, second_s) = two
    usual = View(channel=channels[0], volts_per_div=first_v, s_per_div=first_s)
    other = View(
        channel=channels[-1], volts_per_div=second_v, s_per_div=second_s, coupling="ac", ground_line_div=-2.0,
        limited=True, delay_s=second_s,
        trigger=Trigger(slope="falling", coupling="ac", level_v=second_v / 2, normal=True),
    )  # fmt: skip
    low = View(
        channel=channels[0], volts_per_div=first_v, s_per_div=first_s, coupling="ground",
        trigger=Trigger(coupling="low_reject"),
    )  # fmt: skip
    high = View(channel=channels[0], volts_per_div=first_v, s_per_div=first_s, trigger=Trigger(coupling="high_reject"))
    return usual, other, low, high


def any_unit() -> Unit:
    """A unit of which nothing is known but what every oscilloscope has; it bears what is put out here."""
    return Unit.model_validate(
        {
            "maker": "", "model": "", "volts_per_div": (0.1, 0.2, 0.5, 1.0), "bandwidth": 1e6, "read": "remote",
            "s_per_div": (1e-5, 1e-4, 2e-4, 5e-4, 1e-3), "input": {"maximum": 5 * HARMLESS_V},
        },
        context={"si": True},
    )  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Together:
    """One instrument's signal on another's screen: where it is connected, and what is read."""

    connect: Connect
    step: Measure


def together(setup: Setup, source: Role, display: Display) -> Together | None:
    """The reading by which a source and a display are tried on each other; None where nothing harmless leads there."""
    signal = signal_of(getattr(setup.bench, source))
    path = _path(setup, source, display)
    if signal is None or path is None:
        return None
    reference = setup.bench.reference or Reference()
    ranges = setup.unit.volts_per_div if display == "unit" else reference.volts_per_div
    sweeps = setup.unit.s_per_div if display == "unit" else reference.s_per_div
    channel = 1 if display == "unit" else reference.channel
    level = abs(signal.level) / setup.bench.path(path).divides_by
    volts_per_div = min((each for each in ranges if each * _MOST_DIV >= level), default=max(ranges))
    s_per_div = 0.5 / (signal.rate_hz or 1e3)
    step = Measure(
        purpose="try-out", path=path, source=source, stimulus=signal, display=display,
        view=View(channel=channel, volts_per_div=volts_per_div, s_per_div=nearest(sweeps or (s_per_div,), s_per_div)),
        quantity=DEFLECTION.name if isinstance(signal, Dc) else PEAK_TO_PEAK.name,
    )  # fmt: skip
    return Together(connect=Connect(path=path, source=source, display=display, channel=channel), step=step)


def signal_of(source: Calibrator | Generator | None) -> Stimulus | None:
    """What is read of a source: its wave of the lowest frequency, else its direct voltage."""
    if source is None:
        return None
    pairs = harmless(source)[0]
    if "sine" in pairs:
        return pairs["sine"][1]
    return next((pairs[name][1] for name in ("square", "edge", "dc") if name in pairs), None)


def _path(setup: Setup, source: Role, display: Display) -> str | None:
    """The path between them: a generator's line ends once, and one that the switch has goes first."""
    reference = setup.bench.reference or Reference()
    channel, ohm = (1, setup.unit.input.resistance) if display == "unit" else (reference.channel, reference.input_ohm)
    ends = source == "generator" and ohm >= LOW_OHM

    def rank(name: str) -> tuple[bool, bool, float]:
        path = setup.bench.path(name)
        return (path.termination is not None) != ends, setup.route(name, display, channel) is None, path.divides_by

    return min(setup.bench.paths, key=rank, default=None)
