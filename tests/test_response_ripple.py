"""Ripple at the crossing: seen where there is one, nothing made of a smooth roll-off, and the interval holds."""

from __future__ import annotations

import math

import numpy as np
import pytest

from sequences.bandwidth.response import half_power
from sequences.bandwidth.response_budget import RIPPLE
from sequences.bandwidth.response_model import HALF_POWER_DB, HalfPower, ReadingModel, ResponsePlan, ResponseReading
from tests.benchmarks.response_families import FAMILIES, RIPPLED
from tests.benchmarks.response_ripple import crossings
from tests.benchmarks.response_units import READERS, Make, Reader, make_unit, search

COARSE, EIGHT_BIT = READERS[1], READERS[3]


def results(make: Make, reader: Reader, runs: int, seed: int) -> list[tuple[HalfPower, float]]:
    """Results of seeded searches, each with the first true crossing."""
    plan, found = reader.plan(), []
    for run in range(runs):
        unit = make_unit(make, reader, np.random.default_rng([seed, run]))
        found.append((half_power(search(unit, plan)[0], plan), unit.f3_hz))
    return found


def holds(result: HalfPower, f3_hz: float) -> bool:
    return result.interval_hz is not None and result.interval_hz[0] <= f3_hz <= result.interval_hz[1]


def line_of(result: HalfPower) -> float:
    lines = result.budget.contributions if result.budget else ()
    return sum(abs(line.contribution) for line in lines if line.name == RIPPLE)


def tells(result: HalfPower) -> bool:
    return any(flag.code == "ripple" for flag in result.flags)


def test_intervals_hold_where_a_cable_lays_a_standing_wave_on_the_crossing() -> None:
    """Of 40, 31 held by the cubic's own uncertainty; 36 or more are to be expected of 95 % in 96 cases of 100."""
    found = results(RIPPLED["standing wave, 0.1 to 0.5 dB"], COARSE, 40, 61)
    assert sum(holds(*each) for each in found) >= 36


def test_nothing_is_made_of_a_smooth_roll_off() -> None:
    smooth = (FAMILIES[name] for name in ("Gaussian", "Butterworth 2", "Bessel 4"))
    found = [result for make in smooth for result, _ in results(make, EIGHT_BIT, 12, 67)]
    assert sum(map(tells, found)) <= 2
    assert np.median([line_of(result) / result.budget.u for result in found if result.budget]) == 0.0


def rippled_db(r: float) -> float:
    """A Gaussian under a ripple of 0.3 dB, five periods up to the crossing: it crosses more than once."""
    return -HALF_POWER_DB * r * r + 0.3 * math.sin(2.0 * math.pi * 5.0 * r)


def test_a_ripple_is_told_and_its_interval_is_that_of_the_crossings() -> None:
    """Two dozen hand-made readings of 0.01 div: the flag, the line in the budget, and every crossing held."""
    plan = ResponsePlan(
        rated_hz=100e6, reference_hz=50e3, min_hz=1e3, max_hz=1e9, deflection_div=6.0,
        reader=ReadingModel(resolution_div=0.01, scatter_div=0.01),
    )  # fmt: skip
    places = (0.60, 0.66, 0.71, 0.77, 0.83, 0.88, 0.93, 0.98, 1.05, 1.11, 1.16, 1.22)
    readings = [ResponseReading(frequency_hz=50e3, deflection_div=6.0, purpose="reference")] * 2
    readings += [
        ResponseReading(frequency_hz=100e6 * r, deflection_div=round(6.0 * 10.0 ** (rippled_db(r) / 20.0), 2))
        for r in places
    ]
    result = half_power(readings, plan)
    assert result.interval_hz is not None
    assert tells(result)
    assert line_of(result) > 0.0
    true = [r for r in np.geomspace(0.6, 1.22, 4000) if abs(rippled_db(r) + HALF_POWER_DB) < 2e-3]
    assert result.interval_hz[0] <= 100e6 * min(true)
    assert 100e6 * max(true) <= result.interval_hz[1]
    (sentence,) = (flag.sentence for flag in result.flags if flag.code == "ripple")
    assert "the lowest is not known" in sentence


@pytest.mark.soak
@pytest.mark.parametrize("name", RIPPLED)
def test_of_many_held_out_units_nineteen_of_twenty_hold_a_crossing(name: str) -> None:
    """300 seeded searches a family, by five readers: by chance fewer than 91.5 % of a true 94 % in 4 cases of 100."""
    held = []
    for reader in READERS:
        for run in range(60):
            unit = make_unit(RIPPLED[name], reader, np.random.default_rng([2027, run]))
            result = half_power(search(unit, reader.plan())[0], reader.plan())
            assert result.interval_hz is not None
            low, high = (f / unit.f3_hz for f in result.interval_hz)
            held.append(low <= 1.0 <= high or any(low <= r <= high for r in crossings(unit.response, HALF_POWER_DB)))
    assert sum(held) >= 0.915 * len(held)
