"""Outputs are off, whatever happens to the run; measured at the simulated instruments, in another process than it."""

import datetime as dt
import math
import os
import queue
import re
import resource
import signal
import socket
import sys
import threading
import time
from contextlib import suppress

import pytest

from harness import runs as opening
from harness.bench import guarding
from harness.bench.guardian import Charge, Watch, Work
from harness.errors import OperatorStop, SafetyError
from harness.journal.journal import read
from harness.journal.lock import hold
from harness.link.visa import resource_manager
from harness.night.plan import look_through
from tests.helpers.journals import comparable
from tests.helpers.served import (
    DRIVER,
    LEASE_S,
    WITHIN_S,
    a_lab,
    command,
    end,
    guardians_of,
    own_unit,
    resume,
    start,
    started,
    wait_for,
)  # fmt: skip

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="signals and processes of POSIX")


@pytest.fixture
def lab(tmp_path):
    with a_lab(tmp_path / "lab") as served:
        yield served


@pytest.fixture
def slow_lab(lab):
    """The same with a unit that takes its time: the run is under way when something happens to it."""
    lab.slow()
    return lab


@pytest.fixture(scope="module")
def unbroken(tmp_path_factory):
    """What the small job records when nothing happens to it."""
    with a_lab(tmp_path_factory.mktemp("unbroken") / "lab") as lab:
        folder = opening.start(lab.job, lab.runs).folder
        yield [entry for entry in comparable(folder) if entry["kind"] != "header"]


def recorded(folder):
    return [entry for entry in comparable(folder) if entry["kind"] != "header"]


def killed(lab, log, *, again=False):
    """Start the job, or go on with it, and kill it while an output is on; the process that was."""
    run = started(resume, lab.run_folder(), log=log) if again else started(start, lab.job, lab.runs, log=log)
    lab.until_on(run)
    run.kill()
    return run


# --- the run is gone ---------------------------------------------------------------------------------------------


def test_a_killed_runs_outputs_are_off_at_once_and_it_goes_on_as_if_unbroken(slow_lab, unbroken, tmp_path):
    for again in (False, True):
        run = killed(slow_lab, tmp_path / "log", again=again)
        assert slow_lab.until_off() < WITHIN_S
        wait_for(lambda run=run: not guardians_of(run.pid))  # it leaves when its work is done
        assert slow_lab.on() == ()
    said = (tmp_path / "log").read_text("utf-8")
    assert "The run was killed" in said
    assert f"halfpower resume {slow_lab.run_folder()}" in said
    told = [event.text for event in read(slow_lab.run_folder()).events if event.what == "guardian"]
    assert sum("calibrator" in text and "is off" in text for text in told) == 2
    slow_lab.quick()
    opening.resume(slow_lab.run_folder())
    assert recorded(slow_lab.run_folder()) == unbroken


def start_closely_watched(job, runs):
    guarding.SILENT_S = 1.5
    start(job, runs)


@pytest.mark.parametrize(("hang", "said"), [
    ("while True: pass", "gave no sign of life in time"),
    pytest.param("os.kill(os.getpid(), signal.SIGSTOP)", "stood still", marks=pytest.mark.soak),
])  # fmt: skip
def test_a_run_that_hangs_is_ended_and_its_outputs_are_off(lab, unbroken, tmp_path, hang, said):
    """A driver in an endless loop; and a process that is stopped, which could wake up and go on."""
    own_unit(lab, hang)
    run = started(start_closely_watched, lab.job, lab.runs, log=tmp_path / "log")
    lab.until_on(run)
    assert end(run) == -signal.SIGKILL
    lab.until_off()
    wait_for(lambda: not guardians_of(run.pid))
    assert lab.on() == ()
    assert said in (tmp_path / "log").read_text("utf-8")
    (lab.folder / "mine.py").write_text(DRIVER.format(hang="pass", lease_s=LEASE_S), "utf-8")
    opening.resume(lab.run_folder(), corrected=True)
    assert recorded(lab.run_folder()) == unbroken


def test_an_instrument_that_serves_one_connection_at_a_time_is_switched_off_as_well(slow_lab, tmp_path):
    """The killed run's connection has to end before another is served."""
    address = next(real for real in slow_lab.addresses.values() if real in slow_lab.bench.read_text("utf-8"))
    with one_at_a_time(int(address.split("::")[2])) as port:
        slow_lab.change(address, f"TCPIP0::127.0.0.1::{port}::SOCKET")
        run = killed(slow_lab, tmp_path / "log")
        assert slow_lab.until_off() < WITHIN_S
        wait_for(lambda: not guardians_of(run.pid))
        assert "may still be ON" not in (tmp_path / "log").read_text("utf-8")


