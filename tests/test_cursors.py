"""The unit's own read-outs: signs, what a setting of two cursors is worth, remote by its own measurements, by eye."""

from __future__ import annotations

import math
import shutil
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from GTC import type_b, ureal

from harness import runs
from harness.analysis.estimate import state
from harness.models import Setup
from harness.run.rehearsal import ideal
from harness.runs import RunResult
from harness.steps import Measure, Reading
from sequences.cursors import steps as cursors
from sequences.cursors.budgets import _last_digit, read_out
from sequences.cursors.evaluation import evaluate
from tests.helpers.demo_lab import DEMO, a_job
from tests.helpers.setups import a_setup

RATED = {"cursor_volts": "3 %", "cursor_time": "2 %"}


def asked(setup: Setup, **options: Any) -> dict[str, Measure]:
    """One step for each read-out."""
    script = cursors.script(setup, cursors.Options(channels=(1,), **options))
    step, found = next(script), {}
    try:
        while True:
            if isinstance(step, Measure):
                found[step.quantity] = step
            step = script.send(ideal(setup, step))
    except StopIteration:
        return found


def a_cursor_setup(read: str = "eye", **unit: Any) -> Setup:
    return a_setup(read=read, tolerance=RATED, **unit)


# --- formulas -----------------------------------------------------------------------------------------------------


def test_a_time_said_too_long_is_a_rate_said_too_low() -> None:
    setup = a_cursor_setup()
    steps = asked(setup)
    errors = {
        name: read_out(setup, step, [Reading(value=step.expected * by)]).estimate  # type: ignore[operator]
        for (name, step), by in zip(steps.items(), (1.02, 1.01, 1 / 1.01), strict=True)
    }
    assert errors["cursor_volts"] == pytest.approx(2.0)
    assert errors["cursor_time"] == pytest.approx(1.0)
    assert errors["cursor_rate"] == pytest.approx(100 / 1.01 - 100)
    other = replace(setup, job=setup.job.model_copy(update={"error": "deflection factor"}))
    volts = steps["cursor_volts"]
    assert read_out(other, volts, [Reading(value=volts.expected * 1.02)]).estimate == pytest.approx(100 / 1.02 - 100)


@pytest.mark.parametrize("name", ["cursor_volts", "cursor_time", "cursor_rate"])
def test_the_budgets_agree_with_those_of_an_independent_library(name: str) -> None:
    """GTC takes two cursors, the last digit and the source through the definition by itself."""
    setup = a_cursor_setup()
    step = asked(setup)[name]
    true, by = step.expected or 0.0, 1.013
    off = ureal(0, type_b.uniform(0.03)) - ureal(0, type_b.uniform(0.03))
    source = ureal(1, type_b.uniform({"cursor_volts": 1e-3}.get(name, 1e-5)))
    said = {"cursor_volts": "V", "cursor_time": "s", "cursor_rate": "Hz"}[name]
    text = f"{true * by:.4e}"
    figure, digit = float(text), 10.0 ** (math.floor(math.log10(true * by)) - 4)
    typed = f"{figure:.{max(0, -round(math.log10(digit)))}f} {said}"
    rounding = ureal(0, type_b.uniform(digit / 2))
    match name:
        case "cursor_volts":
            error = (figure + rounding + off * step.view.volts_per_div) / (true * source) - 1
        case "cursor_time":
            error = (figure + rounding + off * step.view.s_per_div) / (true * source) - 1
        case _:
            error = (1 / (1 / (figure + rounding) + off * step.view.s_per_div)) * (source / true) - 1
    ours = read_out(setup, step, [Reading(value=figure, said=typed)])
    assert ours.estimate == pytest.approx(100 * error.x, rel=1e-9)
    assert ours.u == pytest.approx(100 * error.u, rel=1e-3)


