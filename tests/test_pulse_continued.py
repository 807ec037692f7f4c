"""The falling edge, settling and sag: against responses of scipy, and in a whole run whose faults are written down."""

from __future__ import annotations

import math
import shutil
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from helpers.demo_lab import DEMO, change, with_sequences
from helpers.setups import a_setup
from pydantic import ValidationError
from scipy.signal import TransferFunction, lfilter, step

from harness import runs
from harness.analysis.estimate import state
from harness.assess import budget_for
from harness.errors import AnalysisError
from harness.measurement import Screenful
from harness.report.model import Result
from harness.steps import Reading, Square
from sequences.pulse import Rated
from sequences.pulse.further import FALL_TIME, SAG, SETTLING, UNDERSHOOT, settling_of
from sequences.pulse.steps import Options, also_needs, plan

RATINGS = {"settling_time": "60 ns", "settling_band": "2 %", "sag": "1 %", "overshoot": "20 %"}
UNIT = {
    "rise_time": "8 ns",
    "time_resolution": "0.001 div",
    "scatter": "0.001 div",
    "s_per_div": ["10 ns", "20 ns", "100 ns", "1 us", "5 ms"],
}


def rated_setup(read: str = "remote"):
    setup = a_setup(read=read, tolerance=RATINGS, **UNIT)
    calibrator = setup.bench.calibrator.model_copy(
        update={"edge_rise_time": 1e-9, "functions": ("dc", "square", "time_marks", "edge")}
    )
    return type(setup)(bench=setup.bench.model_copy(update={"calibrator": calibrator}), unit=setup.unit, job=setup.job)


def screen(interval_s: float) -> Screenful:
    return Screenful(interval_s=interval_s, low_v=-0.4, high_v=0.4, volts_per_div=0.1, s_per_div=100 * interval_s)


@cache
def two_poles(q: float, natural_s: float = 4e-9) -> tuple[np.ndarray, np.ndarray]:
    """The step response of a resonant pair, by scipy."""
    at = np.linspace(0, 400e-9, 8000)
    return step(TransferFunction([1], [natural_s**2, natural_s / q, 1]), T=at)


def in_closed_form(q: float, natural_s: float) -> tuple[np.ndarray, np.ndarray]:
    """The same for Q above ½, as textbooks have it: 1 − e^(−ζx)·(cos + ζ/√(1 − ζ²)·sin)(√(1 − ζ²)·x), x = t/natural."""
    at, zeta = np.linspace(0, 400e-9, 20_000), 1 / (2 * q)
    root = math.sqrt(1 - zeta**2)
    x = at / natural_s
    return at, 1 - np.exp(-zeta * x) * (np.cos(root * x) + zeta / root * np.sin(root * x))


def settled_s(at: np.ndarray, value: np.ndarray, band: float) -> float:
    middle = at[np.argmax(value >= 0.5)]
    return float(at[np.abs(value - 1) > band][-1] - middle)


def record(at: np.ndarray, value: np.ndarray, rng: np.random.Generator, *, noise: float, falling: bool = False):
    """Of 500 mV on a screen of 200 ns with the edge in its middle."""
    interval_s = 0.2e-9
    times = (np.arange(1000) - 500 + rng.random()) * interval_s
    clean = np.interp(times + at[np.argmax(value >= 0.5)], at, value, left=0.0)
    shape = 1 - clean if falling else clean
    return -0.25 + 0.5 * (shape + noise * rng.standard_normal(1000)), screen(interval_s)


@pytest.mark.parametrize("q", [0.6, 1.0, 1.5])
@pytest.mark.parametrize("band", [0.01, 0.02, 0.05])
def test_a_top_settles_when_scipy_says(q: float, band: float):
    at, value = two_poles(q)
    quantity = SETTLING[(0.005, 0.01, 0.02, 0.05).index(band)]
    volts, shown = record(at, value, np.random.default_rng(1), noise=0.0)
    reading = quantity.from_record(None, volts, shown, None)
    assert reading.value == pytest.approx(settled_s(at, value, band), abs=max(2 * reading.scatter, 0.5e-9))


