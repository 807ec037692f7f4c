"""The unattended night on virtual clocks: what is refused, how failures pass, and that a cut loses nothing."""

from __future__ import annotations

import datetime as dt
import errno
import json
import os
import re
import shutil
import signal
import subprocess
import sys
import textwrap
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from harness.errors import BusyError, JournalError, QueueError
from harness.journal import journal
from harness.journal.lock import hold
from harness.night import heartbeat, log, runner
from harness.night.account import account
from harness.night.in_doubt import UNSEEN, Said, standing
from harness.night.runner import PAGE, write_report
from harness.night.start import start_of
from harness.report import shown
from harness.report.night import marks, page
from harness.report.summary import summarise
from harness.runs import load
from harness.sim.clock import VirtualClock
from tests.helpers.demo_lab import a_job
from tests.helpers.journals import comparable
from tests.helpers.night_lab import EVENING, Lab

ROOT = Path(__file__).resolve().parent.parent


@pytest.fixture
def lab(tmp_path: Path) -> Lab:
    return Lab.make(tmp_path)


class StoppedError(KeyboardInterrupt):
    """A signal, as the command line makes one of it."""


# --- what is refused before anything starts ------------------------------------------------------------------------


def test_a_job_that_needs_a_person_is_refused_with_every_connection_and_reading(lab: Lab) -> None:
    told = lab.refusals("by_eye")
    assert "by_eye.toml: needs a person: 2 × connect calibrator → lead → channel 1 of the unit; 1 × connect" in told
    assert "47 × set the calibrator by hand; 75 × read the unit by eye." in told


def test_hazardous_voltage_needs_the_jobs_own_permission(lab: Lab) -> None:
    told = lab.refusals("by_eye")
    assert "by_eye.toml: hazardous voltage, which a person must confirm: channel 2, 5 V/div, probe: 100 V DC" in told
    lab.change("by_eye.toml", "serial =", "allow_hazardous_voltage = true\nserial =")
    assert "hazardous voltage" not in lab.refusals("by_eye")


def test_a_job_above_a_rating_is_refused(lab: Lab) -> None:
    lab.change("bench.toml", 'termination_power = "1 W"', 'termination_power = "0.1 mW"')
    told = lab.refusals("digital")
    assert re.search(r"digital.toml: above a rating: .* termination of path 'terminated', which may take 100 µW", told)


def test_a_standard_is_overdue_on_the_day_on_which_the_job_would_run(lab: Lab) -> None:
    lab.change("second_bench.toml", 'simulation = "second_bench_sim.toml"\n', "")  # the real day counts
    assert lab.refusals("second", begins=dt.datetime(2027, 5, 6, 23, 0, tzinfo=dt.UTC)) == ""
    told = lab.refusals("second", begins=dt.datetime(2027, 5, 7, 0, 1, tzinfo=dt.UTC))
    assert "second.toml: past the due date: the calibrator (Northfen Orme no. Orme-0422) was due on 2027-05-06" in told


def test_a_bench_that_is_held_is_refused_with_its_holder(lab: Lab) -> None:
    lab.change("second_bench.toml", 'simulation = "second_bench_sim.toml"\n', "")  # a simulated one is nobody's own
    address = load(lab.folder / "second.toml").setup.bench.calibrator.address
    with hold((address,)):
        told = lab.refusals("second")
    assert re.search(rf"second.toml: the bench is not free: .* is in use by process {os.getpid()} on ", told)


def test_two_units_at_one_address_need_somebody_to_change_them(lab: Lab) -> None:
    lab.job("fourth", serial="Egret-9999")
    told = lab.refusals("first", "fourth")
    assert "fourth.toml: needs a person: first.toml finds unit Egret-3071 at TCPIP0::192.0.2.30::5025::SOCKET" in told
    assert lab.refusals("first", "third") == ""  # the same unit twice


def test_a_counter_read_by_eye_is_a_hand_too(lab: Lab) -> None:
    lab.change("bench.toml", '[counter]\naddress = "GPIB0::12::INSTR"', '[counter]\ndriver = "manual"')
    assert re.search(r"digital.toml: needs a person: \d+ × read the counter by eye", lab.refusals("digital"))


def test_every_problem_of_every_job_is_told_at_once(lab: Lab) -> None:
    lab.change("third.toml", 'use = "vertical"', 'use = "vertcal"')
    told = lab.refusals("first", "third", "missing", "by_eye", "first")
    assert "third.toml:7: sequence[1].use: there is no sequence 'vertcal'" in told
    assert "missing.toml: cannot be read" in told or "missing.toml: there is no such file" in told
    assert "by_eye.toml: needs a person" in told
    assert "first.toml: stands in the list twice" in told


def test_a_start_that_is_past_is_refused() -> None:
    with pytest.raises(QueueError, match=r"2026-11-25T10:00\+00:00 is past: it is 2026-11-25 .*Name a later time"):
        start_of("2026-11-25T10:00+00:00", VirtualClock(EVENING))


# --- a night -------------------------------------------------------------------------------------------------------


