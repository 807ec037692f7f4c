"""The night itself: wait, run job after job, try the lost ones again, and leave a record whatever happens.

One job's failure never ends the night; a full disk under the log and a signal do, and both leave it to be gone on with.
"""

from __future__ import annotations

import datetime as dt
import os
import socket
import traceback
from collections.abc import Callable, Mapping, Sequence
from contextlib import AbstractContextManager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final, Protocol, TypeAlias

from harness import runs as opening
from harness.errors import BusyError, HalfpowerError, InstrumentError, JournalError, OperatorStop, QueueError
from harness.files.own_files import BeforeImport, OwnFile
from harness.journal import journal
from harness.journal.atomic import write_text
from harness.journal.lock import PATIENCE_S, hold
from harness.night import heartbeat, plan
from harness.night.account import account, may_be_on
from harness.night.awake import awake
from harness.night.log import How, Log, header_of, read
from harness.night.notices import Channel, Notices
from harness.night.plan import CheckedJob, NightPlan, refusal
from harness.night.start import SLICE_S, wait_until, waiting_text
from harness.person.operator import Nobody
from harness.report.night import Night, page
from harness.steps import Reply, Step
from harness.words.clock import AT_WORK_S, Clock
from harness.words.version import program_version

PAGE: Final = "night.html"


Keep: TypeAlias = Callable[[Path], Sequence[str]]
"""What is done with the folder of a run that ended; returns what went wrong with that, a sentence each."""


class RunShown(Protocol):
    """What shows one run."""

    def event(self, what: str, text: str) -> None:
        """Something happened."""

    def step(self, part: str, n: int, step: Step, reply: Reply) -> None:
        """A step was answered, and is on disk."""


