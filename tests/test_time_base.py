"""Time factors: sign by either definition, source period, magnifier, edges."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.analysis.estimate import rectangular
from harness.analysis.graticule import Reader
from harness.errors import AnalysisError
from harness.measurement import Screenful
from harness.steps import Measure, Reading, Sine, Square, TimeMarks, View
from sequences.time_base import steps as time_base
from sequences.time_base.span import SPAN, time_base_budget, time_base_error
from tests.helpers.setups import a_setup

EYE = Reader(resolution_div=0.1, scatter_div=0.0)


def span(reading_div, *, definition="indication", expected_div=8.0, period=(), **more):
    return time_base_error(
        [reading_div], expected_div=expected_div, period=period, reader=EYE, definition=definition, **more
    )


def test_a_long_span_is_a_positive_indication_and_a_negative_factor_error():
    assert span(8.16).estimate == pytest.approx(2.0)
    assert span(8.16, definition="deflection factor").estimate == pytest.approx(100.0 * (8.0 / 8.16 - 1.0))


def test_two_edges_over_eight_divisions():
    assert span(8.0).u == pytest.approx(100.0 * 0.1 / math.sqrt(6.0) / 8.0)
    assert span(8.0, both_read=True).u == pytest.approx(span(8.0).u)


def test_period_of_the_marks_counts_in_percent_whatever_the_span():
    for expected_div in (4.0, 8.0, 10.0):
        budget = span(expected_div, expected_div=expected_div, period=[rectangular("period", half_width=1e-3)])
        line = next(c for c in budget.contributions if c.name == "period")
        assert abs(line.contribution) == pytest.approx(0.1 / math.sqrt(3.0))


@given(scale=st.floats(0.2, 5.0), error=st.floats(-0.1, 0.1))
def test_scale_of_the_span_leaves_the_error(scale, error):
    budget = span(8.0 * scale * (1.0 + error), expected_div=8.0 * scale)
    assert budget.estimate == pytest.approx(100.0 * error, abs=1e-9)


@pytest.mark.parametrize(("reading", "expected", "says"), [(-1.0, 8.0, "does not go"), (8.0, 0.0, "expected span")])
def test_spans_that_cannot_be(reading, expected, says):
    with pytest.raises(AnalysisError, match=says):
        span(reading, expected_div=expected)


# Spans from a record: ten divisions of 100 samples, 1 µs apart, 100 µs/div -------------------------------------------


N, INTERVAL_S, S_PER_DIV = 1000, 1e-6, 1e-4


def shown(at_samples, *, width=3, expected=8.0, period_div=1.0):
    """What a span is read as, from marks of 1 V that rise at these samples."""
    place, volts = np.arange(N), np.zeros(N)
    for start in at_samples:
        # Half way up at `start`, to a fraction of a sample: it rises within four.
        volts = np.maximum(volts, np.clip((place - start) / 4.0 + 0.5, 0.0, 1.0) * (place < start + width))
    return read(volts, expected=expected, period_div=period_div)


def read(volts, *, expected=8.0, period_div=1.0):
    screen = Screenful(interval_s=INTERVAL_S, low_v=-4.0, high_v=4.0, volts_per_div=1.0, s_per_div=S_PER_DIV)
    step = Measure(
        purpose="test", path="lead", source="calibrator", display="unit", quantity=SPAN.name, expected=expected,
        stimulus=TimeMarks(period_s=period_div * S_PER_DIV, level_vpp=1.0),
        view=View(channel=1, volts_per_div=1.0, s_per_div=S_PER_DIV),
    )  # fmt: skip
    return SPAN.from_record(step, volts, screen, None)


@pytest.mark.parametrize("width", [4, 40])
@pytest.mark.parametrize("scale", [0.99, 1.0, 1.013])
def test_marks_of_a_time_base_that_is_off_are_that_far_apart(scale, width):
    reading = shown([30.25 + 100.0 * scale * n for n in range(10)], width=width)
    assert reading.value == pytest.approx(8.0 * scale, rel=1e-6)
    assert reading.more == {"period_s": pytest.approx(S_PER_DIV * scale, rel=1e-6), "periods": 8.0}
    assert reading.scatter == pytest.approx(0.0, abs=1e-6)


def test_a_span_is_that_of_the_marks_about_the_centre():
    """Four periods about sample 500 are 100 each; the others 110, to either side."""
    about = [300.0 + 100.0 * n for n in range(5)]
    reading = shown([80.0, 190.0, *about, 810.0, 920.0], expected=4.0)
    assert reading.value == pytest.approx(4.0, rel=1e-6)


def test_marks_that_lie_unevenly_are_a_line_and_its_scatter():
    """The slope of a straight line through nine marks, and its standard uncertainty (textbook), over eight periods."""
    off = np.array([0.4, -0.3, 0.1, 0.5, -0.6, 0.2, -0.1, 0.3, -0.5])
    number = np.arange(9) - 4.0
    marks = 80.0 + 100.0 * np.arange(9) + off
    slope, *_ = np.polyfit(number, marks, 1)
    rest = marks - marks.mean() - slope * number
    u_slope = math.sqrt(float(rest @ rest) / 7.0 / float(number @ number))
    reading = shown(marks)
    assert reading.value == pytest.approx(8.0 * slope / 100.0, rel=1e-6)
    assert reading.scatter == pytest.approx(8.0 * u_slope / 100.0, rel=1e-6)


def test_two_marks_are_known_to_where_a_sample_lies():
    """Each within half a sample, rectangular: √2 · 1 µs/√12."""
    reading = shown([100.0, 900.0], period_div=8.0)
    assert reading.value == pytest.approx(8.0, rel=1e-6)
    assert reading.scatter == pytest.approx(math.sqrt(2.0) * INTERVAL_S / math.sqrt(12.0) / S_PER_DIV, rel=1e-9)


@pytest.mark.parametrize("marks", [2, 3])
def test_a_few_marks_whose_edges_are_slow_are_known_as_well_as_their_noise_lets(marks):
    """Edges of 60 samples with noise of 0.7 % of their height, as a fast sweep shows them: 95 % within 2 u."""
    rng, place, held, apart = np.random.default_rng(8), np.arange(N), [], 800.0 / (marks - 1)
    for _ in range(400):
        first = rng.uniform(100.0, 101.0)
        at = (first + apart * n for n in range(marks))
        volts = sum(np.clip((place - each) / 60.0 + 0.5, 0.0, 1.0) * (place < each + 200) for each in at)
        reading = read(volts + 0.007 * rng.standard_normal(N), period_div=8.0 / (marks - 1))
        held.append(abs(reading.value - 8.0) <= 2 * reading.scatter)
    assert 0.93 <= np.mean(held) <= 0.985, np.mean(held)


def test_a_mark_that_rings_is_one_mark():
    """A dip to 0.4 of the height is no new rise; one to nothing is."""
    place = np.arange(N)
    volts = sum(np.where((place >= 50 + 100 * n) & (place < 90 + 100 * n), 1.0, 0.0) for n in range(10))
    for dip, periods in ((0.4, 8.0), (0.0, 4.0)):
        rung = volts.copy()
        for n in range(10):
            rung[68 + 100 * n : 72 + 100 * n] = dip
        assert read(rung).value == pytest.approx(periods, abs=0.3)


def test_too_few_marks_say_how_many_there_are():
    with pytest.raises(AnalysisError, match="holds 8 time marks, but 9 were expected"):
        shown([100.0 + 100.0 * n for n in range(8)])


# What is asked --------------------------------------------------------------------------------------------------------


def planned(setup, **options):
    return [p.step for p in time_base.plan(setup, time_base.Options.model_validate(options)).points]


@pytest.mark.parametrize(("signal", "wave"), [("sine", Sine), ("square", Square)])
def test_a_generators_wave_has_the_period_that_marks_would_have(signal, wave):
    (step,) = planned(a_setup(), source="generator", signal=signal, ranges=["10 us"])
    assert isinstance(step.stimulus, wave)
    assert step.stimulus.frequency_hz == pytest.approx(1e5)
    assert (step.expected, step.expected_low, step.expected_high) == (8.0, pytest.approx(6.8), pytest.approx(9.2))


@pytest.mark.parametrize(
    ("periods_s", "chosen_s"),
    [
        ((4e-4, 1.6e-3), 4e-4),  # both make eight divisions; no division is without a mark
        ((2e-4, 3e-3), 2e-4),  # 40 marks are as many as can be told apart
        ((1e-4, 3e-3), 3e-3),  # 80 are not: two periods, six divisions
        ((1e-4, 9e-3), None),
    ],
)
def test_a_list_of_periods_gives_the_longest_span_of_marks_that_can_be_told_apart(periods_s, chosen_s):
    setup = a_setup()
    source = setup.bench.calibrator.model_copy(update={"periods": periods_s})
    steps = planned(replace(setup, bench=setup.bench.model_copy(update={"calibrator": source})), ranges=["1 ms"])
    assert [step.stimulus.period_s for step in steps] == ([] if chosen_s is None else [chosen_s])


def test_verdicts_rest_on_the_calibrators_period_where_it_marks():
    marks, wave = (time_base.Options.model_validate({"source": source}) for source in ("calibrator", "generator"))
    assert (time_base.gives(marks), time_base.gives(wave)) == (("time_marks",), ())
    assert time_base.accuracies(marks) == (("calibrator", "period"),)
    assert ("calibrator", "period") not in time_base.accuracies(wave)


def test_by_eye_one_mark_is_set_and_over_an_interface_both_are_read():
    (step,) = planned(a_setup(), ranges=["1 ms"])
    reading = Reading(value=8.0)
    names = [
        {line.name for line in time_base_budget(a_setup(read=read), step, [reading]).contributions}
        for read in ("eye", "remote")
    ]
    assert [any("set" in name for name in each) for each in names] == [True, False]
