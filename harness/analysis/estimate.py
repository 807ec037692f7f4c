"""The uncertainty budget: a table of contributions, and the statement that is made from it.

The table is linear in its inputs: y = estimate + Σ cᵢ (Xᵢ − xᵢ). Its standard uncertainty, effective degrees of freedom
and coverage factor follow the GUM; the same table gives the exact distribution by convolution, which becomes the
primary statement where a dominant bounded term makes the normal factor wrong. Equation numbers refer to
docs/uncertainty.md.

References
----------
JCGM 100:2008 (GUM), clauses 4, 5, 6 and annex G. JCGM 101:2008, clauses 6.4 and 8. EA-4/02 M:2022, supplement 9.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, TypedDict, Unpack

from harness.analysis.convolution import ErrorSum, central_half_width, central_probability
from harness.analysis.rounding import format_value_u
from harness.analysis.special import ndtr, ndtri, stdtrit
from harness.errors import AnalysisError
from harness.words.language import localised

if TYPE_CHECKING:
    from collections.abc import Sequence

Distribution = Literal["normal", "rectangular", "triangular", "arcsine"]
Method = Literal["gum", "convolution"]

# Φ(2) − Φ(−2) = 0.9544997…: the probability at which the normal coverage factor is 2.
COVERAGE = 0.9545

# From here on a variance counts as known: Student's factor would add 1.3 % at 100 degrees of freedom, and less above.
RELIABLE_DOF = 100.0

# The k·u statement stands while it is within 5 % of the exact half-width, the change of U that rounding may make.
GUM_TOLERANCE = 0.05

# Half-width over standard uncertainty (GUM 4.3.7, 4.3.9; JCGM 101, 6.4.6).
DIVISORS: dict[Distribution, float] = {
    "normal": 1.0,
    "rectangular": math.sqrt(3.0),
    "triangular": math.sqrt(6.0),
    "arcsine": math.sqrt(2.0),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Contribution:
    """One line of a budget.

    `half_width` is the figure as it is known (half-width of the limits, or a stated expanded uncertainty) and `divisor`
    takes it to the standard uncertainty `u`; it is None where `u` is known directly. `value` is the estimate of the
    input, or the correction made, as the table shows it; it is in `unit`, as are `half_width` and `u`. `sensitivity`
    takes the input to the quantity of the budget. `origin` names the standard or the path that the error comes from:
    lines of one name and one origin are one and the same error, in however many results they stand. `known_from` names
    the one estimate that `u` was taken from, such as the scatter assumed of a reader: lines of one such name have each
    an error of their own, and one count of degrees of freedom between them.
    """

    name: str
    unit: str = ""
    value: float = 0.0
    distribution: Distribution = "normal"
    half_width: float | None = None
    divisor: float = 1.0
    u: float
    sensitivity: float = 1.0
    dof: float = math.inf
    origin: str = ""
    known_from: str = ""

    def __post_init__(self) -> None:
        if wrong := self._wrong():
            raise AnalysisError(f"budget line {self.name!r}: {wrong}")

    def _wrong(self) -> str:
        if not (math.isfinite(self.u) and self.u >= 0.0):
            return f"the standard uncertainty must be zero or more, not {self.u}"
        if not (math.isfinite(self.value) and math.isfinite(self.sensitivity)):
            return f"value and sensitivity must be finite, not {self.value} and {self.sensitivity}"
        if not (self.dof > 0.0 and self.divisor > 0.0):
            return f"degrees of freedom and divisor must be above zero, not {self.dof} and {self.divisor}"
        if self.half_width is not None and not math.isclose(self.half_width, self.u * self.divisor, rel_tol=1e-9):
            return f"{self.half_width} over {self.divisor} is not u = {self.u}"
        shape = DIVISORS[self.distribution]
        if self.distribution != "normal" and (self.half_width is None or not math.isclose(self.divisor, shape)):
            return f"a {self.distribution} line has a half-width, and the divisor {shape:.4f}"
        return ""

    @property
    def contribution(self) -> float:
        """Standard uncertainty that this line gives the result, with the sign of its sensitivity (for correlations)."""
        return self.sensitivity * self.u


class _More(TypedDict, total=False):
    """What any line may have."""

    value: float
    sensitivity: float
    unit: str
    dof: float


def normal(name: str, *, u: float, **more: Unpack[_More]) -> Contribution:
    """Return a line whose standard uncertainty is known directly."""
    return Contribution(name=name, u=u, **more)


def expanded(name: str, *, expanded: float, k: float = 2.0, **more: Unpack[_More]) -> Contribution:
    """Return a line from a certificate: an expanded uncertainty and its coverage factor."""
    return Contribution(name=name, half_width=expanded, divisor=k, u=expanded / k, **more)


def rectangular(
    name: str, *, half_width: float | None = None, u: float | None = None, **more: Unpack[_More]
) -> Contribution:
    """Return a line known by its limits alone (GUM 4.3.7): by ±half_width, or by the u that they make.

    How well the limits are known is said by `dof`: ½ over the square of the relative uncertainty of u (GUM G.4.2).
    """
    return _bounded(name, "rectangular", half_width, u, more)


def triangular(
    name: str, *, half_width: float | None = None, u: float | None = None, **more: Unpack[_More]
) -> Contribution:
    """Return a line within ±half_width, likelier near the middle (GUM 4.3.9), such as a difference of two roundings."""
    return _bounded(name, "triangular", half_width, u, more)


def arcsine(
    name: str, *, half_width: float | None = None, u: float | None = None, **more: Unpack[_More]
) -> Contribution:
    """Return a U-shaped line: a sine of amplitude half_width, phase unknown (JCGM 101, 6.4.6), such as a mismatch."""
    return _bounded(name, "arcsine", half_width, u, more)


def repeated(name: str, readings: Sequence[float], *, sensitivity: float = 1.0, unit: str = "") -> Contribution:
    """Return the Type A line of the mean of repeated readings: s/√n with n − 1 degrees of freedom (GUM 4.2).

    Raises
    ------
    AnalysisError
        With fewer than two readings.
    """
    n = len(readings)
    if n < 2:
        raise AnalysisError(f"budget line {name!r}: a scatter needs at least two readings, got {n}")
    mean = math.fsum(readings) / n
    s = math.sqrt(math.fsum((x - mean) ** 2 for x in readings) / (n - 1))
    return normal(name, u=s / math.sqrt(n), dof=n - 1, value=mean, sensitivity=sensitivity, unit=unit)


def _bounded(
    name: str, distribution: Distribution, half_width: float | None, u: float | None, more: _More
) -> Contribution:
    divisor = DIVISORS[distribution]
    if (half_width is None) == (u is None):
        raise AnalysisError(f"budget line {name!r}: state its half-width or its standard uncertainty, one of the two")
    width = half_width if half_width is not None else (u or 0.0) * divisor
    return Contribution(
        name=name, distribution=distribution, half_width=width, divisor=divisor, u=width / divisor, **more
    )


def reflection_of(vswr: float) -> float:
    """Return the magnitude of Γ, (VSWR − 1)/(VSWR + 1)."""
    if not vswr >= 1.0:
        raise AnalysisError(f"a standing-wave ratio is 1 or more, not {vswr}")
    return (vswr - 1.0) / (vswr + 1.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Budget:
    """The contributions to one result in `unit`; `correlations` lists (name, name, r) of dependent inputs."""

    quantity: str
    unit: str
    estimate: float
    contributions: tuple[Contribution, ...]
    correlations: tuple[tuple[str, str, float], ...] = ()

    def __post_init__(self) -> None:
        names = [c.name for c in self.contributions]
        for a, b, r in self.correlations:
            for name in (a, b):
                if names.count(name) != 1:
                    raise AnalysisError(
                        f"budget of {self.quantity}: the correlation of {name!r} needs one line of that name"
                    )
            if a == b or not -1.0 <= r <= 1.0:
                raise AnalysisError(f"budget of {self.quantity}: the correlation of {a!r} and {b!r} cannot be {r}")

    @property
    def u(self) -> float:
        """Combined standard uncertainty, equations (3) and (4) (GUM 5.1.2, 5.2.2)."""
        return math.sqrt(self._variance(self.contributions))

    @property
    def dof_eff(self) -> float:
        """Effective degrees of freedom by Welch–Satterthwaite, equation (5) (GUM G.4.1); never truncated.

        The formula wants independent terms: lines that are correlated, or known from one estimate, enter as one, with
        their joint variance and the fewest degrees of freedom among them.
        """
        groups = self._independent_groups()
        for name in {c.known_from for c in self.contributions if c.known_from}:
            groups = _joined(groups, [c for c in self.contributions if c.known_from == name])
        spread = math.fsum(self._variance(group) ** 2 / min(c.dof for c in group) for group in groups)
        return self.u**4 / spread if spread > 0.0 else math.inf

    def coverage_factor(self, probability: float = COVERAGE) -> float:
        """Coverage factor: Student's at `dof_eff`, the normal one from RELIABLE_DOF on, equation (6)."""
        return coverage_factor(probability, self.dof_eff)

    def expanded(self, probability: float = COVERAGE) -> float:
        """Expanded uncertainty U = k·u, equation (7) (GUM 6.2.1)."""
        return self.coverage_factor(probability) * self.u

    def error_sum(self) -> ErrorSum:
        """Return the error's distribution: bounded lines by shape, normal and correlated ones in one normal part."""
        normal_variance, bounded = 0.0, []
        for group in self._independent_groups():
            line = group[0]
            if len(group) > 1 or line.distribution == "normal":
                normal_variance += self._variance(group)
            elif line.contribution:
                bounded.append((line.distribution, abs(line.contribution) * DIVISORS[line.distribution]))
        return ErrorSum(normal_u=math.sqrt(normal_variance), bounded=tuple(bounded))

    def probability_between(self, low: float | None, high: float | None) -> float:
        """Probability that the value of the quantity lies within limits, by the exact distribution, equation (17)."""
        errors = self.error_sum()
        if errors.u == 0.0:
            return normal_probability_between(self.estimate, 0.0, low, high)

        def below(limit: float) -> float:
            z = limit - self.estimate
            return 0.5 * (1.0 + math.copysign(central_probability(errors, abs(z)), z))

        return (1.0 if high is None else below(high)) - (0.0 if low is None else below(low))

    def _variance(self, lines: Sequence[Contribution]) -> float:
        share = {c.name: c.contribution for c in lines}
        covariance = math.fsum(share[a] * share[b] * r for a, b, r in self.correlations if a in share)
        return max(math.fsum(c.contribution**2 for c in lines) + 2.0 * covariance, 0.0)

    def _independent_groups(self) -> list[tuple[Contribution, ...]]:
        """Return the lines grouped so that no correlation joins two groups."""
        groups: list[tuple[Contribution, ...]] = [(c,) for c in self.contributions]
        for a, b, _ in self.correlations:
            groups = _joined(groups, [c for c in self.contributions if c.name in {a, b}])
        return groups


