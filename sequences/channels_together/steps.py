"""Phase, delay, difference and sum of two channels that a tee puts on one signal."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Final, Literal, TypeAlias

from pydantic import Field

from harness import steps
from harness.errors import AnalysisError
from harness.measurement import Quantity, quantity_of
from harness.models import LOW_OHM, Setup, rated
from harness.quantities import round_to, show
from harness.steps import Connect, FastEdge, Measure, Role, Sine, View
from harness.values import Hertz, Model, Volts
from harness.words.language import tr
from sequences import Judges, Plan, Planned, channels_of, repeated, signal_range, sweep_near
from sequences.channels_together import Rated
from sequences.channels_together.between import (
    DELAY,
    DIFFERENCE,
    DIFFERENCE_HEIGHT,
    FIGURE,
    HALF_DIV,
    HEIGHT_DIV,
    OPENING,
    PHASE,
    QUANTITIES,
    SINGLE,
    SUM_HEIGHT,
)
from sequences.levelling.steps import raised
from sequences.pulse.steps import sweep_for

__all__ = ["JUDGES", "QUANTITIES", "TITLE", "Options", "needs", "plan", "script"]

TITLE: Final = "Channels together"
JUDGES: Final[Judges] = {"unit": tuple(quantity.name for quantity in QUANTITIES if quantity.rating)}
_EDGE_DIV: Final = 5.0
_CYCLES_A_DIV: Final = 1.0
Wanted: TypeAlias = Iterator[Measure | str]


class Options(Model):
    """What a job may choose."""

    channels: tuple[int, ...] = Field((), description="the first, and those that are compared with it; all if left out")
    path: str = Field("lead", description="the leads from a tee to both channels")
    source: Literal["generator", "calibrator"] = Field(
        "generator", description="the generator's sine and edge, or the calibrator's edge for the delay alone"
    )
    volts_per_div: Volts | None = Field(None, description="range; the unit file's for bandwidth, or near 100 mV/div")
    frequencies: tuple[Hertz, ...] = Field((), description="of the phase; the rated one if left out")
    repeats: int = Field(1, ge=1, le=20)


def needs(options: Options) -> tuple[Role, ...]:
    """The roles that the sequence uses."""
    return (options.source,)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Pair:
    """A channel against the first one."""

    setup: Setup
    options: Options
    channel: int
    first: int

    @property
    def by_eye(self) -> bool:
        return self.setup.unit.read == "eye"

    def level(self, height_div: float) -> float:
        """What the source is set to for this height; a generator's level is stated into 50 ohm."""
        by = raised(self.setup, self.options.path) if self.options.source == "generator" else 1.0
        return round_to(height_div * self.volts_per_div * self.setup.bench.path(self.options.path).divides_by / by, 4)

    @property
    def volts_per_div(self) -> float:
        return signal_range(self.setup.unit, self.options.volts_per_div)

    def sine(self, quantity: Quantity, frequency_hz: float, height_div: float, together: str = "") -> Measure | str:
        """A reading of both on a sine; what the source cannot give is said."""
        generator, level_vpp = self.setup.bench.generator, self.level(height_div)
        if generator is None or self.options.source != "generator":
            return tr('the calibrator gives no sine; take source = "generator"')
        if not generator.frequency_low <= frequency_hz <= generator.frequency_high:
            return tr("the generator does not give {frequency_hz}", frequency_hz=show(frequency_hz, "Hz"))
        if not generator.level_low <= level_vpp <= generator.level_high:
            return tr(
                "the generator does not give the {level_vpp} that it takes on this range",
                level_vpp=show(level_vpp, "Vpp"),
            )
        sweep_s = sweep_near(self.setup.unit, _CYCLES_A_DIV / frequency_hz)
        view = View(channel=self.channel, volts_per_div=self.volts_per_div, s_per_div=sweep_s)
        return self.measure(quantity, Sine(level_vpp=level_vpp, frequency_hz=frequency_hz), view, together)

    def measure(self, quantity: Quantity, stimulus: Sine | FastEdge, view: View, together: str = "") -> Measure:
        return Measure(
            purpose=quantity.name.replace("_", " "), path=self.options.path, source=self.options.source,
            stimulus=stimulus, display="unit", view=replace(view, together=together),  # type: ignore[arg-type]
            quantity=quantity.name, second=self.first, expected=0.0 if quantity.rating else None,
        )  # fmt: skip

    def phases(self, rated_hz: float) -> Wanted:
        for frequency_hz in self.options.frequencies or (rated_hz,):
            if self.by_eye:
                yield self.sine(FIGURE, frequency_hz, HEIGHT_DIV, "x-y")
                yield self.sine(OPENING, frequency_hz, HEIGHT_DIV, "x-y")
            else:
                yield self.sine(PHASE, frequency_hz, HEIGHT_DIV)

    def difference(self, frequency_hz: float) -> Wanted:
        if not self.by_eye:
            yield self.sine(DIFFERENCE, frequency_hz, HEIGHT_DIV)
            return
        yield _alone(self.sine(SINGLE, frequency_hz, HEIGHT_DIV))
        yield self.sine(DIFFERENCE_HEIGHT, frequency_hz, HEIGHT_DIV, "difference")

    def sum(self, frequency_hz: float) -> Wanted:
        if not self.by_eye:
            yield tr("it is the unit's own on a screen; a sum of two records would say nothing of it")
            return
        single = _alone(self.sine(SINGLE, frequency_hz, HALF_DIV))
        yield single
        yield single if isinstance(single, str) else replace(single, view=replace(single.view, channel=self.first))
        whole = self.sine(SUM_HEIGHT, frequency_hz, HALF_DIV, "sum")
        yield whole if isinstance(whole, str) else replace(whole, expected=2 * HALF_DIV)

    def delay(self) -> Wanted:
        source, unit = getattr(self.setup.bench, self.options.source), self.setup.unit
        if source is None or source.edge_rise_time is None or "edge" not in getattr(source, "functions", ("edge",)):
            yield tr("the {source} gives no fast edge (edge_rise_time in the bench file)", source=self.options.source)
            return
        rise_s = math.hypot(unit.own_rise_time, source.edge_rise_time)
        s_per_div, magnifier = sweep_for(self.setup, rise_s)
        view = View(
            channel=self.channel, volts_per_div=self.volts_per_div, s_per_div=s_per_div, magnifier=magnifier,
            ground_line_div=-_EDGE_DIV / 2,
        )  # fmt: skip
        edge = FastEdge(level_vpp=self.level(_EDGE_DIV), frequency_hz=getattr(source, "edge_frequency", 1e5))
        yield self.measure(DELAY, edge, view)


