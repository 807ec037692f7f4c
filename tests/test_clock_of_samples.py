"""The clock of a unit that samples: aliases as numpy counts them, their signs, the bound of a fit, jitter, coverage."""

from __future__ import annotations

import math

import numpy as np
import pytest
from helpers.setups import a_setup

from harness.analysis.estimate import state
from harness.analysis.planning import reach
from harness.assess import budget_for, limits_for
from harness.bench.settling import is_near
from harness.errors import AnalysisError
from harness.measurement import Screenful
from harness.models import Counter, Setup, UnitLink
from harness.steps import Reading
from sequences.time_base.clock import ALIAS, RATE, SET, clock_error, clocks, jitter_of
from sequences.time_base.clock_steps import all_sines, sines
from sequences.time_base.marks import Options

NOISE_DIV = 0.02
COUNTER = {"address": "GPIB0::12::INSTR", "accuracy": [{"function": "frequency", "of_value": "0.1 ppm"}]}
TOLERANCE = {"time_clock": "25 ppm"}
RATES = {"sample_rate": "500 MHz", "bandwidth": "100 MHz", "s_per_div": ["1 us", "5 us", "1 ms"]}


def of_samples(**unit) -> Setup:
    setup = a_setup(**{"read": "remote", "tolerance": TOLERANCE, **RATES, **unit})
    counter = Counter.model_validate(COUNTER)
    return Setup(bench=setup.bench.model_copy(update={"counter": counter}), unit=setup.unit, job=setup.job)


SETUP = of_samples()
STEPS = [planned.step for planned in all_sines(SETUP, Options())]


def taken(
    error: float,
    rng: np.random.Generator,
    *,
    jitter_s: float = 0.0,
    noise_div: float = NOISE_DIV,
    count_error: float = 0.0,
) -> list[Reading]:
    """What records of the four sines give, sampled by a clock that is fast by `error`."""
    readings = []
    for step in STEPS:
        nominal_s = SETUP.unit.horizontal_div * step.view.s_per_div / 1000
        f0_hz = step.stimulus.rate_hz * (1 + 3e-7)
        at = (np.arange(1000) + rng.random()) * nominal_s / (1 + error) + jitter_s * rng.standard_normal(1000)
        div = 3 * np.sin(2 * math.pi * (f0_hz * at + rng.random())) + noise_div * rng.standard_normal(1000)
        volts = np.round(div * 32) / 32 * step.view.volts_per_div
        half_v = 4 * step.view.volts_per_div
        screen = Screenful(
            interval_s=nominal_s, low_v=-half_v, high_v=half_v, volts_per_div=step.view.volts_per_div,
            s_per_div=step.view.s_per_div,
        )  # fmt: skip
        reading = ALIAS.from_record(step, volts, screen, step.view.volts_per_div / 32)
        counted = Reading(
            value=reading.value, scatter=reading.scatter, more=reading.more, frequency_hz=f0_hz * (1 + count_error)
        )
        readings.append(counted)
    return readings


def test_sines_stand_on_both_sides_of_a_low_and_a_high_multiple_below_the_bandwidth():
    rate_hz = 1000 / (10 * STEPS[0].view.s_per_div)
    multiples = [step.stimulus.rate_hz / rate_hz for step in STEPS]
    assert rate_hz <= 500e6
    assert [round(m) for m in multiples] == [1, 1, 4, 4]
    assert [m > round(m) for m in multiples] == [True, False, True, False]
    assert max(multiples) * rate_hz < 100e6
    assert all(step.with_counter for step in STEPS)


