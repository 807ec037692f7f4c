"""Resistance and capacitance of each input, by a known resistor in the line, or as a meter showed them."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Final

from pydantic import Field

from harness import steps
from harness.models import Calibrator, Setup, SignalPath, rated
from harness.quantities import round_to, show
from harness.steps import Connect, Measure, Role, Square, View
from harness.values import Farads, Model, Ohms, Ratio, Volts
from harness.words.language import tr, tr_later
from sequences import Judges, Plan, Planned, calibrator_of, channels_of, repeated, signal_range, sweep_near
from sequences.inputs import Rated
from sequences.inputs.behind import HEIGHT, QUANTITIES, RISE, RISE_OF_TIME_CONSTANT, known_ohm
from sequences.vertical.levels import available_levels

__all__ = ["JUDGES", "QUANTITIES", "TITLE", "Options", "needs", "plan", "script"]

TITLE: Final = "Inputs"
JUDGES: Final[Judges] = {"unit": tuple(quantity.name for quantity in QUANTITIES)}
_SETTLES_IN: Final = 12.0  # time constants, until a top is flat to 1e-5
_TOLD_APART: Final = 10.0  # a time constant is read where it rises so much more slowly than the channel
_BELIEVED_WITHIN: Final = 0.25


class Options(Model):
    """What a job may choose."""

    channels: tuple[int, ...] = Field((), description="channels; all if left out")
    path: str = Field("lead", description="straight to the input")
    series: str = Field("series", description="the path with the known resistor; [paths.NAME] with series_resistance")
    volts_per_div: Volts | None = Field(None, description="range; the unit file's for bandwidth, or near 100 mV/div")
    repeats: int = Field(1, ge=1, le=20)
    entered_resistance: tuple[Ohms, ...] = Field(
        (), description="what an ohm meter showed of each channel, instead of a measurement"
    )
    entered_resistance_within: Ratio = Field(0.0, ge=0, description="limits of that meter")
    entered_capacitance: tuple[Farads, ...] = Field(
        (), description="what an LCR meter showed of each channel, instead of a measurement"
    )
    entered_capacitance_within: Farads = Field(0.0, ge=0, description="limits of that meter")
    meter: str = Field("", description="which meter: its label and certificate, for the report")


def needs(options: Options) -> tuple[Role, ...]:
    """The roles that the sequence uses."""
    return () if options.entered_resistance and options.entered_capacitance else ("calibrator",)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Wanted:
    """What is read of a channel, or why it is not."""

    setup: Setup
    options: Options

    @property
    def path(self) -> SignalPath | None:
        return self.setup.bench.paths.get(self.options.series)

    @property
    def factor(self) -> float:
        """How much the resistor makes the trace smaller."""
        ohm = self.setup.unit.input.resistance
        return ohm / (ohm + known_ohm(self.path or SignalPath()))

    @property
    def rise_s(self) -> float:
        """Of the rounded edge, by what the unit file says of the input."""
        path = self.path or SignalPath()
        return (
            RISE_OF_TIME_CONSTANT
            * known_ohm(path)
            * self.factor
            * (self.setup.unit.input.capacitance + path.series_capacitance)
        )

    def unable(self) -> str:
        """Why there is no measurement at all."""
        if self.path is None or self.path.series_resistance is None:
            return tr(
                "the bench has no path {series!r} with a series_resistance; add one, or enter what a "
                "meter showed (entered_resistance, entered_capacitance)",
                series=self.options.series,
            )
        if "square" not in calibrator_of(self.setup).functions:
            return tr("the calibrator gives no square wave")
        return (
            "" if self._levels() else tr("the calibrator has no level that shows as much with the resistor as without")
        )

    def too_fast(self) -> str:
        """Why the time constant cannot be read."""
        unit, calibrator = self.setup.unit, calibrator_of(self.setup)
        if self.rise_s < _TOLD_APART * unit.own_rise_time:
            return tr(
                "the edge behind the resistor would rise in {rise_s}, which the channel hides",
                rise_s=show(self.rise_s, "s", 2),
            )
        if _SETTLES_IN * self.rise_s / RISE_OF_TIME_CONSTANT > 0.5 / calibrator.square_frequency:
            return tr(
                "the square wave of {square_frequency} is too fast for this resistor",
                square_frequency=show(calibrator.square_frequency, "Hz"),
            )
        return ""

    def _levels(self) -> tuple[float, float] | None:
        """Straight and behind the resistor: the pair that shows most, and most alike."""
        calibrator, unit = calibrator_of(self.setup), self.setup.unit
        most_v = unit.usable_div * signal_range(unit, self.options.volts_per_div)
        straight_path = self.setup.bench.path(self.options.path)
        available = available_levels(calibrator)
        straight = available or (most_v * straight_path.divides_by,)
        behind = available or (most_v / self.factor,)
        pairs = [
            (_level(calibrator, one), _level(calibrator, other))
            for one in straight for other in behind
            if 0.4 * most_v <= one <= most_v * (1 + 1e-9) and other * self.factor <= most_v * (1 + 1e-9)
            and abs(other * self.factor / one - 1) <= _BELIEVED_WITHIN and other <= calibrator.level_high
        ]  # fmt: skip
        return max(pairs, key=lambda pair: (-abs(math.log(pair[1] * self.factor / pair[0])), pair[0]), default=None)

    def heights(self, channel: int) -> tuple[Measure, Measure]:
        """Straight, and behind the resistor."""
        straight_v, behind_v = self._levels() or (0.0, 0.0)
        return (
            self._height(channel, self.options.path, straight_v, 1.0),
            self._height(channel, self.options.series, behind_v, self.factor),
        )

    def rise(self, channel: int) -> Measure:
        """The edge behind the resistor."""
        _, behind = self.heights(channel)
        unit = self.setup.unit
        wanted_s = self.rise_s / 3 if unit.read == "eye" else 1.5 * self.rise_s
        return replace(
            behind, view=replace(behind.view, s_per_div=sweep_near(unit, wanted_s)), quantity=RISE.name,
            expected=round_to(self.rise_s, 4), purpose="rounded edge", expected_low=None, expected_high=None,
        )  # fmt: skip

    def _height(self, channel: int, path: str, level_v: float, factor: float) -> Measure:
        unit, calibrator = self.setup.unit, calibrator_of(self.setup)
        volts_per_div = signal_range(unit, self.options.volts_per_div)
        height_div = level_v * factor / self.setup.bench.path(path).divides_by / volts_per_div
        sweep_s = sweep_near(unit, 1 / calibrator.square_frequency / 5)
        return Measure(
            purpose="straight" if factor == 1.0 else tr_later("behind the resistor"), path=path, source="calibrator",
            stimulus=Square(level_vpp=level_v, frequency_hz=calibrator.square_frequency), display="unit",
            view=View(
                channel=channel, volts_per_div=volts_per_div, s_per_div=sweep_s,
                ground_line_div=round(-height_div / 2, 1),
            ),
            quantity=HEIGHT.name, expected=round_to(height_div, 6),
            expected_low=round(height_div * (1 - _BELIEVED_WITHIN), 4),
            expected_high=round(height_div * (1 + _BELIEVED_WITHIN), 4),
        )  # fmt: skip


def _level(calibrator: Calibrator, volts: float) -> float:
    return round_to(volts, calibrator.level_digits)


def plan(setup: Setup, options: Options) -> Plan:
    """The resistance and the capacitance of every channel."""
    points, left_out = [], []
    wanted = _Wanted(setup=setup, options=options)
    for what, step in _asked(wanted):
        if isinstance(step, str):
            left_out.append(f"{what}: {step}.")
        else:
            points.append(Planned(step=step, repeats=options.repeats))
    return Plan(points=tuple(points), left_out=tuple(left_out))


def _asked(wanted: _Wanted) -> Iterator[tuple[str, Measure | str]]:
    """What is judged, or why it is not; what was entered is not asked for."""
    options, stated = wanted.options, rated(wanted.setup.unit, Rated)
    channels = channels_of(wanted.setup, options.channels)
    for what, entered, rating, read in (
        (tr("Input resistance"), options.entered_resistance, stated.input_resistance, lambda c: wanted.heights(c)[1]),
        (tr("Input capacitance"), options.entered_capacitance, stated.input_capacitance, wanted.rise),
    ):
        if entered:
            continue
        if rating is None:
            yield what, tr("the unit file states no rating")
        elif why := wanted.unable() or (wanted.too_fast() if what == "Input capacitance" else ""):
            yield what, why
        else:
            yield from ((what, read(channel)) for channel in channels)


def script(setup: Setup, options: Options) -> steps.Sequence[None]:
    """Every channel straight, then every channel behind the resistor; at the end the switch's leads are put back."""
    judged = [planned.step for planned in plan(setup, options).points]
    if not judged:
        return
    wanted = _Wanted(setup=setup, options=options)
    channels = channels_of(setup, options.channels)
    for channel in channels:
        yield _to(options.path, channel)
        yield from repeated(wanted.heights(channel)[0], options.repeats)
    for channel in channels:
        yield _to(options.series, channel)
        yield from repeated(wanted.heights(channel)[1], options.repeats)
        for step in judged:
            if step.view.channel == channel and step.quantity == RISE.name:
                yield from repeated(step, options.repeats)
    for channel in channels:
        back = _to(options.path, channel)
        if setup.leads(_to(options.series, channel)) is None and setup.leads(back) is not None:
            yield replace(back, replugged=True)


def _to(path: str, channel: int) -> Connect:
    return Connect(path=path, source="calibrator", display="unit", channel=channel)
