"""What an order of work costs, and what no order can cost less than.

Equation numbers refer to docs/deflection.md.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property, lru_cache
from itertools import pairwise, permutations
from typing import TYPE_CHECKING

from harness.errors import AnalysisError

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence


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


def work_cost(points: Sequence[WorkPoint], order: Sequence[int], costs: WorkCosts | None = None) -> float:
    """Return the cost of taking the points in an order, equation (21)."""
    costs = costs or WorkCosts()
    knobs: dict[int, int] = {}
    total = costs.reading * len(order)
    before: WorkPoint | None = None
    for i in order:
        point = points[i]
        total += handling(before, point, knobs.get(point.switch), costs)
        knobs[point.switch] = point.range_index
        before = point
    return total


def handling(before: WorkPoint | None, point: WorkPoint, knob_at: int | None, costs: WorkCosts) -> float:
    """Cost of going on to a point; `knob_at` is where its range switch stands, None if it was not set yet."""
    cost = 0.0 if knob_at is None else costs.range_click * abs(point.range_index - knob_at)
    if before is not None:
        clicks = abs(point.level_index - before.level_index)
        cost += costs.level_click * clicks + (costs.level_entry if clicks else 0.0)
        cost += costs.cable_move if point.group != before.group else 0.0
    return cost


@dataclass(frozen=True, slots=True)
class _Left:
    """What is left of one group: spans of range and level, and what each further visit to it could save at most."""

    switch_spans: tuple[tuple[int, int, int], ...]  # (knob, lowest, highest range)
    levels: frozenset[int]
    span: tuple[int, int]  # of the levels
    inside: float  # least handling between its places, in one visit
    savings: tuple[float, ...]  # by which each more visit could make that less


@dataclass(frozen=True)
class Job:
    """The points by place: readings at one place follow each other for nothing."""

    points: tuple[WorkPoint, ...]
    costs: WorkCosts

    @cached_property
    def places(self) -> tuple[tuple[int, ...], ...]:
        """The readings of each place, by their numbers in `points`."""
        found: dict[tuple[int, int, int, int], list[int]] = {}
        for i, p in enumerate(self.points):
            found.setdefault((p.group, p.switch, p.range_index, p.level_index), []).append(i)
        return tuple(tuple(found[key]) for key in sorted(found))

    @cached_property
    def at(self) -> tuple[WorkPoint, ...]:
        """Each place as a point."""
        return tuple(self.points[readings[0]] for readings in self.places)

    @cached_property
    def groups(self) -> dict[int, tuple[int, ...]]:
        """The places of each cable position."""
        found: dict[int, list[int]] = {}
        for place, point in enumerate(self.at):
            found.setdefault(point.group, []).append(place)
        return {group: tuple(places) for group, places in found.items()}

    @cached_property
    def masks(self) -> dict[int, int]:
        """The places of each group as a set of bits."""
        return {group: sum(1 << place for place in places) for group, places in self.groups.items()}

    @cached_property
    def between(self) -> tuple[tuple[int, ...], ...]:
        """[from][to]: the places of the same group that lie on the way and cost nothing to take along."""
        return tuple(tuple(self._on_the_way(a, b) for b in range(len(self.at))) for a in range(len(self.at)))

    @property
    def readings(self) -> float:
        """What the readings themselves cost, in any order."""
        return self.costs.reading * len(self.points)

    @cached_property
    def bound_of_all(self) -> float:
        """Lower bound of the handling of the whole job."""
        return self.bound((1 << len(self.at)) - 1, None, {})

    def cost(self, order: Sequence[int]) -> float:
        """Handling alone."""
        return work_cost(self.at, order, self.costs) - self.costs.reading * len(order)

    def bound(self, left: int, last: WorkPoint | None, knobs: dict[int, int]) -> float:
        """Lower bound of the handling still to come, equation (22); `left` is a set of places, one bit each."""
        rest = {group: self._left(left & mask) for group, mask in self.masks.items() if left & mask}
        if not rest:
            return 0.0
        here = None if last is None else last.group
        others = [part for group, part in rest.items() if group != here]
        mine = [rest[here]] if here in rest else []
        moves = self.costs.cable_move * (len(others) - (last is None))
        inside = sum(part.inside for part in rest.values())
        # A group visited once more costs one more cable move, and saves what it can.
        worth = sum(max(saving - self.costs.cable_move, 0.0) for part in rest.values() for saving in part.savings)
        visited_once = max(inside, self._joined([*mine, *others], bool(mine), last, knobs))
        split = max(inside - worth, self._whole(list(rest.values()), last, knobs) + self.costs.cable_move)
        return moves + min(visited_once, split)

    @cached_property
    def _known(self) -> dict[int, _Left]:
        return {}

    def _left(self, mask: int) -> _Left:
        if mask not in self._known:
            self._known[mask] = _left_of([p for i, p in enumerate(self.at) if mask >> i & 1], self.costs)
        return self._known[mask]

    def _joined(self, parts: list[_Left], first_fixed: bool, last: WorkPoint | None, knobs: dict[int, int]) -> float:
        """Range and level clicks when each group is finished in one visit, the switches where the last left them."""
        spans: dict[int, list[tuple[int, int]]] = {}
        fixed: set[int] = set()
        for place, part in enumerate(parts):
            for knob, low, high in part.switch_spans:
                spans.setdefault(knob, []).append((low, high))
                if place == 0 and first_fixed:
                    fixed.add(knob)
        ranges = sum(_visits(tuple(found), knob in fixed, knobs.get(knob)) for knob, found in spans.items())
        at = None if last is None else last.level_index
        levels = _visits(tuple(part.span for part in parts), first_fixed, at)
        entries = self._entries(parts, at)
        return (
            self.costs.range_click * ranges + self.costs.level_click * levels + self.costs.level_entry * max(entries, 0)
        )

    def _whole(self, parts: list[_Left], last: WorkPoint | None, knobs: dict[int, int]) -> float:
        """Range and level clicks that cover everything once, however the groups are visited."""
        spans: dict[int, tuple[int, int]] = {}
        for part in parts:
            for knob, low, high in part.switch_spans:
                before = spans.get(knob, (low, high))
                spans[knob] = (min(low, before[0]), max(high, before[1]))
        ranges = sum(_sweep(low, high, knobs.get(knob)) for knob, (low, high) in spans.items())
        at = None if last is None else last.level_index
        levels = _sweep(min(p.span[0] for p in parts), max(p.span[1] for p in parts), at)
        return (
            self.costs.range_click * ranges
            + self.costs.level_click * levels
            + self.costs.level_entry * max(self._entries(parts, at), 0)
        )

    @staticmethod
    def _entries(parts: list[_Left], at: int | None) -> int:
        values = frozenset().union(*(part.levels for part in parts))
        return len(values) - 1 if at is None else len(values - {at})

    def _on_the_way(self, a: int, b: int) -> int:
        start, end = self.at[a], self.at[b]
        if start.group != end.group or start.switch != end.switch:
            return 0
        ranges = sorted((start.range_index, end.range_index))
        levels = sorted((start.level_index, end.level_index))
        return sum(
            1 << q
            for q in self.groups[start.group]
            if q not in (a, b)
            and self.at[q].switch == start.switch
            and ranges[0] <= self.at[q].range_index <= ranges[1]
            and levels[0] <= self.at[q].level_index <= levels[1]
            and (not self.costs.level_entry or self.at[q].level_index in levels)
        )


def _left_of(points: Sequence[WorkPoint], costs: WorkCosts) -> _Left:
    """Bounds inside one group, equation (22): spans, or a least step between any two places."""
    ranges: dict[int, set[int]] = {}
    for point in points:
        ranges.setdefault(point.switch, set()).add(point.range_index)
    levels = {point.level_index for point in points}
    range_gaps = sorted((gap for found in ranges.values() for gap in _gaps(found)), reverse=True)
    level_gaps = sorted(_gaps(levels), reverse=True)
    step = min(costs.range_click, costs.level_click + costs.level_entry) if len(ranges) == 1 else 0.0
    spans = (
        costs.range_click * sum(range_gaps)
        + costs.level_click * sum(level_gaps)
        + costs.level_entry * (len(levels) - 1)
    )
    more = max(len(range_gaps), len(level_gaps), len(points) - 1)
    range_gaps += [0] * (more - len(range_gaps))
    level_gaps += [0] * (more - len(level_gaps))
    return _Left(
        switch_spans=tuple((knob, min(found), max(found)) for knob, found in sorted(ranges.items())),
        levels=frozenset(levels),
        span=(min(levels), max(levels)),
        inside=max(spans, step * (len(points) - 1)),
        savings=tuple(
            max(costs.range_click * r + costs.level_click * v + costs.level_entry, step)
            for r, v in zip(range_gaps, level_gaps, strict=True)
        ),
    )


def _gaps(values: Iterable[int]) -> list[int]:
    return [b - a for a, b in pairwise(sorted(values))]


def _sweep(low: int, high: int, at: int | None) -> int:
    """Clicks that cover a span, from where the switch stands or from anywhere."""
    return high - low + (0 if at is None else min(abs(at - low), abs(at - high)))


@lru_cache(maxsize=4096)
def _visits(spans: tuple[tuple[int, int], ...], first_fixed: bool, at: int | None) -> int:
    """Fewest clicks that cover the spans one after the other, in the best order (the first in its place if fixed)."""
    if len(spans) > 5:  # each span at least once: a bound is all that is needed
        return sum(high - low for low, high in spans)
    head, tail = (spans[:1], spans[1:]) if first_fixed else ((), spans)
    return min(_one_by_one([*head, *order], at) for order in permutations(tail))


def _one_by_one(spans: list[tuple[int, int]], at: int | None) -> int:
    """Clicks through spans in a given order, each left at one of its ends."""
    ends: dict[int | None, int] = {at: 0}
    for low, high in spans:
        reached: dict[int | None, int] = {}
        for end, start in ((high, low), (low, high)):
            reached[end] = min(
                clicks + (0 if place is None else abs(place - start)) + high - low for place, clicks in ends.items()
            )
        ends = reached
    return min(ends.values())