def test_a_record_shows_the_alias_that_numpy_counts():
    """Against numpy: the strongest line of the record, its zeros padded on to a hundredth of a cycle."""
    rng = np.random.default_rng(1)
    nominal_s = 10 * STEPS[2].view.s_per_div / 1000
    at = np.arange(1000) * nominal_s / (1 + 40e-6)
    volts = 0.1 * np.sin(2 * math.pi * STEPS[2].stimulus.rate_hz * at + 1.0) + 1e-3 * rng.standard_normal(1000)
    screen = Screenful(interval_s=nominal_s, low_v=-0.4, high_v=0.4, volts_per_div=0.1, s_per_div=nominal_s * 100)
    reading = ALIAS.from_record(STEPS[2], volts, screen, None)
    spectrum = np.abs(np.fft.rfft(volts * np.hanning(1000), 200_000))
    assert reading.value * nominal_s * 1000 == pytest.approx(spectrum.argmax() / 200, abs=0.01)


@pytest.mark.parametrize("error", [0.0, 25e-6, -80e-6, 4e-3, -0.027, 0.035])
def test_the_clock_is_found_with_its_sign_whatever_side_the_aliases_fall_on(error):
    budget = clock_error(SETUP, STEPS[-1], taken(error, np.random.default_rng(2)))
    assert budget.unit == "ppm"
    assert budget.estimate / 1e6 == pytest.approx(error, abs=4e-7)


def test_by_the_other_definition_the_sign_is_the_other():
    job = SETUP.job.model_copy(update={"error": "deflection factor"})
    setup = Setup(bench=SETUP.bench, unit=SETUP.unit, job=job)
    assert clock_error(setup, STEPS[-1], taken(30e-6, np.random.default_rng(3))).estimate == pytest.approx(-30, abs=0.4)


def test_a_fit_states_the_bound_of_ieee_1057():
    """σ(f) = √6·σ/(π·A·T·√M), IEEE Std 1057 (from memory), with the noise and the quantiser's step in σ."""
    sigma = math.hypot(NOISE_DIV, 1 / 32 / math.sqrt(12))
    for step, reading in zip(STEPS, taken(10e-6, np.random.default_rng(4)), strict=True):
        bound_hz = math.sqrt(6) * sigma / (math.pi * 3 * 10 * step.view.s_per_div * math.sqrt(1000))
        assert reading.scatter == pytest.approx(bound_hz, rel=0.08)


def test_jitter_is_told_from_noise():
    """A sine of 80 MHz and 3 div has 1.5 div/ns: 20 ps move a sample by 0.03 div where it is steep, not at a peak."""
    rng = np.random.default_rng(5)
    s2, u_s2 = jitter_of([r for _ in range(5) for r in taken(0.0, rng, jitter_s=20e-12)])
    assert math.sqrt(s2) == pytest.approx(20e-12, abs=1.5e-12)
    assert s2 > 5 * u_s2
    s2, u_s2 = jitter_of([r for _ in range(5) for r in taken(0.0, rng, noise_div=0.04)])
    assert abs(s2) < 3 * u_s2


@pytest.mark.soak
def test_the_uncertainty_of_a_jitter_is_its_scatter():
    """150 times four sines: what each says of 20 and of 60 ps scatters as it states, where noise or jitter rules."""
    for jitter_s in (20e-12, 60e-12):
        rng = np.random.default_rng(12)
        said = [jitter_of(taken(0.0, rng, jitter_s=jitter_s)) for _ in range(150)]
        assert np.std([s2 for s2, _ in said]) == pytest.approx(np.mean([u for _, u in said]), rel=0.2)


def test_multiples_that_disagree_say_that_the_samples_are_not_real():
    """A record that is interpolated from another rate: the high multiple folds elsewhere."""
    readings = taken(0.0, np.random.default_rng(6))
    moved = [r if n < 2 else Reading(value=r.value + 4 * 20e6 * 9e-6 * (1 if n == 2 else -1), scatter=r.scatter,
             more=r.more, frequency_hz=r.frequency_hz) for n, r in enumerate(readings)]  # fmt: skip
    with pytest.raises(AnalysisError, match="not taken at one real rate"):
        clock_error(SETUP, STEPS[-1], moved)


