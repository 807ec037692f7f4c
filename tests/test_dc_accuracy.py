"""Direct voltage: signs, what is common to both voltages, linearity, limits as makers write them, remote and by eye."""

from __future__ import annotations

import json
import math
import shutil
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from GTC import type_b, ureal
from scipy.stats import t

from harness import runs
from harness.analysis.estimate import state
from harness.analysis.verdict import Limits
from harness.errors import AnalysisError
from harness.journal import journal
from harness.models import Setup
from harness.report.model import Result
from harness.report.readings import Taken, taken_of
from harness.report.results import to_json
from harness.run.rehearsal import ideal
from harness.runs import RunResult
from harness.steps import Connect, Dc, Measure, NoSignal, Reading
from sequences.dc_accuracy import steps as dc
from sequences.dc_accuracy.budgets import departure, gain, level, offset
from sequences.dc_accuracy.evaluation import evaluate
from tests.helpers.demo_lab import DEMO, a_job, change
from tests.helpers.setups import a_setup

RATED = {
    "dc_gain": "1.5 %", "dc_offset_of_offset": "1 %", "dc_offset_div": "0.1 div", "dc_offset_volts": "1 mV",
    "dc_linearity": "0.03 div",
}  # fmt: skip


def a_dc_setup(*, read: str = "remote", error: str = "indication", floor_v: float = 0.0, **unit: Any) -> Setup:
    """A scope of 0.1 V/div that is rated; the source has 0.05 % and a floor."""
    setup = a_setup(read=read, tolerance=RATED, **{"resolution": "0 div", "scatter": "0.004 div", **unit})
    bench = setup.bench.model_dump(mode="json")
    bench["calibrator"]["accuracy"][0]["floor"] = floor_v
    made = type(setup.bench).model_validate(bench, context={"si": True})
    return replace(setup, bench=made, job=setup.job.model_copy(update={"error": error}))


def asked(setup: Setup, **options: Any) -> list[Measure]:
    """Every voltage that is read of channel 1 at 100 mV/div."""
    options = {"positions": (0.0,)} | options
    script = dc.script(setup, dc.Options(channels=(1,), ranges=("100 mV",), **options))
    step, found = next(script), []
    try:
        while True:
            found += [step] if isinstance(step, Measure) else []
            step = script.send(ideal(setup, step))
    except StopIteration:
        return found


def read_as(steps: list[Measure], *values: float) -> list[Taken]:
    return [(step, Reading(value=value)) for step, value in zip(steps, values, strict=True)]


def results(setup: Setup, taken: list[Taken]) -> dict[str, Result]:
    return {result.quantity: result for result in evaluate(setup, {}, taken).results}


# --- the formulas -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("error", "percent"), [("indication", 2.0), ("deflection factor", 100 / 1.02 - 100)])
def test_too_much_shown_is_a_positive_error_of_indication(error: str, percent: float) -> None:
    """±3 div applied; shown 3.16 and −2.96 div: 2 % too much between them, and both 0.1 div too high."""
    setup = a_dc_setup(error=error)
    steps = asked(setup, levels=2)
    assert [step.stimulus for step in steps] == [Dc(level_v=-0.3), Dc(level_v=0.3)]
    found = results(setup, read_as(steps, -2.96, 3.16))
    assert found["DC gain"].statement.estimate == pytest.approx(percent)
    assert found["DC offset"].statement.estimate == pytest.approx(0.1)  # the same by either definition
    assert found["DC gain"].setting == "100 mV/div"
    assert found["DC gain"].word == ("fail")


def test_what_the_source_has_in_proportion_is_common_to_both_voltages() -> None:
    """About 0 V it cancels in the offset; in the gain it counts in full, wherever the centre is."""
    setup = a_dc_setup(floor_v=20e-6)
    for centre_v in (0.0, 1.0):
        steps = asked(setup, levels=2, positions=(), offsets=(f"{centre_v} V",))
        low, high = (level(setup, step) for step in steps)
        of_gain, of_offset = (
            {line.name: line for line in budget.contributions if "limits" in line.name}
            for budget in (gain(setup, low, high), offset(setup, low, high))
        )
        common = [line for name, line in of_gain.items() if "in proportion" in name]
        assert [abs(line.contribution) for line in common] == [pytest.approx(0.05 / math.sqrt(3))]
        shared = [abs(line.contribution) for name, line in of_offset.items() if "in proportion" in name]
        assert shared == ([pytest.approx(5e-4 / math.sqrt(3) * centre_v / 0.1)] if centre_v else [])
        fixed = [abs(line.contribution) for name, line in of_offset.items() if "fixed" in name]
        assert fixed == [pytest.approx(20e-6 / math.sqrt(3) / 2 / 0.1)] * 2