def _alone(step: Measure | str) -> Measure | str:
    """The same of the channel by itself."""
    return step if isinstance(step, str) else replace(step, second=None)


def _pairs(setup: Setup, options: Options) -> Iterator[_Pair]:
    first, *others = channels_of(setup, options.channels)
    for channel in others:
        yield _Pair(setup=setup, options=options, channel=channel, first=first)


def _wanted(pair: _Pair) -> Iterator[tuple[str, Wanted]]:
    """What is tried of a pair, and the readings of each."""
    stated = rated(pair.setup.unit, Rated)
    at_hz = stated.common_mode_at
    for name, rating, readings in (
        ("Phase", stated.phase, pair.phases(stated.phase_at)),
        ("Delay", stated.channel_delay, pair.delay()),
        ("Difference", stated.common_mode, pair.difference(at_hz)),
        ("Sum", stated.sum, pair.sum(at_hz)),
    ):
        yield name, readings if rating is not None else iter((tr("the unit file states no rating"),))


def _readings(pair: _Pair) -> Iterator[Measure]:
    for _, wanted in _wanted(pair):
        yield from (step for step in wanted if not isinstance(step, str))


def plan(setup: Setup, options: Options) -> Plan:
    """What is judged; heights that others are parts of are read beside them."""
    pairs = tuple(_pairs(setup, options))
    if not pairs:
        return Plan(left_out=(tr("Channels together: there is one channel."),))
    if setup.unit.input.resistance < LOW_OHM:
        raise AnalysisError("two inputs that end a line cannot stand on one tee: the line would end twice.")
    left_out = [
        f"{name}: {said}."
        for pair in pairs for name, wanted in _wanted(pair) for said in wanted
        if isinstance(said, str)
    ]  # fmt: skip
    judged = (step for pair in pairs for step in _readings(pair) if quantity_of(step).rating is not None)
    points = tuple(Planned(step=step, repeats=options.repeats) for step in judged)
    return Plan(points=points, left_out=tuple(dict.fromkeys(left_out)))


def script(setup: Setup, options: Options) -> steps.Sequence[None]:
    """Each pair on its tee; at the end the switch's leads are put back."""
    if not plan(setup, options).points:
        return
    for pair in _pairs(setup, options):
        yield Connect(
            path=options.path, source=options.source, display="unit", channel=pair.first, also=(pair.channel,)
        )
        for step in _readings(pair):
            yield from repeated(step, options.repeats)
    yield from _put_back(setup, options)


def _put_back(setup: Setup, options: Options) -> steps.Sequence[None]:
    for channel in channels_of(setup, options.channels):
        for path in setup.bench.paths:
            if setup.route(path, "unit", channel) is not None:
                yield Connect(path=path, source=options.source, display="unit", channel=channel, replugged=True)
                break
