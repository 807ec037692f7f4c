"""Monte Carlo: determinism, correlation, agreement with the table it came from."""

from __future__ import annotations

import math

import numpy as np
import pytest

from harness.analysis.estimate import Budget, arcsine, normal, rectangular, state, triangular
from harness.analysis.monte_carlo import monte_carlo, sample, shortest_interval
from harness.errors import AnalysisError


def budget(*lines, **more) -> Budget:
    return Budget(quantity="y", unit="V", estimate=2.0, contributions=lines, **more)


MIXED = budget(
    rectangular("r", half_width=1.0, sensitivity=-2.0, value=5.0),
    triangular("t", half_width=1.0),
    arcsine("u", half_width=0.5),
    normal("n", u=0.3),
)


def test_same_seed_same_statement():
    assert monte_carlo(MIXED, trials=20_000) == monte_carlo(MIXED, trials=20_000)
    assert monte_carlo(MIXED, trials=20_000) != monte_carlo(MIXED, trials=20_000, seed=1)


def test_agrees_with_the_exact_distribution():
    drawn, exact = monte_carlo(MIXED, probability=0.95, trials=300_000), state(MIXED, 0.95)
    assert drawn.estimate == pytest.approx(2.0, abs=0.01)
    assert drawn.u == pytest.approx(exact.u, rel=0.005)
    assert MIXED.probability_between(drawn.low, drawn.high) == pytest.approx(0.95, abs=0.003)
    assert drawn.method == "monte_carlo"


def test_a_model_of_names_is_the_linear_one_where_it_is_linear():
    by_model = monte_carlo(MIXED, lambda x: 2.0 - 2.0 * (x["r"] - 5.0) + x["t"] + x["u"] + x["n"], trials=20_000)
    assert by_model.expanded == pytest.approx(monte_carlo(MIXED, trials=20_000).expanded, rel=1e-12)


def test_correlated_lines():
    b = budget(
        normal("a", u=1.0), normal("b", u=2.0), normal("c", u=1.0), correlations=(("a", "b", 0.8), ("b", "c", -0.3))
    )
    drawn = sample(b, trials=200_000)
    assert np.corrcoef(drawn["a"], drawn["b"])[0, 1] == pytest.approx(0.8, abs=0.01)
    assert np.corrcoef(drawn["a"], drawn["c"])[0, 1] == pytest.approx(0.0, abs=0.01)
    assert monte_carlo(b, trials=200_000).u == pytest.approx(b.u, rel=0.01)


def test_few_degrees_of_freedom_give_long_tails():
    # JCGM 101, 6.4.9: Student's distribution of ν = 4, whose standard deviation is √2 times its scale.
    drawn = monte_carlo(budget(normal("n", u=1.0, dof=4)), probability=0.95, trials=300_000)
    assert drawn.u == pytest.approx(math.sqrt(2.0), rel=0.03)
    assert drawn.expanded == pytest.approx(2.776, rel=0.02)


def test_shortest_interval_of_a_skewed_sample():
    samples = np.random.default_rng(5).exponential(1.0, 200_000)
    interval = shortest_interval(samples, 0.95)
    assert interval.low == pytest.approx(0.0, abs=0.01)
    assert interval.high == pytest.approx(-math.log(0.05), rel=0.02)


@pytest.mark.parametrize(
    ("run", "match"),
    [
        (lambda: shortest_interval(np.arange(10.0), 0.99), "too few"),
        (lambda: monte_carlo(MIXED, lambda x: x["r"] * math.nan, trials=100), "finite value"),
        (lambda: monte_carlo(MIXED, lambda x: np.ones(3), trials=100), "each trial"),
        (
            lambda: monte_carlo(
                budget(rectangular("a", half_width=1.0), normal("b", u=1.0), correlations=(("a", "b", 0.5),)),
                trials=100,
            ),
            "only normal",
        ),
        (
            lambda: monte_carlo(
                budget(
                    *(normal(n, u=1.0) for n in "abc"),
                    correlations=(("a", "b", 0.9), ("b", "c", 0.9), ("a", "c", -0.9)),
                ),
                trials=100,
            ),
            "contradict",
        ),
    ],
)
def test_what_cannot_be_propagated(run, match):
    with pytest.raises(AnalysisError, match=match):
        run()
