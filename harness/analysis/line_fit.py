"""Straight-line regression with the covariance of its coefficients: drift, linearity, calibration lines.

Equation numbers refer to docs/uncertainty.md.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from harness.errors import AnalysisError

if TYPE_CHECKING:
    import numpy.typing as npt


@dataclass(frozen=True, slots=True, kw_only=True)
class LineFit:
    """y = intercept + slope·(x − x0), with standard uncertainties and their correlation r; s is the residual scatter.

    Of a weighted fit s is relative to the given uncertainties: 1 where the scatter agrees with them (the Birge ratio).
    """

    intercept: float
    slope: float
    u_intercept: float
    u_slope: float
    r: float
    s: float
    dof: int
    x0: float

    def at(self, x: float) -> float:
        """Return the fitted y at x."""
        return self.intercept + self.slope * (x - self.x0)

    def u_at(self, x: float) -> float:
        """Return the standard uncertainty of the fitted y at x, equation (31) (GUM H.3.4)."""
        d = x - self.x0
        covariance = self.r * self.u_intercept * self.u_slope
        return math.sqrt(max(self.u_intercept**2 + (d * self.u_slope) ** 2 + 2.0 * d * covariance, 0.0))


def straight_line(
    x: npt.ArrayLike, y: npt.ArrayLike, u_y: npt.ArrayLike | None = None, *, x0: float = 0.0, scale_u: bool = True
) -> LineFit:
    """
    Fit a straight line by least squares, equations (29) and (30).

    Parameters
    ----------
    x, y
        Shape (n,), n of 3 or more (2 with u_y and scale_u False).
    u_y
        Standard uncertainty of each y, shape (n,) or a scalar; weights are 1/u². None weighs all alike.
    x0
        Where the intercept is taken, in the unit of x; the mean of x makes the coefficients uncorrelated.
    scale_u
        Take the size of the scatter from the residuals (True), or the given u_y as they are (False).

    Returns
    -------
    The fit.

    Raises
    ------
    AnalysisError
        If there are too few points, all x are the same, an uncertainty is not positive, or a value is not finite.

    References
    ----------
    JCGM 100:2008, H.3. The sums are taken about the weighted mean: raw sums of squares would lose digits.
    """
    xs, ys = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    weights = _weights(u_y, xs.shape)
    _check(xs, ys, weights, least=2 if u_y is not None and not scale_u else 3)
    if u_y is None and not scale_u:
        raise AnalysisError("a line fit without uncertainties can only take its scatter from the residuals")
    total = float(np.sum(weights))
    x_mean, y_mean = float(np.dot(weights, xs)) / total, float(np.dot(weights, ys)) / total
    dx, dy = xs - x_mean, ys - y_mean
    s_xx = float(np.dot(weights, dx * dx))
    slope = float(np.dot(weights, dx * dy)) / s_xx
    dof = xs.size - 2
    chi_squared = float(np.dot(weights, (dy - slope * dx) ** 2))
    s = math.sqrt(chi_squared / dof) if dof > 0 else 1.0
    scale = s if scale_u else 1.0
    offset = x0 - x_mean
    u_intercept = scale * math.sqrt(1.0 / total + offset**2 / s_xx)
    u_slope = scale / math.sqrt(s_xx)
    return LineFit(
        intercept=y_mean + slope * offset,
        slope=slope,
        u_intercept=u_intercept,
        u_slope=u_slope,
        r=offset / s_xx / math.sqrt((1.0 / total + offset**2 / s_xx) / s_xx),
        s=s,
        dof=dof,
        x0=x0,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class SharedLineFit:
    """A fitted line with what is common to several results carried through it, apart from what is each one's own.

    `own` and `shared` are the same line; the squares of their standard uncertainties add.
    """

    own: LineFit
    shared: LineFit
    birge: float
    excess: float
    dof: int

    def at(self, x: float) -> float:
        """Return the fitted y at x."""
        return self.own.at(x)

    def u_at(self, x: float) -> float:
        """Return the standard uncertainty of the fitted y at x, equation (34)."""
        return math.hypot(self.own.u_at(x), self.shared.u_at(x))

    @property
    def u_slope(self) -> float:
        """Standard uncertainty of the slope, equation (34)."""
        return math.hypot(self.own.u_slope, self.shared.u_slope)

    def dof_of(self, own: float, whole: float) -> float:
        """Degrees of freedom of a standard uncertainty whose own part is `own`: few where it rests on the scatter."""
        return self.dof * (whole / own) ** 4 if self.excess > 0.0 and own > 0.0 else math.inf


def straight_line_shared(
    x: npt.ArrayLike, y: npt.ArrayLike, u_y: npt.ArrayLike, shared: npt.ArrayLike, *, x0: float = 0.0
) -> SharedLineFit:
    """
    Fit a straight line to results that share part of their errors, equations (29) and (32) to (34).

    Parameters
    ----------
    x, y
        Shape (n,), n of 3 or more.
    u_y
        Standard uncertainty of each y as stated, the shared parts in it; shape (n,).
    shared
        Shape (m, n): row by row the standard uncertainty that one error, a standard's say, has in each y; 0 in the
        results that it is not in. No row (shape (0, n)) says that all errors are independent.
    x0
        Where the intercept is taken.

    Returns
    -------
    The line, weighted by 1/u², with the covariance that the stated parts give it. Where the results scatter more than
    stated, their own parts grow by the excess, and have the degrees of freedom of the scatter.

    Raises
    ------
    AnalysisError
        As `straight_line`; if a shared part exceeds the stated uncertainty or a shape is wrong.

    References
    ----------
    R. T. Birge, Phys. Rev. 40 (1932), 207 (the ratio). JCGM 100:2008, 5.2.2 and F.1.2.3 (correlation by a common
    influence), G.4 (degrees of freedom).
    """
    xs, ys, us = (np.asarray(each, dtype=np.float64) for each in (x, y, u_y))
    rows = np.asarray(shared, dtype=np.float64)
    fit = straight_line(xs, ys, us, x0=x0)
    if rows.ndim != 2 or rows.shape[1:] != xs.shape or not np.all(np.isfinite(rows)):
        raise AnalysisError(f"shared parts need one column a point, got shape {rows.shape} for {xs.size} points")
    own_variance = us**2 - np.sum(rows**2, axis=0)
    if np.any(own_variance < -1e-9 * us**2):
        raise AnalysisError("a shared part cannot exceed the uncertainty that it is part of")
    own_variance = np.maximum(own_variance, 0.0)
    weights = 1.0 / us**2
    to_coefficients = _coefficient_rows(xs, weights, x0)
    to_residuals = np.eye(xs.size) - np.stack([np.ones_like(xs), xs - x0], axis=1) @ to_coefficients
    expected = float(weights @ (to_residuals**2 @ own_variance) + np.sum(weights * (rows @ to_residuals.T) ** 2))
    excess = max(0.0, fit.s**2 - expected / fit.dof)
    own = (to_coefficients * (own_variance + excess * us**2)) @ to_coefficients.T
    common = (to_coefficients @ rows.T) @ (to_coefficients @ rows.T).T
    return SharedLineFit(
        own=_with_covariance(fit, own), shared=_with_covariance(fit, common), birge=fit.s, excess=excess, dof=fit.dof
    )


def _coefficient_rows(
    xs: npt.NDArray[np.float64], weights: npt.NDArray[np.float64], x0: float
) -> npt.NDArray[np.float64]:
    """Intercept and slope as sums over y: shape (2, n)."""
    total = float(np.sum(weights))
    x_mean = float(np.dot(weights, xs)) / total
    slope = weights * (xs - x_mean) / float(np.dot(weights, (xs - x_mean) ** 2))
    return np.stack([weights / total + (x0 - x_mean) * slope, slope])


def _with_covariance(fit: LineFit, covariance: npt.NDArray[np.float64]) -> LineFit:
    u_intercept, u_slope = (math.sqrt(max(float(covariance[i, i]), 0.0)) for i in (0, 1))
    product = u_intercept * u_slope
    r = float(covariance[0, 1]) / product if product > 0.0 else 0.0
    return replace(fit, u_intercept=u_intercept, u_slope=u_slope, r=min(max(r, -1.0), 1.0))


def _weights(u_y: npt.ArrayLike | None, shape: tuple[int, ...]) -> npt.NDArray[np.float64]:
    if u_y is None:
        return np.ones(shape)
    u = np.broadcast_to(np.asarray(u_y, dtype=np.float64), shape)
    if not np.all(u > 0.0):
        raise AnalysisError("a line fit needs positive uncertainties")
    return np.asarray(1.0 / u**2)


def _check(
    xs: npt.NDArray[np.float64], ys: npt.NDArray[np.float64], weights: npt.NDArray[np.float64], *, least: int
) -> None:
    if xs.ndim != 1 or xs.shape != ys.shape:
        raise AnalysisError(f"a line fit needs as many x as y, got shapes {xs.shape} and {ys.shape}")
    if xs.size < least:
        raise AnalysisError(f"a line fit needs at least {least} points, got {xs.size}")
    if not (np.all(np.isfinite(xs)) and np.all(np.isfinite(ys)) and np.all(np.isfinite(weights))):
        raise AnalysisError("a line fit needs finite numbers")
    if np.all(xs == xs[0]):
        raise AnalysisError("a line fit needs at least two different x")
