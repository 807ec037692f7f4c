"""What verdict a point can reach before it is measured, and the cheapest remedy where it can reach none.

A budget at its nominal, of a unit without error, already holds the uncertainty that the result will have; with the
limits and the rule it tells which words are open. Equation numbers refer to docs/deflection.md.

References
----------
JCGM 106:2012, clause 8 (acceptance intervals fixed beforehand). ILAC-G8:09/2019, clause 4.2 (w = U).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, TypeAlias

from harness.analysis.estimate import COVERAGE, Budget, state
from harness.analysis.verdict import EQUALITY_SLACK, Limits, Rule, acceptance_limits, guard_band
from harness.errors import AnalysisError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

Prospect: TypeAlias = Literal["can pass", "can only fail", "cannot be decided"]

# An error of more than so many tolerances is not expected of a unit that is worth verifying; a point that could only be
# failed beyond it is called undecidable. Against a single limit, which stands for a value, results from a third of it
# to three times it are expected, and zero where that is the nominal.
PLAUSIBLE_TOLERANCES = 3.0

# More repeats of one point than this cost a person more than another level or a better source.
MOST_REPEATS = 25


@dataclass(frozen=True, slots=True, kw_only=True)
class Reach:
    """What can be said of a point before it is measured.

    `largest_passing` is the largest error, in size, that would still pass: the least favourable side of the acceptance
    zone; None where nothing can pass. Against a single limit it is the result itself, the last one that would pass.
    `expanded` is U.
    """

    prospect: Prospect
    expanded: float
    acceptance: Limits | None
    largest_passing: float | None
    sentence: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidate:
    """A remedy that the bench allows: what to do, what it costs in the caller's own unit, the budget it would give."""

    sentence: str
    cost: float
    budget: Budget


def reach(budget: Budget, limits: Limits, rule: Rule, probability: float = COVERAGE) -> Reach:
    """
    Return which verdicts a point can reach, from its budget at the nominal.

    Parameters
    ----------
    budget
        The budget to expect; its estimate is the nominal, 0 for an error.
    limits
        Tolerance limits, in the budget's unit.
    rule
        Decision rule.
    probability
        Coverage probability of U.

    Returns
    -------
    "can pass": the nominal itself lies in the acceptance zone; against a single limit, a result to expect does, as a
    unit may be far better than its limit. "can only fail": no pass, but a plausible error would be failed. "cannot be
    decided": neither.

    References
    ----------
    Equations (17) and (18).
    """
    statement = state(budget, probability)
    U = statement.expanded
    w = guard_band(statement.u, U, limits, rule)
    zone = acceptance_limits(limits, w)
    nominal = budget.estimate
    if limits.half_width is None:
        largest, can_fail = _against_a_single_limit(limits, nominal, w)
    else:
        room = _room(limits, nominal)
        largest = _largest_passing(zone, nominal, w)
        can_fail = rule == "binary" or min(room) + w < PLAUSIBLE_TOLERANCES * max(room)
    prospect: Prospect = "can pass" if largest is not None else "can only fail" if can_fail else "cannot be decided"
    return Reach(
        prospect=prospect,
        expanded=U,
        acceptance=zone,
        largest_passing=largest,
        sentence=_sentence(budget, prospect, limits, U=U, w=w, largest=largest),
    )


def cheapest_remedy(
    candidates: Iterable[Candidate],
    limits: Limits,
    rule: Rule,
    *,
    least_passing: float = 0.0,
    probability: float = COVERAGE,
) -> Candidate | None:
    """
    Return the cheapest candidate with which the point can pass; of equal cost the one with the least uncertainty.

    Parameters
    ----------
    candidates
        What could be done instead, each with its budget at the nominal.
    limits, rule
        As for `reach`.
    least_passing
        Size of error that must still pass: a zone of next to nothing decides a point on paper only.

    Returns
    -------
    The candidate, or None where none decides the point.

    References
    ----------
    Equation (19).
    """
    found: list[tuple[float, float, int, Candidate]] = []
    for place, candidate in enumerate(candidates):
        if not math.isfinite(candidate.cost):
            raise AnalysisError(f"the cost of a remedy must be a number, not {candidate.cost} ({candidate.sentence})")
        reached = reach(candidate.budget, limits, rule, probability)
        if _decides(reached, least_passing):
            found.append((candidate.cost, reached.expanded, place, candidate))
    return min(found, key=lambda item: item[:3])[3] if found else None


