"""The exact distribution of a sum, against closed forms and direct convolution."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import integrate, stats

from harness.analysis.convolution import ErrorSum, central_half_width, central_probability


@pytest.mark.parametrize("s", [1e-4, 1e-3, 0.01, 0.1, 1.0, 10.0])
@pytest.mark.parametrize("x", [0.3, 0.95, 1.0, 1.05])
def test_rectangle_with_a_normal_part(s, x):
    # P(|R + N| ≤ x) = ∫ P(|r + N| ≤ x) dr/2, in closed form by z·Φ(z) + φ(z).
    def g(z: float) -> float:
        return z * stats.norm.cdf(z) + stats.norm.pdf(z)

    def antiderivative(c: float) -> float:  # ∫ from −1 to 1 of Φ((c − r)/s) dr
        return s * (g((c + 1.0) / s) - g((c - 1.0) / s))

    expected = (antiderivative(x) - antiderivative(-x)) / 2.0
    errors = ErrorSum(normal_u=s, bounded=(("rectangular", 1.0),))
    assert central_probability(errors, x) == pytest.approx(expected, abs=2e-5 if s < 1e-3 else 1e-9)


def test_two_rectangles_are_a_trapezium():
    # JCGM 101:2008, 6.4.4: half-widths 3 and 1 give a trapezium with feet at ±4 and a top to ±2.
    errors = ErrorSum(bounded=(("rectangular", 3.0), ("rectangular", 1.0)))
    assert central_probability(errors, 2.0) == pytest.approx(2.0 * 2.0 / 6.0, abs=1e-6)
    assert central_probability(errors, 3.0) == pytest.approx(1.0 - 1.0 / 12.0, abs=1e-6)
    assert central_probability(errors, 4.0) == pytest.approx(1.0, abs=1e-6)


def test_two_equal_rectangles_are_a_triangle():
    pair = ErrorSum(bounded=(("rectangular", 1.0), ("rectangular", 1.0)))
    triangle = ErrorSum(bounded=(("triangular", 2.0),))
    for p in (0.5, 0.9, 0.95, 0.99):
        assert central_half_width(pair, p) == pytest.approx(central_half_width(triangle, p), abs=1e-6)


def test_u_shape_with_a_normal_part_by_direct_integration():
    s, x = 0.2, 1.1
    inside = integrate.quad(
        lambda phase: (
            (stats.norm.cdf((x - math.sin(phase)) / s) - stats.norm.cdf((-x - math.sin(phase)) / s)) / math.pi
        ),
        -math.pi / 2,
        math.pi / 2,
    )[0]
    assert central_probability(ErrorSum(normal_u=s, bounded=(("arcsine", 1.0),)), x) == pytest.approx(inside, abs=1e-9)


kinds = st.sampled_from(["rectangular", "triangular", "arcsine"])


@given(
    st.lists(st.tuples(kinds, st.floats(0.01, 10.0)), min_size=1, max_size=5),
    st.floats(0.001, 10.0),
    st.floats(0.3, 0.999),
)
def test_half_width_inverts_probability(bounded, normal_u, p):
    errors = ErrorSum(normal_u=normal_u, bounded=tuple(bounded))
    x = central_half_width(errors, p)
    assert central_probability(errors, x) == pytest.approx(p, abs=1e-8)
    assert 0.0 < x < errors.u * math.sqrt(1.0 / (1.0 - p))  # Chebyshev


def test_against_sampling():
    rng = np.random.default_rng(1)
    m = 400_000
    drawn = (
        rng.uniform(-1, 1, m) + 0.7 * np.sin(rng.uniform(-math.pi, math.pi, m)) + rng.triangular(-0.5, 0, 0.5, m)
        + 0.1 * rng.standard_normal(m)
    )  # fmt: skip
    errors = ErrorSum(normal_u=0.1, bounded=(("rectangular", 1.0), ("arcsine", 0.7), ("triangular", 0.5)))
    assert np.std(drawn) == pytest.approx(errors.u, rel=0.005)
    for x in (0.3, 0.8, 1.2, 1.6):
        assert np.mean(np.abs(drawn) <= x) == pytest.approx(central_probability(errors, x), abs=0.0025)


def test_outside_the_limits_there_is_nothing():
    errors = ErrorSum(bounded=(("rectangular", 1.0), ("arcsine", 0.5)))
    assert central_probability(errors, 2.0) == 1.0
    assert central_probability(errors, 0.0) == 0.0
    assert central_probability(errors, -1.0) == 0.0


def test_a_normal_error_alone_is_inside_k_of_its_own_u():
    """Φ(2) − Φ(−2) = 0.954 499 7 and Φ(1) − Φ(−1) = 0.682 689 5 (textbook), whatever u."""
    for u in (0.3, 1.0, 3.0):
        assert central_probability(ErrorSum(normal_u=u), 2.0 * u) == pytest.approx(0.9544997, abs=5e-8)
        assert central_probability(ErrorSum(normal_u=u), u) == pytest.approx(0.6826895, abs=5e-8)
