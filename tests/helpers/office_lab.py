"""Queues and heartbeats as their processes leave them, written by the program's own log, for the office's page."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from harness.night import heartbeat
from harness.night.log import Log, PlannedPart, QueuedJob, header_of
from harness.office.board import Board
from harness.office.folders import Folders
from harness.office.sight import Draft, Due, Failure, JobSight, QueueSight, ReportSight, RunSight, Sight
from harness.office.stored import Stored
from harness.sim.clock import VirtualClock

EVENING = dt.datetime(2026, 11, 25, 17, 50, tzinfo=dt.UTC)
LEFT_ON = "calibrator: its output would not go off and may still be ON"


def a_job(name: str, bench: str = "/lab/bench.toml") -> QueuedJob:
    part = PlannedPart(name="1 vertical", title="Vertical deflection", points=8)
    return QueuedJob(
        path=f"/lab/{name}.toml", unit="Aldermoor Skua", serial=f"Skua-{name}", estimated_s=60.0, digest="",
        parts=(part,), bench=bench,
    )  # fmt: skip


def a_queue(
    folder: Path, clock: VirtualClock, *jobs: QueuedJob, does: Callable[[Log], None], host: str = "bench-pc"
) -> Path:
    """A queue's log: whatever `does` writes into it."""
    folder.mkdir(parents=True)
    header = header_of(
        jobs, (), program="0.1.0", host=host, title=f"Night {folder.name}", runs=str(folder.parent), start="",
        again=1, awake=False, queue_file="",
    )  # fmt: skip
    log = Log.create(folder, header, lambda: clock.utc().isoformat(timespec="milliseconds"))
    log.started()
    does(log)
    log.close()
    return folder


def ended(log: Log, *, off: bool | None, how: str = "failed", text: str = "no answer", run: str = "") -> None:
    """One try of the first job, and how it ended."""
    log.begun(0, 1)
    if run:
        log.run_folder(0, f"../{run}")
    log.ended(0, 1, how, text, again=False, off=off, outputs=() if off is not False else (LEFT_ON,))  # type: ignore[arg-type]


def under_way(log: Log) -> None:
    """A try that goes on in a run whose folder is not there to be read."""
    log.begun(0, 1)
    log.run_folder(0, "../2026-11-25-Skua-first-01")


def a_beat(folder: Path, clock: VirtualClock, **what: object) -> heartbeat.Heart:
    """The heartbeat of the queue in a folder, on another computer."""
    now = clock.utc()
    first = heartbeat.Beat(
        pid=1, host="bench-pc", doing="running", job="first.toml", number=1, jobs=2, since=now, at=now, next_by=now,
    )  # fmt: skip
    heart = heartbeat.Heart(folder / heartbeat.NAME, clock, first, trouble=print)
    heart.change(20.0, doing="running", **what)
    return heart


def a_board(root: Path, clock: VirtualClock, *, stored: Stored | None = None, simulated: bool = False) -> Board:
    return Board(title="The office", folders=Folders([root], clock), stored=stored, simulated=simulated, clock=clock)


class Still:
    """A page that shows one state, for a browser to look at."""

    def __init__(self, sight: Sight) -> None:
        self.sight, self.ended = sight, ""
        self.whom: Callable[[], None] = lambda: None

    def tells(self, whom: Callable[[], None]) -> None:
        self.whom = whom

    def state(self) -> str:
        return replace(self.sight, ended=self.ended).to_json()

    def show(self, sight: Sight) -> None:
        self.sight = sight
        self.whom()

    def end(self, sentence: str) -> None:
        self.ended = sentence
        self.whom()


QUIET = Sight(at="2026-11-26T07:50:00+00:00", title="Halfpower: the office", looked="no runs and no queues in /srv")
BUSY = Sight(
    at="2026-11-26T07:50:00+00:00", title="Halfpower: the office", marks=("Simulated bench",),
    in_doubt=(f"night-2026-11-25-01, second.toml: {LEFT_ON}. Switch it off by hand.",),
    queues=(
        QueueSight(
            name="night-2026-11-25-02", title="Scopes of the training ship Petrel", host="bench-2",
            at="2026-11-26T07:49:58+00:00", word="at work", kind="good",
            sentence="Job 2 of 3, harrier.toml, 3 bandwidth, step 14 of 40", done=0.45,
            jobs=(
                JobSight(name="egret.toml", unit="Aldermoor Egret, no. Egret-3071", word="done", kind="good"),
                JobSight(name="harrier.toml", unit="Aldermoor Heron, no. Heron-0412", word="under way", kind="good"),
                JobSight(name="skua.toml", unit="Aldermoor Skua, no. 958", word="not tried yet", kind="none"),
            ),
        ),
        QueueSight(
            name="night-2026-11-25-01", title="Unattended night", host="bench-1", at="2026-11-26T02:13:20+00:00",
            word="no sign of life", kind="bad", done=0.5,
            sentence="No sign of life for 5 h 36 min, where the next was due within 21 s. The last: Job 2 of 2.",
            jobs=(JobSight(name="second.toml", unit="Aldermoor Egret, no. Egret-3088", word="cut off", kind="bad"),),
        ),
    ),
    runs=(
        RunSight(
            number="2026-11-26-Skua-0958-01", unit="Aldermoor Skua, no. Skua-0958", bench="Brackwater, bench by hand",
            at="2026-11-26T07:41:00+00:00", sentence="time base, 22 readings; the last entry is 9 min old",
        ),
    ),
    failed=(
        Failure(
            where="night-2026-11-25-01, second.toml", unit="Aldermoor Egret, no. Egret-3088",
            at="2026-11-26T02:13:20+00:00",
            sentence="Ended early. 1 vertical: unit (TCPIP0::192.0.2.31::5025::SOCKET): does not answer after 5 tries: "
            "check that it is switched on, its cable and its address",
        ),
    ),
    reports=tuple(
        ReportSight(
            run_id=str(n), state="draft" if n == 1 else "", number=f"2026-11-25-Egret-307{n}-01",
             unit=f"Aldermoor Egret, no. Egret-307{n}", bench="Brackwater lab",
            at="2026-11-25T19:04:00+00:00", word=word, kind=kind,
            folder=f"bench-2: /srv/runs/2026-11-25-Egret-307{n}-01",
        )
        for n, word, kind in ((1, "meets", "good"), (2, "does not meet", "bad"), (3, "cannot be decided", "open"))
    ),
    drafts=(
        Draft(
            number="2026-11-25-Egret-3071-01", unit="Aldermoor Egret, no. Egret-3071", at="2026-11-25T19:04:00+00:00",
            sentence="Waits for approval by somebody other than Orme: "
            "halfpower approve /srv/runs/2026-11-25-Egret-3071-01 --by NAME",
        ),
    ),
    standards=(
        Due(
            what="Northfen counter 17", detail="certificate BW-C-2217", day="2026-11-20", word="overdue by 6 days",
            kind="bad",
        ),
        Due(what="Orme-0417", detail="certificate BW-C-2218", day="2026-12-20", word="in 24 days", kind="open"),
    ),
    units=(
        Due(
            what="Aldermoor Egret, no. Egret-3090", detail="last verified 2025-12-01", day="2026-12-01",
            word="in 5 days", kind="open",
        ),
    ),
    problems=("/srv/runs/torn/journal.jsonl:1: this line was changed or damaged after it was written.",),
    looked="212 runs and 14 queues in /srv/runs",
)  # fmt: skip
