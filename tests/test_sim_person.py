"""Simulated hands and eyes behind the operator's boundary: they answer as a person would, and are understood."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import pytest

from harness.person.operator import Prompt, Value, read_answer, read_tuned
from harness.sim.bench import SimulatedBench
from harness.sim.eyes import Eyes, Person
from harness.steps import Connect, Dc, FastEdge, Measure, NoSignal, Sine, Square, Stimulus, TimeMarks, View

DEMO = Path(__file__).parent.parent / "demo" / "brackwater"


@pytest.fixture
def bench() -> SimulatedBench:
    return SimulatedBench.load(DEMO / "hand_bench_sim.toml")


def step(stimulus: Stimulus, quantity: str = "deflection", *, source: str = "calibrator", **more: object) -> Measure:
    view = View(channel=1, volts_per_div=0.2, s_per_div=1e-3, ground_line_div=-2.5)
    made = Measure(purpose="test", path="lead", source=source, stimulus=stimulus, display="unit", view=view,
                   quantity=quantity)  # fmt: skip
    return replace(made, **more)


def do(bench: SimulatedBench, measure: Measure, path: str = "lead") -> None:
    """Connect and set the source, as the prompts of a manual bench ask for it."""
    connect = Connect(path=path, source=measure.source, display="unit", channel=measure.view.channel)
    assert bench.operator.ask(Prompt(kind="do", title="Connect", step=connect)) == ""
    prompt = Prompt(kind="do", title="Set", role=measure.source, stimulus=measure.stimulus)
    assert bench.operator.ask(prompt) == ""


def read(bench: SimulatedBench, measure: Measure) -> str:
    return bench.operator.ask(Prompt(kind="read", title="What does it show?", step=measure))


def value(text: str, measure: Measure) -> float:
    answer = read_answer(text, measure, 10.0)
    assert isinstance(answer, Value)
    return answer.value


def test_a_level_is_read_to_the_resolution(bench: SimulatedBench) -> None:
    measure = step(Dc(level_v=1.0))
    do(bench, measure)
    assert bench.outputs_on() == ("calibrator",)
    said = read(bench, measure)
    expected = 5 * 1.0005 * (1 + bench.truth.gain_error(1, 0.2))
    assert abs(float(said) - expected) <= 0.05 + 4 * 0.03
    assert float(said) * 10 == pytest.approx(round(float(said) * 10))
    assert read(bench, replace(measure, repeat=1)) != "off"


def test_the_ground_line_and_the_trace_width_are_read_with_the_output_off(bench: SimulatedBench) -> None:
    measure = step(NoSignal(), "trace_width")
    do(bench, measure)
    assert bench.outputs_on() == ()
    assert value(read(bench, measure), measure) == pytest.approx(0.08, abs=0.15)
    ground = step(NoSignal())
    assert abs(value(read(bench, ground), ground)) <= 0.2


def test_a_trace_that_leaves_the_screen_is_off(bench: SimulatedBench) -> None:
    measure = step(Dc(level_v=10.0))
    do(bench, measure)
    assert read(bench, measure) == "off"


def test_a_square_is_read_from_line_to_line_and_a_sine_with_its_width(bench: SimulatedBench) -> None:
    exact = Person(bench, Eyes(resolution="0.001 div", scatter="0 div"))
    square = step(Square(level_vpp=1.0, frequency_hz=1e3), "peak_to_peak")
    do(bench, square)
    gain = 1 + bench.truth.gain_error(1, 0.2)
    said = exact.ask(Prompt(kind="read", title="", step=square))
    assert float(said) == pytest.approx(5 * 1.0008 * gain, abs=1e-3)
    view = replace(square.view, volts_per_div=0.1, ground_line_div=0.0)
    sine = step(Sine(level_vpp=0.6, frequency_hz=5e4), "peak_to_peak", source="generator", view=view)
    do(bench, sine, "terminated")
    said = exact.ask(Prompt(kind="read", title="", step=sine))
    level = 2 * 49.97 / (49.97 + 50) * 1.008  # the true termination on 50 Ω, and the generator's own error
    assert float(said) == pytest.approx(6 * level * gain + 0.08, abs=2e-3)


def test_marks_are_counted_over_the_centre_divisions(bench: SimulatedBench) -> None:
    exact = Person(bench, Eyes(time_resolution="0.001 div", scatter="0 div"))
    measure = step(TimeMarks(period_s=1e-3, level_vpp=1.0), "span", expected=8.0)
    do(bench, measure)
    said = exact.ask(Prompt(kind="read", title="", step=measure))
    assert float(said) == pytest.approx(8 * 1.007 * (1 + 5e-6), abs=1e-3)
    magnified = step(TimeMarks(period_s=1e-4, level_vpp=1.0), "span", expected=8.0,
                     view=replace(measure.view, magnifier=10.0))  # fmt: skip
    do(bench, magnified)
    said = exact.ask(Prompt(kind="read", title="", step=magnified))
    assert float(said) == pytest.approx(8 * 1.007 * 1.005, abs=2e-3)


def test_the_rise_time_is_told_in_divisions_and_understood_in_seconds(bench: SimulatedBench) -> None:
    view = View(channel=1, volts_per_div=0.2, s_per_div=1e-7, ground_line_div=-2.5, magnifier=10.0)
    measure = step(FastEdge(level_vpp=1.0, frequency_hz=1e5), "rise_time", view=view)
    do(bench, measure)
    truth = bench.truth.rise_time_s(1, source_rise_s=5e-9) * (1 + bench.truth.time_error(1e-7, 10.0))
    assert value(read(bench, measure), measure) == pytest.approx(truth, abs=0.2e-8)
    overshoot = replace(measure, quantity="overshoot")
    assert value(read(bench, overshoot), overshoot) == pytest.approx(bench.truth.overshoot(1, 5e-9), abs=0.03)


def test_tuning_brings_the_trace_onto_the_lines_and_the_counter_has_the_answer(bench: SimulatedBench) -> None:
    view = View(channel=1, volts_per_div=0.1, s_per_div=1e-6)
    sine = step(Sine(level_vpp=0.6, frequency_hz=30e6), "peak_to_peak", source="generator", view=view, tune_to_div=4.2)
    do(bench, sine, "terminated")
    assert bench.operator.ask(Prompt(kind="read", title="Tune", step=sine)) == "="
    low, high = bench.world.look("unit", 1).extremes_div()
    assert high - low + 0.08 == pytest.approx(4.2, abs=0.12)
    counted = bench.operator.ask(Prompt(kind="read", title="What does the counter show?"))
    hertz = float(counted.removesuffix(" Hz"))
    assert hertz == pytest.approx(bench.world.sources["generator"].true_frequency_hz(), rel=1e-6)
    assert 30e6 < hertz < 80e6


def test_a_level_is_turned_until_the_trace_is_on_its_lines_and_stays_there(bench: SimulatedBench) -> None:
    view = View(channel=1, volts_per_div=0.2, s_per_div=1e-6)
    sine = step(Sine(level_vpp=1.2, frequency_hz=20e6, turned=True), "peak_to_peak", source="generator", view=view,
                tune_to_div=5.0, tune="level")  # fmt: skip
    do(bench, sine, "terminated")
    said = bench.operator.ask(Prompt(kind="read", title="Turn", step=sine))
    low, high = bench.world.look("unit", 1).extremes_div()
    assert high - low + 0.08 == pytest.approx(5.0, abs=0.07)  # two edges, each within the scatter of its line
    assert read_tuned(said, sine).more["level_v"] != pytest.approx(1.2, rel=1e-3)
    for stimulus in (NoSignal(), sine.stimulus):  # off for a cable, and on again
        bench.operator.ask(Prompt(kind="do", title="Set", role="generator", stimulus=stimulus))
    assert bench.world.look("unit", 1).extremes_div() == (low, high)


def test_a_period_is_turned_until_the_marks_are_on_their_lines(bench: SimulatedBench) -> None:
    marks = step(TimeMarks(period_s=1e-3, level_vpp=1.0), "span", expected=8.0, tune_to_div=8.0, tune="period")
    do(bench, marks)
    said = bench.operator.ask(Prompt(kind="read", title="Turn", step=marks))
    fast = 1 + bench.truth.time_error(1e-3, 1.0)
    assert read_tuned(said, marks).more["period_s"] == pytest.approx(1e-3 / fast, rel=0.06 / 8)


def test_the_same_question_in_another_run_gets_the_same_answer(bench: SimulatedBench) -> None:
    answers = []
    for questions in (1, 6):
        run = SimulatedBench.load(DEMO / "hand_bench_sim.toml")
        measure = step(Dc(level_v=1.0))
        do(run, measure)
        for repeat in range(questions):
            read(run, replace(measure, repeat=repeat + 10))
        answers.append(read(run, measure))
    assert answers[0] == answers[1]


def test_repeats_scatter_as_the_eyes_do() -> None:
    bench = SimulatedBench.load(DEMO / "hand_bench_sim.toml")
    person = Person(bench, Eyes(resolution="0.001 div", scatter="0.05 div"))
    measure = step(Dc(level_v=1.0))
    do(bench, measure)
    said = [float(person.ask(Prompt(kind="read", title="", step=replace(measure, repeat=n)))) for n in range(400)]
    mean = sum(said) / len(said)
    spread = math.sqrt(sum((one - mean) ** 2 for one in said) / (len(said) - 1))
    assert spread == pytest.approx(0.05, rel=0.15)  # four standard errors of a standard deviation from 400


def test_a_slip_now_and_then_and_not_when_asked_again() -> None:
    bench = SimulatedBench.load(DEMO / "hand_bench_sim.toml")
    person = Person(bench, Eyes(slip="20 %"))
    measure = step(Dc(level_v=1.0))
    do(bench, measure)
    wrong = 0
    for n in range(200):
        prompt = Prompt(kind="read", title="", step=replace(measure, repeat=n))
        if abs(float(person.ask(prompt)) - 5.05) > 0.3:
            wrong += 1
            assert abs(float(person.ask(prompt)) - 5.05) < 0.3
    assert person.slips >= wrong > 10


def test_a_choice_is_answered_and_words_are_heard(bench: SimulatedBench) -> None:
    assert bench.operator.ask(Prompt(kind="choose", title="?", choices=("go on", "stop"))) == "go on"
    bench.operator.tell("Outputs are off.")
    assert bench.operator.told == ["Outputs are off."]


def test_somebody_else_can_read_what_these_hands_have_set(bench: SimulatedBench) -> None:
    """A person at a terminal: the hands are simulated, the eyes are real."""
    measure = step(Dc(level_v=1.0))
    do(bench, measure)
    bench.operator.prepare(Prompt(kind="read", title="", step=measure))
    assert bench.world.screens["unit"].inputs[0].volts_per_div == 0.2
    assert any(character >= "\u2800" for row in bench.picture() for character in row)
