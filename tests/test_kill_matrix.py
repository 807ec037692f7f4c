"""The kill matrix: a run is killed after every line of its journal, and at moments drawn by lot.

Each time its outputs are off within two seconds, measured at the simulated instruments, and the resumed run's journal
equals an unbroken one's. `python -m pytest -m soak -s tests/test_kill_matrix.py` prints the figures of docs/faults.md.
HALFPOWER_KILLS sets the number of moments (200 where it is not set).
"""

from __future__ import annotations

import os
import random
import signal
import statistics
import sys
import time
from dataclasses import dataclass, field
from multiprocessing.process import BaseProcess
from pathlib import Path

import pytest

from harness import runs as opening
from harness.bench import guarding
from harness.bench.guarding import SPARE_S
from harness.errors import JournalError
from tests.helpers.journals import comparable
from tests.helpers.served import (
    LARGE,
    LEASE_S,
    SMALL,
    WITHIN_S,
    Lab,
    a_lab,
    end,
    guardians_of,
    own_unit,
    resume,
    start,
    started,
)  # fmt: skip

pytestmark = [
    pytest.mark.soak,
    pytest.mark.timeout(3600),
    pytest.mark.skipif(sys.platform == "win32", reason="processes of POSIX"),
]

KILLS = int(os.environ.get("HALFPOWER_KILLS", "200"))
SEED = 1907
HANGS = max(3, KILLS // 10)  # each takes seconds in which nothing happens
EARLY = 0.2  # the share of moments before the first output is on: loading, opening, connecting


@dataclass
class Tally:
    """What the kills showed."""

    off_s: list[float] = field(default_factory=list)  # of those that found an output on
    off_already: int = 0
    before_the_journal: int = 0

    def add(self, off_s: float | None) -> None:
        """A kill that found an output on, off so many seconds later; or none."""
        if off_s is None:
            self.off_already += 1
        else:
            assert off_s < WITHIN_S
            self.off_s.append(off_s)

    def report(self, what: str) -> None:
        off_ms = sorted(seconds * 1e3 for seconds in self.off_s)
        print(  # noqa: T201 - the figures of docs/faults.md
            f"\n{what}: {len(off_ms)} kills with an output on, off after {statistics.median(off_ms):.1f} ms in the "
            f"median, {off_ms[round(0.95 * (len(off_ms) - 1))]:.1f} ms in 95 %, {off_ms[-1]:.1f} ms at most; "
            f"{self.off_already} with outputs off, {self.before_the_journal} of them before there was a journal"
        )


def test_killed_after_every_line_of_the_journal(tmp_path: Path) -> None:
    tally = Tally()
    with a_lab(tmp_path / "lab", SMALL) as lab:
        whole = opening.start(lab.job, tmp_path / "whole").folder
        lines = (whole / "journal.jsonl").read_text("utf-8").count("\n")
        assert lines > 5
        for n in range(1, lines + 1):
            runs = tmp_path / str(n)
            run = started(killed_after, lab.job, runs, n, log=tmp_path / "log")
            assert end(run) == -signal.SIGKILL
            tally.add(aftermath(lab, run, time.perf_counter()))
            goes_on(lab, runs, whole, tally, tmp_path / "log")
    tally.report(f"after each of {lines} lines")


def killed_after(job: Path, runs: Path, n: int) -> None:
    """Run a job, and be killed the instant its n-th line is on disk."""
    synced, count = os.fsync, 0

    def sync(file: int) -> None:
        nonlocal count
        synced(file)
        count += os.path.isfile(f"/dev/fd/{file}")  # noqa: PTH113 - the journal's folder is synced as well
        if count == n:
            os.kill(os.getpid(), signal.SIGKILL)

    os.fsync = sync
    start(job, runs)


def test_killed_at_random_moments(tmp_path: Path) -> None:
    lots, tally = random.Random(SEED), Tally()
    with a_lab(tmp_path / "lab", LARGE) as lab:
        whole, opening_s, measuring_s = unbroken(lab, tmp_path)
        hits = tries = 0
        while hits < KILLS:
            early, share = lots.random() < EARLY, lots.random()
            tries += 1
            runs = tmp_path / str(tries)
            run = started(start, lab.job, runs, log=tmp_path / "log")
            if not early:
                lab.until_on(run)
            time.sleep(share * (opening_s if early else measuring_s))
            run.kill()
            off_s = aftermath(lab, run, time.perf_counter())
            if end(run) == 0:
                assert tries < 5 * KILLS
                continue  # it was over before the moment came
            hits += 1
            tally.add(off_s)
            goes_on(lab, runs, whole, tally, tmp_path / "log")
    tally.report(f"at {KILLS} random moments")
    assert KILLS < 20 or len(tally.off_s) > KILLS / 4  # else the lots were drawn badly


def unbroken(lab: Lab, folder: Path) -> tuple[Path, float, float]:
    """An unbroken run's folder, and how long it took to the first output and from there to its end."""
    for name in ("warm", "whole"):
        began = time.perf_counter()
        run = started(start, lab.job, folder / name, log=folder / "log")
        lab.until_on(run)
        on = time.perf_counter()
        assert end(run) == 0
    (whole,) = (folder / "whole").iterdir()
    return whole, on - began, time.perf_counter() - on


def test_a_driver_that_hangs(tmp_path: Path) -> None:
    """From the end of its lease to outputs off; the lease is passed on with up to SPARE_S more."""
    hung, late_s = tmp_path / "hung", []
    with a_lab(tmp_path / "lab", SMALL) as lab:
        own_unit(lab, f"open({str(hung)!r}, 'w').write(str(time.monotonic()))\n            while True: pass")
        for k in range(HANGS):
            run = started(start, lab.job, tmp_path / str(k), log=tmp_path / "log")
            lab.until_on(run)
            assert end(run) == -signal.SIGKILL
            lab.until_off()
            late_s.append(time.monotonic() - float(hung.read_text("utf-8")) - LEASE_S)
            aftermath(lab, run, time.perf_counter())
            assert late_s[-1] < SPARE_S + WITHIN_S
    print(  # noqa: T201 - the figures of docs/faults.md
        f"\n{HANGS} drivers that hang: off {statistics.median(late_s):.2f} s after the end of the lease in the median, "
        f"{max(late_s):.2f} s at most"
    )


def test_stopped_at_random_moments(tmp_path: Path) -> None:
    """A process that stands still, wherever it is in a step, and whatever that step had promised."""
    lots, off_s = random.Random(SEED), []
    with a_lab(tmp_path / "lab", SMALL) as lab:
        lab.slow()
        for k in range(HANGS):
            run = started(start, lab.job, tmp_path / str(k), log=tmp_path / "log")
            lab.until_on(run)
            time.sleep(0.2 * lots.random())
            lab.until_on(run)
            assert run.pid is not None
            os.kill(run.pid, signal.SIGSTOP)
            stopped = time.monotonic()
            assert end(run) == -signal.SIGKILL
            lab.until_off()
            off_s.append(time.monotonic() - stopped)
            aftermath(lab, run, time.perf_counter())
    print(  # noqa: T201 - the figures of docs/faults.md
        f"\n{HANGS} runs that stand still: off after {statistics.median(off_s):.2f} s in the median, "
        f"{max(off_s):.2f} s at most"
    )
    assert max(off_s) < guarding.SILENT_S + WITHIN_S


def test_a_guardian_that_stands_still(tmp_path: Path) -> None:
    """How long a run goes on that nobody guards; the unit is slow, so that its steps are."""
    ended_s = []
    with a_lab(tmp_path / "lab", LARGE) as lab:
        lab.slow("30 ms")
        for k in range(max(2, HANGS // 4)):
            run = started(start, lab.job, tmp_path / str(k), log=tmp_path / "log")
            lab.until_on(run)
            (guardian,) = guardians_of(run.pid)
            os.kill(guardian, signal.SIGSTOP)
            stopped = time.monotonic()
            assert end(run) == 1  # SafetyError, in a process without the command's exit codes
            assert lab.on() == ()
            ended_s.append(time.monotonic() - stopped)
    print(  # noqa: T201 - the figures of docs/faults.md
        f"\n{len(ended_s)} guardians that stand still: the run has ended, outputs off, after "
        f"{statistics.median(ended_s):.1f} s in the median, {max(ended_s):.1f} s at most"
    )
    assert "guardian stands still" in (tmp_path / "log").read_text("utf-8")


def aftermath(lab: Lab, run: BaseProcess, killed: float) -> float | None:
    """Watch the outputs until the guardian has gone; how long after the kill one was seen on for the last time."""
    last_on = None
    while True:
        if lab.on():
            last_on = time.perf_counter()
            assert last_on - killed < 30.0
        elif not guardians_of(run.pid):
            break
        time.sleep(0.0002)
    assert lab.on() == ()
    return None if last_on is None else last_on - killed


def goes_on(lab: Lab, runs: Path, whole: Path, tally: Tally, log: Path) -> None:
    """Resume it, or start again where nothing was written yet; the journal equals the unbroken one's."""
    folders = list(runs.iterdir()) if runs.exists() else []
    try:
        run = started(resume, folders[0], log=log) if folders else started(start, lab.job, runs, log=log)
    except JournalError:  # killed before the header was whole: nothing was measured, as it says
        tally.before_the_journal += 1
        return
    tally.before_the_journal += not folders
    assert end(run) == 0, log.read_text("utf-8")[-2000:]
    (folder,) = runs.iterdir()
    assert comparable(folder) == comparable(whole)
    assert lab.on() == ()
