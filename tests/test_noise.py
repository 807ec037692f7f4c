"""Noise and drift: what of a record is the converter's, how well its length knows the rest, and the waits."""

from __future__ import annotations

import datetime as dt
import math
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import chi2

from drivers.waveform import quantising_step
from harness import runs
from harness.analysis.estimate import COVERAGE, state
from harness.bench import limits
from harness.bench.limits import connection_of
from harness.measurement import Screenful
from harness.report.model import PartResult, Result
from harness.runs import RunResult
from harness.steps import Dc, Reading
from sequences.noise import budgets
from sequences.noise import steps as noise
from sequences.noise.evaluation import evaluate, headings
from sequences.noise.statistics import HIDDEN, Spread, before_quantising, degrees_of_freedom, height_of, spread_of
from tests.helpers.demo_lab import DEMO, a_job
from tests.helpers.setups import a_setup

SETUP = a_setup(read="remote", resolution="0 div", scatter="0.004 div")
STEP = next(noise._noise(SETUP, noise.Options(ranges=("100 mV",))))
SCREEN = Screenful(interval_s=1e-5, low_v=-0.4, high_v=0.4, volts_per_div=0.1, s_per_div=1e-3)
Q = 0.8 / 255


def record(rng: np.random.Generator, sigma_q: float, size: int = 1000) -> np.ndarray:
    """Noise of so many steps, the line anywhere between two codes, rounded."""
    return np.rint(rng.uniform(-0.5, 0.5) + rng.normal(0, sigma_q, size)) * Q


def read(quantity: object, volts: np.ndarray) -> Reading:
    return quantity.from_record(STEP, volts, SCREEN, quantising_step(volts, span_v=0.8))  # type: ignore[attr-defined]


# --- statistics ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("dof", [9.0, 50.0, 999.0])
def test_the_uncertainty_is_the_wider_side_of_the_chi_square_interval(dof: float) -> None:
    low, high = chi2.ppf([(1 - COVERAGE) / 2, (1 + COVERAGE) / 2], dof)
    upper, lower = math.sqrt(dof / low) - 1, 1 - math.sqrt(dof / high)
    assert 2 * spread_of(1.0, dof) == pytest.approx(upper, rel=1e-6)
    assert upper > lower
    assert spread_of(1.0, 1e5) == pytest.approx(1 / math.sqrt(2e5), rel=5e-3)


@pytest.mark.parametrize(("samples", "d2"), [(5, 2.326), (10, 3.078), (25, 3.931)])
def test_the_mean_range_is_that_of_control_charts(samples: int, d2: float) -> None:
    assert height_of(samples)[0] == pytest.approx(d2, abs=6e-4)  # tables of d₂, from memory


def test_mean_and_scatter_of_the_range_of_a_thousand_samples() -> None:
    ranges = np.ptp(np.random.default_rng(1).normal(size=(4000, 1000)), axis=1)
    assert height_of(1000) == (pytest.approx(ranges.mean(), rel=5e-3), pytest.approx(ranges.std(), rel=0.05))


def test_neighbours_that_are_alike_count_less() -> None:
    """A moving average over m has Σρₖ² = m(2/3 + 1/(3m²)) over all k: the triangle squared."""
    rng, m = np.random.default_rng(2), 8
    white = rng.normal(size=20_000 + m - 1)
    smooth = np.convolve(white, np.ones(m), "valid")
    assert degrees_of_freedom(white) == pytest.approx(white.size, rel=0.01)
    assert degrees_of_freedom(smooth) == pytest.approx(20_000 / (m * (2 / 3 + 1 / (3 * m * m))), rel=0.05)


def test_the_converters_part_is_taken_out_where_the_noise_exceeds_it() -> None:
    q = 0.03
    exceeds = before_quantising([Spread(observed=0.02, quantum=q, dof=999)], "div")
    assert exceeds.value == pytest.approx(math.sqrt(0.02**2 - q**2 / 12))
    below = before_quantising([Spread(observed=0.01, quantum=q, dof=999)], "div")  # √(0.01² − q²/12) < q/√12
    assert below.hidden
    assert (below.value, below.lines[0].half_width) == (HIDDEN * q / 2, HIDDEN * q / 2)
    on_two = before_quantising([Spread(observed=q / 2, quantum=q, dof=999, on_two=0.995)], "div")
    assert on_two.hidden  # a quiet line between two codes shows half a step, which is its place
    plain = before_quantising([Spread(observed=0.01, quantum=0.0, dof=999)], "div")
    assert plain.value == 0.01