class one_at_a_time:  # noqa: N801 - a context manager, as functions are
    """A way to an instrument that serves its connections one after the other."""

    def __init__(self, port):
        self.port = port

    def __enter__(self):
        self.listening = socket.create_server(("127.0.0.1", 0))
        threading.Thread(target=self._serve, daemon=True).start()
        return self.listening.getsockname()[1]

    def _serve(self):
        while True:
            try:
                client, _ = self.listening.accept()
            except OSError:
                return
            with client, socket.create_connection(("127.0.0.1", self.port)) as instrument:
                back = threading.Thread(target=_pass_on, args=(instrument, client), daemon=True)
                back.start()
                _pass_on(client, instrument)
                back.join()

    def __exit__(self, *_):
        self.listening.shutdown(socket.SHUT_RDWR)
        self.listening.close()


def _pass_on(one, other):
    with suppress(OSError):  # a killed process' connection may be reset instead of ended
        while data := one.recv(1 << 16):
            other.sendall(data)
    with suppress(OSError):
        other.shutdown(socket.SHUT_RDWR)


# --- the run ends itself -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(("signals", "code"), [
    (["SIGINT", "SIGINT"], 130), (["SIGHUP"], 129),
    pytest.param(["SIGINT"], 130, marks=pytest.mark.soak), pytest.param(["SIGTERM"], 143, marks=pytest.mark.soak),
])  # fmt: skip
def test_a_signal_ends_with_outputs_off_and_the_guardian_never_acts(slow_lab, tmp_path, signals, code):
    run = started(command, "run", str(slow_lab.job), "--runs", str(slow_lab.runs), "--quiet", log=tmp_path / "log")
    slow_lab.until_on(run)
    for name in signals:
        os.kill(run.pid, getattr(signal, name))
    assert end(run) == code
    assert slow_lab.on() == ()
    assert guardians_of(run.pid) == []
    said = (tmp_path / "log").read_text("utf-8")
    assert "guardian" not in said
    assert "Traceback" not in said
    assert "halfpower resume" in said


@pytest.mark.parametrize("quiet", [True, pytest.param(False, marks=pytest.mark.soak)])
def test_a_terminal_that_is_closed_ends_with_outputs_off(slow_lab, tmp_path, quiet):
    ours, theirs = os.openpty()
    os.set_blocking(ours, False)
    run = started(at_a_terminal, os.ttyname(theirs), str(slow_lab.job), str(slow_lab.runs), quiet, log=tmp_path / "log")
    wait_for(lambda: read_away(ours) or slow_lab.on(), while_=run.is_alive)
    os.close(theirs)
    os.close(ours)  # the system sends SIGHUP to whoever has it for its terminal
    # A display that is being redrawn may meet the end of its terminal before the signal does.
    assert end(run) in ((129,) if quiet else (129, 1))
    assert slow_lab.on() == ()
    assert guardians_of(run.pid) == []
    contents = read(slow_lab.run_folder())
    assert contents.closed_at is None
    assert not [event for event in contents.events if event.what in ("guardian", "outputs")]


def test_ctrl_c_at_a_terminal_reaches_the_run_and_not_its_guardian(slow_lab, tmp_path):
    ours, theirs = os.openpty()
    os.set_blocking(ours, False)
    run = started(at_a_terminal, os.ttyname(theirs), str(slow_lab.job), str(slow_lab.runs), True, log=tmp_path / "log")
    wait_for(slow_lab.on, while_=run.is_alive)
    os.write(ours, b"\x03")  # the terminal sends SIGINT to every process that it is in the foreground of
    wait_for(lambda: read_away(ours) or not run.is_alive())
    os.close(theirs)
    os.close(ours)
    assert end(run) == 130
    assert slow_lab.on() == ()
    assert not [event for event in read(slow_lab.run_folder()).events if event.what in ("guardian", "outputs")]


