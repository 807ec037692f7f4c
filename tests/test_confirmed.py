"""What was set is what is there, or the point does not count: jobs on a simulated bench that is not as expected."""

from __future__ import annotations

import re
import shutil
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from drivers.manual import OVERDRIVE
from harness import runs as opening
from harness.errors import InstrumentError, SafetyError
from harness.journal.journal import read
from harness.person.operator import Prompt
from harness.report.words import NO_SIGNAL
from harness.sim.bench import SimulatedBench
from harness.sim.device import Device
from harness.sim.instruments import SourceModel
from harness.sim.waves import Level
from harness.steps import Dc, Measure, Reading
from tests.helpers.adversary import SINE_1, Watch, points
from tests.helpers.demo_lab import DEMO, LEAD, ONE_CHANNEL, a_job, change

PROFILES = DEMO.parent.parent / "sim_profiles"


@pytest.fixture
def at_the_start(monkeypatch: pytest.MonkeyPatch) -> Callable[[Callable[[SimulatedBench], None]], list[SimulatedBench]]:
    """Does something to the simulated bench before anybody speaks to it; returns the benches that were made."""

    def prepare(action: Callable[[SimulatedBench], None]) -> list[SimulatedBench]:
        made: list[SimulatedBench] = []
        usual = opening.simulated_bench

        def prepared(loaded: opening.LoadedJob) -> SimulatedBench | None:
            bench = usual(loaded)
            assert bench is not None
            action(bench)
            made.append(bench)
            return bench

        monkeypatch.setattr(opening, "simulated_bench", prepared)
        return made

    return prepare


@pytest.fixture
def lab(tmp_path: Path) -> Path:
    return Path(shutil.copytree(DEMO, tmp_path / "lab"))


def left(bench: SimulatedBench, role: str, **settings: float | str | bool) -> None:
    """As an earlier user left it."""
    model = bench._models[role]
    assert isinstance(model, SourceModel)
    for name, value in settings.items():
        model.put(name, 1, value)


def readings(result: opening.RunResult) -> list[Reading]:
    return [each.reply for each in read(result.folder).records if isinstance(each.reply, Reading)]


# --- the order of settings ---------------------------------------------------------------------------------------


