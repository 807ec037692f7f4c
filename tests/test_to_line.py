"""A source is turned until the trace is on lines, and says what that took; a wave serves as time marks."""

from __future__ import annotations

import math
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from harness import runs as opening
from harness.analysis.estimate import state
from harness.assess import as_applied, budget_for
from harness.errors import AnalysisError, ConfigError
from harness.journal.journal import read
from harness.report.points import evaluate_points
from harness.steps import Dc, Measure, Reading, Sine, Square, TimeMarks
from sequences.time_base import steps as time_base
from sequences.vertical import steps as vertical
from tests.helpers.demo_lab import DEMO, change, with_sequences
from tests.helpers.setups import a_setup

ON_LINE = math.sqrt(2) * 0.03 / math.sqrt(3)


def by_hand(**more: object):
    setup = a_setup(**more)
    calibrator = setup.bench.calibrator.model_copy(update={"driver": "manual", "periods": "continuous"})
    lines = tuple(line.model_copy(update={"of_value": 0.0025}) for line in calibrator.accuracy)
    calibrator = calibrator.model_copy(update={"accuracy": lines})
    return replace(setup, bench=setup.bench.model_copy(update={"calibrator": calibrator}))


def a_point(setup, **options) -> Measure:
    options = {"channels": [1], "ranges": ["1 V"], "to_line": True, **options}
    (planned,) = vertical.plan(setup, vertical.Options.model_validate(options)).points
    return planned.step


def said(volts: float) -> Reading:
    return Reading(value=6.0, more={"level_v": volts})


def test_the_error_and_its_budget_reckoned_by_hand() -> None:
    """6 div at 1 V/div from 6.120 V: E = 6/6.12 - 1; the worked example of docs/deflection.md."""
    setup = by_hand()
    step = a_point(setup)
    assert (step.tune, step.tune_to_div, step.stimulus) == ("level", 6.0, Dc(level_v=6.0))
    budget = budget_for(setup, step, [said(6.12)])
    ratio = 6 / 6.12
    assert budget.estimate == pytest.approx(100 * (ratio - 1))
    of_lines, of_source = ON_LINE / 6, 0.0025 / math.sqrt(3)
    assert budget.u == pytest.approx(100 * ratio * math.hypot(of_lines, of_source), rel=1e-3)
    assert state(budget_for(setup, step)).expanded == pytest.approx(0.866, abs=0.03)  # against 2 % of a reading


def test_settings_scatter_as_what_the_source_said() -> None:
    setup, levels = by_hand(), (6.06, 6.12, 6.18)
    budget = budget_for(setup, a_point(setup), [said(v) for v in levels])
    assert budget.estimate == pytest.approx(100 * (6 * np.mean([1 / v for v in levels]) - 1))
    scatter = next(line for line in budget.contributions if "settings" in line.name)
    assert scatter.u == pytest.approx(0.06 / 6.12 * 6 / math.sqrt(3), rel=0.01)
    assert scatter.dof == 2


def test_the_last_digit_of_the_source_is_a_line() -> None:
    setup = by_hand()
    coarse = setup.bench.calibrator.model_copy(update={"level_digits": 3})
    setup = replace(setup, bench=setup.bench.model_copy(update={"calibrator": coarse}))
    line = next(line for line in budget_for(setup, a_point(setup), [said(6.12)]).contributions if "digit" in line.name)
    assert line.u == pytest.approx(6 * 0.01 / 6.12 / math.sqrt(12))


def test_what_could_not_be_met_is_a_reading_like_any_other() -> None:
    setup = by_hand()
    budget = budget_for(setup, a_point(setup), [Reading(value=5.6)])
    assert budget.estimate == pytest.approx(100 * (5.6 / 6 - 1))
    assert any(line.name == "reading of the trace" for line in budget.contributions)


def test_the_report_shows_what_the_source_said() -> None:
    setup = by_hand()
    (result,) = evaluate_points(setup, {}, [(a_point(setup), said(6.12))]).results
    assert (result.applied, result.applied_value, result.reading) == ("6.12 V DC", 6.12, 6.0)
    assert result.expected == pytest.approx(6.12)
    assert result.word == "pass"  # -1.96 % and U = 0.85 % within 3 %; with U = 2 % of a reading it were open


