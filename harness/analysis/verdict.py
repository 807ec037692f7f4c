"""Decision rules: (estimate, limits, rule) → word. "Cannot be decided" is a word.

Equation numbers and the exact wording of each rule are in docs/uncertainty.md.

References
----------
ILAC-G8:09/2019, clause 4.2. JCGM 106:2012, clauses 7 to 9. ANSI/NCSL Z540.3-2006 Handbook, "method 6".
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Literal, assert_never

import numpy as np

from harness.analysis.estimate import normal_probability_between
from harness.analysis.rounding import format_value_u, readable
from harness.analysis.special import ndtr, roots_legendre
from harness.errors import AnalysisError
from harness.quantities import with_unit
from harness.words.language import localised, tr

if TYPE_CHECKING:
    from collections.abc import Iterable

    from harness.analysis.estimate import Budget, Statement

Rule = Literal["simple", "guarded", "binary", "non-binary", "managed"]
Word = Literal["pass", "conditional pass", "conditional fail", "fail", "undecided"]
Overall = Literal["meets", "conditionally meets", "does not meet", "cannot be decided"]
ErrorDefinition = Literal["indication", "deflection factor"]

# What a report prints beside every verdict.
RULE_TEXT: dict[Rule, str] = {
    "simple": "Simple acceptance (ILAC-G8:09/2019, 4.2.1): pass on "
    "or inside the tolerance limits, else fail; the uncertainty is not applied.",
    "guarded": "Guarded acceptance, guard band w = U: pass where the result lies inside the limits by U or more, "
    "fail where it lies outside them by more than U, undecided between.",
    "binary": "Binary statement, guard band w = U (ILAC-G8:09/2019, 4.2.2): pass where the result lies inside the "
    "limits by U or more, else fail.",
    "non-binary": "Non-binary statement, guard band w = U (ILAC-G8:09/2019, 4.2.3): pass inside the limits by "
    "U or more, conditional pass "
    "inside by less, conditional fail outside by no more than U, fail beyond.",
    "managed": "Managed risk: a guard band that keeps the probability of false acceptance to 2 %, with U = 2u (or U "
    "where that is more); pass inside the limits by the guard band or more, fail outside them by more than it, "
    "undecided between.",
}
EQUALITY_TEXT = (
    "A result exactly on a tolerance, acceptance or rejection limit gets the better of the two words it separates; "
    "results are compared to within one part in 1e9 of the limit, so that binary rounding decides nothing."
)

# Slack of every comparison, relative to the larger of limit and guard band. A relative error made from two readings
# carries a round-off of some 2e-16, which is 1e-11 of a 25 ppm limit; no measurement resolves 1e-9 of its tolerance.
EQUALITY_SLACK = 1e-9

Z_98 = 2.0537489106318225  # 98 % of a normal distribution lie below it; a test holds it to the function's last bit

# Where 1.04 − exp(0.38 ln TUR − 0.54) reaches zero: above it no guard band is needed for 2 %.
MANAGED_TUR_ENOUGH = math.exp((math.log(1.04) + 0.54) / 0.38)


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """Tolerance limits, one- or two-sided, in the unit of the estimate."""

    low: float | None = None
    high: float | None = None

    def __post_init__(self) -> None:
        if self.low is None and self.high is None:
            raise AnalysisError("a decision needs a lower or an upper limit, and there is neither")
        if any(side is not None and not math.isfinite(side) for side in (self.low, self.high)):
            raise AnalysisError("a limit must be a finite number; leave a side out where there is none")
        if self.low is not None and self.high is not None and self.low >= self.high:
            raise AnalysisError(f"the lower limit {self.low:g} must lie below the upper limit {self.high:g}")

    @classmethod
    def symmetric(cls, tolerance: float) -> Limits:
        """Return the limits ±tolerance."""
        return cls(low=-tolerance, high=tolerance)

    @property
    def half_width(self) -> float | None:
        """Half the distance between the limits; None where there is only one."""
        return None if self.low is None or self.high is None else 0.5 * (self.high - self.low)

    def text(self, unit: str = "") -> str:
        """Return the limits as a report shows them: "−3 % to 3 %", "at least 100 MHz"."""
        suffix = with_unit("", unit)
        if self.low is None:
            return tr("at most {high:.6g}{suffix}", high=self.high, suffix=suffix)
        if self.high is None:
            return tr("at least {low:.6g}{suffix}", low=self.low, suffix=suffix)
        if self.low == -self.high:
            return f"±{localised(f'{self.high:.6g}')}{suffix}"
        return tr("{low:.6g}{suffix} to {high:.6g}{suffix}", low=self.low, suffix=suffix, high=self.high)


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """A word, and everything it was made from."""

    word: Word
    sentence: str
    rule: Rule
    limits: Limits
    guard_band: float
    acceptance: Limits | None
    tur: float | None
    conformance_probability: float


def decide(
    estimate: float,
    u: float,
    U: float,
    limits: Limits,
    rule: Rule,
    *,
    unit: str = "",
    conformance_probability: float | None = None,
) -> Verdict:
    """
    Decide one result by a stated rule.

    Parameters
    ----------
    estimate
        The result, an error or a value, in the unit of the limits.
    u, U
        Its standard uncertainty and its expanded uncertainty at 95 or 95.45 %.
    limits
        Tolerance limits.
    rule
        Decision rule, see `RULE_TEXT`.
    unit
        For the sentence.
    conformance_probability
        Where it is known better than by a normal distribution of standard deviation u.

    Returns
    -------
    The verdict with its sentence, acceptance limits, test uncertainty ratio and conformance probability.

    Raises
    ------
    AnalysisError
        If the estimate is not a number, or an uncertainty is negative or not a number.

    References
    ----------
    Equations (18) to (22) of docs/uncertainty.md.
    """
    if not math.isfinite(estimate):
        raise AnalysisError(f"there is no verdict on {estimate}: the estimate must be a finite number")
    if not (u >= 0.0 and U >= 0.0):
        raise AnalysisError(f"there is no verdict without an uncertainty: u = {u}, U = {U}")
    w = guard_band(u, U, limits, rule)
    accepted = acceptance_limits(limits, w)
    word = _word(estimate, limits, w, rule, pass_possible=accepted is not None)
    probability = conformance_probability
    if probability is None:
        probability = normal_probability_between(estimate, u, limits.low, limits.high) if math.isfinite(u) else 0.0
    return Verdict(
        word=word,
        sentence=_sentence(word, estimate, U, limits, rule, w=w, unit=unit, pass_possible=accepted is not None),
        rule=rule,
        limits=limits,
        guard_band=w,
        acceptance=accepted,
        tur=test_uncertainty_ratio(limits, U),
        conformance_probability=probability,
    )


def decide_statement(statement: Statement, limits: Limits, rule: Rule, *, budget: Budget | None = None) -> Verdict:
    """Decide a statement; given its budget, the conformance probability follows the exact distribution."""
    probability = None
    if budget is not None and statement.method != "gum":
        probability = budget.probability_between(limits.low, limits.high)
    return decide(
        statement.estimate,
        statement.u,
        statement.expanded,
        limits,
        rule,
        unit=statement.unit,
        conformance_probability=probability,
    )


def guard_band(u: float, U: float, limits: Limits, rule: Rule) -> float:
    """
    Width w of the guard band of a rule, equations (18) to (20).

    For "managed" two-sided limits w = M·U, with the U = 2u that M was fitted for or the U stated where that is more;
    a single limit, for which no test uncertainty ratio is defined, gets w = z(0.98)·u, which holds the specific risk
    itself to 2 %.
    """
    match rule:
        case "simple":
            return 0.0
        case "guarded" | "binary" | "non-binary":
            return U
        case "managed":
            U = max(U, 2.0 * u)
            tur = test_uncertainty_ratio(limits, U)
            return Z_98 * u if tur is None else U * managed_guard_band_factor(tur) if U > 0.0 else 0.0
        case _:
            assert_never(rule)


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


def worst_false_acceptance(u: float, limits: Limits, w: float) -> float | None:
    """
    Return the global risk of false acceptance, equation (27), in the population of units for which it is largest.

    Parameters
    ----------
    u
        Standard uncertainty of a result.
    limits
        Tolerance limits.
    w
        Guard band.

    Returns
    -------
    The largest share of units that lie outside and are accepted, over all normal populations about the middle of the
    limits; None for a single limit, which has no middle.

    References
    ----------
    JCGM 106:2012, 9.5.
    """
    half_width = limits.half_width
    if half_width is None:
        return None
    if not 0.0 < u < math.inf or w >= half_width:
        return 0.0
    nodes, weights = _quadrature()
    beyond = 4.0 * (nodes + 1.0)  # of the limit, in u: what lies 8 u outside is never accepted
    true = half_width + u * beyond
    accepted = ndtr((half_width - w - true) / u) - ndtr((w - half_width - true) / u)
    spread = half_width * np.geomspace(0.05, 50.0, 200)[:, np.newaxis]
    density = np.exp(-0.5 * (true / spread) ** 2) / (spread * math.sqrt(2.0 * math.pi))
    return float(np.max(2.0 * u * 4.0 * (density * accepted) @ weights))


@cache
def _quadrature() -> tuple[np.ndarray, np.ndarray]:
    """Nodes and weights of Gauss and Legendre, which a report asks for once a result."""
    nodes, weights = roots_legendre(64)
    return nodes, weights


def acceptance_limits(limits: Limits, w: float) -> Limits | None:
    """Return the limits drawn in by the guard band; None where nothing is left, so that no pass is possible."""
    low = None if limits.low is None else limits.low + w
    high = None if limits.high is None else limits.high - w
    if not math.isfinite(w) or (low is not None and high is not None and low >= high):
        return None
    return Limits(low=low, high=high)


def test_uncertainty_ratio(limits: Limits, U: float) -> float | None:
    """Return half the tolerance span over U, equation (15); None for a single limit, infinite for U = 0."""
    half_width = limits.half_width
    if half_width is None:
        return None
    return half_width / U if U > 0.0 else math.inf


test_uncertainty_ratio.__test__ = False  # type: ignore[attr-defined]  # pytest: the trade's term, not a test


def overall(verdicts: Iterable[Verdict | Word]) -> Overall:
    """
    Return one word for a unit: any fail does not meet; every word a pass meets; with passes of which some are
    conditional it conditionally meets; else it cannot be decided.

    Equation (23). A conditional fail is not a decision at the stated confidence. No verdicts at all cannot be decided.
    """
    words = {v if isinstance(v, str) else v.word for v in verdicts}
    if "fail" in words:
        return "does not meet"
    if words == {"pass"}:
        return "meets"
    return "conditionally meets" if words and words <= {"pass", "conditional pass"} else "cannot be decided"


def relative_error(indicated: float, applied: float, definition: ErrorDefinition) -> float:
    """Return the relative error by the definition that the job chose."""
    match definition:
        case "indication":
            return (indicated - applied) / applied  # of what the unit shows, equation (24)
        case "deflection factor":
            return (applied - indicated) / indicated  # of the set factor's true value, equation (25)
        case _:
            assert_never(definition)


def _word(estimate: float, limits: Limits, w: float, rule: Rule, *, pass_possible: bool) -> Word:
    """Place the estimate by its distance inside the nearest limit (negative outside), equation (21)."""
    inside, slack = _distance_inside(estimate, limits, w)
    if pass_possible and inside >= w - slack:
        return "pass"
    match rule:
        case "simple" | "binary":
            return "fail"
        case "guarded" | "managed":
            return "fail" if inside < -w - slack else "undecided"
        case "non-binary":
            if inside >= -slack:
                return "conditional pass"
            return "conditional fail" if inside >= -w - slack else "fail"
        case _:
            assert_never(rule)


def _distance_inside(estimate: float, limits: Limits, w: float) -> tuple[float, float]:
    distances = []
    if limits.low is not None:
        distances.append((estimate - limits.low, EQUALITY_SLACK * max(abs(limits.low), w)))
    if limits.high is not None:
        distances.append((limits.high - estimate, EQUALITY_SLACK * max(abs(limits.high), w)))
    return min(distances)


def _sentence(
    word: Word, estimate: float, U: float, limits: Limits, rule: Rule, *, w: float, unit: str, pass_possible: bool
) -> str:
    shown_in, unit = readable(estimate, unit)
    sides = ((limits.low, "low"), (limits.high, "high"))
    limits = Limits(**{name: side / shown_in for side, name in sides if side is not None})
    signed = limits.low is not None and limits.low < 0.0
    result = format_value_u(estimate / shown_in, U / shown_in, unit, signed=signed)
    band = localised(f"{w / shown_in:.3g} {unit}").rstrip()
    where = {
        "pass": tr("inside the limits by the guard band or more") if w > 0.0 else tr("inside the limits"),
        "conditional pass": tr("inside the limits, but by less than the guard band of {band}", band=band),
        "conditional fail": tr("outside the limits, but by no more than the guard band of {band}", band=band),
        "fail": tr("outside the limits")
        if w == 0.0
        else tr("not inside the limits by the guard band of {band}", band=band)
        if rule == "binary"
        else tr("outside the limits by more than the guard band of {band}", band=band),
        "undecided": tr("within the guard band of {band} about a limit", band=band),
    }[word]
    if not pass_possible and (word == "undecided" or rule == "binary"):
        where = tr("no result can pass: the guard band of {band} leaves no acceptance zone", band=band)
    return tr(
        "{result} against {unit}: {word}; {where}.", result=result, unit=limits.text(unit), word=word, where=where
    )
