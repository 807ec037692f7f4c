"""Deflection: rounding and repeats, both definitions of error, gain and linearity, channel match, divider ratio."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.special import ndtr

from harness.analysis.deflection import deflection_error
from harness.analysis.estimate import normal, rectangular, state
from harness.analysis.graticule import (
    ASSUMED_DOF,
    Reader,
    mean_length,
    rounding_floor,
    scatter_before_rounding,
    scatter_of_rounded,
)
from harness.analysis.joint import difference
from harness.analysis.verdict import Limits, decide_statement
from harness.errors import AnalysisError
from sequences.vertical.together import linearity, mean_ratio, probe_ratio

EYE = Reader(resolution_div=0.1, scatter_div=0.04)
ONE_TWO_FIVE = tuple(m * 10.0**e for e in range(-3, 2) for m in (1.0, 2.0, 5.0))


def point(readings_div, *, volts_per_div=1.0, applied_v=6.0, definition="indication", reader=EYE, **more):
    return deflection_error(
        readings_div,
        volts_per_div=volts_per_div,
        applied_v=applied_v,
        applied=[replace(rectangular("source", half_width=0.0025 * abs(applied_v), unit="V"), origin="source")],
        reader=reader,
        definition=definition,
        **more,
    )


# Rounding -------------------------------------------------------------------------------------------------------------


def mean_of_rounded(x: float, scatter: float) -> float:
    """Expectation of a noisy reading rounded to whole steps, by summing the probabilities of every step."""
    k = np.arange(-12, 13)
    return float(np.sum(k * (ndtr((k + 0.5 - x) / scatter) - ndtr((k - 0.5 - x) / scatter))))


@pytest.mark.parametrize("scatter", [0.05, 0.1, 0.2, 0.3, 0.4, 0.6])
def test_floor_is_the_rms_bias_over_all_places(scatter):
    square, _ = quad(lambda x: (mean_of_rounded(x, scatter) - x) ** 2, -0.5, 0.5, epsabs=1e-13, limit=200)
    assert rounding_floor(scatter, 1.0) == pytest.approx(math.sqrt(square), rel=1e-5, abs=1e-9)


def test_floor_without_scatter_is_the_whole_rounding():
    assert rounding_floor(0.0, 0.1) == pytest.approx(0.1 / math.sqrt(12.0), rel=1e-12)
    # Rejected: the first harmonic alone, q/(√2·π), which is 22 % too small here.
    assert rounding_floor(0.0, 0.1) > 1.2 * 0.1 / (math.sqrt(2.0) * math.pi)


@pytest.mark.parametrize("ratio", [0.25, 0.4, 0.5])
def test_floor_with_scatter_is_its_first_harmonic(ratio):
    first = 1.0 / (math.sqrt(2.0) * math.pi) * math.exp(-2.0 * math.pi**2 * ratio**2)
    assert rounding_floor(ratio, 1.0) == pytest.approx(first, rel=2e-4)


def test_series_and_its_expansion_join():
    edge = math.sqrt(1e-3) / (2.0 * math.pi)
    assert rounding_floor(edge * (1 - 1e-9), 1.0) == pytest.approx(rounding_floor(edge * (1 + 1e-9), 1.0), rel=1e-8)


@given(scatter=st.floats(0.0, 2.0))
def test_scatter_before_rounding_inverts_scatter_of_rounded(scatter):
    seen = scatter_of_rounded(scatter, 1.0)
    assert scatter_of_rounded(scatter_before_rounding(seen, 1.0), 1.0) == pytest.approx(seen, abs=1e-9)


def test_scatter_of_rounded_against_drawn_readings():
    rng = np.random.default_rng(5)
    places = rng.uniform(0.0, 1.0, size=(4000, 1))
    readings = np.round(places + rng.normal(0.0, 0.3, size=(4000, 50)))
    assert scatter_of_rounded(0.3, 1.0) == pytest.approx(math.sqrt(readings.var(axis=1, ddof=1).mean()), rel=5e-3)


# Repeats --------------------------------------------------------------------------------------------------------------


def u_of(length):
    return math.hypot(*(line.contribution for line in length.contributions))


def test_one_reading_is_rounding_and_scatter():
    assert u_of(mean_length([5.0], EYE, edges="one")) == pytest.approx(math.hypot(0.1 / math.sqrt(12.0), 0.04))


def test_the_same_reading_again_and_again_keeps_its_rounding():
    unknown = Reader(resolution_div=0.1)
    same = mean_length([5.0] * 10, unknown, edges="one")
    assert u_of(same) == pytest.approx(0.1 / math.sqrt(12.0), rel=1e-9)
    scattered = mean_length([4.9, 5.0, 5.1, 5.0, 4.9, 5.1, 5.0, 5.1, 4.9, 5.0], unknown, edges="one")
    assert u_of(scattered) < u_of(same)


def test_variance_of_the_mean_of_planned_readings():
    # (σ² + q²/12 − floor²)/n + floor²: equal at n = 1 to one reading's own.
    for n in (1, 2, 5, 20):
        floor = rounding_floor(0.04, 0.1)
        expected = math.sqrt((0.04**2 + 0.1**2 / 12.0 - floor**2) / n + floor**2)
        assert u_of(mean_length([5.0], EYE, edges="one", repeats=n)) == pytest.approx(expected, rel=1e-6)


def test_repeats_and_experience_are_pooled():
    line = mean_length([5.0, 5.2, 5.1], EYE, edges="one").contributions[-1]
    assumed, seen = scatter_of_rounded(0.04, 0.1), 0.1
    assert line.dof == ASSUMED_DOF + 2
    assert line.u == pytest.approx(math.sqrt((ASSUMED_DOF * assumed**2 + 2 * seen**2) / (ASSUMED_DOF + 2) / 3))


def test_a_zero_line_set_once_does_not_average():
    floor = u_of(mean_length([5.0], EYE, edges="set and read", repeats=10**6))
    assert floor == pytest.approx(0.1 / math.sqrt(12.0), rel=1e-3)
    assert u_of(mean_length([5.0], EYE, edges="both read", repeats=10**6)) < 0.1 * floor


def test_a_record_that_scatters_more_than_assumed_counts():
    noisy = mean_length([5.0], Reader(resolution_div=0.0, scatter_div=0.01), edges="one", record_u_div=0.05)
    assert u_of(noisy) == pytest.approx(0.05)


@pytest.mark.parametrize(
    ("readings", "reader", "says"),
    [
        ([], EYE, "at least one reading"),
        ([5.0], Reader(resolution_div=0.1), "shows no scatter"),
        ([math.nan], EYE, "finite"),
    ],
)
def test_readings_that_tell_nothing(readings, reader, says):
    with pytest.raises(AnalysisError, match=says):
        mean_length(readings, reader)


def test_coverage_of_readings_by_eye():
    rng = np.random.default_rng(20)
    hits = {1: 0, 4: 0}
    trials = 1200
    for n in hits:
        for _ in range(trials):
            error = rng.uniform(-0.03, 0.03)
            nominal = rng.uniform(3.0, 6.0)
            place = nominal * (1.0 + error) / (1.0 + rng.uniform(-0.0025, 0.0025)) + rng.uniform(-0.05, 0.05)
            readings = np.round((place + rng.normal(0.0, 0.04, n)) / 0.1) * 0.1
            budget = point(list(map(float, readings)), applied_v=nominal)
            statement = state(budget)
            hits[n] += statement.low <= 100.0 * error <= statement.high
    # 95.45 % are promised; the binomial spread of 1200 trials is 0.6 %.
    assert all(0.94 <= hit / trials <= 0.985 for hit in hits.values()), hits


# The error of a point -------------------------------------------------------------------------------------------------


def test_both_definitions_of_error():
    # Source 6.000 V at 1 V/div, 6.18 and 5.82 div (recomputed; the sign turns with the definition).
    for shown, indication, factor in ((6.18, 3.0, -2.9126), (5.82, -3.0, 3.0928)):
        assert point([shown]).estimate == pytest.approx(indication, abs=5e-5)
        assert point([shown], definition="deflection factor").estimate == pytest.approx(factor, abs=5e-5)


@pytest.mark.parametrize("definition", ["indication", "deflection factor"])
def test_sensitivities_are_the_slopes(definition):
    budget = point([6.2], definition=definition)
    by_name = {line.name: line for line in budget.contributions}
    step = 1e-6
    slope_div = (point([6.2 + step], definition=definition).estimate - budget.estimate) / step
    assert by_name["reading of the trace"].sensitivity == pytest.approx(slope_div, rel=1e-5)
    slope_v = (point([6.2], definition=definition, applied_v=6.0 + step).estimate - budget.estimate) / step
    assert by_name["source"].sensitivity == pytest.approx(slope_v, rel=1e-5)


@pytest.mark.parametrize("definition", ["indication", "deflection factor"])
@given(reading=st.floats(2.0, 7.0))
def test_mirror_symmetry(definition, reading):
    up = point([reading], definition=definition)
    down = point([-reading], applied_v=-6.0, definition=definition)
    assert down.estimate == up.estimate
    assert down.u == pytest.approx(up.u, rel=1e-12)


@pytest.mark.parametrize("volts_per_div", ONE_TWO_FIVE)
def test_a_range_is_like_any_other(volts_per_div):
    here = point([5.9, 6.0], volts_per_div=volts_per_div, applied_v=6.0 * volts_per_div)
    there = point([5.9, 6.0])
    assert here.estimate == pytest.approx(there.estimate, rel=1e-9)
    assert here.u == pytest.approx(there.u, rel=1e-12)


@pytest.mark.parametrize("volts_per_div", ONE_TWO_FIVE)
def test_exactly_on_the_lower_limit_is_the_same_word_on_every_range(volts_per_div):
    # 6 · 0.1 · 0.97 is 0.5820000000000001 in binary: a naive comparison gives different words on different ranges.
    budget = point([5.82], volts_per_div=volts_per_div, applied_v=6.0 * volts_per_div)
    assert decide_statement(state(budget), Limits.symmetric(3.0), "simple").word == "pass"


def test_ground_line_is_subtracted_with_its_uncertainty():
    remote = Reader(resolution_div=0.0, scatter_div=0.01, scatter_dof=math.inf)
    budget = point([6.1], zero="read", ground_div=[0.1], reader=remote)
    assert budget.estimate == pytest.approx(0.0, abs=1e-12)
    in_div = [line for line in budget.contributions if line.unit == "div"]
    assert math.hypot(*(line.contribution for line in in_div)) == pytest.approx(math.sqrt(2.0) * 0.01 * 100.0 / 6.0)
    with pytest.raises(AnalysisError, match="ground line was not read"):
        point([6.1], zero="read", reader=remote)


@pytest.mark.parametrize("reading", [-6.0, 0.0])
def test_wrong_polarity_has_its_sentence(reading):
    with pytest.raises(AnalysisError, match="check polarity, coupling and ground line"):
        point([reading])


# Linearity ------------------------------------------------------------------------------------------------------------

LEVELS = (1.0, 2.0, 3.0, 4.0, 5.0, 6.0)


def test_a_straight_line_departs_nowhere_whatever_its_gain_and_ground_line():
    line = linearity(LEVELS, [0.1 + 1.02 * v for v in LEVELS], volts_per_div=1.0, u_reading_div=0.03)
    assert line.div == pytest.approx(0.0, abs=1e-12)
    assert line.fits


def test_the_level_that_departs_is_named():
    shown = [float(v) for v in LEVELS]
    shown[3] += 0.3
    line = linearity(LEVELS, shown, volts_per_div=1.0, u_reading_div=0.03)
    assert line.at_v == 4.0
    assert not line.fits
    # Its own weight in the line takes 1 − h of it: h = 1/6 + 0.25/17.5.
    assert line.div == pytest.approx(0.3 * (1.0 - 1.0 / 6.0 - 0.25 / 17.5))


def test_departure_uncertainty_is_that_of_drawn_residuals():
    rng = np.random.default_rng(3)
    drawn = []
    for _ in range(3000):
        shown = np.array(LEVELS) + rng.normal(0.0, 0.03, 6)
        slope, offset = np.polyfit(LEVELS, shown, 1)
        drawn.append(shown[0] - offset - slope * 1.0)
    shown = [1.5, *LEVELS[1:]]
    line = linearity(LEVELS, shown, volts_per_div=1.0, u_reading_div=0.03)
    assert line.at_v == 1.0
    assert line.u_div == pytest.approx(float(np.std(drawn)), rel=0.04)


def test_too_few_levels():
    with pytest.raises(AnalysisError, match="at least three levels"):
        linearity([1.0, 2.0], [1.0, 2.0], volts_per_div=1.0, u_reading_div=0.1)
    with pytest.raises(AnalysisError, match="as many levels as readings"):
        linearity([1.0, 2.0, 3.0], [1.0, 2.0], volts_per_div=1.0, u_reading_div=0.1)


# Channels and probes --------------------------------------------------------------------------------------------------


def test_the_source_drops_out_of_a_difference():
    match = difference(point([6.1], quantity="channel 1"), point([6.1], quantity="channel 2"), shared=["source"])
    assert match.estimate == 0.0
    source = next(line for line in match.contributions if line.name == "source")
    assert source.contribution == pytest.approx(0.0, abs=1e-12)
    apart = difference(point([6.1], quantity="channel 1"), point([6.1], quantity="channel 2"))
    assert apart.u > match.u


def test_a_shared_error_drops_out_by_what_it_contributes_at_either_level():
    """Limits of 0.25 % of what is applied are the same percent of 5 V and of 6 V: nothing of them stays."""
    high, low = point([6.0]), point([5.0], applied_v=5.0)
    (left,) = (line for line in difference(high, low, shared=["source"]).contributions if line.name == "source")
    assert high.contributions[0].contribution == pytest.approx(-0.25 / math.sqrt(3.0), rel=1e-6)
    assert left.contribution == pytest.approx(0.0, abs=1e-12)


def test_divider_ratio_from_a_pair():
    reader = Reader(resolution_div=0.0, scatter_div=0.01, scatter_dof=math.inf)
    straight, divided = (mean_length([d], reader, edges="one") for d in (6.0, 5.88))
    # The unit shows 2 % less behind the probe: the probe divides by 10/0.98.
    same = probe_ratio(
        straight,
        divided,
        straight_v=6.0,
        divided_v=60.0,
    )
    assert same.estimate == pytest.approx(10.0 / 0.98)
    assert same.u / same.estimate == pytest.approx(math.hypot(0.01 / 6.0, 0.01 / 5.88))
    again = mean_ratio([same] * 4)
    assert again.estimate == pytest.approx(same.estimate)
    assert again.u == pytest.approx(same.u / 2.0)


def test_the_ratio_of_two_levels_adds_its_lines():
    lengths = [mean_length([6.0], EYE, edges="one")] * 2
    budget = probe_ratio(*lengths, straight_v=6.0, divided_v=60.0, level_ratio=[normal("levels", u=0.001)])
    assert {line.name: line.contribution for line in budget.contributions}["levels"] == pytest.approx(0.01)


def test_a_ratio_of_negative_levels_is_one_and_of_mixed_ones_is_none():
    plus, minus = (mean_length([sign * 6.0], EYE, edges="one") for sign in (1.0, -1.0))
    assert probe_ratio(minus, minus, straight_v=-6.0, divided_v=-60.0).estimate == pytest.approx(10.0)
    for straight, straight_v, divided_v in (
        (minus, 6.0, 60.0),
        (plus, -6.0, 60.0),
        (plus, 0.0, 60.0),
        (plus, 6.0, -60.0),
    ):
        with pytest.raises(AnalysisError, match="same polarity"):
            probe_ratio(straight, plus, straight_v=straight_v, divided_v=divided_v)


def test_pairs_are_counted_from_one():
    length = mean_length([6.0], EYE, edges="one")
    mean = mean_ratio([probe_ratio(length, length, straight_v=6.0, divided_v=60.0)] * 2)
    assert {line.name.split(":")[0] for line in mean.contributions} == {"pair 1", "pair 2"}


def test_a_resolution_is_no_less_than_nothing():
    assert Reader(resolution_div=0.0).resolution_div == 0.0
    for wrong in (-0.01, math.nan, math.inf):
        with pytest.raises(AnalysisError, match="resolution"):
            Reader(resolution_div=wrong)
        with pytest.raises(AnalysisError, match="scatter"):
            Reader(resolution_div=0.1, scatter_div=wrong)
    with pytest.raises(AnalysisError, match="at least one reading"):
        mean_length([], EYE, repeats=3)


def test_a_line_of_scatter_says_of_how_many_readings_it_is():
    names = [mean_length([5.0] * n, EYE, edges="one").contributions[-1].name for n in (1, 3)]
    assert names == ["scatter of one reading", "scatter of the mean of 3 readings"]