class Watched:
    """The deflection of every input after every message and every turn of a knob: the largest, in screens."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.screens = 0.0
        self.looks = 0
        self.benches: list[SimulatedBench] = []
        watch = self
        handle, by_hand, turned = Device.handle, SimulatedBench.apply_by_hand, SimulatedBench.set_by_hand

        def handled(device: Device, line: bytes) -> bytes | None:
            reply = handle(device, line)
            watch.look()
            return reply

        def applied(bench: SimulatedBench, role: str, stimulus: object) -> None:
            by_hand(bench, role, stimulus)  # type: ignore[arg-type]
            watch.look()

        def set_(bench: SimulatedBench, display: str, view: object) -> None:
            turned(bench, display, view)  # type: ignore[arg-type]
            watch.look()

        monkeypatch.setattr(Device, "handle", handled)
        monkeypatch.setattr(SimulatedBench, "apply_by_hand", applied)
        monkeypatch.setattr(SimulatedBench, "set_by_hand", set_)

    def look(self) -> None:
        for bench in self.benches:
            for name, screen in bench.world.screens.items():
                for connection in bench.world.connections():
                    if connection.display == name and bench.world.sources[connection.source].live:
                        trace = bench.world.look(name, connection.channel)
                        height = max(abs(end - trace.ground_div) for end in trace.extremes_div()) / screen.vertical_div
                        self.screens, self.looks = max(self.screens, height), self.looks + 1


@pytest.mark.parametrize(("job", "most"), [("digital.toml", 1.0), ("by_eye.toml", OVERDRIVE)])
def test_no_input_is_driven_harder_between_two_points_than_at_them(job, most, tmp_path, at_the_start, monkeypatch):
    """The source goes down before a more sensitive range, a range before a higher level; in every sequence."""
    watched = Watched(monkeypatch)
    watched.benches = at_the_start(lambda bench: None)
    opening.start(DEMO / job, tmp_path)
    assert watched.looks > 100
    assert 0.5 < watched.screens <= most


# --- the state at the start --------------------------------------------------------------------------------------


def test_what_an_earlier_user_left_changes_no_reading(tmp_path, at_the_start, lab):
    job = a_job(lab / "one.toml", ONE_CHANNEL)
    plain = readings(opening.start(job, tmp_path / "plain"))

    def leave(bench: SimulatedBench) -> None:
        left(bench, "calibrator", function="square", level_v=90.0, offset_v=60.0, output=True)
        left(bench, "generator", level_v=5.0, offset_v=2.0, output=True)
        bench._models["unit"].put("limiter", 1, True)
        bench._models["unit"].put("coupling", 1, "ac")
        bench._models["unit"].put("input_ohm", 1, 50.0)

    at_the_start(leave)
    assert readings(opening.start(job, tmp_path / "left")) == plain


def test_a_source_that_the_job_does_not_use_is_off_before_a_hand_is_sent_to_a_cable(tmp_path, at_the_start, lab):
    """The generator of an earlier user stood at 5 V while the prompt said that outputs are off."""
    change(lab / "bench.toml", ('routes = { unit-1 = "(@101)", unit-2 = "(@102)" }', ""))
    benches = at_the_start(lambda bench: left(bench, "generator", level_v=5.0, output=True))
    on: list[tuple[str, ...]] = []

    def watch(*_: object) -> None:
        on.append(benches[0].outputs_on())

    opening.start(a_job(lab / "one.toml", ONE_CHANNEL), tmp_path, watch=watch)
    assert on
    assert not any("generator" in each for each in on)


def test_a_source_that_stays_on_lets_no_run_begin(tmp_path, at_the_start, lab):
    def leave(bench: SimulatedBench) -> None:
        left(bench, "generator", output=True)
        bench.devices["generator"]._table = tuple(
            command
            for command in bench.devices["generator"]._table
            if command.name != "output" or command.does == "asks"
        )

    at_the_start(leave)
    with pytest.raises(SafetyError, match=r"Not begun\. The output of the generator .* may still be ON.*by hand\.$"):
        opening.start(a_job(lab / "one.toml", ONE_CHANNEL), tmp_path)


def test_a_source_that_does_not_answer_is_named_and_a_person_says_that_it_is_off(tmp_path, lab):
    change(lab / "bench.toml", ('routes = { unit-1 = "(@101)", unit-2 = "(@102)" }', ""))
    change(lab / "bench.toml", ("Northfen,Nare,Nare-0093,1.7", "Northfen,Nare,Nare-0099,1.7"))
    job = a_job(lab / "one.toml", ONE_CHANNEL)
    events: list[tuple[str, str]] = []
    opening.start(job, tmp_path, on_event=lambda *event: events.append(event))
    told = [text for what, text in events if what == "outputs"]
    assert "generator" in told[0]
    assert "which this job does not use, may be ON" in told[0]
    assert told[1] == "A person says that the output of the generator is off."
    assert len(told) == 2


# --- doubts ------------------------------------------------------------------------------------------------------


def on_the_first_record(
    sim: SimulatedBench, before: Callable[[], None], after: Callable[[], None], display: str = "unit"
) -> None:
    """Something happens at a display's next record, and after it."""
    model = sim._models[display]
    do, still = model.do, iter((True,))

    def meddled(name: str, arguments: Sequence[Any]) -> None:
        first = name == "acquire" and next(still, False)
        if first:
            before()
        do(name, arguments)
        if first:
            after()

    model.do = meddled  # type: ignore[method-assign]


def test_a_doubt_about_one_instrument_has_every_other_asked_again_before_an_output_is_on(lab):
    """The unit fell back to 5 mV/div in the very point in which the calibrator's output was lost."""
    loaded = opening.load(lab / "digital.toml")
    sim = opening.simulated_bench(loaded)
    assert sim is not None
    unit, calibrator = sim._models["unit"], sim._models["calibrator"]

    def fall_back() -> None:
        calibrator.put("output", 1, False)
        unit.put("full_scale_v", 1, 0.04)

    on_the_first_record(sim, lambda: None, fall_back)
    watch = Watch(sim, loaded.setup.unit.input.maximum)
    with opening.opened(loaded, simulated=sim) as bench:
        connection, step = points(1)
        bench.perform(connection)
        watch.begin(replace(step, stimulus=Dc(level_v=6.0), view=replace(step.view, volts_per_div=1.0)))
        reading = bench.perform(watch.step)
    watch.kept(watch.step, reading)
    assert (watch.counts["kept"], watch.counts["silently wrong"], watch.counts["excess"]) == (1, 0, 0)