def test_one_jobs_failure_costs_no_other(lab: Lab) -> None:
    lab.keep = write_report
    night = lab.night("first", "second", "third")
    assert [run.outcome for run in night.runs] == ["meets", "not done", "does not meet"]  # 500 mV/div of channel 2
    assert [run.tries for run in night.runs] == [1, 2, 1]
    assert [bool(run.events) for run in night.runs] == [False, True, False]
    assert night.finished
    assert night.sentence.startswith("2 of 3 jobs are done; Egret-3071 meets its rating; Egret-3071 does not meet")
    assert night.next_step.startswith("Begin with second.toml: Look at the instrument that is named, then resume")
    lost = night.runs[1]
    assert lost.missing == (f"Vertical deflection: not finished, {lost.taken} of 3 points taken",)
    for run in night.runs:
        assert run.outputs == "confirmed"
        assert (lab.the_folder() / run.link).is_file()
        assert [event.what for event in journal.read(lab.runs / run.run).events][-1] == "off"


def test_a_job_that_lost_its_instrument_is_resumed_at_the_end_of_the_queue(lab: Lab) -> None:
    order: list[str] = []

    def told(text: str) -> None:
        order.append(text)
        if text.startswith("third.toml: done"):
            lab.mend()

    lab.showing.on_told = told
    night = lab.night("first", "second", "third")
    assert night.runs[1].outcome == "meets"
    jobs = [text.split(": ")[1].split(",")[0] for text in order if text.startswith("Job ")]
    assert jobs == ["first.toml", "second.toml", "third.toml", "second.toml"]
    events = journal.read(lab.runs / night.runs[1].run).events
    assert next(event.text for event in events if event.what == "resumed").startswith("after ")


@pytest.mark.parametrize("again", [0, 2])
def test_trying_again_is_bounded(lab: Lab, again: int) -> None:
    (run,) = lab.night("second", again=again).runs
    assert (run.outcome, run.tries) == ("not done", 1 + again)


def test_the_start_is_waited_for_with_signs_of_life(lab: Lab) -> None:
    beats: list[heartbeat.Beat] = []
    lab.showing.on_wait = lambda _text: beats.append(heartbeat.read(lab.the_folder()))
    start = EVENING + dt.timedelta(minutes=10)
    night = lab.night("first", at=start.isoformat())
    assert night.started == start.astimezone().isoformat(timespec="milliseconds")
    assert lab.showing.waited[0] == f"Waiting until {start.astimezone():%Y-%m-%d %H:%M}, in 10 min; Ctrl-C ends it."
    assert len(beats) > 10
    for beat in beats:
        assert beat.doing == "waiting"
        assert beat.next_by is not None
        assert beat.at < beat.next_by <= beat.at + dt.timedelta(minutes=2)


def test_a_start_that_passes_during_the_check_is_not_put_off_by_a_day(lab: Lab) -> None:
    start = EVENING + dt.timedelta(minutes=1)
    found = lab.plan("first")
    lab.clock.sleep(90)
    settings = runner.Settings(awake=False)
    folder = runner.begin(
        found, settings, lab.runs, clock=lab.clock, start=start, showing=lab.showing, keep=lab.keep
    )  # fmt: skip
    assert lab.showing.waited == []
    assert account(folder).started == (EVENING + dt.timedelta(seconds=90)).astimezone().isoformat("T", "milliseconds")


def test_a_clock_that_is_set_back_while_waiting_is_told_and_the_start_stays(lab: Lab) -> None:
    class SetBack(VirtualClock):
        def utc(self) -> dt.datetime:
            return super().utc() - dt.timedelta(hours=1 if self.now() > 300 else 0)

    lab.clock = SetBack(EVENING)
    night = lab.night("first", at=(EVENING + dt.timedelta(minutes=10)).isoformat())
    assert any("The clock was set back by 1 h 00 min; the start stays at" in event.text for event in night.events)
    assert lab.clock.now() >= 70 * 60
    assert night.runs[0].outcome == "meets"


def test_what_was_changed_after_the_check_is_not_run(lab: Lab) -> None:
    def told(text: str) -> None:
        if text.startswith("first.toml: done"):
            lab.change("third.toml", '"500 mV"]', '"500 mV", "1 V"]')

    lab.showing.on_told = told
    night = lab.night("first", "third", "second")
    assert [run.outcome for run in night.runs] == ["meets", "not done", "not done"]
    assert "third.toml: the job, its bench, its unit or a Python file of theirs was changed" in night.runs[1].sentence
    assert night.runs[1].next_step == "Check the changed files, then queue the job again."
    assert (night.runs[1].tries, night.runs[1].run) == (1, "")


def test_a_comment_that_was_changed_changes_nothing(lab: Lab) -> None:
    lab.showing.on_wait = lambda _text: (lab.folder / "first.toml").write_text(
        (lab.folder / "first.toml").read_text("utf-8") + "# seen\n", "utf-8"
    )
    assert lab.night("first", at=(EVENING + dt.timedelta(minutes=1)).isoformat()).runs[0].outcome == "meets"


