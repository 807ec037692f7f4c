"""What is true of the simulated instruments, and hidden from whoever measures them: written in TOML, with units."""

from __future__ import annotations

import math
from collections.abc import Mapping
from functools import cached_property
from itertools import zip_longest
from typing import Any, Final, Literal, TypeGuard

from pydantic import Field, model_validator

from harness import quantities
from harness.sim import response
from harness.sim.response import Chain, Transfer
from harness.values import Celsius, Decibels, Divisions, Farads, Hertz, Model, Ohms, Ratio, Seconds, Volts

_NEEDS: Final[Mapping[str, tuple[str, ...]]] = {
    "pole": ("at",), "pair": ("at", "q"), "shelf": ("at", "by"), "bell": ("at",), "echo": ("delay", "ratio"),
    "table": (),
}  # fmt: skip


class Stage(Model):
    """One stage of a response; which keys it needs depends on its kind."""

    kind: Literal["pole", "pair", "shelf", "bell", "echo", "table"]
    at: Hertz | None = Field(None, gt=0, description="corner, resonance or half-power frequency")
    q: float | None = Field(None, gt=0, le=100)
    by: Decibels | None = Field(None, description="height of a shelf")
    delay: Seconds | None = Field(None, gt=0)
    ratio: Ratio | None = Field(None, gt=-0.9, lt=0.9)
    points: tuple[tuple[Hertz, Decibels], ...] = ()

    @model_validator(mode="after")
    def _needs(self) -> Stage:
        for key in _NEEDS[self.kind]:
            if getattr(self, key) is None:
                raise ValueError(f"a {self.kind} needs the key '{key}'")
        frequencies = [frequency for frequency, _ in self.points]
        if self.kind == "table" and (len(frequencies) < 2 or frequencies != sorted(set(frequencies))):
            raise ValueError("a table needs at least two points, frequencies rising")
        return self

    def section(self) -> Transfer:
        """The stage as physics."""
        at, q, ratio = self.at or 0.0, self.q or 0.0, self.ratio or 0.0
        match self.kind:
            case "pole":
                return response.Pole(at)
            case "pair":
                return response.ResonantPair(at, q)
            case "shelf":
                return response.Shelf(at, 10 ** ((self.by or 0.0) / 20))
            case "bell":
                return response.Bell(at)
            case "echo":
                return response.Echo(self.delay or 0.0, ratio)
            case "table":
                return response.FlatnessTable(self.points)


class ResponseTruth(Model):
    """Stages in a row; with `half_power` the whole is stretched until half power falls there."""

    stages: tuple[Stage, ...] = Field((), max_length=16)
    half_power: Hertz | None = Field(None, gt=0)

    @model_validator(mode="after")
    def _falls(self) -> ResponseTruth:
        _ = self.chain
        return self

    @cached_property
    def chain(self) -> Chain:
        """The cascade."""
        chain = tuple(stage.section() for stage in self.stages)
        return chain if self.half_power is None else response.scaled_to(chain, self.half_power)


class SourceTruth(Model):
    """A calibrator or generator as it really is."""

    gain: Ratio = Field(0.0, description="error of every level, as a ratio")
    gain_dc: Ratio = 0.0
    gain_square: Ratio = 0.0
    gain_sine: Ratio = 0.0
    offset: Volts = Field(0.0, description="of a direct voltage")
    time: Ratio = Field(0.0, description="error of periods and frequencies: true over set, less one")
    rise_time: Seconds = Field(50e-9, ge=0, description="10 % to 90 %, of the ordinary square wave")
    edge_rise_time: Seconds = Field(1e-9, ge=0, description="10 % to 90 %, of the fast edge")
    response: ResponseTruth = ResponseTruth()
    drift_per_hour: Ratio = Field(0.0, description="of every level")
    match: Ohms | None = Field(None, gt=0, description="true output resistance, of a generator that is not matched")


class CounterTruth(Model):
    """A counter as it really is."""

    time: Ratio = Field(0.0, description="error of its own clock")
    scatter: Ratio = Field(0.0, ge=0, description="standard deviation of a count")


