"""The bandwidth by hand: a level turned on the reference, few questions, the response at the rated frequency.

What a person does on this bench, and in how many actions, is the trade's own way: common practice.
"""

from __future__ import annotations

import math
import shutil
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from harness import runs as opening
from harness.analysis.estimate import state
from harness.errors import AnalysisError
from harness.journal.journal import read
from harness.quantities import HALF_POWER_DB
from harness.report.model import PartResult, Report
from harness.run.rehearsal import rehearse
from harness.steps import Connect, Measure, Reading, Sine
from sequences.bandwidth import evaluation
from sequences.bandwidth import steps as bandwidth
from sequences.bandwidth.at_rated import AT_RATED
from sequences.bandwidth.response_model import HALF_POWER
from tests.benchmarks.bandwidth_runs import Responder, setup_of
from tests.benchmarks.hand_runs import HandWorld, a_world, butterworth, gaussian, hand_setup
from tests.helpers.demo_lab import DEMO, change, with_sequences
from tests.helpers.journals import comparable


def test_two_channels_take_twelve_questions_at_most_and_say_what_they_are_worth() -> None:
    """A reference known only to be four times as fast; units of which the faster is a fifth better than its rating."""
    expanded, held = [], []
    for seed in (seed for seed in range(36) if seed % 3):  # a single pole, the flattest fall, costs half as much again
        world = a_world(seed, setup=hand_setup(), best=1.2)
        for result in world.run().results:
            assert result.statement is not None
            held.append(result.statement.low <= world.f3_hz[result.channel - 1] <= result.statement.high)
            expanded.append(2 * result.statement.u / result.statement.estimate)
        assert world.questions <= 12
    assert np.median(expanded) <= 0.05
    assert np.mean(held) >= 0.9  # 95.5 % of 600: tests.benchmarks.hand_runs


@pytest.mark.soak
@pytest.mark.parametrize("known", [False, True])
def test_the_interval_holds_the_half_power_frequency_as_often_as_it_says(known: bool) -> None:
    setup, held = hand_setup(known=known), []
    for seed in range(500):
        world = a_world(1000 + seed, setup=setup, known=known)
        for result in world.run().results:
            assert result.statement is not None
            held.append(result.statement.low <= world.f3_hz[result.channel - 1] <= result.statement.high)
    assert 0.94 <= np.mean(held) <= 0.98


def exact(setup: object = None, **more: object) -> HandWorld:
    """A world without scatter: what is left is how it is reckoned."""
    return HandWorld(setup=setup or hand_setup(), rng=Still(), f3_hz=(21e6, 24e6), **more)  # type: ignore[arg-type]


def step_to(shown_div: float) -> Callable[[float], float]:
    """A response that shows so much of 7 div wherever it is read but at low frequency."""
    return lambda r: 20 * math.log10(shown_div / 7.0) if r > 0.1 else 0.0


class Still:
    """A hand and an eye without scatter."""

    def uniform(self, _low: float, _high: float, size: int = 1) -> np.ndarray:
        return np.zeros(size) if size > 1 else np.float64(0.0)

    def normal(self, _mean: float, _u: float) -> float:
        return 0.0


def test_the_steps_are_a_persons_own_in_their_order() -> None:
    world = exact(dial=1.02)
    world.run()
    done = [(s.display, s.view.channel, s.stimulus.frequency_hz, s.with_counter) for s, _ in world.taken]
    assert done[:6] == [
        ("reference", 1, 50e3, False), ("unit", 1, 50e3, False), ("unit", 2, 50e3, False),
        ("reference", 1, 20e6, False), ("unit", 1, 20e6, True), ("unit", 2, 20e6, False),
    ]  # fmt: skip
    for step, _ in world.taken:
        assert step.stimulus.turned
        assert float(f"{step.stimulus.frequency_hz:.1e}") == step.stimulus.frequency_hz  # what a dial can be set to
        assert step.stimulus.level_vpp == 0.35
        assert (step.tune_to_div, step.tune) == ((7.0, "level") if step.display == "reference" else (None, "frequency"))


