"""The trigger: the search, the formulas, what cannot be tried, whole runs with hidden faults, remote and by eye."""

from __future__ import annotations

import itertools
import math
import shutil
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from GTC import type_b, ureal

from harness import runs
from harness.analysis.estimate import Contribution
from harness.bench.limits import connection_of, hazards
from harness.errors import AnalysisError
from harness.measurement import Screenful, quantity
from harness.models import Setup
from harness.report.model import Result
from harness.report.readings import Taken
from harness.runs import RunResult
from harness.sim.bench import SimulatedBench
from harness.sim.response import transfer
from harness.steps import EXTERNAL, Connect, Done, Measure, Reading, Reply, Sine, Step
from sequences.levelling.sine import LevelPlan, level_at
from sequences.trigger import steps as trigger
from sequences.trigger.budgets import LEVELS, PLACE_DIV, PROPORTION, fired_at, height, needed
from sequences.trigger.evaluation import evaluate
from sequences.trigger.search import next_number
from sequences.trigger.stated import EXTERNAL_TRIGGERS, TRIGGERS, deflection_step
from tests.helpers.demo_lab import DEMO, a_job, change
from tests.helpers.setups import a_setup

RATED = {
    "trigger_sensitivity": "0.35 div", "trigger_sensitivity_to": "10 MHz", "trigger_at_bandwidth": "1 div",
    "trigger_external": "50 mVpp", "trigger_external_at_bandwidth": "150 mVpp", "trigger_level": "0.2 div",
    "trigger_level_of_value": "3 %",
}  # fmt: skip
ONE = {"channels": (1,), "slopes": ("rising",), "levels": ()}


def a_trigger_setup(*, read: str = "remote", rated: dict[str, str] | None = None, **unit: Any) -> Setup:
    """A scope of 0.1 V/div whose trigger is rated; the generator's own flatness is relied on."""
    fine = {"resolution": "0 div", "scatter": "0.004 div"} if read == "remote" else {}
    given = {"input": {"maximum": "400 V", "external_maximum": "5 V"}, **fine, **unit}
    return a_setup(read=read, tolerance=RATED if rated is None else rated, **given)


def answered(setup: Setup, answer: Any, **options: Any) -> list[Taken]:
    """What is read of one channel, by whatever answers the steps."""
    chosen = trigger.Options(**{**ONE, **options})
    script, taken = trigger.script(setup, chosen), []
    reply: Reply | None = None
    try:
        while True:
            step: Step = script.send(reply)
            reply = Done() if isinstance(step, Connect) else answer(step)
            if isinstance(step, Measure) and isinstance(reply, Reading):
                taken.append((step, reply))
    except StopIteration:
        return taken


def needing(div: float, *, volts: float = math.inf, gain: float = 1.0) -> Any:
    """A unit that needs so much, and shows what is applied."""

    def answer(step: Measure) -> Reading:
        level = step.stimulus.level
        if step.quantity == TRIGGERS.name:
            return Reading(value=float(level / step.view.volts_per_div * gain >= div))
        if step.quantity == EXTERNAL_TRIGGERS.name:
            return Reading(value=float(level >= volts))
        return Reading(value=level / step.view.volts_per_div * gain)

    return answer


def result_of(setup: Setup, taken: list[Taken], **options: Any) -> Result:
    (result,) = evaluate(setup, {"options": trigger.Options(**options).model_dump(mode="json")}, taken).results
    return result


# --- the search ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("coarse", [1, 3, 12])
def test_the_search_ends_between_a_level_that_fails_and_one_that_passes(coarse: int) -> None:
    """Every place of the limit within reach, against looking at every number."""
    lowest, highest = -9, 40
    for limit in range(lowest, highest):  # numbers up to the limit pass
        passed: dict[int, bool] = {}
        number: int | None = 0
        while number is not None:
            assert number not in passed
            passed[number] = number <= limit
            number = next_number(passed, coarse=coarse, lowest=lowest, highest=highest)
        assert (passed[limit], passed[limit + 1]) == (True, False)
        assert len(passed) <= 2 + math.ceil(40 / coarse) + math.ceil(math.log2(coarse + 1))


