"""The bandwidth as a person takes it: a level turned on the reference, the lead to the unit, one look at the counter.

At a frequency the reference is brought to whole divisions, then every channel is read at that level. The next frequency
follows from what was read: on the other side of half power first, then at it. Frequencies are such as a dial has.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace
from typing import Final

from harness import steps
from harness.errors import AnalysisError
from harness.models import Setup, rated
from harness.quantities import round_to
from harness.steps import Measure, Sine, View, connect, measure
from sequences import channels_of, generator_of, signal_range
from sequences.bandwidth.asked import Options, to_reference
from sequences.bandwidth.hand_levelled import LowDeflection, hand_levelled, own_accuracy
from sequences.bandwidth.levelled import Levelled
from sequences.bandwidth.lines import LINE_TO_LINE
from sequences.bandwidth.response import evaluate
from sequences.bandwidth.response_budget import READINGS
from sequences.bandwidth.response_flags import AT_TOP
from sequences.bandwidth.response_model import HalfPower
from sequences.bandwidth.response_reduce import Observation
from sequences.bandwidth.response_suspect import expected_span
from sequences.bandwidth.search import z_of
from sequences.bandwidth.wanted import Wanted
from sequences.deflection import deflection_budget
from sequences.levelling.sine import LEVEL, Taken
from sequences.levelling.steps import reference_of, sweep
from sequences.vertical import Rated
from sequences.vertical import steps as vertical

_GOOD: Final = 0.04  # u of the frequency that is good enough where the job names no target
_ABOVE_RATING: Final = 1.1  # where half power is likely to be, before anything is read
_DIAL_DIGITS: Final = 2
_MOST_VISITS: Final = 6  # above the reference frequency
_LEAST_LN, _MOST_LN = 0.15, 0.7  # of a step to the other side: clear of the readings' scatter, and not out of the fit
_SLOPE_OF_Z: Final = 2.5  # of z per ln f about a crossing, between a single pole (2) and a Gaussian response (2.77)
_WORTH: Final = 0.75  # of u from the readings alone: below it one reading more takes less than a tenth off
_WORTH_IF_ASKED: Final = 0.5  # where the job names a target
_MOST_NEAR: Final = 3  # visits above the reference frequency after which none is made for a smaller u
_LOW_U: Final = 0.0125  # relative; what is known less well at low frequency is read there
_LOW_WITHIN: Final = 0.1  # relative; a deflection at low frequency farther off is asked once more


@dataclass(frozen=True, slots=True, kw_only=True)
class Height:
    """To how many divisions of which range the reference is brought, and what that takes of the source."""

    divisions: int
    volts_per_div: float
    level_vpp: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Work:
    """What the work is done with, and what has been read so far."""

    setup: Setup
    options: Options
    wanted: Wanted
    low_known: bool  # from the vertical deflection of the same job
    taken: list[Taken] = field(default_factory=list)

    @property
    def channels(self) -> tuple[int, ...]:
        """The channels that are tried."""
        return channels_of(self.setup, self.options.channels)

    @property
    def low_div(self) -> float:
        """What an ideal unit shows at low frequency."""
        per_div = signal_range(self.setup.unit, self.options.volts_per_div)
        at_input = height_of(self.setup, self.options).level_vpp / self.setup.bench.path(self.options.path).divides_by
        return at_input / per_div

    @property
    def visits(self) -> int:
        """How many frequencies above the reference frequency have been read."""
        levels = [step.stimulus.rate_hz for step, _ in self.taken if step.display == "reference"]
        return sum(hz != self.wanted.reference_hz for hz in levels)

    @property
    def first_hz(self) -> float:
        """Where the response is read first: at the rating, or where the generator ends."""
        return self.dial_hz(self.setup.unit.bandwidth)

    def dial_hz(self, frequency_hz: float) -> float:
        """A frequency that a dial can be set to, within what the generator gives."""
        return min(max(round_to(frequency_hz, _DIAL_DIGITS), self.wanted.reference_hz), self.wanted.max_hz)


def hand_script(setup: Setup, options: Options, wanted: Wanted) -> steps.Sequence[None]:
    """The low frequency unless it is known, then frequencies until every channel's half power is, or cannot be."""
    work = Work(setup=setup, options=options, wanted=wanted, low_known=low_is_known(setup, options))
    if not work.low_known:
        yield from _visit(work, wanted.reference_hz, work.channels)
    following: tuple[float, tuple[int, ...]] | None = (work.first_hz, work.channels)
    for _ in range(1 if options.at == "rated" else _MOST_VISITS):
        if following is None:
            break
        yield from _visit(work, *following)
        following = next_visit(work)


def hand_plan(setup: Setup, options: Options, wanted: Wanted) -> Iterator[Measure]:
    """The levels that are sure to be turned."""
    if generator_of(setup).driver != "manual":
        raise AnalysisError(
            "levelling = 'by hand' is for a generator whose level a person turns, driver = 'manual'; leave the option "
            "out, and the level is set over the interface."
        )
    work = Work(setup=setup, options=options, wanted=wanted, low_known=low_is_known(setup, options))
    if not work.low_known:
        yield _turned(work, wanted.reference_hz)
    yield _turned(work, work.first_hz)


