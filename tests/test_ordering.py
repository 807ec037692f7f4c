"""Order of work: against exact dynamic programming over small jobs, and the job of two channels and twelve ranges."""

from __future__ import annotations

import random
from functools import cache

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.errors import AnalysisError
from sequences.vertical.ordering import WorkCosts, WorkPoint, arrange, work_cost

# 2 mV/div to 10 V/div in 1-2-5 steps from a decade calibrator: 5, 2 and 1 divisions, a level for every three ranges.
DECADE = (0, 0, 0, 1, 1, 1, 2, 2, 2, 3, 3, 3)
TWO_BY_TWELVE = [WorkPoint(group=g, range_index=r, level_index=level) for g in (0, 1) for r, level in enumerate(DECADE)]


def cheapest(points, costs):
    """Exact dynamic programming over everything that matters: what is read, where, and every range switch."""

    def handling(before, point, knobs):
        cost = costs.reading
        if before is not None:
            clicks = abs(point.level_index - before.level_index)
            cost += costs.level_click * clicks + (costs.level_entry if clicks else 0.0)
            cost += costs.cable_move * (point.group != before.group)
        stands = dict(knobs).get(point.switch)
        return cost + (0.0 if stands is None else costs.range_click * abs(point.range_index - stands))

    @cache
    def rest(left, last, knobs):
        if not left:
            return 0.0
        before = None if last is None else points[last]
        found = []
        for i in left:
            turned = tuple(sorted({**dict(knobs), points[i].switch: points[i].range_index}.items()))
            found.append(handling(before, points[i], knobs) + rest(left - {i}, i, turned))
        return min(found)

    return rest(frozenset(range(len(points))), None, ())


def small_job(rng):
    n = rng.randint(1, 7)
    points = [
        WorkPoint(
            group=rng.randint(0, 2),
            range_index=rng.randint(0, 4),
            level_index=rng.randint(0, 4),
            knob=rng.choice([None, 0]),
        )
        for _ in range(n)
    ]
    costs = WorkCosts(
        range_click=rng.choice([0.0, 0.3, 1.0, 2.0]),
        level_click=rng.choice([0.0, 0.7, 1.0, 2.0]),
        cable_move=rng.choice([0.0, 0.5, 1.0, 3.0, 10.0]),
        reading=rng.choice([0.0, 3.0]),
        level_entry=rng.choice([0.0, 0.0, 1.0]),
    )
    return points, costs


def test_two_channels_of_twelve_ranges():
    work = arrange(TWO_BY_TWELVE)
    assert work.cost == 110.0
    range_outer = [g * 12 + r for r in range(12) for g in (0, 1)]
    assert work_cost(TWO_BY_TWELVE, range_outer) == 327.0
    # One channel through, one cable move, the other back.
    assert [TWO_BY_TWELVE[i].group for i in work.order] in ([0] * 12 + [1] * 12, [1] * 12 + [0] * 12)


def test_small_jobs_come_near_the_optimum():
    rng, optimal = random.Random(7), 0
    for _ in range(150):
        points, costs = small_job(rng)
        work, best = arrange(points, costs), cheapest(points, costs)
        optimal += work.cost <= best + 1e-9
        assert best - 1e-9 <= work.cost <= 1.15 * best + 1e-9
        assert sorted(work.order) == list(range(len(points)))
        assert work_cost(points, work.order, costs) == pytest.approx(work.cost, abs=1e-9)
    assert optimal >= 135


def irregular(seed):
    rng = random.Random(seed)
    return [
        WorkPoint(group=rng.randrange(2), range_index=rng.randrange(6), level_index=rng.randrange(5)) for _ in range(8)
    ]


def test_an_order_is_improved_step_by_step_to_the_cheapest(monkeypatch):
    """The fourth takes two steps; with no work allowed the order stays as it was constructed."""
    costs = WorkCosts(cable_move=3.0, reading=0.0)
    assert [arrange(irregular(seed), costs).cost for seed in range(12)] == [
        cheapest(irregular(seed), costs) for seed in range(12)
    ]
    constructed = 20.0
    assert arrange(irregular(4), costs).cost == constructed - 2.0
    monkeypatch.setattr("sequences.vertical.ordering.MOST_WORK", 0)
    assert arrange(irregular(4), costs).cost == constructed


@pytest.mark.parametrize("levels", [(0, 0, 0, 1), (0, 1, 1, 2), (0, 1, 2, 3)])
@pytest.mark.parametrize("positions", [((0, 0),), ((0, 0), (1, 1)), ((0, 0), (1, 0))], ids=["one", "two", "probe"])
@pytest.mark.parametrize(
    "costs", [WorkCosts(), WorkCosts(range_click=0.01), WorkCosts(level_click=0.0, level_entry=1.0)]
)
def test_one_level_a_range_is_taken_in_the_cheapest_order(levels, positions, costs):
    points = [
        WorkPoint(group=group, range_index=r, level_index=level, knob=knob)
        for group, knob in positions
        for r, level in enumerate(levels)
    ]
    assert arrange(points, costs).cost == pytest.approx(cheapest(points, costs))


def test_four_positions_of_twelve_ranges():
    points = [
        WorkPoint(group=g, range_index=r, level_index=level, knob=g // 2)
        for g in range(4)
        for r, level in enumerate(DECADE)
    ]
    work = arrange(points)
    # 48 readings, three moves, 11 range clicks and 3 level clicks a position: nothing is saved by going back.
    assert work.cost == 48 * 3 + 3 * 10 + 4 * (11 + 3)


def test_several_levels_of_every_range():
    points = [
        WorkPoint(group=g, range_index=r, level_index=level + k)
        for g in (0, 1)
        for r, level in enumerate(DECADE)
        for k in range(5)
    ]
    work = arrange(points)
    assert sorted(work.order) == list(range(120))
    # No order takes fewer than a click between two places of a channel, and one cable move.
    assert work.cost <= 1.02 * (120 * 3 + 2 * 59 + 10)


@given(seed=st.integers(0, 10**6))
def test_the_order_given_does_not_matter(seed):
    rng = random.Random(seed)
    points, costs = small_job(rng)
    shuffled = list(points)
    rng.shuffle(shuffled)
    assert arrange(points, costs).cost == pytest.approx(arrange(shuffled, costs).cost)
    assert arrange(points, costs) == arrange(points, costs)


@given(seed=st.integers(0, 10**6), scale=st.sampled_from([1 / 128, 4.0, 1024.0]))
def test_costs_in_another_unit_give_the_same_work(seed, scale):
    points, costs = small_job(random.Random(seed))
    scaled = WorkCosts(
        **{
            name: scale * getattr(costs, name)
            for name in ("range_click", "level_click", "cable_move", "reading", "level_entry")
        }
    )
    assert arrange(points, scaled).cost == pytest.approx(scale * arrange(points, costs).cost)


def test_nothing_to_do_and_nonsense():
    assert arrange([]).order == ()
    with pytest.raises(AnalysisError, match="finite numbers of zero or more"):
        WorkCosts(cable_move=-1.0)
