"""Several jobs of a night at positions of one bench: their order, and that each comes to what it comes to alone."""

from __future__ import annotations

import itertools
import sys
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from drivers.switch import ScpiSwitch
from harness.bench.perform import LiveBench
from harness.journal.journal import read
from harness.night import log, plan, runner
from harness.night.account import account
from harness.night.in_doubt import may_be_on, said
from harness.run.together import Level, Waiting, level_of, next_of
from harness.sim.bench import SimulatedBench
from harness.sim.faults import FaultPlan
from harness.steps import Connect, Dc, Measure, NoSignal, Reply, Step, View
from harness.words.clock import RealClock
from tests.helpers.demo_lab import a_job, change, halfpower, with_two_places
from tests.helpers.journals import comparable
from tests.helpers.night_lab import Lab
from tests.helpers.served import a_lab, command, end, guardians_of, started, wait_for

PART = 'use = "vertical"\npaths = ["lead"]\nchannels = [1]\nranges = ["100 mV", "200 mV", "500 mV"]'
TWO = f'{PART}\n\n[[sequence]]\nuse = "time_base"\npath = "lead"\nranges = ["1 ms", "100 us"]'


OWN = """
from harness.models import Model

class Options(Model):
    pass

def needs(options):
    return ("calibrator",)

def script(setup, options):
    yield from ()
"""


class StoppedError(KeyboardInterrupt):
    """A signal, as the command line makes one of it."""


@pytest.fixture
def lab(tmp_path: Path) -> Lab:
    lab = Lab.make(tmp_path)
    jobs(with_two_places(lab.folder))
    return lab


def jobs(folder: Path, part: str = PART, bench: str = "bench.toml") -> None:
    a_job(folder / "left.toml", part, bench=bench)
    a_job(folder / "right.toml", part, bench=bench, serial="Egret-0002", head='position = "right"')


def recorded(runs: Path, serial: str) -> list[dict[str, object]]:
    (run,) = runs.glob(f"*-{serial}-*")
    return comparable(run)


@pytest.fixture
def performed(monkeypatch: pytest.MonkeyPatch) -> list[tuple[str, Step]]:
    """Every step in the order in which the bench performs it, with the unit's serial number."""
    steps: list[tuple[str, Step]] = []
    perform = LiveBench.perform

    def seen(self: LiveBench, step: Step) -> Reply:
        steps.append((self.setup.job.serial, step))
        return perform(self, step)

    monkeypatch.setattr(LiveBench, "perform", seen)
    return steps


def changes(steps: list[Step]) -> int:
    """How often a source is set to another level than the one before."""
    levels = [level for step in steps if (level := level_of(step)) and not isinstance(level[1], NoSignal)]
    return sum(one != other for one, other in itertools.pairwise([None, *levels]))


# --- the order -----------------------------------------------------------------------------------------------------


def dc(level_v: float) -> Measure:
    return Measure(
        purpose="deflection", path="lead", source="calibrator", stimulus=Dc(level_v=level_v), display="unit",
        view=View(channel=1, volts_per_div=1.0, s_per_div=1e-3), quantity="deflection",
    )  # fmt: skip


CONNECT = Connect(path="lead", source="calibrator", display="unit", channel=1)


def ordered(runs: list[list[Step]]) -> list[tuple[int, Step]]:
    """The steps of several runs in the order of the scheduler."""
    left, done, stands, last = [list(steps) for steps in runs], [0] * len(runs), None, None
    order: list[tuple[int, Step]] = []
    while waiting := [Waiting(seat=n, step=steps[0], answered=done[n]) for n, steps in enumerate(left) if steps]:
        chosen = next_of(waiting, stands, last)
        step = left[chosen.seat].pop(0)
        done[chosen.seat] += 1
        stands, last = level_of(step) or stands, chosen.seat
        order.append((chosen.seat, step))
    return order


@pytest.mark.parametrize("units", [1, 2, 5])
def test_units_that_are_asked_the_same_share_every_level(units: int) -> None:
    steps: list[Step] = [CONNECT, *(dc(level) for level in (0.1, 0.2, 0.5, 1.0))]
    order = ordered([steps] * units)
    assert changes([step for _, step in order]) == 4
    for unit in range(units):
        assert [step for seat, step in order if seat == unit] == steps
    routes = sum(one != other for (one, _), (other, _) in itertools.pairwise(order[units:]))
    assert routes == 4 * (units - 1)  # the unit that was read last at a level is read first at the next


