"""The office page's state: everything is looked at again and again, in a thread of its own, and put into words."""

from __future__ import annotations

import datetime as dt
import threading
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from typing import Final

from harness.errors import shell_word
from harness.night.heartbeat import sentence as doing
from harness.night.log import Ending
from harness.office.folders import Folders, Found, Queue, outputs_in_doubt, queued, quiet_s, quiet_text
from harness.office.journals import RunFacts, verdict_of
from harness.office.registered import Registered
from harness.office.sight import Draft, Failure, JobSight, Kind, QueueSight, ReportSight, RunSight, Sight
from harness.office.stored import MOST, InStore, Stored
from harness.report.shown import SIMULATED
from harness.words.clean import shortened
from harness.words.clock import Clock

EVERY_S: Final = 5.0
_QUEUES_FOR: Final = dt.timedelta(days=3)  # so long a queue that has ended is shown
_FAILED_FOR: Final = dt.timedelta(days=14)
_UNFINISHED_FOR: Final = dt.timedelta(days=14)
_MOST_QUEUES: Final = 12
_MOST_FAILED: Final = 30
_LONGEST: Final = 300  # characters of a reason; the page of the night has the whole

_JOB: Final[dict[str, tuple[str, Kind]]] = {
    "done": ("done", "good"), "stopped": ("stopped", "open"), "needs hands": ("needs hands", "bad"),
}  # fmt: skip


@dataclass(slots=True, kw_only=True)
class Board:
    """What the page shows; `work` keeps it new until `end`."""

    title: str
    folders: Folders
    stored: Stored | None
    registered: Registered | None = None
    simulated: bool
    clock: Clock
    ended: str = ""
    _sight: Sight = field(default_factory=lambda: Sight(at="", title=""))
    _tell: Callable[[], None] = lambda: None
    _over: threading.Event = field(default_factory=threading.Event)
    _verdicts: dict[str, tuple[str, Kind]] = field(default_factory=dict)

    def tells(self, whom: Callable[[], None]) -> None:
        """Who is told of every change."""
        self._tell = whom

    def state(self) -> str:
        """What is to be seen, as JSON."""
        return replace(self._sight, ended=self.ended).to_json()

    def end(self, sentence: str) -> None:
        """Show nothing more but this."""
        self.ended = sentence
        self._over.set()
        self._tell()

    def work(self) -> None:
        """Look again and again."""
        while not self._over.wait(EVERY_S):
            self.look()

    def look(self) -> Sight:
        """Look at everything once."""
        now = self.clock.utc()
        found = self.folders.look()
        kept = self._kept(now.date())
        found = replace(found, queues=tuple(self._wanted(found)), runs=tuple(
            run for run in found.runs if run.simulated is self.simulated
        ))  # fmt: skip
        self._sight = Sight(
            at=now.isoformat(timespec="seconds"), title=self.title, marks=(SIMULATED,) if self.simulated else (),
            in_doubt=outputs_in_doubt(found, now),
            queues=tuple(_queue(found, queue) for queue in _shown(found, now)),
            runs=tuple(_runs(found, now)), failed=tuple(_failed(found, now))[:_MOST_FAILED],
            reports=self._reports(found, kept), drafts=tuple(_drafts(found)), standards=kept.standards,
            units=kept.units, problems=(*found.problems, *kept.problems), looked=found.looked,
        )  # fmt: skip
        self._tell()
        return self._sight

    def _kept(self, today: dt.date) -> InStore:
        """What the store says; of a standard that stands in the register the register alone."""
        kept = self.stored.look(today, self.clock.now()) if self.stored else InStore()
        if self.registered is None:
            return kept
        standards, known, trouble = self.registered.look(today)
        others = (each for each in kept.standards if each.serial not in known)
        return replace(kept, standards=(*standards, *others), problems=(*kept.problems, *filter(None, (trouble,))))

    def _wanted(self, found: Found) -> Iterator[Queue]:
        """The queues of real runs, or of simulated ones; one that has begun none yet is shown with both."""
        for queue in found.queues:
            runs = [run for job in queue.contents.folders if (run := found.run(queue.run_of(job)))]
            if not runs or any(run.simulated is self.simulated for run in runs):
                yield queue

    def _reports(self, found: Found, kept: InStore) -> tuple[ReportSight, ...]:
        """The latest of the store, and of the folders what the store has not."""
        known = {run.id: run for run in found.runs}
        others = [run for run in found.runs if run.ended and run.id not in kept.ids][:MOST]
        every = [*kept.reports, *(self._report(run) for run in others)]
        every = [*_told_apart([_with_state(report, known.get(report.run_id)) for report in every])]
        return tuple(sorted(every, key=lambda report: dt.datetime.fromisoformat(report.at), reverse=True)[:MOST])

    def _report(self, run: RunFacts) -> ReportSight:
        key = f"{run.id} {run.at.isoformat()}"
        if key not in self._verdicts:
            self._verdicts[key] = verdict_of(run.folder)
        word, kind = self._verdicts[key]
        return ReportSight(
            run_id=run.id, number=run.number, unit=run.unit, bench=run.bench, at=run.at.isoformat(timespec="seconds"),
            word=word, kind=kind, folder=str(run.folder),
        )  # fmt: skip


def _shown(found: Found, now: dt.datetime) -> list[Queue]:
    """The queues that are at work, in alarm or ended lately; those that ask for somebody first."""
    recent = [queue for queue in found.queues if queue.works or now - queue.at < _QUEUES_FOR]
    order = {"bad": 0, "open": 1, "good": 2, "none": 3}
    return sorted(recent, key=lambda queue: order[_state(queue)[1]])[:_MOST_QUEUES]