@pytest.mark.parametrize(("setting", "value"), [("delay_s", 0.5), ("delay_from", 1.0)])
def test_a_delay_that_somebody_else_sets_makes_no_edge_be_missed(setting, value, lab):
    """The edge leaves the screen, and every setting of the step itself still stands."""
    loaded = opening.load(lab / "digital.toml")
    sim = opening.simulated_bench(loaded)
    assert sim is not None
    unit = sim._models["unit"]
    on_the_first_record(sim, lambda: unit.put(setting, 1, value), lambda: None)
    step = next(step for step in points(40) if isinstance(step, Measure) and step.quantity == "rise_time")
    with opening.opened(loaded, simulated=sim) as bench:
        bench.perform(SINE_1)
        assert bench.perform(step).status == "read"


def test_a_path_is_still_asked_about_after_a_reading_that_was_taken_again(lab):
    loaded = opening.load(lab / "digital.toml")
    sim = opening.simulated_bench(loaded)
    assert sim is not None
    box, switch = sim.world.sources["calibrator"], sim._models["switch"]
    with opening.opened(loaded, simulated=sim) as bench:
        connection, step = points(1)
        bench.perform(connection)
        expected = step.stimulus.level_v / step.view.volts_per_div
        on_the_first_record(sim, lambda: setattr(box, "wave", Level(0.0)), lambda: setattr(box, "wave", wave))
        wave = Level(step.stimulus.level_v)
        assert bench.perform(replace(step, expected=expected)).value == pytest.approx(expected, rel=0.05)
        on_the_first_record(sim, lambda: switch.do("open_all", ()), lambda: None)
        assert bench.perform(replace(step, repeat=1)).value == pytest.approx(expected, rel=0.05)


# --- what an instrument has not ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("change_to", "sequence", "sentence"),
    [
        (
            ('"20 mV"', '"30 mV"'), ONE_CHANNEL,
            ("cannot be set to 30 mV/div on channel 1: it answers 4.000000000E-01 to ':SENS1:VOLT:RANG:PTP?' where "
            "0.24 was set, 3 times alike. Correct volts_per_div in the unit file, or 'commands.range_is', which asks"),
        ),
        (
            ('"2 us"', '"3 us"'), 'use = "time_base"\npath = "lead"',
            ("cannot be set to 3 µs/div: it answers 5.000000000E-05 to ':SENS:SWE:TIME?' where 3E-05 was set, 3 times "
            "alike. Correct s_per_div in the unit file, or 'commands.sweep_is', which asks"),
        ),
        (
            ('"5 V"]', '"5 V", "10 V"]'), ONE_CHANNEL,
            ("-222,\"Data out of range\". Correct volts_per_div or s_per_div in the unit file, or its commands: "
            "'halfpower try-out unit' finds which"),
        ),
    ],
)  # fmt: skip
def test_a_range_that_the_unit_has_not_ends_before_the_run_in_words(change_to, sequence, sentence, tmp_path, lab):
    change(lab / "aldermoor_egret.toml", change_to)
    told: list[str] = []
    job = a_job(lab / "one.toml", sequence)
    with pytest.raises(InstrumentError, match=re.escape(sentence)):
        opening.start(job, tmp_path / "runs", on_event=lambda what, _text: told.append(what))
    assert not (tmp_path / "runs").exists()
    assert told.count("repeat") <= 2


def test_a_query_that_an_instrument_lacks_is_told_as_that_however_often_it_is_asked(tmp_path, lab):
    """The number round a query came back alone, which at the second time looked like another manner."""
    profile = (PROFILES / "northfen_calibrator.toml").read_text("utf-8")
    lacking = "".join(line for line in profile.splitlines(keepends=True) if ":OFFSet" not in line)
    (lab / "lacking.toml").write_text(lacking, "utf-8")
    change(lab / "bench_sim.toml", ('profile = "northfen_calibrator"', 'profile = "lacking.toml"'))
    result = opening.start(a_job(lab / "one.toml", ONE_CHANNEL, LEAD), tmp_path)
    assert len(result.ended_early) == 2
    for sentence in result.ended_early:
        assert "refuses ':SOUR:VOLT:OFFS?': -113" in sentence
        assert "correct 'commands.always_is'" in sentence


# --- no signal ---------------------------------------------------------------------------------------------------


EDGE = 'use = "pulse"\npath = "terminated"\nsource = "generator"\nchannels = [1]'


