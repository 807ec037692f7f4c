"""JCGM 106:2012: one-sided factors and the conformance probability of a two-sided tolerance, from memory."""

from __future__ import annotations

import pytest
from scipy.special import ndtr

from harness.analysis.risk import specific_false_acceptance
from harness.analysis.verdict import Limits, conformance_from_interval, decide


@pytest.mark.parametrize(
    ("probability", "z"), [(0.80, 0.8416), (0.90, 1.2816), (0.95, 1.6449), (0.99, 2.3263), (0.999, 3.0902)]
)
def test_table_1(probability, z):
    at_least_zero = Limits(low=0.0)
    assert decide(z, 1.0, 2.0, at_least_zero, "simple").conformance_probability == pytest.approx(probability, abs=5e-5)
    assert 1.0 - specific_false_acceptance(z, 1.0) == pytest.approx(probability, abs=5e-5)


def test_two_sided_conformance_probability():
    v = decide(13.6, 1.8, 3.6, Limits(low=12.5, high=16.3), "simple", unit="mm²/s")
    assert v.conformance_probability == pytest.approx(0.66263, abs=5e-6)  # value recomputed
    # Rejected: each limit by itself.
    assert ndtr((13.6 - 12.5) / 1.8) == pytest.approx(0.729, abs=5e-4)


def test_from_an_interval_the_same_where_it_is_symmetric():
    half = 1.959964 * 1.8
    p = conformance_from_interval(13.6, 13.6 - half, 13.6 + half, Limits(low=12.5, high=16.3))
    assert p == pytest.approx(0.66263, abs=5e-6)


@pytest.mark.parametrize(("k", "risk"), [(1.959964, 0.02500), (2.0, 0.02275)])
def test_specific_risk_at_the_acceptance_limit(k, risk):
    # w = U: a result on the acceptance limit lies k standard uncertainties inside (recomputed).
    assert specific_false_acceptance(k, 1.0) == pytest.approx(risk, abs=5e-6)