OWN = """
from harness.models import Model
from harness.steps import Dc, Measure, View, connect, measure

class Options(Model):
    pass

def needs(options):
    return ("calibrator",)

def script(setup, options):
    yield from connect(path="lead", source="calibrator", display="unit", channel=1)
    step = Measure(purpose="x", path="lead", source="calibrator", stimulus=Dc(level_v=0.3), display="unit",
                   view=View(channel=1, volts_per_div=0.1, s_per_div=1e-3), quantity="deflection", expected=3.0)
    reading = yield from measure(step)
    if reading.value != 3.0:  # never so at a rehearsal
        {then}
"""


def own(lab: Lab, then: str) -> None:
    (lab.folder / "own.py").write_text(OWN.format(then=then), "utf-8")
    a_job(lab.folder / "own.toml", 'use = "own.py"')


def test_a_fault_in_a_users_own_sequence_ends_its_job_and_the_outputs_go_off(lab: Lab) -> None:
    own(lab, "1 / 0")
    night = lab.night("own", "first")
    assert [run.outcome for run in night.runs] == ["not done", "meets"]
    assert "own.py:17: your sequence fails: ZeroDivisionError: division by zero" in night.runs[0].sentence
    assert night.runs[0].next_step.startswith(
        "Put right what is named, then go on with the queue: halfpower queue --go"
    )
    assert night.runs[0].outputs == "confirmed"
    assert night.runs[0].tries == 1  # it would go the same way again


def test_a_fault_of_the_program_in_one_job_keeps_its_traceback_and_costs_no_other(lab: Lab) -> None:
    def fault(_part: str, n: int) -> None:
        if n == 3 and not list(lab.the_folder().glob(PAGE)):
            raise ZeroDivisionError("planted")

    lab.showing.on_step = fault
    night = lab.night("first", "third")
    assert [run.outcome for run in night.runs] == ["not done", "does not meet"]
    assert night.runs[0].sentence == "A fault of the program: ZeroDivisionError: planted"
    assert night.runs[0].next_step.startswith("Its traceback stands in queue.jsonl")
    assert night.runs[0].outputs == "confirmed"
    (kept,) = (event for event in log.read(lab.the_folder()).events if event.what == "fault")
    assert 'raise ZeroDivisionError("planted")' in kept.text
    assert "ZeroDivisionError: planted (the traceback stands in queue.jsonl)" in [event.text for event in night.events]


@pytest.mark.parametrize("day", ["2026-11-25", "2026-11-20"], ids=["later", "by a clock that was set back"])
def test_what_the_guardian_did_for_a_run_that_was_cut_off_stands_on_the_page(day: str, lab: Lab) -> None:
    def stop(_part: str, n: int) -> None:
        if n == 3:
            raise StoppedError

    lab.showing.on_step = stop
    with pytest.raises(StoppedError):
        lab.begin("first")
    folder = lab.the_folder()
    lines = (folder / log.NAME).read_bytes().splitlines(keepends=True)
    (folder / log.NAME).write_bytes(b"".join(line for line in lines if b'"kind":"ended"' not in line))
    run, _ = journal.Journal.reopen(lab.runs / account(folder).runs[0].run, stamp=lambda: f"{day}T19:00:00.000+00:00")
    run.event("", "guardian", "The output of the calibrator is off: it took the command and reports no error.")
    run.close()
    (cut,) = account(folder).runs
    assert (cut.outputs, cut.outputs_off) == ("confirmed, after it was cut off", True)


def test_hands_that_no_rehearsal_foresaw_end_the_job_and_not_the_night(lab: Lab) -> None:
    own(lab, 'yield from connect(path="lead", source="calibrator", display="reference", channel=1)')
    night = lab.night("own", "first")
    assert [run.outcome for run in night.runs] == ["not done", "meets"]
    assert "A person is needed, and this run has none: Outputs are off. Connect" in night.runs[0].sentence
    assert (
        night.runs[0].next_step
        == f"Resume the run at the bench: halfpower resume {lab.runs.resolve() / night.runs[0].run}"
    )


def test_an_output_that_stays_on_is_the_first_thing_said_in_the_morning(lab: Lab) -> None:
    lab.change(
        "bench.toml", 'maker = "Northfen"\nmodel = "Orme"', 'commands = { output_off = ":NO:SUCH" }\nmodel = "Orme"'
    )
    night = lab.night("first")
    assert night.runs[0].outputs_off is False
    assert "may still be ON" in night.runs[0].outputs
    assert night.next_step.startswith("Look at the bench first: an output may still be on")
    assert "AN OUTPUT MAY STILL BE ON" in page(night).upper()