class Showing(Protocol):
    """What shows the night; nobody need look at it."""

    def tell(self, text: str) -> None:
        """Say something about the night."""

    def waiting(self, text: str) -> None:
        """The start is so far away: called again and again."""

    def run(self, checked: CheckedJob, recorded: Mapping[str, int]) -> AbstractContextManager[RunShown]:
        """Show one run; `recorded` are the steps that a resumed one finds done."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """How a queue is run."""

    title: str = ""
    again: int = 1
    awake: bool = True
    queue_file: str = ""


@dataclass(slots=True)
class _Outcome:
    """How a try went; `again` says whether another could go better."""

    how: How
    text: str
    again: bool = False
    off: bool | None = None
    outputs: list[str] = field(default_factory=list)


def begin(
    planned: NightPlan,
    settings: Settings,
    runs: Path,
    *,
    clock: Clock,
    start: dt.datetime | None = None,
    channels: Sequence[Channel] = (),
    showing: Showing,
    keep: Keep | None = None,
    on_folder: Callable[[Path], None] = lambda _folder: None,
) -> Path:
    """Run a checked plan into a new folder below `runs`; returns the folder.

    `start` is the moment that was found before the check; where the check took until after it, it begins at once.
    `on_folder` is told the queue's folder once its log is on disk.
    """
    folder = _new_folder(runs, (start or clock.utc()).astimezone().date())
    header = header_of(
        tuple(job.job for job in planned.checked),
        planned.refused,
        program=program_version(),
        host=socket.gethostname(),
        title=settings.title,
        runs=str(runs.resolve()),
        start=start.isoformat() if start else "",
        again=settings.again,
        awake=settings.awake,
        queue_file=settings.queue_file,
    )
    with _alone(folder):
        log = Log.create(folder, header, _stamp(clock))
        on_folder(folder)
        checked = dict(enumerate(planned.checked))
        _Runner(log, checked, clock=clock, channels=channels, showing=showing, keep=keep).run()
    return folder


def go_on(
    folder: Path,
    *,
    leave_out: bool = False,
    start: str | None = None,
    clock: Clock,
    channels: Sequence[Channel] = (),
    showing: Showing,
    keep: Keep | None = None,
    before: BeforeImport = lambda _own: None,
) -> None:
    """Go on with a queue that was stopped, or ended with jobs undone: those that are done are skipped.

    `start` is another moment to wait for than the log's, "" for none; `before` is told of the user's own Python.
    """
    with _alone(folder):  # a log that another process writes is not to be touched
        log, checked = _reopened(folder, clock, before, leave_out=leave_out)
        if start is not None and start != log.contents.start:
            log.start_at(start)
        _Runner(log, checked, clock=clock, channels=channels, showing=showing, keep=keep).run()


def _alone(folder: Path) -> AbstractContextManager[object]:
    """One process a queue."""
    return hold((str(folder.resolve()),))


def _reopened(
    folder: Path, clock: Clock, before: BeforeImport, *, leave_out: bool
) -> tuple[Log, Mapping[int, CheckedJob]]:
    """The log, and the jobs that are still open, checked anew."""
    contents = read(folder)
    open_jobs = [number for number in range(len(contents.jobs)) if not contents.done(number)]
    planned = plan.look_through([Path(contents.jobs[number].path) for number in open_jobs], clock.utc(), before)
    if planned.refused and not leave_out:
        raise refusal(planned)
    by_path = {job.job.path: job for job in planned.checked}
    checked = {n: by_path[contents.jobs[n].path] for n in open_jobs if contents.jobs[n].path in by_path}
    log = Log.reopen(folder, _stamp(clock))
    for refused in planned.refused:
        log.event("left out", " ".join(refused.problems))
    return log, checked


def _stamp(clock: Clock) -> Callable[[], str]:
    return lambda: clock.utc().astimezone().isoformat(timespec="milliseconds")  # local time, with its offset


def _new_folder(runs: Path, day: dt.date) -> Path:
    for number in range(1, 1000):
        folder = runs / f"night-{day}-{number:02d}"
        if not folder.exists():
            return folder
    raise QueueError(f"{runs}: a thousand queues on one day; name another folder with --runs.")


class _Runner:
    """A night under way."""

    def __init__(
        self,
        log: Log,
        checked: Mapping[int, CheckedJob],
        *,
        clock: Clock,
        channels: Sequence[Channel],
        showing: Showing,
        keep: Keep | None,
    ) -> None:
        self._log, self._checked, self._clock, self._showing = log, checked, clock, showing
        self._keep = keep or write_report
        now = clock.utc()
        first = heartbeat.Beat(
            pid=os.getpid(), host=socket.gethostname(), doing="waiting", jobs=len(log.contents.jobs), since=now, at=now,
            next_by=now,
        )  # fmt: skip
        self._heart = heartbeat.Heart(log.folder / heartbeat.NAME, clock, first, self._trouble)
        self._notices = Notices(channels, trouble=self._trouble, on_life=self._heart.sign)
        self._lost: set[int] = set()  # jobs whose last try ended in a way that another may not
        self._page_told = False

    def run(self) -> None:
        """Everything that can be done, then the page; a signal ends it with outputs off and everything kept."""
        header = self._log.contents.header
        try:
            with awake(bool(header["awake"]), self._trouble):
                self._may_be_on()
                self._wait(self._log.contents.start)
                self._log.started()
                for number in self._checked:
                    self._try(number)
                for _ in range(int(header["again"])):
                    for number in sorted(self._lost):
                        self._try(number)
                self._log.end()
                self._finish("finished")
        except BaseException:
            with suppress(HalfpowerError):
                self._finish("stopped")
            raise
        finally:
            self._log.close()

    def _finish(self, how: str) -> None:
        night = self._page()
        text = night.sentence if night else ""
        self._may_be_on()
        self._heart.end(f"{how}. {text}")
        self._notices.send(f"Queue {self._log.folder.name} {how}", text, may_be_on=self._may_be_on())

    def _trouble(self, text: str) -> None:
        """What goes wrong beside the measuring: shown, kept if it can be, and no reason to stop."""
        self._showing.tell(text)
        with suppress(JournalError):
            self._log.event("trouble", text)

    def _wait(self, start: str) -> None:
        if start:
            moment = dt.datetime.fromisoformat(start)
            self._heart.change(SLICE_S + AT_WORK_S, doing="waiting", text=waiting_text(moment))
            wait_until(
                moment, self._clock, on_life=self._heart.sign, waiting=self._showing.waiting, trouble=self._trouble
            )

    # --- one job ---------------------------------------------------------------------------------------------------

    def _try(self, number: int) -> None:
        job, contents = self._log.contents.jobs[number], self._log.contents
        attempt = contents.begun.get(number, 0) + 1
        self._log.begun(number, attempt)
        self._lost.discard(number)
        self._heart.change(
            AT_WORK_S, doing="running", job=job.name, number=number + 1, jobs=len(contents.jobs), text=""
        )
        self._showing.tell(f"Job {number + 1} of {len(contents.jobs)}: {job.name}, {job.unit} no. {job.serial}")
        outcome = _Outcome("stopped", "Stopped by a signal, outputs first.")
        try:
            self._attempt(number, outcome)
        finally:
            outputs = tuple(outcome.outputs)
            self._log.ended(
                number, attempt, outcome.how, outcome.text, again=outcome.again, off=outcome.off, outputs=outputs
            )
        if outcome.again:
            self._lost.add(number)
        self._showing.tell(f"{job.name}: {outcome.how}{f': {outcome.text}' if outcome.how != 'done' else ''}")
        self._leave(number)
        self._page()
        last = contents.last(number)
        told = f"{job.unit} no. {job.serial}. {last.said if last else outcome.text}"
        self._notices.send(f"{job.name}: {outcome.how}", told, may_be_on=self._may_be_on())

    def _may_be_on(self) -> tuple[str, ...]:
        """The outputs that may still be on, for every notice and for whoever watches."""
        outputs = may_be_on(self._log.folder, self._log.contents)
        self._heart.warn(" ".join(outputs))
        return outputs

    def _attempt(self, number: int, outcome: _Outcome) -> None:
        """Run or resume one job and say how it went; only what is no `Exception` comes through."""
        try:
            result = self._measure(number, outcome)
        except OperatorStop as error:
            outcome.how, outcome.text = "needs hands", str(error)
        except (InstrumentError, BusyError) as error:
            outcome.how, outcome.text, outcome.again = "failed", str(error), True
        except _ChangedError as error:
            outcome.how, outcome.text = "changed", str(error)
        except HalfpowerError as error:
            outcome.how, outcome.text = "failed", str(error)
        except Exception as error:  # noqa: BLE001 - a fault in one job, or in a user's own driver, must not cost the others
            outcome.how, outcome.text = "fault", f"A fault of the program: {type(error).__name__}: {error}"
            self._log.event("fault", traceback.format_exc())
        else:
            early = "; ".join(result.ended_early)
            outcome.how = "ended early" if early else "done"
            outcome.text = early or result.report.sentence
            outcome.again = result.exit_code == InstrumentError.exit_code

    def _measure(self, number: int, outcome: _Outcome) -> opening.RunResult:
        checked, folder = self._checked[number], self.run_folder(number)
        _refuse_changed(checked)
        recorded = _recorded(folder)
        planned = {part.name: len(part.steps) for part in checked.rehearsal.parts}
        with self._showing.run(checked, recorded) as shown:

            def on_event(what: str, text: str) -> None:
                if what in ("off", "outputs"):
                    outcome.off = what == "off"
                    outcome.outputs += [text] if what == "outputs" and text not in outcome.outputs else []
                shown.event(what, text)

            def watch(part: str, n: int, step: Step, reply: Reply) -> None:
                self._heart.step(part, n + 1, max(n + 1, planned.get(part, 0)))
                shown.step(part, n, step, reply)

            # Nobody is there, on a simulated bench as well: `by_hand` keeps its simulated hands and eyes out of it.
            common: dict[str, Any] = {
                "operator": Nobody(), "by_hand": True, "on_event": on_event, "watch": watch,
                "on_life": self._heart.sign,
            }  # fmt: skip
            self._heart.sign(PATIENCE_S + 2 * AT_WORK_S)  # loaded and rehearsed; a guardian may be waited for
            if folder is not None:
                return opening.resume(folder, job_path=checked.job.path, **common)
            return opening.start(
                checked.job.path,
                self._log.folder.parent,
                on_folder=lambda made: self._log.run_folder(number, f"../{made.name}"),
                **common,
            )

    def run_folder(self, number: int) -> Path | None:
        """Where a job's run is, if it has begun."""
        named = self._log.contents.folders.get(number)
        return None if named is None else self._log.folder.parent / Path(named).name

    # --- what is left behind ---------------------------------------------------------------------------------------

    def _leave(self, number: int) -> None:
        """What becomes of a run that ended: its page, its place among the records; trouble with these is told."""
        folder = self.run_folder(number)
        if folder is not None:
            self._heart.sign(4 * AT_WORK_S)
            for problem in self._keep(folder):
                self._trouble(problem)

    def _page(self) -> Night | None:
        """The page about the night so far."""
        self._heart.sign(2 * AT_WORK_S)
        try:
            night = account(self._log.folder)
            write_text(self._log.folder / PAGE, page(night))
        except Exception as error:  # noqa: BLE001 - the log is on disk; the page can be made again
            if not self._page_told:
                self._page_told = True
                self._trouble(f"The page about the night could not be written: {error}")
            return None
        return night


def write_report(folder: Path) -> Sequence[str]:
    """Write a run's own page beside its journal; returns what went wrong, and never raises."""
    try:
        from harness.report.html import html_page

        write_text(folder / "report.html", html_page(opening.report(folder)))
    except Exception as error:  # noqa: BLE001 - the readings are on disk; the page can be made again
        return (f"The report of {folder.name} could not be written: {error}",)
    return ()


class _ChangedError(HalfpowerError):
    """A job is no longer what was checked."""


def _refuse_changed(checked: CheckedJob) -> None:
    changed = _ChangedError(
        f"{checked.job.path}: the job, its bench, its unit or a Python file of theirs was changed after it was "
        "checked; check it and queue it again."
    )

    def before(own: OwnFile) -> None:
        if checked.loaded.own.digests[own.beside].get(own.path.name) != own.digest:
            raise changed  # and is not run

    if plan.digest(opening.load(checked.job.path, before=before)) != checked.job.digest:
        raise changed


def _recorded(folder: Path | None) -> dict[str, int]:
    """How many steps of each part a run has behind it."""
    if folder is not None:
        with suppress(HalfpowerError):  # resuming says what is wrong with it
            return journal.read(folder).steps
    return {}
