"""The half-power frequency from readings: value, uncertainty, budget, and what must not change it."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sequences.bandwidth.response import half_power, response_band
from sequences.bandwidth.response_model import HALF_POWER_DB, HalfPower, ReadingModel, ResponsePlan, ResponseReading

OPERATOR = ReadingModel(resolution_div=0.1, scatter_div=0.04)
PLAN = ResponsePlan(
    rated_hz=20e6, reference_hz=50e3, min_hz=1e3, max_hz=500e6, deflection_div=6.0, reader=OPERATOR, typed=True
)
NEAR = (0.7, 0.9, 0.95, 1.0, 1.03, 1.08, 1.2)


def two_poles_db(ratio: float) -> float:
    """Two equal poles, half power at 1."""
    corner = 1.0 / math.sqrt(math.sqrt(2.0) - 1.0)
    return -20.0 * math.log10(1.0 + (ratio / corner) ** 2)


def taken(
    f3_hz: float = 23e6,
    ratios: tuple[float, ...] = NEAR,
    gain_db: Callable[[float], float] = two_poles_db,
    references_div: tuple[float, ...] = (6.0, 6.0),
    round_to: int = 1,
) -> list[ResponseReading]:
    references = [ResponseReading(frequency_hz=50e3, deflection_div=d, purpose="reference") for d in references_div]
    return references + [
        ResponseReading(frequency_hz=f3_hz * r, deflection_div=round(6.0 * 10.0 ** (gain_db(r) / 20.0), round_to))
        for r in ratios
    ]


def found(readings: list[ResponseReading], plan: ResponsePlan = PLAN) -> tuple[HalfPower, float, float]:
    result = half_power(readings, plan)
    assert result.status == "found"
    assert result.frequency_hz is not None
    assert result.u_rel is not None
    return result, result.frequency_hz, result.u_rel


def test_rounded_readings_hold_the_truth_in_their_interval() -> None:
    result, frequency_hz, u_rel = found(taken())
    assert result.interval_hz is not None
    low, high = result.interval_hz
    assert low < 23e6 < high
    assert math.log(high / frequency_hz) == pytest.approx(result.k * u_rel)
    assert result.readings_used == 9
    assert result.slope_db_per_ln == pytest.approx(-5.09, abs=0.8)


def test_budget_adds_up_line_by_line_in_db_and_in_frequency() -> None:
    plan = replace(PLAN, u_level_db=0.05, u_reference_meter_db=0.03, u_frequency_rel=1e-4)
    result, _, u_rel = found(taken(), plan)
    assert result.slope_db_per_ln is not None
    assert result.budget is not None
    assert (result.budget.unit, result.budget.estimate) == ("Hz", result.frequency_hz)
    assert result.budget.u == pytest.approx(u_rel * result.budget.estimate)
    lines = {line.name: line for line in result.budget.contributions}
    assert list(lines) == ["readings", "reference", "level", "reference meter", "frequency"]
    rel = {name: line.contribution / result.budget.estimate for name, line in lines.items()}
    for name, line in lines.items():
        if name != "frequency":
            assert (line.unit, line.u) == ("dB", pytest.approx(rel[name] * -result.slope_db_per_ln))
    assert result.u_readings_rel == pytest.approx(math.hypot(rel["readings"], rel["reference"]))
    assert rel["frequency"] == pytest.approx(1e-4)
    assert lines["level"].u == pytest.approx(0.05, rel=0.05)
    nothing_of_a_meter = found(taken(), replace(plan, u_reference_meter_db=0.0))[0].budget
    assert "reference meter" not in [line.name for line in nothing_of_a_meter.contributions]


@pytest.mark.parametrize("slope_db", [0.5, 1.0, 2.0])
@pytest.mark.parametrize("reader", [OPERATOR, ReadingModel(resolution_div=8 / 256, scatter_div=0.01, relative=0.003)])
def test_a_shelf_has_an_interval_that_holds_or_no_value(slope_db: float, reader: ReadingModel) -> None:
    """A fall of so little per ln f through half power: flatter than any roll-off, whose flattest has 4.3 dB."""
    plan, rng, held = replace(PLAN, reader=reader), np.random.default_rng([4, round(10 * slope_db)]), []
    for _ in range(200):
        readings = taken(references_div=(6.0,) * 4, ratios=())
        for ratio in np.geomspace(0.6, 1.6, 16):
            shown = 6.0 * 10.0 ** ((-HALF_POWER_DB - slope_db * math.log(ratio)) / 20.0)
            shown += rng.normal(0.0, reader.random_div(shown))
            shown = round(shown / reader.resolution_div) * reader.resolution_div
            readings.append(ResponseReading(frequency_hz=23e6 * ratio, deflection_div=shown))
        result = half_power(readings, plan)
        if result.interval_hz is not None:
            held.append(result.interval_hz[0] <= 23e6 <= result.interval_hz[1])
        else:
            assert result.flags[-1].code == "too_flat"
    assert len(held) > 190 if slope_db > 1.5 else len(held) < 40
    assert held.count(False) <= 0.05 * 200


@given(factor=st.floats(0.2, 1.2))
def test_scaling_the_level_leaves_the_frequency(factor: float) -> None:
    plan = replace(PLAN, reader=ReadingModel(resolution_div=0.0, scatter_div=0.0, relative=0.005))
    readings = taken(round_to=6)
    scaled = [replace(r, deflection_div=r.deflection_div * factor) for r in readings]
    assert found(scaled, plan)[1] == pytest.approx(found(readings, plan)[1], rel=1e-9)
    assert found(scaled, plan)[2] == pytest.approx(found(readings, plan)[2], rel=1e-6)


@given(step_db=st.floats(-6.0, 6.0))
def test_a_known_level_step_is_taken_out(step_db: float) -> None:
    plan = replace(PLAN, reader=ReadingModel(resolution_div=0.0, scatter_div=0.0, relative=0.005), screen_div=20.0)
    readings = taken(round_to=6)
    changed = readings[3]
    stepped = replace(changed, level_db=step_db, deflection_div=changed.deflection_div * 10.0 ** (step_db / 20.0))
    assert found([*readings[:3], stepped, *readings[4:]], plan)[1] == pytest.approx(found(readings, plan)[1], rel=1e-9)


@given(factor=st.floats(1e-3, 1e3))
def test_scaling_the_frequency_axis_scales_the_frequency(factor: float) -> None:
    readings = taken()
    scaled = [replace(r, frequency_hz=r.frequency_hz * factor) for r in readings]
    plan = replace(
        PLAN,
        rated_hz=PLAN.rated_hz * factor,
        reference_hz=readings[0].frequency_hz * factor,
        min_hz=PLAN.min_hz * factor,
        max_hz=PLAN.max_hz * factor,
    )
    assert found(scaled, plan)[1] == pytest.approx(factor * found(readings)[1], rel=1e-9)
    assert found(scaled, plan)[2] == pytest.approx(found(readings)[2], rel=1e-6)


@given(order=st.permutations(range(9)))
def test_the_order_of_the_readings_does_not_matter(order: list[int]) -> None:
    readings = taken()
    assert found([readings[i] for i in order])[1] == pytest.approx(found(readings)[1], rel=1e-12)
    # Only how far a drift can reach depends on the order.
    assert found([readings[i] for i in order])[2] == pytest.approx(found(readings)[2], rel=0.01)


@pytest.mark.parametrize("drop_db", [0.5, 1.0, HALF_POWER_DB, 6.0206, 10.0])
def test_any_drop(drop_db: float) -> None:
    corner = 1.0 / math.sqrt(math.sqrt(2.0) - 1.0)
    crossing = corner * math.sqrt(10.0 ** (drop_db / 20.0) - 1.0)
    readings = taken(ratios=tuple(crossing * r for r in NEAR), round_to=4)
    plan = replace(PLAN, drop_db=drop_db, reader=ReadingModel(resolution_div=0.0, scatter_div=0.001))
    assert found(readings, plan)[1] == pytest.approx(23e6 * crossing, rel=1e-3)


def test_repeating_one_rounded_reading_does_not_average() -> None:
    """With little scatter the same rounded value comes back: its rounding error stays however often it is read."""
    plan = replace(PLAN, reader=ReadingModel(resolution_div=0.2, scatter_div=0.01))
    readings = taken(ratios=(0.9, 1.0, 1.1))
    many = [*readings[:3], *[readings[3]] * 50, *readings[4:]]
    once, fifty = (found(some, plan)[0].budget.contributions[0].u for some in (readings, many))
    rounding_db = 20.0 / math.log(10.0) * 0.2 / math.sqrt(12.0) / 4.2
    assert fifty > 0.5 * rounding_db
    assert fifty > once / 5.0


def test_spread_readings_do_average() -> None:
    few = found(taken(ratios=(0.9, 0.97, 1.03, 1.1)))[2]
    many = found(taken(ratios=tuple(float(r) for r in np.linspace(0.9, 1.1, 40)), references_div=(6.0,) * 10))[2]
    assert many < 0.6 * few


def test_scatter_beyond_the_model_widens_the_interval() -> None:
    calm = taken(ratios=(0.9, 0.94, 0.98, 1.0, 1.02, 1.06, 1.1), round_to=3)
    shaken = [
        replace(r, deflection_div=r.deflection_div * (1.0 + 0.03 * (-1.0) ** n)) if n > 1 else r
        for n, r in enumerate(calm)
    ]
    assert found(shaken)[2] > 1.4 * found(calm)[2]


def test_a_superseded_reading_does_not_count() -> None:
    readings = taken()
    wrong = replace(readings[5], deflection_div=2.4)
    again = replace(readings[5], purpose="re-ask", replaces=5)
    mended = [*readings[:5], wrong, *readings[6:], again]
    assert found(mended)[1] == pytest.approx(found(readings)[1], rel=1e-9)
    assert found(mended)[0].readings_used == len(readings)


@pytest.mark.parametrize(
    "readings",
    [
        [],
        taken()[2:],
        taken()[:2],
        [replace(r, deflection_div=0.0) for r in taken()],
        [replace(r, deflection_div=math.nan) for r in taken()],
        [replace(r, deflection_div=-1.0) for r in taken()],
        [replace(r, frequency_hz=1e6) if n > 1 else r for n, r in enumerate(taken())],
        [replace(r, deflection_div=6.0) for r in taken()],
        [replace(r, deflection_div=1.0) if n > 1 else r for n, r in enumerate(taken())],
        taken(ratios=tuple(reversed(NEAR)), gain_db=lambda r: -two_poles_db(r) - 6.0),
    ],
    ids=["none", "no reference", "only the reference", "no trace", "nan", "negative", "one frequency", "flat",
         "all below", "rising"],
)  # fmt: skip
def test_odd_readings_never_raise_and_never_give_a_value(readings: list[ResponseReading]) -> None:
    result = half_power(readings, PLAN)
    assert result.status in ("failed", "not_bracketed")
    assert result.frequency_hz is None
    assert result.flags


@given(
    values=st.lists(st.tuples(st.floats(1e3, 1e9), st.floats(0.0, 9.0), st.floats(-3.0, 3.0)), max_size=12),
    references=st.lists(st.floats(0.0, 9.0), max_size=4),
)
def test_no_readings_raise(values: list[tuple[float, float, float]], references: list[float]) -> None:
    readings = [ResponseReading(frequency_hz=50e3, deflection_div=d, purpose="reference") for d in references]
    readings += [ResponseReading(frequency_hz=f, deflection_div=d, level_db=db) for f, d, db in values]
    result = half_power(readings, PLAN)
    if result.frequency_hz is not None:
        assert result.u_rel is not None
        assert result.u_rel > 0.0


def test_points_carry_fit_and_residual_near_the_crossing() -> None:
    result = found(taken(ratios=(0.1, *NEAR, 4.0)))[0]
    assert [p.frequency_hz for p in result.points] == sorted(p.frequency_hz for p in result.points)
    near = [p for p in result.points if p.used]
    assert len(near) == len(NEAR)
    assert all(p.fitted_db is not None and abs(p.fitted_db - p.response_db) < 0.4 for p in near)
    assert all(p.residual is not None and abs(p.residual) < 4.0 for p in near)
    assert all(p.fitted_db is None for p in result.points if not p.used)


def test_band_holds_the_response_and_stops_where_the_readings_do() -> None:
    ratios = (0.1, 0.3, *NEAR, 1.6, 2.2)
    readings = taken(ratios=ratios)
    grid = np.geomspace(0.5 * PLAN.reference_hz, 4.0 * 23e6, 300)
    response_db, u_db = response_band(readings, PLAN, grid)
    inside = (grid >= PLAN.reference_hz) & (grid <= 23e6 * ratios[-1])
    assert np.array_equal(np.isfinite(response_db), inside)
    true_db = np.array([two_poles_db(f / 23e6) for f in grid[inside]])
    assert np.mean(np.abs(response_db[inside] - true_db) <= 2.0 * u_db[inside]) >= 0.95


def test_a_coarse_steep_crossing_widens_the_interval_and_says_so() -> None:
    def steep_db(r: float) -> float:
        return -10.0 * math.log10(1.0 + r**12)

    coarse, _, u_coarse = found(taken(ratios=(0.5, 0.8, 1.3, 1.6), gain_db=steep_db))
    assert {flag.code for flag in coarse.flags} & {"coarse", "interpolated"}
    assert coarse.interval_hz is not None
    assert coarse.interval_hz[0] < 23e6 < coarse.interval_hz[1]
    fine, _, u_fine = found(taken(ratios=(0.8, 0.97, 1.0, 1.02, 1.3), gain_db=steep_db))
    assert [flag.code for flag in fine.flags] == ["a_crossing"]
    assert u_coarse > 5.0 * u_fine


def test_a_crossing_just_before_all_readings_has_the_slope_it_was_found_with() -> None:
    """Both readings lie beyond half power, as where a generator ends: neither is the neighbour on the other side."""
    plan = replace(PLAN, beyond_ln=0.12, least_at_top=1, max_hz=25e6)
    _, frequency_hz, u_rel = found(taken(f3_hz=17.8e6, ratios=(20 / 17.8, 23 / 17.8)), plan)
    assert frequency_hz == pytest.approx(17.8e6, rel=2 * u_rel)


def test_importing_the_analysis_leaves_heavy_scipy_out() -> None:
    import subprocess
    import sys

    code = (
        "import sys, sequences.bandwidth.response, sequences.bandwidth.search;"
        "print([m for m in ('scipy.stats', 'scipy.optimize', 'pandas', 'typst') if m in sys.modules])"
    )
    answer = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert answer.stdout.strip() == "[]"
