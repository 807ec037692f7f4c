"""Reading a graticule by eye: what half a subdivision leaves of ±3 %.

Facts of the trade (common practice): graticule of 8 × 10 div with subdivisions of 0.2 div, limits of ±3 %. The figures
are recomputed from the GUM's triangular distribution of a difference of two roundings (JCGM 100:2008, 4.3.9), digits as
printed; half a unit of the last digit is the tolerance.
"""

from __future__ import annotations

import math

import pytest

from harness.analysis.deflection import deflection_error
from harness.analysis.estimate import expanded, rectangular, state, triangular
from harness.analysis.graticule import Reader
from harness.analysis.planning import reach
from harness.analysis.verdict import Limits, test_uncertainty_ratio
from sequences.time_base.span import time_base_error

LIMITS = Limits.symmetric(3.0)


def two_edges(resolution_div: float, deflection_div: float):
    return deflection_error(
        [deflection_div],
        volts_per_div=1.0,
        applied_v=deflection_div,
        applied=(),
        reader=Reader(resolution_div=resolution_div, scatter_div=0.0),
        definition="indication",
    )


@pytest.mark.parametrize(
    ("resolution_div", "deflection_div", "U", "tur"),
    [
        (0.1, 4.0, 2.041, 1.47),
        (0.1, 6.0, 1.361, 2.20),
        (0.1, 8.0, 1.021, 2.94),
        (0.05, 6.0, 0.680, 4.41),
        (0.2, 6.0, 2.722, 1.10),
    ],
)
def test_two_edges_against_three_percent(resolution_div, deflection_div, U, tur):
    budget = two_edges(resolution_div, deflection_div)
    assert budget.u == pytest.approx(100.0 * resolution_div / math.sqrt(6.0) / deflection_div, rel=1e-12)
    assert budget.expanded() == pytest.approx(U, abs=5e-4)
    assert test_uncertainty_ratio(LIMITS, budget.expanded()) == pytest.approx(tur, abs=5e-3)
    # Rejected: one edge alone, smaller by √2.
    assert budget.expanded() / math.sqrt(2.0) < U - 5e-4


def test_half_a_subdivision_never_reaches_four_to_one_at_six_divisions():
    assert test_uncertainty_ratio(LIMITS, two_edges(0.1, 6.0).expanded()) < 4.0


@pytest.mark.parametrize(("deflection_div", "three_percent_div"), [(4, 0.12), (5, 0.15), (6, 0.18), (8, 0.24)])
def test_three_percent_in_divisions(deflection_div, three_percent_div):
    budget = two_edges(0.1, float(deflection_div))
    per_div = next(line.sensitivity for line in budget.contributions if line.unit == "div")
    assert 3.0 / per_div == pytest.approx(three_percent_div, abs=1e-12)


# A point of this tool's own kind (recomputed): 6 div at 1 V/div from 6.000 V ------------------------------------------


def own_kind(readings_div):
    return deflection_error(
        readings_div,
        volts_per_div=1.0,
        applied_v=6.0,
        applied=[
            rectangular("limits", half_width=0.0025 * 6.0, unit="V"),
            expanded("certificate", expanded=0.001 * 6.0, unit="V"),
        ],
        # The rounding counts in full: a reader who remembers the answer makes the same rounding again.
        reader=Reader(resolution_div=0.1, rounding_averages=False),
        definition="indication",
    )


FIVE = (6.03, 6.03, 5.97, 5.97, 6.0)  # mean 6, standard deviation 0.03 exactly


def test_six_divisions_from_six_volts():
    budget = own_kind(FIVE)
    assert budget.u * 60.0 == pytest.approx(43.939, abs=5e-4)  # mV: 1 % of 6 V is 60 mV
    assert budget.expanded() == pytest.approx(1.4646, abs=5e-5)
    assert budget.dof_eff == pytest.approx(460.2, abs=0.05)
    assert state(budget).k == pytest.approx(2.0, abs=5e-5)
    assert test_uncertainty_ratio(LIMITS, reach(budget, LIMITS, "guarded").expanded) == pytest.approx(2.048, abs=5e-4)


def test_two_rectangular_edges_are_the_triangular_difference():
    edges = [line for line in own_kind(FIVE).contributions if line.distribution == "rectangular" and line.unit == "div"]
    assert math.hypot(*(line.u for line in edges)) == pytest.approx(
        triangular("two edges", half_width=0.1).u, rel=1e-12
    )


def test_a_tenth_too_much_conforms_with_966_in_1000():
    budget = own_kind([x + 0.1 for x in FIVE])
    assert budget.estimate == pytest.approx(1.6667, abs=5e-5)
    # The figure takes u at the nominal, 43.939 mV; here the source's share grows with the reading.
    share = 43.939352 / 60.0
    z = (3.0 - budget.estimate) / share
    assert 0.5 * (1.0 + math.erf(z / math.sqrt(2.0))) == pytest.approx(0.965673, abs=5e-7)
    assert budget.probability_between(-3.0, 3.0) == pytest.approx(0.9657, abs=2e-3)


def test_five_hundredths_over_eight_divisions():
    budget = time_base_error(
        [8.0],
        expected_div=8.0,
        period=(),
        reader=Reader(resolution_div=0.1, scatter_div=0.0),
        definition="indication",
    )
    line = next(c for c in budget.contributions if c.name == "reading of the trace")
    assert line.half_width * line.sensitivity == pytest.approx(0.625, abs=5e-4)
    assert line.contribution == pytest.approx(0.36, abs=5e-3)