def test_an_output_in_doubt_is_said_once_whoever_said_it_too() -> None:
    """The run and its guardian each say of the calibrator why it would not go off."""
    said = [
        f"a.toml: The output of the {of} may still be ON: {why}" for of in ("calibrator", "generator") for why in "12"
    ]
    each = Said(bench="bench", at="2026-11-25T18:00:00+00:00", sentences=tuple(said))
    assert standing([each]) == (said[1], said[3])
    ending = log.Ending(
        job=0,
        attempt=1,
        how="failed",
        text="Off. Lost. Off. Also.",
        again=False,
        off=False,
        outputs=("Lost.", "Also."),
        at=each.at,
    )
    assert ending.said == "Off. An output would not go off. Off. An output would not go off."
    ending = replace(ending, text="Lost. Also.")
    assert ending.said == "An output would not go off."


def test_an_output_that_may_be_on_stays_said_until_its_bench_has_confirmed(lab: Lab) -> None:
    """The bench is not reached any more: nothing has been confirmed, whatever becomes of other benches."""
    lab.change(
        "bench.toml", 'maker = "Northfen"\nmodel = "Orme"', 'commands = { output_off = ":NO:SUCH" }\nmodel = "Orme"'
    )
    lab.begin("first", "second")
    folder = lab.the_folder()
    stays = account(folder)
    (said,) = stays.may_be_on
    assert said.startswith("first.toml: The output of the calibrator")
    assert marks(stays)[-1] == "An output may still be on"
    assert page(stays).count("The output of the calibrator") == 1
    assert heartbeat.read(folder).may_be_on == said
    tries = log.read(folder).begun[0]
    opened = log.Log.reopen(folder, lambda: "2026-11-26T03:00:00.000+00:00")
    opened.begun(0, tries + 1)
    opened.ended(0, tries + 1, "failed", "The bench was not reached.", again=True, off=None, outputs=())
    assert account(folder).may_be_on == (said,)
    opened.begun(0, tries + 2)
    opened.ended(0, tries + 2, "done", "Again.", again=False, off=True, outputs=())
    opened.close()
    assert account(folder).may_be_on == ()
    assert "An output may still be on" not in marks(account(folder))


def test_what_a_killed_runs_guardian_could_not_switch_off_stays_said(lab: Lab) -> None:
    def stop(_part: str, n: int) -> None:
        if n == 3:
            raise StoppedError

    lab.showing.on_step = stop
    with pytest.raises(StoppedError):
        lab.begin("first")
    folder = lab.the_folder()
    lines = (folder / log.NAME).read_bytes().splitlines(keepends=True)
    (folder / log.NAME).write_bytes(b"".join(line for line in lines if b'"kind":"ended"' not in line))
    run, _ = journal.Journal.reopen(
        lab.runs / account(folder).runs[0].run, stamp=lambda: "2026-11-25T19:00:00.000+00:00"
    )
    run.event("", "outputs", "The output of the calibrator may still be ON: it does not answer.")
    run.close()
    assert account(folder).may_be_on == (
        "first.toml: The output of the calibrator may still be ON: it does not answer.",
    )


def killed(lab: Lab, go: Callable[[], object], at: int = 3) -> Path:
    """A queue that was killed in its first job: no ending stands in its log, and nothing after the last reading in its
    run's journal, as after a power cut."""

    def stop(_part: str, n: int) -> None:
        if n == at:
            raise StoppedError

    lab.showing.on_step = stop
    with pytest.raises(StoppedError):
        go()
    lab.showing.on_step = lambda _part, _n: None
    folder = lab.the_folder()
    cut = {folder / log.NAME: b'"kind":"ended"', lab.runs / account(folder).runs[0].run / journal.NAME: b'"what":"off"'}
    for path, last in cut.items():
        lines = path.read_bytes().splitlines(keepends=True)
        path.write_bytes(b"".join(lines[: max(n for n, line in enumerate(lines) if last in line)]))
    return folder


def another_try(folder: Path, job: int, off: bool | None) -> None:
    """A later process that reaches the bench of a job or does not."""
    opened = log.Log.reopen(folder, lambda: "2026-11-26T03:00:00.000+00:00")
    attempt = opened.contents.begun.get(job, 0) + 1
    opened.went_on()
    opened.begun(job, attempt)
    opened.ended(job, attempt, "failed", "As it went.", again=True, off=off, outputs=())
    opened.close()


def test_a_cut_off_run_of_which_nothing_is_known_stays_in_doubt_until_its_own_bench_has_confirmed(lab: Lab) -> None:
    folder = killed(lab, lambda: lab.begin("first", "second"))
    said = (f"first.toml: {UNSEEN}",)
    assert account(folder).may_be_on == said
    another_try(folder, 1, off=True)  # another bench
    another_try(folder, 0, off=None)  # this one was not reached
    assert account(folder).may_be_on == said
    assert "An output may still be on" in marks(account(folder))
    another_try(folder, 0, off=True)
    assert account(folder).may_be_on == ()