def test_a_unit_that_skips_levels_meets_the_others_again() -> None:
    order = ordered([[dc(level) for level in levels] for levels in ((1, 2, 3, 4), (2, 3, 4), (4,))])
    assert changes([step for _, step in order]) <= 5  # 8 one by one; 4 whoever knew all steps beforehand


def test_what_is_no_step_waits_for_nothing_and_a_connection_for_what_reads_at_the_level_that_stands() -> None:
    stands: Level = ("calibrator", Dc(level_v=1.0))
    waiting = [
        Waiting(seat=0, step=dc(2.0), answered=0),
        Waiting(seat=1, step=dc(1.0), answered=9),
        Waiting(seat=2, step=CONNECT, answered=9),
        Waiting(seat=3, step=None, answered=9),
    ]
    for seat in (3, 1, 2, 0):
        assert next_of(waiting, stands, 0).seat == seat
        waiting = [each for each in waiting if each.seat != seat]


# --- which jobs ----------------------------------------------------------------------------------------------------


def groups(lab: Lab, *names: str) -> list[list[int]]:
    planned = lab.plan(*names)
    assert not planned.refused
    return plan.in_groups(dict(enumerate(planned.checked)), together=True)


def test_only_jobs_at_different_positions_of_one_bench_run_together(lab: Lab) -> None:
    assert groups(lab, "left", "second", "right") == [[0, 2], [1]]
    assert plan.in_groups(dict(enumerate(lab.plan("left", "right").checked)), together=False) == [[0], [1]]
    assert groups(lab, "left", "first", "right") == [[0, 2], [1]]  # two at one position: one after another
    (lab.folder / "mine.py").write_text(OWN, "utf-8")
    a_job(lab.folder / "right.toml", PART, 'use = "mine.py"', serial="Egret-0002", head='position = "right"')
    assert groups(lab, "left", "right") == [[0], [1]]


def test_a_hazardous_voltage_is_applied_to_a_unit_that_is_alone(lab: Lab) -> None:
    head = 'position = "right"\nallow_hazardous_voltage = true'
    part = 'use = "vertical"\npaths = ["lead"]\nchannels = [1]\nranges = ["20 V"]'
    change(lab.folder / "aldermoor_egret.toml", ('"5 V"', '"5 V", "20 V"'))
    a_job(lab.folder / "right.toml", part, serial="Egret-0002", head=head)
    assert groups(lab, "left", "right") == [[0], [1]]


def test_a_queue_file_asks_for_it_and_a_rehearsal_says_which(lab: Lab) -> None:
    queue = lab.folder / "queue.toml"
    queue.write_text('jobs = ["left.toml", "second.toml", "right.toml"]\ntogether = true\n', "utf-8")
    said = halfpower("queue", queue, "--rehearse", "--unasked").output
    assert "1 and 3 together, each at its position of one bench" in said
    change(queue, ("together = true", "together = false"))
    assert "together" not in halfpower("queue", queue, "--rehearse", "--unasked").output


# --- what comes of it ----------------------------------------------------------------------------------------------


def test_each_comes_to_what_it_comes_to_alone_with_half_the_changes_of_level(
    lab: Lab, performed: list[tuple[str, Step]]
) -> None:
    jobs(lab.folder, TWO)
    alone = lab.night("left", "right")
    one_by_one = changes([step for _, step in performed])
    performed.clear()
    runs = lab.runs.rename(lab.folder / "alone")
    together = lab.night("left", "right", together=True)
    assert changes([step for _, step in performed]) * 2 == one_by_one
    assert len({serial for serial, _ in performed[:6]}) == 2
    assert together.finished
    assert [run.outcome for run in together.runs] == [run.outcome for run in alone.runs] == ["meets", "meets"]
    assert [run.outputs for run in together.runs] == ["confirmed", "confirmed"]
    for serial in ("Egret-3071", "Egret-0002"):
        assert recorded(lab.runs, serial) == recorded(runs, serial)


