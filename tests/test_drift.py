"""Drift of a point: what it states of invented series with a known truth, how it divides them, and what it refuses."""

from __future__ import annotations

import datetime as dt
import math

import numpy as np
import pytest

from harness.analysis.drift import DAYS_A_YEAR, DatedResult, fit_drift, series_of
from harness.analysis.verdict import Limits
from harness.errors import AnalysisError

FIRST = dt.date(2018, 5, 1)


def day(years: float) -> dt.date:
    return FIRST + dt.timedelta(days=round(years * DAYS_A_YEAR))


def results(values, u=0.1, shared=(), years=None):
    years = range(len(values)) if years is None else years
    return [DatedResult(day=day(t), value=v, u=u, shared=shared) for t, v in zip(years, values, strict=True)]


# --- what it states ----------------------------------------------------------------------------------------------


def test_an_exact_line_is_found_with_the_stated_uncertainty():
    years = np.array([round(t * DAYS_A_YEAR) / DAYS_A_YEAR for t in range(5)])
    drift = fit_drift(results(1.0 + 0.25 * years, u=0.1), Limits.symmetric(3.0))
    assert drift.per_year == pytest.approx(0.25)
    assert drift.u_per_year == pytest.approx(0.1 / math.sqrt(np.sum((years - years.mean()) ** 2)))
    assert drift.expanded_per_year == pytest.approx(1.959964 * drift.u_per_year, rel=1e-6)
    assert (drift.line.birge, drift.line.excess) == (pytest.approx(0.0, abs=1e-9), 0.0)
    assert drift.significant
    assert drift.predict(day(10)).value == pytest.approx(1.0 + 0.25 * (day(10) - FIRST).days / DAYS_A_YEAR)
    # 3 % is reached by the line 8 years after the first result.
    assert abs((drift.leaving.expected - day(8)).days) <= 1
    assert day(4) < drift.leaving.earliest < drift.leaving.expected


def test_what_all_results_share_cancels_in_the_drift_and_stays_in_the_value():
    values = [0.0, 0.1, 0.2, 0.3]
    apart = fit_drift(results(values, u=0.05))
    together = fit_drift(results(values, u=math.hypot(0.05, 0.5), shared=(("the standard", 0.5),)))
    assert together.u_per_year == pytest.approx(apart.u_per_year)
    middle = day(1.5)
    assert together.predict(middle).u == pytest.approx(math.hypot(apart.predict(middle).u, 0.5))


def test_a_standard_changed_half_way_costs_more_than_independent_results():
    values = [0.0] * 6
    independent = fit_drift(results(values, u=0.1))
    halves = [
        DatedResult(day=each.day, value=0.0, u=0.1, shared=(("one" if n < 3 else "other", 0.1),))
        for n, each in enumerate(results(values))
    ]
    # Means of two halves three years apart, each with its own error of 0.1: by hand 0.1·√2·Σx₊/Σx².
    x = np.array([each.day.toordinal() for each in halves]) / DAYS_A_YEAR
    x -= x.mean()
    assert fit_drift(halves).u_per_year == pytest.approx(0.1 * math.sqrt(2) * x[3:].sum() / (x @ x), rel=1e-3)
    assert fit_drift(halves).u_per_year > independent.u_per_year


def test_scatter_beyond_what_is_stated_widens_the_drift_with_student_s_factor():
    values = [0.0, 0.9, -0.2, 0.8, 0.1]
    drift = fit_drift(results(values, u=0.1))
    assert drift.line.birge > 3.0
    # The stated uncertainties no longer count: only the scatter does, with n − 2 degrees of freedom.
    assert drift.u_per_year == pytest.approx(fit_drift(results(values, u=0.01)).u_per_year)
    assert drift.k == pytest.approx(3.1824, abs=5e-5)  # Student's t, 3 degrees of freedom, 95 %
    assert not drift.significant


def test_scatter_is_named_only_where_it_is_more_than_chance():
    rng = np.random.default_rng(4)
    rounds = 400
    named = sum(fit_drift(results(rng.normal(0.0, 0.1, 6))).scattered for _ in range(rounds))
    assert named / rounds == pytest.approx(0.05, abs=0.03)
    assert fit_drift(results([0.0, 0.9, -0.2, 0.8, 0.1])).scattered
    # All of the uncertainty shared, and yet they scatter.
    assert fit_drift(results([0.0, 0.9, -0.2], shared=(("the standard", 0.1),))).scattered


def test_a_result_further_off_is_worth_its_weight():
    series = [*results([0.0, 1.0, 2.0]), DatedResult(day=day(3), value=30.0, u=1e4)]
    assert fit_drift(series).per_year == pytest.approx(1.0, abs=0.01)


@pytest.mark.parametrize(("slope", "side"), [(0.2, "high"), (-0.2, "low")])
def test_the_side_that_is_left_first(slope, side):
    drift = fit_drift(results([slope * n for n in range(5)], u=0.05), Limits.symmetric(2.0))
    assert (drift.leaving.side, drift.leaving.limit) == (side, math.copysign(2.0, slope))