@pytest.mark.parametrize("sequence", [ONE_CHANNEL, 'use = "bandwidth"\npath = "terminated"\nchannels = [1]', EDGE])
def test_a_source_that_is_not_connected_is_no_signal_and_no_verdict(sequence, tmp_path, at_the_start, lab):
    def unplug(bench: SimulatedBench) -> None:
        bench.world.connection_to = lambda _display, _channel: None  # type: ignore[method-assign]

    at_the_start(unplug)
    result = opening.start(a_job(lab / "one.toml", sequence), tmp_path)
    taken = [each for each in readings(result) if "ground" not in each.flags]
    assert taken
    assert {each.status for each in taken if each.value and abs(each.value) < 0.1} <= {"no_signal", "read"}
    assert any(each.status == "no_signal" for each in taken)
    words = {point.word for part in result.report.parts for point in part.results}
    assert words <= {"not measured", "undecided"}
    assert not {"pass", "fail"} & words
    points = [point for part in result.report.parts for point in part.results if point.curve is None]
    assert {remark for point in points for remark in point.remarks} <= {
        NO_SIGNAL
    }  # nothing of a record of another signal than was applied
    assert result.report.next_step.startswith("Look at the connections of the points without a signal. ")


def test_no_signal_behind_a_switch_leaves_a_connection_by_hand_alone(tmp_path, at_the_start, lab):
    """Its path was in doubt, and there was none to close for the next."""
    change(lab / "bench.toml", ('routes = { unit-1 = "(@101)", unit-2 = "(@102)" }', 'routes = { unit-1 = "(@101)" }'))

    def unplug(bench: SimulatedBench) -> None:
        whole = bench.world.connection_to
        bench.world.connection_to = lambda at, channel: None if channel == 1 else whole(at, channel)  # type: ignore[method-assign]

    at_the_start(unplug)
    result = opening.start(a_job(lab / "one.toml", f'{LEAD}\nranges = ["1 V"]'), tmp_path)
    assert [point.word for part in result.report.parts for point in part.results] == ["not measured", "pass"]


class Asked:
    """A person who looks at the connection and answers so, and goes on with whatever is hazardous."""

    def __init__(self, *answers: str) -> None:
        self.answers = list(answers)
        self.asked: list[str] = []
        self.told: list[str] = []

    def ask(self, prompt: Prompt) -> str:
        kind = "hazard" if "go on" in prompt.choices else "look" if prompt.choices else prompt.kind
        self.asked.append(kind)
        return "go on" if kind == "hazard" else self.answers.pop(0) if kind == "look" else ""

    def tell(self, text: str) -> None:
        """Nothing is to be answered."""
        self.told.append(text)


@pytest.mark.parametrize("answer", ["read again", "it counts", "no signal"])
def test_a_hazard_is_confirmed_anew_after_a_person_was_sent_to_the_connection(answer, tmp_path, at_the_start, lab):
    """Whatever they answer: their hands were there, and the bench looked safe meanwhile."""
    for file in ("bench.toml", "bench_sim.toml"):
        path = lab / file
        path.write_text(f"{path.read_text('utf-8')}\n[paths.probe]\ndivides_by = 10\n", "utf-8")
    change(lab / "bench.toml", ("divides_by = 10\n", 'divides_by = 10\nmaximum = "500 V"\ntolerance = "1 %"\n'))

    def unplug(bench: SimulatedBench) -> None:
        bench.world.connection_to = lambda _display, _channel: None  # type: ignore[method-assign]

    at_the_start(unplug)
    person = Asked(answer, "no signal", "no signal")
    sequence = 'use = "vertical"\npaths = ["probe"]\nchannels = [1]\nranges = ["2 V", "5 V"]'
    result = opening.start(a_job(lab / "one.toml", sequence), tmp_path, operator=person, by_hand=True)
    again = ["hazard", "look"] if answer == "read again" else []
    assert person.asked == ["do", "hazard", "look", *again, "hazard", "look"]
    statuses = [each.status for each in readings(result) if each.status == "no_signal" or each.flags]
    assert statuses == (["read", "no_signal"] if answer == "it counts" else ["no_signal", "no_signal"])


def test_what_may_be_on_is_not_said_to_be_off_where_no_hand_was_needed(tmp_path, lab):
    """Behind a switch nobody is asked about a source that does not answer: so nobody has said that it is off."""
    change(lab / "bench.toml", ("Northfen,Nare,Nare-0093,1.7", "Northfen,Nare,Nare-0099,1.7"))
    events: list[str] = []
    person = Asked()
    job = a_job(lab / "one.toml", f'{ONE_CHANNEL}\nranges = ["1 V"]')
    result = opening.start(
        job, tmp_path, operator=person, by_hand=True, on_event=lambda what, _text: events.append(what)
    )
    assert any("which this job does not use, may be ON" in text for text in person.told)
    assert "off" not in events
    assert result.report.may_be_on
