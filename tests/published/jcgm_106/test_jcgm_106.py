"""JCGM 106:2012: one-sided factors and the conformance probability of a two-sided tolerance, from memory."""

from __future__ import annotations

import pytest
from scipy.special import ndtr

from harness.analysis.verdict import Limits, decide


@pytest.mark.parametrize(
    ("probability", "z"), [(0.80, 0.8416), (0.90, 1.2816), (0.95, 1.6449), (0.99, 2.3263), (0.999, 3.0902)]
)
def test_table_1(probability, z):
    at_least_zero = Limits(low=0.0)
    assert decide(z, 1.0, 2.0, at_least_zero, "simple").conformance_probability == pytest.approx(probability, abs=5e-5)


def test_two_sided_conformance_probability():
    v = decide(13.6, 1.8, 3.6, Limits(low=12.5, high=16.3), "simple", unit="mm²/s")
    assert v.conformance_probability == pytest.approx(0.66263, abs=5e-6)  # value recomputed
    # Rejected: each limit by itself.
    assert ndtr((13.6 - 12.5) / 1.8) == pytest.approx(0.729, abs=5e-4)
