"""What the page about a night says, as values and as blocks.   [pure]

The values are worked out in `harness.night.account`; here they are put into words and shown, and nothing is computed.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final, Literal, TypeAlias

from harness.quantities import counted, often
from harness.report import blocks as b
from harness.report import shown
from harness.report.markup import html

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

Outcome: TypeAlias = Literal[
    "meets", "conditionally meets", "does not meet", "cannot be decided", "not done", "not tried"
]


@dataclass(frozen=True, slots=True, kw_only=True)
class NightRun:
    """One job of the night."""

    job: str
    unit: str
    serial: str
    outcome: Outcome  # the verdict where the job is done
    sentence: str  # the verdict, or why there is none
    next_step: str
    started: str
    ended: str
    taken: int  # points that have a result
    planned: int  # points known beforehand, and those found on the way
    missing: tuple[str, ...]
    events: int
    tries: int
    outputs: str  # whether they were off at the end, in words
    outputs_off: bool | None
    run: str  # its folder's name; empty where none was begun
    link: str  # its report, from the night's folder
    interrupted: tuple[str, ...] = ()  # from when to when, each time


@dataclass(frozen=True, slots=True, kw_only=True)
class Refused:
    """A job that was left out before the night, and why."""

    job: str
    problems: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class NightEvent:
    """Something that concerns the whole night."""

    at: str
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Night:
    """Everything that the page says."""

    name: str
    title: str
    program: str
    host: str
    started: str
    ended: str
    finished: bool  # nothing was left that could be tried
    simulated: bool
    sentence: str
    next_step: str
    runs: tuple[NightRun, ...]
    refused: tuple[Refused, ...]
    events: tuple[NightEvent, ...]
    interrupted: tuple[str, ...] = ()  # the queue itself: from when to when, each time
    may_be_on: tuple[str, ...] = ()  # outputs that nobody has confirmed to be off since, a sentence each

    @property
    def kind(self) -> shown.Kind:
        """The colour that goes with the first sentence."""
        outcomes = {run.outcome for run in self.runs}
        if outcomes & {"does not meet", "not done"}:
            return "bad"
        some_open = outcomes & {"conditionally meets", "cannot be decided", "not tried"}
        return "open" if some_open or self.refused else "good"

    @property
    def word(self) -> str:
        """The word beside that colour."""
        if not self.finished:
            return "not finished"
        undone = self.refused or {run.outcome for run in self.runs} & {"not done", "not tried"}
        return "not all done" if undone else "all done"


_VERDICTS: Final[tuple[tuple[Outcome, str, str], ...]] = (
    ("meets", "meets its rating", "meet their ratings"),
    ("conditionally meets", "conditionally meets its rating", "conditionally meet their ratings"),
    ("does not meet", "does not meet its rating", "do not meet their ratings"),
    ("cannot be decided", "cannot be decided", "cannot be decided"),
)


def sentence(runs: Sequence[NightRun], refused: Sequence[Refused]) -> str:
    """The night in plain words: how many are done, which units meet, what failed."""
    done = [run for run in runs if run.outcome not in ("not done", "not tried")]
    of = len(runs) + len(refused)
    said = [f"{len(done)} of {counted(of, 'job')} {'is' if 1 in (len(done), of) else 'are'} done"]
    for outcome, one, many in _VERDICTS:
        if some := [run.serial for run in done if run.outcome == outcome]:
            said.append(f"{_names(some)} {one if len(some) == 1 else many}")
    if failed := [run.job for run in runs if run.outcome == "not done"]:
        said.append(f"not done: {_names(failed)}")
    if waiting := [run.job for run in runs if run.outcome == "not tried"]:
        said.append(f"not tried yet: {_names(waiting)}")
    if refused:
        said.append(f"left out beforehand: {_names([each.job for each in refused])}")
    return "; ".join(said) + "."


def next_step(
    runs: Sequence[NightRun], refused: Sequence[Refused], folder: str, *, finished: bool, warned: bool = False
) -> str:
    """What to do first in the morning; `folder` is the queue's, as a word of a command."""
    if warned:
        return "Look at the bench first: an output may still be on."
    if not finished:
        return f"Go on with it: halfpower queue --go-on {folder}"
    if failed := [run for run in runs if run.outcome == "not done"]:
        return f"Begin with {failed[0].job}: {failed[0].next_step}"
    if [run for run in runs if run.outcome == "does not meet"]:
        return "Read the reports of the units that do not meet their ratings."
    if refused:
        names, were = _names([each.job for each in refused]), "was" if len(refused) == 1 else "were"
        return f"See why {names} {were} left out; what is put right is taken up by: halfpower queue --go-on {folder}"
    return "File the reports with the units."


def _names(names: Sequence[str], most: int = 6) -> str:
    *some, last = names[:most]
    text = f"{', '.join(some)} and {last}" if some else last
    return text if len(names) <= most else f"{', '.join(names[:most])} and {len(names) - most} more"