def repeats_to_decide(budget_of: Callable[[int], Budget], limits: Limits, rule: Rule) -> int | None:
    """
    Return the fewest readings with which a point can pass, equation (20); None where `MOST_REPEATS` do not decide it.

    `budget_of` gives the budget at the nominal for a number of readings. It must carry what repeating does not remove:
    rounding left by `graticule.rounding_floor`, the zero line set once, the source.
    """
    numbers = range(1, MOST_REPEATS + 1)
    return next((n for n in numbers if reach(budget_of(n), limits, rule).largest_passing is not None), None)


def _decides(reached: Reach, least_passing: float) -> bool:
    largest = reached.largest_passing
    return largest is not None and largest >= least_passing * (1.0 - EQUALITY_SLACK)


def _room(limits: Limits, nominal: float) -> tuple[float, ...]:
    sides = (
        None if limits.low is None else nominal - limits.low,
        None if limits.high is None else limits.high - nominal,
    )
    return tuple(side for side in sides if side is not None)


def _against_a_single_limit(limits: Limits, nominal: float, w: float) -> tuple[float | None, bool]:
    """The last result that passes, None where none to expect does, and whether one to expect can be failed."""
    if limits.high is not None:
        best, worst = min(nominal, limits.high / PLAUSIBLE_TOLERANCES), PLAUSIBLE_TOLERANCES * limits.high
        last, first = limits.high - w, limits.high + w
        slack = EQUALITY_SLACK * max(abs(limits.high), w)
        return last if last >= best - slack else None, first < worst
    assert limits.low is not None
    best, worst = max(nominal, PLAUSIBLE_TOLERANCES * limits.low), limits.low / PLAUSIBLE_TOLERANCES
    last, first = limits.low + w, limits.low - w
    slack = EQUALITY_SLACK * max(abs(limits.low), w)
    return last if last <= best + slack else None, first > worst


def _largest_passing(zone: Limits | None, nominal: float, w: float) -> float | None:
    """Distance from the nominal to the nearer end of the zone; None where the nominal itself lies outside."""
    if zone is None:
        return None
    nearest = min(_room(zone, nominal))
    scale = max(abs(side) for side in (zone.low, zone.high, w) if side is not None)
    return max(nearest, 0.0) if nearest >= -EQUALITY_SLACK * scale else None


def _sentence(budget: Budget, prospect: Prospect, limits: Limits, *, U: float, w: float, largest: float | None) -> str:
    unit = f" {budget.unit}" if budget.unit else ""
    before = f"{budget.quantity}: U = {U:.3g}{unit} against {limits.text(budget.unit)}"
    single = limits.half_width is None
    edge, side = (limits.high, "above") if limits.high is not None else (limits.low, "below")
    assert edge is not None
    outside = edge + w if side == "above" else edge - w
    match prospect:
        case "can pass" if single:
            until = "up to" if side == "above" else "from"
            on = "" if side == "above" else " on"
            return f"{before}: passes {until} {_or_zero(largest)}{unit}{on}, is failed {side} {outside:.3g}{unit}."
        case "can pass":
            return f"{before}: passes up to {_or_zero(largest)}{unit} from nominal."
        case "can only fail" if single:
            return f"{before}: no result can pass; only one {side} {outside:.3g}{unit} could be failed."
        case "can only fail":
            nearest = min(_room(limits, budget.estimate))
            return f"{before}: no result can pass; only one beyond {nearest + w:.3g}{unit} could be failed."
        case "cannot be decided":
            return f"{before}: cannot be decided with this equipment."


def _or_zero(value: float | None) -> str:
    return f"{value or 0.0:.3g}"