def test_what_a_guardian_could_not_switch_off_stays_said_when_the_queue_goes_on_without_that_bench(lab: Lab) -> None:
    folder = killed(lab, lambda: lab.begin("first", "second"))
    run, _ = journal.Journal.reopen(
        lab.runs / account(folder).runs[0].run, stamp=lambda: "2026-11-25T19:00:00.000+00:00"
    )
    run.event("", "outputs", "The output of the calibrator may still be ON: it does not answer.")
    run.close()
    said = ("first.toml: The output of the calibrator may still be ON: it does not answer.",)
    assert account(folder).may_be_on == said
    another_try(folder, 0, off=None)
    assert account(folder).may_be_on == said


def test_a_job_that_was_corrected_is_named_as_its_run_is_and_takes_nothing_back_of_another_bench(lab: Lab) -> None:
    """The file of a killed job had named another unit and bench; its own run stays, and the corrected job is new."""
    folder = killed(lab, lambda: lab.begin("first", "third"))
    old = account(folder).runs[0].run
    lab.job("first", bench="second_bench", serial="Egret-3088")
    lab.mend()
    night = lab.go_on(folder)
    assert (night.runs[0].serial, night.runs[0].outcome) == ("Egret-3088", "meets")
    assert night.sentence.startswith("2 of 2 jobs are done; Egret-3088 meets its rating; Egret-3071 does not meet")
    assert night.runs[0].run != old
    assert (lab.runs / old).is_dir()
    (anew,) = [event.text for event in night.events if "begun anew" in event.text]
    assert anew.startswith(f"first.toml is begun anew; run {old} stays as it is, and is not gone on with: ")
    assert [text for text in lab.showing.told if text.startswith("Job 1")][-1].endswith("no. Egret-3088")
    assert night.may_be_on == ()  # the third job's bench is the first one's, and it has confirmed
    assert log.read(folder).tries[0].bench != log.read(folder).tries[1].bench


def test_a_refused_job_that_was_corrected_is_named_as_its_run_is(lab: Lab) -> None:
    """Its file named a unit that does not answer there, so that no run was begun."""
    lab.job("first", serial="Egret-9999")
    folder = lab.begin("first", again=0)
    refused = account(folder)
    assert (refused.runs[0].serial, refused.runs[0].run) == ("Egret-9999", "")
    lab.job("first")
    night = lab.go_on(folder)
    assert night.sentence == "1 of 1 job is done; Egret-3071 meets its rating."
    assert night.runs[0].serial == "Egret-3071"
    assert "Egret-9999" not in page(night)
    assert [text for text in lab.showing.told if text.startswith("Job 1")][-1].endswith("no. Egret-3071")


def test_own_python_that_was_corrected_can_be_gone_on_with_as_advised(lab: Lab) -> None:
    own(lab, "1 / 0")
    folder = lab.begin("own")
    assert account(folder).runs[0].next_step == (
        f"Put right what is named, then go on with the queue: halfpower queue --go-on {folder.resolve()}"
    )
    own(lab, "pass")
    night = lab.go_on(folder)
    assert night.finished
    assert night.runs[0].outcome not in ("not done", "not tried")
    assert any("own.toml is begun anew" in event.text for event in night.events)


# --- cut off, and gone on with -------------------------------------------------------------------------------------


def without_times(folder: Path) -> list[object]:
    return [comparable(each.parent) for each in sorted(folder.glob("*/journal.jsonl"))]


def test_a_signal_leaves_a_queue_that_can_be_gone_on_with(lab: Lab) -> None:
    def stop(_part: str, n: int) -> None:
        if n == 3 and len(list(lab.runs.glob("*-Egret-*"))) == 2:
            raise StoppedError

    lab.showing.on_step = stop
    with pytest.raises(StoppedError):
        lab.begin("first", "third")
    cut = account(lab.the_folder())
    assert (cut.finished, [run.outcome for run in cut.runs]) == (False, ["meets", "not done"])
    assert cut.runs[1].outputs == "confirmed"
    assert cut.next_step == f"Go on with it: halfpower queue --go-on {lab.the_folder().resolve()}"
    assert heartbeat.read(lab.the_folder()).doing == "ended"
    lab.showing.on_step = lambda _part, _n: None
    night = lab.go_on(lab.the_folder())
    assert [run.outcome for run in night.runs] == ["meets", "does not meet"]
    assert [run.tries for run in night.runs] == [1, 2]
    assert night.finished
    assert len(list(lab.runs.glob("*-Egret-*"))) == 2


def test_going_on_waits_for_the_moment_that_was_asked_for_last(lab: Lab) -> None:
    def stop(_text: str) -> None:
        raise StoppedError

    lab.showing.on_wait = stop
    with pytest.raises(StoppedError):
        lab.begin("first", at=(EVENING + dt.timedelta(hours=6)).isoformat())
    folder, sooner = lab.the_folder(), EVENING + dt.timedelta(minutes=10)
    with pytest.raises(StoppedError):
        lab.go_on(folder, start=sooner.isoformat())
    assert lab.showing.waited[-1].startswith(f"Waiting until {sooner:%Y-%m-%d %H:%M}")
    lab.showing.on_wait = lambda _text: None
    night = lab.go_on(folder)  # the later word stands in the log
    assert dt.datetime.fromisoformat(night.started) == sooner
    assert [run.outcome for run in night.runs] == ["meets"]


