"""Straight line: against numpy and scipy, invariances, and what it refuses."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import optimize, stats

from harness.analysis.line_fit import straight_line
from harness.errors import AnalysisError

X = np.array([0.0, 1.0, 2.5, 3.0, 4.7, 6.1])
Y = np.array([0.11, 0.92, 2.61, 3.05, 4.58, 6.20])
U = np.array([0.05, 0.1, 0.05, 0.2, 0.1, 0.05])


def test_unweighted_against_scipy():
    theirs = stats.linregress(X, Y)
    fit = straight_line(X, Y)
    assert (fit.intercept, fit.slope) == (pytest.approx(theirs.intercept), pytest.approx(theirs.slope))
    assert (fit.u_intercept, fit.u_slope) == (
        pytest.approx(theirs.intercept_stderr),
        pytest.approx(theirs.stderr),
    )


@pytest.mark.parametrize("scale_u", [True, False])
def test_weighted_against_scipy(scale_u):
    coefficients, covariance = optimize.curve_fit(
        lambda x, a, b: a + b * x, X, Y, sigma=U, absolute_sigma=not scale_u, p0=(0.0, 1.0)
    )
    fit = straight_line(X, Y, U, scale_u=scale_u)
    assert (fit.intercept, fit.slope) == pytest.approx(tuple(coefficients), rel=1e-6)
    assert fit.u_intercept**2 == pytest.approx(covariance[0, 0], rel=1e-5)
    assert fit.u_slope**2 == pytest.approx(covariance[1, 1], rel=1e-5)
    assert fit.r * fit.u_intercept * fit.u_slope == pytest.approx(covariance[0, 1], rel=1e-5)


def test_drift_is_found_in_its_own_uncertainty():
    rng = np.random.default_rng(3)
    index = np.arange(12.0)
    still = straight_line(index, rng.normal(0.0, 0.01, 12))
    moving = straight_line(index, 0.01 * index + rng.normal(0.0, 0.01, 12))
    assert abs(still.slope) < 3.0 * still.u_slope
    assert moving.slope > 3.0 * moving.u_slope


def test_two_points_with_known_uncertainties():
    fit = straight_line([0.0, 1.0], [1.0, 3.0], [0.1, 0.1], scale_u=False)
    assert (fit.intercept, fit.slope, fit.dof) == (pytest.approx(1.0), pytest.approx(2.0), 0)
    assert fit.u_at(0.0) == pytest.approx(0.1)
    assert fit.u_at(0.5) == pytest.approx(0.1 / np.sqrt(2))


def test_a_perfect_line_has_no_scatter():
    fit = straight_line([0.0, 1.0, 2.0], [1.0, 3.0, 5.0])
    assert (fit.s, fit.u_slope) == (0.0, 0.0)


def test_prediction_covers():
    rng = np.random.default_rng(11)
    x, runs = np.linspace(0.0, 5.0, 12), 2000
    k = stats.t(10).ppf(0.975)
    hits = 0
    for _ in range(runs):
        fit = straight_line(x, 1.0 + 2.0 * x + rng.normal(0.0, 0.3, x.size))
        hits += abs(fit.at(7.0) - 15.0) <= k * fit.u_at(7.0)
    assert hits / runs == pytest.approx(0.95, abs=0.015)


@pytest.mark.parametrize(
    ("x", "y", "u", "match"),
    [
        ([1.0, 2.0], [1.0, 2.0], None, "at least 3"),
        ([1.0, 1.0, 1.0], [1.0, 2.0, 3.0], None, "different x"),
        ([1.0, 2.0, 3.0], [1.0, 2.0], None, "as many"),
        ([1.0, 2.0, 3.0], [1.0, 2.0, np.nan], None, "finite"),
        ([1.0, 2.0, 3.0], [1.0, 2.0, 3.0], [1.0, 0.0, 1.0], "positive"),
    ],
)
def test_what_cannot_be_fitted(x, y, u, match):
    with pytest.raises(AnalysisError, match=match):
        straight_line(x, y, u)


def test_known_scatter_must_be_given():
    with pytest.raises(AnalysisError, match="without uncertainties"):
        straight_line(X, Y, scale_u=False)