def test_a_lower_limit_alone():
    drift = fit_drift(results([110e6, 109e6, 108e6, 107e6], u=0.2e6), Limits(low=100e6))
    assert drift.leaving.side == "low"
    assert abs((drift.leaving.expected - day(10)).days) <= 1


def test_what_stands_still_never_leaves_and_what_is_out_has_left():
    still = fit_drift(results([0.0] * 12, u=0.001), Limits.symmetric(3.0))
    assert (still.leaving.expected, still.leaving.earliest) == (None, None)
    out = fit_drift(results([3.1, 3.2, 3.3, 3.4], u=0.01), Limits.symmetric(3.0))
    assert out.leaving.expected == out.leaving.earliest == day(3)
    # At the limit already, as far as the uncertainty says: the earliest day is the last result's.
    near = fit_drift(results([2.0, 2.2, 2.4, 2.6], u=0.3), Limits.symmetric(3.0))
    assert near.leaving.earliest == day(3) < near.leaving.expected


def test_a_further_result_lies_in_a_wider_interval_than_the_line():
    prediction = fit_drift(results([0.0, 0.1, 0.1, 0.2])).predict(day(5))
    assert prediction.expanded_result > prediction.expanded > 0.0


# --- how often it is right ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("count", [3, *(pytest.param(count, marks=pytest.mark.soak) for count in (5, 8))])
@pytest.mark.parametrize("certificates", [1, 3])
def test_intervals_hold_the_truth_as_often_as_they_say(count, certificates):
    """Invented series: readings of 0.08, a standard of 0.15 with a new error at every new certificate."""
    rng = np.random.default_rng(100 * count + certificates)
    per_year, own, common, rounds = 0.12, 0.08, 0.15, 800
    held = {"drift": 0, "value": 0, "result": 0, "earliest": 0}
    for _ in range(rounds):
        errors = rng.normal(0.0, common, certificates)
        series = [
            DatedResult(
                day=day(n),
                value=0.5 + per_year * n + errors[n * certificates // count] + rng.normal(0.0, own),
                u=math.hypot(own, common),
                shared=((f"certificate {n * certificates // count}", common),),
            )
            for n in range(count)
        ]
        drift = fit_drift(series, Limits.symmetric(2.0))
        ahead = drift.predict(day(count + 2))
        truth = 0.5 + per_year * (count + 2)
        held["drift"] += abs(drift.per_year - per_year) <= drift.expanded_per_year
        held["value"] += abs(ahead.value - truth) <= ahead.expanded
        once_more = truth + rng.normal(0.0, common) + rng.normal(0.0, own)
        held["result"] += abs(ahead.value - once_more) <= math.hypot(ahead.expanded_result, 1.96 * common)
        true_exit = day((2.0 - 0.5) / per_year)
        held["earliest"] += drift.leaving.earliest is None or drift.leaving.earliest <= true_exit
    share = {name: hits / rounds for name, hits in held.items()}
    # 800 rounds: a standard deviation of 0.8 %. Where scatter by chance exceeds what is stated the interval widens.
    assert 0.935 <= share["drift"] <= 0.985, share
    assert 0.935 <= share["value"] <= 0.99, share
    assert share["result"] >= 0.935, share
    assert share["earliest"] >= 0.965, share  # one-sided


@pytest.mark.parametrize("understated", [2.0, 3.0])
def test_an_understated_uncertainty_is_made_up_for_by_the_scatter(understated):
    rng = np.random.default_rng(7)
    rounds = 1000
    held = 0
    for _ in range(rounds):
        drift = fit_drift(results(rng.normal(0.0, 0.1 * understated, 7)))
        held += abs(drift.per_year) <= drift.expanded_per_year
    assert held / rounds == pytest.approx(0.95, abs=0.02)


# --- how it divides ----------------------------------------------------------------------------------------------


def test_an_adjustment_ends_one_series_and_begins_the_next():
    found = [DatedResult(day=day(n), value=float(n), u=0.1) for n in range(4)]
    left = DatedResult(day=day(2), value=0.0, u=0.1, as_left=True)
    first, second = series_of([left, *reversed(found)])
    assert [each.value for each in first] == [0.0, 1.0, 2.0]  # the last of them as found, before the adjustment
    assert [each.value for each in second] == [0.0, 3.0]
    assert second[0].as_left


def test_a_unit_that_begins_adjusted_is_one_series():
    assert len(series_of([DatedResult(day=day(0), value=0.0, u=0.1, as_left=True), *results([1.0], years=[1])])) == 1
    assert series_of([]) == ()


# --- what it refuses ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("series", "match"),
    [
        (results([0.0, 1.0]), "at least 3 results, and there are 2"),
        (results([0.0, 1.0, 2.0], years=[1, 1, 1]), "different days, and all are of 2019-05-01"),
        (results([0.0, 1.0, 2.0], u=0.0), "with an uncertainty"),
        (results([0.0, 1.0, math.nan]), "finite"),
        (results([0.0, 1.0, 2.0], shared=(("the standard", 0.2),)), "cannot exceed"),
    ],
)
def test_what_gives_no_drift(series, match):
    with pytest.raises(AnalysisError, match=match):
        fit_drift(series)