def at_a_terminal(name, job, runs, quiet):
    import fcntl
    import termios

    os.setsid()
    tty = os.open(name, os.O_RDWR)
    fcntl.ioctl(tty, termios.TIOCSCTTY, 0)
    for number in (0, 1, 2):
        os.dup2(tty, number)
    sys.stdin, sys.stdout, sys.stderr = (os.fdopen(number, mode) for number, mode in enumerate("rww"))
    try:
        command("run", job, "--runs", runs, *(["--quiet"] if quiet else []))
    except SystemExit as ended:
        os._exit(int(ended.code or 0))  # without a last word to a terminal that is gone


def read_away(terminal):
    with suppress(OSError):
        os.read(terminal, 1 << 16)


def test_a_run_that_was_told_to_outlive_its_terminal_does(slow_lab, tmp_path):
    run = started(without_hangup, str(slow_lab.job), str(slow_lab.runs), log=tmp_path / "log")
    slow_lab.until_on(run)
    os.kill(run.pid, signal.SIGHUP)
    slow_lab.quick()
    assert end(run) == 0
    assert read(slow_lab.run_folder()).closed_at is not None


def without_hangup(job, runs):
    signal.signal(signal.SIGHUP, signal.SIG_IGN)  # as nohup does
    command("run", job, "--runs", runs, "--quiet")


def test_a_full_disk_ends_with_outputs_off(lab, tmp_path):
    whole = opening.start(lab.job, tmp_path / "whole").folder / "journal.jsonl"
    room = whole.stat().st_size - 1000  # the last lines find none
    run = started(with_little_room, str(lab.job), str(lab.runs), room, log=tmp_path / "log")
    assert end(run) == 5
    assert lab.on() == ()
    assert guardians_of(run.pid) == []
    assert "cannot be written" in (tmp_path / "log").read_text("utf-8")
    assert read(lab.run_folder()).records
    opening.resume(lab.run_folder())


def with_little_room(job, runs, room):
    resource.setrlimit(resource.RLIMIT_FSIZE, (room, room))
    command("run", job, "--runs", runs, "--quiet")


def test_a_run_that_ends_well_leaves_nobody_behind(lab):
    folder = opening.start(lab.job, lab.runs).folder
    assert guardians_of(os.getpid()) == []
    assert not [event for event in read(folder).events if event.what == "guardian"]


# --- the guardian itself -----------------------------------------------------------------------------------------


def test_a_run_without_its_guardian_ends_with_outputs_off(lab):
    def shoot(_part, n, *_):
        if n == 2:
            (guardian,) = guardians_of(os.getpid())
            os.kill(guardian, signal.SIGKILL)
            os.waitid(os.P_PID, guardian, os.WEXITED | os.WNOWAIT)

    with pytest.raises(SafetyError, match=r"guardian has gone away.*resume"):
        opening.start(lab.job, lab.runs, watch=shoot)
    assert lab.on() == ()
    assert len(read(lab.run_folder()).records) == 3  # noticed before the next step


def test_a_run_whose_guardian_stands_still_ends_with_outputs_off(lab, monkeypatch):
    monkeypatch.setattr(guarding, "STANDS_S", 0.0)  # asked before every step
    monkeypatch.setattr(guarding, "ANSWERS_S", 0.5)
    monkeypatch.setattr(guarding, "GONE_S", 0.5)

    def stop(_part, n, *_):
        if n == 2:
            (guardian,) = guardians_of(os.getpid())
            os.kill(guardian, signal.SIGSTOP)

    with pytest.raises(SafetyError, match=r"guardian stands still.*resume"):
        opening.start(lab.job, lab.runs, watch=stop)
    assert lab.on() == ()
    assert guardians_of(os.getpid()) == []
    assert len(read(lab.run_folder()).records) == 3  # noticed before the next step


@pytest.mark.parametrize("program", ["/nowhere/python", "/bin/false"])
def test_nothing_begins_without_a_guardian(lab, monkeypatch, program):
    monkeypatch.setattr(sys, "executable", program)
    with pytest.raises(SafetyError, match="Not begun: the guardian"):
        opening.start(lab.job, lab.runs)
    assert not lab.runs.exists()


BROKEN = """
from pathlib import Path
from drivers.calibrator import ScpiCalibrator

class Failing(ScpiCalibrator):
    def off(self):
        if Path(__file__).with_name("broken").exists():
            raise RuntimeError("a bug")
        super().off()
"""