@pytest.mark.parametrize(("hot", "settles"), [(False, 13), (True, 9)])
def test_a_level_stays_on_from_unit_to_unit_only_where_the_switch_may_be_worked_so(
    lab: Lab, loaded: list[SimulatedBench], monkeypatch: pytest.MonkeyPatch, hot: bool, settles: int
) -> None:
    """16 settling times of the source for two units one by one; what is off stays off, and has settled, either way."""
    on: list[tuple[str, ...]] = []
    route = ScpiSwitch.route

    def watched(self: ScpiSwitch, channel_list: str) -> None:
        on.extend(bench.outputs_on() for bench in loaded)
        route(self, channel_list)

    monkeypatch.setattr(ScpiSwitch, "route", watched)
    jobs(lab.folder, TWO)
    change(lab.folder / "bench.toml", ('settle = "50 ms"', 'settle = "30 s"'))
    alone = lab.night("left", "right")
    assert sum(bench.clock.now() for bench in loaded) == pytest.approx(16 * 30.0, abs=10.0)
    runs = lab.runs.rename(lab.folder / "alone")
    loaded.clear()
    if hot:
        change(lab.folder / "bench.toml", ("[switch]\n", "[switch]\nhot = true\n"))
    together = lab.night("left", "right", together=True)
    assert sum(bench.clock.now() for bench in loaded) == pytest.approx(settles * 30.0, abs=10.0)
    assert set(on) == ({(), ("calibrator",)} if hot else {()})
    assert [run.outcome for run in together.runs] == [run.outcome for run in alone.runs] == ["meets", "meets"]
    for serial in ("Egret-3071", "Egret-0002"):
        assert without_header(lab.runs, serial) == without_header(runs, serial)


def test_trouble_with_a_switch_that_is_worked_hot_puts_the_outputs_off(
    lab: Lab, unbroken: dict[str, list[dict[str, object]]], loaded: list[SimulatedBench]
) -> None:
    change(lab.folder / "bench.toml", ("[switch]\n", "[switch]\nhot = true\n"))
    change(
        lab.folder / "bench_sim.toml",
        ("[calibrator]\n", '[faults]\nrate = "20 %"\nroles = ["switch"]\n\n[calibrator]\n'),
    )
    night = lab.night("left", "right", together=True)
    assert [run.outputs for run in night.runs] == ["confirmed", "confirmed"]
    assert [run.outcome for run in night.runs] == ["meets", "meets"]
    for serial, entries in unbroken.items():
        readings = [entry for entry in without_header(lab.runs, serial) if entry["kind"] == "reply"]
        assert readings == [entry for entry in entries if entry["kind"] == "reply"]
    assert any(injector.counts for bench in loaded for injector in bench.faults.values())


@pytest.fixture(scope="module")
def unbroken(tmp_path_factory: pytest.TempPathFactory) -> dict[str, list[dict[str, object]]]:
    lab = Lab.make(tmp_path_factory.mktemp("unbroken"))
    jobs(with_two_places(lab.folder))
    lab.night("left", "right")
    return {serial: without_header(lab.runs, serial) for serial in ("Egret-3071", "Egret-0002")}


def without_header(runs: Path, serial: str) -> list[dict[str, object]]:
    return [entry for entry in recorded(runs, serial) if entry["kind"] != "header"]


@pytest.mark.parametrize("at", [1, 2, 9, 12])
def test_cut_off_and_gone_on_with_equals_unbroken(
    lab: Lab, unbroken: dict[str, list[dict[str, object]]], at: int
) -> None:
    count = itertools.count(1)

    def stop(_part: str, _n: int) -> None:
        if next(count) == at:
            raise StoppedError

    lab.showing.on_step = stop
    with pytest.raises(StoppedError):
        lab.begin("left", "right", together=True)
    cut = account(lab.the_folder())
    assert [(run.outcome, run.outputs) for run in cut.runs] == [("not done", "confirmed")] * 2
    lab.showing.on_step = lambda _part, _n: None
    night = lab.go_on(lab.the_folder())
    assert [run.outcome for run in night.runs] == ["meets", "meets"]
    for serial, entries in unbroken.items():
        assert without_header(lab.runs, serial) == entries


