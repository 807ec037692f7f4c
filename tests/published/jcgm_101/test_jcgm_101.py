"""JCGM 101:2008, 9.2 (additive models) and 9.4 (comparison loss in microwave power meter calibration)."""

from __future__ import annotations

import math

import pytest
from scipy import stats

from harness.analysis.convolution import ErrorSum, central_half_width
from harness.analysis.estimate import Budget, normal, rectangular, state
from harness.analysis.monte_carlo import monte_carlo


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


def test_923_monte_carlo():
    # Printed for 10⁶ trials: ±3.88. Near the shortest interval its length hardly changes as it is shifted, so the end
    # points scatter far more than the length does.
    s = monte_carlo(FOUR_RECTANGULAR, probability=0.95, trials=400_000)
    assert s.u == pytest.approx(2.0, abs=0.01)
    assert (s.low, s.high) == (pytest.approx(-3.88, abs=0.1), pytest.approx(3.88, abs=0.1))
    assert s.expanded == pytest.approx(3.87941, abs=0.015)


def test_924_one_dominant_rectangle():
    # Printed (from memory): u = 10.1; by the GUM ±19.9, rejected; by Monte Carlo ±17.0.
    s = state(ONE_DOMINANT, 0.95)
    assert s.u == pytest.approx(10.1, abs=0.05)
    assert ONE_DOMINANT.expanded(0.95) == pytest.approx(19.9, abs=0.05)
    assert s.method == "convolution"
    assert s.expanded == pytest.approx(17.0, abs=0.05)
    assert monte_carlo(ONE_DOMINANT, probability=0.95, trials=200_000).expanded == pytest.approx(17.0, abs=0.06)


@pytest.mark.parametrize(
    ("kind", "at_95", "at_95_45"),
    [("rectangular", 1.64545, 1.65324), ("arcsine", 1.40985, 1.41060), ("triangular", 1.90177, 1.92700)],
)
def test_coverage_factors_of_single_distributions(kind, at_95, at_95_45):
    # Recomputed from the densities of clause 6.4.
    alone = ErrorSum(bounded=((kind, 1.0),))
    assert central_half_width(alone, 0.95) / alone.u == pytest.approx(at_95, abs=5e-6)
    assert central_half_width(alone, 0.9545) / alone.u == pytest.approx(at_95_45, abs=5e-6)


def power_comparison(x1: float) -> Budget:
    """δY = X1² + X2² about (x1, 0), u = 0.005 each, uncorrelated; first-order sensitivities 2x1 and 0."""
    return Budget(
        quantity="δY",
        unit="1e-6",
        estimate=1e6 * x1**2,
        contributions=(
            normal("X1", u=0.005, value=x1, sensitivity=2e6 * x1),
            normal("X2", u=0.005, sensitivity=0.0),
        ),
    )


@pytest.mark.parametrize(
    ("x1", "y", "u", "first_order_u"), [(0.0, 50, 50, 0.0), (0.010, 150, 111.80, 100.0), (0.050, 2550, 502.49, 500.0)]
)
def test_94_comparison_loss(x1, y, u, first_order_u):
    b = power_comparison(x1)
    s = monte_carlo(b, lambda x: 1e6 * (x["X1"] ** 2 + x["X2"] ** 2), probability=0.95, trials=400_000)
    assert s.estimate == pytest.approx(y, abs=5.0 * u / math.sqrt(400_000))
    assert s.u == pytest.approx(u, rel=0.01)
    # Rejected: the first-order GUM, which misses the mean by 50 and has no uncertainty at all at x1 = 0.
    assert b.u == pytest.approx(first_order_u, abs=1e-9)
    assert b.estimate == pytest.approx(y - 50.0)


def test_94_shortest_interval_at_the_edge():
    # At x1 = 0 the loss is exponential with mean 50 (scipy.stats): the shortest interval starts at zero.
    s = monte_carlo(
        power_comparison(0.0), lambda x: 1e6 * (x["X1"] ** 2 + x["X2"] ** 2), probability=0.95, trials=400_000
    )
    assert s.low == pytest.approx(0.0, abs=0.5)
    assert s.high == pytest.approx(stats.expon(scale=50.0).ppf(0.95), rel=0.01)
