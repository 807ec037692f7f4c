"""The night itself: wait, run job after job, try the lost ones again, and leave a record whatever happens.

One job's failure never ends the night; a full disk under the log and a signal do, and both leave it to be gone on with.
"""

from __future__ import annotations

import datetime as dt
import os
import socket
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import AbstractContextManager, suppress
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Final, TypeAlias

from harness import runs as opening
from harness.errors import HalfpowerError, JournalError, QueueError
from harness.files.own_files import BeforeImport
from harness.journal.atomic import write_text
from harness.journal.lock import hold
from harness.night import heartbeat, plan
from harness.night.account import account
from harness.night.attempt import Attempt, Outcome, Showing
from harness.night.awake import awake
from harness.night.in_doubt import may_be_on
from harness.night.log import Log, LogContents, header_of, read, run_folder
from harness.night.notices import Channel, Kind, Notices
from harness.night.plan import CheckedJob, NightPlan, refusal
from harness.night.start import SLICE_S, wait_until, waiting_text
from harness.report.night import Night, page
from harness.run.opening import share
from harness.run.together import Seat
from harness.words.clock import AT_WORK_S, Clock
from harness.words.language import in_language
from harness.words.version import program_version

PAGE: Final = "night.html"
LOOK_S: Final = 300.0  # to look through the jobs
LOOKING: Final = "Looking through the jobs, to go on"


