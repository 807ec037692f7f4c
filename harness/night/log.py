"""The log of a queue: what was to be done, what was begun, and how each job ended; on disk before anything goes on.

Everything else is read back from it: what is open after a crash, the morning page, where the runs are. The lines
are those of `harness.journal.sealed`; no address of a channel ever stands in them.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any, Final, Literal, TypeAlias

from harness.errors import JournalError
from harness.journal.sealed import SealedFile, Style, lines

FORMAT: Final = 1
NAME: Final = "queue.jsonl"
_NOT_OFF: Final = "An output would not go off."
STYLE: Final = Style(
    kind="queue",
    format=FORMAT,
    name=NAME,
    what="a log of a queue",
    place="the folder of a queue",
    taken="there is a queue here already; go on with it, or name another folder with --runs.",
    remedy="Everything up to the entry before is on disk; make room, then go on with 'halfpower queue --go-on'.",
    gone="The queue ends here. Put the folder back, then go on with 'halfpower queue --go-on'; if it is deleted, start "
    "the queue again.",
)

How: TypeAlias = Literal["done", "ended early", "failed", "fault", "needs hands", "changed", "stopped"]


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedPart:
    """One sequence of a job as it was rehearsed."""

    name: str
    title: str
    points: int  # those that are known beforehand


@dataclass(frozen=True, slots=True, kw_only=True)
class QueuedJob:
    """One job of the queue, as it was checked."""

    path: str
    unit: str
    serial: str
    estimated_s: float
    digest: str
    parts: tuple[PlannedPart, ...]
    bench: str = ""  # its file; logs of before had no such key

    @property
    def name(self) -> str:
        """The file's name alone."""
        return Path(self.path).name


@dataclass(frozen=True, slots=True, kw_only=True)
class LeftOut:
    """A job that was refused and left out, and why."""

    path: str  # as it was named
    problems: tuple[str, ...]
    file: str = ""  # its whole path; logs of before had no such key

    @property
    def whole(self) -> str:
        """The path by which it would stand among the jobs."""
        return self.file or str(Path(self.path).resolve())


@dataclass(frozen=True, slots=True, kw_only=True)
class Ending:
    """How one try of a job ended, and whether another could go better.

    `off` says whether every output was switched off at the end, None where the bench was not reached.
    """

    job: int
    attempt: int
    how: How
    text: str
    again: bool
    off: bool | None
    outputs: tuple[str, ...]
    at: str

    @property
    def said(self) -> str:
        """How it ended, without the sentences about outputs, which stand above all else as it is."""
        text = self.text
        for output in self.outputs:
            text = text.replace(output, _NOT_OFF)
        return re.sub(rf"({_NOT_OFF})( {_NOT_OFF})+", r"\1", text)


