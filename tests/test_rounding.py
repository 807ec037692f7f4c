"""Value ± uncertainty in print."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.analysis.rounding import format_pair, format_value_u, round_uncertainty


@pytest.mark.parametrize(
    ("value", "u", "unit", "text"),
    [
        (100.02147, 0.00079, "g", "(100.02147 ± 0.00079) g"),  # GUM 7.2.2, its own example (from memory)
        (1.666667, 1.464647, "%", "(1.7 ± 1.5) %"),
        (10.04, 0.05, "V", "(10.040 ± 0.050) V"),
        (0.1, 0.05056, "V", "(0.100 ± 0.051) V"),
        (123456.0, 789.0, "Hz", "(123460 ± 790) Hz"),
        (102.34e6, 1.27e6, "Hz", "(102300000 ± 1300000) Hz"),
        (5.0, 0.0996, "V", "(5.00 ± 0.10) V"),
        (-0.0004, 0.012, "", "(0.000 ± 0.012)"),
        (3.0, 0.0, "V", "(3 ± 0) V"),
    ],
)
def test_pairs(value, u, unit, text):
    assert format_value_u(value, u, unit) == text


@pytest.mark.parametrize(
    ("u", "two", "one"),
    [
        (0.02846, "0.028", "0.03"),
        (0.01049, "0.010", "0.01"),  # 4.7 % down: still to nearest
        (0.0105, "0.010", "0.01"),  # a tie goes to the even digit, 4.8 % down
        (0.0115, "0.012", "0.02"),  # one digit would take off 13 %: up
        (0.0124, "0.012", "0.02"),
        (0.9949, "0.99", "1"),
        (0.996, "1.0", "1"),
        (27.9, "28", "3E+1"),
    ],
)
def test_uncertainty_by_the_five_percent_rule(u, two, one):
    # EA-4/02 M:2022, section 6: rounded up where rounding would take off more than 5 % (wording from memory).
    assert str(round_uncertainty(u)) == two
    assert str(round_uncertainty(u, digits=1)) == one


@pytest.mark.parametrize("u", [0.0, -1.0, math.nan, math.inf])
def test_what_cannot_be_rounded(u):
    with pytest.raises(ValueError, match="positive and finite"):
        round_uncertainty(u)


def test_sign_is_shown_on_request():
    assert format_pair(1.6667, 1.4646, signed=True) == ("+1.7", "1.5")
    assert format_pair(-1.6667, 1.4646) == ("-1.7", "1.5")
    assert format_pair(0.2, math.inf, signed=True) == ("+0.2", "inf")


@given(st.floats(1e-12, 1e12), st.sampled_from([1, 2, 3]))
def test_never_understated_by_more_than_five_percent(u, digits):
    rounded = float(round_uncertainty(u, digits=digits))
    assert rounded >= 0.95 * u * (1 - 1e-12)
    assert rounded <= 2.0 * u
    assert len(str(round_uncertainty(u, digits=digits).as_tuple().digits).split(",")) <= digits + 1


@given(st.floats(-1e9, 1e9), st.floats(1e-6, 1e6))
def test_value_keeps_the_decimals_of_the_uncertainty(value, u):
    shown, shown_u = format_pair(value, u)
    assert len(shown.partition(".")[2]) == len(shown_u.partition(".")[2])
    assert abs(float(shown) - value) <= 0.051 * u * (1 + 1e-9) * 10
