"""The account of a night: from the queue's log and the journals of its runs, and from nothing else."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Iterator, Mapping
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from typing import Final

from harness.errors import HalfpowerError, shell_word
from harness.journal import journal
from harness.night import log as logs
from harness.night.in_doubt import left_on, may_be_on
from harness.night.log import Ending, QueuedJob
from harness.report import shown
from harness.report.model import PartResult, Report
from harness.report.night import Night, NightEvent, NightRun, Outcome, Refused, next_step, sentence, span
from harness.report.summary import summarise
from harness.report.words import AS_PLANNED

_NEXT: Final = {
    "done": "Look for the folder of its run, which was moved, removed or damaged: {run}",
    "stopped": "Go on with the queue.",
    "fault": "Its traceback stands in queue.jsonl; send it to whoever looks after the program or the driver.",
    "changed": "Check the changed files, then queue the job again.",
    "ended early": "Look at the instrument that is named, then resume the run: halfpower resume {folder}",
    "needs hands": "Resume the run at the bench: halfpower resume {folder}",
    "failed": "Put right what is named, then go on with the queue: halfpower queue --go-on {queue}",
}
_NEXT_ANEW: Final = "Put right what is named, then run the job: halfpower run {job}"


def account(folder: Path) -> Night:
    """Read a queue's folder and say what happened."""
    contents = logs.read(folder)
    folder = folder if folder.is_dir() else folder.parent
    header = contents.header
    runs_folder = Path(str(header.get("runs") or folder.resolve().parent))  # logs of before had no such key
    queue = runs_folder / folder.resolve().name
    runs, simulated = [], False
    for number, job in enumerate(contents.jobs):
        record = _run_of(folder, contents, number)
        simulated = simulated or (record is not None and record[1].simulated)
        runs.append(_run(contents, number, job, record, queue))
    warned, interruptions = may_be_on(folder, contents), _interruptions(folder, contents)
    refused = tuple(
        Refused(
            job=Path(left_out.path).name,
            problems=tuple(problem.removeprefix(f"{left_out.path}: ") for problem in left_out.problems),
        )
        for left_out in contents.left_out
    )
    finished = contents.closed_at is not None
    return Night(
        name=folder.resolve().name,
        title=str(header["title"]) or "Unattended night",
        program=f"Halfpower {header['program']}",
        host=str(header["host"]),
        started=contents.started_at or str(header["at"]),
        ended=contents.closed_at or contents.last_at,
        finished=finished,
        simulated=simulated,
        sentence=sentence(runs, refused),
        next_step=next_step(runs, refused, shell_word(queue), finished=finished, warned=bool(warned)),
        may_be_on=warned,
        runs=tuple(runs),
        refused=refused,
        events=tuple(_events(contents, interruptions)),
        interrupted=tuple(span(each.last_at, each.went_on_at) for each in interruptions),
    )


def _run_of(folder: Path, contents: logs.LogContents, number: int) -> tuple[journal.Contents, Report] | None:
    named = contents.folders.get(number)
    if named is None:
        return None
    try:
        record = journal.read(logs.run_folder(folder, named))
        return record, summarise(record)
    except HalfpowerError:
        return None  # moved, removed or damaged: the log still says how it ended


def _run(
    contents: logs.LogContents,
    number: int,
    job: QueuedJob,
    record: tuple[journal.Contents, Report] | None,
    queue: Path,
) -> NightRun:
    last = contents.last(number)
    named = contents.folders.get(number, "")
    run, report = Path(named).name, record[1] if record else None
    unit = report.setup.unit if report else None
    ended = _local(report.ended, contents) if report else ""
    path = queue.parent / run if run else ""
    names = {"run": path, "folder": path and shell_word(path), "job": shell_word(job.path), "queue": shell_word(queue)}
    outcome = _outcome(last, report, contents.begun.get(number, 0))
    off = _outputs_off(last, record[0] if record else None)
    missing = tuple(_missing(job, report)) if report else tuple(part.title for part in job.parts)
    return NightRun(
        job=job.name,
        unit=f"{unit.maker} {unit.model}" if unit else job.unit,
        serial=report.setup.job.serial if report else job.serial,
        outcome=outcome,
        sentence=_sentence(last, report, outcome, ended),
        next_step=_next_step(last, report, outcome, names),
        started=_local(report.started, contents) if report else "",
        ended=ended,
        taken=sum(_taken(part) for part in report.parts) if report else 0,
        planned=_planned(job, report),
        missing=missing if outcome not in ("meets", "does not meet", "not tried") or report else (),
        events=sum(event.what not in AS_PLANNED for event in record[0].events) if record else 0,
        tries=contents.begun.get(number, 0),
        outputs=_outputs(last, contents.begun.get(number, 0), off=off),
        outputs_off=off,
        run=run,
        interrupted=tuple(
            span(_local(each.last_at, contents), _local(each.went_on_at, contents)) for each in record[0].interruptions
        )
        if record
        else (),
        link=f"{named}/report.html" if record else "",
    )


def _local(stamp: str, contents: logs.LogContents) -> str:
    """A run's time, which is kept as UTC, by the clock on the wall where the queue was begun."""
    zone = dt.datetime.fromisoformat(str(contents.header["at"])).tzinfo
    return dt.datetime.fromisoformat(stamp).astimezone(zone).isoformat(timespec="seconds")


