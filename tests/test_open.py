"""Whole jobs on the simulated bench, over the real VISA path; what is found is held against the hidden truth."""

import datetime as dt
import os
import signal
import subprocess
import sys
import textwrap
from contextlib import suppress
from pathlib import Path

import pytest

from harness import runs as opening
from harness.bench.warm_up import SeenOn
from harness.errors import BusyError, ConfigError, InstrumentError, JournalError, OperatorStop, SafetyError
from harness.journal.journal import read
from harness.journal.lock import hold
from harness.run.refusals import other_model, other_unit
from harness.run.talk import talk
from harness.sim.bench import SimulatedBench
from tests.helpers.demo_lab import DEMO, change, short_lab, with_sequences
from tests.helpers.journals import comparable
from tests.helpers.served import a_lab


@pytest.fixture
def bench(tmp_path):
    """A copy of the demo, and the short job, to change."""
    return short_lab(tmp_path / "demo")


@pytest.fixture(scope="module")
def by_eye(tmp_path_factory):
    return opening.start(DEMO / "by_eye.toml", tmp_path_factory.mktemp("runs"))


def truth_of(job):
    return opening.simulated_bench(opening.load(DEMO / job)).truth


# --- what is found, against the truth ----------------------------------------------------------------------------


@pytest.mark.parametrize(("fixture", "job"), [("digital", "digital.toml"), ("by_eye", "by_eye.toml")])
def test_half_power_frequency_of_each_channel_is_within_its_interval(fixture, job, request):
    truth = truth_of(job)
    responses = [r for part in request.getfixturevalue(fixture).report.parts for r in part.results if r.curve]
    assert [r.channel for r in responses] == [1, 2]
    for response in responses:
        low, high = response.statement.low, response.statement.high
        true_hz = truth.half_power_hz(response.channel)
        assert low <= true_hz <= high
        # An interval that says something; by eye the readings of channel 2 happen to contradict each other (χ² 13 of 3
        # degrees of freedom), which is allowed for as a ripple.
        assert high - low < (0.05 if fixture == "digital" else 0.08) * true_hz


def test_deflection_errors_of_the_digital_scope_are_within_their_uncertainty(digital):
    truth = truth_of("digital.toml")
    points = digital.report.parts[0].results
    assert len(points) == 22
    for point in points:
        true_percent = 100 * truth.gain_error(point.channel, point.setting_value)
        assert abs(point.statement.estimate - true_percent) <= point.statement.expanded


def test_the_verdicts_are_the_ones_the_truth_calls_for(digital):
    report = digital.report
    failed = [(p.channel, p.setting) for part in report.parts for p in part.results if p.word == "fail"]
    assert (2, "500 mV/div") in failed  # 4.2 % where 3 % is rated
    assert [r.word for part in report.parts for r in part.results if r.curve] == [
        "pass",
        "fail",
    ]  # 118 and 92 of 100 MHz
    assert report.overall == "does not meet"
    assert report.finished
    assert report.simulated


def test_a_person_can_tune_the_generator_to_a_graticule_line(bench, tmp_path):
    part = '[[sequence]]\nuse = "bandwidth"\npath = "terminated"\ntuned = true\n'
    report = opening.start(with_sequences(bench / "by_eye.toml", "tuned.toml", part), tmp_path / "runs").report
    truth = truth_of("by_eye.toml")
    for response in report.parts[0].results:
        assert response.curve.status == "found"
        assert abs(response.statement.estimate - truth.half_power_hz(response.channel)) <= 3 * response.statement.u
    tuned = [r.step for r in read(tmp_path / "runs" / report.number).records if getattr(r.step, "tune_to_div", None)]
    assert len(tuned) >= 4


def test_channel_match_and_divider_ratio_hold_the_truth(digital, by_eye):
    (match,) = digital.report.parts[0].findings
    truth = truth_of("digital.toml")
    gains = [1 + truth.gain_error(channel, 0.5) for channel in (1, 2)]
    assert "500 mV/div" in match.sentence
    assert abs(match.value - 100 * (gains[1] / gains[0] - 1)) <= match.u
    ratios = [finding for finding in by_eye.report.parts[0].findings if finding.name == "divider ratio"]
    assert [finding.channel for finding in ratios] == [1, 2]
    assert all(abs(finding.value - truth_of("by_eye.toml").divides_by("probe")) <= finding.u for finding in ratios)


