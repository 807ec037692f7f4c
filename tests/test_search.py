"""The search for the next reading, driven against responses of our own; its decisions are functions of the readings."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
import pytest

from sequences.bandwidth.response import half_power
from sequences.bandwidth.response_model import HALF_POWER_DB, ReadingModel, ResponsePlan, ResponseReading
from sequences.bandwidth.search import Ask, Stop, next_request

OPERATOR = ReadingModel(resolution_div=0.1, scatter_div=0.04)
PRECISE = ReadingModel(resolution_div=0.001, scatter_div=0.0, relative=5e-4)
PLAN = ResponsePlan(
    rated_hz=20e6, reference_hz=50e3, min_hz=10e3, max_hz=500e6, deflection_div=6.0, reader=OPERATOR, typed=True
)
AUTOMATIC = replace(PLAN, reader=PRECISE, typed=False, target_rel=0.001)


def single_pole_db(r: float) -> float:
    return -10.0 * math.log10(1.0 + r * r)


def gaussian_db(r: float) -> float:
    return -HALF_POWER_DB * r * r


def steep_db(r: float) -> float:
    return -10.0 * math.log10(1.0 + r**10)


def dip_db(r: float) -> float:
    """Falls to −6 dB about 0.3, recovers, and rolls off at 1."""
    return -6.0 * math.exp(-(((math.log(r) - math.log(0.3)) / 0.15) ** 2)) + steep_db(r)


GAINS = {"single pole": single_pole_db, "Gaussian": gaussian_db, "steep": steep_db}


@dataclass(slots=True, kw_only=True)
class Unit:
    """A simulated unit and its reader."""

    gain_db: Callable[[float], float]
    f3_hz: float = 23e6
    seed: int = 1
    wrong: dict[int, float] | None = None

    def run(self, plan: ResponsePlan) -> tuple[list[ResponseReading], list[Ask], Stop]:
        rng = np.random.default_rng(self.seed)
        readings: list[ResponseReading] = []
        asks: list[Ask] = []
        for _ in range(200):
            request = next_request(readings, plan)
            if isinstance(request, Stop):
                return readings, asks, request
            asks.append(request)
            readings.append(self._answer(request, plan, rng, len(readings)))
        raise AssertionError("the search does not end")

    def _answer(self, ask: Ask, plan: ResponsePlan, rng: np.random.Generator, index: int) -> ResponseReading:
        gain_db = 0.0 if ask.frequency_hz < 1e5 else self.gain_db(ask.frequency_hz / self.f3_hz)
        reader = plan.reader
        shown = 6.1 * 10.0 ** ((ask.level_db + gain_db) / 20.0)
        if ask.tune == "level":
            assert ask.line_div is not None
            level_db = 20.0 * math.log10(ask.line_div / (6.1 * 10.0 ** (gain_db / 20.0)))
            level_db += rng.normal(0.0, 8.686 * reader.scatter_div / ask.line_div)
            return ResponseReading(
                frequency_hz=ask.frequency_hz, deflection_div=ask.line_div, level_db=round(level_db, 2),
                purpose=ask.purpose, on_line=True, replaces=ask.replaces,
            )  # fmt: skip
        if ask.tune == "frequency":
            assert ask.line_div is not None
            wanted_db = 20.0 * math.log10((ask.line_div + rng.normal(0.0, reader.scatter_div)) / 6.1) - ask.level_db
            low, high = 0.1, 10.0
            for _ in range(60):
                middle = math.sqrt(low * high)
                low, high = (middle, high) if self.gain_db(middle) > wanted_db else (low, middle)
            return ResponseReading(
                frequency_hz=self.f3_hz * low, deflection_div=ask.line_div, level_db=ask.level_db,
                purpose=ask.purpose, on_line=True, replaces=ask.replaces,
            )  # fmt: skip
        noisy = shown + rng.normal(0.0, reader.random_div(shown))
        value = round(round(noisy / reader.resolution_div) * reader.resolution_div, 6)
        if self.wrong and index in self.wrong:
            value = self.wrong[index]
        return ResponseReading(
            frequency_hz=ask.frequency_hz, deflection_div=value, level_db=ask.level_db, purpose=ask.purpose,
            replaces=ask.replaces,
        )  # fmt: skip


@pytest.mark.parametrize("plan", [PLAN, AUTOMATIC], ids=["operator", "automatic"])
@pytest.mark.parametrize("f3_hz", [14e6, 20e6, 39e6])
@pytest.mark.parametrize("name", GAINS)
def test_search_ends_at_the_half_power_frequency(name: str, f3_hz: float, plan: ResponsePlan) -> None:
    readings, _, stop = Unit(gain_db=GAINS[name], f3_hz=f3_hz).run(plan)
    result = half_power(readings, plan)
    assert stop.reason == "reached"
    assert result.status == "found"
    assert result.frequency_hz is not None
    assert result.u_rel is not None
    assert result.u_readings_rel is not None
    assert result.u_readings_rel <= plan.target_rel
    assert abs(math.log(result.frequency_hz / f3_hz)) <= 3.0 * result.u_rel
    assert len(readings) <= 30


def test_stated_intervals_hold_in_95_percent_of_searches() -> None:
    """120 seeded searches: fewer than 90 % would be seven in a thousand for intervals that hold in 95 %.

    Of thousands, and within narrower limits: test_search_performance.py.
    """
    held = 0
    gains = list(GAINS.values())
    for seed in range(120):
        f3_hz = 14e6 * 1.01 ** (seed % 100)
        readings, _, _ = Unit(gain_db=gains[seed % 3], f3_hz=f3_hz, seed=seed).run(PLAN)
        interval = half_power(readings, PLAN).interval_hz
        held += interval is not None and interval[0] <= f3_hz <= interval[1]
    assert held / 120 >= 0.9


@pytest.mark.parametrize("plan", [PLAN, AUTOMATIC, replace(PLAN, headroom_db=6.0), replace(PLAN, scan=True)])
def test_replay_of_a_recorded_search_asks_the_same(plan: ResponsePlan) -> None:
    readings, asks, stop = Unit(gain_db=gaussian_db).run(plan)
    assert [next_request(readings[:n], plan) for n in range(len(readings) + 1)] == [*asks, stop]


def test_setpoints_are_rounded_where_they_are_made() -> None:
    _, asks, _ = Unit(gain_db=gaussian_db).run(replace(PLAN, headroom_db=6.0))
    for ask in asks:
        assert ask.frequency_hz == float(f"{ask.frequency_hz:.4g}")
        assert ask.level_db == round(ask.level_db, 2)


def test_scaling_the_frequency_axis_scales_the_search() -> None:
    _, asks, _ = Unit(gain_db=gaussian_db).run(PLAN)
    scaled = replace(PLAN, rated_hz=20e3, reference_hz=50.0, min_hz=10.0, max_hz=500e3)
    readings: list[ResponseReading] = []
    original, _, _ = Unit(gain_db=gaussian_db).run(PLAN)
    for ask, reading in zip(asks, original, strict=True):
        again = next_request(readings, scaled)
        assert isinstance(again, Ask)
        assert again.frequency_hz == pytest.approx(ask.frequency_hz / 1000.0)
        assert again.level_db == ask.level_db
        readings.append(replace(reading, frequency_hz=again.frequency_hz))


def test_the_first_reading_is_the_reference_the_second_the_rating() -> None:
    first = next_request([], PLAN)
    assert isinstance(first, Ask)
    assert (first.frequency_hz, first.purpose) == (50e3, "reference")
    second = next_request([ResponseReading(frequency_hz=50e3, deflection_div=6.0, purpose="reference")], PLAN)
    assert isinstance(second, Ask)
    assert (second.frequency_hz, second.purpose) == (20e6, "bracket")
    assert second.expected_div is not None


def test_the_reference_is_visited_again_at_the_end() -> None:
    readings, _, _ = Unit(gain_db=single_pole_db).run(PLAN)
    places = [n for n, r in enumerate(readings) if r.purpose == "reference"]
    assert len(places) >= 3
    assert places[0] == 0
    assert len(readings) - places[-1] <= 4


def test_an_operator_confirms_three_times_at_the_estimate() -> None:
    readings, _, _ = Unit(gain_db=steep_db).run(PLAN)
    result = half_power(readings, PLAN)
    assert result.frequency_hz is not None
    near = [r for r in readings if abs(math.log(r.frequency_hz / result.frequency_hz)) < 0.1]
    assert len(near) >= 3


@pytest.mark.parametrize(
    ("index", "value"), [(0, 60.0), (0, 4.1), (1, 44.0), (1, 9.5), (2, 0.4), (3, 42.0), (4, 2.4), (5, 5.9), (6, 1.4)]
)
def test_a_mistyped_reading_is_asked_again_with_the_span_expected(index: int, value: float) -> None:
    unit = Unit(gain_db=gaussian_db, wrong={index: value})
    readings, asks, _ = unit.run(PLAN)
    again = asks[index + 1]
    assert again.purpose == "re-ask"
    assert again.frequency_hz == asks[index].frequency_hz
    assert again.because.startswith(f"{value:g} at ")
    assert "expected about" in again.because
    assert readings[index].deflection_div == value  # the journal keeps both
    result = half_power(readings, PLAN)
    assert result.frequency_hz is not None
    assert result.u_rel is not None
    assert abs(math.log(result.frequency_hz / 23e6)) <= 3.0 * result.u_rel


def test_a_true_but_unlikely_reading_is_asked_once_and_then_believed() -> None:
    """A unit at half its rating with a steep roll-off: the first reading lies 30 dB down."""
    readings, asks, stop = Unit(gain_db=steep_db, f3_hz=10e6).run(PLAN)
    assert [ask.purpose for ask in asks].count("re-ask") == 1
    assert stop.reason == "reached"
    assert half_power(readings, PLAN).frequency_hz == pytest.approx(10e6, rel=0.03)


def test_generator_too_low_ends_in_a_bound_and_no_value() -> None:
    plan = replace(PLAN, max_hz=25e6)
    readings, _, stop = Unit(gain_db=gaussian_db, f3_hz=28e6).run(plan)
    assert stop.reason == "above_generator"
    assert max(r.frequency_hz for r in readings) == 25e6
    result = half_power(readings, plan)
    assert result.status == "above_generator"
    assert (result.frequency_hz, result.bound_hz) == (None, 25e6)


def test_a_crossing_just_below_the_top_of_the_generator_is_found() -> None:
    plan = replace(PLAN, max_hz=25e6)
    readings, _, _ = Unit(gain_db=gaussian_db, f3_hz=23.5e6).run(plan)
    assert half_power(readings, plan).frequency_hz == pytest.approx(23.5e6, rel=0.03)
    assert max(r.frequency_hz for r in readings) <= 25e6


def test_a_unit_below_the_lowest_frequency_has_no_value() -> None:
    plan = replace(PLAN, min_hz=5e6)
    readings, _, stop = Unit(gain_db=gaussian_db, f3_hz=2e6).run(plan)
    assert stop.reason == "below_generator"
    assert half_power(readings, plan).frequency_hz is None


def test_the_scan_makes_the_first_crossing_true() -> None:
    """The dip is narrower than the search steps over without a scan."""
    plan = replace(PLAN, scan=True)
    readings, _, stop = Unit(gain_db=dip_db).run(plan)
    result = half_power(readings, plan)
    assert stop.reason == "several_crossings"
    assert result.status == "several_crossings"
    assert result.frequency_hz is not None
    first = 23e6 * 0.3 * math.exp(-0.15 * math.sqrt(math.log(6.0 / HALF_POWER_DB)))
    assert result.frequency_hz == pytest.approx(first, rel=0.05)
    assert result.recovers_hz is not None
    assert 0.3 * 23e6 < result.recovers_hz < 0.5 * 23e6


def test_the_scan_has_ten_points_a_decade_up_to_the_fall() -> None:
    readings, _, _ = Unit(gain_db=gaussian_db).run(replace(PLAN, scan=True))
    below = sorted(r.frequency_hz for r in readings if 1e6 < r.frequency_hz < 23e6)
    assert below[0] == pytest.approx(2e6)
    assert max(b / a for a, b in pairwise(below)) <= 10.0**0.1501


def test_equal_deflection_raises_the_level_at_the_crossing_and_needs_fewer_readings() -> None:
    coarse = replace(PLAN, reader=ReadingModel(resolution_div=0.2, scatter_div=0.04))
    plain = [len(Unit(gain_db=gaussian_db, seed=s).run(coarse)[0]) for s in range(8)]
    equal = [len(Unit(gain_db=gaussian_db, seed=s).run(replace(coarse, headroom_db=6.0))[0]) for s in range(8)]
    assert sum(equal) < 0.9 * sum(plain)
    readings, _, _ = Unit(gain_db=gaussian_db).run(replace(coarse, headroom_db=6.0))
    assert all(r.deflection_div <= 7.5 for r in readings)
    at_crossing = [r for r in readings if r.purpose in ("refine", "confirm") and r.frequency_hz > 1e6]
    assert all(abs(r.deflection_div - 6.1) < 1.2 for r in at_crossing)


@pytest.mark.parametrize(("line", "headroom_db"), [("frequency", 0.0), ("frequency", 6.0), ("level", 6.0)])
def test_tuning_to_a_graticule_line(line: str, headroom_db: float) -> None:
    plan = replace(PLAN, line=line, headroom_db=headroom_db)  # type: ignore[arg-type]
    readings, asks, stop = Unit(gain_db=gaussian_db).run(plan)
    result = half_power(readings, plan)
    assert stop.reason == "reached"
    assert result.frequency_hz == pytest.approx(23e6, rel=0.03)
    tuned = [ask for ask in asks if ask.tune == line]
    assert tuned
    assert all(ask.line_div == round(ask.line_div or 0.1) for ask in tuned)


def test_a_trace_off_the_screen_is_read_again_at_a_lower_level() -> None:
    def peaked_db(r: float) -> float:
        return -10.0 * math.log10((1.0 - r * r) ** 2 + (r / 2.0) ** 2)

    readings, asks, stop = Unit(gain_db=peaked_db, f3_hz=20e6).run(PLAN)
    lowered = [ask for ask in asks if ask.level_db < -1.0]
    assert lowered
    assert "level lowered" in lowered[0].because
    assert stop.reason == "reached"
    assert "peaking" in [flag.code for flag in half_power(readings, PLAN).flags]


def test_the_number_of_readings_is_bounded() -> None:
    plan = replace(PLAN, target_rel=1e-5, max_readings=20)
    readings, _, stop = Unit(gain_db=gaussian_db).run(plan)
    assert stop.reason == "too_many_readings"
    assert len(readings) <= 22


@pytest.mark.parametrize("drop_db", [1.0, 6.0206])
def test_any_drop(drop_db: float) -> None:
    plan = replace(PLAN, drop_db=drop_db)
    readings, _, stop = Unit(gain_db=gaussian_db).run(plan)
    result = half_power(readings, plan)
    assert stop.reason == "reached"
    assert result.u_rel is not None
    expected = 23e6 * math.sqrt(drop_db / HALF_POWER_DB)
    assert result.frequency_hz == pytest.approx(expected, rel=3.0 * result.u_rel)
