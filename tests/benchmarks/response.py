"""Half-power search on simulated units: coverage, efficiency, readings, typing errors, claims above the generator, time.

`python -m tests.benchmarks.response [runs]`: seeded; about two minutes on one core with the default number of runs.
The families and the readers below are this file's own; nothing of the analysis is used to make a reading.
"""

from __future__ import annotations

import math
import sys
import time
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from harness.analysis.response import HalfPower, ReadingModel, ResponsePlan, ResponseReading, half_power
from harness.analysis.search import Ask, Stop, next_request
from tests.benchmarks.response_families import FAMILIES, UNSEEN, Response, normalised

if TYPE_CHECKING:
    from collections.abc import Callable

RATED_HZ, REFERENCE_HZ = 100e6, 50e3
SEED = 20260


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
        model = ReadingModel(
            resolution_div=self.resolution_div, scatter_div=self.scatter_div, relative=self.relative
        )
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
    taken: int = 0
    slipped: tuple[float, float] | None = None

    def answer(self, ask: Ask) -> ResponseReading:
        match ask.tune:
            case "none":
                return self._read(ask)
            case "level":
                noisy_div = self._noisy(ask.frequency_hz, 0.0, float(ask.line_div or 6.0))
                level_db = round(20.0 * math.log10(float(ask.line_div or 6.0) / noisy_div), 2)
                return ResponseReading(
                    frequency_hz=ask.frequency_hz, deflection_div=float(ask.line_div or 6.0), level_db=level_db,
                    purpose=ask.purpose, on_line=True,
                )  # fmt: skip
            case "frequency":
                return self._tuned(ask)

    def _noisy(self, frequency_hz: float, level_db: float, at_div: float) -> float:
        shown = self.reference_div * 10.0 ** ((level_db + self.response(frequency_hz / self.f3_hz)) / 20.0)
        return shown * (1.0 + self.rng.normal(0.0, self.reader.scatter_div) / at_div)

    def _read(self, ask: Ask) -> ResponseReading:
        reader = self.reader
        shown = self.reference_div * 10.0 ** ((ask.level_db + self.response(ask.frequency_hz / self.f3_hz)) / 20.0)
        noisy = shown * (1.0 + reader.relative * self.rng.normal()) + reader.scatter_div * self.rng.normal()
        value = max(0.0, round(round(noisy / reader.resolution_div) * reader.resolution_div, 6))
        if self.taken == self.wrong_at:
            meant, value = value, mistype(value, self.rng)
            self.slipped = (meant, value) if value != meant else None
        self.taken += 1
        return ResponseReading(
            frequency_hz=ask.frequency_hz, deflection_div=value, level_db=ask.level_db, purpose=ask.purpose
        )

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
            purpose=ask.purpose, on_line=True,
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


def make_unit(
    make: Callable[[np.random.Generator], Callable[[float], float]], reader: Reader, rng: np.random.Generator
) -> Unit:
    f3_hz = RATED_HZ * rng.uniform(0.7, 2.0)
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
    return math.sqrt(np.linalg.inv(information)[1, 1])


@dataclass(slots=True, kw_only=True)
class Tally:
    """What one family and reader gave."""

    errors: list[float]
    bounds: list[float]
    stated: list[float]
    covered: list[bool]
    counts: list[int]
    asked_again: list[bool]
    lost: int = 0


def run_family(
    make: Callable[[np.random.Generator], Callable[[float], float]], reader: Reader, runs: int, seed: int,
    **changes: object,
) -> Tally:  # fmt: skip
    tally = Tally(errors=[], bounds=[], stated=[], covered=[], counts=[], asked_again=[])
    for run in range(runs):
        rng = np.random.default_rng([seed, *reader.name.encode(), run])
        unit = make_unit(make, reader, rng)
        plan = reader.plan(**changes)
        readings, _ = search(unit, plan)
        result: HalfPower = half_power(readings, plan)
        if result.frequency_hz is None or result.interval_hz is None:
            tally.lost += 1
            continue
        tally.errors.append(math.log(result.frequency_hz / unit.f3_hz))
        tally.bounds.append(cramer_rao(readings, unit))
        tally.stated.append(result.u_rel or 0.0)
        tally.covered.append(result.interval_hz[0] <= unit.f3_hz <= result.interval_hz[1])
        tally.counts.append(len(readings))
        tally.asked_again.append(any(r.purpose == "re-ask" for r in readings))
    return tally


def ratio_to_bound(tallies: list[Tally]) -> float:
    """Mean over families of rms error over rms bound."""
    ratios = [math.sqrt(np.mean(np.square(t.errors)) / np.mean(np.square(t.bounds))) for t in tallies if t.errors]
    return float(np.mean(ratios))


def main_table(runs: int) -> dict[str, list[Tally]]:
    print(f"{'family':28s}" + "".join(f"{r.name:>26s}" for r in READERS) + f"{'coverage, pooled':>19s}")
    print(f"{'':28s}" + "".join(f"{'coverage median rms/bound':>26s}" for _ in READERS))
    by_reader: dict[str, list[Tally]] = {r.name: [] for r in READERS}
    for group, families in (("looked at while tuning", FAMILIES), ("not tuned on", UNSEEN)):
        print(f"-- {group}")
        for number, (name, make) in enumerate(families.items()):
            tallies = [run_family(make, reader, runs, SEED + 100 * (families is UNSEEN) + number) for reader in READERS]
            cells = ""
            for reader, t in zip(READERS, tallies, strict=True):
                by_reader[reader.name].append(t)
                cells += f"{100 * np.mean(t.covered):14.1f}{np.median(t.counts):6.0f}{ratio_to_bound([t]):6.2f}"
            pooled = np.mean([c for t in tallies for c in t.covered])
            lost = sum(t.lost for t in tallies)
            print(f"{name:28s}{cells}{100 * pooled:15.1f} %" + (f"  ({lost} without a value)" if lost else ""))
    return by_reader


def summary(by_reader: dict[str, list[Tally]]) -> None:
    print("\nall families: readings (mean of family medians), rms error over bound (mean of families), false asks a sweep")
    n = len(FAMILIES)
    for name, tallies in by_reader.items():
        counts = [float(np.median(t.counts)) for t in tallies]
        again = np.mean([a for t in tallies for a in t.asked_again])
        everything = [c for t in tallies for c in t.covered]
        print(
            f"  {name:28s}{np.mean(counts):6.1f} readings (tuned {np.mean(counts[:n]):.1f}, unseen {np.mean(counts[n:] or [0]):.1f}); "
            f"rms/bound {ratio_to_bound(tallies):.2f}; coverage {100 * np.mean(everything):.1f} %; asks {100 * again:.1f} %"
        )


def main(runs: int = 40) -> None:
    start = time.perf_counter()
    summary(main_table(runs))
    print(f"{time.perf_counter() - start:.0f} s")


if __name__ == "__main__":
    main(*(int(a) for a in sys.argv[1:]))