def test_several_records_are_pooled_by_their_degrees_of_freedom() -> None:
    pooled = before_quantising(
        [Spread(observed=1.0, quantum=0, dof=10), Spread(observed=2.0, quantum=0, dof=30)], "div"
    )
    assert pooled.value == pytest.approx(math.sqrt((10 * 1 + 30 * 4) / 40))
    assert pooled.lines[0].u == pytest.approx(spread_of(pooled.value, 40))


def test_a_record_that_stands_on_one_code_is_not_silent() -> None:
    reading = read(noise.RMS, np.zeros(1000))
    statement = state(budgets.rms(SETUP, STEP, [reading]))
    assert reading.value == 0.0
    assert statement.high >= HIDDEN * 8 / 256 * 0.95


@pytest.mark.parametrize("n", [pytest.param(60, id="a few"), pytest.param(2500, marks=pytest.mark.soak, id="many")])
@pytest.mark.parametrize(("low", "high"), [(0.4, 0.6), (0.6, 1.5), (1.5, 8.0)])
def test_the_intervals_hold_the_truth_as_often_as_they_say(n: int, low: float, high: float) -> None:
    rng = np.random.default_rng(11)
    held = {"rms": 0, "height": 0}
    for _ in range(n):
        sigma = rng.uniform(low, high)
        rms = state(budgets.rms(SETUP, STEP, [read(noise.RMS, record(rng, sigma))]))
        held["rms"] += rms.low <= sigma * Q / 0.1 <= rms.high
        height = state(budgets.peak_to_peak(SETUP, STEP, [read(noise.HEIGHT, record(rng, sigma))]))
        held["height"] += height.low <= height_of(1000)[0] * sigma * Q / 0.1 <= height.high
    least, most = (0.94, 0.975) if n >= 2000 else (0.9, 1.0)
    assert all(least <= count / n <= most for count in held.values()), held


def test_what_hides_in_the_step_is_held_by_its_bound() -> None:
    rng = np.random.default_rng(12)
    for sigma in rng.uniform(0.0, 0.35, 100):
        statement = state(budgets.rms(SETUP, STEP, [read(noise.RMS, record(rng, sigma))]))
        assert statement.high >= 0.93 * sigma * Q / 0.1


# --- steps and waits ----------------------------------------------------------------------------------------------


def test_without_a_wait_nothing_changes_and_hazards_are_not_waited_with() -> None:
    waits = replace(STEP, wait_s=60.0)
    assert limits.refusal(waits, connection_of(waits), SETUP) == ""
    hot = replace(waits, path="lead", source="calibrator", stimulus=Dc(level_v=100.0))
    assert "waits 60 s with a hazardous voltage" in limits.refusal(hot, connection_of(hot), SETUP).replace(
        "1 min", "60 s"
    )
    assert "wait_s" in limits.refusal(replace(waits, wait_s=-1.0), connection_of(waits), SETUP)


def test_what_is_not_rated_is_said_and_a_question_fits_a_line() -> None:
    said = noise.plan(SETUP, noise.Options(drift_over="1 min")).left_out
    assert [sentence.partition(" (")[0] for sentence in said] == [
        "A verdict on noise that the unit file does not rate",
        "A verdict on the drift of the line: the unit file states no rating",
    ]
    assert all(len("Channel 1 of the unit: " + one.question) <= 80 for one in noise.QUANTITIES)
    eye = a_setup()
    assert {step.quantity for step in noise._noise(eye, noise.Options())} == {"noise_height"}


def test_one_reading_of_a_line_is_no_drift_and_what_is_not_rated_is_still_covered() -> None:
    line = next(noise._lines(SETUP, noise.Options(drift_over="1 min")))
    entry: dict[str, object] = {}
    one = evaluate(SETUP, entry, [(line, Reading(value=0.1)), (line, Reading(status="off_screen"))])
    assert [(result.word, result.statement) for result in one.results] == [("undecided", None)]
    assert "a drift needs two readings" in one.results[0].remarks[-1]
    two = evaluate(SETUP, entry, [(line, Reading(value=0.1)), (replace(line, wait_s=60.0), Reading(value=0.3))])
    (drift,) = (finding for finding in two.findings if finding.name == "line drift")
    assert (drift.value, drift.unit) == (pytest.approx(0.2), "div")
    part = PartResult(name="1 noise", use="noise", title="", finished=True, findings=two.findings)
    assert [heading.coverage for heading in headings(SETUP, [part])] == ["covered"]


# --- whole runs ---------------------------------------------------------------------------------------------------

RATED = """[tolerance]
noise_rms = "0.04 div"
noise_rms_volts = "60 uV"
noise_peak_to_peak = "0.3 div"
line_drift = "0.1 div"
"""
HIDDEN_TRUTH = (
    '[unit.truth]\nline_cold = "0.4 div"\nnoise = "0.025 div"\nnoise_floor = "90 uV"\n\n[[unit.truth.channel]]'
)