def test_a_record_of_another_length_is_refused():
    reading = taken(0.0, np.random.default_rng(7))[0]
    other = Reading(value=reading.value, scatter=reading.scatter, more={**reading.more, RATE: 1e8, SET: 2e7})
    with pytest.raises(AnalysisError, match="another length"):
        clocks(SETUP, STEPS[0], [other])


@pytest.mark.parametrize(
    ("unit", "says"),
    [
        ({"sample_rate": None}, "sample_rate"),
        ({"read": "eye"}, "read by eye"),
        ({"s_per_div": ["1 us", "2 us"]}, "slow enough"),
    ],
)
def test_what_cannot_be_tried_is_said(unit, says):
    plan = sines(of_samples(**unit), Options())
    assert not plan.points
    assert says in plan.left_out[0]


def test_nothing_is_tried_that_the_unit_file_does_not_rate():
    setup = of_samples(tolerance={})
    assert sines(setup, Options()).points == ()
    assert sines(setup, Options()).left_out == ()
    assert sines(setup, Options(clock=True)).points != ()


def test_a_record_that_the_unit_itself_calls_no_real_one_is_refused():
    reading = taken(0.0, np.random.default_rng(7))[0]
    marked = Reading(value=reading.value, scatter=reading.scatter, more={**reading.more, "sample_rate_hz": 5e6})
    with pytest.raises(AnalysisError, match="samples at 5 MHz"):
        clock_error(SETUP, STEPS[-1], [marked])


def test_noise_alone_is_no_signal_and_no_clock():
    nominal_s = 10 * STEPS[0].view.s_per_div / 1000
    volts = 0.002 * np.random.default_rng(10).standard_normal(1000)
    screen = Screenful(interval_s=nominal_s, low_v=-0.4, high_v=0.4, volts_per_div=0.1, s_per_div=nominal_s * 100)
    reading = ALIAS.from_record(STEPS[0], volts, screen, None)
    assert not is_near(STEPS[0], reading)
    assert is_near(STEPS[0], taken(0.02, np.random.default_rng(11))[0])  # a signal all the same


def test_a_unit_that_is_asked_for_its_rate_needs_no_key():
    setup = of_samples(sample_rate=None)
    link = UnitLink.model_validate({"address": "GPIB0::3::INSTR", "commands": {"sample_rate": ":RATE?"}})
    asked = Setup(bench=setup.bench.model_copy(update={"unit": link}), unit=setup.unit, job=setup.job)
    assert sines(asked, Options()).points


@pytest.mark.parametrize(("counter", "decides"), [("0.1 ppm", True), ("40 ppm", False)])
def test_a_rehearsal_knows_what_the_counter_is_good_for(counter, decides):
    lines = [{"function": "frequency", "of_value": counter}]
    known = Counter.model_validate({"address": "GPIB0::12::INSTR", "accuracy": lines})
    setup = Setup(bench=SETUP.bench.model_copy(update={"counter": known}), unit=SETUP.unit, job=SETUP.job)
    reached = reach(budget_for(setup, STEPS[-1]), limits_for(setup, STEPS[-1]), setup.job.rule)
    assert (reached.largest_passing is not None) == decides


@pytest.mark.soak
def test_the_interval_holds_the_clock_as_often_as_it_says():
    """2,000 units: clock within ±100 ppm, counter anywhere within its limits, jitter of 0 to 20 ps."""
    rng, held = np.random.default_rng(8), 0
    for _ in range(2000):
        error, count_error = rng.uniform(-1e-4, 1e-4), rng.uniform(-1e-7, 1e-7)
        stated = state(
            clock_error(SETUP, STEPS[-1], taken(error, rng, jitter_s=rng.uniform(0, 20e-12), count_error=count_error))
        )
        held += abs(stated.estimate - 1e6 * error) <= stated.expanded
    assert 0.94 <= held / 2000 <= 0.975, held / 2000
