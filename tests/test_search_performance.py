"""How few readings the search takes, and how near it comes to what they hold: seeded, on seeds nothing was tuned on.

`STEEP` and `HELD_OUT` are in `tests/benchmarks/response_families.py`; what the figures mean: docs/measurement.md, 1.7.
"""

from __future__ import annotations

import numpy as np
import pytest

from tests.benchmarks.response import EVERY, Tally, percent, run_family
from tests.benchmarks.response_edges import frequent_slips
from tests.benchmarks.response_families import HELD_OUT, STEEP
from tests.benchmarks.response_units import READERS, Reader, make_unit, search

RUNS = 50
EYE, EIGHT_BIT, PRECISE = READERS[0], READERS[3], READERS[4]


@pytest.mark.soak
@pytest.mark.timeout(1200)
@pytest.mark.parametrize(
    ("reader", "readings", "to_bound", "steep_to_bound"),
    [(EYE, 9.8, 1.13, 1.3), (EIGHT_BIT, 11.6, 1.18, 1.5), (PRECISE, 7.3, 1.26, 1.4)],
    ids=["by eye", "8 bit", "precise"],
)
def test_readings_error_and_coverage_stay_where_they_are(
    reader: Reader, readings: float, to_bound: float, steep_to_bound: float
) -> None:
    """Means over families: the medians of the counts, the rms error over the bound; the limits leave two deviations."""
    tallies: dict[str, Tally] = {
        name: run_family(make, reader, RUNS, 9100 + n) for n, (name, make) in enumerate({**EVERY, **HELD_OUT}.items())
    }
    pooled, steep = [tallies[name] for name in EVERY], [tallies[name] for name in STEEP]
    assert sum(t.lost for t in tallies.values()) == 0
    assert np.mean([np.median(t.counts) for t in pooled]) <= readings
    assert np.mean([t.to_bound for t in pooled]) <= to_bound
    assert np.mean([t.to_bound for t in steep]) <= steep_to_bound
    assert 94.0 <= percent(c for t in pooled for c in t.covered) <= 97.2
    assert percent(c for t in steep for c in t.covered) <= 99.3


@pytest.mark.soak
@pytest.mark.timeout(1200)
def test_one_reading_in_ten_mistyped_is_survived() -> None:
    coverage, readings = frequent_slips(25, seed=9200)
    assert coverage >= 92.5
    assert readings <= 16.0


@pytest.mark.parametrize(("reader", "most"), [(EYE, 9), (PRECISE, 9)], ids=["by eye", "precise"])
def test_a_steep_skirt_is_met_from_near(reader: Reader, most: int) -> None:
    """No reading is spent far beyond a steep crossing, where it is worth little: filters with twice the rating."""
    make = HELD_OUT["Butterworth 6 to 8"]
    for run in range(4):
        unit = make_unit(make, reader, np.random.default_rng([9300, run]), f3_hz=1.9 * 100e6)
        readings, _ = search(unit, reader.plan())
        assert max(r.frequency_hz for r in readings) < 1.1 * unit.f3_hz
        assert len(readings) <= most
