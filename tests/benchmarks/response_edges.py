"""The search where it is hard: at the generator's top, with a level that is not well known, in drift, with an old slip.

`python -m tests.benchmarks.response_edges [runs]`: seeded; about a minute with the default number of runs.
"""

from __future__ import annotations

import math
import sys
from dataclasses import replace

import numpy as np
import scipy.signal

from sequences.bandwidth.response import half_power
from tests.benchmarks.response import EVERY, percent, run_family, say
from tests.benchmarks.response_families import FAMILIES, HELD_OUT, filter_db, power_db
from tests.benchmarks.response_units import RATED_HZ, READERS, Reader, make_unit, search

SMOOTH = ("single pole", "Gaussian", "Butterworth 2", "Bessel 4")


def top(runs: int) -> None:
    """Crossings within 3 % of the generator's highest frequency: what is stopped with, and what is stated."""
    say("crossing within 3 % of the generator's top:")
    for reader in (READERS[0], READERS[3]):
        for u_level_db in (0.0, 0.15):
            plan = reader.plan(max_hz=1.4 * RATED_HZ, u_level_db=u_level_db)
            stops, both, held, false_bounds, bounds = 0, 0, [], 0, 0
            for n, name in enumerate(SMOOTH):
                for run in range(runs):
                    rng = np.random.default_rng([41, *reader.name.encode(), n, run])
                    unit = make_unit(FAMILIES[name], reader, rng, f3_hz=plan.max_hz * rng.uniform(0.97, 1.03))
                    unit.level_error_db = rng.normal(0.0, u_level_db) if u_level_db else 0.0
                    readings, stop = search(unit, plan)
                    result = half_power(readings, plan)
                    limited = stop.reason == "at_generator_limit"
                    stops += limited
                    both += limited and result.frequency_hz is not None
                    if result.interval_hz is not None:
                        held.append(result.interval_hz[0] <= unit.f3_hz <= result.interval_hz[1])
                    elif result.bound_hz is not None:
                        bounds += 1
                        false_bounds += result.bound_hz > unit.f3_hz
            say(
                f"  {reader.name:20s} u(level) {u_level_db:4.2f} dB: stopped without a value {stops}, of these stated "
                f"{both}; {len(held)} values, coverage {percent(held):.1f} %; {bounds} bounds, false {false_bounds}"
            )


def drift(runs: int) -> None:
    """A reference that drifts by a constant share each reading."""
    say("drift of the reference, coverage and readings:")
    for reader, scan in ((READERS[0], False), (READERS[3], False), (READERS[4], False), (READERS[4], True)):
        cells = ""
        for each in (0.0, 3e-5, 1e-4, 3e-4, 1e-3):
            plan = reader.plan(scan=scan)
            held, counts = [], []
            for n, name in enumerate(SMOOTH):
                for run in range(runs):
                    rng = np.random.default_rng([43, *reader.name.encode(), n, run])
                    unit = make_unit(FAMILIES[name], reader, rng)
                    unit.drift_per_reading = each
                    readings, _ = search(unit, plan)
                    interval = half_power(readings, plan).interval_hz
                    held.append(interval is not None and interval[0] <= unit.f3_hz <= interval[1])
                    counts.append(len(readings))
            cells += f"  {1e2 * each:g} %: {percent(held):.1f} %, {np.mean(counts):.1f};"
        say(f"  {reader.name}{', scan' if scan else ''}:{cells}")


def peaks(runs: int) -> None:
    """Responses that fall from the start, read with a level that is wrong by its uncertainty at each frequency."""
    say("false peaking, u(level) 0.15 dB:")
    for reader in (READERS[0], READERS[3]):
        plan = reader.plan(scan=True, u_level_db=0.15)
        found = []
        for n, name in enumerate(SMOOTH):
            for run in range(runs):
                rng = np.random.default_rng([47, *reader.name.encode(), n, run])
                unit = make_unit(FAMILIES[name], reader, rng)
                unit.level_error_db = rng.normal(0.0, 0.15)
                result = half_power(search(unit, plan)[0], plan)
                found.append(any(flag.code == "peaking" for flag in result.flags))
        say(f"  {reader.name}: {percent(found):.1f} % of {len(found)}")


def old_slips(runs: int) -> None:
    """One slip of a digit among the first seven readings, a believable one: errors beyond 5 u, coverage, re-asks."""
    held, far, again, counts = [], 0, [], []
    reader = READERS[0]
    for n, make in enumerate(EVERY.values()):
        for run in range(runs):
            rng = np.random.default_rng([53, n, run])
            unit = make_unit(make, reader, rng)
            unit.wrong_at = int(rng.integers(0, 7))
            plan = replace(reader.plan())
            readings, _ = search(unit, plan)
            if unit.slipped is None:
                continue
            result = half_power(readings, plan)
            again.append(sum(r.purpose == "re-ask" for r in readings))
            counts.append(len(readings))
            if result.frequency_hz is None or result.u_rel is None or result.interval_hz is None:
                held.append(False)
                continue
            held.append(result.interval_hz[0] <= unit.f3_hz <= result.interval_hz[1])
            far += abs(math.log(result.frequency_hz / unit.f3_hz)) > 5.0 * result.u_rel
    say(
        f"one typing slip, {reader.name} ({len(held)}): coverage {percent(held):.1f} %, beyond 5 u {far}, "
        f"asked again {np.mean(again):.2f}, readings {np.mean(counts):.1f}"
    )


def frequent_slips(runs: int, reader: Reader = READERS[0], seed: int = 59) -> tuple[float, float]:
    """Every reading, asked again or not, is mistyped one time in ten: coverage in per cent, readings in the mean."""
    held, counts, plan = [], [], reader.plan()
    for n, make in enumerate({**EVERY, **HELD_OUT}.values()):
        for run in range(runs):
            unit = make_unit(make, reader, np.random.default_rng([seed, n, run]))
            unit.slip_chance = 0.1
            readings, _ = search(unit, plan)
            interval = half_power(readings, plan).interval_hz
            held.append(interval is not None and interval[0] <= unit.f3_hz <= interval[1])
            counts.append(len(readings))
    say(
        f"one reading in ten mistyped, {reader.name} ({len(held)}): coverage {percent(held):.1f} %, "
        f"readings {np.mean(counts):.1f} (most {max(counts)})"
    )
    return percent(held), float(np.mean(counts))


def hard_families(runs: int) -> None:
    """Families held out, one too slow, one too steep: values, coverage, readings, error over the bound, by reader."""
    families = {
        **HELD_OUT,
        "loss as the root of f alone": lambda _: power_db(3.0, 0.5),
        "Chebyshev of order 8, 1 dB": lambda _: filter_db(scipy.signal.cheby1(8, 1.0, 1.0, analog=True, output="zpk")),
    }
    for n, (name, make) in enumerate(families.items()):
        cells = ""
        for reader in (READERS[0], READERS[3], READERS[4]):
            t = run_family(make, reader, runs, 61 + n)
            cells += (
                f"{len(t.errors):4d}"
                if not t.errors
                else (f"{len(t.errors):4d}{percent(t.covered):7.1f} %{np.median(t.counts):5.0f}{t.to_bound:6.2f}")
            )
        say(f"{name:30s}{cells}")


def main(runs: int = 24) -> None:
    top(runs)
    drift(2 * runs)
    peaks(2 * runs)
    old_slips(runs)
    frequent_slips(runs)
    hard_families(runs)


if __name__ == "__main__":
    main(*(int(a) for a in sys.argv[1:]))