@pytest.mark.parametrize(
    ("said", "unit", "digit"),
    [
        ("601.2 mV", "V", 1e-4), ("0.60 V", "V", 1e-2), ("5.04us", "s", 1e-8), ("1 ms", "s", 1e-3),
        ("200.1 kHz", "Hz", 100.0), ("0,602 V", "V", 1e-3), ("0.6 V; again: 0.61 V", "V", 1e-2),
        ("=", "V", 0.0), ("4.9 div", "s", 0.0), ("", "V", 0.0),
    ],
)  # fmt: skip
def test_the_last_digit_is_that_of_what_was_typed(said: str, unit: str, digit: float) -> None:
    assert _last_digit(said, unit) == pytest.approx(digit)


# --- what is read -------------------------------------------------------------------------------------------------


def test_marks_stand_one_to_five_divisions_apart_and_a_question_fits_a_line() -> None:
    setup = a_cursor_setup()
    time = asked(setup, times=("1 ms",))["cursor_time"]
    assert (time.stimulus.period_s, time.expected) == (5e-3, 5e-3)  # type: ignore[union-attr]
    assert all(len("Channel 1 of the unit: " + one.question) <= 80 for one in cursors.QUANTITIES)


def test_an_empty_command_and_marks_that_do_not_fit_are_said_beforehand() -> None:
    setup = a_cursor_setup("remote")
    link = {"address": "GPIB0::3::INSTR", "commands": {"rate": ""}}
    bench = type(setup.bench).model_validate(
        {**setup.bench.model_dump(mode="json"), "unit": link, "calibrator": _decade(setup)}, context={"si": True}
    )
    plan = cursors.plan(replace(setup, bench=bench), cursors.Options(channels=(1,), times=("200 us", "1 ms")))
    assert plan.left_out == (
        "Δt at 200 µs/div: the calibrator gives no marks one to five divisions apart.",
        "Cursor rate: commands.rate of [unit] is empty: it does not measure it.",
    )


def test_a_calibrator_without_one_of_the_signals_tries_the_other() -> None:
    setup = a_cursor_setup()
    for functions, said, read in (
        (("dc", "time_marks"), "ΔV: the calibrator gives no square wave.", {"cursor_time", "cursor_rate"}),
        (("dc", "square"), "Δt and 1/Δt: the calibrator gives no time marks.", {"cursor_volts"}),
    ):
        changed = setup.bench.calibrator.model_copy(update={"functions": functions})  # type: ignore[union-attr]
        other = replace(setup, bench=setup.bench.model_copy(update={"calibrator": changed}))
        assert said in cursors.plan(other, cursors.Options()).left_out
        assert set(asked(other)) == read


def _decade(setup: Setup) -> dict[str, Any]:
    """Marks of 100 µs and of 2 ms alone."""
    assert setup.bench.calibrator is not None
    return setup.bench.calibrator.model_dump(mode="json") | {"periods": [1e-4, 2e-3]}


def test_without_a_rating_it_is_stated_and_not_judged() -> None:
    setup = a_setup()
    step = asked(setup)["cursor_volts"]
    made = evaluate(setup, {}, [(step, Reading(value=0.61, said="0.610 V"))])
    assert made.results == ()
    (found,) = made.findings
    assert (found.name, found.value) == ("ΔV read-out", pytest.approx(100 * (0.61 / (step.expected or 1) - 1)))
    assert any(
        "cursor_volts, cursor_time, cursor_rate" in said for said in cursors.plan(setup, cursors.Options()).left_out
    )


# --- whole runs ---------------------------------------------------------------------------------------------------

TABLE = 'use = "cursors"\nranges = ["100 mV", "500 mV"]\ntimes = ["1 us", "1 ms"]\nrepeats = 2'
HIDDEN = '[unit.truth]\nread_out_time = "3 %"\n\n[[unit.truth.channel]]'


