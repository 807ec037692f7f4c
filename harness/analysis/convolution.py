"""The exact distribution of a sum of independent symmetric errors, by a Fourier series.

A budget that is linear in its inputs needs no random numbers: the characteristic functions of the inputs multiply, and
their product gives the coefficients of the series.
Equation numbers refer to docs/uncertainty.md.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, assert_never

import numpy as np

from harness.analysis.special import j0, ndtr, ndtri

if TYPE_CHECKING:
    import numpy.typing as npt

BoundedDistribution = Literal["rectangular", "triangular", "arcsine"]

# A normal component is taken as zero beyond this many standard deviations: 2e-19 of it lies outside.
_NORMAL_REACH = 9.0
# exp(−7.5²/2) = 6e-13: the terms of the series left out when a normal component damps it.
_DAMPED = 7.5
_MIN_TERMS, _MAX_TERMS = 64, 32768
# sin((n·row + m)t) is made of the sines and cosines of rows and columns: some hundred in place of thousands.
_COLUMNS = 128


@dataclass(frozen=True, slots=True, kw_only=True)
class ErrorSum:
    """A zero-mean sum: a normal part of standard deviation `normal_u`, bounded parts as (distribution, half-width)."""

    normal_u: float = 0.0
    bounded: tuple[tuple[BoundedDistribution, float], ...] = ()

    @property
    def u(self) -> float:
        """Standard deviation of the sum."""
        return math.sqrt(self.normal_u**2 + sum(_variance(kind, a) for kind, a in self.bounded))


def central_probability(errors: ErrorSum, half_width: float) -> float:
    """
    Probability that the sum lies within ±half_width, equation (12).

    Parameters
    ----------
    errors
        The sum.
    half_width
        Half-width of the interval about zero, in the unit of the sum.

    Returns
    -------
    Probability from 0 to 1; good to 1e-6 or better.
    """
    if half_width <= 0.0:
        return 0.0
    return _Series.of(errors).central_probability(half_width)


def central_half_width(errors: ErrorSum, probability: float) -> float:
    """
    Half-width of the interval about zero that holds `probability`, the inverse of `central_probability`.

    For a symmetric density with one peak this is also the shortest interval (JCGM 101:2008, 5.3.4). Where a U-shaped
    part dominates so far that the sum has two peaks it is the probabilistically symmetric interval.
    """
    series = _Series.of(errors)
    low, high = 0.0, series.reach
    x = min(float(ndtri((1.0 + probability) / 2.0)) * errors.u, 0.999 * high)
    # Regula falsi, the function being smooth and monotone; an end that stays twice counts half (Illinois).
    f_low, f_high, moved = -probability, 1.0 - probability, 0
    for _ in range(60):
        f = series.central_probability(x) - probability
        if abs(f) < 1e-12 or high - low < 1e-12 * series.reach:
            break
        if f < 0.0:
            low, f_low = x, f
            f_high *= 0.5 if moved < 0 else 1.0
            moved = -1
        else:
            high, f_high = x, f
            f_low *= 0.5 if moved > 0 else 1.0
            moved = 1
        x = low - f_low * (high - low) / (f_high - f_low)
    return x


@dataclass(frozen=True, slots=True)
class _Series:
    """P(|S| ≤ x) = x/L + Σ coefficient_k sin(kπx/L) on a period 2L that holds the whole distribution.

    The coefficients stand in rows, that of k = 0 first.
    """

    errors: ErrorSum
    reach: float
    coefficient: npt.NDArray[np.float64]

    @classmethod
    def of(cls, errors: ErrorSum) -> _Series:
        reach = sum(a for _, a in errors.bounded) + _NORMAL_REACH * errors.normal_u
        if len(errors.bounded) <= 1 and (errors.normal_u == 0.0 or not errors.bounded):
            return cls(errors, reach, np.empty(0))
        reach *= 1.05
        terms = _MAX_TERMS
        if errors.normal_u > 0.0:
            terms = int(min(max(_DAMPED * reach / (math.pi * errors.normal_u), _MIN_TERMS), _MAX_TERMS))
        step = math.pi / reach
        k = np.arange((terms // _COLUMNS + 1) * _COLUMNS, dtype=np.float64).reshape(-1, _COLUMNS) * step
        k[0, 0] = step  # in place of 0, of which there is no term
        phi = np.exp(-0.5 * (errors.normal_u * k) ** 2)
        for kind, a in errors.bounded:
            phi *= _characteristic(kind, a * k, a * step)
        coefficient = phi * (2.0 / (reach * k))
        coefficient[0, 0] = 0.0
        coefficient[-1, terms % _COLUMNS + 1 :] = 0.0
        return cls(errors, reach, coefficient)

    def central_probability(self, x: float) -> float:
        if x >= self.reach:
            return 1.0
        if self.coefficient.size:
            row, column = _angles(math.pi * x / self.reach, len(self.coefficient))
            inner = self.coefficient @ np.cos(column), self.coefficient @ np.sin(column)
            return x / self.reach + float(np.sin(row) @ inner[0] + np.cos(row) @ inner[1])
        if not self.errors.bounded:
            return 2.0 * float(ndtr(x / self.errors.normal_u)) - 1.0
        kind, a = self.errors.bounded[0]
        return _closed_form(kind, x / a)


def _variance(kind: BoundedDistribution, a: float) -> float:
    match kind:
        case "rectangular":
            return a * a / 3.0
        case "triangular":
            return a * a / 6.0
        case "arcsine":
            return a * a / 2.0
        case _:
            assert_never(kind)


def _angles(step: float, rows: int) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    columns = np.arange(_COLUMNS, dtype=np.float64)
    return step * _COLUMNS * np.arange(rows, dtype=np.float64), step * columns


def _sines(step: float, rows: int) -> npt.NDArray[np.float64]:
    row, column = _angles(step, rows)
    sines: npt.NDArray[np.float64] = np.sin(row)[:, None] * np.cos(column) + np.cos(row)[:, None] * np.sin(column)
    return sines


def _characteristic(kind: BoundedDistribution, at: npt.NDArray[np.float64], step: float) -> npt.NDArray[np.float64]:
    """At multiples of a step, in rows."""
    match kind:
        case "rectangular":
            return _sines(step, len(at)) / at
        case "triangular":
            return (2.0 * _sines(step / 2.0, len(at)) / at) ** 2
        case "arcsine":
            return np.asarray(j0(at), dtype=np.float64)
        case _:
            assert_never(kind)


def _closed_form(kind: BoundedDistribution, r: float) -> float:
    """P(|X| ≤ r·a) of one bounded distribution alone."""
    r = min(r, 1.0)
    match kind:
        case "rectangular":
            return r
        case "triangular":
            return 1.0 - (1.0 - r) ** 2
        case "arcsine":
            return 2.0 / math.pi * math.asin(r)
        case _:
            assert_never(kind)