class RoomTruth(Model):
    """The room as its meter finds it."""

    temperature: Celsius = Field(23.0, description="of the air when the run begins")
    humidity: Ratio = Field(0.45, ge=0, le=1, description="relative humidity")
    warms_per_hour: Celsius = Field(0.0, description="how far the temperature rises in an hour")


class ChannelTruth(Model):
    """One channel of a display as it really is."""

    gain: Ratio = Field(0.0, description="error of the indication on every range")
    gain_by_range: Mapping[str, Ratio] = Field(default_factory=dict, description="by V/div: {'5 mV' = '-1.2 %'}")
    offset: Divisions = Field(0.0, description="where the ground line really stands, from its place")
    position: Ratio = Field(0.0, description="error of a set position or offset, as a ratio of it")
    bend: Ratio = Field(0.0, description="departure from a straight line at ±4 div, as a ratio")
    fall_slower: Ratio = Field(0.0, gt=-0.5, lt=5, description="how much longer than a rising edge a falling one takes")
    sag: Ratio = Field(0.0, gt=-0.5, lt=0.5, description="what it loses of a level that lasts")
    sag_below: Hertz = Field(5.0, gt=0, description="the corner below which it does")
    response: ResponseTruth = ResponseTruth()
    crosstalk: Ratio = Field(
        0.0, ge=0, lt=1, description="what it shows of another channel's sine at 100 MHz; in proportion to frequency"
    )
    delay: Seconds = Field(0.0, description="of its signal path, besides what its response makes")
    resistance: Ohms | None = Field(None, gt=0)
    capacitance: Farads | None = Field(None, ge=0)

    @cached_property
    def gains(self) -> dict[float, float]:
        """Gain errors by V/div."""
        return {quantities.parse(text, "V"): error for text, error in self.gain_by_range.items()}

    @model_validator(mode="after")
    def _ranges(self) -> ChannelTruth:
        _ = self.gains
        return self

    def gain_error(self, volts_per_div: float) -> float:
        """Error of the indication on this range, as a ratio."""
        for at, error in self.gains.items():
            if abs(at - volts_per_div) < 1e-6 * at:
                return error
        return self.gain


class TriggerTruth(Model):
    """A display's trigger as it really is."""

    sensitivity: Divisions = Field(0.3, gt=0, description="peak to peak that it needs of a channel at low frequency")
    external: Volts = Field(0.06, gt=0, description="peak to peak that it needs at the external input")
    response: ResponseTruth = ResponseTruth()
    level: Divisions = Field(0.0, description="error of the level on a channel")
    external_level: Volts = Field(0.0, description="error of the level at the external input")
    level_gain: Ratio = Field(0.0, description="error of the level, of what is set")
    noise: Ratio = Field(0.03, ge=0, description="standard deviation of the level, of the sensitivity")
    dead_slope: Literal["", "rising", "falling"] = Field("", description="an edge that never triggers")


class OutputTruth(Model):
    """The calibration output of a display as it really is: a square wave from 0 V."""

    level: Volts = Field(gt=0, description="from bottom to top, into 1 Mohm")
    frequency: Hertz = Field(gt=0)
    rise_time: Seconds = Field(1e-7, gt=0, description="10 % to 90 %")
    resistance: Ohms = Field(1e3, ge=0, description="its output resistance")


