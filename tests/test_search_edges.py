"""The search where it is hard: old slips, the generator's top, a level not well known, drift, next to no signal."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from sequences.bandwidth.response import half_power
from sequences.bandwidth.response_model import ResponsePlan, ResponseReading
from sequences.bandwidth.response_reduce import superseded
from sequences.bandwidth.search import Ask, next_request
from tests.benchmarks.response_families import FAMILIES
from tests.benchmarks.response_units import RATED_HZ, READERS, REFERENCE_HZ, Unit, make_unit, search

EYE, COARSE, EIGHT_BIT, PRECISE = READERS[0], READERS[1], READERS[3], READERS[4]
NAMES = ("single pole", "Gaussian", "Butterworth 2", "Bessel 4")


def units(reader, count: int, seed: int, **f3) -> list[Unit]:
    made = []
    for run in range(count):
        rng = np.random.default_rng([seed, run])
        hz = {name: ratio * rng.uniform(0.97, 1.03) for name, ratio in f3.items()}
        made.append(make_unit(FAMILIES[NAMES[run % len(NAMES)]], reader, rng, **hz))
    return made


def held(unit: Unit, readings: list[ResponseReading], plan: ResponsePlan) -> bool:
    interval = half_power(readings, plan).interval_hz
    return interval is not None and interval[0] <= unit.f3_hz <= interval[1]


# --- an older reading is to blame --------------------------------------------------------------------------------


def test_an_old_slip_is_found_when_a_later_reading_stands_against_it() -> None:
    """Of 40 searches with one slip of a typist, four in five hold and none is far off; no span is upside down."""
    plan, good, older = EYE.plan(), 0, 0
    for unit in units(EYE, 40, 71):
        unit.wrong_at = int(unit.rng.integers(1, 4))
        readings: list[ResponseReading] = []
        while isinstance(ask := next_request(readings, plan), Ask):
            assert ask.expected_div is None or ask.expected_div[0] <= ask.expected_div[1]
            older += ask.replaces is not None and ask.replaces < len(readings) - 1
            readings.append(unit.answer(ask))
        result = half_power(readings, plan)
        assert result.frequency_hz is not None
        assert result.u_rel is not None
        assert abs(math.log(result.frequency_hz / unit.f3_hz)) <= 5.0 * result.u_rel
        good += held(unit, readings, plan)
    assert good >= 35
    assert older >= 3


def test_a_reading_asked_again_replaces_itself_alone() -> None:
    reference = ResponseReading(frequency_hz=REFERENCE_HZ, deflection_div=6.0, purpose="reference")
    again = replace(reference, purpose="re-ask", replaces=2)
    assert superseded([reference, reference, replace(reference, deflection_div=5.0), again]) == {2}


# --- the top of the generator ------------------------------------------------------------------------------------


@pytest.mark.parametrize("u_level_db", [0.0, 0.15])
def test_the_stop_and_the_result_agree_at_the_top_of_the_generator(u_level_db: float) -> None:
    plan = EYE.plan(max_hz=1.4 * RATED_HZ, u_level_db=u_level_db)
    limited = 0
    for unit in units(EYE, 24, 73, f3_hz=plan.max_hz):
        readings, stop = search(unit, plan)
        result = half_power(readings, plan)
        assert (result.frequency_hz is None) == (stop.reason != "reached")
        limited += stop.reason == "at_generator_limit"
    assert limited >= 3


def test_a_bound_counts_the_uncertainty_of_the_level() -> None:
    """A level that is 2 u too high, which happens, shows no more than was there."""
    plan = EIGHT_BIT.plan(max_hz=1.4 * RATED_HZ, u_level_db=0.15)
    false = 0
    for unit in units(EIGHT_BIT, 16, 79, f3_hz=0.985 * plan.max_hz):
        unit.level_error_db = 0.25
        readings, _ = search(unit, plan)
        bound_hz = half_power(readings, plan).bound_hz
        false += bound_hz is not None and bound_hz > unit.f3_hz
    assert false == 0


def test_a_level_that_is_not_well_known_makes_no_peak() -> None:
    readings = [ResponseReading(frequency_hz=REFERENCE_HZ, deflection_div=6.0, purpose="reference")] * 3
    readings += [ResponseReading(frequency_hz=f, deflection_div=6.3) for f in (20e6, 30e6, 40e6)]
    for u_level_db, peaks in ((0.0, True), (0.2, False)):
        plan = EIGHT_BIT.plan()
        known = [replace(r, u_level_db=u_level_db) for r in readings]
        codes = {flag.code for flag in half_power(known, plan).flags}
        assert ("peaking" in codes) == peaks


@pytest.mark.parametrize("headroom_db", [0.0, 0.03, 2.0])
def test_no_level_is_asked_for_above_the_head_room(headroom_db: float) -> None:
    plan = COARSE.plan(headroom_db=headroom_db)
    for unit in units(COARSE, 4, 83):
        readings, _ = search(unit, plan)
        levels = [r.level_db for r in readings]
        assert max(levels) <= headroom_db
        assert len(set(levels)) > 2  # dithered all the same


# --- drift -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("each", [1e-4, 1e-3])
def test_an_interval_holds_in_drift(each: float) -> None:
    """A precise reader after a scan: 90 % of 40 would be missed by intervals that hold in 79 % in all but 5 %."""
    plan, good = PRECISE.plan(scan=True), 0
    for unit in units(PRECISE, 40, 89):
        unit.drift_per_reading = each
        good += held(unit, search(unit, plan)[0], plan)
    assert good >= 36


# --- the end of a search -----------------------------------------------------------------------------------------


def test_one_setpoint_is_not_asked_for_without_end() -> None:
    """A flat foot about the crossing, where no slope is seen: the setting that is asked for has been read already.

    Equal settings are merged, so by their number nothing changes when one of them is read again.
    """
    plan = COARSE.plan()
    readings = [ResponseReading(frequency_hz=REFERENCE_HZ, deflection_div=6.0, purpose="reference")] * 2
    flat = {94.41e6: 4.4, 100e6: 4.4, 101e6: 4.2, 115e6: 4.4, 125e6: 4.4}
    readings += [ResponseReading(frequency_hz=f, deflection_div=d) for f, d in flat.items()]
    asked = []
    for _ in range(12):
        ask = next_request(readings, plan)
        assert isinstance(ask, Ask)
        asked.append(ask.frequency_hz)
        shown = flat.get(ask.frequency_hz, 6.0 if ask.frequency_hz == REFERENCE_HZ else 4.4)
        readings.append(ResponseReading(frequency_hz=ask.frequency_hz, deflection_div=shown, level_db=ask.level_db))
    assert max(asked.count(f) for f in asked) <= 3


@pytest.mark.parametrize("reader", [EYE, PRECISE, replace(PRECISE, resolution_div=0.0, scatter_div=0.02)])
@pytest.mark.parametrize("shown_div", [0.0, 1e-12, 1e-3])
def test_next_to_no_signal_is_no_value_and_no_error(reader, shown_div: float) -> None:
    plan = reader.plan(max_readings=30)
    for nothing_from_hz in (0.0, 1e6):
        readings: list[ResponseReading] = []
        while isinstance(ask := next_request(readings, plan), Ask):
            nothing = ask.frequency_hz >= nothing_from_hz
            readings.append(
                ResponseReading(frequency_hz=ask.frequency_hz, deflection_div=shown_div if nothing else 6.0,
                                level_db=ask.level_db, purpose=ask.purpose, replaces=ask.replaces)
            )  # fmt: skip
        result = half_power(readings, plan)
        assert len(readings) <= 32
        assert result.u_rel is None or math.isfinite(result.u_rel)
        assert result.interval_hz is None or math.isfinite(result.interval_hz[1])
