"""The crossing of a response and a level, by a local cubic in ln f held by what roll-offs have in common.

Numbered equations: docs/measurement.md, section 1.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from sequences.bandwidth.response_model import HALF_POWER_DB

if TYPE_CHECKING:
    from numpy.typing import NDArray

STEEPEST_DB_PER_LN = 90.0
NEAREST = 3
ITERATIONS = 20
SETTLED, SETTLED_ENOUGH = 1e-6, 1e-3


@dataclass(frozen=True, slots=True, kw_only=True)
class Shape:
    """What roll-offs have in common at half power, for a slope of 13 dB per ln f or less; steeper ones are narrower.

    Coefficients are those of w, w², w³ with w = ln(f/f3); `window` and `model` say how far the cubic is trusted.
    """

    window: float = 0.7
    steep_db: float = 13.0
    slope_db: float = 6.5
    u_slope_db: float = 7.0
    curvature: float = 1.0
    u_curvature: float = 0.65
    cubic: float = 0.2
    u_cubic: float = 1.2
    model: float = 2.5
    clip_db: tuple[float, float] = (2.5, 25.0)


SHAPE = Shape()


@dataclass(frozen=True, slots=True, kw_only=True)
class CrossingFit:
    """A converged local cubic about its own crossing.

    `coefficients` are c0 (zero but for rounding), c1, c2, c3; `covariance` is theirs, before any Birge factor.
    """

    log_f: float
    coefficients: tuple[float, float, float, float]
    covariance: tuple[tuple[float, ...], ...]
    chi2: float
    degrees_of_freedom: int
    used: tuple[bool, ...]
    narrowing: float

    @property
    def slope_db(self) -> float:
        """Slope at the crossing, dB per ln f (negative)."""
        return self.coefficients[1]

    @property
    def variance_db(self) -> float:
        """Variance of the fitted response at the crossing, reference not counted."""
        return self.covariance[0][0]

    @property
    def slope_factor(self) -> float:
        """Equation (8): what the uncertain slope adds to the variance.

        One part is the spread of 1/c1; two more are for the search, which stops early where the slope came out steep.
        """
        return 1.0 + 3.0 * self.covariance[1][1] / self.slope_db**2


def fit_crossing(
    log_f: NDArray[np.float64],
    y_db: NDArray[np.float64],
    s_db: NDArray[np.float64],
    *,
    drop_db: float,
    start: tuple[float, float],
    shape: Shape = SHAPE,
) -> CrossingFit | None:
    """Fit the response about its crossing of −drop_db.

    Parameters
    ----------
    log_f, y_db, s_db
        ln f, response in dB relative to the reference, and its standard deviation, one each observation.
    drop_db
        The drop that defines the crossing, positive.
    start
        First estimate of ln f at the crossing, and of the slope there in dB per ln f.

    Returns
    -------
    CrossingFit or None
        None when the iteration does not settle on a falling response.

    References
    ----------
    docs/measurement.md, equations (3) to (6).
    """
    scale = drop_db / HALF_POWER_DB
    steepest = max(shape.clip_db[1] * scale, STEEPEST_DB_PER_LN)
    x, c1 = start
    step = 1.0
    for _ in range(ITERATIONS):
        k = max(1.0, abs(c1) / (shape.steep_db * scale))
        try:
            c, covariance, chi2, inside = _solve(log_f - x, y_db + drop_db, s_db, c1=c1, k=k, scale=scale, shape=shape)
        except np.linalg.LinAlgError:
            return None
        if not (math.isfinite(c.sum()) and covariance.diagonal().min() > 0.0):
            return None
        # The prior and the window follow the slope and pull it back: half-way steps settle what full steps make swing.
        c1 = -math.sqrt(abs(c1) * min(max(-float(c[1]), shape.clip_db[0] * scale), steepest))
        step = min(max(-float(c[0]) / c1, -0.3), 0.3)
        x += step
        if abs(step) < SETTLED:
            break
    if abs(step) > SETTLED_ENOUGH or c[1] >= -0.5 * shape.clip_db[0] * scale:
        return None
    return CrossingFit(
        log_f=x,
        coefficients=(float(c[0]), float(c[1]), float(c[2]), float(c[3])),
        covariance=tuple(tuple(float(v) for v in row) for row in covariance),
        chi2=chi2,
        degrees_of_freedom=int(inside.sum()) - 1,
        used=tuple(bool(v) for v in inside),
        narrowing=k,
    )


def fitted_db(fit: CrossingFit, w: NDArray[np.float64], target_db: float) -> tuple[NDArray[np.float64], ...]:
    """Return the fitted response at w = ln(f/f3), its variance and the model error there, in dB."""
    powers = np.stack([np.ones_like(w), w, w**2, w**3])
    value = np.array(fit.coefficients) @ powers - target_db
    variance = np.einsum("iw,ij,jw->w", powers, np.array(fit.covariance), powers)
    return value, variance, model_error_db(w, c1=fit.slope_db, k=fit.narrowing)


def model_error_db(w: NDArray[np.float64], *, c1: float, k: float, shape: Shape = SHAPE) -> NDArray[np.float64]:
    """Equation (4): how far a cubic may miss the response at a distance w = ln(f/f3)."""
    return np.asarray(shape.model * k**3 * abs(c1) * w**4)


def cubic_of(w: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return 1, w, w², w³ in columns."""
    powers = np.empty((w.size, 4))
    powers[:, 0] = 1.0
    powers[:, 1] = w
    powers[:, 2] = w * w
    powers[:, 3] = powers[:, 2] * w
    return powers