def _joined(
    groups: Sequence[tuple[Contribution, ...]], together: Sequence[Contribution]
) -> list[tuple[Contribution, ...]]:
    """The groups, those that hold any of the lines `together` made one."""
    joined = [group for group in groups if any(line in together for line in group)]
    return [*(group for group in groups if group not in joined), tuple(line for group in joined for line in group)]


@dataclass(frozen=True, slots=True, kw_only=True)
class Statement:
    """The result as it is reported: estimate, U, k at a probability, and by which method."""

    estimate: float
    u: float
    k: float
    expanded: float
    probability: float
    dof_eff: float
    method: Method
    low: float
    high: float
    unit: str

    def text(self, *, digits: int = 2, signed: bool = False) -> str:
        """Return "(1.7 ± 1.5) %, k = 2.00 (95.45 %)", rounded by the rule of `rounding`."""
        pair = format_value_u(self.estimate, self.expanded, self.unit, digits=digits, signed=signed)
        return localised(f"{pair}, k = {self.k:.2f} ({100.0 * self.probability:.4g} %)")


def coverage_factor(probability: float, dof: float = math.inf) -> float:
    """
    Two-sided coverage factor of the normal or Student's distribution, equation (6).

    Parameters
    ----------
    probability
        Coverage probability, between 0 and 1.
    dof
        Degrees of freedom, not necessarily whole; from `RELIABLE_DOF` on the normal factor is used.

    Raises
    ------
    AnalysisError
        If the probability is not between 0 and 1.

    References
    ----------
    JCGM 100:2008, G.3.4 and G.6.4 (without its option to truncate the degrees of freedom).
    """
    if not 0.0 < probability < 1.0:
        raise AnalysisError(f"a coverage probability lies between 0 and 1, not at {probability}")
    p = 0.5 * (1.0 + probability)
    return float(ndtri(p)) if dof >= RELIABLE_DOF else float(stdtrit(dof, p))