@pytest.mark.parametrize("fall", [gaussian, butterworth])
def test_the_frequency_is_the_counters_and_the_roll_off_of_the_reference_is_taken_off(fall) -> None:
    """A reference of exactly half its largest droop, a dial that is 2 % off: only the reading's rounding is left."""
    half_droop = lambda hz: -5 * math.log10(1 + (hz / 80e6) ** 2)  # noqa: E731
    for result in exact(dial=1.02, reference_db=half_droop, fall=fall).run().results:
        assert result.statement.estimate == pytest.approx((21e6, 24e6)[result.channel - 1], rel=0.025)


def test_a_generator_that_ends_before_it_gives_the_lower_bound() -> None:
    world = HandWorld(setup=hand_setup(top="25 MHz"), rng=np.random.default_rng(1), f3_hz=(40e6, 45e6))
    results = world.run().results
    assert [(r.quantity, r.word, r.at_least) for r in results] == [(HALF_POWER.name, "pass", 25e6)] * 2
    assert world.questions <= 12


def test_a_bound_too_weak_for_a_verdict_is_decided_by_the_response_at_the_rating() -> None:
    """A reading of 6.0 div where half power of 7 div is 4.95 is no open question, though the reference is slow."""
    world = exact(hand_setup(top="20 MHz", reference_bandwidth="30 MHz"), fall=step_to(6.0))
    results = world.run().results
    assert [(r.quantity, r.word) for r in results] == [(HALF_POWER.name, "pass"), (AT_RATED.name, "pass")] * 2
    bound = results[0]
    assert bound.statement is None
    assert (bound.at_least or 0.0) < 20e6
    assert "Decided by the response at the rated frequency" in " ".join(bound.remarks)


def test_at_rated_is_one_frequency_and_its_response_against_half_power() -> None:
    world = exact(fall=gaussian)
    results = world.run(at="rated").results
    assert world.questions == 7
    for result, f3_hz in zip(results, world.f3_hz, strict=True):
        assert (result.quantity, result.result_unit, result.limits.low) == (AT_RATED.name, "dB", -HALF_POWER_DB)
        true_db = gaussian(20e6 / f3_hz)
        assert abs(result.statement.estimate - true_db) <= result.statement.expanded
        assert result.statement.expanded < 0.4
    assert [result.word for result in results] == ["undecided", "pass"]
    assert "at 20 MHz the response stands at" in results[1].sentence


def test_the_response_at_the_rating_by_hand() -> None:
    """Reckoned on paper: 7.0 div at low frequency, 5.8 at the rating; half the largest droop of 80 MHz at 20 MHz."""
    answers = {("reference", 50e3): 7.0, ("unit", 50e3): 7.0, ("reference", 20e6): 7.0, ("unit", 20e6): 5.8}
    world = exact()
    options = bandwidth.Options.model_validate({"levelling": "by hand", "path": "lead", "at": "rated", "channels": [1]})
    taken, script = [], bandwidth.script(world.setup, options)
    step = next(script)
    try:
        while True:
            reply = steps_reply(step, answers)
            taken += [] if isinstance(step, Connect) else [(step, reply)]
            step = script.send(reply)
    except StopIteration:
        pass
    (result,) = evaluation.evaluate(world.setup, {"options": options.model_dump(mode="json")}, taken).results
    droop_db = 5 * math.log10(1 + 0.25**2)  # half of a single pole's
    assert result.statement.estimate == pytest.approx(20 * math.log10(5.8 / 7.0) - droop_db, abs=2e-4)
    reading = [math.hypot(0.03, 0.1 / math.sqrt(12), 0.03 / math.sqrt(3)) / div for div in (7.0, 5.8)]
    on_lines = [0.06 / math.sqrt(6) / 7.0] * 2
    u_db = math.hypot(*(8.6859 * u for u in (*reading, *on_lines)), droop_db / math.sqrt(3))
    assert result.statement.u == pytest.approx(u_db, rel=2e-3)


