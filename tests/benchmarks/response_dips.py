"""A dip below the crossing: what is passed over with and without a scan, and what is called the lowest crossing.

`python -m tests.benchmarks.response_dips [runs]`: seeded; about a minute with the default number of runs.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Callable

import numpy as np

from sequences.bandwidth.response import half_power
from tests.benchmarks.response import say
from tests.benchmarks.response_families import Gain, smooth
from tests.benchmarks.response_units import RATED_HZ, READERS, make_unit, search

Span = tuple[float, float]


def dipped(width: Span, place: Span, depth_db: Span) -> Callable[[np.random.Generator], Gain]:
    """A smooth roll-off with a dip that is Gaussian in ln f, its place relative to where the roll-off would cross."""

    def make(rng: np.random.Generator) -> Gain:
        w, p, d = rng.uniform(*width), rng.uniform(*place), rng.uniform(*depth_db)
        base = smooth(rng)
        return lambda f: base(f) - d * math.exp(-0.5 * (math.log(f / p) / w) ** 2)

    return make


KINDS = {
    "narrow, far": dipped((0.03, 0.08), (0.15, 0.6), (4.0, 8.0)),
    "wide, far": dipped((0.15, 0.3), (0.15, 0.5), (3.5, 6.0)),
    "wide, near": dipped((0.08, 0.25), (0.6, 0.9), (1.5, 4.0)),
    "none": smooth,
}


def main(runs: int = 60) -> None:
    for reader in (READERS[0], READERS[3]):
        for scan in (False, True):
            plan = reader.plan(scan=scan, max_hz=1e9)
            for kind, make in KINDS.items():
                counts, over, lowest, wrong = [], 0, 0, 0
                for run in range(runs):
                    rng = np.random.default_rng([97, *reader.name.encode(), run])
                    unit = make_unit(make, reader, rng, f3_hz=RATED_HZ * rng.uniform(0.2, 0.95))
                    readings, _ = search(unit, plan)
                    result = half_power(readings, plan)
                    counts.append(len(readings))
                    missed = result.interval_hz is not None and result.interval_hz[0] > 1.05 * unit.f3_hz
                    over += missed
                    lowest += result.lowest
                    wrong += missed and result.lowest
                say(
                    f"{reader.name:18s} {'scan' if scan else 'no scan':8s} {kind:12s} passed over {over:3d} of {runs}, "
                    f"called the lowest {lowest:3d}, of these passed over {wrong:3d}, readings {np.mean(counts):.1f}"
                )


if __name__ == "__main__":
    main(*(int(a) for a in sys.argv[1:]))
