"""Delay, evenness and the ends of a magnified sweep, in whole runs on simulated units whose faults are written down."""

from __future__ import annotations

import math
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from helpers.demo_lab import DEMO, change, with_sequences
from helpers.setups import a_setup

from drivers.words import view_parts
from harness import runs
from harness.analysis.estimate import state
from harness.assess import budget_for
from harness.bench import limits
from harness.errors import AnalysisError
from harness.measurement import Screenful
from harness.models import Setup, UnitLink
from harness.report.model import PartResult, Result
from harness.steps import Reading, View
from sequences.time_base.delay_steps import delays, without_delay
from sequences.time_base.marks import Options
from sequences.time_base.steps import plan
from sequences.time_base.sweep import DEPARTURE

EGRET, SKUA = "aldermoor_egret.toml", "aldermoor_skua.toml"


def part_of(folder: Path, job: str, options: str, *changes: tuple[str, str, str]) -> PartResult:
    """The time base as a job of the demo has it with these options; in each file a text is followed by more."""
    shutil.copytree(DEMO, folder, dirs_exist_ok=True)
    for file, text, more in changes:
        change(folder / file, (text, f"{text}\n{more}"))
    path = with_sequences(folder / job, "time.toml", f'[[sequence]]\nuse = "time_base"\nranges = ["1 ms"]\n{options}')
    return runs.start(path, folder / "runs").report.parts[0]


def by_name(part: PartResult) -> dict[str, Result]:
    return {each.quantity: each for each in part.results}


def holds(result: Result, truth: float) -> bool:
    assert result.statement is not None
    return abs(result.statement.estimate - truth) <= 1.5 * result.statement.expanded


def test_a_person_finds_a_bent_sweep_and_a_wrong_delay(tmp_path: Path):
    """x = u + b·(1 − (u/5)²): marks in the middle stand 0.64·b off their line, the factor at ±4 div is wrong by 0.32·b.

    The truth of the simulation, worked out here by hand.
    """
    hidden = 'truth.delay = "7 %"\ntruth.sweep_bend = "0.5 div"'
    part = part_of(
        tmp_path, "by_eye.toml", 'magnified_ranges = ["100 us"]\nends = true\n',
        (SKUA, "[tolerance]", 'time_linearity = "3 %"\ntime_delay = "4 %"'),
        ("hand_bench_sim.toml", 'profile = "aldermoor_analogue_scope"', hidden),
    )  # fmt: skip
    by = by_name(part)
    assert holds(by["linearity of the sweep"], 100 * 0.64 * 0.5 / 8)
    assert holds(by["time factor, start of the sweep"], 100 * 0.32 * 0.5)
    assert holds(by["time factor, end of the sweep"], -100 * 0.32 * 0.5)
    assert holds(by["delay time"], 7.0)
    assert by["delay time"].word == by["time factor, end of the sweep"].word == "fail"
    assert by["time factor"].word == "pass"


def test_a_clock_that_is_wrong_shows_in_a_delay_where_nobody_knows_of_the_samples(tmp_path: Path):
    part = part_of(
        tmp_path, "digital.toml", "",
        (EGRET, "[tolerance]", 'time_clock = "25 ppm"\ntime_linearity = "1 %"'),
        ("bench_sim.toml", 'profile = "aldermoor_digital_scope"', 'truth.time = "60 ppm"'),
    )  # fmt: skip
    by = by_name(part)
    assert "sample clock" not in by
    assert any("sample_rate" in sentence for sentence in part.left_out)
    assert holds(by["delay time"], 0.0060)
    assert by["delay time"].word == "fail"
    assert by["linearity of the sweep"].word == "pass"


def test_clock_and_delay_of_a_whole_run_agree_and_jitter_is_told_apart(tmp_path: Path):
    part = part_of(
        tmp_path, "digital.toml", "",
        (EGRET, 'rise_time = "3.5 ns"', 'sample_rate = "500 MHz"'),
        (EGRET, "[tolerance]", 'time_clock = "25 ppm"'),
        ("bench_sim.toml", 'profile = "aldermoor_digital_scope"', 'truth.jitter = "40 ps"'),
    )  # fmt: skip
    clock = by_name(part)["sample clock"]
    assert holds(clock, 15.0)  # of the profile
    assert clock.word == "pass"
    assert len(clock.readings) == 4
    jitter, apart = part.findings
    assert jitter.value == pytest.approx(40.0, abs=1.5 * jitter.u)
    assert abs(apart.value) <= apart.u
    assert "no more than their uncertainty" in apart.sentence
    assert not part.missing


def of(read: str = "eye", **tolerance: str) -> Setup:
    return a_setup(
        read=read, tolerance=tolerance, magnifier=10, s_per_div=("1 us", "20 us", "100 us", "200 us", "1 ms")
    )


def test_nobody_is_asked_more_than_the_unit_file_rates():
    quantities = {planned.step.quantity for planned in plan(of(), Options()).points}
    assert quantities == {"span"}
    rated = plan(of(time_linearity="3 %", time_delay="3 %"), Options()).points
    assert [planned.step.quantity for planned in rated if planned.step.quantity != "span"] == [
        "departure",
        "mark_shift",
    ]
    more = plan(of(), Options(ends=True, linearity=True, delay=True)).points
    assert {planned.step.quantity for planned in more} == quantities | {
        "span_at_start", "span_at_end", "departure", "mark_shift",
    }  # fmt: skip