def steps_reply(step: object, answers: dict[tuple[str, float], float]) -> object:
    from harness.steps import Done

    if not isinstance(step, Measure):
        return Done()
    assert isinstance(step.stimulus, Sine)
    hz = step.stimulus.frequency_hz
    return Reading(value=answers[step.display, hz], frequency_hz=hz if step.with_counter else None)


def test_the_vertical_deflection_of_the_same_run_spares_the_low_frequency() -> None:
    """Its error is the unit's deflection at low frequency; the reference's own vertical error is then a line."""
    setup = hand_setup(reference_accuracy=[{"function": "sine", "of_value": "1 %"}])
    uses = [{"use": "vertical"}, {"use": "bandwidth", "levelling": "by hand"}]
    job = type(setup.job).model_validate({**setup.job.model_dump(exclude_none=True), "sequence": uses})
    setup = replace(setup, job=job)
    world = exact(setup=setup, gain=(1.02, 0.98))
    entry = {"options": {"levelling": "by hand", "path": "lead"}}
    world.run()
    assert world.taken[0][0].stimulus.rate_hz == 20e6
    part = vertical_part(setup, {1: 2.0, 2: -2.0})
    for result in evaluation.evaluate(setup, entry, world.taken, (part,)).results:
        assert result.statement.estimate == pytest.approx(world.f3_hz[result.channel - 1], rel=0.06)
        assert any(line.name == "reference meter" for line in result.budget.contributions)
    bare = evaluation.evaluate(setup, entry, world.taken, ()).results
    assert ["is not known" in " ".join(result.remarks) for result in bare] == [True, True]


def test_a_range_that_the_vertical_deflection_leaves_poorly_known_is_read_at_low_frequency() -> None:
    """A decade source gives two divisions of 50 mV/div: u is 2.5 %, and a reading of seven divisions 0.7 %."""
    for levels, first_hz in (("continuous", 20e6), ("decade", 50e3)):
        setup = hand_setup(levels=levels, reference_accuracy=[{"function": "sine", "of_value": "1 %"}])
        uses = [{"use": "vertical"}, {"use": "bandwidth", "levelling": "by hand"}]
        job = type(setup.job).model_validate({**setup.job.model_dump(exclude_none=True), "sequence": uses})
        world = exact(setup=replace(setup, job=job))
        world.run()
        assert world.taken[0][0].stimulus.rate_hz == first_hz


def vertical_part(setup: object, errors: dict[int, float]) -> PartResult:
    from harness.report.points import evaluate_points
    from sequences.vertical import steps as vertical

    taken = []
    for planned in vertical.plan(setup, vertical.Options()).points:
        shown = planned.step.expected * (1 + errors[planned.step.view.channel] / 100)
        taken.append((planned.step, Reading(value=shown)))
    done = evaluate_points(setup, {}, taken)
    return PartResult(name="1 vertical", use="vertical", title="", finished=True, results=done.results)


def test_a_generator_that_is_set_over_its_interface_is_not_turned() -> None:
    setup = hand_setup()
    remote = setup.bench.generator.model_copy(update={"driver": "scpi"})
    setup = replace(setup, bench=setup.bench.model_copy(update={"generator": remote}))
    with pytest.raises(AnalysisError, match="a generator whose level a person turns"):
        bandwidth.plan(setup, bandwidth.Options(levelling="by hand", path="lead"))


@pytest.mark.parametrize(("to_unit", "there"), [(10.0, 1.0), (10.0, 10.0), (1.0, 10.0)])
def test_the_ratio_of_a_probe_counts_in_ranges_and_expectations(to_unit: float, there: float) -> None:
    setup = hand_setup()
    paths = {name: setup.bench.path("lead").model_copy(update={"divides_by": by})
             for name, by in (("to unit", to_unit), ("there", there))}  # fmt: skip
    setup = replace(setup, bench=setup.bench.model_copy(update={"paths": paths}))
    options = bandwidth.Options(levelling="by hand", path="to unit", level_path="there")
    script = bandwidth.script(setup, options)
    from harness.steps import Done

    next(script)
    level = script.send(Done())
    on_reference = level.stimulus.level_vpp / there / level.view.volts_per_div
    assert on_reference == pytest.approx(level.tune_to_div)
    script.send(Reading(value=level.tune_to_div))
    unit = script.send(Done())
    assert unit.expected == pytest.approx(level.stimulus.level_vpp / to_unit / unit.view.volts_per_div, rel=1e-3)
    assert 5 <= unit.expected <= 7