@pytest.mark.parametrize("at", [3, 8])
def test_a_signal_while_a_step_is_performed_stops_all_with_outputs_off(
    lab: Lab, unbroken: dict[str, list[dict[str, object]]], monkeypatch: pytest.MonkeyPatch, at: int
) -> None:
    count, perform = itertools.count(1), LiveBench.perform

    def interrupted(self: LiveBench, step: Step) -> Reply:
        reply = perform(self, step)
        if next(count) == at:
            assert threading.current_thread() is threading.main_thread()  # the one that hears signals
            raise StoppedError
        return reply

    with monkeypatch.context() as patch:
        patch.setattr(LiveBench, "perform", interrupted)
        with pytest.raises(StoppedError):
            lab.begin("left", "right", together=True)
    assert [(run.outcome, run.outputs) for run in account(lab.the_folder()).runs] == [("not done", "confirmed")] * 2
    lab.go_on(lab.the_folder())
    for serial, entries in unbroken.items():
        assert without_header(lab.runs, serial) == entries


def test_each_can_be_resumed_alone(lab: Lab, unbroken: dict[str, list[dict[str, object]]]) -> None:
    from harness import runs as opening

    def stop(_part: str, n: int) -> None:
        if n == 5:
            raise StoppedError

    lab.showing.on_step = stop
    with pytest.raises(StoppedError):
        lab.begin("left", "right", together=True)
    for serial, entries in unbroken.items():
        (run,) = lab.runs.glob(f"*-{serial}-*")
        assert opening.resume(run).report.overall == "meets"
        assert without_header(lab.runs, serial) == entries


@pytest.fixture
def loaded(monkeypatch: pytest.MonkeyPatch) -> list[SimulatedBench]:
    """Every simulated bench, to meddle with."""
    benches: list[SimulatedBench] = []
    load = SimulatedBench.load.__func__  # type: ignore[attr-defined]  # a class method

    def kept(cls: type[SimulatedBench], *args: object, **more: object) -> SimulatedBench:
        benches.append(load(cls, *args, **more))
        return benches[-1]

    monkeypatch.setattr(SimulatedBench, "load", classmethod(kept))
    return benches


@pytest.mark.parametrize("mine", ["left", "right"])
def test_a_unit_that_fails_ends_its_own_run_alone(
    lab: Lab, unbroken: dict[str, list[dict[str, object]]], loaded: list[SimulatedBench], mine: str
) -> None:
    place, count = {"left": "unit", "right": "right"}[mine], itertools.count(1)

    def unplug(_part: str, _n: int) -> None:
        if next(count) == 6:
            for bench in loaded:
                if place in bench.devices:
                    bench.inject(FaultPlan(rate=1.0, kinds=("lost",), roles=(place,)))

    lab.showing.on_step = unplug
    night = lab.night("left", "right", together=True, again=0)
    theirs = {"left": "right", "right": "left"}[mine]
    assert {run.job.removesuffix(".toml"): run.outcome for run in night.runs} == {mine: "not done", theirs: "meets"}
    assert [run.outputs for run in night.runs] == ["confirmed", "confirmed"]
    serial = {"left": "Egret-3071", "right": "Egret-0002"}[theirs]
    assert without_header(lab.runs, serial) == unbroken[serial]


def test_an_output_that_stays_on_is_told_by_every_run(lab: Lab, loaded: list[SimulatedBench]) -> None:
    count = itertools.count(1)

    def deafen(_part: str, _n: int) -> None:
        if next(count) == 6:
            for bench in loaded:
                bench.inject(FaultPlan(deaf=("calibrator",)))

    lab.showing.on_step = deafen
    night = lab.night("left", "right", together=True, again=0)
    assert [run.outputs_off for run in night.runs] == [False, False]
    assert night.may_be_on
    for serial in ("Egret-3071", "Egret-0002"):
        (run,) = lab.runs.glob(f"*-{serial}-*")
        assert "The output of the calibrator" in " ".join(event.text for event in read(run).may_be_on)


def test_a_unit_that_is_another_costs_its_own_run_alone(lab: Lab) -> None:
    change(lab.folder / "left.toml", ("Egret-3071", "Egret-9999"))
    night = lab.night("left", "right", together=True, again=0)
    assert [run.outcome for run in night.runs] == ["not done", "meets"]


