"""Half-power search on simulated units: coverage, efficiency, readings, slips, claims above the generator, time.

`python -m tests.benchmarks.response [runs]`: seeded; about two minutes on one core with the default number of runs.
Families under "not tuned on" were written down for this benchmark: no constant was fitted to them, though the
candidate sets made on the other families were compared on these too.
"""

from __future__ import annotations

import math
import sys
import time
from collections.abc import Iterable
from dataclasses import dataclass, field, replace

import numpy as np

from sequences.bandwidth.response import half_power
from sequences.bandwidth.search import next_request
from tests.benchmarks.response_families import FAMILIES, UNSEEN
from tests.benchmarks.response_units import (
    RATED_HZ,
    READERS,
    VARIANTS,
    Make,
    Reader,
    cramer_rao,
    make_unit,
    search,
    slow_sweep,
)

SEED = 20260
EVERY: dict[str, Make] = {**FAMILIES, **UNSEEN}


@dataclass(slots=True, kw_only=True)
class Tally:
    """What the searches of one family and reader gave."""

    errors: list[float] = field(default_factory=list)
    bounds: list[float] = field(default_factory=list)
    stated: list[float] = field(default_factory=list)
    covered: list[bool] = field(default_factory=list)
    counts: list[int] = field(default_factory=list)
    asked_again: list[bool] = field(default_factory=list)
    swept: list[float] = field(default_factory=list)
    lost: int = 0

    @property
    def to_bound(self) -> float:
        """Root-mean-square error over the root-mean-square bound."""
        return math.sqrt(np.mean(np.square(self.errors)) / np.mean(np.square(self.bounds)))


def run_family(make: Make, reader: Reader, runs: int, seed: int, **changes: object) -> Tally:
    """Search one family with one reader; every run draws another unit."""
    tally = Tally()
    plan = reader.plan(**changes)
    for run in range(runs):
        unit = make_unit(make, reader, np.random.default_rng([seed, *reader.name.encode(), run]))
        readings, _ = search(unit, plan)
        result = half_power(readings, plan)
        if result.frequency_hz is None or result.interval_hz is None or result.u_rel is None:
            tally.lost += 1
            continue
        tally.errors.append(math.log(result.frequency_hz / unit.f3_hz))
        tally.bounds.append(cramer_rao(readings, unit))
        tally.stated.append(result.u_rel)
        tally.covered.append(result.interval_hz[0] <= unit.f3_hz <= result.interval_hz[1])
        tally.counts.append(len(readings))
        tally.asked_again.append(any(r.purpose == "re-ask" for r in readings))
    return tally


def say(text: str) -> None:
    sys.stdout.write(text + "\n")
    sys.stdout.flush()


def percent(values: Iterable[bool]) -> float:
    return 100.0 * float(np.mean(list(values)))


def main_table(runs: int) -> dict[str, list[Tally]]:
    """Print coverage, median number of readings and error over the bound, by family and reader."""
    say(f"{'family':26s}" + "".join(f"{r.name:>23s}" for r in READERS) + "   coverage,")
    say(f"{'':26s}" + "".join(f"{'cover. read. rms/bound':>23s}" for _ in READERS) + "   pooled")
    by_reader: dict[str, list[Tally]] = {r.name: [] for r in READERS}
    for group, families in (("looked at while the method was made", FAMILIES), ("not tuned on", UNSEEN)):
        say(f"-- {group}")
        for number, (name, make) in enumerate(families.items()):
            seed = SEED + number + 100 * (families is UNSEEN)
            tallies = [run_family(make, reader, runs, seed) for reader in READERS]
            cells = ""
            for reader, t in zip(READERS, tallies, strict=True):
                by_reader[reader.name].append(t)
                cells += f"{percent(t.covered):11.1f}{np.median(t.counts):6.0f}{t.to_bound:6.2f}"
            lost = sum(t.lost for t in tallies)
            tail = f"  ({lost} without a value)" if lost else ""
            say(f"{name:26s}{cells}{percent(c for t in tallies for c in t.covered):9.1f} %{tail}")
    return by_reader


def summary(by_reader: dict[str, list[Tally]], title: str) -> None:
    """Print one line a reader: readings are means of family medians, rms/bound means over families."""
    say(f"\n{title}\n{'':30s}readings:                                false asks,")
    say(f"{'':30s}looked at  not tuned on  rms/bound  coverage    per search  target")
    seen = len(FAMILIES)
    for reader in (*READERS, *VARIANTS):
        if (tallies := by_reader.get(reader.name)) is None:
            continue
        medians = [float(np.median(t.counts)) for t in tallies]
        other = f"{np.mean(medians[seen:]):14.1f}" if len(medians) > seen else f"{'':14s}"
        say(
            f"{reader.name:30s}{np.mean(medians[:seen]):9.1f}{other}{np.mean([t.to_bound for t in tallies]):11.2f}"
            f"{percent(c for t in tallies for c in t.covered):8.1f} %"
            f"{percent(a for t in tallies for a in t.asked_again):12.1f} %{100 * reader.target_rel:9.2g} %"
        )


def variants(runs: int) -> None:
    """Equal deflection and tuning to a line, on the families looked at."""
    table = {
        reader.name: [run_family(make, reader, runs, SEED + n) for n, make in enumerate(FAMILIES.values())]
        for reader in VARIANTS
    }
    summary(table, "equal deflection (6 dB head-room), and tuning to a graticule line")