def test_several_levels_show_linearity(bench, tmp_path):
    part = '[[sequence]]\nuse = "vertical"\npaths = ["lead"]\nlevels = 3\nchannels = [1]\nranges = ["100 mV"]\n'
    report = opening.start(with_sequences(bench / "digital.toml", "levels.toml", part), tmp_path / "runs").report
    (line,) = (finding for finding in report.parts[0].findings if finding.name == "linearity")
    assert abs(line.value) <= line.u  # the simulated unit is linear


def test_a_decade_calibrator_cannot_decide_the_one_and_two_ranges(by_eye):
    # One or two divisions read to 0.1 div against ±3 %: measurement practice, and said beforehand by the rehearsal.
    words = {(p.expected, p.word) for p in by_eye.report.parts[0].results}
    assert {word for expected, word in words if expected < 3} == {"undecided"}
    rehearsed = opening.rehearse(opening.load(DEMO / "by_eye.toml"))
    assert rehearsed.parts[0].decidable == 12
    assert all("lead" in u.point or "probe" in u.point for u in rehearsed.undecided)
    assert all(u.remedy for u in rehearsed.undecided)


def test_what_the_run_passes_and_fails_of_the_pulse_the_rehearsal_called_decidable(digital):
    rehearsed = opening.rehearse(opening.load(DEMO / "digital.toml"))
    part = next(part for part in rehearsed.parts if part.title == "Pulse response")
    assert part.points == part.decidable == 4
    assert not [u for u in rehearsed.undecided if "5 ns/div" in u.point]
    points = next(part for part in digital.report.parts if part.title == "Pulse response").results
    assert [p.word for p in points if p.quantity == "rise time" and p.channel == 1] == ["pass"]


def test_a_change_of_the_truth_is_found(bench, tmp_path):
    change(bench / "bench_sim.toml", ('response.half_power = "118 MHz"', 'response.half_power = "104 MHz"'))
    result = opening.start(bench / "short.toml", tmp_path / "runs")
    found = next(r for part in result.report.parts for r in part.results if r.curve).statement
    assert found.low <= 104e6 <= found.high


# --- resume ------------------------------------------------------------------------------------------------------


class Stopped(BaseException):
    pass


@pytest.mark.parametrize("at", [1, 10, 31, *(pytest.param(at, marks=pytest.mark.soak) for at in (2, 15, 24))])
def test_a_stopped_and_resumed_run_equals_an_unbroken_one(at, short_job, short, tmp_path):
    def watch(_part, _n, _step, _reply):
        nonlocal at
        at -= 1
        if at == 0:
            raise Stopped

    with pytest.raises(Stopped):
        opening.start(short_job, tmp_path, watch=watch)
    (folder,) = tmp_path.glob("*-Egret-*")
    assert opening.report(folder).overall != "meets"
    resumed = opening.resume(folder)
    assert comparable(resumed.folder) == comparable(short.folder)
    assert resumed.report.sentence == short.report.sentence


def test_resume_after_sigkill(tmp_path, short_job, short):
    script = textwrap.dedent(
        f"""
        import os, signal
        from harness import runs as opening
        left = 20
        def watch(*_):
            global left
            left -= 1
            if left == 0:
                os.kill(os.getpid(), signal.SIGKILL)
        opening.start({str(short_job)!r}, {str(tmp_path)!r}, watch=watch)
        """
    )
    killed = subprocess.run([sys.executable, "-c", script], check=False, cwd=Path(__file__).parent.parent, timeout=60)
    assert killed.returncode == -signal.SIGKILL
    (folder,) = tmp_path.glob("*-Egret-*")
    assert len(read(folder).records) == 20
    assert comparable(opening.resume(folder).folder) == comparable(short.folder)


def test_resume_refuses_what_has_changed(bench, tmp_path):
    run = opening.start(bench / "short.toml", tmp_path / "runs")
    change(bench / "aldermoor_egret.toml", ('deflection = "±3 %"', 'deflection = "±2 %"'))
    with pytest.raises(JournalError, match="the unit file has changed"):
        opening.resume(run.folder)


