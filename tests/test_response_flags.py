"""Edge cases of response readings: each detected, each with its sentence."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from sequences.bandwidth import evaluation
from sequences.bandwidth import steps as bandwidth
from sequences.bandwidth.response import half_power
from sequences.bandwidth.response_model import HalfPower, ReadingModel, ResponsePlan, ResponseReading
from sequences.bandwidth.response_suspect import implausible
from tests.benchmarks.bandwidth_runs import Responder, setup_of

PLAN = ResponsePlan(
    rated_hz=20e6, reference_hz=50e3, min_hz=1e3, max_hz=30e6, deflection_div=6.0,
    reader=ReadingModel(resolution_div=0.1, scatter_div=0.04), typed=True,
)  # fmt: skip


def reading(frequency_hz: float, deflection_div: float, **changes: object) -> ResponseReading:
    return replace(ResponseReading(frequency_hz=frequency_hz, deflection_div=deflection_div), **changes)  # type: ignore[arg-type]


def reference(deflection_div: float, level_db: float = 0.0) -> ResponseReading:
    return reading(50e3, deflection_div, level_db=level_db, purpose="reference")


def response(f3_hz: float, *frequencies_hz: float) -> list[ResponseReading]:
    """Single-pole readings to 0.1 div."""
    return [reading(f, round(6.0 / math.hypot(1.0, f / f3_hz), 1)) for f in frequencies_hz]


REFERENCES = [reference(6.0), reference(6.0)]


def sentence(result: HalfPower, code: str) -> str:
    return next(flag.sentence for flag in result.flags if flag.code == code)


def codes(result: HalfPower) -> list[str]:
    return [flag.code for flag in result.flags]


def test_generator_tops_out_gives_a_bound_and_never_a_value() -> None:
    top = [reading(30e6, 4.7, level_db=db) for db in (-0.05, 0.0, 0.05, 0.02)]
    result = half_power([*REFERENCES, *response(40e6, 20e6), *top], PLAN)
    assert result.status == "above_generator"
    assert result.frequency_hz is None
    assert result.interval_hz is None
    assert result.bound_hz == 30e6
    assert "above it (95 %)" in sentence(result, "above_generator")


def test_three_readings_at_the_top_are_too_few_for_a_claim() -> None:
    top = [reading(30e6, 4.7, level_db=db) for db in (-0.05, 0.0, 0.05)]
    result = half_power([*REFERENCES, *response(40e6, 20e6), *top], PLAN)
    assert result.status == "not_bracketed"
    assert result.frequency_hz is None


def test_a_drop_near_the_limit_at_the_top_is_no_claim() -> None:
    top = [reading(30e6, d, level_db=db) for d, db in ((4.2, 0.0), (4.3, 0.05), (4.2, -0.05), (4.3, 0.02))]
    assert half_power([*REFERENCES, *response(30.2e6, 20e6), *top], PLAN).status != "above_generator"


def test_level_uncertainty_is_part_of_the_claim_above_the_generator() -> None:
    top = [reading(30e6, 4.5, level_db=db) for db in (-0.05, 0.0, 0.05, 0.02)]
    readings = [*REFERENCES, *response(40e6, 20e6), *top]
    assert half_power(readings, PLAN).status == "above_generator"
    assert half_power(readings, replace(PLAN, u_level_db=0.5)).status != "above_generator"


def test_several_crossings_give_the_first_and_where_it_recovers() -> None:
    dip = [reading(f, d) for f, d in ((6e6, 5.4), (8e6, 4.9), (10e6, 4.1), (12e6, 3.2), (14e6, 4.9), (18e6, 4.6))]
    result = half_power([*REFERENCES, *dip, reading(25e6, 3.0)], PLAN)
    assert result.status == "several_crossings"
    assert result.frequency_hz == pytest.approx(9.7e6, rel=0.05)
    assert result.recovers_hz is not None
    assert 12e6 < result.recovers_hz < 14e6
    assert "recovers at" in sentence(result, "several_crossings")


def test_noise_about_the_crossing_is_not_several_crossings() -> None:
    jitter = [reading(f, d) for f, d in ((15e6, 4.9), (19.5e6, 4.2), (19.8e6, 4.3), (20.1e6, 4.2), (20.4e6, 4.3))]
    result = half_power([*REFERENCES, *jitter, *response(20e6, 25e6)], PLAN)
    assert result.status == "found"


def test_peaking_is_named_with_its_height() -> None:
    peaked = [reading(f, d) for f, d in ((10e6, 6.3), (15e6, 6.5), (20e6, 5.6), (22e6, 4.9), (24e6, 4.0), (26e6, 3.3))]
    result = half_power([*REFERENCES, *peaked], PLAN)
    assert result.status == "found"
    assert sentence(result, "peaking") == "The response peaks by +0.70 dB at 15 MHz."


def test_reading_noise_is_not_peaking() -> None:
    flat = [reading(f, 6.1) for f in (1e6, 2e6, 3e6)]
    assert "peaking" not in codes(half_power([*REFERENCES, *flat, *response(20e6, 15e6, 19e6, 21e6)], PLAN))


def drifting(visits: int) -> list[ResponseReading]:
    """A gain that falls by 1 % a reading, the reference visited between."""
    readings: list[ResponseReading] = []
    frequencies = [16e6, 18e6, 19e6, 20e6, 21e6, 23e6]
    for n in range(len(frequencies)):
        if n * visits % len(frequencies) < visits:
            readings.append(reference(round(6.0 * 0.99 ** len(readings), 2)))
        value = 6.0 / math.hypot(1.0, frequencies[n] / 20e6) * 0.99 ** len(readings)
        readings.append(reading(frequencies[n], round(value, 2)))
    return [*readings, reference(round(6.0 * 0.99 ** len(readings), 2))]


def test_drift_seen_in_three_visits_is_corrected() -> None:
    plan = replace(PLAN, reader=ReadingModel(resolution_div=0.01, scatter_div=0.01))
    result = half_power(drifting(3), plan)
    assert "corrected" in sentence(result, "drift_corrected")
    assert result.frequency_hz == pytest.approx(20e6, rel=0.005)


def test_drift_seen_in_two_visits_asks_for_a_repeat() -> None:
    plan = replace(PLAN, reader=ReadingModel(resolution_div=0.01, scatter_div=0.01))
    result = half_power(drifting(1), plan)
    assert "repeat" in sentence(result, "drift")
    assert "drift_corrected" not in codes(result)


@pytest.mark.parametrize(
    ("reference_hz", "code"), [(0.2e6, None), (1e6, "reference_droop"), (5e6, "reference_too_near")]
)
def test_the_result_is_relative_to_the_reference_frequency_wherever_that_lies(
    reference_hz: float, code: str | None
) -> None:
    """A single pole at 20 MHz: half of what stands at f_ref is at √(1 + 2 (f_ref/f3)²) f3, algebra."""
    plan = replace(PLAN, reference_hz=reference_hz, reader=ReadingModel(resolution_div=0.0, scatter_div=0.001))
    pole = lambda f: 6.0 / math.hypot(1.0, f / 20e6)  # noqa: E731
    readings = [reading(reference_hz, pole(reference_hz), purpose="reference")] * 2
    readings += [reading(f, pole(f)) for f in (16e6, 18e6, 19e6, 20e6, 21e6, 22e6, 23e6)]
    result = half_power(readings, plan)
    truly_hz = 20e6 * math.sqrt(1.0 + 2.0 * (reference_hz / 20e6) ** 2)
    assert result.frequency_hz == pytest.approx(truly_hz, rel=2e-4)
    assert result.interval_hz is not None
    assert result.interval_hz[0] <= truly_hz <= result.interval_hz[1]
    assert "reference frequency" not in [line.name for line in result.budget.contributions]
    assert [c for c in codes(result) if c.startswith("reference")] == ([] if code is None else [code])


@pytest.mark.parametrize(("reference", "judged"), [("50 kHz", True), ("5 MHz", True), ("13 MHz", False)])
@pytest.mark.parametrize("at", ["half power", "rated"])
def test_nothing_is_judged_relative_to_a_frequency_above_a_tenth(reference: str, judged: bool, at: str) -> None:
    options = {"reference_frequency": reference, "at": at, "channels": [1]}
    unit = Responder(setup=setup_of(resolution="0.01 div", scatter="0.01 div"), rng=np.random.default_rng(6))
    unit.run(**options)
    described = bandwidth.Options.model_validate(options).model_dump(mode="json")
    (result,) = evaluation.evaluate(unit.setup, {"options": described}, unit.taken).results
    assert result.statement is not None
    assert (result.word == "pass") is judged
    assert (result.word, "not judged" in " ".join(result.remarks)) in (("pass", False), ("undecided", True))


def test_a_reading_at_the_edge_of_the_screen_is_not_used() -> None:
    result = half_power([*REFERENCES, reading(5e6, 7.9), *response(20e6, 16e6, 19e6, 20e6, 21e6, 23e6)], PLAN)
    assert result.readings_used == 7
    assert "Lower the level" in sentence(result, "off_screen")


GOOD = [*REFERENCES, *response(20e6, 16e6, 19e6, 20e6, 21e6)]


def test_a_mistyped_reading_names_the_span_expected() -> None:
    answer = implausible(reading(23e6, 28.0), GOOD, PLAN)
    assert answer is not None
    assert answer.startswith("28 at 23 MHz: the screen has 8 div: expected about 3.")
    assert answer.endswith("Read again.")


@pytest.mark.parametrize(
    ("frequency_hz", "deflection_div", "before"),
    [
        (50e3, 4.0, []),  # the reference off by more than 25 %
        (50e3, 7.7, []),
        (50e3, 5.0, REFERENCES),  # a later reference away from the earlier ones
        (15e6, 0.9, REFERENCES),  # more than 14 dB down below the rating
        (23e6, 2.3, GOOD),  # away from the fit
        (23e6, 4.9, GOOD),
        (25e6, 6.1, [*REFERENCES, reading(24e6, 4.0)]),  # rises by more than 6 dB per ln f
        (25e6, 1.1, [*REFERENCES, reading(24e6, 5.0)]),  # falls by more than 45 dB per ln f
    ],
)
def test_what_cannot_be_right_is_asked_again(
    frequency_hz: float, deflection_div: float, before: list[ResponseReading]
) -> None:
    answer = implausible(reading(frequency_hz, deflection_div), before, PLAN)
    assert answer is not None
    assert "expected about" in answer


@pytest.mark.parametrize("offset_div", [-0.1, 0.0, 0.1])
@pytest.mark.parametrize("frequency_hz", [5e6, 15e6, 18e6, 20e6, 22e6, 26e6])
def test_what_may_be_right_is_not(frequency_hz: float, offset_div: float) -> None:
    expected = response(20e6, frequency_hz)[0].deflection_div
    assert implausible(reading(frequency_hz, round(expected + offset_div, 1)), GOOD, PLAN) is None


def test_a_trace_at_the_edge_asks_for_a_lower_level() -> None:
    answer = implausible(reading(10e6, 7.9), REFERENCES, PLAN)
    assert answer == "7.9 at 10 MHz is off the screen or clipped. Lower the level and read again."