def test_a_queue_cut_off_at_any_line_of_its_log_or_within_one_comes_to_the_same_end(lab: Lab, tmp_path: Path) -> None:
    whole = lab.begin("first", "third")
    lines = (whole / log.NAME).read_bytes().splitlines(keepends=True)
    assert len(lines) > 8
    expected = without_times(lab.runs)
    for cut in range(1, len(lines) + 1):
        runs = lab.folder / f"runs{cut}"
        shutil.copytree(lab.runs, runs)
        folder = runs / whole.name
        torn = lines[cut][:-7] if cut < len(lines) else b""
        (folder / log.NAME).write_bytes(b"".join(lines[:cut]) + torn)
        for number, begun in enumerate(log.read(folder).folders.get(job) for job in (0, 1)):
            if begun is None:  # the journal is made before the log says so, and measured in only after
                shutil.rmtree(sorted(runs.glob("*-Egret-*"))[-1 if number else 0], ignore_errors=True)
        night = lab.go_on(folder)
        assert [run.outcome for run in night.runs] == ["meets", "does not meet"], cut
        assert sorted(map(repr, without_times(runs))) == sorted(map(repr, expected)), cut


@pytest.mark.skipif(sys.platform == "win32", reason="signals of POSIX")
def test_a_killed_queue_goes_on_in_the_run_that_was_under_way(lab: Lab) -> None:
    script = textwrap.dedent(
        f"""
        import os, signal, sys
        sys.path.insert(0, {str(ROOT)!r})
        from pathlib import Path
        from tests.helpers.night_lab import Lab
        lab = Lab(folder=Path({str(lab.folder)!r}))
        def kill(part, n):
            if n == 4 and len(list(lab.runs.glob("*-Egret-*"))) == 2:
                os.kill(os.getpid(), signal.SIGKILL)
        lab.showing.on_step = kill
        lab.begin("first", "third")
        """
    )
    killed = subprocess.run([sys.executable, "-c", script], check=False, timeout=60)
    assert killed.returncode == -signal.SIGKILL
    cut = account(lab.the_folder())
    assert cut.runs[1].sentence.startswith("It was under way when the program was cut off")
    assert f"Its last entry is of {shown.moment(cut.runs[1].ended)}." in cut.runs[1].sentence
    assert cut.runs[1].outputs == "not confirmed: cut off"
    assert cut.sentence == "1 of 2 jobs is done; Egret-3071 meets its rating; not done: third.toml."
    night = lab.go_on(lab.the_folder())
    assert [run.outcome for run in night.runs] == ["meets", "does not meet"]
    other = Lab(folder=lab.folder)
    shutil.move(lab.runs, lab.folder / "kept")
    other.begin("first", "third")
    assert without_times(lab.folder / "kept") == without_times(other.runs)


def test_each_time_a_night_was_killed_stands_on_the_page_and_in_the_customers_report(lab: Lab) -> None:
    folder = killed(lab, lambda: lab.begin("first", "third"))
    lab.clock.sleep(3600)
    killed(lab, lambda: lab.go_on(folder), at=5)
    lab.clock.sleep(7200)
    night = lab.go_on(folder)
    assert [run.outcome for run in night.runs] == ["meets", "does not meet"]
    at = [EVENING + dt.timedelta(minutes=minutes) for minutes in (10, 60, 180)]  # the bench's own clock begins at 18:00
    first, second, third = (shown.moment(each.astimezone().isoformat()) for each in at)
    assert [(shown.moment(event.at), event.text) for event in night.events] == [
        (cut, f"first.toml was cut off; this is the time of its last entry. The queue went on at {went_on}.")
        for cut, went_on in ((first, second), (second, third))
    ]
    assert [times[-5:] for times in night.interrupted] == [f"{each.astimezone():%H:%M}" for each in at[1:]]
    assert "twice: 2026-11-25" in page(night)
    report = summarise(journal.read(lab.runs / night.runs[0].run))
    (told,) = [each for each in report.deviations if "interrupted" in each]
    assert told.startswith("The work was interrupted twice and went on where it had stopped: from 2026-11-25 18:00:00")
    assert not [each for each in report.deviations if each.startswith("resumed")]


def test_a_queue_stopped_by_a_signal_says_when_and_when_it_went_on(lab: Lab) -> None:
    def stop(_part: str, _n: int) -> None:
        raise StoppedError

    lab.showing.on_step = stop
    with pytest.raises(StoppedError):
        lab.begin("first")
    lab.showing.on_step = lambda _part, _n: None
    lab.clock.sleep(3600)
    (event,) = lab.go_on(lab.the_folder()).events
    assert re.fullmatch(r"The queue was stopped by a signal\. The queue went on at .*\.", event.text)


