"""Risk tables: global risk (JCGM 106:2012, 9.5; recomputed by two methods) and the managed 2 % guard band.

The expression M = 1.04 − exp(0.38 ln TUR − 0.54) is "method 6" of the ANSI/NCSL Z540.3-2006 Handbook.
"""

from __future__ import annotations

import math

import pytest
from scipy import stats

from harness.analysis.risk import (
    MANAGED_TUR_ENOUGH,
    global_risk,
    managed_guard_band_factor,
    prior_from_reliability,
    worst_false_acceptance,
)
from harness.analysis.verdict import Limits, decide


@pytest.mark.parametrize(("tur", "pfa", "pfr"), [(4.0, 0.85827e-2, 1.55365e-2), (2.0, 1.33734e-2, 4.17753e-2)])
def test_global_risk(tur, pfa, pfr):
    # Tolerance ±1, 95 % of the population inside, U = 2u, no guard band.
    risk = global_risk(tolerance=1.0, u=0.5 / tur, prior_u=prior_from_reliability(1.0, 0.95))
    assert risk.false_acceptance == pytest.approx(pfa, abs=5e-8)
    assert risk.false_rejection == pytest.approx(pfr, abs=5e-8)


def test_global_risk_by_another_hand():
    # P(|true| > 1, |read| ≤ A) from the bivariate normal distribution function of scipy.stats.
    prior_u, u, accepted = 0.6, 0.2, 0.9
    joint = stats.multivariate_normal(
        cov=[[prior_u**2, prior_u**2], [prior_u**2, prior_u**2 + u**2]], allow_singular=True
    )
    read_inside = 2.0 * stats.norm.cdf(accepted, scale=math.hypot(prior_u, u)) - 1.0
    true_inside = 2.0 * stats.norm.cdf(1.0, scale=prior_u) - 1.0
    both = joint.cdf([1, accepted], lower_limit=[-1, -accepted])
    risk = global_risk(tolerance=1.0, u=u, prior_u=prior_u, guard_band=0.1)
    assert risk.false_acceptance == pytest.approx(read_inside - both, abs=2e-5)
    assert risk.false_rejection == pytest.approx(true_inside - both, abs=2e-5)


@pytest.mark.parametrize(("tur", "m"), [(1.0, 0.45725), (2.0, 0.28165), (4.0, 0.05312), (4.59177, 0.0)])
def test_managed_guard_band(tur, m):
    assert managed_guard_band_factor(tur) == pytest.approx(m, abs=5e-6)


def test_managed_guard_band_never_turns_negative():
    assert pytest.approx(4.59177, abs=5e-6) == MANAGED_TUR_ENOUGH
    assert managed_guard_band_factor(10.0) == 0.0
    assert 1.04 - math.exp(0.38 * math.log(10.0) - 0.54) < -0.3  # rejected: it would widen the tolerance


@pytest.mark.parametrize("tur", [1.0, 1.5, 2.0, 3.0, 4.0, 4.6, 8.0])
def test_managed_guard_band_does_what_it_says(tur):
    assert worst_false_acceptance(tur, guard_band_factor=managed_guard_band_factor(tur)) < 0.02


def test_four_to_one_alone_does_not_keep_two_percent():
    # Published with U at 95 % (1.96 u); with k = 2 the same ratio gives 2.24 %.
    assert worst_false_acceptance(4.0, k=1.959964) == pytest.approx(0.0228, abs=5e-5)
    assert worst_false_acceptance(4.605, k=1.959964) == pytest.approx(0.0200, abs=5e-5)
    assert worst_false_acceptance(4.0) == pytest.approx(0.0224, abs=5e-5)


def test_managed_rule_draws_the_limits_in_by_its_band():
    v = decide(2.5, 0.75, 1.5, Limits.symmetric(3.0), "managed", unit="%")
    assert v.tur == pytest.approx(2.0)
    assert v.guard_band == pytest.approx(0.28165 * 1.5, abs=1e-5)
    assert v.word == "pass"
    assert decide(2.6, 0.75, 1.5, Limits.symmetric(3.0), "managed", unit="%").word == "undecided"
    assert decide(3.5, 0.75, 1.5, Limits.symmetric(3.0), "managed", unit="%").word == "fail"


def test_managed_rule_at_a_single_limit_holds_the_specific_risk():
    at_least = Limits(low=100.0)
    on_the_edge = decide(100.0 + 2.0538 * 0.5, 0.5, 1.0, at_least, "managed", unit="MHz")
    assert on_the_edge.word == "pass"
    assert on_the_edge.tur is None
    assert on_the_edge.conformance_probability == pytest.approx(0.98, abs=1e-5)