Keep: TypeAlias = Callable[[Path], Sequence[str]]
"""What is done with the folder of a run that ended; returns what went wrong with that, a sentence each."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """How a queue is run."""

    title: str = ""
    again: int = 1
    awake: bool = True
    together: bool = False
    queue_file: str = ""


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
    store: str | None = None,
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
        together=settings.together,
        queue_file=settings.queue_file,
    )
    with _alone(folder):
        log = Log.create(folder, header, _stamp(clock))
        on_folder(folder)
        checked = dict(enumerate(planned.checked))
        _Runner(log, checked, clock=clock, channels=channels, showing=showing, keep=keep, store=store).run()
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
    store: str | None = None,
    before: BeforeImport = lambda _own: None,
    ask: Callable[[NightPlan], Iterable[str]] = lambda _planned: (),
) -> None:
    """Go on with a queue that was stopped, or ended with jobs undone: those that are done are skipped.

    Jobs that were left out, and could be run now, are taken up after the others.
    `start` is another moment to wait for than the log's, "" for none; `before` is told of the user's own Python. What
    `ask` finds on the benches is said and refuses nothing: a bench that does not answer costs its own jobs alone.
    """
    with _alone(folder):  # a log that another process writes is not to be touched
        contents = read(folder)
        heart = _heart(folder, len(contents.jobs), clock, showing.tell)
        heart.warn(" ".join(may_be_on(folder, contents)))
        heart.change(LOOK_S, doing="waiting", text=LOOKING)  # whoever watches sees that a process is at work again
        try:
            planned, still_left_out = _look_again(contents, clock, before)
            if planned.refused and not leave_out:
                raise refusal(planned)
            for problem in still_left_out:
                showing.tell(f"still left out: {problem}")
            for found in ask(planned):
                showing.tell(found)
        except BaseException:
            heart.end("nothing was started.")
            raise
        log, checked = _reopened(folder, clock, planned)
        if start is not None and start != log.contents.start:
            log.start_at(start)
        _Runner(log, checked, clock=clock, channels=channels, showing=showing, keep=keep, store=store).run()


def _alone(folder: Path) -> AbstractContextManager[object]:
    """One process a queue."""
    return hold((str(folder.resolve()),))


def _open(contents: LogContents) -> list[int]:
    return [number for number in range(len(contents.jobs)) if not contents.done(number)]


def _look_again(contents: LogContents, clock: Clock, before: BeforeImport) -> tuple[NightPlan, list[str]]:
    """What is left to do, those that were left out last; and why some still are."""
    queued = {job.path for job in contents.jobs}
    left_out = [each.whole for each in contents.left_out if each.whole not in queued]
    paths = [*(contents.jobs[number].path for number in _open(contents)), *left_out]
    planned = plan.look_through([Path(path) for path in paths], clock.utc(), before)
    still = [each for each in planned.refused if each.file in left_out]
    refused = tuple(each for each in planned.refused if each not in still)
    return replace(planned, refused=refused), [problem for each in still for problem in each.problems]


def _reopened(folder: Path, clock: Clock, planned: NightPlan) -> tuple[Log, Mapping[int, CheckedJob]]:
    """The log, and the jobs that are still open, as they are now."""
    log = Log.reopen(folder, _stamp(clock))
    log.went_on()
    by_path = {job.job.path: job for job in planned.checked}
    checked = {}
    for number in _open(log.contents):
        before = log.contents.jobs[number]
        if now := by_path.pop(before.path, None):
            checked[number] = now
            if now.job != before:
                log.job(number, now.job)
    for number, taken_up in enumerate(by_path.values(), len(log.contents.jobs)):
        checked[number] = taken_up
        log.job(number, taken_up.job)
    for refused in planned.refused:
        log.event("left out", " ".join(refused.problems))
    return log, checked


def _heart(folder: Path, jobs: int, clock: Clock, trouble: Callable[[str], None]) -> heartbeat.Heart:
    now = clock.utc()
    first = heartbeat.Beat(
        pid=os.getpid(), host=socket.gethostname(), doing="waiting", jobs=jobs, since=now, at=now, next_by=now
    )
    return heartbeat.Heart(folder / heartbeat.NAME, clock, first, trouble)


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
        store: str | None,
    ) -> None:
        self._log, self._checked, self._clock, self._showing = log, checked, clock, showing
        self._keep, self._store = keep or write_report, store
        self._heart = _heart(log.folder, len(log.contents.jobs), clock, self._trouble)
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
                for jobs in plan.in_groups(self._checked, together=bool(header.get("together"))):
                    self._try_together(jobs) if len(jobs) > 1 else self._try(jobs[0])
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
        outputs = self._may_be_on()
        self._heart.end(f"{how}. {text}")
        kind: Kind = "success" if night and night.finished and night.kind == "good" else "warning"
        kind = "failure" if night and night.word == "not all done" else kind
        self._notices.send(f"Queue {self._log.folder.name} {how}", text, kind=kind, may_be_on=outputs)

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

    def _try_together(self, jobs: Sequence[int]) -> None:
        """Try jobs at places of one bench, a step of one after another's."""
        checked = [self._checked[number] for number in jobs]
        self._showing.tell(f"Together, on one bench: {', '.join(each.job.name for each in checked)}")
        share([each.loaded for each in checked]).run([partial(self._try, number) for number in jobs])

    def _try(self, number: int, seat: Seat | None = None) -> None:
        job, contents = self._log.contents.jobs[number], self._log.contents
        attempt = contents.begun.get(number, 0) + 1
        self._log.begun(number, attempt)
        self._lost.discard(number)
        self._heart.change(
            AT_WORK_S, doing="running", job=job.name, number=number + 1, jobs=len(contents.jobs), text=""
        )
        self._showing.tell(f"Job {number + 1} of {len(contents.jobs)}: {job.name}, {job.unit} no. {job.serial}")
        outcome = Outcome("stopped", "Stopped by a signal, outputs first.")
        try:
            Attempt(
                number=number, checked=self._checked[number], folder=self.run_folder(number), log=self._log,
                heart=self._heart, showing=self._showing, seat=seat, store=self._store,
            ).run(outcome)  # fmt: skip
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
        self._notices.send(f"{job.name}: {outcome.how}", told, kind=outcome.kind, may_be_on=self._may_be_on())

    def _may_be_on(self) -> tuple[str, ...]:
        """The outputs that may still be on, for every notice and for whoever watches."""
        outputs = may_be_on(self._log.folder, self._log.contents)
        self._heart.warn(" ".join(outputs))
        return outputs

    def run_folder(self, number: int) -> Path | None:
        """Where a job's run is, if it has begun."""
        named = self._log.contents.folders.get(number)
        return None if named is None else run_folder(self._log.folder, named)

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
        from harness.report.html import html_pages

        made = opening.report(folder)
        with in_language(made, made.setup.job.language, partial(opening.report, folder)) as spoken:
            for name, text in html_pages(spoken, "report.html").items():
                write_text(folder / name, text)
    except Exception as error:  # noqa: BLE001 - the readings are on disk; the page can be made again
        return (f"The report of {folder.name} could not be written: {error}",)
    return ()
