"""True responses: what stands between a voltage and the screen, as cascades of physical sections.   [pure]

A section is a function of frequency in hertz; scalars give a Python complex, arrays an array of the same
shape. The families are building blocks (poles, resonant pairs, shelves, echoes, a Gaussian, a table), so
that a cascade is in general none of the shapes that an estimator might assume.
"""

from __future__ import annotations

import bisect
import cmath
import math
from dataclasses import dataclass
from typing import Any, Protocol, TypeAlias

import numpy as np
from numpy.typing import NDArray

Floats: TypeAlias = NDArray[np.float64]
_LN2 = math.log(2)


class Transfer(Protocol):
    """One stage: complex transfer at a frequency (or at many); hashable, so results can be kept."""

    def __call__(self, frequency_hz: Any) -> Any:
        """The transfer at `frequency_hz`, Hz."""


@dataclass(frozen=True, slots=True)
class Pole:
    """One real pole."""

    corner_hz: float

    def __call__(self, frequency_hz: Any) -> Any:
        """The transfer at `frequency_hz`, Hz."""
        return 1 / (1 + 1j * frequency_hz / self.corner_hz)


@dataclass(frozen=True, slots=True)
class ResonantPair:
    """A resonant pair of poles; Q above 0.7071 peaks."""

    resonance_hz: float
    q: float

    def __call__(self, frequency_hz: Any) -> Any:
        """The transfer at `frequency_hz`, Hz."""
        s = 1j * frequency_hz / self.resonance_hz
        return 1 / (1 + s / self.q + s * s)


@dataclass(frozen=True, slots=True)
class Shelf:
    """A step of the response by `gain` (a ratio) around a frequency: an attenuator not quite compensated."""

    corner_hz: float
    gain: float

    def __call__(self, frequency_hz: Any) -> Any:
        """The transfer at `frequency_hz`, Hz."""
        s = 1j * frequency_hz / self.corner_hz
        return (1 + s * self.gain) / (1 + s)


@dataclass(frozen=True, slots=True)
class Bell:
    """A Gaussian magnitude without phase, of which `half_power_hz` is the half-power frequency."""

    half_power_hz: float

    def __call__(self, frequency_hz: Any) -> Any:
        """The transfer at `frequency_hz`, Hz."""
        x = frequency_hz / self.half_power_hz
        return np.exp(-0.5 * _LN2 * x * x) if isinstance(x, np.ndarray) else math.exp(-0.5 * _LN2 * x * x)


@dataclass(frozen=True, slots=True)
class Echo:
    """A reflection that comes `delay_s` later with a ratio: ripples in frequency, a step in time."""

    delay_s: float
    ratio: float

    def __call__(self, frequency_hz: Any) -> Any:
        """The transfer at `frequency_hz`, Hz."""
        turn = -2j * math.pi * self.delay_s * frequency_hz
        late = np.exp(turn) if isinstance(turn, np.ndarray) else cmath.exp(turn)
        return (1 + self.ratio * late) / (1 + self.ratio)


@dataclass(frozen=True, slots=True)
class FlatnessTable:
    """A measured flatness: decibels at frequencies, straight lines between them in log f, flat outside."""

    points: tuple[tuple[float, float], ...]  # Hz, dB

    def __call__(self, frequency_hz: Any) -> Any:
        """The transfer at `frequency_hz`, Hz."""
        if not isinstance(frequency_hz, np.ndarray):
            return 10 ** (self._level_db(frequency_hz) / 20)
        at = np.log([f for f, _ in self.points])
        level_db = np.interp(np.log(np.maximum(frequency_hz, 1e-12)), at, [db for _, db in self.points])
        return np.power(10.0, level_db / 20)

    def _level_db(self, frequency_hz: float) -> float:
        after = bisect.bisect_right(self.points, (frequency_hz, math.inf))
        if after in (0, len(self.points)):
            return self.points[min(after, len(self.points) - 1)][1]
        (f0, db0), (f1, db1) = self.points[after - 1], self.points[after]
        return db0 + (db1 - db0) * math.log(frequency_hz / f0) / math.log(f1 / f0)