@pytest.fixture(scope="module")
def lab(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("cursors") / "lab"
    shutil.copytree(DEMO, folder)
    keys = "\n".join(f'{name} = "{value}"' for name, value in RATED.items())
    for name in ("aldermoor_egret.toml", "aldermoor_skua.toml"):
        unit = folder / name
        unit.write_text(unit.read_text("utf-8").replace("[tolerance]\n", f"[tolerance]\n{keys}\n", 1), "utf-8")
    for name in ("bench_sim.toml", "hand_bench_sim.toml"):
        truth = folder / name
        truth.write_text(truth.read_text("utf-8").replace("[[unit.truth.channel]]", HIDDEN, 1), "utf-8")
    return folder


@pytest.fixture(scope="module")
def run(lab: Path) -> RunResult:
    job = a_job(lab / "cursors.toml", TABLE)
    rehearsal = runs.rehearse(runs.load(job))
    assert (rehearsal.parts[0].points, rehearsal.parts[0].decidable) == (8, 8)
    return runs.start(job, lab / "runs")


def test_faults_of_the_figures_are_found_where_the_screen_is_right(run: RunResult) -> None:
    words = {(r.quantity, r.channel, r.setting): r.word for r in run.report.parts[0].results}
    failed = {place for place, word in words.items() if word == "fail"}
    times = {(name, 1, at) for name in ("Δt read-out", "1/Δt read-out") for at in ("1 µs/div", "1 ms/div")}
    assert failed == times | {("ΔV read-out", 2, "500 mV/div")}  # a gain of 4.2 % shows in the figure as well
    for result in run.report.parts[0].results:
        assert result.statement is not None
        if result.quantity == "Δt read-out":
            assert result.statement.low <= 3.0 <= result.statement.high
            assert result.unit in ("µs", "ms")
        assert "own measurement" in result.remarks


def test_by_eye_a_person_types_what_the_read_out_says(lab: Path) -> None:
    unit = {"unit": "aldermoor_skua.toml", "serial": "Skua-0958", "bench": "hand_bench.toml"}
    report = runs.start(a_job(lab / "eye.toml", TABLE, **unit), lab / "runs").report
    found = {(r.quantity, r.setting): r for r in report.parts[0].results if r.channel == 1}
    time = found["Δt read-out", "1 ms/div"]
    assert time.statement is not None
    assert time.statement.low <= 3.7 <= time.statement.high  # 3 % of the figure and 0.7 % of the sweep
    assert time.budget is not None
    assert [line.name for line in time.budget.contributions if line.u][-1] == "last digit of the read-out"


# --- coverage -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("n", [pytest.param(80, id="a few"), pytest.param(3000, marks=pytest.mark.soak, id="many")])
@pytest.mark.parametrize("name", ["cursor_volts", "cursor_time", "cursor_rate"])
@pytest.mark.parametrize("read", ["eye", "remote"])
def test_the_intervals_hold_the_truth_as_often_as_they_say(n: int, name: str, read: str) -> None:
    rng = np.random.default_rng(31)
    setup = a_cursor_setup(read, **({} if read == "eye" else {"resolution": "0 div", "time_resolution": "0 div"}))
    step = asked(setup)[name]
    source = 1e-3 if name == "cursor_volts" else 1e-5
    held = 0
    for _ in range(n):
        error, applied = rng.normal(0, 0.01), (step.expected or 0.0) * (1 + rng.uniform(-source, source))
        sigma = 0.03 * math.sqrt(2) * math.sqrt(8 / rng.chisquare(8))
        off = rng.uniform(-0.03, 0.03, 2).sum() if read == "eye" else rng.normal(0, sigma)
        if name == "cursor_rate":
            value = 1 / (1 / (applied * (1 + error)) + off * step.view.s_per_div)
        else:
            value = applied * (1 + error) + off * (
                step.view.volts_per_div if name == "cursor_volts" else step.view.s_per_div
            )
        statement = state(read_out(setup, step, [Reading(value=value)]))
        held += statement.low <= 100 * error <= statement.high
    low, high = (0.94, 0.975) if n >= 2000 else (0.88, 1.0)
    assert low <= held / n <= high, held / n