@pytest.mark.parametrize("good", [True, False])
def test_the_search_ends_where_no_level_is_left(good: bool) -> None:
    passed: dict[int, bool] = {}
    number: int | None = 0
    while number is not None:
        passed[number] = good
        number = next_number(passed, coarse=12, lowest=-9, highest=40)
    assert (40 if good else -9) in passed


def test_a_slip_above_the_limit_is_searched_around_and_never_for_ever() -> None:
    """By chance a level fails that passes else: whatever is answered, each level is tried once at most."""
    for answers in itertools.product((True, False), repeat=9):
        passed: dict[int, bool] = {}
        number: int | None = 0
        for answer in answers:
            passed[number] = answer
            number = next_number(passed, coarse=4, lowest=-6, highest=14)
            if number is None:
                break
            assert number not in passed
            assert -6 <= number <= 14


def test_a_generator_worked_by_hand_is_set_to_two_digits_and_no_level_comes_twice() -> None:
    setup = a_trigger_setup(read="eye")
    by_hand = setup.bench.generator.model_copy(update={"driver": "manual"})
    setup = replace(setup, bench=setup.bench.model_copy(update={"generator": by_hand}))
    for need in (0.11, 0.22, 0.31, 0.44):
        levels = [
            s.stimulus.level
            for s, _ in answered(setup, needing(need), frequencies=("50 kHz",))
            if s.purpose == "trigger"
        ]
        assert all(float(f"{level:.2g}") == level for level in levels)
        assert len(set(levels)) == len(levels)


# --- the formulas -------------------------------------------------------------------------------------------------


def test_the_worked_example_of_the_document() -> None:
    """docs/trigger.md, section 1: by hand 0.310 div ± 0.013 div."""
    setup = a_trigger_setup()
    taken = answered(setup, needing(0.3), frequencies=("50 kHz",))
    by = deflection_step(setup, taken[0][0], 0.03127, 50e3)
    shown = height(setup, [Reading(value=0.319)], nominal_div=0.0)
    budget = needed(setup, shown, by, passed_vpp=0.03127, failed_vpp=0.02952, quantity="x")
    assert budget.estimate == pytest.approx(0.310, abs=5e-4)
    assert budget.u == pytest.approx(0.0065, abs=1e-4)


@pytest.mark.parametrize("external", [False, True])
def test_the_budget_agrees_with_that_of_an_independent_library(external: bool) -> None:
    """GTC takes the same inputs through equations (1) and (2), without a sensitivity written down by hand."""
    setup = a_trigger_setup()
    (step, _), *_ = answered(setup, needing(0.3), frequencies=("40 MHz",))
    by = deflection_step(setup, step, 0.6, 50e3)
    shown = height(setup, [Reading(value=6.02)], nominal_div=0.0)
    level = level_at(setup, LevelPlan(path="terminated", level_path="terminated"), None, 40e6)
    ours = needed(
        setup, shown, by, passed_vpp=0.092, failed_vpp=0.087, level=level, external=external, quantity="x"
    )  # fmt: skip
    db = level.correction_db + sum(ureal(0, abs(line.contribution)) for line in level.contributions if line.u)
    deflection = ureal(6.02, math.hypot(*(line.contribution for line in shown.contributions)))
    limit = ureal(0.0895, type_b.uniform(0.0025))
    theirs = deflection * limit / 0.6 * (1 + ureal(0, type_b.uniform(PROPORTION))) * 10.0 ** (db / 20)
    theirs = theirs * 0.1 * (1 + ureal(0, type_b.uniform(0.03))) if external else theirs
    assert ours.estimate == pytest.approx(theirs.x, rel=1e-12)
    assert ours.u == pytest.approx(theirs.u, rel=1e-6)


@pytest.mark.parametrize("slope", [1.0, -1.0])
@pytest.mark.parametrize("at_div", [-2.0, 0.0, 1.5])
def test_the_level_is_where_the_trace_is_amid_its_record(slope: float, at_div: float) -> None:
    setup = a_trigger_setup()
    options = {"levels": (at_div,), "frequencies": ("50 kHz",)}
    step = next(s for s, _ in answered(setup, needing(0.3), **options) if s.quantity == "trigger_at")
    screen = Screenful(interval_s=4e-8, low_v=-0.4, high_v=0.4, volts_per_div=0.1, s_per_div=4e-6)
    phase = math.asin(at_div / 3)
    at = (np.arange(1000) - 499.5) * 4e-8
    volts = 0.3 * np.sin(phase + slope * 2 * math.pi * 50e3 * at)
    reading = quantity("trigger_at").from_record(step, volts, screen, None)
    assert reading.value == pytest.approx(at_div, abs=1e-3)
    steep = 3 * math.cos(phase) * 2 * math.pi * 50e3  # div a second, by differentiation
    assert reading.more[PLACE_DIV] == pytest.approx(steep * 2e-8, rel=5e-3)
    budget = fired_at(setup, step, [replace(reading, value=at_div + 0.07)])
    assert budget.estimate == pytest.approx(0.07)


