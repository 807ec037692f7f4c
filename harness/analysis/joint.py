"""Several results at once: what they rest on together is one error in all of them.

Equation numbers refer to docs/uncertainty.md.

References
----------
JCGM 102:2011, clause 6.2: U_y = C_x U_x C_xᵀ. A sum Σ aⱼ Yⱼ has the variance a U_y aᵀ, so that the sums of
any two results say all of U_y.
"""

from __future__ import annotations

import math
from collections import defaultdict
from dataclasses import replace
from typing import TYPE_CHECKING

from harness.analysis.estimate import Budget, Contribution

if TYPE_CHECKING:
    from collections.abc import Collection, Sequence

Input = tuple[str, str]  # the name and the origin of a line


def combined(
    terms: Sequence[tuple[float, Budget]], *, quantity: str, unit: str, shared: Collection[str] = ()
) -> Budget:
    """
    Return the sum of results, each times its factor, with every line and correlation that they have.

    Parameters
    ----------
    terms
        Factors and results; no two that have lines of their own may be called alike.
    quantity, unit
        What the sum is, and its unit.
    shared
        Origins of errors that are the same in all of them, such as a source's: a line of one name and one such origin
        enters once, by the sum of its contributions with their signs, as large as each result has it.

    References
    ----------
    Equations (4) and (33).
    """
    lines: dict[tuple[int, str, str], list[tuple[float, Contribution]]] = defaultdict(list)
    names: list[dict[str, str]] = []  # of each result: what its lines are called in the sum
    common = _common([budget for _, budget in terms], shared)
    for n, (factor, budget) in enumerate(terms, start=1):
        names.append({})
        for line in budget.contributions:
            is_common = (line.name, line.origin) in common
            called = line.name if is_common else f"{budget.quantity}: {line.name}"
            names[-1][line.name] = called
            lines[0 if is_common else n, called, line.origin].append((factor, line))
    related = (
        (called[one], called[other], r)
        for called, (_, budget) in zip(names, terms, strict=True)
        for one, other, r in budget.correlations
    )
    return Budget(
        quantity=quantity,
        unit=unit,
        estimate=math.fsum(factor * budget.estimate for factor, budget in terms),
        contributions=tuple(_one(called, each) for (_, called, _), each in lines.items()),
        correlations=tuple(dict.fromkeys(related)),
    )


def difference(one: Budget, other: Budget, *, shared: Collection[str] = ()) -> Budget:
    """Return how much one result exceeds another, in their unit: `combined` with the factors 1 and −1."""
    quantity = f"{one.quantity} less {other.quantity}"
    return combined([(1.0, one), (-1.0, other)], quantity=quantity, unit=one.unit, shared=shared)


def _common(results: Sequence[Budget], shared: Collection[str]) -> set[Input]:
    """The inputs that more than one result rests on."""
    each = [{(line.name, line.origin) for line in b.contributions if line.origin in shared} for b in results]
    return {key for n, keys in enumerate(each) for key in keys if any(key in others for others in each[:n])}


def _one(called: str, each: Sequence[tuple[float, Contribution]]) -> Contribution:
    """One line of the sum, as the first result has it; another that knows the same error as u′ adds c′u′/u."""
    (_, first), u = each[0], each[0][1].u
    sensitivity = math.fsum(factor * line.sensitivity * (line.u / u if u else 1.0) for factor, line in each)
    return replace(first, name=called, sensitivity=sensitivity)
