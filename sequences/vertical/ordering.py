"""Order of work: few range clicks, level clicks and cable moves that take every reading.

Orders as people use them, sweep by sweep, are constructed, and the cheapest of them is improved where it costs more
than one sweep of each connection. Everything is deterministic. Equation numbers refer to docs/deflection.md.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import groupby, permutations, product
from typing import TYPE_CHECKING, Final

from harness.errors import AnalysisError

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

# Orders looked at times points in them: a tenth of a second or so. The usual jobs need none of it.
MOST_WORK: Final = 100_000
_TIE: Final = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True)
class WorkPoint:
    """One reading: where the cable is, which range is set, which level is applied.

    `range_index` and `level_index` count clicks. `knob` names the range switch: by default every cable position has its
    own (a channel); straight and divided readings of one channel share one.
    """

    group: int
    range_index: int
    level_index: int
    knob: int | None = None

    @property
    def switch(self) -> int:
        """The range switch that this point needs."""
        return self.group if self.knob is None else self.knob

    @property
    def place(self) -> tuple[int, int, int, int]:
        """What readings have in common that follow each other for nothing."""
        return self.group, self.switch, self.range_index, self.level_index


@dataclass(frozen=True, slots=True, kw_only=True)
class WorkCosts:
    """What handling costs, in any one unit; `level_entry` is paid for any change of level, as on a keypad."""

    range_click: float = 1.0
    level_click: float = 1.0
    cable_move: float = 10.0
    reading: float = 3.0
    level_entry: float = 0.0

    def __post_init__(self) -> None:
        costs = (self.range_click, self.level_click, self.cable_move, self.reading, self.level_entry)
        if not all(math.isfinite(cost) and cost >= 0.0 for cost in costs):
            raise AnalysisError("the costs of handling must be finite numbers of zero or more")

    def of_levels(self, clicks: int) -> float:
        """What a change of level costs."""
        return self.level_click * clicks + (self.level_entry if clicks else 0.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Arrangement:
    """An order of the points (their places in the list given), and its cost."""

    order: tuple[int, ...]
    cost: float


def arrange(points: Sequence[WorkPoint], costs: WorkCosts | None = None) -> Arrangement:
    """
    Return an order of work that costs little.

    Parameters
    ----------
    points
        What is to be read, in any order.
    costs
        What handling costs. The first setting of everything is free: it must be made in any case.

    References
    ----------
    Equations (21) and (22).
    """
    if not points:
        return Arrangement(order=(), cost=0.0)
    costs = costs or WorkCosts()
    numbers = sorted(range(len(points)), key=lambda i: points[i].place)
    readings = {place: tuple(same) for place, same in groupby(numbers, key=lambda i: points[i].place)}
    at = [points[same[0]] for same in readings.values()]
    order = min(_constructed(at, costs), key=lambda tried: work_cost(at, tried, costs))
    if work_cost(at, order, costs) > _once_through(at, costs) * (1.0 + _TIE):
        order = _improved(at, order, costs)
    of_place = list(readings.values())
    taken = tuple(i for place in order for i in of_place[place])
    return Arrangement(order=taken, cost=work_cost(points, taken, costs))


def work_cost(points: Sequence[WorkPoint], order: Sequence[int], costs: WorkCosts | None = None) -> float:
    """Return the cost of taking the points in an order, equation (21)."""
    costs = costs or WorkCosts()
    knobs: dict[int, int] = {}
    total = costs.reading * len(order)
    before: WorkPoint | None = None
    for i in order:
        point = points[i]
        switch = point.switch
        total += costs.range_click * abs(point.range_index - knobs.get(switch, point.range_index))
        if before is not None:
            if before.level_index != point.level_index:
                total += costs.of_levels(abs(point.level_index - before.level_index))
            if before.group != point.group:
                total += costs.cable_move
        knobs[switch] = point.range_index
        before = point
    return total


def _once_through(at: Sequence[WorkPoint], costs: WorkCosts) -> float:
    """Equation (22): every connection made once, and there every range and level passed once."""
    total = costs.reading * len(at) - costs.cable_move
    for places in _by_group(at).values():
        switches: dict[int, list[int]] = {}
        for place in places:
            switches.setdefault(at[place].switch, []).append(at[place].range_index)
        levels = {at[place].level_index for place in places}
        spans = costs.range_click * sum(max(ranges) - min(ranges) for ranges in switches.values())
        spans += costs.level_click * (max(levels) - min(levels)) + costs.level_entry * (len(levels) - 1)
        step = min(costs.range_click, costs.of_levels(1)) if len(switches) == 1 else 0.0
        total += costs.cable_move + max(spans, step * (len(places) - 1))
    return total


def _by_group(at: Sequence[WorkPoint]) -> dict[int, list[int]]:
    groups: dict[int, list[int]] = {}
    for place, point in enumerate(at):
        groups.setdefault(point.group, []).append(place)
    return groups


def _constructed(at: Sequence[WorkPoint], costs: WorkCosts) -> Iterator[list[int]]:
    """Orders that people use: group by group, up or down the ranges or the levels; or all groups woven together."""
    groups = _by_group(at)
    sweeps = {group: list(_sweeps(at, places, costs)) for group, places in groups.items()}
    orders: Iterable[tuple[int, ...]] = permutations(groups) if len(groups) <= 4 else [tuple(groups)]
    for first, *others in orders:
        for sweep in sweeps[first]:
            order = sweep
            for group in others:
                order = min(([*order, *way] for way in sweeps[group]), key=lambda tried: work_cost(at, tried, costs))
            yield order
    for weave in (
        lambda place: (at[place].level_index, at[place].group, at[place].range_index),
        lambda place: (at[place].range_index, at[place].level_index, at[place].group),
    ):
        for downwards in (False, True):
            yield sorted(range(len(at)), key=weave, reverse=downwards)


def _sweeps(at: Sequence[WorkPoint], places: Sequence[int], costs: WorkCosts) -> Iterator[list[int]]:
    """Row by row, rows being ranges or levels, each row in the direction that makes the whole sweep cheapest."""
    for by_range, downwards in product((True, False), repeat=2):

        def row_of(place: int, by_range: bool = by_range) -> tuple[int, int]:
            return (at[place].switch, at[place].range_index) if by_range else (0, at[place].level_index)

        def along(place: int, by_range: bool = by_range) -> int:
            return at[place].level_index if by_range else at[place].range_index

        rows = [sorted(row, key=along) for _, row in groupby(sorted(places, key=row_of, reverse=downwards), key=row_of)]
        ways: list[list[int]] = [rows[0], rows[0][::-1]]
        for row in rows[1:]:
            ways = [
                min(([*way, *turned] for way in ways), key=lambda tried: work_cost(at, tried, costs))
                for turned in (row, row[::-1])
            ]
        yield from ways


def _improved(at: Sequence[WorkPoint], order: list[int], costs: WorkCosts) -> list[int]:
    """Turn and move stretches of the order while that makes it cheaper (2-opt and or-opt)."""
    best, cost = order, work_cost(at, order, costs)
    allowed = MOST_WORK // len(best)
    better = True
    while better:
        better = False
        for candidate in _neighbours(best):
            allowed -= 1
            if allowed < 0:
                return best
            new = work_cost(at, candidate, costs)
            if new < cost * (1.0 - _TIE):
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