# --- one frequency ---------------------------------------------------------------------------------------------------


def _visit(work: Work, frequency_hz: float, channels: Iterable[int]) -> steps.Sequence[None]:
    """Turn the level on the reference, and read every channel at it; the counter once, with the first that is read."""
    level, on_a_tee = _turned(work, frequency_hz), work.options.watched
    counted = work.setup.bench.counter is None or frequency_hz == work.wanted.reference_hz
    for place, channel in enumerate(channels):
        if on_a_tee:
            yield from _to_unit(work, channel)
        if place == 0:
            if not on_a_tee:
                yield from connect(path=level.path, source="generator", display="reference", channel=level.view.channel)
            if (yield from _taken(work, level)) != "read":
                return
        if not on_a_tee:
            yield from _to_unit(work, channel)
        status = yield from _taken(work, _shown(work, frequency_hz, channel, with_counter=not counted))
        counted = counted or status == "read"


def _to_unit(work: Work, channel: int) -> steps.Sequence[None]:
    options = work.options
    yield from connect(path=options.path, source="generator", display="unit", channel=channel, watched=options.watched)


def _taken(work: Work, step: Measure) -> steps.Sequence[steps.Status]:
    """Read, and keep what was read."""
    numbered = replace(step, repeat=len(work.taken))
    reading = yield from measure(numbered)
    work.taken.append((numbered, reading))
    return reading.status


def _turned(work: Work, frequency_hz: float) -> Measure:
    """The reference brought to its lines; one that is read over its interface says what it shows instead."""
    reference, height = reference_of(work.setup), height_of(work.setup, work.options)
    by_eye = reference.read == "eye"
    return Measure(
        purpose=LEVEL,
        path=to_reference(work.options),
        source="generator",
        stimulus=Sine(level_vpp=height.level_vpp, frequency_hz=frequency_hz, turned=by_eye),
        display="reference",
        view=View(
            channel=reference.channel,
            volts_per_div=height.volts_per_div,
            s_per_div=sweep(frequency_hz, reference.s_per_div, remote=not by_eye),
        ),
        quantity=LINE_TO_LINE.name,
        expected=float(height.divisions),
        expected_low=height.divisions / 2,
        expected_high=float(reference.vertical_div),
        tune_to_div=float(height.divisions) if by_eye else None,
        tune="level" if by_eye else "frequency",
    )


def _shown(work: Work, frequency_hz: float, channel: int, *, with_counter: bool) -> Measure:
    """The unit at the level that stands."""
    setup, low = work.setup, frequency_hz == work.wanted.reference_hz
    least_div, most_div = _span_div(work, frequency_hz, channel)
    return Measure(
        purpose="reference" if low else "refine",
        path=work.options.path,
        source="generator",
        stimulus=_turned(work, frequency_hz).stimulus,
        display="unit",
        view=View(
            channel=channel,
            volts_per_div=signal_range(setup.unit, work.options.volts_per_div),
            s_per_div=sweep(frequency_hz, setup.unit.s_per_div, remote=setup.unit.read == "remote"),
        ),
        quantity=LINE_TO_LINE.name,
        with_counter=with_counter,
        expected=round(min(max(_expected_div(work, frequency_hz, channel), least_div), most_div), 3),
        expected_low=round(least_div, 3),
        expected_high=round(most_div, 3),
    )


def _span_div(work: Work, frequency_hz: float, channel: int) -> tuple[float, float]:
    """Between which deflections the unit is sure to be read."""
    screen_div, low_div = work.setup.unit.vertical_div, work.low_div
    if frequency_hz == work.wanted.reference_hz:
        return low_div * (1 - _LOW_WITHIN), min(low_div * (1 + _LOW_WITHIN), screen_div)
    known = _known(work, channel)
    span = None if known is None else expected_span(frequency_hz, 0.0, known.readings, known.plan)
    least_div, most_div = span or (0.0, screen_div)
    return least_div, min(most_div, (1 + _LOW_WITHIN) * low_div, screen_div)


def _expected_div(work: Work, frequency_hz: float, channel: int) -> float:
    """What is likely: a fall through half power a little above the rating, or as the nearest reading has it."""
    if frequency_hz == work.wanted.reference_hz:
        return work.low_div
    log_f, z = math.log(_ABOVE_RATING * work.setup.unit.bandwidth), 0.0
    known = _known(work, channel)
    found = None if known is None else evaluate(known.readings, known.plan).reduced
    if known is not None and found is not None and found.observations:
        near = min(found.observations, key=lambda o: abs(o.log_f - math.log(frequency_hz)))
        log_f, z = near.log_f, z_of(near, known.plan)
    z += _SLOPE_OF_Z * (math.log(frequency_hz) - log_f)
    half = 10.0 ** (work.wanted.drop_db / 10.0) - 1.0
    return work.low_div / math.sqrt(1.0 + half * math.exp(z))