def test_the_budgets_agree_with_those_of_an_independent_library() -> None:
    """GTC takes the same inputs through the definitions, without any sensitivity written down by hand."""
    setup = a_dc_setup(floor_v=200e-6)
    steps = asked(setup, levels=2, positions=(), offsets=("1 V",))
    shown = [7.12, 13.02]
    low, high = (level(setup, step, [Reading(value=v)]) for step, v in zip(steps, shown, strict=True))
    proportional = ureal(0, type_b.uniform(5e-4))
    applied = [a * (1 + proportional) + ureal(0, type_b.uniform(200e-6)) for a in (0.7, 1.3)]
    volts = [0.1 * (v + ureal(0, 0.004)) for v in shown]
    error = 100 * ((volts[1] - volts[0]) / (applied[1] - applied[0]) - 1)
    middle = (volts[1] + volts[0] - applied[1] - applied[0]) / 2 / 0.1
    for ours, theirs in ((gain(setup, low, high), error), (offset(setup, low, high), middle)):
        assert ours.estimate == pytest.approx(theirs.x, rel=1e-12)
        assert ours.u == pytest.approx(theirs.u, rel=2e-4)  # (1 + E) and the floor: second order


def test_the_departure_is_that_from_a_line_by_least_squares() -> None:
    setup = a_dc_setup()
    steps = asked(setup, levels=7)
    rng = np.random.default_rng(7)
    applied = np.linspace(-3, 3, 7)
    shown = 1.01 * applied + 0.02 + 0.002 * applied**3 + rng.normal(0, 0.002, 7)
    levels = [level(setup, step, [Reading(value=v)]) for step, v in zip(steps, shown, strict=True)]
    budget, at = departure(setup, levels)
    residual = shown - np.polyval(np.polyfit(applied, shown, 1), applied)
    worst = int(np.argmax(abs(residual)))
    assert budget.estimate == pytest.approx(residual[worst], rel=1e-6)
    assert at.step is steps[worst]
    hat = np.eye(7) - np.vander(applied, 2) @ np.linalg.pinv(np.vander(applied, 2))
    of_readings = math.hypot(*(line.contribution for line in budget.contributions if "chosen" not in line.name))
    assert of_readings == pytest.approx(0.004 * np.linalg.norm(hat[worst]), rel=1e-6)
    student = [t.ppf(1 - 0.0455 / 2 / m, 8) for m in (5, 1)]  # 5 of 7 are free; the scatter is known to 8 degrees
    assert budget.u / of_readings == pytest.approx(student[0] / student[1], rel=0.02)


@pytest.mark.parametrize("n", [pytest.param(80, id="a few"), pytest.param(2500, marks=pytest.mark.soak, id="many")])
def test_a_departure_that_is_chosen_as_the_largest_is_held_too(n: int) -> None:
    """Rejected: the interval of one level alone, which misses the largest of five departures in one case of ten."""
    rng, setup = np.random.default_rng(5), a_dc_setup(floor_v=1e-4)
    steps, held, alone = asked(setup, levels=5), 0, 0
    applied = np.array([step.stimulus.level for step in steps])
    for _ in range(n):
        real = applied + rng.uniform(-1e-4, 1e-4, 5)
        bent = applied * 10 + rng.uniform(-2e-3, 2e-3) * (applied * 10) ** 2
        sigma = 0.004 * math.sqrt(8 / rng.chisquare(8))
        shown = bent + (real - applied) * 10 + rng.normal(0, sigma, 5)
        levels = [level(setup, step, [Reading(value=float(v))]) for step, v in zip(steps, shown, strict=True)]
        budget, at = departure(setup, levels)
        off = abs(budget.estimate - _residuals(applied, bent)[[each.step for each in levels].index(at.step)])
        held += off <= state(budget).expanded
        of_one = replace(budget, contributions=tuple(x for x in budget.contributions if "chosen" not in x.name))
        alone += off <= state(of_one).expanded
    assert (0.94 if n >= 2000 else 0.9) <= held / n <= 1.0, (held / n, alone / n)
    assert alone < held


def test_the_limit_of_the_offset_is_the_sum_of_its_parts() -> None:
    """1 % of 2 V + 0.1 div + 1 mV at 100 mV/div: 0.2 + 0.1 + 0.01 div."""
    setup = a_dc_setup()
    steps = asked(setup, levels=2, positions=(), offsets=("2 V",))
    found = results(setup, read_as(steps, 17.0, 23.0))
    assert found["DC offset"].limits.high == pytest.approx(0.31)
    assert found["DC gain"].limits.high == pytest.approx(1.5)


