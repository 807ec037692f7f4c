"""What the page about a night says, as values, and the page itself: one HTML file, no script, every text escaped.

The values are worked out in `harness.night.account`; here they are put into words and shown, and nothing is computed.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal, TypeAlias

from harness.quantities import counted
from harness.report import shown
from harness.report.html import environment, style_sheet

if TYPE_CHECKING:
    from collections.abc import Sequence

Outcome: TypeAlias = Literal["meets", "does not meet", "cannot be decided", "not done", "not tried"]


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
    may_be_on: tuple[str, ...] = ()  # outputs that nobody has confirmed to be off since, a sentence each

    @property
    def kind(self) -> shown.Kind:
        """The colour that goes with the first sentence."""
        outcomes = {run.outcome for run in self.runs}
        if outcomes & {"does not meet", "not done"}:
            return "bad"
        return "open" if outcomes & {"cannot be decided", "not tried"} or self.refused else "good"

    @property
    def word(self) -> str:
        """The word beside that colour."""
        if not self.finished:
            return "not finished"
        return "not all done" if {run.outcome for run in self.runs} & {"not done", "not tried"} else "all done"


_VERDICTS: Final[tuple[tuple[Outcome, str, str], ...]] = (
    ("meets", "meets its rating", "meet their ratings"),
    ("does not meet", "does not meet its rating", "do not meet their ratings"),
    ("cannot be decided", "cannot be decided", "cannot be decided"),
)


def sentence(runs: Sequence[NightRun], refused: Sequence[Refused]) -> str:
    """The night in plain words: how many are done, which units meet, what failed."""
    done = [run for run in runs if run.outcome not in ("not done", "not tried")]
    said = [f"{len(done)} of {counted(len(runs) + len(refused), 'job')} {'is' if len(done) == 1 else 'are'} done"]
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


def next_step(runs: Sequence[NightRun], folder: str, *, finished: bool, warned: bool = False) -> str:
    """What to do first in the morning; `folder` is the queue's, as a word of a command."""
    if warned:
        return "Look at the bench first: an output may still be on."
    if not finished:
        return f"Go on with it: halfpower queue --go-on {folder}"
    if failed := [run for run in runs if run.outcome == "not done"]:
        return f"Begin with {failed[0].job}: {failed[0].next_step}"
    if [run for run in runs if run.outcome == "does not meet"]:
        return "Read the reports of the units that do not meet their ratings."
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
    """Render the page; the same night gives the same bytes."""
    said = marks(night)
    css = style_sheet(header=f"{night.title} · {night.name}", marks=" · ".join(said).upper())
    return environment().get_template("night.html.j2").render(night=night, marks=said, css=css, span=span)