@pytest.fixture(scope="module")
def lab(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("noise") / "lab"
    shutil.copytree(DEMO, folder)
    for name in ("aldermoor_egret.toml", "aldermoor_skua.toml"):
        unit = folder / name
        unit.write_text(unit.read_text("utf-8").replace("[tolerance]\n", RATED, 1), "utf-8")
    truth = folder / "bench_sim.toml"
    truth.write_text(truth.read_text("utf-8").replace("[[unit.truth.channel]]", HIDDEN_TRUTH, 1), "utf-8")
    return folder


@pytest.fixture(scope="module")
def run(lab: Path) -> RunResult:
    table = 'use = "noise"\nranges = ["2 mV", "100 mV"]\ndrift_over = "30 min"\ndrift_readings = 4'
    job = a_job(lab / "noise.toml", table)
    rehearsal = runs.rehearse(runs.load(job))
    assert (rehearsal.parts[0].points, rehearsal.parts[0].decidable) == (10, 10)
    assert 3600 <= rehearsal.estimated_s < 3700  # half an hour a channel
    return runs.start(job, lab / "runs")


def of(run: RunResult, quantity: str, setting: str, channel: int = 1) -> Result:
    results = run.report.parts[0].results
    return next(r for r in results if (r.quantity, r.setting, r.channel) == (quantity, setting, channel))


def test_hidden_faults_are_found_and_the_truth_is_held(run: RunResult) -> None:
    noisy, quiet = of(run, "noise, rms", "2 mV/div"), of(run, "noise, rms", "100 mV/div")
    assert (noisy.word, quiet.word) == ("fail", "pass")  # 90 µV where 60 µV are rated
    for result, truth in ((noisy, math.hypot(0.025, 90e-6 / 2e-3)), (quiet, 0.025)):
        assert result.statement is not None
        assert result.statement.low <= truth <= result.statement.high
    cold = of(run, "line drift", "2 mV/div")
    assert cold.word == "fail"
    assert cold.statement is not None
    assert cold.statement.low <= -0.4 * (1 - math.exp(-3)) <= cold.statement.high  # three time constants of ten minutes
    assert cold.applied == "nothing for 30 min"
    assert of(run, "line drift", "2 mV/div", channel=2).word == "pass"  # warm by then


def test_the_line_is_told_on_its_way_and_the_clock_has_waited(run: RunResult) -> None:
    found = [finding for finding in run.report.parts[0].findings if finding.name == "line on the way"]
    assert found[0].sentence.startswith("channel 1: -0.3")
    began, ended = (dt.datetime.fromisoformat(at) for at in (run.report.started, run.report.ended))
    assert dt.timedelta(hours=1) <= ended - began < dt.timedelta(hours=1, minutes=2)


def test_by_eye_the_height_is_read_and_the_wait_is_told(lab: Path) -> None:
    table = (
        'use = "noise"\nsource = "calibrator"\npath = "lead"\nranges = ["5 mV"]\nchannels = [1]\ndrift_over = "5 min"'
    )
    unit = {"unit": "aldermoor_skua.toml", "serial": "Skua-0958", "bench": "hand_bench.toml"}
    job = a_job(lab / "eye.toml", table, **unit)
    simulated = runs.simulated_bench(runs.load(job))
    assert simulated is not None
    report = (
        runs.start(job, lab / "runs", simulated=simulated).report if False else runs.start(job, lab / "runs").report
    )
    assert {result.quantity for result in report.parts[0].results} == {"noise, peak to peak", "line drift"}
    assert report.parts[0].finished
    began, ended = (dt.datetime.fromisoformat(at) for at in (report.started, report.ended))
    assert ended - began >= dt.timedelta(minutes=5)


def test_without_a_record_the_units_own_figure_is_taken_and_can_only_be_too_large(lab: Path) -> None:
    """What of it is the converter's nobody can tell, so that nothing is taken off."""
    bench = lab / "no_record.toml"
    text = (lab / "bench.toml").read_text("utf-8")
    bench.write_text(text.replace("[unit]\n", '[unit]\ncommands = { record = "" }\n', 1), "utf-8")
    job = a_job(lab / "own.toml", 'use = "noise"\nranges = ["100 mV"]\nchannels = [1]', bench=bench.name)
    found = {result.quantity: result for result in runs.start(job, lab / "runs").report.parts[0].results}
    rms = found["noise, rms"]
    assert rms.statement is not None
    assert math.hypot(0.025, 8 / 255 / math.sqrt(12)) == pytest.approx(rms.statement.estimate, rel=0.05)
    assert "own measurement" in rms.remarks