# --- what is read -------------------------------------------------------------------------------------------------


def test_ground_is_zero_applied_or_the_coupling_switch() -> None:
    setup = a_dc_setup()
    applied, coupled = (asked(setup, zero=zero)[1] for zero in ("applied", "coupling"))
    assert (applied.stimulus, applied.view.coupling) == (Dc(level_v=0.0), "dc")
    assert (coupled.stimulus, coupled.view.coupling) == (NoSignal(), "ground")


def test_a_position_is_an_offset_of_so_many_divisions_and_tried_once() -> None:
    setup = a_dc_setup()
    steps = asked(setup, levels=2, positions=(-2.0, 0.0), offsets=("0.2 V", "0 V"))
    assert [step.view.ground_line_div for step in steps] == [-2.0, -2.0, 0.0, 0.0]
    assert [step.stimulus.level for step in steps] == pytest.approx([-0.1, 0.5, -0.3, 0.3])


@pytest.mark.parametrize(
    ("unit", "calibrator", "options", "says"),
    [
        ({}, {}, {"offsets": ("20 V",)}, "200 div away, more than the 100 div"),
        ({"read": "eye"}, {}, {"offsets": ("2 V",)}, "the zero line is off the screen, where no eye can set it"),
        ({"read": "eye"}, {}, {}, "by eye the zero line is set on its line"),
        ({}, {"negative": False}, {"offsets": ("-2 V",)}, "no two voltages that lie two divisions apart"),
        ({}, {"negative": False}, {}, "the calibrator gives none"),
        ({"tolerance": {}}, {}, {}, "A verdict on offset and linearity: the unit file states no rating"),
    ],
)
def test_what_this_equipment_cannot_do_is_said_beforehand(
    unit: dict[str, Any], calibrator: dict[str, Any], options: dict[str, Any], says: str
) -> None:
    setup = a_dc_setup(**{k: v for k, v in unit.items() if k != "tolerance"})
    if "tolerance" in unit:
        setup = replace(setup, unit=setup.unit.model_copy(update={"tolerance": type(setup.unit.tolerance)()}))
    changed = setup.bench.calibrator.model_copy(update=calibrator)
    setup = replace(setup, bench=setup.bench.model_copy(update={"calibrator": changed}))
    plan = dc.plan(setup, dc.Options(channels=(1,), ranges=("100 mV",), **options))
    assert any(says in sentence for sentence in plan.left_out), plan.left_out


def test_a_source_of_one_polarity_reads_from_zero_up() -> None:
    setup = a_dc_setup()
    changed = setup.bench.calibrator.model_copy(update={"negative": False, "levels": "1-2-5"})
    setup = replace(setup, bench=setup.bench.model_copy(update={"calibrator": changed}))
    steps = asked(setup, positions=(-3.0,), zero="coupling")
    assert [step.stimulus.level for step in steps] == [0.0, 0.2, 0.5]
    assert [step.view.coupling for step in steps] == ["ground", "dc", "dc"]


def test_without_a_rating_it_is_stated_and_not_judged_and_what_is_off_the_screen_is_no_number() -> None:
    setup = a_dc_setup()
    setup = replace(setup, unit=setup.unit.model_copy(update={"tolerance": type(setup.unit.tolerance)()}))
    steps = asked(setup, levels=2)
    made = evaluate(setup, {}, read_as(steps, -3.0, 3.0))
    (rated,) = made.results  # by what is rated of the deflection factor
    assert (rated.quantity, rated.limits) == ("DC gain", Limits(low=-3.0, high=3.0))
    (unrated,) = made.findings
    assert (unrated.name, unrated.unit, unrated.value) == ("DC offset", "div", 0.0)
    assert unrated.sentence.endswith(", not rated.")
    off = [(steps[0], Reading(status="off_screen")), (steps[1], Reading(value=3.0))]
    (lost, *_) = evaluate(setup, {}, off).results
    assert (lost.word, lost.statement, lost.remarks) == ("not measured", None, ("at -300 mV: off the screen",))


def test_an_inverted_channel_is_a_sentence() -> None:
    setup = a_dc_setup()
    found = results(setup, read_as(asked(setup, levels=2), 3.0, -3.0))
    assert found["DC gain"].word == "undecided"
    assert "check polarity, coupling and invert" in found["DC gain"].remarks[0]
    with pytest.raises(AnalysisError, match="three levels"):
        departure(setup, [level(setup, step) for step in asked(setup, levels=2)])


# --- whole runs ---------------------------------------------------------------------------------------------------