@pytest.mark.parametrize("signal", ["dc", "square"])
def test_the_interval_holds_the_error_as_often_as_it_says(signal) -> None:
    """Each edge anywhere within half a trace of its line, a source anywhere within its limits: 2000 settings."""
    setup, rng, held = by_hand(), np.random.default_rng(5), 0
    step = a_point(setup, signal=signal)
    expanded = state(budget_for(setup, step)).expanded  # to first order the same for every error
    for _ in range(2000):
        error = rng.uniform(-0.04, 0.04)
        span_div = 6.0 + rng.uniform(-0.03, 0.03, 2).sum()
        true_v = span_div / (1 + error)
        found = budget_for(setup, step, [said(true_v / (1 + rng.uniform(-0.0025, 0.0025)))])
        held += abs(found.estimate - 100 * error) <= expanded * (1 + error)
    assert 0.94 <= held / 2000 <= 0.975


@pytest.mark.parametrize(
    ("more", "why"),
    [
        ({"levels": "decade"}, "it has certain levels only"),
        ({"driver": "scpi"}, "it is set over its interface"),
        ({"read": "remote"}, "the unit is read over its interface"),
    ],
)
def test_what_nobody_can_turn_or_see_is_refused_in_one_sentence(more, why) -> None:
    setup = by_hand(**({"read": more["read"]} if "read" in more else {}))
    changes = {key: value for key, value in more.items() if key != "read"}
    setup = replace(
        setup,
        bench=setup.bench.model_copy(update={"calibrator": setup.bench.calibrator.model_copy(update=changes)}),
    )
    with pytest.raises(AnalysisError, match=why):
        vertical.plan(setup, vertical.Options(to_line=True))


# --- time ------------------------------------------------------------------------------------------------------------


def test_a_period_is_turned_until_the_marks_are_on_their_lines() -> None:
    setup = by_hand()
    options = time_base.Options.model_validate({"ranges": ["1 ms"], "to_line": True})
    (point,) = time_base.plan(setup, options).points
    assert (point.step.tune, point.step.tune_to_div) == ("period", 8.0)
    budget = budget_for(setup, point.step, [Reading(value=8.0, more={"period_s": 0.98e-3})])
    assert budget.estimate == pytest.approx(100 * (1 / 0.98 - 1))  # eight periods of 0.98 ms cover 8 div: too long
    assert budget.u == pytest.approx(100 / 0.98 * math.hypot(ON_LINE / 8, 0.0025 / math.sqrt(3)), rel=1e-3)


@pytest.mark.parametrize(("signal", "kind"), [("sine", Sine), ("square", Square)])
def test_a_wave_of_the_generator_serves_as_time_marks_by_what_the_counter_says(signal, kind) -> None:
    setup = a_setup()
    counter = {"address": "GPIB0::12::INSTR", "accuracy": [{"function": "frequency", "of_value": 1e-4}]}
    bench = setup.bench.model_dump(exclude_none=True) | {"counter": counter, "calibrator": None}
    setup = replace(setup, bench=type(setup.bench).model_validate(bench, context={"si": True}))
    options = time_base.Options.model_validate({"ranges": ["1 us", "1 ms"], "source": "generator", "signal": signal})
    points = time_base.plan(setup, options).points
    assert [p.step.stimulus.frequency_hz for p in points] == [1e6, 1e3]
    step = points[1].step
    assert isinstance(step.stimulus, kind)
    assert (step.source, step.with_counter, step.expected) == ("generator", True, 8.0)
    reading = Reading(value=8.0, frequency_hz=980.0)
    budget = budget_for(setup, step, [reading])
    assert budget.estimate == pytest.approx(100 * (0.98 - 1))  # eight periods of 1/980 s are 8.163 ms, shown as 8
    assert any("counter" in line.name or line.u == pytest.approx(1e-4 / math.sqrt(3)) for line in budget.contributions)
    assert as_applied(step, [reading]).stimulus == TimeMarks(period_s=1 / 980, level_vpp=step.stimulus.level_vpp)
    (result,) = evaluate_points(setup, {}, [(step, reading)]).results
    assert (result.applied_unit, result.applied_value) == ("s", pytest.approx(1 / 980))
    assert result.applied.endswith("sine, 1 kHz, period 1.02041 ms" if signal == "sine" else "period 1.02041 ms")


