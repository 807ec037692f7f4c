"""Waves as a source gives them, and as they arrive at a screen after a true response.   [pure]

`arrive` takes a wave and a cascade of sections and returns what the screen sees: a function of time with
its extremes. A sine is taken through the cascade at its frequency; marks by their Fourier series; a square
by the step response of the whole cascade, made once by inverse transform and kept. The trigger stands at
t = 0, the middle of the screen.
"""

from __future__ import annotations

import cmath
import math
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any, TypeAlias, assert_never

import numpy as np

from harness.sim.response import Chain, Floats, half_power_hz, transfer

_TEN_TO_NINETY = 2.5631031310892007  # of a Gaussian edge, in its sigmas: 2·√2·erfinv(0.8)
_STEP_POINTS = 1 << 15
_MARK_HARMONICS = 128
_MARK_WIDTH = 1 / 50  # sigma of a mark in periods: sharp, and its series ends before the last harmonic


@dataclass(frozen=True, slots=True)
class Silence:
    """No signal."""


@dataclass(frozen=True, slots=True)
class Level:
    """A direct voltage."""

    level_v: float


@dataclass(frozen=True, slots=True)
class SineWave:
    """A sine around 0 V."""

    level_vpp: float
    frequency_hz: float


@dataclass(frozen=True, slots=True)
class SquareWave:
    """A square wave between 0 V and `level_vpp`, whose edges take `rise_s` from 10 % to 90 %."""

    level_vpp: float
    frequency_hz: float
    rise_s: float


@dataclass(frozen=True, slots=True)
class Marks:
    """One narrow peak a period."""

    level_vpp: float
    period_s: float


Wave: TypeAlias = Silence | Level | SineWave | SquareWave | Marks


@dataclass(frozen=True, slots=True)
class Steady:
    """A straight line across the screen."""

    level_v: float

    def volts(self, time_s: Floats, _phase: float) -> Floats:
        """The voltage at these times."""
        return np.full(time_s.shape, self.level_v)

    def extremes(self) -> tuple[float, float]:
        """Lowest and highest voltage."""
        return self.level_v, self.level_v

    period_s: float = math.inf


@dataclass(frozen=True, slots=True)
class SeenSine:
    """A sine; `phase` (in cycles) is where the trigger happened to find it."""

    amplitude_v: float
    frequency_hz: float
    around_v: float = 0.0
    late_s: float = 0.0  # behind what the source gives

    def volts(self, time_s: Floats, phase: float) -> Floats:
        """The voltage at these times."""
        wave = np.sin((2 * math.pi * self.frequency_hz) * time_s + 2 * math.pi * phase)
        return self.amplitude_v * wave + self.around_v

    def extremes(self) -> tuple[float, float]:
        """Lowest and highest voltage."""
        return self.around_v - self.amplitude_v, self.around_v + self.amplitude_v

    @property
    def period_s(self) -> float:
        """One cycle."""
        return 1 / self.frequency_hz


@dataclass(frozen=True, slots=True, eq=False)
class SeenSquare:
    """A square wave whose edges have the cascade's step response; a rising edge crosses half at t = 0."""

    base_v: float
    top_v: float
    period_s: float
    step: Step
    fall_slower: float = 0.0  # how much longer than a rising edge a falling one takes
    sag: float = 0.0  # what is lost of a level that lasts long against `sag_s`
    sag_s: float = 1.0

    def volts(self, time_s: Floats, _phase: float) -> Floats:
        """The voltage at these times: the edges around, each a step response, and what the two before them left."""
        half = self.period_s / 2
        since = np.mod(time_s + half / 2, self.period_s) - half / 2  # from a quarter before the edge
        at, slow = self.step.at, 1 + self.fall_slower
        shape = at(since) - at((since - half) / slow) + (1 - at((since + half) / slow))
        shape = shape + (at(since + self.period_s) - 1)
        if self.sag:
            shape = shape - self.sag * self.slowly(time_s)
        return self.base_v + (self.top_v - self.base_v) * shape

    def extremes(self) -> tuple[float, float]:
        """Top and base without overshoot and sag, as a square is read."""
        return min(self.base_v, self.top_v), max(self.base_v, self.top_v)

    def slowly(self, time_s: Floats) -> Floats:
        """What a low pass of `sag_s` makes of a square from 0 to 1 that has always run."""
        half = self.period_s / 2
        since = np.mod(time_s, self.period_s)
        top = 1 / (1 + math.exp(-half / self.sag_s))
        return np.where(since < half, 1 - top * np.exp(-since / self.sag_s), top * np.exp(-(since - half) / self.sag_s))


@dataclass(frozen=True, slots=True, eq=False)
class SeenMarks:
    """Marks as they arrive; one peaks at t = 0."""

    period_s: float
    one_period: Floats  # volts at equal steps, beginning with the peak

    def volts(self, time_s: Floats, _phase: float) -> Floats:
        """The voltage at these times."""
        count = self.one_period.size
        at = np.arange(count + 1) * (self.period_s / count)
        closed = np.append(self.one_period, self.one_period[0])
        volts: Floats = np.interp(np.mod(time_s, self.period_s), at, closed)
        return volts

    def extremes(self) -> tuple[float, float]:
        """Lowest and highest voltage."""
        return float(self.one_period.min()), float(self.one_period.max())


Seen: TypeAlias = Steady | SeenSine | SeenSquare | SeenMarks