def height_of(setup: Setup, options: Options) -> Height:
    """The most divisions on the unit that job and screen leave, from whole divisions of a range of the reference."""
    unit, reference, generator = setup.unit, reference_of(setup), generator_of(setup)
    to_unit, there = setup.bench.path(options.path).divides_by, setup.bench.path(to_reference(options)).divides_by
    most_div = options.deflection or unit.vertical_div - 1
    most_vpp = min(most_div * signal_range(unit, options.volts_per_div) * to_unit, generator.level_high)
    heights = [
        Height(divisions=n, volts_per_div=v, level_vpp=round_to(n * v * there, 4))
        for v in reference.volts_per_div
        for n in range(2, int(reference.vertical_div) + 1)
        if n * v * there <= most_vpp * (1 + 1e-9)
    ]
    if not heights:
        raise AnalysisError("No range of the reference shows what unit and generator allow; name another range.")
    return max(heights, key=lambda each: (each.level_vpp, each.divisions))


# --- the deflection at low frequency ---------------------------------------------------------------------------------


def low_is_known(setup: Setup, options: Options) -> bool:
    """Whether the job tries the range before, straight and on every channel, and that will be known well enough."""
    own = own_accuracy(setup)
    if own is None:
        return False
    volts_per_div = signal_range(setup.unit, options.volts_per_div)
    known = {
        step.view.channel
        for step in _tried(setup)
        if step.view.volts_per_div == volts_per_div
        and math.hypot(deflection_budget(setup, step).u / 100.0, own) <= _LOW_U
    }
    return known.issuperset(channels_of(setup, options.channels))


def _tried(setup: Setup) -> Iterator[Measure]:
    """Every deflection that the job tries straight before the first bandwidth."""
    for use in setup.job.sequence:
        if use.use == "bandwidth":
            return
        if use.use == "vertical":
            for planned in vertical.plan(setup, vertical.Options.model_validate(use.options)).points:
                if setup.bench.path(planned.step.path).divides_by == 1.0:
                    yield planned.step


# --- the next frequency ----------------------------------------------------------------------------------------------


def next_visit(work: Work) -> tuple[float, tuple[int, ...]] | None:
    """Where to read next, and which channels; None where nothing more is to be had.

    First on the other side of half power. Where that is above for one channel and below for another, it is the farther
    one's, for both: with two readings the nearer one's crossing is known beyond them.
    """
    places = {
        channel: place
        for channel in work.channels
        if (known := _known(work, channel)) is not None
        and (place := _place(known, work.options)) is not None
        and (place.way or work.visits < _MOST_NEAR)
    }
    across = {channel: place for channel, place in places.items() if place.way}
    if across:
        way = max(across.values(), key=lambda place: place.step).way
        there = {channel: place for channel, place in across.items() if place.way == way}
        log_f = way * max(way * place.log_f for place in there.values())
        return work.dial_hz(math.exp(log_f)), tuple(across if work.visits == 1 else there)
    if not places:
        return None
    middle = math.fsum(place.log_f for place in places.values()) / len(places)
    return work.dial_hz(math.exp(middle)), tuple(places)


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """Where a channel is to be read: above its readings (way 1), below them (−1), or at its crossing (0)."""

    way: int
    log_f: float
    step: float = 0.0


def _known(work: Work, channel: int) -> Levelled | None:
    """What is known of a channel; of its deflection at low frequency the rating will do for the way."""
    unit = work.setup.unit
    tolerance = rated(unit, Rated).deflection_at(
        unit, channel, signal_range(unit, work.options.volts_per_div), unit.usable_div
    )
    low = LowDeflection(ratio=1.0, u=tolerance / math.sqrt(3)) if work.low_known else None
    try:
        return hand_levelled(work.setup, work.wanted, work.taken, channel, low)
    except AnalysisError:
        return None


def _place(known: Levelled, options: Options) -> Place | None:
    found, plan = evaluate(known.readings, known.plan), known.plan
    observations = found.reduced.observations if found.reduced is not None else ()
    result = found.result
    if not observations:
        return None
    worth = _WORTH_IF_ASKED if options.target else _WORTH
    if result.frequency_hz is not None and result.u_rel is not None:
        good = result.u_rel <= (options.target or _GOOD) or _readings_rel(result) < worth * result.u_rel
        return None if good else Place(way=0, log_f=math.log(result.frequency_hz))
    way = 1 if observations[-1].y_db >= -plan.drop_db else -1
    outermost = observations[-1 if way == 1 else 0]
    if way == 1 and outermost.set_hz >= plan.max_hz * (1 - AT_TOP):
        return None
    step = _step(outermost, known)
    return Place(way=way, log_f=outermost.log_f + way * step, step=step)


def _readings_rel(result: HalfPower) -> float:
    """The part of u that further readings make smaller; the one at low frequency is not repeated."""
    budget = result.budget
    lines = () if budget is None else budget.contributions
    return next((abs(line.contribution) / budget.estimate for line in lines if budget and line.name == READINGS), 0.0)


def _step(o: Observation, known: Levelled) -> float:
    """To the other side for any fall from a single pole's on, and clear of what the readings scatter."""
    return min(max(abs(z_of(o, known.plan)) / _SLOPE_OF_Z, _LEAST_LN), _MOST_LN)
