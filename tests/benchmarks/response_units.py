"""A simulated unit, its readers and their slips: what answers the search in the benchmark.

Nothing of the analysis is used to make a reading.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from sequences.bandwidth.response_model import ReadingModel, ResponsePlan, ResponseReading
from sequences.bandwidth.search import Ask, Stop, next_request
from tests.benchmarks.response_families import Gain, Response, normalised

Make = Callable[[np.random.Generator], Gain]

RATED_HZ, REFERENCE_HZ = 100e6, 50e3


@dataclass(frozen=True, slots=True, kw_only=True)
class Reader:
    """A reader of the simulation, and what the plan is told about it."""

    name: str
    resolution_div: float
    scatter_div: float
    relative: float
    typed: bool
    target_rel: float
    headroom_db: float = 0.0
    line: str = "none"

    def plan(self, **changes: object) -> ResponsePlan:
        model = ReadingModel(resolution_div=self.resolution_div, scatter_div=self.scatter_div, relative=self.relative)
        plan = ResponsePlan(
            rated_hz=RATED_HZ, reference_hz=REFERENCE_HZ, min_hz=1e3, max_hz=10e9, deflection_div=6.0, reader=model,
            target_rel=self.target_rel, typed=self.typed, headroom_db=self.headroom_db, line=self.line,  # type: ignore[arg-type]
        )  # fmt: skip
        return replace(plan, **changes)  # type: ignore[arg-type]


READERS = (
    Reader(name="operator 0.1 div", resolution_div=0.1, scatter_div=0.04, relative=0.0, typed=True, target_rel=0.01),
    Reader(name="operator 0.2 div", resolution_div=0.2, scatter_div=0.04, relative=0.0, typed=True, target_rel=0.01),
    Reader(name="operator 0.05 div", resolution_div=0.05, scatter_div=0.02, relative=0.0, typed=True, target_rel=0.005),
    Reader(name="8 bit, 0.3 %", resolution_div=8 / 256, scatter_div=0.0, relative=0.003, typed=False, target_rel=0.003),
    Reader(name="precise, 0.05 %", resolution_div=0.001, scatter_div=0.0, relative=5e-4, typed=False, target_rel=0.001),
)
VARIANTS = (
    replace(READERS[0], name="0.1 div, equal deflection", headroom_db=6.0),
    replace(READERS[1], name="0.2 div, equal deflection", headroom_db=6.0),
    replace(READERS[0], name="level knob to a line", headroom_db=6.0, line="level"),
    replace(READERS[0], name="frequency knob to a line", headroom_db=6.0, line="frequency"),
)


@dataclass(slots=True, kw_only=True)
class Unit:
    """A simulated unit in front of one reader; it answers what is asked."""

    response: Response
    f3_hz: float
    reader: Reader
    rng: np.random.Generator
    reference_div: float
    wrong_at: int = -1
    slip_chance: float = 0.0
    taken: int = 0
    slipped: tuple[float, float] | None = None
    level_error_db: float = 0.0
    drift_per_reading: float = 0.0

    def answer(self, ask: Ask) -> ResponseReading:
        match ask.tune:
            case "none":
                return self._read(ask)
            case "level":
                noisy_div = self._noisy(ask.frequency_hz, 0.0, float(ask.line_div or 6.0))
                level_db = round(20.0 * math.log10(float(ask.line_div or 6.0) / noisy_div), 2)
                return ResponseReading(
                    frequency_hz=ask.frequency_hz, deflection_div=float(ask.line_div or 6.0), level_db=level_db,
                    purpose=ask.purpose, on_line=True, replaces=ask.replaces,
                )  # fmt: skip
            case "frequency":
                return self._tuned(ask)

    def _noisy(self, frequency_hz: float, level_db: float, at_div: float) -> float:
        shown = self.reference_div * 10.0 ** ((level_db + self.response(frequency_hz / self.f3_hz)) / 20.0)
        return shown * (1.0 + self.rng.normal(0.0, self.reader.scatter_div) / at_div)

    def _read(self, ask: Ask) -> ResponseReading:
        reader = self.reader
        error_db = self.level_error_db if ask.frequency_hz != REFERENCE_HZ else 0.0
        gain_db = ask.level_db + error_db + self.response(ask.frequency_hz / self.f3_hz)
        shown = self.reference_div * 10.0 ** (gain_db / 20.0) * (1.0 - self.drift_per_reading) ** self.taken
        noisy = shown * (1.0 + reader.relative * self.rng.normal()) + reader.scatter_div * self.rng.normal()
        value = max(0.0, round(round(noisy / reader.resolution_div) * reader.resolution_div, 6))
        if self.taken == self.wrong_at or (self.slip_chance and self.rng.random() < self.slip_chance):
            meant, value = value, mistype(value, self.rng)
            self.slipped = (meant, value) if value != meant else None
        self.taken += 1
        return ResponseReading(
            frequency_hz=ask.frequency_hz, deflection_div=value, level_db=ask.level_db, purpose=ask.purpose,
            replaces=ask.replaces,
        )  # fmt: skip

    def _tuned(self, ask: Ask) -> ResponseReading:
        line = float(ask.line_div or 6.0)
        wanted = line + self.rng.normal(0.0, self.reader.scatter_div)
        low, high = math.log(0.3), math.log(3.0)
        for _ in range(50):
            middle = 0.5 * (low + high)
            shown = self.reference_div * 10.0 ** ((ask.level_db + self.response(math.exp(middle))) / 20.0)
            low, high = (middle, high) if shown > wanted else (low, middle)
        return ResponseReading(
            frequency_hz=self.f3_hz * math.exp(low), deflection_div=line, level_db=ask.level_db,
            purpose=ask.purpose, on_line=True, replaces=ask.replaces,
        )  # fmt: skip


def mistype(value: float, rng: np.random.Generator) -> float:
    """Make one of the usual slips: point forgotten, digits exchanged, a digit off, a digit struck twice."""
    text = f"{value:.1f}" if round(value, 1) == value else f"{value:.2f}"
    whole, _, part = text.partition(".")
    match int(rng.integers(0, 4)):
        case 0:
            return float(whole + part)
        case 1:
            return float(f"{part[0]}.{whole}{part[1:]}")
        case 2:
            digit = (int(whole[-1]) + (1 if rng.random() < 0.5 else -1)) % 10
            return float(f"{whole[:-1]}{digit}.{part}")
        case _:
            return float(f"{whole}{whole[-1]}.{part}")


def search(unit: Unit, plan: ResponsePlan) -> tuple[list[ResponseReading], Stop]:
    readings: list[ResponseReading] = []
    while True:
        request = next_request(readings, plan)
        if isinstance(request, Stop):
            return readings, request
        readings.append(unit.answer(request))
        if len(readings) > plan.max_readings + 20:
            raise RuntimeError("the search does not end")


def make_unit(make: Make, reader: Reader, rng: np.random.Generator, f3_hz: float | None = None) -> Unit:
    """Draw a unit; f3 lies anywhere from 0.7 to 2 times the rating."""
    f3_hz = RATED_HZ * rng.uniform(0.7, 2.0) if f3_hz is None else f3_hz
    return Unit(
        response=normalised(make(rng), reference=REFERENCE_HZ / f3_hz), f3_hz=f3_hz, reader=reader, rng=rng,
        reference_div=6.0 * (1.0 + rng.uniform(-0.03, 0.03)),
    )  # fmt: skip


def cramer_rao(readings: list[ResponseReading], unit: Unit) -> float:
    """Bound on the standard deviation of ln f3 for a known shape, the reference deflection and f3 unknown."""
    information = np.zeros((2, 2))
    for r in readings:
        ratio = r.frequency_hz / unit.f3_hz
        shown = unit.reference_div * 10.0 ** ((r.level_db + unit.response(ratio)) / 20.0)
        reader = unit.reader
        resolution = 0.0 if r.on_line else reader.resolution_div
        s = math.sqrt(reader.scatter_div**2 + (reader.relative * shown) ** 2 + resolution**2 / 12.0) / shown
        gradient = np.array([1.0, -unit.response.slope(ratio) * math.log(10.0) / 20.0])
        information += np.outer(gradient, gradient) / s**2
    return float(math.sqrt(np.linalg.inv(information)[1, 1]))


def slow_sweep(unit: Unit) -> float:
    """Read 20 points a decade from a hundredth of the rating to ten times it; interpolate in dB against log f."""
    asks = [Ask(frequency_hz=RATED_HZ * 10.0 ** (n / 20.0), level_db=0.0, purpose="scan") for n in range(-40, 21)]
    reference = unit.answer(Ask(frequency_hz=REFERENCE_HZ, level_db=0.0, purpose="reference")).deflection_div
    points = [(math.log(a.frequency_hz), unit.answer(a).deflection_div / reference) for a in asks]
    for (x0, y0), (x1, y1) in pairwise(points):
        if y0 >= math.sqrt(0.5) > y1:
            z0, z1 = math.log(y0), math.log(max(y1, 1e-3))
            return math.exp(x0 + (x1 - x0) * (z0 + 0.5 * math.log(2.0)) / (z0 - z1))
    return math.exp(points[-1][0])