def _outcome(last: Ending | None, report: Report | None, tries: int) -> Outcome:
    if last is not None and last.how == "done" and report is not None:
        return report.overall
    return "not done" if tries else "not tried"


def _sentence(last: Ending | None, report: Report | None, outcome: Outcome, ended: str) -> str:
    if outcome == "not tried":
        return "It has not been tried yet."
    if last is None:
        since = f" Its last entry is of {shown.moment(ended)}." if ended else ""
        return f"It was under way when the program was cut off, or is still under way.{since}"
    if last.how == "done":
        return report.sentence if report else "It was done, but its record cannot be read any more."
    return f"Ended early. {last.said}" if last.how == "ended early" else last.said


def _next_step(last: Ending | None, report: Report | None, outcome: Outcome, names: Mapping[str, object]) -> str:
    """What to do about a job; `names` are the words that stand in a command: its folder, its file, its queue."""
    if last is not None and last.how == "done" and report is not None:
        return report.next_step
    if outcome == "not tried" or last is None:
        return "Go on with the queue."
    how = "failed" if last.how == "ended early" and not last.again else last.how
    text = _NEXT_ANEW if how in ("failed", "needs hands") and not names["folder"] else _NEXT[how]
    return text.format_map(names)


def _outputs(last: Ending | None, tries: int, *, off: bool | None) -> str:
    if not tries:
        return "not used"
    if last is None:
        return "confirmed, after it was cut off" if off else "not confirmed: cut off"
    if off:
        return "confirmed"
    if off is False:
        return "not confirmed: one may still be ON"
    return "not confirmed: the bench was not reached"


def _outputs_off(last: Ending | None, record: journal.Contents | None) -> bool | None:
    """What a job said of its outputs at its end; of one that was cut off, what its guardian did."""
    if last is not None:
        return last.off
    return True if record is not None and not left_on(record) else None


# --- points ------------------------------------------------------------------------------------------------------


def _taken(part: PartResult) -> int:
    return sum(result.word != "not measured" for result in part.results) + len(part.plain)


def _planned(job: QueuedJob, report: Report | None) -> int:
    """Those known beforehand; of a part that finds its points on the way, those that it found."""
    parts = {part.name: part for part in report.parts} if report else {}
    return sum(max(part.points, _seen(parts.get(part.name))) for part in job.parts)


def _seen(part: PartResult | None) -> int:
    return len(part.results) + len(part.plain) if part else 0


def _missing(job: QueuedJob, report: Report) -> Iterator[str]:
    parts = {part.name: part for part in report.parts}
    for planned in job.parts:
        part = parts.get(planned.name)
        if part is not None and not part.finished:
            of = f" of {planned.points}" if planned.points else ""
            yield f"{planned.title}: not finished, {_taken(part)}{of} points taken"
    yield from shown.not_measured(report)


def _events(contents: logs.LogContents, interruptions: Iterable[logs.Interruption]) -> Iterator[NightEvent]:
    """What happened, each once: what was said again, as by a queue that went on, stands where it was said first."""
    told = iter(interruptions)
    events: list[NightEvent] = []
    again: dict[str, list[str]] = {}
    for event in contents.events:
        first, *more = event.text.strip().splitlines() or [""]
        text = f"{more[-1]} (the traceback stands in queue.jsonl)" if event.what == "fault" and more else first
        if event.what == "interrupted":
            events.append(_interrupted(contents, next(told)))
        elif text in again:
            again[text].append(shown.moment(event.at))
        else:
            again[text] = []
            events.append(NightEvent(at=event.at, text=text))
    for each in events:
        at = ", ".join(again.get(each.text, ()))
        yield replace(each, text=f"{each.text} Said again at {at}.") if at else each


def _interruptions(folder: Path, contents: logs.LogContents) -> list[logs.Interruption]:
    """Each time the queue was cut off or stopped and gone on with, with the last sign that is known."""
    return [replace(each, last_at=_last_entry(folder, contents, each)) for each in contents.interruptions]


def _interrupted(contents: logs.LogContents, each: logs.Interruption) -> NightEvent:
    """One of them, at the moment of the last sign."""
    if names := [contents.jobs[under_way.job].name for under_way in each.under_way]:
        were, their = ("was", "its") if len(names) == 1 else ("were", "their")
        text = f"{' and '.join(names)} {were} cut off; this is the time of {their} last entry."
    elif each.stopped:
        text = "The queue was stopped by a signal."
    else:
        text = "The queue was interrupted with no job under way."
    return NightEvent(at=each.last_at, text=f"{text} The queue went on at {shown.moment(each.went_on_at)}.")


def _last_entry(folder: Path, contents: logs.LogContents, each: logs.Interruption) -> str:
    """The last sign of a queue before it went on: of the journals of the runs under way, else of the log."""
    last_at = each.last_at
    for run in (under_way.folder for under_way in each.under_way if under_way.folder):
        with suppress(HalfpowerError):
            for entry in journal.read(logs.run_folder(folder, run)).written:
                if not _later(last_at, entry.at) and not _later(entry.at, each.went_on_at):
                    last_at = _local(entry.at, contents)
    return last_at


def _later(stamp: str, than: str) -> bool:
    return dt.datetime.fromisoformat(stamp) > dt.datetime.fromisoformat(than)