class ScreenTruth(Model):
    """A display as it really is."""

    channel: tuple[ChannelTruth, ...] = ()
    noise: Divisions = Field(0.0, ge=0, description="standard deviation of a sample")
    noise_floor: Volts = Field(0.0, ge=0, description="standard deviation of a sample, at the input")
    trace_width: Divisions = Field(0.0, ge=0, description="of an analogue trace")
    time: Ratio = Field(0.0, description="error of the indicated time on every range")
    time_by_range: Mapping[str, Ratio] = Field(default_factory=dict, description="by s/div: {'10 ns' = '+2 %'}")
    magnifier: Ratio = Field(0.0, description="further error with the magnifier")
    delay: Ratio | None = Field(None, description="error of the delay; that of the time where none is written")
    sweep_bend: Divisions = Field(
        0.0, gt=-1, lt=1, description="how far right of its place the sweep's middle stands where its ends are right"
    )
    jitter: Seconds = Field(0.0, ge=0, description="standard deviation of a sampling instant")
    drift_per_hour: Ratio = Field(0.0, description="of the gain")
    limiter: Hertz | None = Field(None, gt=0, description="half power of its bandwidth limiter, if not the profile's")
    coupling: Hertz = Field(8.0, gt=0, description="lower corner of AC coupling")
    self_calibration: int = Field(0, ge=0, description="what it answers to that; 0 where it goes well")
    read_out_volts: Ratio = Field(0.0, description="error of what it says of a voltage, beyond the screen's own")
    read_out_time: Ratio = Field(0.0, description="the same of a time")
    line_per_hour: Divisions = Field(0.0, description="drift of the line")
    line_cold: Divisions = Field(0.0, description="where the line stands when switched on, from where it comes to rest")
    starts: TriggerTruth = Field(TriggerTruth(), description="the trigger")

    adder: Ratio = Field(0.0, description="error of the sum of two channels")
    output: OutputTruth | None = Field(None, description="its calibration output; none: it has none")

    @cached_property
    def times(self) -> dict[float, float]:
        """Time errors by s/div."""
        return {quantities.parse(text, "s"): error for text, error in self.time_by_range.items()}

    @model_validator(mode="after")
    def _ranges(self) -> ScreenTruth:
        _ = self.times
        return self

    def read_out(self, unit: bytes) -> float:
        """What a true figure of this unit is multiplied by before it is said."""
        return {b"V": 1 + self.read_out_volts, b"s": 1 + self.read_out_time, b"Hz": 1 / (1 + self.read_out_time)}.get(
            unit, 1.0
        )

    def line_at(self, hours: float) -> float:
        """How far the line has drifted; it comes to rest with a time constant of ten minutes."""
        return self.line_per_hour * hours + (self.line_cold * math.exp(-6.0 * hours) if self.line_cold else 0.0)

    def time_error(self, s_per_div: float, magnifier: float = 1.0) -> float:
        """Error of the indicated time on this range, as a ratio; `s_per_div` before the magnifier."""
        error = next((e for at, e in self.times.items() if abs(at - s_per_div) < 1e-6 * at), self.time)
        return error if magnifier == 1 else (1 + error) * (1 + self.magnifier) - 1


class MeterTruth(Model):
    """A level meter as it really is."""

    gain: Ratio = 0.0
    scatter: Ratio = Field(0.0, ge=0)
    response: ResponseTruth = ResponseTruth()
    resistance: Ohms = Field(50.0, gt=0)
    capacitance: Farads = Field(0.0, ge=0)


class PathTruth(Model):
    """What really lies between a source and an input."""

    divides_by: float = Field(1.0, gt=0, description="true division ratio")
    resistance: Ohms | None = Field(None, gt=0, description="a divider's own input; none: no divider")
    capacitance: Farads = Field(0.0, ge=0, description="of the divider's input, or of the leads")
    termination: Ohms | None = Field(None, gt=0, description="true resistance of the feed-through termination")
    series: Ohms | None = Field(None, gt=0, description="true resistance of a resistor in its line, at the input")
    delay: Seconds = Field(0.0, ge=0, description="of its line, one way: 5 ns a metre")
    response: ResponseTruth = ResponseTruth()


def merged(below: Mapping[str, Any], above: Mapping[str, Any]) -> dict[str, Any]:
    """A profile's truth with the bench's over it: tables key by key, `channel` one by one, the rest replaced."""
    result = dict(below)
    for key, value in above.items():
        old = result.get(key)
        if isinstance(old, Mapping) and isinstance(value, Mapping) and key != "response":
            result[key] = merged(old, value)
        elif key == "channel" and _tables(old) and _tables(value):
            nothing: Mapping[str, Any] = {}
            result[key] = [merged(lower, upper) for lower, upper in zip_longest(old, value, fillvalue=nothing)]
        else:
            result[key] = value
    return result


def _tables(value: object) -> TypeGuard[list[Mapping[str, Any]]]:
    return isinstance(value, list) and all(isinstance(item, Mapping) for item in value)