KEYS = "\n".join(f'{name} = "{value}"' for name, value in RATED.items())

FAR = "DC offset", "100 mV/div about 5 V"


@pytest.fixture(scope="module")
def lab(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("dc") / "lab"
    shutil.copytree(DEMO, folder)
    change(folder / "aldermoor_egret.toml", ("[tolerance]", f"[tolerance]\n{KEYS}"))
    change(folder / "aldermoor_skua.toml", ("[tolerance]", f"[tolerance]\n{KEYS}"))
    hidden = '[[unit.truth.channel]]\noffset = "0.16 div"\nposition = "-2.2 %"\nbend = "10 %"\n'
    change(folder / "bench_sim.toml", ('[[unit.truth.channel]]\ngain = "0.6 %"', f'{hidden}gain = "0.6 %"'))
    return folder


@pytest.fixture(scope="module")
def run(lab: Path) -> RunResult:
    job = a_job(
        lab / "dc.toml",
        'use = "dc_accuracy"\nranges = ["100 mV", "500 mV"]\npositions = [0]\noffsets = ["5 V"]\nlevels = 5',
    )
    rehearsal = runs.rehearse(runs.load(job))
    assert (rehearsal.parts[0].points, rehearsal.parts[0].decidable) == (40, 40)
    return runs.start(job, lab / "runs")


def test_hidden_faults_are_found_and_no_true_pass_fails(run: RunResult) -> None:
    words = {(r.quantity, r.channel, r.setting): r.word for r in run.report.parts[0].results}
    failed = {place for place, word in words.items() if word == "fail"}
    assert ("DC offset", 1, "100 mV/div") in failed  # 0.16 div against 0.11
    assert (FAR[0], 1, FAR[1]) in failed  # 2.2 % of 50 div against 1 %
    assert ("DC linearity", 1, "100 mV/div") in failed
    assert ("DC gain", 2, "500 mV/div") in failed  # 4.2 %
    (lost,) = (r for r in run.report.parts[0].results if (r.quantity, r.setting, r.channel) == (*FAR, 1))
    assert lost.applied == "4.7 V to 5.15 V DC"  # it carries the upper trace off the screen, and the rest tells
    assert "at 5.3 V: off the screen" in lost.remarks
    sound = {("DC gain", 2, "100 mV/div"), ("DC offset", 2, "100 mV/div"), ("DC linearity", 2, "100 mV/div")}
    assert {words[place] for place in sound} == {"pass"}


def test_the_truth_lies_in_what_is_stated(run: RunResult, lab: Path) -> None:
    bench = runs.simulated_bench(runs.load(lab / "dc.toml"))
    assert bench is not None
    for result in run.report.parts[0].results:
        assert result.statement is not None
        low, high, at_div = (
            result.statement.low,
            result.statement.high,
            -(result.applied_value or 0.0) / result.setting_value,
        )
        own = bench.truth.gain_error(result.channel, result.setting_value)
        if result.quantity == "DC offset" and not bench.truth.bend(result.channel):
            assert low <= bench.truth.offset_div(result.channel, position_div=at_div) - own * at_div <= high
        if result.quantity == "DC gain" and not bench.truth.bend(result.channel):
            assert low <= 100 * own <= high


def test_the_offset_over_its_range_is_a_finding_and_all_is_kept(run: RunResult) -> None:
    found = {f.channel: f for f in run.report.parts[0].findings if "100 mV/div" in f.sentence}
    assert "from 0 V to 5 V at the centre the offset changes by" in found[2].sentence
    assert found[2].value == pytest.approx(-0.8, abs=0.1)
    plain = json.loads(to_json(run.report))["parts"][0]
    rows = [row for row in plain["results"] if row["quantity"] == "DC offset" and row["channel"] == 2]
    assert [row["setting"] for row in rows] == [
        "100 mV/div",
        "100 mV/div about 5 V",
        "500 mV/div",
        "500 mV/div about 5 V",
    ]


def test_by_eye_a_person_is_asked_in_one_line_and_gain_and_linearity_are_stated(lab: Path) -> None:
    job = a_job(
        lab / "eye.toml", 'use = "dc_accuracy"\nranges = ["1 V"]\nchannels = [2]\npositions = [-3, 0]',
        unit="aldermoor_skua.toml", serial="Skua-0958",
    )  # fmt: skip
    report = runs.start(job, lab / "runs").report
    assert {r.quantity for r in report.parts[0].results} == {"DC gain", "DC linearity"}
    assert all(r.statement is not None and abs(r.statement.estimate) < 4 for r in report.parts[0].results)
    assert len("Channel 1 of the unit: " + dc.UPPER.question) <= 80


def test_without_a_record_the_units_own_mean_is_taken(lab: Path) -> None:
    bench = lab / "no_record.toml"
    text = (lab / "bench.toml").read_text("utf-8")
    bench.write_text(text.replace("[unit]\n", '[unit]\ncommands = { record = "" }\n', 1), "utf-8")
    table = 'use = "dc_accuracy"\nranges = ["100 mV"]\nchannels = [2]'
    report = runs.start(a_job(lab / "own.toml", table, bench=bench.name), lab / "runs").report
    found = {result.quantity: result for result in report.parts[0].results}
    assert {result.word for result in found.values()} == {"pass"}
    settings = [result.setting for result in report.parts[0].results if result.quantity == "DC gain"]
    assert sorted(settings) == ["100 mV/div", "100 mV/div about 200 mV", "100 mV/div about −200 mV"]  # over positions
    assert found["DC gain"].statement.low <= -0.8 <= found["DC gain"].statement.high


def test_a_run_is_worked_out_again_by_the_other_definition(run: RunResult) -> None:
    """A re-analysis asks the same evaluation: the gain changes its sign, and the offset stays."""
    contents = journal.read(run.folder)
    setup = Setup.from_header(contents.header["setup"])
    other = replace(setup, job=setup.job.model_copy(update={"error": "deflection factor"}))
    taken = taken_of(contents, contents.header["parts"][0]["name"])
    first, again = (results(each, [t for t in taken if t[0].view.channel == 2]) for each in (setup, other))
    ratio = 1 + first["DC gain"].statement.estimate / 100
    assert again["DC gain"].statement.estimate == pytest.approx(100 / ratio - 100)
    assert again["DC offset"].statement.estimate == first["DC offset"].statement.estimate


# --- coverage -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("n", [pytest.param(60, id="a few"), pytest.param(2500, marks=pytest.mark.soak, id="many")])
@pytest.mark.parametrize(("resolution", "scatter"), [(0.0, 0.004), (0.1, 0.03)])
def test_the_intervals_hold_the_truth_as_often_as_they_say(n: int, resolution: float, scatter: float) -> None:
    """Inputs drawn as the budget has them; the scatter is known by 8 degrees of freedom, as it is assumed to be."""
    rng = np.random.default_rng(20261130)
    eye = resolution > 0
    setup = a_dc_setup(floor_v=1e-4, resolution=f"{resolution} div", scatter=f"{scatter} div")
    steps = asked(setup, positions=(), offsets=("0.5 V",))
    applied = np.array([step.stimulus.level for step in steps])
    held = dict.fromkeys(("DC gain", "DC offset", "DC linearity"), 0)
    for _ in range(n):
        e, o, b = rng.normal(0, 0.01), rng.uniform(-0.3, 0.3), rng.uniform(-0.05, 0.05)
        real = applied * (1 + rng.uniform(-5e-4, 5e-4)) + rng.uniform(-1e-4, 1e-4, 3)
        bent = lambda v, e=e, o=o, b=b: (v - 0.5) * (1 + e) / 0.1 + 5 + o + b * ((v - 0.5) / 0.3) ** 2  # noqa: E731
        sigma = scatter * math.sqrt(8 / rng.chisquare(8))
        shown = bent(real) + rng.normal(0, sigma, 3)
        shown = np.round(shown / resolution) * resolution if eye else shown
        ideal_shown = bent(applied)
        truth = {
            "DC gain": 100 * ((ideal_shown[2] - ideal_shown[0]) * 0.1 / (applied[2] - applied[0]) - 1),
            "DC offset": (ideal_shown[0] + ideal_shown[2]) / 2 - 5,
            "DC linearity": max(_residuals(applied, ideal_shown), key=abs),
        }
        for name, result in results(setup, read_as(steps, *(float(v) for v in shown))).items():
            statement = result.statement
            held[name] += statement.low <= truth[name] <= statement.high
    if n >= 2000:
        assert all(0.94 <= count / n <= 0.975 for count in held.values()), {k: v / n for k, v in held.items()}
    else:
        assert all(count / n >= 0.9 for count in held.values()), held


def _residuals(x: np.ndarray, y: np.ndarray) -> list[float]:
    return list(y - np.polyval(np.polyfit(x, y, 1), x))


def test_a_connection_is_made_once_a_channel() -> None:
    setup = a_dc_setup()
    script = dc.script(setup, dc.Options())
    step, made = next(script), 0
    try:
        while True:
            made += isinstance(step, Connect)
            step = script.send(ideal(setup, step))
    except StopIteration:
        assert made == 2