@dataclass(frozen=True, slots=True)
class Loading:
    """A source resistance into a load of resistance and capacitance: Kirchhoff, nothing else."""

    source_ohm: float
    load_ohm: float
    load_farad: float

    def __call__(self, frequency_hz: Any) -> Any:
        """The transfer at `frequency_hz`, Hz."""
        admittance = 1 / self.load_ohm + 2j * math.pi * frequency_hz * self.load_farad
        return 1 / (1 + self.source_ohm * admittance)


@dataclass(frozen=True, slots=True)
class Line:
    """A load at the end of a line, from a source that is not quite of the line's resistance.

    The chain matrix of the line between the two. The source gives what was set where a load of the line's resistance
    ends it, whatever its own resistance is.
    """

    line_ohm: float
    delay_s: float
    source_ohm: float
    load_ohm: float
    load_farad: float

    def __call__(self, frequency_hz: Any) -> Any:
        """The transfer at `frequency_hz`, Hz."""
        turn = 2 * math.pi * frequency_hz * self.delay_s
        cos, sin = (np.cos(turn), np.sin(turn)) if isinstance(turn, np.ndarray) else (math.cos(turn), math.sin(turn))
        admittance = 1 / self.load_ohm + 2j * math.pi * frequency_hz * self.load_farad
        volts = cos + 1j * sin * self.line_ohm * admittance
        amperes = 1j * sin / self.line_ohm + cos * admittance
        return (self.source_ohm + self.line_ohm) / (2 * self.line_ohm) / (volts + self.source_ohm * amperes)


@dataclass(frozen=True, slots=True)
class HighPass:
    """The coupling capacitor."""

    corner_hz: float

    def __call__(self, frequency_hz: Any) -> Any:
        """The transfer at `frequency_hz`, Hz."""
        s = 1j * frequency_hz / self.corner_hz
        return s / (1 + s)


Chain: TypeAlias = tuple[Transfer, ...]


def _stretched(section: Transfer, factor: float) -> Transfer:
    """The same stage with its frequencies multiplied."""
    match section:
        case Pole(corner_hz=corner_hz):
            return Pole(corner_hz * factor)
        case ResonantPair(resonance_hz=resonance_hz, q=q):
            return ResonantPair(resonance_hz * factor, q)
        case Shelf(corner_hz=corner_hz, gain=gain):
            return Shelf(corner_hz * factor, gain)
        case Bell(half_power_hz=bell_hz):
            return Bell(bell_hz * factor)
        case Echo(delay_s=delay_s, ratio=ratio):
            return Echo(delay_s / factor, ratio)
        case FlatnessTable(points=points):
            return FlatnessTable(tuple((frequency_hz * factor, level_db) for frequency_hz, level_db in points))
        case _:
            raise TypeError(f"a {type(section).__name__} belongs to the circuit, not to a response")


def transfer(chain: Chain, frequency_hz: Any) -> Any:
    """The product of the sections."""
    total: Any = 1.0 + 0j
    for section in chain:
        total = total * section(frequency_hz)
    return total


def half_power_hz(chain: Chain, *, low_hz: float = 1e3, high_hz: float = 1e12) -> float:
    """Where |H|² first falls to half of its value at `low_hz`: a fine scan, then bisection.

    Raises
    ------
    ValueError
        When the chain does not fall that far below `high_hz`.
    """
    wanted = abs(transfer(chain, low_hz)) ** 2 / 2
    grid = np.geomspace(low_hz, high_hz, 20_001)
    below = np.flatnonzero(np.abs(transfer(chain, grid)) ** 2 < wanted)
    if below.size == 0 or below[0] == 0:
        raise ValueError("this response has no half-power frequency")
    low, high = float(grid[below[0] - 1]), float(grid[below[0]])
    while high / low > 1 + 1e-13:
        middle = math.sqrt(low * high)
        if middle in (low, high):
            break
        if abs(transfer(chain, middle)) ** 2 < wanted:
            high = middle
        else:
            low = middle
    return math.sqrt(low * high)


def scaled_to(chain: Chain, frequency_hz: float) -> Chain:
    """The chain with its frequency axis stretched such that half power falls here."""
    factor = frequency_hz / half_power_hz(chain)
    return tuple(_stretched(section, factor) for section in chain)
