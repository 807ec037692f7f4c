"""Risks of a decision: false acceptance and false rejection, of one result and over a population.

Equation numbers refer to docs/uncertainty.md.

References
----------
JCGM 106:2012, clauses 9.4 and 9.5. ANSI/NCSL Z540.3-2006 Handbook, "method 6" (managed guard band).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr, ndtri, roots_legendre

from harness.errors import AnalysisError

# Where 1.04 − exp(0.38 ln TUR − 0.54) reaches zero: above it no guard band is needed for 2 %.
MANAGED_TUR_ENOUGH = math.exp((math.log(1.04) + 0.54) / 0.38)

_NODES, _WEIGHTS = roots_legendre(32)
_FAR = 9.0  # standard deviations


@dataclass(frozen=True, slots=True, kw_only=True)
class GlobalRisk:
    """Probabilities over a population: accepted though outside the tolerance, rejected though inside."""

    false_acceptance: float
    false_rejection: float


def managed_guard_band_factor(tur: float) -> float:
    """
    Return M of the guard band w = M·U that keeps false acceptance to 2 % whatever the population, equation (20).

    Parameters
    ----------
    tur
        Test uncertainty ratio: half the tolerance span over U (k = 2).

    Raises
    ------
    AnalysisError
        If the ratio is not positive.

    Notes
    -----
    Zero from TUR = 4.59177 on, where the fitted expression would turn negative.
    """
    if not tur > 0.0:
        raise AnalysisError(f"a test uncertainty ratio is positive, not {tur}")
    return 0.0 if tur >= MANAGED_TUR_ENOUGH else 1.04 - math.exp(0.38 * math.log(tur) - 0.54)


def specific_false_acceptance(distance_inside: float, u: float) -> float:
    """Return the risk that a value read `distance_inside` its limit truly lies beyond it, equation (26)."""
    return float(ndtr(-distance_inside / u))


def global_risk(*, tolerance: float, u: float, prior_u: float, guard_band: float = 0.0) -> GlobalRisk:
    """
    Return the global risks of accepting |reading| ≤ tolerance − guard_band, equations (27) and (28).

    Parameters
    ----------
    tolerance
        Half-width T of a tolerance centred on the population's mean.
    u
        Standard uncertainty of the measurement.
    prior_u
        Standard deviation of the population of true errors, normal.
    guard_band
        Width w; the acceptance limits are ±(T − w).

    Raises
    ------
    AnalysisError
        If a width is not positive.

    References
    ----------
    JCGM 106:2012, 9.5.
    """
    if not (tolerance > 0.0 and u > 0.0 and prior_u > 0.0):
        raise AnalysisError("tolerance, uncertainty and spread of the population must all be positive")
    accepted = max(tolerance - guard_band, 0.0)
    outside = _integrate_accepted(tolerance, tolerance + _FAR * max(u, prior_u), accepted, u, prior_u)
    inside = _integrate_accepted(0.0, tolerance, accepted, u, prior_u)
    conforming = 2.0 * float(ndtr(tolerance / prior_u)) - 1.0
    return GlobalRisk(false_acceptance=2.0 * outside, false_rejection=conforming - 2.0 * inside)


def prior_from_reliability(tolerance: float, reliability: float = 0.95) -> float:
    """Return the standard deviation of a centred normal population of which `reliability` lies inside ±tolerance."""
    return tolerance / float(ndtri(0.5 * (1.0 + reliability)))


def worst_false_acceptance(tur: float, *, guard_band_factor: float = 0.0, k: float = 2.0) -> float:
    """Return the largest global false acceptance over all centred normal populations, with U = k·u."""
    expanded = 1.0 / tur
    priors = np.geomspace(0.05, 20.0, 240)

    def risk(prior: float) -> float:
        return global_risk(
            tolerance=1.0, u=expanded / k, prior_u=prior, guard_band=guard_band_factor * expanded
        ).false_acceptance

    risks = [risk(float(prior)) for prior in priors]
    best = int(np.argmax(risks))
    near = np.linspace(priors[max(best - 1, 0)], priors[min(best + 1, len(priors) - 1)], 41)
    return max(risk(float(prior)) for prior in near)


def _integrate_accepted(start: float, stop: float, accepted: float, u: float, prior_u: float) -> float:
    """∫ prior(x)·P(|x + error| ≤ accepted) dx by Gauss–Legendre, on panels as narrow as the narrower shape asks."""
    panels = max(2, min(400, math.ceil((stop - start) / (2.0 * min(u, prior_u)))))
    edges = np.linspace(start, stop, panels + 1)
    half = 0.5 * np.diff(edges)[:, np.newaxis]
    x = 0.5 * (edges[1:] + edges[:-1])[:, np.newaxis] + half * _NODES
    prior = np.exp(-0.5 * (x / prior_u) ** 2) / (prior_u * math.sqrt(2.0 * math.pi))
    hit = ndtr((accepted - x) / u) - ndtr((-accepted - x) / u)
    return float(np.sum(half * _WEIGHTS * prior * hit))