@dataclass(slots=True, kw_only=True)
class Try:
    """One try of a job: on which bench, into which run, and how it ended; None where it was cut off."""

    job: int
    attempt: int
    bench: str
    folder: str = ""
    at: str
    ending: Ending | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Interruption:
    """A queue that was cut off or stopped, and gone on with; `under_way` are the tries that have no ending."""

    last_at: str
    went_on_at: str
    stopped: bool  # by a signal, in order
    under_way: tuple[Try, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Happened:
    """Something that concerns the whole night: the clock was set, a channel failed, the machine may sleep.

    An interruption has its place among them, and no text: `LogContents.interruptions` says what it was.
    """

    what: str
    text: str
    at: str


@dataclass(slots=True, kw_only=True)
class LogContents:
    """A log, read back."""

    header: Mapping[str, Any]
    jobs: tuple[QueuedJob, ...]
    left_out: tuple[LeftOut, ...]
    begun: dict[int, int] = field(default_factory=dict)  # how many tries of each job were begun
    folders: dict[int, str] = field(default_factory=dict)  # of each job's run, from the queue's folder
    tries: list[Try] = field(default_factory=list)  # in the order in which they ended, those under way last
    under_way: list[Try] = field(default_factory=list)
    interruptions: list[Interruption] = field(default_factory=list)
    events: list[Happened] = field(default_factory=list)
    start: str = ""  # the moment to wait for; "" for none
    started_at: str = ""
    closed_at: str | None = None
    last_at: str = ""  # of the last line: what came last stands last, whatever the clock said

    @property
    def endings(self) -> list[Ending]:
        """How tries ended, in that order."""
        return [each.ending for each in self.tries if each.ending is not None]

    def last(self, job: int) -> Ending | None:
        """How the last try of a job ended; None where it was never tried, or is under way, or was cut off."""
        endings = [ending for ending in self.endings if ending.job == job]
        return endings[-1] if endings and endings[-1].attempt == self.begun.get(job) else None

    def done(self, job: int) -> bool:
        """Whether nothing is left of a job."""
        last = self.last(job)
        return last is not None and last.how == "done"

    def bench(self, job: int) -> str:
        """The bench of a job as it is now; of logs of before the job itself stands for it."""
        return self.jobs[job].bench or self.jobs[job].path


def run_folder(folder: Path, named: str) -> Path:
    """Where a run is that a log names: beside the queue's folder, wherever both were moved to."""
    return folder.parent / Path(named).name


def read(folder: Path) -> LogContents:
    """Read a log back; `folder` is the queue's folder or the file itself."""
    path = folder / NAME if folder.is_dir() else folder
    contents: LogContents | None = None
    for line in lines(path, STYLE):
        try:
            if contents is None:
                contents = _begin(line.entry)
            else:
                _take(contents, line.entry)
        except (LookupError, ValueError, TypeError, StopIteration) as error:
            raise JournalError(f"{path}:{line.number}: this line is no entry of a log ({error}).") from None
    if contents is None:
        raise JournalError(f"{path}: the log is empty: nothing was begun. Start the queue again.")
    return contents


def _begin(entry: Mapping[str, Any]) -> LogContents:
    jobs = tuple(_job(job) for job in entry["jobs"])
    left_out = tuple(LeftOut(**{**refused, "problems": tuple(refused["problems"])}) for refused in entry["left_out"])
    return LogContents(header=entry, jobs=jobs, left_out=left_out, start=str(entry["start"]), last_at=str(entry["at"]))


def _job(entry: Mapping[str, Any]) -> QueuedJob:
    return QueuedJob(**{**entry, "parts": tuple(PlannedPart(**part) for part in entry["parts"])})


def _take(contents: LogContents, entry: Mapping[str, Any]) -> None:
    before, at = contents.last_at, str(entry["at"])
    contents.last_at = at
    match entry["kind"]:
        case "went on":
            if contents.closed_at is None:
                contents.interruptions.append(_interruption(contents, before, at))
                contents.events.append(Happened(what="interrupted", text="", at=before))
            contents.closed_at = None
            contents.under_way = []
        case "job":
            _set_job(contents, entry["job"], _job(entry["now"]), at)
        case "start":
            contents.start = str(entry["start"])
        case "started":
            contents.started_at, contents.closed_at = contents.started_at or at, None
        case "begun":
            job = entry["job"]
            contents.begun[job] = entry["attempt"]
            begun = Try(job=job, attempt=entry["attempt"], bench=contents.bench(job),
                        folder=contents.folders.get(job, ""), at=at)  # fmt: skip
            contents.tries.append(begun)
            contents.under_way.append(begun)
        case "folder":
            contents.folders[entry["job"]] = _of(contents, entry).folder = entry["folder"]
        case "ended":
            kept = {key: entry[key] for key in ("job", "attempt", "how", "text", "again", "off")}
            ending = Ending(**kept, outputs=tuple(entry["outputs"]), at=at)
            ended = _of(contents, entry)
            ended.ending = ending
            contents.under_way.remove(ended)
            contents.tries = [each for each in contents.tries if each not in (ended, *contents.under_way)]
            contents.tries += [ended, *contents.under_way]
        case "event":
            contents.events.append(Happened(what=entry["what"], text=entry["text"], at=at))
        case "end":
            contents.closed_at = at
        case other:
            raise ValueError(f"unknown kind {other!r}")


def _set_job(contents: LogContents, number: int, job: QueuedJob, at: str) -> None:
    """A job is another from here on; one behind the last was left out, and is taken up."""
    if number == len(contents.jobs):
        contents.left_out = tuple(each for each in contents.left_out if each.whole != job.path)
        text = f"{job.name}, which was left out, has been put right and is taken up."
        contents.events.append(Happened(what="taken up", text=text, at=at))
    jobs = list(contents.jobs)
    jobs[number : number + 1] = [job]
    contents.jobs = tuple(jobs)


def _of(contents: LogContents, entry: Mapping[str, Any]) -> Try:
    """The try of a job that is under way."""
    return next(each for each in contents.under_way if each.job == entry["job"])


def _interruption(contents: LogContents, last_at: str, went_on_at: str) -> Interruption:
    last = contents.tries[-1] if contents.tries else None
    return Interruption(
        last_at=last_at, went_on_at=went_on_at, under_way=tuple(contents.under_way),
        stopped=last is not None and last.ending is not None and last.ending.how == "stopped",
    )  # fmt: skip


class Log:
    """The open log; every entry is on disk when its method returns."""

    def __init__(self, file: SealedFile, contents: LogContents) -> None:
        self._file, self.contents = file, contents
        self.folder = file.path.parent

    @classmethod
    def create(cls, folder: Path, header: Mapping[str, Any], stamp: Callable[[], str]) -> Log:
        """Begin a new log in a folder that has none."""
        file = SealedFile.create(folder / NAME, STYLE, stamp, header)
        return cls(file, read(folder))

    @classmethod
    def reopen(cls, folder: Path, stamp: Callable[[], str]) -> Log:
        """Continue a log: checks every line, then drops a torn tail."""
        contents = read(folder)
        return cls(SealedFile.reopen(folder / NAME, STYLE, stamp), contents)

    def went_on(self) -> None:
        """Another process goes on with the queue."""
        self._append(kind="went on")

    def job(self, job: int, now: QueuedJob) -> None:
        """A job was changed since it was checked, and is another from here on; or one that was left out is taken up."""
        self._append(kind="job", job=job, now=asdict(now))

    def start_at(self, start: str) -> None:
        """Another moment to begin at was asked for."""
        self._append(kind="start", start=start)

    def started(self) -> None:
        """The first job is about to begin, or the queue goes on."""
        self._append(kind="started")

    def begun(self, job: int, attempt: int) -> None:
        """A try of a job begins."""
        self._append(kind="begun", job=job, attempt=attempt)

    def run_folder(self, job: int, folder: str) -> None:
        """Where a job's run is, from the queue's folder."""
        self._append(kind="folder", job=job, folder=folder)

    def ended(
        self, job: int, attempt: int, how: How, text: str, *, again: bool, off: bool | None, outputs: tuple[str, ...]
    ) -> None:
        """A try of a job ended."""
        kept = {"how": how, "text": text, "again": again, "off": off, "outputs": outputs}
        self._append(kind="ended", job=job, attempt=attempt, **kept)

    def event(self, what: str, text: str) -> None:
        """Something happened that concerns the whole night."""
        self._append(kind="event", what=what, text=text)

    def end(self) -> None:
        """Nothing is left that could be done."""
        self._append(kind="end")

    def close(self) -> None:
        """Close the file."""
        self._file.close()

    def _append(self, **entry: Any) -> None:
        _take(self.contents, {**entry, "at": self._file.append(entry)})


def header_of(jobs: tuple[QueuedJob, ...], left_out: tuple[LeftOut, ...], **more: Any) -> dict[str, Any]:
    """The first line of a log."""
    return {**more, "jobs": [asdict(job) for job in jobs], "left_out": [asdict(refused) for refused in left_out]}