def prior_of(
    fit: CrossingFit, drop_db: float, unknown_db: float, shape: Shape = SHAPE
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return what is expected of c0 to c3 and its standard uncertainty, equation (5); c0 is as good as unknown."""
    prior = _prior(c1=fit.slope_db, k=fit.narrowing, scale=drop_db / HALF_POWER_DB, shape=shape)
    return np.array([0.0, *(value for _, value, _ in prior)]), np.array([unknown_db, *(u for _, _, u in prior)])


def _prior(*, c1: float, k: float, scale: float, shape: Shape) -> tuple[tuple[int, float, float], ...]:
    """Return power, value and standard uncertainty of each pseudo-observation, equation (5)."""
    steep = abs(c1)
    return (
        (1, -shape.slope_db * scale, shape.u_slope_db * scale),
        (2, shape.curvature * k * c1, shape.u_curvature * k * steep),
        (3, shape.cubic * c1, shape.u_cubic * k * k * steep),
    )


def _solve(
    w: NDArray[np.float64],
    y: NDArray[np.float64],
    s: NDArray[np.float64],
    *,
    c1: float,
    k: float,
    scale: float,
    shape: Shape,
) -> tuple[NDArray[np.float64], NDArray[np.float64], float, NDArray[np.bool_]]:
    """Least squares of the cubic with its pseudo-observations, equations (3) and (5)."""
    distance = np.abs(w)
    limit = shape.window / k
    if w.size >= NEAREST:
        limit = max(limit, float(np.partition(distance, NEAREST - 1)[NEAREST - 1]))
    inside = distance <= limit
    wi, yi = w[inside], y[inside]
    weight = 1.0 / (s[inside] ** 2 + model_error_db(wi, c1=c1, k=k, shape=shape) ** 2)
    powers = cubic_of(wi)
    weighted = powers.T * weight
    normal = weighted @ powers
    right = weighted @ yi
    prior = _prior(c1=c1, k=k, scale=scale, shape=shape)
    for term, value, u in prior:
        normal[term, term] += u**-2
        right[term] += value * u**-2
    covariance = np.asarray(np.linalg.inv(normal), dtype=np.float64)
    c = covariance @ right
    residual = yi - powers @ c
    chi2 = float(weight @ residual**2)
    chi2 += sum(((float(c[term]) - value) / u) ** 2 for term, value, u in prior)
    return c, covariance, chi2, inside