def test_resume_refuses_another_instrument_under_the_same_address(bench, tmp_path):
    def stop(_part, n, *_):
        if n == 2:
            raise OperatorStop("stop")

    change(bench / "bench.toml", ('identity = "Northfen,Mull,Mull-2210,3.0"\n', ""))  # else the start compares it
    with suppress(OperatorStop):
        opening.start(bench / "short.toml", tmp_path / "runs", watch=stop)
    (run,) = (tmp_path / "runs").iterdir()
    change(bench / "bench_sim.toml", ("[counter]\n", '[counter]\nidentity = "Northfen,Mull,Mull-9999,3.0"\n'))
    with pytest.raises(JournalError, match=r"The counter that answers is .*Mull-9999.*Mull-2210.*connect that one"):
        opening.resume(run)


# --- safety and failure ------------------------------------------------------------------------------------------


def test_outputs_are_off_whenever_a_cable_is_moved_and_at_every_exit(tmp_path, benches, monkeypatch):
    seen = []
    connect = SimulatedBench.connect

    def by_hand(self, *where, **how):
        seen.append(self.outputs_on())
        connect(self, *where, **how)

    monkeypatch.setattr(SimulatedBench, "connect", by_hand)
    opening.start(DEMO / "by_eye.toml", tmp_path)
    assert len(seen) >= 8
    assert set(seen) == {()}
    assert benches[-1].outputs_on() == ()


@pytest.mark.parametrize("error", [KeyboardInterrupt, OperatorStop, InstrumentError, ZeroDivisionError])
def test_outputs_are_off_after_any_error(error, short_job, tmp_path, benches):
    def watch(_part, n, step, _reply):
        if n == 2 and step.source == "calibrator":
            assert benches[-1].outputs_on() == ("calibrator",)
            raise error("unit", "x") if error is InstrumentError else error("x")

    with suppress(error):
        opening.start(short_job, tmp_path, watch=watch)
    assert benches[-1].outputs_on() == ()


def test_a_wrong_identity_is_refused_before_anything_is_measured(bench, tmp_path):
    change(bench / "bench.toml", ("Northfen,Mull,Mull-2210,3.0", "Northfen,Mull,Mull-9999,3.0"))
    with pytest.raises(InstrumentError, match=r"Mull-2210.*Mull-9999|Mull-9999.*Mull-2210"):
        opening.start(bench / "short.toml", tmp_path / "runs")
    assert not (tmp_path / "runs").exists()


def test_another_unit_than_the_jobs_is_refused_before_anything_is_measured(bench, tmp_path):
    change(bench / "short.toml", ('serial = "Egret-3071"', 'serial = "Egret-9"'))
    with pytest.raises(ConfigError) as refused:
        opening.start(bench / "short.toml", tmp_path / "runs")
    assert str(refused.value) == (
        f"{bench / 'short.toml'}: serial: 'Egret-9', but the unit that answers is 'Aldermoor,Egret,Egret-3071,1.08', "
        "whose serial number is 'Egret-3071'; correct serial, connect the right unit, or, where its label has another "
        'number than it gives itself, state answers_as = "Egret-3071" in the job'
    )
    assert not (tmp_path / "runs").exists()
    change(bench / "short.toml", ('serial = "Egret-9"', 'serial = "Egret-9"\nanswers_as = "egret - 3071"'))
    report = opening.start(bench / "short.toml", tmp_path / "runs").report
    facts = {fact.name: fact.text for group in report.facts for fact in group.facts}
    assert facts["Serial number"] == "Egret-9"
    assert facts["Answers as"] == "egret - 3071, the serial number that the unit itself gives"


def test_a_unit_that_answers_as_another_model_is_told_and_stands_in_the_report(bench, tmp_path):
    change(bench / "aldermoor_egret.toml", ('model = "Egret"', 'model = "Heron"'))
    told = []
    run = opening.start(bench / "short.toml", tmp_path / "runs", on_event=lambda *event: told.append(event))
    said = "The unit answers as 'Aldermoor,Egret,Egret-3071,1.08'; the unit file is for Aldermoor Heron."
    assert ("another model", said) in told
    assert said in opening.report(run.folder).deviations


