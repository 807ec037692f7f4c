"""Looks through folders that benches write their runs and queues to, again and again; what has not changed is not
read again. Nothing is written.
"""

from __future__ import annotations

import datetime as dt
import os
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Final, TypeVar

from harness.errors import HalfpowerError, JournalError
from harness.journal import issues, journal
from harness.night import heartbeat, in_doubt, log
from harness.night.heartbeat import Beat, Judgement
from harness.night.in_doubt import Said
from harness.night.log import Ending, LogContents
from harness.night.watching import look as judged
from harness.office.journals import RunFacts, facts_of, moment
from harness.quantities import counted, duration
from harness.words.clock import Clock

T = TypeVar("T")
Stamp = tuple[int, int]  # when a file was last written, and its size

DEEP: Final = 4  # folders below one that is named
MOST_RUNS: Final = 300  # whose journals are read, the newest
MOST_QUEUES: Final = 100
QUIET_S: Final = 3600.0  # a person may take so long over a reading; after that a run without an end is in doubt


@dataclass(frozen=True, slots=True, kw_only=True)
class Queue:
    """A queue as it stands: its log, and what its heartbeat means."""

    folder: Path
    contents: LogContents
    judgement: Judgement | None
    beat: Beat | None
    at: dt.datetime

    @property
    def works(self) -> bool:
        """Whether its process is at work."""
        return self.judgement is not None and self.judgement.kind in ("alive", "asked")

    @property
    def place(self) -> str:
        """Its folder's name and the one above, which tells it from another bench's queue of the same night."""
        return f"{self.folder.parent.name}/{self.folder.name}"

    def run_of(self, job: int) -> Path | None:
        """The folder of a job's run."""
        named = self.contents.folders.get(job)
        return None if named is None else log.run_folder(self.folder, named)


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """What stands in the folders, the newest first."""

    queues: tuple[Queue, ...]
    runs: tuple[RunFacts, ...]
    problems: tuple[str, ...]
    looked: str

    def run(self, folder: Path | None) -> RunFacts | None:
        """The facts of a run by its folder."""
        return next((run for run in self.runs if run.folder == folder), None)

    def last(self, queue: Queue, job: int) -> Ending | None:
        """How a job stands: as its queue left it, unless its run was gone on with and came to its end since."""
        ending, run = queue.contents.last(job), self.run(queue.run_of(job))
        if ending is not None and ending.how != "done" and run is not None and run.ended:
            return replace(ending, how="done") if run.at > moment(ending.at) else ending
        return ending


@dataclass(slots=True)
class Folders:
    """Folders that are looked through again and again."""

    roots: Sequence[Path]
    clock: Clock
    _kept: dict[Path, tuple[Stamp, object]] = field(default_factory=dict)
    _beats: dict[Path, tuple[Beat, float, Judgement | None]] = field(default_factory=dict)

    def look(self) -> Found:
        """What stands there now."""
        problems: list[str] = []
        logs, journals = self._files(problems)
        some_logs, some = _newest(logs)[:MOST_QUEUES], _newest(journals)[:MOST_RUNS]
        queues = [each for path in some_logs if (each := self._queue(path.parent, logs[path], problems))]
        runs = [
            made for path in some if (made := self._once(path, journals[path], lambda p: facts_of(p.parent), problems))
        ]
        self._kept = {path: kept for path, kept in self._kept.items() if path in logs or path in journals}
        return Found(
            queues=tuple(sorted(queues, key=lambda queue: queue.at, reverse=True)),
            runs=tuple(sorted(runs, key=lambda run: run.at, reverse=True)),
            problems=(*problems, *(run.trouble for run in runs if run.trouble)),
            looked=f"{_of_all(len(journals), MOST_RUNS, 'run')} and {_of_all(len(logs), MOST_QUEUES, 'queue')} in "
            + ", ".join(map(str, self.roots)) if self.roots else "",
        )  # fmt: skip

    def _files(self, problems: list[str]) -> tuple[dict[Path, Stamp], dict[Path, Stamp]]:
        logs: dict[Path, Stamp] = {}
        journals: dict[Path, Stamp] = {}
        for root in self.roots:
            closed: list[str] = []
            try:
                for path, stamp in _below(root, DEEP, closed):
                    (logs if path.name == log.NAME else journals)[path] = stamp
            except OSError as error:
                problems.append(f"{error.filename or root}: cannot be looked into: {error.strerror}.")
            if closed:
                problems.append(
                    f"{root}: {counted(len(closed), 'folder')} may be looked into by another user alone, {closed[0]} "
                    "first: what is in doubt there is not seen. Start this page as the user who owns them."
                )
        return logs, journals

    def _once(self, path: Path, stamp: Stamp, read: Callable[[Path], T], problems: list[str]) -> T | None:
        """What is read of a file, anew only where it has changed; a sentence where it cannot be."""
        if path not in self._kept or self._kept[path][0] != stamp:
            try:
                self._kept[path] = stamp, read(path)
            except HalfpowerError as error:
                self._kept[path] = stamp, error
            except (OSError, LookupError, ValueError, TypeError, AttributeError) as error:
                self._kept[path] = stamp, JournalError(f"{path}: cannot be understood ({error}).")
        made = self._kept[path][1]
        if isinstance(made, HalfpowerError):
            problems.append(str(made))
            return None
        return made  # type: ignore[return-value] # it is what `read` gave for this path

    def _queue(self, folder: Path, stamp: Stamp, problems: list[str]) -> Queue | None:
        contents = self._once(folder / log.NAME, stamp, log.read, problems)
        if contents is None:
            return None
        beat, judgement = self._beat(folder / heartbeat.NAME)
        at = moment(contents.last_at)
        at = max(at, beat.at) if beat else at
        return Queue(folder=folder, contents=contents, judgement=judgement, beat=beat, at=at)

    def _beat(self, path: Path) -> tuple[Beat | None, Judgement | None]:
        """The heartbeat and what it means; how long it has been the same is counted by this clock alone."""
        try:
            beat = heartbeat.read(path)
        except JournalError:
            return None, None
        before = self._beats.get(path)
        if before is None or before[0] != beat:
            judgement = judged(beat, self.clock, None if before is None else 0.0)
            self._beats[path] = beat, self.clock.now(), judgement if judgement.kind == "alarm" else None
            return beat, judgement
        _, since_s, alarm = before
        # What was silent when it was first seen stays so until something is heard of it.
        return beat, alarm or judged(beat, self.clock, self.clock.now() - since_s)


