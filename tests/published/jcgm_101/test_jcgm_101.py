"""JCGM 101:2008, 9.2 (additive models)."""

from __future__ import annotations

import math

import pytest

from harness.analysis.convolution import ErrorSum, central_half_width
from harness.analysis.estimate import Budget, normal, rectangular, state


def additive(*lines) -> Budget:
    return Budget(quantity="Y", unit="", estimate=0.0, contributions=lines)


FOUR_NORMAL = additive(*(normal(f"X{i}", u=1.0) for i in range(1, 5)))
FOUR_RECTANGULAR = additive(*(rectangular(f"X{i}", half_width=math.sqrt(3.0)) for i in range(1, 5)))
ONE_DOMINANT = additive(
    *(rectangular(f"X{i}", half_width=math.sqrt(3.0)) for i in range(1, 4)),
    rectangular("X4", half_width=10.0 * math.sqrt(3.0)),
)


def test_922_four_normal():
    s = state(FOUR_NORMAL, 0.95)
    assert s.u == pytest.approx(2.0, abs=0.05)
    assert s.expanded == pytest.approx(3.92, abs=0.005)
    assert s.expanded == pytest.approx(3.9199, abs=5e-5)  # recomputed
    assert s.method == "gum"


def test_923_four_rectangular():
    exact = central_half_width(FOUR_RECTANGULAR.error_sum(), 0.95)
    assert exact == pytest.approx(2.0 * math.sqrt(3.0) * (2.0 - 0.6**0.25), abs=1e-8)  # the clause's own expression
    assert exact == pytest.approx(3.88, abs=0.005)
    # The normal statement is ±3.92, 1 % wide: inside the tolerance, so it stands.
    assert state(FOUR_RECTANGULAR, 0.95).method == "gum"


def test_924_one_dominant_rectangle():
    # Printed (from memory): u = 10.1; by the GUM ±19.9, rejected; by Monte Carlo ±17.0.
    s = state(ONE_DOMINANT, 0.95)
    assert s.u == pytest.approx(10.1, abs=0.05)
    assert ONE_DOMINANT.expanded(0.95) == pytest.approx(19.9, abs=0.05)
    assert s.method == "convolution"
    assert s.expanded == pytest.approx(17.0, abs=0.05)


@pytest.mark.parametrize(
    ("kind", "at_95", "at_95_45"),
    [("rectangular", 1.64545, 1.65324), ("arcsine", 1.40985, 1.41060), ("triangular", 1.90177, 1.92700)],
)
def test_coverage_factors_of_single_distributions(kind, at_95, at_95_45):
    # Recomputed from the densities of clause 6.4.
    alone = ErrorSum(bounded=((kind, 1.0),))
    assert central_half_width(alone, 0.95) / alone.u == pytest.approx(at_95, abs=5e-6)
    assert central_half_width(alone, 0.9545) / alone.u == pytest.approx(at_95_45, abs=5e-6)