def test_what_the_run_cannot_switch_off_the_guardian_does(lab):
    """A driver that fails at the end is no reason to leave an output on."""
    (lab.folder / "mine.py").write_text(BROKEN, "utf-8")
    lab.change("[calibrator]\n", '[calibrator]\ndriver = "mine.py:Failing"\n')
    seen = []

    def stop(_part, n, *_):
        if n == 2:
            (lab.folder / "broken").touch()
            assert lab.on() == ("calibrator",)
            raise OperatorStop("enough")

    with pytest.raises(OperatorStop) as stopped:
        opening.start(lab.job, lab.runs, watch=stop, on_event=lambda *event: seen.append(event))
    assert lab.on() == ()
    assert not hasattr(stopped.value, "__notes__")  # nothing is wrong any more
    (said,) = [text for what, text in seen if what == "guardian"]
    assert said.startswith("The output of the calibrator was switched off by the guardian, because the run could not: ")
    assert "Failing.off fails: RuntimeError: a bug, at: raise" in said
    assert said in [event.text for event in read(lab.run_folder()).events]


AMPLIFIER = """
import sys
from pathlib import Path
from drivers.calibrator import ScpiCalibrator

class Amplifier(ScpiCalibrator):
    {off}

    def __init__(self, link, model):
        from harness.words.clock import RealClock
        from harness.link.visa import open_link, resource_manager
        mine = model.model_copy(update={{"address": {address!r}}})
        super().__init__(open_link(mine, "calibrator", resource_manager("@py"), RealClock()), model)
"""
OFF = """
from harness.bench.guardian import Charge, _command
from harness.link.visa import resource_manager
charge = Charge(role="calibrator", label="K", address={address!r}, command=":OUTP OFF", next_error=":SYST:ERR?")
_command(charge, resource_manager("@py"))
"""


def amplifier(lab, off):
    """The calibrator behind a driver that finds its own way: the bench file has no address of it."""
    text = lab.bench.read_text("utf-8")
    table = text[text.index("[calibrator]") :]
    address = re.search(r'address = "(.*)"', table).group(1)
    lab.change(f'[calibrator]\naddress = "{address}"', '[calibrator]\ndriver = "mine.py:Amplifier"')
    (lab.folder / "mine.py").write_text(AMPLIFIER.format(address=address, off=off), "utf-8")
    (lab.folder / "off.py").write_text(OFF.format(address=address), "utf-8")


def test_a_driver_without_an_address_is_switched_off_by_the_program_that_it_names(slow_lab, tmp_path):
    amplifier(slow_lab, 'off_from_outside = [sys.executable, "off.py"]')
    run = killed(slow_lab, tmp_path / "log")
    wait_for(lambda: not guardians_of(run.pid))
    assert slow_lab.on() == ()
    told = [event.text for event in read(slow_lab.run_folder()).events if event.what == "guardian"]
    assert any("calibrator" in text and "is off" in text for text in told)


def test_what_nothing_switches_off_from_outside_is_refused_unattended_and_told_before_all_else(lab):
    amplifier(lab, "")
    with pytest.raises(SafetyError, match=r"^Not begun with nobody there\. The calibrator .* is NOT GUARDED"):
        opening.start(lab.job, lab.runs)
    assert not lab.runs.exists()
    (refused,) = look_through([lab.job], dt.datetime.now(dt.UTC)).refused
    assert "needs a person: The calibrator" in refused.problems[0]
    assert any("NOT GUARDED" in warning for warning in opening.warnings(opening.load(lab.job)))
    result = opening.start(lab.job, lab.runs, operator=Someone())
    assert [event for event in read(result.folder).events if event.what == "not guarded"]
    assert any("NOT GUARDED" in text for text in result.report.deviations)


class Someone:
    def ask(self, prompt):
        return prompt.choices[0] if prompt.choices else ""

    def tell(self, text): ...


@pytest.mark.parametrize(("program", "said"), [
    (["/nowhere/off"], "/nowhere/off cannot be run"),
    ([sys.executable, "-c", "raise SystemExit('the relay sticks')"], "ends with 1: the relay sticks"),
    ([sys.executable, "-c", "import time; time.sleep(60)"], "did not end within 1 s"),
])  # fmt: skip
def test_a_program_that_does_not_switch_off_is_said(program, said, monkeypatch):
    monkeypatch.setattr("harness.bench.guardian.JOB_S", 0.0)
    work = Work((Charge(role="calibrator", label="K", program=program),), None, on_off=lambda _charge: None)
    (problem,) = work.problems()
    assert said in problem
    assert problem.startswith("The output of the calibrator (K) may still be ON")