@pytest.mark.parametrize(
    ("identity", "refused", "another"),
    [  # IEEE 488.2, clause 10.14: maker, model, serial number or "0", level of firmware or "0"; from memory
        ("NORTHFEN,MODEL Egret,0,1.0", False, False),
        ("NORTHFEN,Egret,,", False, False),
        ("NORTHFEN,Egret,000000,0", False, False),
        ("NORTHFEN,egret,egret-3071,1.0", False, False),
        ("NORTHFEN,Egret,SN Egret-3071,1.0", False, False),
        ("NORTHFEN,Egret,77,1.0", True, False),
        ("NORTHFEN,Heron,77,1.0", True, True),
        ("no identity", False, False),
        ("", False, False),
    ],
)
def test_what_a_unit_answers_is_compared_where_it_says_something(identity, refused, another):
    setup = opening.load(DEMO / "digital.toml").setup
    assert bool(other_unit(setup, identity)) is refused
    assert bool(other_model(setup, identity)) is another
    by_eye = opening.load(DEMO / "by_eye.toml").setup
    assert (other_unit(by_eye, identity), other_model(by_eye, identity)) == ("", "")


def test_a_standard_past_its_due_date_stops_the_run_unless_the_job_allows_it(bench, tmp_path):
    change(bench / "bench.toml", ("due = 2027-02-02", "due = 2026-02-03"))
    with pytest.raises(ConfigError, match=r"Past the due date: the counter \(Northfen Mull.*allow_overdue"):
        opening.start(bench / "short.toml", tmp_path / "runs")
    change(bench / "short.toml", ('rule = "guarded"', 'rule = "guarded"\nallow_overdue = true'))
    report = opening.start(bench / "short.toml", tmp_path / "runs").report
    assert [standard.role for standard in report.standards if standard.overdue] == ["counter"]
    assert any("past its due date" in text for text in report.deviations)


def test_a_certificate_dated_after_the_day_of_the_run_is_told_before_and_after(bench, tmp_path):
    """By the bench's own clock, which the demo sets to November 2026."""
    change(bench / "bench.toml", ("certified = 2026-04-14", "certified = 2026-11-26"))
    change(bench / "bench.toml", ("due = 2027-04-14", "due = 2027-11-26"))
    (told,) = (text for text in opening.warnings(opening.load(bench / "short.toml")) if "dated" in text)
    assert "the certificate of the calibrator (" in told
    assert told.endswith("is dated 2026-11-26, after today, 2026-11-25")
    deviations = opening.start(bench / "short.toml", tmp_path / "runs").report.deviations
    (said,) = (text for text in deviations if "dated" in text)
    assert "calibrator" in said
    assert "2026-11-26, after the day on which the run began" in said


def test_a_job_above_a_rating_is_refused_before_anything_is_opened(bench, tmp_path):
    change(bench / "aldermoor_egret.toml", ('maximum = "300 V"', 'maximum = "100 mV"'))
    change(bench / "bench.toml", ('termination_power = "1 W"', 'termination_power = "0.1 mW"'))
    rehearsed = opening.rehearse(opening.load(bench / "short.toml"))
    assert any("termination" in text for text in rehearsed.refused)
    with pytest.raises(SafetyError, match=r"Not begun\. channel 1"):
        opening.start(bench / "short.toml", tmp_path / "runs")
    assert not (tmp_path / "runs").exists()


def test_no_remedy_asks_for_more_than_the_input_may_take(bench):
    change(bench / "aldermoor_skua.toml", ('maximum = "400 V"', 'maximum = "15 V"'))
    remedies = {u.point: u.remedy for u in opening.rehearse(opening.load(bench / "by_eye.toml")).undecided}
    assert "apply 30 V" not in " ".join(remedies.values())
    assert "apply 6 V" in remedies["channel 1, 1 V/div, lead"]


def test_a_second_run_on_the_same_bench_names_the_first(tmp_path):
    with a_lab(tmp_path / "lab") as lab:
        loaded = opening.load(lab.job)
        with opening.opened(loaded), pytest.raises(BusyError, match=rf"in use by process {os.getpid()} on "):
            opening.start(lab.job, tmp_path)


def test_a_simulated_bench_is_nobodys_own(tmp_path, short_job):
    with opening.opened(opening.load(short_job)):
        assert opening.start(short_job, tmp_path).report.finished


