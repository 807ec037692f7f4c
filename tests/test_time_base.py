"""Time factors: sign by either definition, source period, magnifier, edges."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.analysis.estimate import rectangular
from harness.analysis.graticule import Reader
from harness.errors import AnalysisError
from sequences.time_base.span import time_base_error

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