def test_nothing_is_warned_of_twice(lab: Lab) -> None:
    folder = lab.begin("first", "third")
    for hour in (1, 2):
        stamp = f"2026-11-26T0{hour}:00:00.000+00:00"
        opened = log.Log.reopen(folder, lambda stamp=stamp: stamp)  # type: ignore[misc]
        opened.event("trouble", "The machine may go to sleep.")
        opened.close()
        run, _ = journal.Journal.reopen(lab.runs / account(folder).runs[0].run, lambda stamp=stamp: stamp)  # type: ignore[misc]
        run.event("", "not guarded", "Nothing switches the calibrator off from outside.")
        run.close()
    night = account(folder)
    assert [event.text for event in night.events] == [
        f"The machine may go to sleep. Said again at {shown.moment('2026-11-26T02:00:00.000+00:00')}."
    ]
    report = summarise(journal.read(lab.runs / night.runs[0].run))
    assert report.deviations.count("Nothing switches the calibrator off from outside.") == 1


def test_whoever_watches_sees_at_once_that_a_process_goes_on_or_that_nothing_was_started(lab: Lab) -> None:
    own(lab, "pass")
    folder = killed(lab, lambda: lab.begin("own", "third"), at=1)
    beat = heartbeat.read(folder)
    dead = replace(beat, doing="running", pid=2**22 - 3)
    (folder / heartbeat.NAME).write_text(heartbeat.to_text(dead), "utf-8")
    (lab.folder / "third.toml").rename(lab.folder / "away")
    with pytest.raises(QueueError):
        lab.go_on(folder)
    assert heartbeat.read(folder).text == "nothing was started."
    (lab.folder / "away").rename(lab.folder / "third.toml")
    seen: list[heartbeat.Beat] = []
    lab.go_on(folder, before=lambda _own: seen.append(heartbeat.read(folder)))
    assert (seen[0].pid, seen[0].doing, seen[0].text) == (os.getpid(), "waiting", runner.LOOKING)
    assert seen[0].may_be_on == f"own.toml: {UNSEEN}"


def test_going_on_skips_what_is_done_and_tries_what_is_not(lab: Lab) -> None:
    folder = lab.begin("first", "second", again=0)
    lab.mend()
    lab.showing.told.clear()
    night = lab.go_on(folder)
    assert [run.outcome for run in night.runs] == ["meets", "meets"]
    assert [run.tries for run in night.runs] == [1, 2]
    assert not [text for text in lab.showing.told if "first.toml" in text]


def test_going_on_refuses_what_cannot_be_run_any_more(lab: Lab) -> None:
    folder = lab.begin("second", "third", again=0)
    (lab.folder / "second.toml").unlink()
    with pytest.raises(QueueError, match=r"second.toml.*\nNothing was started"):
        lab.go_on(folder)
    night = lab.go_on(folder, leave_out=True)
    assert [run.outcome for run in night.runs] == ["not done", "does not meet"]


def test_a_job_that_was_left_out_is_taken_up_once_it_is_put_right(lab: Lab) -> None:
    lab.change("third.toml", '"500 mV"]', '"500 mX"]')
    folder = lab.begin("first", "third", "first")
    night = account(folder)
    assert ([run.job for run in night.runs], [each.job for each in night.refused]) == (
        ["first.toml"], ["third.toml", "first.toml"],
    )  # fmt: skip
    assert night.next_step.endswith(f"what is put right is taken up by: halfpower queue --go-on {folder}")
    assert len(lab.go_on(folder).refused) == 2
    assert any("still left out: " in text and "500 mX" in text for text in lab.showing.told)
    lab.change("third.toml", '"500 mX"]', '"500 mV"]')
    night = lab.go_on(folder)
    assert [(run.job, run.outcome, run.tries) for run in night.runs] == [
        ("first.toml", "meets", 1), ("third.toml", "does not meet", 1),
    ]  # fmt: skip
    assert [each.job for each in night.refused] == ["first.toml"]  # that stood there twice
    assert "third.toml, which was left out, has been put right and is taken up." in [each.text for each in night.events]
    assert [run.tries for run in lab.go_on(folder).runs] == [1, 1]
    assert log.read(folder).done(1)


def test_a_job_that_was_left_out_is_found_in_a_log_that_lacks_its_whole_path(lab: Lab) -> None:
    kept = {"path": str(lab.folder / "third.toml"), "problems": ["wrong"]}
    header = {**log.read(lab.begin("first")).header, "left_out": [kept]}
    older, at = lab.runs / "night-2026-11-24-01", header["at"]
    new = {key: value for key, value in header.items() if key not in ("kind", "format", "at")}
    log.Log.create(older, new, lambda: at).close()
    night = lab.go_on(older)
    assert ([run.job for run in night.runs], night.refused) == (["first.toml", "third.toml"], ())


def test_a_queue_is_run_by_one_process_at_a_time(lab: Lab) -> None:
    folder = lab.begin("second", again=0)
    with (folder / log.NAME).open("ab") as writing:
        writing.write(b'{"kind":"begun","job"')  # what the other process has half written
    before = (folder / PAGE).read_bytes(), (folder / log.NAME).read_bytes()
    with hold((str(folder.resolve()),)), pytest.raises(BusyError, match="is in use by process"):
        lab.go_on(folder)
    assert ((folder / PAGE).read_bytes(), (folder / log.NAME).read_bytes()) == before