def test_the_limits_of_a_level_are_a_part_of_it_and_a_fixed_part() -> None:
    """3 % of 2 div and 0.2 div, equation (5)."""
    setup = a_trigger_setup()
    taken = answered(setup, needing(0.3), levels=(-2.0, 0.0), frequencies=("50 kHz",))
    levels = [(step, Reading(value=step.expected)) for step, _ in taken if step.quantity == "trigger_at"]
    found = evaluate(setup, {}, levels).results
    assert [(r.limits.low, r.limits.high) for r in found] == [
        (pytest.approx(-0.26), pytest.approx(0.26)), (pytest.approx(-0.2), pytest.approx(0.2)),
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("frequency", "most"), [("50 kHz", 0.35), ("10 MHz", 0.35), ("11 MHz", 1.0), ("40 MHz", 1.0), ("41 MHz", None)]
)
def test_the_rating_is_that_of_the_frequency(frequency: str, most: float | None) -> None:
    setup = a_trigger_setup()
    result = result_of(setup, answered(setup, needing(0.2), frequencies=(frequency,)))
    assert (result.limits.high if result.limits else None) == most
    assert result.word == ("pass" if most else "undecided")
    assert result.setting == f"{frequency}, rising, 100 mV/div"


# --- what is no number --------------------------------------------------------------------------------------------


def test_a_trigger_that_nothing_starts_fails_where_the_signal_is_on_the_screen() -> None:
    setup = a_trigger_setup(read="eye")
    result = result_of(setup, answered(setup, needing(99.0), frequencies=("50 kHz",)))
    assert (result.word, result.statement, result.verdict) == ("fail", None, None)
    assert result.at_least == pytest.approx(5.5, abs=0.6)
    assert "no level up to" in result.remarks[0]


@pytest.mark.parametrize(
    ("rated", "says"),
    [
        ({"trigger_sensitivity_to": "60 MHz"}, "is not below the bandwidth of the trigger"),
        ({"trigger_sensitivity": "1 div", "trigger_at_bandwidth": "0.5 div"}, "no trigger needs less there"),
    ],
)
def test_ratings_that_no_trigger_has_are_doubted(rated: dict[str, str], says: str) -> None:
    unit = a_trigger_setup(rated=rated).unit
    assert [says in sentence for _, sentence in unit.tolerance.doubts(unit)] == [True]


def test_what_is_assumed_of_the_generator_is_said_and_a_stated_accuracy_takes_its_place() -> None:
    """√2 of 0.5 % in place of 2 %: each of two levels is within its limits."""
    setup = a_trigger_setup(read="eye")
    assumed = result_of(setup, answered(setup, needing(0.3), frequencies=("50 kHz",)))
    assert assumed.remarks == ("2 % assumed of the proportion of the generator's levels: the bench file states none",)
    bench = setup.bench.model_dump(mode="json")
    bench["generator"]["accuracy"].append({"function": "sine", "of_value": 0.005})
    stated = replace(setup, bench=type(setup.bench).model_validate(bench, context={"si": True}))
    result = result_of(stated, answered(stated, needing(0.3), frequencies=("50 kHz",)))
    assert result.remarks == ()
    (line,) = (line for line in result.budget.contributions if line.name == LEVELS)
    assert line.half_width == pytest.approx(0.00707, rel=1e-3)


def test_a_unit_that_never_says_that_a_sweep_was_started_fails_at_nothing() -> None:
    """A status bit that means something else to this unit is no fault of its trigger."""
    setup = a_trigger_setup()
    result = result_of(setup, answered(setup, needing(99.0), frequencies=("50 kHz",)))
    assert (result.word, result.statement, result.at_least) == ("not measured", None, None)
    assert "commands.waits_is" in result.remarks[0]


