"""What a point can reach before it is measured, and what would decide it."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.analysis.deflection import deflection_error
from harness.analysis.estimate import Budget, normal, state
from harness.analysis.graticule import Reader
from harness.analysis.planning import Candidate, cheapest_remedy, reach, repeats_to_decide
from harness.analysis.verdict import Limits, decide

LIMITS = Limits.symmetric(3.0)
RULES = ("simple", "guarded", "non-binary", "managed")


def of_u(u: float, *, nominal: float = 0.0, quantity: str = "error") -> Budget:
    return Budget(quantity=quantity, unit="%", estimate=nominal, contributions=(normal("u", u=u),))


def by_eye(deflection_div: float, repeats: int = 1) -> Budget:
    """One edge, read to 0.1 div with a scatter of 0.04 div that is known well; no source error."""
    return deflection_error(
        [deflection_div],
        repeats=repeats,
        volts_per_div=1.0,
        applied_v=deflection_div,
        applied=(),
        reader=Reader(resolution_div=0.1, scatter_div=0.04, scatter_dof=math.inf),
        definition="indication",
        zero="read",
        ground_div=[0.0] * 1000,
    )


# The trade-off of divisions and repeats: u = √(q²/12 + σ²)/n, guarded at 1.645·u (recomputed) ------------------------


@pytest.mark.parametrize(
    ("deflection_div", "zone"),
    [(5.0, 1.38), (6.0, 1.65)],
)
def test_zone_of_one_reading(deflection_div, zone):
    u = by_eye(deflection_div).u
    assert 3.0 - 1.645 * u == pytest.approx(zone, abs=6e-3)


def test_one_division_decides_nothing_two_only_with_repeats():
    assert reach(by_eye(1.0), LIMITS, "guarded").prospect == "cannot be decided"
    assert reach(by_eye(2.0), LIMITS, "guarded").prospect == "can only fail"
    assert repeats_to_decide(lambda n: by_eye(2.0, n), LIMITS, "guarded") == 3
    assert reach(by_eye(6.0), LIMITS, "guarded").prospect == "can pass"


# Reach ----------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("rule", RULES)
@given(u=st.floats(0.01, 5.0))
def test_reach_agrees_with_the_verdicts_themselves(rule, u):
    budget = of_u(u)
    reached = reach(budget, LIMITS, rule)
    statement = state(budget)

    def word(error):
        return decide(error, statement.u, statement.expanded, LIMITS, rule).word

    assert (reached.prospect == "can pass") == (word(0.0) == "pass")
    if reached.largest_passing is not None:
        edge = reached.largest_passing
        assert word(edge) == word(-edge) == "pass"
        assert word(edge + 1e-3) != "pass"
    if reached.prospect == "can only fail":
        assert word(8.999) == "fail"
    if reached.prospect == "cannot be decided":
        assert word(8.999) != "fail"


def test_mirror_and_scale():
    narrow, wide = reach(of_u(0.5), LIMITS, "guarded"), reach(of_u(50.0), Limits.symmetric(300.0), "guarded")
    assert wide.largest_passing == pytest.approx(100.0 * narrow.largest_passing)
    assert wide.expanded == pytest.approx(100.0 * narrow.expanded)
    high = reach(of_u(0.5), Limits(low=-3.0, high=2.0), "guarded")
    low = reach(of_u(0.5), Limits(low=-2.0, high=3.0), "guarded")
    assert high.largest_passing == pytest.approx(low.largest_passing) == pytest.approx(1.0, abs=1e-4)


def test_a_single_limit_is_judged_by_the_results_to_expect():
    """U = 2u at 95.45 % (GUM, G.1.3): what passes lies U inside the limit, what is failed U outside (ILAC-G8, 4.2)."""
    # An overshoot is never below zero: with U above the limit nothing passes, though the zone is formally open.
    assert reach(of_u(0.5), Limits(high=3.0), "guarded").largest_passing == pytest.approx(2.0, abs=1e-4)
    assert reach(of_u(2.0), Limits(high=3.0), "guarded").prospect != "can pass"
    assert reach(of_u(2.0), Limits(high=3.0), "guarded").prospect == "can only fail"
    # A rise time near its limit says nothing against the point: a unit may be faster than its rating.
    at_its_limit = reach(of_u(0.137, nominal=3.5), Limits(high=3.5), "guarded")
    assert at_its_limit.largest_passing == pytest.approx(3.226, abs=1e-4)
    assert at_its_limit.sentence.endswith("against at most 3.5 %: passes up to 3.23 %, is failed above 3.77 %.")
    assert reach(of_u(0.0925, nominal=10.0), Limits(high=10.0), "guarded").prospect == "can pass"
    # One less than a third of what is rated is not to be expected, nor one of three times it.
    assert reach(of_u(1.2, nominal=3.5), Limits(high=3.5), "guarded").prospect == "can only fail"
    assert reach(of_u(4.0, nominal=3.5), Limits(high=3.5), "guarded").prospect == "cannot be decided"


@pytest.mark.parametrize("rule", RULES)
@given(u=st.floats(0.01, 20.0))
def test_reach_of_a_single_limit_agrees_with_the_verdicts_themselves(rule, u):
    statement = state(of_u(u))
    for limits, best, worst, outwards in (
        (Limits(high=6.0), 2.0, 17.999, 1e-3),
        (Limits(low=6.0), 18.0, 2.001, -1e-3),
    ):
        reached = reach(of_u(u, nominal=6.0), limits, rule)

        def word(result, limits=limits):
            return decide(result, statement.u, statement.expanded, limits, rule).word

        assert (reached.prospect == "can pass") == (word(best) == "pass")
        if reached.largest_passing is not None:
            assert word(reached.largest_passing) == "pass"
            assert word(reached.largest_passing + outwards) != "pass"
        if reached.prospect == "can only fail":
            assert word(worst) == "fail"
        if reached.prospect == "cannot be decided":
            assert word(worst) != "fail"


def test_u_equal_to_the_tolerance_leaves_no_zone():
    k = state(of_u(1.5)).k
    assert reach(of_u(3.0 / k), LIMITS, "guarded").prospect != "can pass"
    assert reach(of_u(2.999 / k), LIMITS, "guarded").largest_passing == pytest.approx(0.001)


def test_sentences():
    assert reach(of_u(0.5), LIMITS, "guarded").sentence == "error: U = 1 % against ±3 %: passes up to 2 % from nominal."
    assert "no result can pass" in reach(of_u(2.0), LIMITS, "guarded").sentence
    assert "cannot be decided" in reach(of_u(9.0), LIMITS, "guarded").sentence


# Remedies -------------------------------------------------------------------------------------------------------------


def test_the_cheapest_that_decides_is_picked():
    offered = [
        Candidate(sentence="a better source", cost=100.0, budget=of_u(0.1)),
        Candidate(sentence="four readings", cost=9.0, budget=of_u(2.0)),
        Candidate(sentence="another level", cost=10.0, budget=of_u(1.0)),
        Candidate(sentence="a finer reading", cost=10.0, budget=of_u(0.7)),
    ]
    picked = cheapest_remedy(offered, LIMITS, "guarded")
    assert picked is not None
    assert picked.sentence == "a finer reading"  # of equal cost the one with the least uncertainty
    strict = cheapest_remedy(offered, LIMITS, "guarded", least_passing=2.5)
    assert strict is not None
    assert strict.sentence == "a better source"
    assert cheapest_remedy(offered, LIMITS, "guarded", least_passing=2.9) is None
    assert cheapest_remedy([], LIMITS, "guarded") is None


@given(costs=st.lists(st.tuples(st.floats(0, 100), st.floats(0.05, 4.0)), max_size=6))
def test_no_remedy_that_decides_is_cheaper(costs):
    offered = [Candidate(sentence=str(i), cost=c, budget=of_u(u)) for i, (c, u) in enumerate(costs)]
    deciding = [o for o in offered if reach(o.budget, LIMITS, "guarded").prospect == "can pass"]
    picked = cheapest_remedy(offered, LIMITS, "guarded")
    assert (picked is None) == (not deciding)
    if picked is not None:
        assert picked.cost == min(o.cost for o in deciding)


def test_fewest_repeats():
    # 2·4/√n < 3 from n = 7.1 on.
    assert repeats_to_decide(lambda n: of_u(4.0 / math.sqrt(n)), LIMITS, "guarded") == 8
    assert repeats_to_decide(lambda n: of_u(0.5), LIMITS, "guarded") == 1


def test_a_floor_is_no_number_and_neither_is_too_many():
    assert repeats_to_decide(lambda n: of_u(math.hypot(2.0, 1.0 / math.sqrt(n))), LIMITS, "guarded") is None
    assert repeats_to_decide(lambda n: of_u(10.0 / math.sqrt(n)), LIMITS, "guarded") is None
