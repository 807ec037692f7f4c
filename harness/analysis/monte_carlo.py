"""Propagation of distributions by Monte Carlo (JCGM 101:2008): for models that are not linear, and as a check.

Seeded, so the same table gives the same statement. Equation numbers refer to docs/uncertainty.md.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, assert_never

import numpy as np

from harness.analysis.estimate import COVERAGE, DIVISORS, Statement
from harness.errors import AnalysisError

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    import numpy.typing as npt

    from harness.analysis.estimate import Budget, Contribution

    Samples = npt.NDArray[np.float64]
    Model = Callable[[Mapping[str, Samples]], Samples]

_SEED = 20080101  # any fixed number: statements must not change from one run to the next


@dataclass(frozen=True, slots=True, kw_only=True)
class Interval:
    """A coverage interval."""

    low: float
    high: float


def monte_carlo(
    budget: Budget,
    model: Model | None = None,
    *,
    probability: float = COVERAGE,
    trials: int = 200_000,
    seed: int = _SEED,
) -> Statement:
    """
    Propagate the distributions of a budget's inputs through a model, equation (13).

    Parameters
    ----------
    budget
        The table: each line gives a distribution about its `value`, and the correlations of normal lines.
    model
        Takes the samples of every input by name, each of shape (trials,), and returns those of the result. Without a
        model, the linear one of the table: estimate + Σ cᵢ (Xᵢ − xᵢ).
    probability
        Coverage probability.
    trials
        Number of trials; 10⁶ gives an end point to about 0.2 % of u at 95 % (JCGM 101, 7.2).
    seed
        Of the generator.

    Returns
    -------
    Statement of mean, standard deviation and shortest coverage interval of the result. Its `expanded` is half the
    length of the interval, which need not be centred on the estimate.

    Raises
    ------
    AnalysisError
        If inputs that are not normal are said to be correlated, if the correlations contradict each other, or if the
        model returns a value that is not finite.

    References
    ----------
    JCGM 101:2008, 6.4 (distributions), 7 (propagation), 7.7 and 5.3.4 (shortest interval).
    """
    inputs = sample(budget, trials=trials, seed=seed)
    result = _linear(budget, inputs) if model is None else np.asarray(model(inputs), dtype=np.float64)
    if result.shape != (trials,) or not np.all(np.isfinite(result)):
        raise AnalysisError(f"Monte Carlo of {budget.quantity}: the model must return one finite value for each trial")
    u = float(np.std(result, ddof=1))
    interval = shortest_interval(result, probability)
    half_width = 0.5 * (interval.high - interval.low)
    return Statement(
        estimate=float(np.mean(result)),
        u=u,
        k=half_width / u if u > 0.0 else 0.0,
        expanded=half_width,
        probability=probability,
        dof_eff=math.inf,
        method="monte_carlo",
        low=interval.low,
        high=interval.high,
        unit=budget.unit,
    )


def sample(budget: Budget, *, trials: int, seed: int = _SEED) -> dict[str, Samples]:
    """Draw the inputs by name, each of shape (trials,), from the distributions that JCGM 101, 6.4 assigns."""
    rng = np.random.default_rng(seed)
    drawn = {c.name: c.value + _draw(c, rng, trials) for c in budget.contributions}
    if budget.correlations:
        drawn |= _draw_correlated(budget, rng, trials)
    return drawn


def shortest_interval(samples: Samples, probability: float) -> Interval:
    """
    Shortest interval that holds `probability` of the samples, equation (14).

    Parameters
    ----------
    samples
        Shape (M,).
    probability
        Between 0 and 1; at least one sample must lie outside.

    Raises
    ------
    AnalysisError
        If there are too few samples for the probability.

    References
    ----------
    JCGM 101:2008, 7.7.2 to 7.7.4.
    """
    ordered = np.sort(np.asarray(samples, dtype=np.float64))
    inside = math.floor(probability * ordered.size + 0.5)
    if not 0 < inside < ordered.size:
        raise AnalysisError(f"{ordered.size} samples are too few for an interval at {100.0 * probability:g} %")
    lengths = ordered[inside:] - ordered[:-inside]
    first = int(np.argmin(lengths))
    return Interval(low=float(ordered[first]), high=float(ordered[first + inside]))


def _linear(budget: Budget, inputs: Mapping[str, Samples]) -> Samples:
    total = np.full_like(next(iter(inputs.values())), budget.estimate)
    for c in budget.contributions:
        total += c.sensitivity * (inputs[c.name] - c.value)
    return total


def _draw(c: Contribution, rng: np.random.Generator, trials: int) -> Samples:
    """Draw the deviation of one input from its value; with finite degrees of freedom Student's, scaled (6.4.9.2)."""
    a = c.u * DIVISORS[c.distribution]
    match c.distribution:
        case "normal":
            return c.u * (rng.standard_normal(trials) if math.isinf(c.dof) else rng.standard_t(c.dof, trials))
        case "rectangular":
            return a * rng.uniform(-1.0, 1.0, trials)
        case "triangular":
            return a * (rng.uniform(-0.5, 0.5, trials) + rng.uniform(-0.5, 0.5, trials))
        case "arcsine":
            return a * np.sin(rng.uniform(-math.pi, math.pi, trials))
        case _:
            assert_never(c.distribution)


def _draw_correlated(budget: Budget, rng: np.random.Generator, trials: int) -> dict[str, Samples]:
    """Draw the correlated inputs jointly normal (6.4.8)."""
    names = sorted({name for a, b, _ in budget.correlations for name in (a, b)})
    lines = {c.name: c for c in budget.contributions if c.name in names}
    for c in lines.values():
        if c.distribution != "normal":
            raise AnalysisError(
                f"budget of {budget.quantity}: only normal lines can be drawn correlated, not {c.name!r}"
            )
    R = np.eye(len(names))
    for a, b, r in budget.correlations:
        i, j = names.index(a), names.index(b)
        R[i, j] = R[j, i] = r
    eigenvalues, vectors = np.linalg.eigh(R)
    if eigenvalues[0] < -1e-9:
        raise AnalysisError(f"budget of {budget.quantity}: the correlations contradict each other")
    root = vectors * np.sqrt(np.maximum(eigenvalues, 0.0))
    drawn = rng.standard_normal((trials, len(names))) @ root.T
    return {name: lines[name].value + lines[name].u * drawn[:, i] for i, name in enumerate(names)}