@dataclass(frozen=True, slots=True, eq=False)
class Step:
    """A step response from 0 to 1, tabled; it crosses one half at t = 0."""

    time_s: Floats
    value: Floats
    late_s: float = 0.0  # from the source's crossing to its own

    def at(self, time_s: Floats) -> Floats:
        """The response at these times: 0 long before, 1 long after."""
        return np.interp(time_s, self.time_s, self.value, left=0.0, right=1.0)

    def rise_time_s(self) -> float:
        """From the first 10 % to the first 90 %."""
        return self._first(0.9) - self._first(0.1)

    def overshoot(self) -> float:
        """Largest excursion above the top, as a ratio."""
        return max(0.0, float(self.value.max()) - 1)

    def _first(self, level: float) -> float:
        after = int(np.argmax(self.value >= level))
        low, high = self.value[after - 1], self.value[after]
        return float(self.time_s[after - 1] + (level - low) / (high - low) * (self.time_s[1] - self.time_s[0]))


@lru_cache(maxsize=256)
def step_response(chain: Chain, rise_s: float) -> Step:
    """The response of a cascade to an edge with Gaussian slope of `rise_s` (10–90 %), 0 for an ideal step.

    The Fourier series of a square wave, long against everything that rings, each term times the transfer.
    """
    try:
        own_s = 0.35 / half_power_hz(chain)
    except ValueError:
        own_s = 0.0
    width_s = max(math.hypot(own_s, rise_s), 1e-13)
    count = _STEP_POINTS
    dt = width_s / 40
    harmonic = np.arange(1, count // 2, 2)
    frequency = harmonic / (count * dt)
    sigma_s = rise_s / _TEN_TO_NINETY
    slope = np.exp(-2 * (math.pi * sigma_s * frequency) ** 2)
    terms = np.zeros(count // 2 + 1, complex)
    gain = transfer(chain, 0.0)
    terms[1 : count // 2 : 2] = transfer(chain, frequency) / gain * slope * (-1j / (math.pi * harmonic)) * count
    wave = np.fft.irfft(terms, count)  # rises from −½ to ½ at index 0
    value = np.roll(wave, count // 4)[: count // 2] + 0.5
    time_s = (np.arange(count // 2) - count // 4) * dt
    cross = int(np.argmax(value >= 0.5))
    part = (0.5 - value[cross - 1]) / (value[cross] - value[cross - 1])
    late_s = float(time_s[cross - 1] + part * dt)
    return Step((time_s - late_s).astype(np.float64), value, late_s)


@lru_cache(maxsize=256)
def _marks(chain: Chain, period_s: float) -> Floats:
    """One period of marks of 1 V through a cascade, its peak first."""
    count = 4 * _MARK_HARMONICS
    harmonic = np.arange(_MARK_HARMONICS)
    weight = np.exp(-2 * (math.pi * _MARK_WIDTH * harmonic) ** 2)
    terms = np.zeros(count // 2 + 1, complex)
    terms[:_MARK_HARMONICS] = weight * np.asarray(transfer(chain, harmonic / period_s)) * _MARK_WIDTH
    wave: Floats = np.fft.irfft(terms, count) * count * math.sqrt(2 * math.pi)
    return np.roll(wave, -int(np.argmax(wave)))


def arrive(wave: Wave, chain: Chain, gain: float, *, blocks_dc: bool) -> Seen:
    """What a screen sees of a wave after a cascade and a gain; `blocks_dc` for AC coupling."""
    match wave:
        case Silence():
            return Steady(0.0)
        case Level(level_v=level_v):
            return Steady(0.0 if blocks_dc else level_v * gain * _real(transfer(chain, 0.0)))
        case SineWave(level_vpp=level_vpp, frequency_hz=frequency_hz):
            response = complex(transfer(chain, frequency_hz))
            late_s = -cmath.phase(response) / (2 * math.pi * frequency_hz)
            return SeenSine(level_vpp / 2 * gain * abs(response), frequency_hz, late_s=late_s)
        case SquareWave(level_vpp=level_vpp, frequency_hz=frequency_hz, rise_s=rise_s):
            top = level_vpp * gain * _real(transfer(chain, 0.0))
            down = top / 2 if blocks_dc else 0.0
            return SeenSquare(-down, top - down, 1 / frequency_hz, step_response(chain, rise_s))
        case Marks(level_vpp=level_vpp, period_s=period_s):
            period = _marks(chain, period_s) * (level_vpp * gain)
            return SeenMarks(period_s, period - period.mean() if blocks_dc else period)
        case _:
            assert_never(wave)


def late_s(seen: Seen) -> float:
    """How long after the source's own wave it arrives; of a sine within half a period."""
    match seen:
        case SeenSine(late_s=late):
            return late
        case SeenSquare(step=step):
            return step.late_s
        case _:
            return 0.0


def flawed(seen: Seen, *, fall_slower: float, sag: float, sag_below_hz: float) -> Seen:
    """A square as a channel shows it that falls more slowly than it rises, and does not hold a level."""
    if not isinstance(seen, SeenSquare):
        return seen
    return replace(seen, fall_slower=fall_slower, sag=sag, sag_s=1 / (2 * math.pi * sag_below_hz))


def raised(seen: Seen, by_v: float) -> Seen:
    """The same with a direct voltage under it."""
    match seen:
        case Steady(level_v=level_v):
            return Steady(level_v + by_v)
        case SeenSine():
            return replace(seen, around_v=seen.around_v + by_v)
        case SeenSquare():
            return replace(seen, base_v=seen.base_v + by_v, top_v=seen.top_v + by_v)
        case SeenMarks():
            return replace(seen, one_period=seen.one_period + by_v)
        case _:
            assert_never(seen)


def direct(chain: Chain) -> float:
    """What a cascade leaves of a direct voltage, as a ratio."""
    return _real(transfer(chain, 0.0))


def _real(value: Any) -> float:
    return float(abs(value) * math.cos(cmath.phase(value)))