# --- the log -------------------------------------------------------------------------------------------------------


def logged(folder: Path, entries: Iterator[str]) -> log.LogContents:
    """A log of two jobs on one bench, in the order of the tries' beginnings and ends."""
    part = log.PlannedPart(name="1 vertical", title="Deflection", points=1)
    queued = [
        log.QueuedJob(
            path=f"/{name}.toml", unit="Egret", serial=name, estimated_s=1.0, digest="", parts=(part,), bench="/b"
        )
        for name in ("left", "right")
    ]  # fmt: skip
    seconds = itertools.count()
    made = log.Log.create(
        folder, log.header_of(tuple(queued), (), start=""), stamp=lambda: f"2026-11-25T18:00:{next(seconds):02d}+00:00"
    )
    for entry in entries:
        what, number = entry.split()
        if what == "begun":
            made.begun(int(number), 1)
        elif what == "folder":
            made.run_folder(int(number), f"../{number}")
        elif what == "went":
            made.went_on()
        else:
            outputs = () if what == "off" else ("The output may still be ON.",)
            made.ended(int(number), 1, "done", "", again=False, off=what == "off", outputs=outputs)
    made.close()
    return log.read(folder)


def test_what_ended_last_has_the_last_word_of_the_outputs(tmp_path: Path) -> None:
    doubt = logged(tmp_path / "a", iter(("begun 0", "begun 1", "off 1", "on 0")))
    assert may_be_on(tmp_path / "a", doubt) == ("left.toml: The output may still be ON.",)
    sure = logged(tmp_path / "b", iter(("begun 0", "begun 1", "on 1", "off 0")))
    assert may_be_on(tmp_path / "b", sure) == ()


def test_a_try_that_was_cut_off_is_in_doubt_although_the_one_beside_it_had_ended(tmp_path: Path) -> None:
    cut = logged(tmp_path / "a", iter(("begun 0", "begun 1", "folder 0", "folder 1", "off 1", "went on")))
    assert [each.job for each in cut.interruptions[0].under_way] == [0]
    assert cut.folders == {0: "../0", 1: "../1"}
    (told,) = may_be_on(tmp_path / "a", cut)
    assert told.startswith("left.toml: it was cut off")
    moments = [each.at for each in said(tmp_path / "a", cut)]
    assert moments == sorted(moments)  # who puts them in order by their moments comes to the same


# --- killed --------------------------------------------------------------------------------------------------------


def run_together(folder: Path) -> None:
    from tests.helpers.night_lab import Recorder

    planned = plan.look_through([folder / "left.toml", folder / "right.toml"], RealClock().utc())
    assert not planned.refused, planned.refused
    settings = runner.Settings(awake=False, together=True)
    runner.begin(planned, settings, folder / "runs", clock=RealClock(), showing=Recorder(), keep=lambda _folder: ())


@pytest.mark.skipif(sys.platform == "win32", reason="signals and processes of POSIX")
def test_a_killed_nights_guardian_switches_off_and_tells_every_run_that_was_under_way(tmp_path: Path) -> None:
    with a_lab(tmp_path / "lab", prepare=with_two_places) as lab:
        lab.slow()
        jobs(lab.folder, bench="tcp_bench.toml")
        run = started(run_together, lab.folder, log=tmp_path / "said")
        lab.until_on(run)
        run.kill()
        lab.until_off()
        wait_for(lambda: not guardians_of(run.pid))
        (night,) = lab.runs.glob("night-*")
        assert [each.job for each in log.read(night).under_way] == [0, 1]
        for serial in ("Egret-3071", "Egret-0002"):
            (folder,) = lab.runs.glob(f"*-{serial}-*")
            told = [event.text for event in read(folder).events if event.what == "guardian"]
            assert any("calibrator" in text and "is off" in text for text in told)
        lab.quick()
        again = started(command, "queue", "--go-on", str(night), "--unasked", "--quiet", log=tmp_path / "said")
        assert end(again) == 0
        assert [run.outcome for run in account(night).runs] == ["meets", "meets"]
        assert "left.toml and right.toml were cut off" in account(night).events[0].text
