"""Order of work: the fewest range clicks, level clicks and cable moves that take every reading.

A best-first search (A*) over what is still to be read, with a lower bound on the work left, finds an order and proves
it the cheapest. Where it would take too long it stops with the best order known and the bound reached by then, so that
how far the order can be from the optimum is always known. Everything is deterministic.
Equation numbers refer to docs/deflection.md.

References
----------
P. E. Hart, N. J. Nilsson, B. Raphael, "A formal basis for the heuristic determination of minimum cost paths", 1968.
M. Held, R. M. Karp, "A dynamic programming approach to sequencing problems", 1962 (both from memory).
"""

from __future__ import annotations

import heapq
import math
from dataclasses import dataclass
from itertools import permutations, product
from typing import TYPE_CHECKING

from harness.analysis.ordering_job import Job, WorkCosts, WorkPoint, handling, work_cost

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

__all__ = ["MOST_WORK", "Arrangement", "WorkCosts", "WorkPoint", "arrange", "work_cost"]

# Orders looked at times points in them: half a second or so. The usual jobs are proven with next to none of it.
MOST_WORK = 500_000
_SHARE_OF_IMPROVEMENT = 0.2

_TIE = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True)
class Arrangement:
    """An order of the points (their places in the list given), its cost, and what no order can be cheaper than."""

    order: tuple[int, ...]
    cost: float
    lower_bound: float

    @property
    def proven(self) -> bool:
        """Whether no order is cheaper."""
        return self.cost <= self.lower_bound + _TIE * max(self.cost, 1.0)


def arrange(points: Sequence[WorkPoint], costs: WorkCosts | None = None, *, most_work: int = MOST_WORK) -> Arrangement:
    """
    Return the order of work that costs least.

    Parameters
    ----------
    points
        What is to be read, in any order.
    costs
        What handling costs. The first setting of everything is free: it must be made in any case.
    most_work
        Orders to look at, times the points in them, before settling for the best order known.

    Returns
    -------
    The order with its cost and the lower bound; `proven` tells whether it is the optimum.

    References
    ----------
    Equations (21) to (23).
    """
    if not points:
        return Arrangement(order=(), cost=0.0, lower_bound=0.0)
    job = Job(points=tuple(points), costs=costs or WorkCosts())
    start = min(_constructed(job), key=job.cost)
    if job.cost(start) > job.bound_of_all + _TIE:
        start = _improved(job, start, int(_SHARE_OF_IMPROVEMENT * most_work))
    order, bound = _search(job, start, most_work)
    return Arrangement(
        order=tuple(i for place in order for i in job.places[place]),
        cost=job.cost(order) + job.readings,
        lower_bound=bound + job.readings,
    )


def _constructed(job: Job) -> Iterator[list[int]]:
    """Orders that people use: group by group, up or down the ranges or the levels; or all groups woven together."""
    orders: Iterable[tuple[int, ...]] = permutations(job.groups) if len(job.groups) <= 4 else [tuple(job.groups)]
    snakes = {group: _snakes(job, places) for group, places in job.groups.items()}
    for groups in orders:
        for first in snakes[groups[0]]:
            order = list(first)
            for group in groups[1:]:
                tried = [[*order, *way] for way in snakes[group]]
                order = min(tried, key=job.cost)
            yield order
    for by_level in (False, True):
        for downwards in (False, True):
            yield sorted(range(len(job.at)), key=lambda p: _woven_key(job.at[p], by_level), reverse=downwards)


def _snakes(job: Job, places: Sequence[int]) -> list[tuple[int, ...]]:
    """Row by row, each row to and fro or all one way; rows are ranges or levels."""
    ways = []
    for rows_are_ranges, downwards, first_down, turning in product((True, False), repeat=4):
        rows: dict[int, list[tuple[int, int]]] = {}
        for place in places:
            p = job.at[place]
            row, along = (p.range_index, p.level_index) if rows_are_ranges else (p.level_index, p.range_index)
            rows.setdefault(row, []).append((along, place))
        way: list[int] = []
        for turn, row in enumerate(sorted(rows, reverse=downwards)):
            down = first_down ^ (turning and turn % 2 > 0)
            way += [place for _, place in sorted(rows[row], reverse=down)]
        ways.append(tuple(way))
    return list(dict.fromkeys(ways))


def _woven_key(point: WorkPoint, by_level: bool) -> tuple[int, int, int]:
    if by_level:
        return point.level_index, point.group, point.range_index
    return point.range_index, point.level_index, point.group


def _improved(job: Job, order: list[int], most_work: int) -> list[int]:
    """Turn and move stretches of the order while that makes it cheaper (2-opt and or-opt)."""
    best, cost = list(order), job.cost(order)
    allowed = most_work // len(best)
    better = True
    while better:
        better = False
        for candidate in _neighbours(best):
            allowed -= 1
            if allowed < 0:
                return best
            new = job.cost(candidate)
            if new < cost - _TIE * max(cost, 1.0):
                best, cost, better = candidate, new, True
                break
    return best


def _neighbours(order: list[int]) -> Iterator[list[int]]:
    n = len(order)
    for i in range(n):
        for j in range(i + 2, n + 1):
            yield [*order[:i], *reversed(order[i:j]), *order[j:]]
    for length in (1, 2, 3):
        for i in range(n - length + 1):
            stretch, rest = order[i : i + length], [*order[:i], *order[i + length :]]
            for at in range(len(rest) + 1):
                if at != i:
                    yield [*rest[:at], *stretch, *rest[at:]]


@dataclass(frozen=True, slots=True)
class _State:
    """A beginning of an order: what it has cost, what is left, and where the range switches stand."""

    spent: float
    left: int
    order: tuple[int, ...]
    knobs: dict[int, int]


def _search(job: Job, known: list[int], most_work: int) -> tuple[list[int], float]:
    """Best-first search from nothing read to everything read, equation (23): the order, and the proven bound."""
    upper = job.cost(known)
    slack = _TIE * max(upper, 1.0)
    everything = (1 << len(job.at)) - 1
    count = looked = 0
    # Of equal bounds the deeper beginning first, it ends sooner; the count makes the order of the rest definite.
    queue = [(job.bound_of_all, 0, count, _State(spent=0.0, left=everything, order=(), knobs={}))]
    cheapest: dict[tuple[object, ...], float] = {}
    while queue:
        bound, _, _, state = heapq.heappop(queue)
        if bound >= upper - slack:
            break
        if not state.left:
            return list(state.order), bound
        if looked * len(known) > most_work:
            return known, bound
        for total, after in _continued(job, state):
            looked += 1
            key = (after.left, after.order[-1], tuple(sorted(after.knobs.items())))
            if total < upper - slack and after.spent < cheapest.get(key, math.inf):
                cheapest[key] = after.spent
                count += 1
                heapq.heappush(queue, (max(total, bound), -len(after.order), count, after))
    return known, upper


def _continued(job: Job, state: _State) -> Iterator[tuple[float, _State]]:
    """Every next place with the bound of the whole, but for places that pass by another at no cost."""
    last = state.order[-1] if state.order else None
    for place, point in enumerate(job.at):
        if not state.left >> place & 1 or (last is not None and job.between[last][place] & state.left):
            continue
        before = None if last is None else job.at[last]
        spent = state.spent + handling(before, point, state.knobs.get(point.switch), job.costs)
        knobs = {**state.knobs, point.switch: point.range_index}
        left = state.left & ~(1 << place)
        after = _State(spent=spent, left=left, order=(*state.order, place), knobs=knobs)
        yield spent + job.bound(left, point, knobs), after