def state(budget: Budget, probability: float = COVERAGE) -> Statement:
    """
    Make the statement of a budget, by k·u or, where that would be wrong, by the exact distribution.

    The half-width of the k·u interval is compared with that of the exact distribution of the same table, both with the
    variances taken as known. While they agree within `GUM_TOLERANCE`, k·u stands and the method is "gum". Else a
    bounded term dominates: U is the exact half-width, widened by the ratio of Student's to the normal factor at the
    effective degrees of freedom, and the method is "convolution"; k = U/u then only describes the result.

    Deterministic, 0.1 ms or so; `probability` is the coverage probability.

    References
    ----------
    Equations (8) to (11). JCGM 101:2008, clause 8 (comparison of the two results); EA-4/02 M:2022, S9.
    """
    u, dof, k = budget.u, budget.dof_eff, budget.coverage_factor(probability)
    half_width = k * u
    method: Method = "gum"
    errors = budget.error_sum()
    if errors.bounded:
        known = coverage_factor(probability)
        exact = central_half_width(errors, probability)
        if abs(known * u - exact) > GUM_TOLERANCE * exact:
            half_width, method = exact * k / known, "convolution"
            k = half_width / u
    return Statement(
        estimate=budget.estimate,
        u=u,
        k=k,
        expanded=half_width,
        probability=probability,
        dof_eff=dof,
        method=method,
        low=budget.estimate - half_width,
        high=budget.estimate + half_width,
        unit=budget.unit,
    )


def normal_probability_between(estimate: float, u: float, low: float | None, high: float | None) -> float:
    """Probability that a normal quantity lies within limits, equation (16) (JCGM 106:2012, 7.2 to 7.4)."""
    if u <= 0.0:
        return float((low is None or estimate >= low) and (high is None or estimate <= high))
    above = 1.0 if high is None else float(ndtr((high - estimate) / u))
    return above - (0.0 if low is None else float(ndtr((low - estimate) / u)))