def test_a_falling_edge_is_a_rising_one_upside_down():
    at, value = two_poles(1.0)
    volts, shown = record(at, value, np.random.default_rng(2), noise=0.0, falling=True)
    rise_s = at[np.argmax(value >= 0.9)] - at[np.argmax(value >= 0.1)]
    assert FALL_TIME.from_record(None, volts, shown, None).value == pytest.approx(rise_s, rel=0.01)
    assert UNDERSHOOT.from_record(None, volts, shown, None).value == pytest.approx(value.max() - 1, abs=0.002)


def a_wave(sag: float, corner_hz: float) -> tuple[np.ndarray, Screenful]:
    """A square wave of 50 Hz whose level falls by `sag` with a time constant, step after step, 50 ms of it."""
    interval_s, a = 50e-6, 2 * math.pi * corner_hz * 50e-6
    wave = np.where(np.sin(2 * math.pi * 50.0 * np.arange(40_000) * interval_s + 1e-6) > 0, 1.0, 0.0)
    slow = lfilter([1 - math.exp(-a)], [1, -math.exp(-a)], wave)
    return -0.25 + 0.5 * (wave - sag * slow)[-1000:], screen(interval_s)


@pytest.mark.parametrize(("sag", "corner_hz"), [(0.0, 5.0), (0.12, 5.0), (-0.08, 2.0)])
def test_a_sag_is_that_of_a_shelf(sag: float, corner_hz: float):
    """s·tanh(π·f_c·T/2): a first-order shelf below f_c in its steady state; a straight line has it to 3 %."""
    (point,) = [p.step for p in plan(rated_setup(), Options(channels=(1,))).points if p.step.quantity == "sag"]
    assert point.stimulus == Square(level_vpp=0.5, frequency_hz=50.0)
    volts, shown = a_wave(sag, corner_hz)
    expected = abs(sag) * math.tanh(math.pi * corner_hz * 0.02 / 2)
    reading = SAG.from_record(point, volts, shown, None)
    assert reading.value == pytest.approx(expected, rel=0.03, abs=1e-4)


def test_a_record_without_a_whole_period_is_said():
    (point,) = [p.step for p in plan(rated_setup(), Options(channels=(1,))).points if p.step.quantity == "sag"]
    volts, shown = a_wave(0.1, 5.0)
    with pytest.raises(AnalysisError, match="no whole period"):
        SAG.from_record(point, volts[:150], shown, None)


def test_nothing_more_is_asked_than_before_unless_it_is_rated_or_wanted():
    plain = a_setup(tolerance={"overshoot": "8 %"}, **UNIT)
    calibrator = plain.bench.calibrator.model_copy(update={"edge_rise_time": 1e-9})
    plain = type(plain)(bench=plain.bench.model_copy(update={"calibrator": calibrator}), unit=plain.unit, job=plain.job)
    assert [p.step.quantity for p in plan(plain, Options(channels=(1,))).points] == ["rise_time", "overshoot"]
    setup = rated_setup()
    more = [p.step for p in plan(setup, Options(channels=(1,), falling=True)).points]
    assert [s.quantity for s in more] == [
        "rise_time", "overshoot", "fall_time", "undershoot", settling_of(setup.unit).name, "sag",
    ]  # fmt: skip
    assert [s.view.trigger.slope for s in more if s.view.trigger is not None] == ["falling", "falling"]
    ranges = {p.step.view.volts_per_div for p in plan(setup, Options(every_range=True)).points}
    assert ranges == set(setup.unit.volts_per_div)


