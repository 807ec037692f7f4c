"""Ripple about the crossing: whether the readings show any, and where the response may cross if it does.

A cubic is what roll-offs have in common. Cables between mismatched ends and splitters lay a ripple on it, which a cubic
follows only where it was read. Numbered equations: docs/measurement.md, section 1.3.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from harness.analysis.special import ndtr
from sequences.bandwidth.response_fit import CrossingFit, cubic_of, model_error_db, prior_of
from sequences.bandwidth.response_model import ResponsePlan

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from sequences.bandwidth.response_reduce import Observation, Reduced

SIZES_DB = (0.02, 0.05, 0.12, 0.3)  # rms, over what is known of cables and splitters
LENGTHS = (0.03, 0.07, 0.15)  # of f/f3 within which a ripple stays alike: about a sixth of its period
LIKELY = 0.4  # that there is a ripple, before anything is read; readings that make it likelier widen the interval
SHOWN = 0.5  # how likely it has to be to be told
TAIL = 0.0228  # on either side of k = 2
FARTHEST_LN, STEPS = 0.5, 48
UNKNOWN_DB = 30.0  # of the response at the crossing before anything is read
_SIZE, _LENGTH = (
    np.array(column)[:, None, None]
    for column in zip((0.0, 1.0), *((size, length) for size in SIZES_DB for length in LENGTHS), strict=True)
)
_BEFORE = np.array([1.0 - LIKELY, *[LIKELY / (_SIZE.size - 1)] * (_SIZE.size - 1)])


@dataclass(frozen=True, slots=True, kw_only=True)
class Ripple:
    """How likely a ripple is, its size (rms), and how far in ln f from the fit the response may cross."""

    probability: float
    size_db: float
    reach_ln: float


def ripple(fit: CrossingFit, used: Sequence[Observation], reduced: Reduced, plan: ResponsePlan) -> Ripple | None:
    """
    Weigh a cubic against cubics with ripples of several sizes and lengths; None where the readings show none.

    References
    ----------
    docs/measurement.md, equations (22) and (23); a Gaussian process is textbook (from memory: Rasmussen and Williams,
    Gaussian Processes for Machine Learning, 2006, equations 2.25, 2.26 and 2.30).
    """
    w = np.array([o.log_f for o in used]) - fit.log_f
    s_db = np.array([o.s_db for o in used])
    powers, (mean, u) = cubic_of(w), prior_of(fit, plan.drop_db, UNKNOWN_DB)
    noise = np.diag(s_db**2 + model_error_db(w, c1=fit.slope_db, k=fit.narrowing) ** 2)
    covariance = noise + (powers * u**2) @ powers.T + _alike(w, w)
    residual = np.array([o.y_db for o in used]) + plan.drop_db - powers @ mean
    solved = np.linalg.solve(covariance, np.broadcast_to(residual[:, None], (_SIZE.size, w.size, 1)))[..., 0]
    evidence = -0.5 * (solved @ residual + np.linalg.slogdet(covariance)[1])
    weight = _BEFORE * np.exp(evidence - evidence.max())
    weight /= weight.sum()
    if (probability := 1.0 - float(weight[0])) < LIKELY:
        return None

    u_ln = math.sqrt(fit.variance_db + reduced.reference.s_db**2) / abs(fit.slope_db)
    aside = np.geomspace(min(0.5 * u_ln, 0.5 * FARTHEST_LN), FARTHEST_LN, STEPS)
    grid = np.concatenate([-aside, aside])
    there = cubic_of(grid)
    shared = (there * u**2) @ powers.T + _alike(grid, w)
    expected_db = there @ mean + np.einsum("mgn,mn->mg", shared, solved)
    known = np.einsum("mgn,mng->mg", shared, np.linalg.solve(covariance, np.swapaxes(shared, 1, 2)))
    variance = (there**2) @ u**2 + _SIZE[:, :, 0] ** 2 - known + reduced.reference.s_db**2
    below = weight @ ndtr(-expected_db / np.sqrt(np.maximum(variance, 1e-12)))
    reach = max(_reach(aside, below[:STEPS]), _reach(aside, 1.0 - below[STEPS:]))
    return Ripple(probability=probability, size_db=float(weight[1:] @ _SIZE[1:, 0, 0]) / probability, reach_ln=reach)


def _alike(one: NDArray[np.float64], other: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the covariance of each ripple between two lists of ln(f/f3): standing waves are even in f itself."""
    apart = np.exp(one)[:, None] - np.exp(other)[None, :]
    return np.asarray(_SIZE**2 * np.exp(-0.5 * (apart / _LENGTH) ** 2))


def _reach(aside: NDArray[np.float64], chance: NDArray[np.float64]) -> float:
    """Return how far outwards the response may still be on the other side of the level, without a gap."""
    outside = np.flatnonzero(chance < TAIL)
    if not outside.size:
        return float(aside[-1])
    n = int(outside[0])
    if n == 0:
        return float(aside[0])
    return float(np.interp(TAIL, [chance[n], chance[n - 1]], [aside[n], aside[n - 1]]))
