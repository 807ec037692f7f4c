"""Mismatch as a U-shaped contribution ±|Γg||Γl|, u = |Γg||Γl|/√2 (common practice; recomputed from the VSWRs)."""

from __future__ import annotations

import math

import pytest

from harness.analysis.estimate import Budget, arcsine, normal, reflection_of, state


@pytest.mark.parametrize(
    ("source", "load", "percent"),
    [(1.10, 1.10, 0.1603), (1.20, 1.20, 0.5844), (1.50, 1.10, 0.6734), (1.50, 1.50, 2.8284)],
)
def test_standard_uncertainty(source, load, percent):
    line = arcsine("mismatch", half_width=reflection_of(source) * reflection_of(load))
    assert 100.0 * line.u == pytest.approx(percent, abs=5e-5)
    rejected = line.half_width / math.sqrt(3.0)  # as a rectangle: 18 % too small
    assert rejected / line.u == pytest.approx(math.sqrt(2.0 / 3.0))


def test_dominant_mismatch_is_not_covered_by_k_of_two():
    line = arcsine("mismatch", half_width=0.2 * 0.2)
    b = Budget(quantity="level", unit="", estimate=1.0, contributions=(line, normal("meter", u=0.002)))
    s = state(b)
    assert s.method == "convolution"
    assert 1.40 < s.k < 1.50
    assert s.expanded < b.expanded()
    # No more than the limits of the mismatch and of the meter together.
    assert s.expanded < 0.04 + 2.0 * 0.002


def test_interference_of_two_reflections_is_u_shaped():
    # |1 + |Γg||Γl| e^{jφ}| for a phase that may be anything: the physics that the line stands for.
    b = Budget(
        quantity="level",
        unit="",
        estimate=1.0,
        contributions=(arcsine("mismatch", half_width=0.2 * 0.2),),
    )
    covered = b.probability_between(1.0 - 0.9 * 0.04, 1.0 + 0.9 * 0.04)
    phases = 100_000
    inside = sum(
        abs(abs(1.0 + 0.04 * complex(math.cos(p), math.sin(p))) - 1.0) <= 0.9 * 0.04
        for p in (2.0 * math.pi * (i + 0.5) / phases for i in range(phases))
    )
    assert inside / phases == pytest.approx(covered, abs=1e-4)
