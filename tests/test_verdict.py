"""Decision rules: equality, symmetry, monotony, and what cannot be decided."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.special import ndtri

from harness.analysis.estimate import Budget, expanded, rectangular, state
from harness.analysis.verdict import (
    EQUALITY_TEXT,
    RULE_TEXT,
    Z_98,
    Limits,
    acceptance_limits,
    decide,
    decide_statement,
    overall,
    relative_error,
    test_uncertainty_ratio,
)
from harness.errors import AnalysisError

RULES = ("simple", "guarded", "binary", "non-binary", "managed")
RANK = {"pass": 0, "conditional pass": 1, "undecided": 2, "conditional fail": 3, "fail": 4}
ONE_TWO_FIVE = tuple(m * 10.0**e for e in range(-3, 2) for m in (1.0, 2.0, 5.0))


# Both definitions of error --------------------------------------------------------------------------------------------


def test_two_definitions_of_error():
    # Source 6.000 V at 1 V/div (recomputed).
    assert 100 * relative_error(6.18, 6.0, "indication") == pytest.approx(3.0, abs=5e-5)
    assert 100 * relative_error(5.82, 6.0, "indication") == pytest.approx(-3.0, abs=5e-5)
    assert 100 * relative_error(6.18, 6.0, "deflection factor") == pytest.approx(-2.9126, abs=5e-5)
    assert 100 * relative_error(5.82, 6.0, "deflection factor") == pytest.approx(3.0928, abs=5e-5)


def test_the_definition_can_decide_the_verdict():
    limits = Limits.symmetric(0.03)
    words = [
        decide(relative_error(5.82, 6.0, d), 1e-4, 2e-4, limits, "simple").word
        for d in ("indication", "deflection factor")
    ]
    assert words == ["pass", "fail"]


# Equality -------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("factor", [0.97, 1.03])
@pytest.mark.parametrize("divisions", [2, 3, 4, 5, 6, 8])
def test_exactly_on_the_limit_is_a_pass_on_every_range(divisions, factor):
    for volts_per_div in ONE_TWO_FIVE:
        indicated, applied = divisions * volts_per_div * factor, divisions * volts_per_div
        error = relative_error(indicated, applied, "indication")
        assert decide(error, 1e-3, 2e-3, Limits.symmetric(0.03), "simple").word == "pass", volts_per_div
        in_volts = Limits(low=0.97 * applied, high=1.03 * applied)
        assert decide(indicated, 1e-3 * applied, 2e-3 * applied, in_volts, "simple").word == "pass", volts_per_div


def test_rejected_a_naive_comparison_flips_between_ranges():
    naive = {(6 * v * 0.97 - 6 * v) / (6 * v) >= -0.03 for v in ONE_TWO_FIVE}
    assert naive == {True, False}


@pytest.mark.parametrize("rule", RULES)
def test_equality_at_the_guard_bands_on_every_range(rule):
    for v in ONE_TWO_FIVE:
        limits, u_expanded = Limits.symmetric(0.03 * 6 * v), 0.01 * 6 * v
        words = {
            y: decide(y * 6 * v, u_expanded / 2, u_expanded, limits, rule).word
            for y in (0.02, -0.02, 0.03, -0.03, 0.04)
        }
        expected = {
            "simple": ("pass", "pass", "fail"),
            "guarded": ("pass", "undecided", "undecided"),
            "binary": ("pass", "fail", "fail"),
            "non-binary": ("pass", "conditional pass", "conditional fail"),
            "managed": ("pass", "undecided", "fail"),
        }[rule]
        assert tuple(words[y] for y in (0.02, 0.03, 0.04)) == expected, v
        assert tuple(words[y] for y in (-0.02, -0.03)) == expected[:2], v


def test_the_slack_is_far_below_what_can_be_measured():
    assert decide(0.03 * (1 + 5e-10), 1e-4, 2e-4, Limits.symmetric(0.03), "simple").word == "pass"
    assert decide(0.03 * (1 + 2e-9), 1e-4, 2e-4, Limits.symmetric(0.03), "simple").word == "fail"
    assert "1e9" in EQUALITY_TEXT


def test_a_time_base_of_parts_per_million_on_its_limit():
    for seconds in ONE_TWO_FIVE:
        for sign in (1, -1):
            error = (seconds * (1 + sign * 25e-6) - seconds) / seconds
            assert decide(error, 1e-7, 2e-7, Limits.symmetric(25e-6), "simple").word == "pass"


# Properties -----------------------------------------------------------------------------------------------------------

results = st.floats(-10.0, 10.0)
uncertainties = st.floats(0.01, 5.0)


@pytest.mark.parametrize("rule", RULES)
@given(results, uncertainties)
def test_mirror_symmetry(rule, y, u):
    limits = Limits.symmetric(3.0)
    one, other = decide(y, u, 2 * u, limits, rule), decide(-y, u, 2 * u, limits, rule)
    assert one.word == other.word
    assert one.conformance_probability == pytest.approx(other.conformance_probability, abs=1e-12)


@pytest.mark.parametrize("rule", RULES)
@given(st.floats(0.0, 10.0), st.floats(0.0, 10.0), uncertainties)
def test_further_from_the_middle_is_never_a_better_word(rule, a, b, u):
    near, far = sorted((a, b))
    limits = Limits.symmetric(3.0)
    assert RANK[decide(near, u, 2 * u, limits, rule).word] <= RANK[decide(far, u, 2 * u, limits, rule).word]


@pytest.mark.parametrize("rule", ["guarded", "non-binary"])
@given(results, uncertainties, uncertainties)
def test_a_better_measurement_never_loses_a_decision(rule, y, u, v):
    better, worse = sorted((u, v))
    limits = Limits.symmetric(3.0)
    word = decide(y, worse, 2 * worse, limits, rule).word
    if word in {"pass", "fail"}:
        assert decide(y, better, 2 * better, limits, rule).word == word


@pytest.mark.parametrize("rule", RULES)
@given(results, uncertainties, st.floats(1e-6, 1e6))
def test_the_unit_does_not_matter(rule, y, u, scale):
    one = decide(y, u, 2 * u, Limits.symmetric(3.0), rule)
    other = decide(scale * y, scale * u, 2 * scale * u, Limits.symmetric(scale * 3.0), rule)
    assert one.word == other.word


@given(results, uncertainties)
def test_a_guarded_pass_conforms_with_at_least_97_7_percent(y, u):
    v = decide(y, u, 2 * u, Limits(low=0.0), "guarded")
    if v.word == "pass":
        assert v.conformance_probability > 0.9772
    if v.word == "fail":
        assert v.conformance_probability < 0.0228


# One-sided limits, no pass possible, sentences ------------------------------------------------------------------------


def test_bandwidth_at_least_the_rating():
    at_least = Limits(low=100e6)
    assert decide(104e6, 1e6, 2e6, at_least, "guarded").word == "pass"
    assert decide(101e6, 1e6, 2e6, at_least, "guarded").word == "undecided"
    assert decide(99e6, 1e6, 2e6, at_least, "non-binary").word == "conditional fail"
    assert decide(97e6, 1e6, 2e6, at_least, "guarded").word == "fail"
    assert decide(1e12, 1e6, 2e6, at_least, "guarded").tur is None


@pytest.mark.parametrize("rule", ["guarded", "non-binary", "managed"])
def test_no_pass_where_the_guard_bands_meet(rule):
    limits = Limits.symmetric(3.0)
    hopeless = 6.0
    v = decide(0.0, hopeless / 2, hopeless, limits, rule, unit="%")
    assert v.word != "pass"
    assert v.acceptance is None
    if rule != "non-binary":
        assert "no result can pass" in v.sentence
    assert decide(0.0, 0.5, 1.0, limits, rule).acceptance is not None


def test_u_equal_to_the_tolerance_leaves_no_acceptance_zone():
    assert acceptance_limits(Limits.symmetric(3.0), 3.0) is None
    assert acceptance_limits(Limits(low=1.0), 3.0) == Limits(low=4.0)


def test_infinite_uncertainty_is_undecided():
    v = decide(0.1, math.inf, math.inf, Limits.symmetric(3.0), "guarded")
    assert v.word == "undecided"
    assert v.acceptance is None


def test_exact_knowledge_decides():
    v = decide(3.1, 0.0, 0.0, Limits.symmetric(3.0), "guarded")
    assert (v.word, v.tur, v.conformance_probability) == ("fail", math.inf, 0.0)


def test_own_kind_of_point():
    # 6 div at 1 V/div from 6.000 V read as 6.1 div; U = 1.4646 % (k = 2): recomputed.
    v = decide(100 * (6.1 - 6.0) / 6.0, 0.0439390 / 6 * 100, 1.46463, Limits.symmetric(3.0), "guarded", unit="%")
    assert v.tur == pytest.approx(2.048, abs=0.0005)
    assert v.conformance_probability == pytest.approx(0.965673, abs=2e-6)
    assert v.word == "undecided"
    assert v.sentence == "(+1.7 ± 1.5) % against ±3 %: undecided; within the guard band of 1.46 % about a limit."


@pytest.mark.parametrize(
    ("y", "rule", "part"),
    [
        (0.0, "simple", "pass; inside the limits."),
        (0.0, "guarded", "pass; inside the limits by the guard band or more."),
        (2.5, "non-binary", "conditional pass; inside the limits, but by less than the guard band of 1 %."),
        (3.5, "non-binary", "conditional fail; outside the limits, but by no more than the guard band of 1 %."),
        (4.5, "guarded", "fail; outside the limits by more than the guard band of 1 %."),
    ],
)
def test_sentences(y, rule, part):
    assert decide(y, 0.5, 1.0, Limits.symmetric(3.0), rule, unit="%").sentence.endswith(part)


def test_every_rule_has_its_wording():
    assert set(RULE_TEXT) == set(RULES)


def test_texts_of_limits():
    assert Limits.symmetric(3.0).text("%") == "±3 %"
    assert Limits(low=100.0).text("MHz") == "at least 100 MHz"
    assert Limits(high=5.0).text("%") == "at most 5 %"
    assert Limits(low=-1.0, high=3.0).text() == "-1 to 3"


@pytest.mark.parametrize(
    "make",
    [
        Limits,
        lambda: Limits(low=1.0, high=1.0),
        lambda: Limits(low=2.0, high=1.0),
        lambda: Limits(low=math.nan),
        lambda: Limits(high=math.inf),
    ],
)
def test_what_cannot_be_limits(make):
    with pytest.raises(AnalysisError, match="limit"):
        make()


@pytest.mark.parametrize(("y", "u", "expanded_u"), [(math.nan, 1, 2), (0, -1, 2), (0, 1, math.nan), (math.inf, 1, 2)])
def test_what_cannot_be_decided_at_all(y, u, expanded_u):
    with pytest.raises(AnalysisError, match="no verdict"):
        decide(y, u, expanded_u, Limits.symmetric(3.0), "simple")


# Statements, intervals, the whole unit --------------------------------------------------------------------------------


def test_a_statement_with_its_budget_gives_the_exact_probability():
    b = Budget(quantity="e", unit="%", estimate=2.5, contributions=(rectangular("r", half_width=1.0),))
    v = decide_statement(state(b), Limits.symmetric(3.0), "guarded", budget=b)
    assert v.conformance_probability == pytest.approx(0.75)
    assert v.guard_band == pytest.approx(0.9545)
    normal_one = decide_statement(state(b), Limits.symmetric(3.0), "guarded")
    assert normal_one.conformance_probability == pytest.approx(0.8067, abs=5e-4)


def test_a_normal_statement_needs_no_budget():
    b = Budget(quantity="e", unit="%", estimate=2.5, contributions=(expanded("r", expanded=1.0),))
    with_budget = decide_statement(state(b), Limits.symmetric(3.0), "guarded", budget=b)
    assert with_budget == decide_statement(state(b), Limits.symmetric(3.0), "guarded")


def test_tur():
    assert test_uncertainty_ratio(Limits.symmetric(3.0), 1.5) == 2.0
    assert test_uncertainty_ratio(Limits(low=1.0, high=5.0), 0.5) == 4.0
    assert test_uncertainty_ratio(Limits(high=5.0), 0.5) is None
    assert test_uncertainty_ratio(Limits.symmetric(1.0), 0.0) == math.inf


@pytest.mark.parametrize(
    ("words", "expected"),
    [
        (["pass", "pass"], "meets"),
        (["pass", "fail"], "does not meet"),
        (["undecided", "fail"], "does not meet"),
        (["pass", "undecided"], "cannot be decided"),
        (["pass", "conditional pass"], "conditionally meets"),
        (["conditional pass"], "conditionally meets"),
        (["conditional pass", "undecided"], "cannot be decided"),
        (["pass", "conditional fail"], "cannot be decided"),
        ([], "cannot be decided"),
    ],
)
def test_overall(words, expected):
    assert overall(words) == expected


def test_overall_takes_verdicts():
    verdicts = [decide(y, 0.5, 1.0, Limits.symmetric(3.0), "guarded") for y in (0.0, 1.0)]
    assert overall(verdicts) == "meets"


def test_a_sentence_of_a_frequency_is_in_megahertz_and_has_a_sign_where_the_limits_have_one():
    sentence = decide(118.4e6, 1.2e6, 2.4e6, Limits(low=100e6), "guarded", unit="Hz").sentence
    assert sentence.startswith("(118.4 ± 2.4) MHz against at least 100 MHz: pass")
    near = decide(99e6, 1.2e6, 2.4e6, Limits(low=100e6), "guarded", unit="Hz").sentence
    assert near.startswith("(99.0 ± 2.4) MHz against at least 100 MHz: undecided; within the guard band of 2.4 MHz")
    assert decide(950.0, 1.0, 2.0, Limits(high=1e3), "simple", unit="Hz").sentence.startswith("(950.0 ± 2.0) Hz")
    assert decide(3.6, 0.1, 0.2, Limits(high=3.5), "simple", unit="ns").sentence.startswith("(3.60 ± 0.20) ns against")
    assert decide(2.5, 0.1, 0.2, Limits.symmetric(3.0), "simple", unit="%").sentence.startswith("(+2.50 ± 0.20) %")


def test_the_guard_factor_is_the_functions_own_value() -> None:
    assert float(ndtri(0.98)) == Z_98