@pytest.mark.parametrize(("coupling", "word"), [("ac", "pass"), ("low_reject", "undecided")])
def test_a_coupling_that_rejects_a_part_of_the_band_has_no_rating(coupling: str, word: str) -> None:
    setup = a_trigger_setup()
    result = result_of(setup, answered(setup, needing(0.2), couplings=(coupling,), frequencies=("50 kHz",)))
    assert (result.word, result.limits is None) == (word, word == "undecided")
    assert result.setting.endswith(
        {"ac": "rising, AC, 100 mV/div", "low_reject": "rising, LF reject, 100 mV/div"}[coupling]
    )


def test_an_external_trigger_that_nothing_starts_is_not_measured_and_the_cable_is_in_question() -> None:
    setup = a_trigger_setup()
    found = evaluate(setup, {}, answered(setup, needing(0.2), external=True, frequencies=("50 kHz",))).results
    outside = next(r for r in found if r.quantity == "external trigger sensitivity")
    assert (outside.word, outside.statement, outside.at_least) == ("not measured", None, None)
    assert "is the signal at the external input?" in outside.remarks[0]


def test_a_trigger_below_the_generators_smallest_level_is_not_measured() -> None:
    setup = a_trigger_setup()
    result = result_of(setup, answered(setup, needing(0.0), frequencies=("50 kHz",)))
    assert (result.word, result.statement) == ("not measured", None)
    assert "the smallest level that the generator gives" in result.remarks[0]


def test_what_was_skipped_is_left_out_and_a_search_that_was_cut_off_has_a_wide_step() -> None:
    setup = a_trigger_setup()
    skipped = result_of(setup, answered(setup, lambda _: Reading(status="skipped"), frequencies=("50 kHz",)))
    assert (skipped.word, skipped.remarks) == ("not measured", ("left out by the operator",))
    whole = answered(setup, needing(0.3), frequencies=("50 kHz",))
    cut = result_of(setup, [*whole[:3], whole[-1]])
    assert cut.statement.expanded > 3 * result_of(setup, whole).statement.expanded


@pytest.mark.parametrize(
    ("changed", "options", "says"),
    [
        ({"rated": {"trigger_sensitivity": "0.05 div"}}, {}, "the generator's smallest level of 10 mVpp"),
        ({}, {"frequencies": ("600 MHz",)}, "the generator reaches 550 MHz"),
        ({"input": {"maximum": "400 V"}}, {"external": True}, "write input.external_maximum"),
        ({"input": {"maximum": "400 V", "external_maximum": "0.05 V"}}, {"external": True}, "less than the signal"),
        ({"read": "eye"}, {"levels": (0.0,)}, "a level that is set by hand has no number"),
    ],
)
def test_what_cannot_be_tried_is_said_beforehand(changed: dict[str, Any], options: dict[str, Any], says: str) -> None:
    setup = a_trigger_setup(**changed)
    plan = trigger.plan(setup, trigger.Options(**{**ONE, "frequencies": ("50 kHz",), **options}))
    assert any(says in sentence for sentence in plan.left_out), plan.left_out
    answered(setup, needing(0.2, volts=0.03), **{"frequencies": ("50 kHz",), **options})  # and the rest goes on


def test_a_command_that_the_unit_has_not_is_said_beforehand() -> None:
    setup = a_trigger_setup()
    unit = {"address": "GPIB0::1::INSTR", "commands": {"trigger_mode": ""}}
    bench = type(setup.bench).model_validate(
        {**setup.bench.model_dump(mode="json"), "unit": unit}, context={"si": True}
    )
    plan = trigger.plan(replace(setup, bench=bench), trigger.Options(**{**ONE, "levels": (0.0,)}))
    assert plan.points == ()
    assert all("unit.commands.trigger_mode" in sentence for sentence in plan.left_out)


def test_nothing_beyond_its_rating_is_applied_to_the_external_input() -> None:
    setup = a_trigger_setup(input={"maximum": "400 V", "external_maximum": "0.2 V"})
    taken = answered(setup, needing(0.2, volts=0.03), external=True, frequencies=("50 kHz",))
    step = next(s for s, _ in taken if s.driven == EXTERNAL)
    assert connection_of(step).channel == EXTERNAL
    assert hazards(step, setup) == []
    more = replace(step, stimulus=Sine(level_vpp=0.5, frequency_hz=50e3))
    assert "the external trigger's input may take" in hazards(more, setup)[0].sentence
    assert not any("external" in h.sentence for h in hazards(replace(more, driven=None), setup))


