"""The half-power frequency of responses with ripple at the crossing, and of smooth ones beside them.

`python -m tests.benchmarks.response_ripple [runs] [seed]`: seeded; about two minutes with the default number of runs.
"""

from __future__ import annotations

import math
import sys

import numpy as np

from sequences.bandwidth.response import half_power
from tests.benchmarks.response import percent, say
from tests.benchmarks.response_families import FAMILIES, RIPPLED, UNSEEN, Response
from tests.benchmarks.response_units import READERS, make_unit, search

SEED = 59
CLEAN = ("single pole", "Gaussian", "Butterworth 3", "Bessel 4", "peaked 2nd order", "random cascade")


def crossings(response: Response, drop_db: float) -> list[float]:
    """Every frequency, relative to the first, at which a response passes the level, either way."""
    grid = np.exp(np.linspace(math.log(0.5), math.log(2.0), 1500))
    below = np.array([response(float(f)) < -drop_db for f in grid])
    found = [1.0]
    for n in np.flatnonzero(below[1:] != below[:-1]):
        low, high = float(grid[n]), float(grid[n + 1])
        found.append(math.sqrt(low * high))
    return found


def main(runs: int = 60, seed: int = SEED) -> None:
    for reader in READERS:
        say(f"{reader.name}: coverage of the first crossing; of any; readings; median U; rms error")
        for name, make in {**RIPPLED, **{n: {**FAMILIES, **UNSEEN}[n] for n in CLEAN}}.items():
            held, any_held, counts, u, errors, several = [], [], [], [], [], []
            plan = reader.plan()
            for run in range(runs):
                unit = make_unit(
                    make, reader, np.random.default_rng([seed, *reader.name.encode(), *name.encode(), run])
                )
                readings, _ = search(unit, plan)
                result = half_power(readings, plan)
                if result.interval_hz is None or result.frequency_hz is None or result.u_rel is None:
                    held.append(False)
                    continue
                low, high = (f / unit.f3_hz for f in result.interval_hz)
                held.append(low <= 1.0 <= high)
                true = crossings(unit.response, plan.drop_db) if not held[-1] else [1.0]
                several.append(len(true) > 2)
                any_held.append(any(low <= f <= high for f in true))
                counts.append(len(readings))
                u.append(2.0 * result.u_rel)
                errors.append(math.log(result.frequency_hz / unit.f3_hz))
            rms = math.sqrt(float(np.mean(np.square(errors))))
            say(
                f"  {name:32s}{percent(held):7.1f} %{percent(any_held):7.1f} %{np.mean(counts):7.1f}"
                f"{100 * np.median(u):8.3f} %{100 * rms:8.3f} %"
            )


if __name__ == "__main__":
    main(*(int(a) for a in sys.argv[1:]))