# --- the log and the page ------------------------------------------------------------------------------------------


def test_a_full_disk_under_the_log_ends_the_night_and_loses_nothing(lab: Lab, monkeypatch: pytest.MonkeyPatch) -> None:
    write = os.write
    full = False

    def writes(handle: int, data: bytes) -> int:
        if full and b'"kind":"ended","job"' in bytes(data):
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        return write(handle, data)

    def fill(_part: str, _n: int) -> None:
        nonlocal full
        full = True

    monkeypatch.setattr(os, "write", writes)
    lab.showing.on_step = fill
    with pytest.raises(JournalError, match=r"queue.jsonl: cannot be written: No space left.*--go-on"):
        lab.begin("first", "third")
    full = False
    lab.showing.on_step = lambda _part, _n: None
    monkeypatch.setattr(os, "write", write)
    night = lab.go_on(lab.the_folder())
    assert [run.outcome for run in night.runs] == ["meets", "does not meet"]
    assert len(list(lab.runs.glob("*-Egret-*"))) == 2


def test_every_line_of_the_log_is_synced_before_anything_depends_on_it(
    lab: Lab, monkeypatch: pytest.MonkeyPatch
) -> None:
    synced: list[int] = []
    fsync = os.fsync
    monkeypatch.setattr(os, "fsync", lambda handle: (synced.append(os.fstat(handle).st_ino), fsync(handle))[1])
    folder = lab.begin("first")
    lines = (folder / log.NAME).read_bytes().splitlines()
    assert synced.count((folder / log.NAME).stat().st_ino) == len(lines)


def test_the_page_is_made_from_the_log_and_the_journals_alone(lab: Lab, tmp_path: Path) -> None:
    folder = lab.begin("first", "second", again=0, title="Night of the Sanderling")
    written = (folder / PAGE).read_text("utf-8")
    moved = tmp_path / "elsewhere"
    shutil.copytree(lab.runs, moved)
    shutil.rmtree(lab.folder)
    for other in (*moved.glob("*/report.html"), *moved.glob("*/night.html"), *moved.glob("*/heartbeat.json")):
        other.unlink()
    assert page(account(moved / folder.name)) == written


def test_a_run_that_was_removed_leaves_its_line_on_the_page(lab: Lab) -> None:
    folder = lab.begin("first")
    shutil.rmtree(lab.runs / account(folder).runs[0].run)
    (run,) = account(folder).runs
    assert (run.outcome, run.link) == ("not done", "")
    assert run.sentence == "It was done, but its record cannot be read any more."


def test_hostile_text_is_shown_on_the_page_and_never_obeyed(lab: Lab) -> None:
    lab.change("third.toml", 'serial = "Egret-3071"', 'serial = "</style><script>alert(1)</script>\\u202e"')
    own(lab, 'raise RuntimeError("<img src=x onerror=alert(1)>\\x1b[2J")')
    made = page(lab.night("third", title='<b onload="x">"night"</b>'))
    made += page(lab.night("own"))
    assert "<script" not in made
    assert "<img" not in made
    assert "<b onload" not in made
    assert "\x1b" not in made
    assert "\u202e" not in made


def test_a_damaged_log_names_its_line(lab: Lab) -> None:
    folder = lab.begin("first")
    path = folder / log.NAME
    path.write_bytes(path.read_bytes().replace(b'"how":"done"', b'"how":"dont"'))
    with pytest.raises(JournalError, match=r"queue.jsonl:5: this line was changed or damaged"):
        log.read(folder)
    with pytest.raises(JournalError, match=r"cannot be read.*Name the folder of a queue or its queue.jsonl"):
        log.read(lab.folder)


def test_a_heartbeat_that_cannot_be_written_is_said_once_and_ends_nothing(lab: Lab) -> None:
    def started(text: str) -> None:
        if text.startswith("Job 1"):
            target = lab.the_folder() / heartbeat.NAME
            target.unlink(missing_ok=True)
            target.mkdir()

    lab.showing.on_told = started
    night = lab.night("first")
    assert night.runs[0].outcome == "meets"
    (said,) = [text for text in lab.showing.told if "heartbeat" in text]
    assert said.startswith("The heartbeat cannot be written, so nobody can watch this queue: ")


def test_the_heartbeat_names_the_step(lab: Lab) -> None:
    seen: list[dict[str, object]] = []
    lab.showing.on_step = lambda _part, _n: seen.append(
        json.loads((lab.the_folder() / heartbeat.NAME).read_text("utf-8"))
    )
    lab.begin("first", "third")
    assert {"first.toml", "third.toml"} == {beat["job"] for beat in seen}
    assert {beat["doing"] for beat in seen} == {"running"}
    last = heartbeat.read(lab.the_folder())
    assert (last.doing, last.next_by) == ("ended", None)
    assert last.text.startswith("finished. 2 of 2 jobs are done")