def test_a_level_too_near_to_the_peak_is_refused() -> None:
    with pytest.raises(AnalysisError, match="too near to the peak"):
        trigger.plan(a_trigger_setup(), trigger.Options(levels=(2.9,)))


# --- whole runs ---------------------------------------------------------------------------------------------------

KEYS = "\n".join(f'{name} = "{value}"' for name, value in RATED.items())
TRUTH = """
[unit.truth.starts]
sensitivity = "0.26 div"
external = "60 mV"
level = "0.3 div"
noise = "0 %"
dead_slope = "falling"
response.stages = [{ kind = "pole", at = "30 MHz" }]

[[unit.truth.channel]]
gain = "0.6 %\""""


@pytest.fixture(scope="module")
def lab(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("trigger") / "lab"
    shutil.copytree(DEMO, folder)
    for unit in ("aldermoor_egret.toml", "aldermoor_skua.toml"):
        change(folder / unit, ("[tolerance]", f"[tolerance]\n{KEYS}"), ("[input]", '[input]\nexternal_maximum = "5 V"'))
    change(folder / "aldermoor_skua.toml", ('trigger_sensitivity_to = "10 MHz"\n', ""))
    change(folder / "bench_sim.toml", ('[[unit.truth.channel]]\ngain = "0.6 %"', TRUTH))
    return folder


@pytest.fixture(scope="module")
def run(lab: Path) -> RunResult:
    chosen = 'use = "trigger"\nchannels = [1]\nexternal = true\nlevels = [0.0]\nfrequencies = ["50 kHz", "100 MHz"]'
    job = a_job(lab / "trigger.toml", chosen)
    rehearsal = runs.rehearse(runs.load(job))
    assert (rehearsal.parts[0].points, rehearsal.parts[0].decidable) == (10, 10)
    assert rehearsal.refused == ()
    return runs.start(job, lab / "runs")


def test_hidden_faults_are_found_and_no_true_pass_fails(run: RunResult) -> None:
    words = {(r.quantity, r.setting.removesuffix(", 100 mV/div")): r.word for r in run.report.parts[0].results}
    assert words == {
        ("trigger sensitivity", "50 kHz, rising"): "pass",
        ("trigger sensitivity", "50 kHz, falling"): "fail",  # that edge is dead
        ("trigger sensitivity", "100 MHz, rising"): "fail",  # a pole at 30 MHz
        ("trigger sensitivity", "100 MHz, falling"): "fail",
        ("external trigger sensitivity", "50 kHz, rising"): "fail",  # 60 mV against 50 mV
        ("external trigger sensitivity", "50 kHz, falling"): "not measured",  # or is it the cable?
        ("external trigger sensitivity", "100 MHz, rising"): "fail",
        ("external trigger sensitivity", "100 MHz, falling"): "not measured",
        ("trigger level", "0 div, rising"): "fail",  # 0.3 div against 0.2 div
        ("trigger level", "0 div, falling"): "not measured",
    }  # fmt: skip


def test_the_truth_lies_in_what_is_stated(run: RunResult, lab: Path) -> None:
    """What each needs, and where it fires, by the pole of the trigger and the unit's own loss at that frequency."""
    there = {(r.quantity, r.setting.removesuffix(", 100 mV/div")): r.statement for r in run.report.parts[0].results}
    pole = math.hypot(1, 100 / 30)
    own = SimulatedBench.load(lab / "bench_sim.toml").world.screens["unit"].channel(1).response.chain
    loss = abs(complex(transfer(own, 100e6) / transfer(own, 50e3)))
    for key, truth in {
        ("trigger sensitivity", "50 kHz, rising"): 0.26,
        ("trigger sensitivity", "100 MHz, rising"): 0.26 * pole / loss,
        ("external trigger sensitivity", "50 kHz, rising"): 0.06,
        ("external trigger sensitivity", "100 MHz, rising"): 0.06 * pole,
        ("trigger level", "0 div, rising"): 0.33,  # the channel shows everything 0.03 div too high
    }.items():
        statement = there[key]
        assert statement is not None
        assert statement.low <= truth <= statement.high, (key, truth, statement)


def test_it_stands_in_the_checklist_and_in_what_the_unit_is_held_against(run: RunResult) -> None:
    covered = {heading.title: heading.coverage for heading in run.report.checklist}
    assert covered["Trigger sensitivity"] == covered["Trigger bandwidth"] == covered["Trigger level"] == "covered"
    facts = " ".join(fact.text for group in run.report.facts for fact in group.facts)
    assert "trigger sensitivity at most 0.35 div to 10 MHz, at most 1 div at 100 MHz" in facts


def test_by_eye_a_person_says_whether_the_display_stands_still(lab: Path) -> None:
    job = a_job(
        lab / "eye.toml", 'use = "trigger"\nchannels = [2]\nslopes = ["rising"]\nfrequencies = ["50 kHz"]',
        unit="aldermoor_skua.toml", bench="hand_bench.toml", serial="Skua-0958",
    )  # fmt: skip
    rehearsal = runs.rehearse(runs.load(job))
    assert rehearsal.questions < 15
    report = runs.start(job, lab / "runs").report
    (result,) = report.parts[0].results
    assert result.word == "pass"
    assert result.statement.low <= 0.33 <= result.statement.high  # 0.3 div and the noise of 20 sweeps
    assert "a level that is set by hand has no number" in report.parts[0].left_out[0]
    assert len(f"Channel 2 of the unit: {TRIGGERS.question}") <= 80


# --- coverage -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("n", [pytest.param(15, id="a few"), pytest.param(2400, marks=pytest.mark.soak, id="many")])
@pytest.mark.parametrize("kind", ["remote", "eye", "external"])
def test_the_intervals_hold_the_truth_as_often_as_they_say(n: int, kind: str) -> None:
    """Inputs drawn as the budget has them: level, reading, width of the trace, proportion, deflection factor."""
    rng = np.random.default_rng(20261130)
    eye, outside = kind == "eye", kind == "external"
    setup = a_trigger_setup(read="eye" if eye else "remote")
    options: dict[str, Any] = {"frequencies": ("40 MHz",), "external": outside}
    lines = level_at(setup, LevelPlan(path="terminated", level_path="terminated"), None, 40e6)
    held = 0
    for _ in range(n):
        level = 10 ** ((lines.correction_db + sum(_drawn(rng, line) for line in lines.contributions)) / 20)
        truth = rng.uniform(0.04, 0.2) if outside else rng.uniform(0.4, 1.6)
        proportion = 1 + rng.uniform(-PROPORTION, PROPORTION)
        gain = 1 + rng.uniform(-0.03, 0.03) if outside else 1.0
        sigma = (0.03 if eye else 0.004) * math.sqrt(8 / rng.chisquare(8))
        width = rng.uniform(0, 0.1) if eye else 0.0

        def answer(step: Measure) -> Reading:
            vpp = step.stimulus.level
            if step.quantity == TRIGGERS.name:
                return Reading(value=float(vpp / 0.1 * level >= truth))  # noqa: B023 - asked before the next draw
            if step.quantity == EXTERNAL_TRIGGERS.name:
                return Reading(value=float(vpp * level >= truth))  # noqa: B023
            tall = proportion if eye or vpp > 0.5 else 1.0  # noqa: B023
            shown = vpp / 0.1 * tall * gain + width + rng.normal(0, sigma)  # noqa: B023
            return Reading(value=round(shown, 1) if eye else shown)

        found = evaluate(setup, {}, answered(setup, answer, **options)).results
        wanted = EXTERNAL_TRIGGERS if outside else TRIGGERS
        (result,) = (r for r in found if r.quantity == wanted.rating.name)
        held += result.statement.low <= truth <= result.statement.high
    assert held / n >= 0.8
    if n >= 2000:
        assert 0.94 <= held / n <= 0.975, held / n


def _drawn(rng: np.random.Generator, line: Contribution) -> float:
    """One draw of a line, in the budget's unit."""
    if line.distribution == "normal":
        return float(rng.normal(0, abs(line.contribution)))
    half = abs(line.sensitivity) * (line.half_width or 0.0)
    if line.distribution == "arcsine":
        return half * math.sin(rng.uniform(0, 2 * math.pi))
    return float(rng.uniform(-half, half))