def other_uncertainties(runs: int) -> None:
    """Coverage when level and reference meter are wrong by what the plan says of them."""
    covered: list[bool] = []
    for n, make in enumerate(EVERY.values()):
        for run in range(runs):
            rng = np.random.default_rng([SEED + 7, n, run])
            unit = make_unit(make, READERS[3], rng)
            plan = READERS[3].plan(u_level_db=0.05, u_reference_meter_db=0.03, u_frequency_rel=1e-4)
            unit.level_error_db = rng.normal(0.0, math.hypot(0.05, 0.03))
            interval = half_power(search(unit, plan)[0], plan).interval_hz
            covered.append(interval is not None and interval[0] <= unit.f3_hz <= interval[1])
    say(f"\nlevel wrong by a draw from u = 0.058 dB, 8-bit reader: coverage {percent(covered):.1f} % of {len(covered)}")


def against_a_sweep(by_reader: dict[str, list[Tally]], runs: int) -> None:
    """Compare with 20 points a decade and interpolation, repeated until its rms error is as small."""
    reader = READERS[0]
    ratios = []
    for n, (make, tally) in enumerate(zip(EVERY.values(), by_reader[reader.name], strict=True)):
        errors = []
        for run in range(runs):
            unit = make_unit(make, reader, np.random.default_rng([SEED + 11, n, run]))
            errors.append(math.log(slow_sweep(unit) / unit.f3_hz))
        sweep_rms, search_rms = (math.sqrt(np.mean(np.square(e))) for e in (errors, tally.errors))
        ratios.append((61 / float(np.median(tally.counts)), sweep_rms / search_rms))
    count, error = (float(np.mean(column)) for column in zip(*ratios, strict=True))
    say(
        f"\nagainst a sweep of 20 points a decade over three decades (61 readings, interpolated; {reader.name}): "
        f"{count:.1f} times fewer readings, error {error:.1f} times smaller"
    )


def slips(runs: int) -> None:
    """One typing error a search, among its first seven readings."""
    handled, covered, caught = [], [], []
    for n, make in enumerate(EVERY.values()):
        for reader in READERS[:2]:
            plan = reader.plan()
            for run in range(runs):
                rng = np.random.default_rng([SEED + 23, *reader.name.encode(), n, run])
                unit = make_unit(make, reader, rng)
                unit.wrong_at = int(rng.integers(0, 7))
                readings, _ = search(unit, plan)
                if unit.slipped is None:
                    continue
                result = half_power(readings, plan)
                caught.append(any(r.purpose == "re-ask" for r in readings))
                if result.frequency_hz is None or result.interval_hz is None or result.u_rel is None:
                    handled.append(False)
                    covered.append(False)
                    continue
                handled.append(abs(math.log(result.frequency_hz / unit.f3_hz)) <= 3.0 * result.u_rel)
                covered.append(result.interval_hz[0] <= unit.f3_hz <= result.interval_hz[1])
    say(
        f"\nsingle typing errors ({len(handled)}): handled (result within 3 u) {percent(handled):.1f} %, "
        f"interval still holds {percent(covered):.1f} %, asked again {percent(caught):.1f} %"
    )


def above_the_generator(runs: int) -> None:
    """Claims that the crossing lies above the generator, at the boundary and 5 % beyond it."""
    say("\nclaims of a crossing above f_max:      f3 = f_max (false)   f3 = 1.05 f_max (power)")
    for reader in READERS:
        shares = []
        for ratio in (1.0, 1.05):
            plan = reader.plan(max_hz=1.4 * RATED_HZ)
            claims = []
            for n, make in enumerate(EVERY.values()):
                for run in range(runs):
                    rng = np.random.default_rng([SEED + 31, *reader.name.encode(), n, run])
                    unit = make_unit(make, reader, rng, f3_hz=ratio * plan.max_hz)
                    claims.append(half_power(search(unit, plan)[0], plan).status == "above_generator")
            shares.append(percent(claims))
        say(f"  {reader.name:34s}{shares[0]:12.1f} %{shares[1]:20.1f} %")


def timing() -> None:
    """Time a fit, and a decision with all it needs: the last reading judged, the fit, the next setpoint and span."""
    reader = replace(READERS[0], target_rel=0.004)
    plan = reader.plan()
    readings, _ = search(make_unit(FAMILIES["Gaussian"], reader, np.random.default_rng(SEED)), plan)
    repeats = 100
    # Another plan each time, so that nothing is remembered from the time before.
    plans = [replace(plan, u_frequency_rel=1e-9 * n) for n in range(2 * repeats)]
    for count in (10, min(30, len(readings))):
        part = readings[:count]
        start = time.process_time()
        for fresh in plans[:repeats]:
            half_power(part, fresh)
        fit_s = (time.process_time() - start) / repeats
        decision_s = 0.0
        for fresh in plans[repeats:]:
            next_request(part[:-1], fresh)  # as in a search: the decision before this one was made already
            start = time.process_time()
            next_request(part, fresh)
            decision_s += (time.process_time() - start) / repeats
        say(f"{count} readings: fit {1e3 * fit_s:.2f} ms, decision with its fit {1e3 * decision_s:.2f} ms")


def main(runs: int = 100) -> None:
    start = time.perf_counter()
    by_reader = main_table(runs)
    summary(by_reader, "all families")
    variants(max(10, runs // 2))
    other_uncertainties(max(5, runs // 6))
    against_a_sweep(by_reader, max(5, runs // 4))
    slips(max(5, runs // 4))
    above_the_generator(max(5, runs // 6))
    timing()
    say(f"\n{runs} runs a family and reader, {time.perf_counter() - start:.0f} s")


if __name__ == "__main__":
    main(*(int(a) for a in sys.argv[1:]))