def test_the_level_read_on_a_reference_behind_a_probe_is_divided() -> None:
    """Before: 6 div of 50 mV/div were expected as 300 mV on a reference that got 30 mV."""
    setup = setup_of(reference={"bandwidth": "1 GHz"})
    paths = dict(setup.bench.paths) | {"probe": setup.bench.path("probe")}
    setup = replace(setup, bench=setup.bench.model_copy(update={"paths": paths}))
    plan = bandwidth.plan(setup, bandwidth.Options(path="lead", level_path="probe"))
    level = plan.points[0].step
    assert level.expected == pytest.approx(level.stimulus.level_vpp / 10 / level.view.volts_per_div)


def test_a_level_read_by_eye_is_asked_again_where_it_is_far_from_the_first() -> None:
    setup = setup_of(reference={"bandwidth": "1 GHz", "read": "eye"})
    assert (setup.bench.reference.step_div, setup.bench.reference.scatter_div) == (0.1, 0.03)
    script = bandwidth.script(setup, bandwidth.Options(path="lead", channels=(1,)))
    from harness.steps import Done

    next(script)
    first = script.send(Done())
    assert (first.expected_low, first.expected_high) == pytest.approx((0.4 * first.expected, 2.2 * first.expected))
    again = script.send(Reading(value=5.0))
    assert (again.expected_low, again.expected_high) == pytest.approx((3.75, 6.65))


def test_at_rated_of_a_levelled_sine_reads_there_and_at_the_reference() -> None:
    unit = Responder(setup=setup_of(), rng=np.random.default_rng(3), f3_hz=118e6)
    unit.run(at="rated")
    assert [step.stimulus.frequency_hz for step in unit.sines] == [50e3, 100e6, 100e6, 50e3]
    entry = {"options": {"path": "terminated", "at": "rated", "channels": [1]}}
    (result,) = evaluation.evaluate(unit.setup, entry, unit.taken).results
    assert result.statement.estimate == pytest.approx(unit.gain_db(100 / 118), abs=result.statement.expanded)
    assert (result.word, state(result.budget).unit) == ("pass", "dB")


# --- on the simulated bench -----------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def lab(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The hand-worked bench of the demo with generator, counter and reference worked by hand as well."""
    folder = shutil.copytree(DEMO, tmp_path_factory.mktemp("lab") / "demo")
    generator = 'address = "TCPIP0::192.0.2.21::5025::SOCKET"\nidentity = "Northfen,Nare,Nare-0093,1.7"\n'
    counter = 'address = "GPIB0::12::INSTR"\nidentity = "Northfen,Mull,Mull-2210,3.0"\n'
    reference = 'address = "TCPIP0::192.0.2.22::5025::SOCKET"\nidentity = "Northfen,Rame,Rame-0612,5.2"\n'
    change(
        folder / "hand_bench.toml",
        (generator, 'driver = "manual"\n'), (counter, 'driver = "manual"\n'),
        (reference, 'driver = "manual"\nread = "eye"\n'), ('scatter = "0.002 div"\n', ""), ('settle = "20 ms"\n', ""),
        ('bandwidth = "500 MHz"', 'bandwidth = "250 MHz"'),
    )  # fmt: skip
    change(
        folder / "hand_bench_sim.toml",
        ('address = "TCPIP0::192.0.2.21::5025::SOCKET"\n', ""), ('address = "TCPIP0::192.0.2.22::5025::SOCKET"\n', ""),
        ('profile = "northfen_counter"\naddress = "GPIB0::12::INSTR"\n', 'profile = "northfen_counter"\n'),
    )  # fmt: skip
    return folder