def test_a_refused_command_is_told_and_what_was_measured_is_kept(bench, tmp_path):
    change(bench / "bench.toml", ("[counter]", '[counter]\ncommands = { frequency = ":NO:SUCH? {expected_hz}" }'))
    result = opening.start(bench / "short.toml", tmp_path / "runs")
    assert any("-113" in text for text in result.ended_early)
    assert not result.report.finished
    assert len(result.report.parts[0].results) == 2


def test_a_bench_answers_for_itself():
    states = {state.role: state for state in talk(DEMO / "bench.toml")}
    assert states["counter"].identity == "Northfen,Mull,Mull-2210,3.0"
    assert not [state for state in states.values() if state.problem]
    assert {state.role: state for state in talk(DEMO / "hand_bench.toml")}["calibrator"].problem == "worked by hand"


def test_a_reply_that_is_lost_once_is_no_trouble_of_a_bench():
    """The unit of this bench loses three replies in ten; nothing was measured that could count or not."""
    assert [state.problem for state in talk(DEMO / "second_bench.toml")] == ["", "", ""]


def test_a_bench_that_a_run_holds_is_not_talked_to(tmp_path):
    with a_lab(tmp_path / "lab") as lab:
        held, *_ = lab.addresses.values()
        with hold((held,)):
            states = talk(lab.bench)
    (busy,) = (state for state in states if state.address == held)
    assert "is in use by process" in busy.problem
    assert busy.identity == ""
    assert [state.problem for state in states if state is not busy and state.problem] == []


def test_what_was_switched_on_is_kept_though_the_next_instrument_cannot_be_opened(tmp_path):
    """Opening reads the power-on bit and clears it: the next run would take a cold calibrator for one that was on."""
    with a_lab(tmp_path / "lab") as lab:
        states = {state.role: state for state in talk(lab.bench)}
        now = dt.datetime.now(dt.UTC)
        known = (states["calibrator"].address, states["calibrator"].identity)
        SeenOn().since(*known, powered_on=True, now=now - dt.timedelta(hours=2))
        lab.simulated.devices["calibrator"].power_cycle()
        lab.change("[unit]", '[unit]\nidentity = "Aldermoor,another,1,1.0"')
        with pytest.raises(InstrumentError, match="but the bench file says"):
            opening.start(lab.job, lab.runs)
        assert SeenOn().since(*known, powered_on=False, now=now + dt.timedelta(minutes=1)) >= now


# --- a user's own sequence ---------------------------------------------------------------------------------------

OWN = """
from dataclasses import replace
from harness.models import Model
from harness.steps import Dc, Measure, View, connect, measure

TITLE = "Ripple of the ground line"

class Options(Model):
    channel: int = 1
    readings: int = 3

def needs(options):
    return ("calibrator",)

def script(setup, options):
    yield from connect(path="lead", source="calibrator", display="unit", channel=options.channel)
    view = View(channel=options.channel, volts_per_div=0.1, s_per_div=1e-3)
    step = Measure(purpose="ripple", path="lead", source="calibrator", stimulus=Dc(level_v=0.3), display="unit",
                   view=view, quantity="deflection", expected=3.0)
    values = []
    for repeat in range(options.readings):
        values.append((yield from measure(replace(step, repeat=repeat))).value)
    return max(values) - min(values)
"""


def test_a_users_own_sequence_is_found_beside_the_job_and_its_readings_reported(bench, tmp_path):
    (bench / "ripple.py").write_text(OWN, "utf-8")
    own = with_sequences(bench / "digital.toml", "own.toml", '[[sequence]]\nuse = "ripple.py"\nreadings = 4\n')
    result = opening.start(own, tmp_path / "runs")
    (part,) = result.report.parts
    assert part.title == "Ripple of the ground line"
    assert len(part.plain) == 4
    assert all(abs(reading.value - 3.0) < 0.1 for reading in part.plain)


def test_a_users_own_sequence_that_fails_on_import_is_said_so(bench):
    (bench / "ripple.py").write_text("import nothing_of_that_name\n", "utf-8")
    change(bench / "digital.toml", ('use = "vertical"', 'use = "ripple.py"'))
    with pytest.raises(ConfigError, match=r"ripple.py:\d+: fails on import: ModuleNotFoundError"):
        opening.load(bench / "digital.toml")