def test_a_source_of_steps_gives_an_edge_of_a_height_that_it_has():
    setup = rated_setup()
    calibrator = setup.bench.calibrator.model_copy(update={"levels": "decade"})
    setup = type(setup)(bench=setup.bench.model_copy(update={"calibrator": calibrator}), unit=setup.unit, job=setup.job)
    planned = plan(setup, Options(channels=(1,), every_range=True))
    steps = [point.step for point in planned.points]
    tried = {s.view.volts_per_div for s in steps}
    assert tried
    assert tried < set(setup.unit.volts_per_div)
    for each in steps:
        height_div = each.stimulus.level_vpp / each.view.volts_per_div
        assert math.log10(each.stimulus.level_vpp) == pytest.approx(round(math.log10(each.stimulus.level_vpp)))
        assert 3 <= height_div <= 6
        assert each.view.ground_line_div == -height_div / 2
    alone = plan(setup, Options(channels=(1,)))  # 100 mV/div has no decade of 3 to 6 div: the nearest that has one
    assert {p.step.view.volts_per_div for p in alone.points} <= tried
    refused = plan(setup, Options(channels=(1,), volts_per_div="100 mV"))
    assert not refused.points
    assert "100 mV/div: the calibrator gives no edge of its height." in refused.left_out


def test_a_band_that_is_not_tried_is_refused():
    with pytest.raises(ValidationError, match=r"expected 0.5 %, 1 %, 2 % or 5 %"):
        Rated.model_validate({"settling_band": "3 %"})


def results_of(folder: Path, *changes: tuple[str, str]) -> list[dict[str, Result]]:
    """By channel, of the demo's digital scope with a first channel that falls slowly and sags."""
    shutil.copytree(DEMO, folder, dirs_exist_ok=True)
    ratings = 'top_aberration = "4 %"\nsettling_time = "30 ns"\nsettling_band = "2 %"\nsag = "1 %"'
    change(folder / "aldermoor_egret.toml", ('overshoot = "8 %"', f'overshoot = "8 %"\n{ratings}'), *changes)
    change(folder / "bench.toml", ('levels = "continuous"', 'levels = "continuous"\nfunctions = ["square", "edge"]'))
    change(folder / "bench_sim.toml", ('gain = "0.6 %"', 'gain = "0.6 %"\nfall_slower = "40 %"\nsag = "12 %"'))
    job = with_sequences(
        folder / "digital.toml", "edge.toml", '[[sequence]]\nuse = "pulse"\npath = "lead"\nfalling = true\n'
    )
    results = runs.start(job, folder / "runs").report.parts[0].results
    return [{r.quantity: r for r in results if r.channel == n} for n in (1, 2)]


SAGS = 12 * math.tanh(math.pi * 5 * 0.02 / 2)


def test_a_run_finds_a_slow_fall_and_a_sag(tmp_path: Path):
    first, second = results_of(tmp_path)
    fall, rise = first["fall time"].statement, first["rise time"].statement
    assert fall.estimate / rise.estimate == pytest.approx(1.4, abs=0.08)
    assert first["fall time"].word == first["sag"].word == "fail"
    assert first["sag"].statement.estimate == pytest.approx(SAGS, abs=0.25)
    assert second["sag"].word == "pass"
    assert second["fall time"].statement.estimate == pytest.approx(second["rise time"].statement.estimate, abs=0.25)
    assert first["settling time"].word == second["settling time"].word == "pass"


def test_a_person_sees_what_a_record_shows(tmp_path: Path):
    by_eye = ('read = "remote"', 'read = "eye"'), ('time_resolution = "0.001 div"', 'time_resolution = "0.1 div"')
    first, second = results_of(tmp_path, *by_eye)
    for name in ("fall time", "rise time", "settling time"):
        assert abs(first[name].statement.estimate - second[name].statement.estimate) < 3.0
    assert first["fall time"].word == "fail"
    assert abs(first["sag"].statement.estimate - SAGS) <= 1.5 * first["sag"].statement.expanded
    assert abs(second["sag"].statement.estimate) <= 1.5 * second["sag"].statement.expanded