def run(lab: Path, runs: Path, *, name: str = "hand.toml", more: str = "") -> tuple[Report, list[Measure]]:
    part = f'[[sequence]]\nuse = "bandwidth"\nlevelling = "by hand"\npath = "terminated"\n{more}'
    report = opening.start(with_sequences(lab / "by_eye.toml", name, part), runs).report
    return report, [r.step for r in read(runs / report.number).records if isinstance(r.step, Measure)]


@pytest.mark.parametrize("more", ["", "watched = true\n"])
def test_on_the_simulated_bench_a_person_finds_half_power_in_few_steps(lab, tmp_path, more) -> None:
    report, steps = run(lab, tmp_path, more=more)
    loaded = opening.load(lab / "hand.toml")
    truth = opening.simulated_bench(loaded).truth
    for result in report.parts[0].results:
        true_hz = truth.half_power_hz(result.channel)
        assert abs(result.statement.estimate - true_hz) <= 1.3 * result.statement.expanded
        assert result.statement.expanded <= 0.09 * true_hz  # 3.9 % on average of 60 seeds
        assert "turned by hand" in result.curve.level_method
        assert any("set to its lines" in line.name for line in result.budget.contributions)
    assert len(steps) + sum(step.with_counter for step in steps) <= 12


def test_a_rehearsal_predicts_the_readings_and_the_cable_moves(lab, tmp_path) -> None:
    report, steps = run(lab, tmp_path, name="rehearsed.toml")
    loaded = opening.load(lab / "rehearsed.toml")
    rehearsed = [step for part in rehearse(loaded.setup, loaded.uses).parts for step in part.steps]
    for of in (asked, moves):
        records = [r.step for r in read(tmp_path / report.number).records]
        assert of(rehearsed) == pytest.approx(of(records), rel=0.1)
    assert asked(rehearsed) == asked(steps) == 11


def asked(steps: Sequence[object]) -> int:
    """What a person is asked to read."""
    return sum(1 + step.with_counter for step in steps if isinstance(step, Measure))


def moves(steps: Sequence[object]) -> int:
    """How often a cable is moved."""
    return sum(isinstance(step, Connect) for step in steps)


class Stopped(Exception):  # noqa: N818 - a test's own
    """The run ends here."""


@pytest.mark.parametrize("more", ["", "watched = true\n"])
def test_a_level_that_was_turned_is_turned_again_when_a_stopped_run_goes_on(lab, tmp_path, more) -> None:
    """Stopped anywhere and resumed, it equals an unbroken run: no height is read at a level that is gone."""
    whole, _ = run(lab, tmp_path / "whole", name="whole.toml", more=more)
    unbroken = comparable(tmp_path / "whole" / whole.number)
    for at in range(1, len(unbroken), 3):
        left = at

        def watch(*_: object) -> None:
            nonlocal left
            left -= 1
            if left == 0:
                raise Stopped

        runs = tmp_path / f"stopped {at}"
        try:
            opening.start(lab / "whole.toml", runs, watch=watch)
        except Stopped:
            (folder,) = runs.iterdir()
            resumed = opening.resume(folder)
            assert comparable(resumed.folder) == unbroken, at
            assert resumed.report.sentence == whole.sentence


def test_at_rated_is_shown_in_every_rendering(lab, tmp_path) -> None:
    from tests.helpers.demo_lab import halfpower

    report, _ = run(lab, tmp_path, name="rated.toml", more='at = "rated"\n')
    assert [result.quantity for result in report.parts[0].results] == [AT_RATED.name] * 2
    for more in ((), ("--html", tmp_path / "r.html"), ("--csv", tmp_path / "r.csv"), ("--json", tmp_path / "r.json")):
        assert halfpower("report", tmp_path / report.number, *more).exit_code == 0
    assert "esponse at the rated frequency" in (tmp_path / "r.html").read_text("utf-8")