@pytest.mark.parametrize(("own", "driver", "counted"), [
    (0.05, "manual", True), (2e-6, "manual", False), (2e-6, "scpi", True),
])  # fmt: skip
def test_a_counter_is_read_by_eye_only_where_the_generator_is_not_known_well_enough(own, driver, counted) -> None:
    setup = a_setup()
    described = setup.bench.model_dump(exclude_none=True)
    described["generator"]["accuracy"] = [{"function": "frequency", "of_value": own}]
    described["counter"] = {"driver": driver, "address": "GPIB0::12::INSTR"}
    setup = replace(setup, bench=type(setup.bench).model_validate(described, context={"si": True}))
    options = time_base.Options.model_validate({"ranges": ["1 ms"], "source": "generator"})
    (point,) = time_base.plan(setup, options).points
    assert point.step.with_counter is counted


# --- on the simulated bench -----------------------------------------------------------------------------------------


@pytest.fixture
def lab(tmp_path: Path) -> Path:
    """The demo's hand-worked bench with a calibrator whose level and period are knobs."""
    folder = shutil.copytree(DEMO, tmp_path / "demo")
    change(folder / "hand_bench.toml", ('levels = "decade"', 'levels = "continuous"'),
           ('periods = "1-2-5"', 'periods = "continuous"'))  # fmt: skip
    change(folder / "hand_bench_sim.toml", ('"northfen_decade_calibrator"', '"northfen_plain_calibrator"'))
    return folder


def test_a_person_on_the_simulated_bench_turns_to_the_lines_and_is_right(lab, tmp_path) -> None:
    parts = (
        '[[sequence]]\nuse = "vertical"\nchannels = [1]\nranges = ["100 mV", "1 V"]\nto_line = true\n'
        '[[sequence]]\nuse = "time_base"\nranges = ["1 ms"]\nmagnified = false\nto_line = true\n'
        '[[sequence]]\nuse = "time_base"\nranges = ["1 us", "1 ms"]\nmagnified = false\nsource = "generator"\n'
        'path = "terminated"\n'
    )
    report = opening.start(with_sequences(lab / "by_eye.toml", "lines.toml", parts), tmp_path / "runs").report
    truth = opening.simulated_bench(opening.load(lab / "lines.toml")).truth
    for result in report.parts[0].results:
        true_percent = 100 * truth.gain_error(1, result.setting_value)
        assert abs(result.statement.estimate - true_percent) <= 1.2 * result.statement.expanded
        assert result.statement.expanded < 1.0
    for part in report.parts[1:]:
        for result in part.results:
            true_percent = 100 * truth.time_error(result.setting_value, 1.0)
            assert abs(result.statement.estimate - true_percent) <= 1.2 * result.statement.expanded
    tuned = [r for r in read(tmp_path / "runs" / report.number).records if getattr(r.step, "tune_to_div", None)]
    assert [tuple(r.reply.more) for r in tuned] == [("level_v",)] * 2 + [("period_s",)]


def test_a_calibrator_without_the_function_is_refused_by_the_check(lab) -> None:
    change(lab / "hand_bench.toml", ('levels = "continuous"', 'levels = "continuous"\nfunctions = ["dc"]'))
    job = with_sequences(lab / "by_eye.toml", "marks.toml", '[[sequence]]\nuse = "time_base"\n')
    with pytest.raises(ConfigError, match=r"functions: has no 'time_marks', which the sequence 'time_base' uses"):
        opening.load(job)
    other = '[[sequence]]\nuse = "time_base"\nsource = "generator"\npath = "terminated"\n'
    opening.load(with_sequences(lab / "by_eye.toml", "wave.toml", other))