def _state(queue: Queue) -> tuple[str, Kind, str]:
    """A queue in a word, its colour and a sentence."""
    judgement, beat = queue.judgement, queue.beat
    contents = queue.contents
    undone = bool(contents.left_out) or not all(map(contents.done, range(len(contents.jobs))))
    if judgement is None or beat is None:
        what = "ended" if queue.contents.closed_at else "no sign of life"
        return what, "none" if queue.contents.closed_at else "bad", "It has no heartbeat that can be read."
    said = doing(beat)
    match judgement.kind:
        case "ended":
            word = "not all done" if undone else "all done"
            return word, "open" if undone else "none", beat.text[:1].upper() + beat.text[1:]
        case "alarm":
            return "no sign of life", "bad", judgement.sentence
        case "asked":
            return "waits for a person", "open", f"{said}: waiting for a person."
        case _:
            return "waits" if beat.doing == "waiting" else "at work", "good", said


def _queue(found: Found, queue: Queue) -> QueueSight:
    word, kind, sentence = _state(queue)
    contents, beat = queue.contents, queue.beat
    jobs = tuple(_job(found, queue, number) for number in range(len(contents.jobs)))
    over = sum(job.word == "done" for job in jobs)
    under_way = queue.works and bool(contents.under_way)
    share = beat.step / beat.steps if under_way and beat and beat.steps else 0.0
    return QueueSight(
        name=queue.place, title=str(contents.header["title"]) or "Unattended night",
        host=str(contents.header["host"]), at=queue.at.isoformat(timespec="seconds"), word=word, kind=kind,
        sentence=sentence, done=min((over + share) / max(len(jobs), 1), 1.0), jobs=jobs,
    )  # fmt: skip


def _job(found: Found, queue: Queue, number: int) -> JobSight:
    contents = queue.contents
    job, last = contents.jobs[number], found.last(queue, number)
    if last is not None:
        word, kind = _JOB.get(last.how, (last.how, "bad"))
    elif not contents.begun.get(number):
        word, kind = "not tried yet", "none"
    else:
        under_way = queue.works and any(each.job == number for each in contents.under_way)
        word, kind = ("under way", "good") if under_way else ("cut off", "bad")
    return JobSight(name=job.name, unit=_unit(found, queue, number), word=word, kind=kind)


def _unit(found: Found, queue: Queue, number: int) -> str:
    """The unit of a job: by its run's journal, else as it was queued."""
    run, job = found.run(queue.run_of(number)), queue.contents.jobs[number]
    return run.unit if run else f"{job.unit}, no. {job.serial}"


def _runs(found: Found, now: dt.datetime) -> Iterator[RunSight]:
    """The runs that are no queue's and have no end."""
    of_queues = queued(found.queues)
    for run in found.runs:
        if not run.ended and run.folder not in of_queues and quiet_s(run, now) < _UNFINISHED_FOR.total_seconds():
            yield RunSight(
                number=run.number, unit=run.unit, bench=run.bench, at=run.at.isoformat(timespec="seconds"),
                sentence=quiet_text(run, now),
            )  # fmt: skip


def _failed(found: Found, now: dt.datetime) -> Iterator[Failure]:
    """The jobs that ended and are not done, and those that were left out beforehand."""
    for queue in found.queues:
        if now - queue.at > _FAILED_FOR:
            continue
        for number, job in enumerate(queue.contents.jobs):
            last = found.last(queue, number)
            if last is not None and last.how != "done":
                yield Failure(
                    where=f"{queue.place}, {job.name}", unit=_unit(found, queue, number), at=last.at,
                    sentence=_why(last),
                )  # fmt: skip
        for left in queue.contents.left_out:
            name = left.path.replace("\\", "/").rpartition("/")[2]
            said = left.problems[0].removeprefix(f"{left.path}: ") if left.problems else ""
            at = str(queue.contents.header["at"])
            said = shortened(f"Left out beforehand: {said}", _LONGEST)
            yield Failure(where=f"{queue.place}, {name}", unit="", at=at, sentence=said)


def _with_state(report: ReportSight, run: RunFacts | None) -> ReportSight:
    """A report as its run's folder knows it: its number in force, and whether it is approved."""
    if run is None or run.state in ("", "unreviewed"):
        return report
    return replace(report, number=run.number, state=run.state)


def _told_apart(reports: Sequence[ReportSight]) -> Iterator[ReportSight]:
    """The same reports; those whose number another run has too say so."""
    runs = Counter(number for number, _ in {(report.number, report.run_id) for report in reports})
    for report in reports:
        shared = f"number of {runs[report.number]} runs" if runs[report.number] > 1 else ""
        yield replace(report, state=", ".join(filter(None, (report.state, shared))))


def _drafts(found: Found) -> Iterator[Draft]:
    """The reports that wait for approval, the oldest first."""
    for run in reversed(found.runs):
        if run.ended and run.state == "draft":
            by = f" by somebody other than {run.operator}" if run.operator else ""
            yield Draft(
                number=run.number, unit=run.unit, at=run.at.isoformat(timespec="seconds"),
                sentence=f"Waits for approval{by}: halfpower approve {shell_word(run.folder)} --by NAME",
            )  # fmt: skip


def _why(last: Ending) -> str:
    return shortened(f"Ended early. {last.said}" if last.how == "ended early" else last.said, _LONGEST)