def _below(folder: Path, deep: int, closed: list[str]) -> Iterator[tuple[Path, Stamp]]:
    """The logs and journals below a folder; a run's or a queue's own folder is not gone into.

    What may not be looked into is named in `closed`.
    """
    with os.scandir(folder) as entries:
        each = sorted(entries, key=lambda entry: entry.name)
    files = [entry for entry in each if entry.name in (log.NAME, journal.NAME) and entry.is_file()]
    beside = [entry.stat().st_mtime_ns for entry in each if entry.name == issues.NAME]  # an approval changes no journal
    for entry in files:
        status = entry.stat()
        yield Path(entry.path), (max([status.st_mtime_ns, *beside]), status.st_size)
    if files or not deep:
        return
    for entry in each:
        if entry.is_dir(follow_symlinks=False) and not entry.name.startswith("."):
            try:
                yield from _below(Path(entry.path), deep - 1, closed)
            except PermissionError:
                closed.append(entry.name)
            except FileNotFoundError:
                continue  # gone in this instant


def _of_all(count: int, most: int, what: str) -> str:
    """How many were looked at: "3 runs", or "the newest 300 of 412 runs"."""
    return f"the newest {most} of {counted(count, what)}" if count > most else counted(count, what)


def _newest(files: dict[Path, Stamp]) -> list[Path]:
    return sorted(files, key=lambda path: files[path], reverse=True)


# --- what is in doubt --------------------------------------------------------------------------------------------


def outputs_in_doubt(found: Found, now: dt.datetime) -> tuple[str, ...]:
    """The outputs that may still be on, of all benches, a sentence each, until the same bench has confirmed."""
    every = [*_of_queues(found), *_of_runs(found, now)]
    return in_doubt.standing(sorted(every, key=lambda said: moment(said.at)))


def _of_queues(found: Found) -> Iterator[Said]:

    def left_on(folder: Path) -> tuple[str, ...]:
        run = found.run(folder)
        return run.left_on if run else in_doubt.left_in(folder)

    for queue in found.queues:
        keys = _benches(found, queue)
        tries = queue.contents.tries
        if queue.works:  # what is under way: its outputs are its own affair
            tries = [each for each in tries if each not in queue.contents.under_way]
        for said in in_doubt.said(queue.folder, replace(queue.contents, tries=tries), left_on):
            yield replace(
                said, bench=keys.get(said.bench, f"{queue.contents.header['host']}\n{said.bench}"),
                sentences=tuple(f"{queue.contents.header['host']}, {queue.place}, {text}" for text in said.sentences),
            )  # fmt: skip


def _benches(found: Found, queue: Queue) -> dict[str, str]:
    """By what each bench of a queue is known in the journals of its runs."""
    keys: dict[str, str] = {}
    for each in queue.contents.tries:
        run = found.run(log.run_folder(queue.folder, each.folder)) if each.folder else None
        if run is not None:
            keys[each.bench] = run.bench_key
    return keys


def _of_runs(found: Found, now: dt.datetime) -> Iterator[Said]:
    """What the runs say that are no queue's, or went on after their queue had left them."""
    left = queued(found.queues)
    for run in found.runs:
        queue_left = left.get(run.folder)
        if run.folder in left and (queue_left is None or run.at <= queue_left):
            continue
        if not run.ended and run.left_on == (in_doubt.UNSEEN,) and quiet_s(run, now) < QUIET_S:
            continue  # it is under way
        sentences = tuple(f"{run.number}, {run.bench}: {text}" for text in run.left_on)
        yield Said(bench=run.bench_key, at=run.at.isoformat(), sentences=sentences)


def queued(queues: Iterable[Queue]) -> dict[Path, dt.datetime | None]:
    """The runs of queues, each with the moment at which its queue left it; None where it has not."""
    left: dict[Path, dt.datetime | None] = {}
    for queue in queues:
        for each in queue.contents.tries:
            if each.folder:
                ended = moment(each.ending.at) if each.ending else None if queue.works else queue.at
                left[log.run_folder(queue.folder, each.folder)] = ended
    return left


def quiet_s(run: RunFacts, now: dt.datetime) -> float:
    """How long nothing was written of a run."""
    return max((now - run.at).total_seconds(), 0.0)


def quiet_text(run: RunFacts, now: dt.datetime) -> str:
    """How far a run without an end is, and since when nothing was heard of it."""
    part = f"{run.part}, " if run.part else ""
    return f"{part}{counted(run.readings, 'reading')}; the last entry is {duration(quiet_s(run, now))} old"