def test_a_delay_is_shown_on_a_sweep_that_has_one_mark_and_room_for_the_tolerance():
    for read, tolerance in (("eye", "3 %"), ("eye", "5 %"), ("remote", "1 %")):
        (planned,) = delays(of(read, time_delay=tolerance), Options()).points
        view, period_s = planned.step.view, planned.step.stimulus.period_s
        assert math.isclose(view.delay_s / period_s, round(view.delay_s / period_s))
        assert period_s >= 10 * view.s_per_div * (1 - 1e-9)
        share = float(tolerance.split()[0]) / 100
        assert share * view.delay_s <= 2.0 * view.s_per_div * (1 + 1e-9)
        zero, again = without_delay(delays(of(read, time_delay=tolerance), Options()))
        assert (zero.step.quantity, zero.step.view.delay_s, again) == ("mark_at_zero", 0.0, planned)


def test_a_delay_without_its_zero_is_not_judged():
    setup = of(time_delay="3 %")
    (planned,) = delays(setup, Options()).points
    with pytest.raises(AnalysisError, match="without delay was not read"):
        budget_for(setup, planned.step, [Reading(value=0.4)])
    late = state(budget_for(setup, planned.step, [Reading(value=0.4)], [Reading(value=0.0)]))
    shift_s = 0.4 * planned.step.view.s_per_div
    assert late.estimate == pytest.approx(100 * (planned.step.view.delay_s / (planned.step.view.delay_s - shift_s) - 1))


def test_an_interface_without_a_delay_is_said_before_the_run():
    setup = of("remote", time_delay="1 %")
    link = UnitLink.model_validate({"address": "GPIB0::3::INSTR", "commands": {"delay": ""}})
    bench = setup.bench.model_copy(update={"unit": link})
    plan_ = delays(Setup(bench=bench, unit=setup.unit, job=setup.job), Options())
    assert not plan_.points
    assert "no command for a delay" in plan_.left_out[0]


@pytest.mark.parametrize("bend", [0.0, 0.05, -0.2])
def test_the_worst_mark_of_a_record_is_found(bend: float):
    at = np.arange(2000) * 1e-5 - 1e-2 + 5e-6  # ±10 div of 1 ms, of which the screen has the middle
    x = at[500:1500] / 1e-3
    marks = np.arange(-5, 6)
    places = marks + bend * (1 - (marks / 5) ** 2)
    volts = np.max(np.exp(-(((x[:, None] - places) / 0.03) ** 2)), axis=1)
    screen = Screenful(interval_s=1e-5, low_v=-0.2, high_v=1.4, volts_per_div=0.2, s_per_div=1e-3)
    reading = DEPARTURE.from_record(None, volts, screen, None)
    assert reading.value == pytest.approx(0.64 * bend, abs=0.01)


def test_a_person_is_told_where_to_look():
    delayed = View(channel=1, volts_per_div=0.1, s_per_div=1e-4, delay_s=1e-2)
    assert view_parts(delayed)["delayed sweep"] == "10 ms after the trigger"
    at_end = View(channel=1, volts_per_div=0.1, s_per_div=1e-3, magnifier=10.0, delay_s=4e-3)
    assert view_parts(at_end)["horizontal position"] == "what is 4 div right of the sweep's middle, in the centre"
    plain = View(channel=1, volts_per_div=0.1, s_per_div=1e-3)
    assert "delayed sweep" not in view_parts(plain)
    assert view_parts(plain, ("delayed sweep",))["delayed sweep"] == "off"


def test_a_delay_that_cannot_be_meant_is_refused():
    setup = of(time_delay="3 %")
    (planned,) = delays(setup, Options()).points
    step = replace(planned.step, view=replace(planned.step.view, delay_s=math.inf))
    assert "delay_s=inf" in limits.refusal(step, limits.connection_of(step), setup)


@pytest.mark.soak
def test_the_intervals_hold_delay_and_evenness_as_often_as_they_say():
    """2,000 units each: marks read to a tenth by an eye of 0.03 div, calibrator and time factor within their limits."""
    setup = of(time_delay="3 %", time_linearity="3 %")
    (delay,) = delays(setup, Options()).points
    even = next(each for each in plan(setup, Options()).points if each.step.quantity == "departure")
    rng, held_delay, held_even = np.random.default_rng(9), 0, 0
    view, step_div = delay.step.view, setup.unit.time_resolution

    def seen(div: float, edges: int) -> Reading:
        off = rng.normal(0, 0.03) + sum(rng.uniform(-0.5, 0.5) * step_div for _ in range(edges - 1))
        return Reading(value=round((div + off) / step_div) * step_div)

    for _ in range(2000):
        error, period_error, zero = rng.uniform(-0.03, 0.03), rng.uniform(-1e-5, 1e-5), rng.uniform(-0.5, 0.5)
        factor_error = rng.uniform(-0.03, 0.03)
        late_s = view.delay_s * (1 + period_error) - view.delay_s / (1 + error)
        place = zero + late_s / view.s_per_div * (1 + factor_error)
        stated = state(budget_for(setup, delay.step, [seen(place, 1)], [seen(zero, 1)]))
        held_delay += abs(stated.estimate - 100 * error) <= stated.expanded
        off_div = rng.uniform(-0.3, 0.3)
        stated = state(budget_for(setup, even.step, [seen(off_div, 2)]))
        held_even += abs(stated.estimate - 100 * off_div / 8) <= stated.expanded
    assert 0.94 <= held_delay / 2000 <= 0.975, held_delay / 2000
    assert 0.94 <= held_even / 2000 <= 0.975, held_even / 2000