def span(start: str, end: str) -> str:
    """Two moments, the second without its day where it is the same one."""
    try:
        first, last = dt.datetime.fromisoformat(start), dt.datetime.fromisoformat(end)
    except ValueError:
        return "–"
    day = "" if first.date() == last.date() else f"{last:%Y-%m-%d} "
    return f"{first:%Y-%m-%d %H:%M} – {day}{last:%H:%M}"


def marks(night: Night) -> tuple[str, ...]:
    """What the page must be marked with."""
    said = [shown.SIMULATED] if night.simulated else []
    said += [shown.MAY_BE_ON] if night.may_be_on else []
    return (*said, *(() if night.finished else ("Not finished: the queue has not reached its end",)))


def page(night: Night) -> str:
    """The page as HTML; the same night gives the same bytes."""
    footer = (
        f"Made from the log of the queue and the records of its runs by {night.program}. The verdict on each unit "
        "stands in the report of its run; this page only gathers them."
    )
    return html(
        b.Page(
            title=f"{night.title} – {night.name}", heading=night.title, program=night.program,
            beside=f"{night.name}, {shown.moment(night.ended)}", running=f"{night.title} · {night.name}",
            marks=marks(night), blocks=tuple(blocks(night)), footer=(b.paragraph(footer),),
        )
    )  # fmt: skip


def blocks(night: Night) -> Iterator[b.Block]:
    """What the page says, in its order."""
    yield b.Answer(
        title=night.name, word=b.Span(text=night.word, kind=night.kind), said=(night.sentence,), warned=night.may_be_on,
        next_step=b.Paragraph(said=b.line(night.next_step), whole=True),
    )  # fmt: skip
    queue = f"{shown.moment(night.started)} to {shown.moment(night.ended)}, on {night.host}"
    interrupted = [("Interrupted", _often(night.interrupted))] if night.interrupted else []
    yield b.facts([("Queue", queue), *interrupted, ("Outputs", _outputs(night))])
    yield _jobs(night)
    for n, run in enumerate(night.runs, 1):
        yield b.Section(title=run.job, key=f"job{n}", blocks=tuple(_job(run)))
    if night.refused:
        left_out = (b.Section(title=each.job, blocks=(b.bullets(each.problems),)) for each in night.refused)
        yield b.Section(title="Left out before the queue began", key="refused", blocks=tuple(left_out))
    if night.events:
        told = b.bullets(f"{shown.moment(event.at)}: {event.text}" for event in night.events)
        yield b.Section(title="What else happened", key="events", blocks=(told,))


def _often(times: Sequence[str]) -> str:
    """How often and when: "twice: 2026-11-25 22:10 – 23:40; …"."""
    return f"{often(len(times))}: {'; '.join(times)}"


def _outputs(night: Night) -> b.Span:
    if night.may_be_on:
        return b.strong("not confirmed off: one may still be on")
    if any(run.outputs_off is False for run in night.runs):
        return b.Span(text="not confirmed after every job, and confirmed by a later one on the same bench")
    reached = any(run.outputs_off is None and run.tries for run in night.runs)
    return b.Span(text="switched off and confirmed after every job" + " that reached its instruments" * reached)


def _jobs(night: Night) -> b.Table:
    return b.table(
        ("Job", "Unit", "?From – to", ">Points", "?>Missing", "?>Events", "Outputs off", "Verdict"),
        (
            b.row(
                b.Span(text=run.job, to=f"#job{n}"), f"{run.unit} no. {run.serial}", span(run.started, run.ended),
                f"{run.taken} of {run.planned}", str(run.planned - run.taken), str(run.events), run.outputs,
                tuple(replace(said, to=run.link) for said in b.word(run.outcome)), kind=shown.KIND[run.outcome],
            )
            for n, run in enumerate(night.runs, 1)
        ),
        caption="The jobs", look="wordy",
    )  # fmt: skip


def _job(run: NightRun) -> Iterator[b.Block]:
    yield b.paragraph((*b.word(run.outcome), b.Span(text=f": {run.sentence}")))
    if run.missing:
        yield b.Section(title="What is missing", blocks=(b.bullets(run.missing),))
    if run.interrupted:
        yield b.paragraph(f"Interrupted {_often(run.interrupted)}. It went on where it had stopped.")
    if run.tries and run.outputs_off is not True:
        yield b.paragraph(f"Outputs: {run.outputs}")
    yield b.Paragraph(said=(b.strong("Next:"), b.Span(text=f" {run.next_step}")), whole=True)
    report = b.Span(text=f"Report of run {run.run}.", to=run.link)
    none = b.Span(text="No run was begun, so there is no report.")
    tried = (b.Span(text=f" It was tried {run.tries} times."),) if run.tries > 1 else ()
    yield b.paragraph((report if run.link else none, *tried), small=True)