def test_the_sag_is_the_calibrators_where_the_generator_gives_the_edge():
    setup, options = rated_setup(), Options(channels=(1,), path="terminated", source="generator")
    generator = setup.bench.generator.model_copy(update={"edge_rise_time": 1e-9})
    bench = setup.bench.model_copy(update={"generator": generator})
    planned = plan(type(setup)(bench=bench, unit=setup.unit, job=setup.job), options)
    assert [(p.step.source, p.step.path) for p in planned.points if p.step.quantity == "sag"] == [
        ("calibrator", "lead")
    ]
    assert {p.step.source for p in planned.points if p.step.quantity != "sag"} == {"generator"}
    assert also_needs(setup, options) == ("calibrator",)
    alone = bench.model_copy(update={"calibrator": None})
    planned = plan(type(setup)(bench=alone, unit=setup.unit, job=setup.job), options)
    assert any("square wave of a calibrator" in sentence for sentence in planned.left_out)


@pytest.mark.soak
def test_the_interval_of_a_settling_time_holds_as_often_as_it_says():
    """2,000 resonant pairs of Q 0.6 to 1.5, with noise of 0.1 to 0.4 % and a time factor within its tolerance."""
    setup = rated_setup()
    (point,) = [p.step for p in plan(setup, Options(channels=(1,))).points if p.step.quantity.startswith("settling")]
    quantity, rng, held = settling_of(setup.unit), np.random.default_rng(4), 0
    for _ in range(2000):
        at, value = in_closed_form(rng.uniform(0.6, 1.5), rng.uniform(2e-9, 4e-9))
        volts, shown = record(at, value, rng, noise=rng.uniform(0.001, 0.004))
        read = quantity.from_record(point, volts, shown, None)
        off = 1 + rng.uniform(-1, 1) * setup.unit.tolerance.time
        stated = state(budget_for(setup, point, [Reading(value=read.value * off, scatter=read.scatter)]))
        held += abs(stated.estimate - 1e9 * settled_s(at, value, 0.02)) <= stated.expanded
    assert 0.94 <= held / 2000 <= 0.975, held / 2000


def test_a_rise_time_is_corrected_by_the_time_factor_that_an_earlier_part_has_read(tmp_path):
    shutil.copytree(DEMO, tmp_path, dirs_exist_ok=True)
    change(tmp_path / "bench_sim.toml", ('[[unit.truth.channel]]\ngain = "0.6 %"',
        '[unit.truth]\ntime_by_range = { "5 ns" = "0.4 %" }\n\n[[unit.truth.channel]]\ngain = "0.6 %"'))  # fmt: skip
    edge = '[[sequence]]\nuse = "pulse"\npath = "terminated"\nsource = "generator"\nchannels = [1]\n'
    marks = '[[sequence]]\nuse = "time_base"\npath = "lead"\nranges = ["5 ns"]\n'
    alone, timed = (
        next(r for part in runs.start(job, tmp_path / "runs").report.parts for r in part.results
             if r.quantity == "rise time")
        for job in (with_sequences(tmp_path / "digital.toml", "edge.toml", edge),
                    with_sequences(tmp_path / "digital.toml", "both.toml", marks + edge))
    )  # fmt: skip
    assert timed.reading == alone.reading
    # The unit shows 0.4 % too much: 3.5 ns of its own in 3.8 ns that are shown come out 0.4 % · 3.8²/3.5² shorter.
    shorter = 1 - timed.statement.estimate / alone.statement.estimate
    assert shorter == pytest.approx(0.004 * (alone.reading / alone.statement.estimate) ** 2, rel=0.15)
    assert "time factor, as read" in [line.name for line in timed.budget.contributions]
    assert timed.statement.expanded < alone.statement.expanded


def test_what_the_edge_itself_departs_by_is_a_line_of_the_overshoot():
    plain = rated_setup()
    calibrator = plain.bench.calibrator.model_copy(update={"edge_aberration": 0.03})
    allowed = type(plain)(
        bench=plain.bench.model_copy(update={"calibrator": calibrator}), unit=plain.unit, job=plain.job
    )
    step = next(p.step for p in plan(plain, Options(channels=(1,))).points if p.step.quantity == "overshoot")
    without, within = (budget_for(setup, step) for setup in (plain, allowed))
    # ±3 % of an edge, rectangular: 1.732 % (GUM 4.3.7).
    assert math.sqrt(within.u**2 - without.u**2) == pytest.approx(1.7321, abs=5e-5)