def test_an_instrument_that_hangs_delays_no_other(lab):
    """One address takes the connection and never answers; the other is a source with its output on."""
    model = lab.simulated.world.sources["generator"]
    lab.simulated._models["generator"].panel(sine())
    assert model.live
    address = next(real for given, real in lab.addresses.items() if given.startswith("TCPIP0::192.0.2.21"))
    silent = socket.create_server(("127.0.0.1", 0))
    charges = (
        Charge(role="calibrator", label="silent", address=address_of(silent), command="OFF", timeout_s=30.0),
        Charge(role="generator", label="G", address=address, command=":OUTP OFF", next_error=":SYST:ERR?"),
    )
    off = threading.Event()
    work = Work(charges, resource_manager("@py"), on_off=lambda charge: charge.role == "generator" and off.set())
    assert off.wait(20.0)  # well before the silent one's time is up
    assert lab.on() == ()
    silent.close()
    work.until = time.monotonic()


def sine():
    from harness.steps import Sine

    return Sine(level_vpp=1.0, frequency_hz=1e6)


def address_of(listening):
    return f"TCPIP0::127.0.0.1::{listening.getsockname()[1]}::SOCKET"


def test_what_stays_on_is_said_with_its_reason():
    refusing = socket.create_server(("127.0.0.1", 0))
    address = address_of(refusing)
    refusing.close()
    charges = (
        Charge(role="calibrator", label="K", address=address, command="OFF", timeout_s=0.1),
        Charge(role="generator", label="by hand"),
    )
    work = Work(charges, resource_manager("@py"), on_off=lambda _charge: None)
    work.until = time.monotonic()
    first, second = work.problems()
    assert re.fullmatch(r"The output of the calibrator \(K\) may still be ON: .+\. Switch it off by hand\.", first)
    assert second == (
        "The output of the generator (by hand) may still be ON: no command for it is known. Switch it off by hand."
    )


class Slept(queue.SimpleQueue):
    """What a guardian hears where each wait for it may be followed by a sleep of the machine; then an order."""

    def __init__(self, *slept_s, beats_s=math.inf):
        super().__init__()
        self.now_s, self.slept_s = 0.0, list(slept_s)
        self.put({"alive": 30.0, "beats": beats_s})

    def get(self, timeout):
        if not self.empty():
            return super().get()
        if not self.slept_s:
            return {"end": "order", "roles": []}
        self.now_s += timeout + self.slept_s.pop(0)
        raise queue.Empty


@pytest.mark.parametrize(("slept_s", "end"), [
    ([7200.0], "order"),  # by a clock that counts the machine's sleep, as some systems' do
    ([10.0, 10.0, 10.0, 10.0], "order"),
    ([0.0] * 31, "hung"),  # nobody slept: the lease is over
    ([7200.0, *[0.0] * 31], "hung"),
    ([1.5] * 13, "hung"),  # a busy machine is not asleep
])  # fmt: skip
def test_a_machine_that_slept_costs_no_good_run(slept_s, end):
    heard = Slept(*slept_s)
    assert Watch(parent=os.getppid(), messages=heard, now=lambda: heard.now_s).wait() == end


@pytest.mark.parametrize(("slept_s", "end"), [
    ([0.0] * 3, "order"),
    ([0.0] * 5, "stands still"),  # long before its lease is over
    ([7200.0, 0.0, 0.0, 0.0], "order"),  # everything slept
    ([7200.0, *[0.0] * 5], "stands still"),
])  # fmt: skip
def test_a_run_that_gives_no_beat_stands_still(slept_s, end):
    heard = Slept(*slept_s, beats_s=4.0)
    assert Watch(parent=os.getppid(), messages=heard, now=lambda: heard.now_s).wait() == end


def test_the_next_run_waits_for_a_guardian_at_work():
    """It holds the bench while two could speak to one instrument, and says that it is a guardian."""
    working, done, held = threading.Event(), threading.Event(), []

    def work():
        with hold(("a bench",), guardian=True):
            working.set()
            done.wait(20.0)

    def next_run():
        with hold(("a bench",)):
            held.append(done.is_set())

    threads = [threading.Thread(target=work), threading.Thread(target=next_run)]
    threads[0].start()
    assert working.wait(20.0)
    threads[1].start()
    threads[1].join(0.3)
    done.set()
    for thread in threads:
        thread.join(20.0)
    assert held == [True]
