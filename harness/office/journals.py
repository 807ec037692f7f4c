"""What the office asks of a run's journal: where and when it was, how far it is, and what it has left on."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from harness.errors import HalfpowerError
from harness.journal import issues, journal
from harness.journal.journal import Contents
from harness.night.in_doubt import left_on
from harness.steps import ROLES

if TYPE_CHECKING:
    from harness.office.sight import Kind


@dataclass(frozen=True, slots=True, kw_only=True)
class RunFacts:
    """One run, as far as the office needs it."""

    id: str
    folder: Path
    number: str
    unit: str
    bench: str
    bench_key: str  # the same for every run on this bench, whichever file describes it
    simulated: bool
    part: str
    readings: int
    at: dt.datetime  # of its last entry
    ended: bool
    left_on: tuple[str, ...]
    state: str  # of its report: "draft", "approved", …; "" where it cannot be read
    operator: str
    trouble: str = ""  # why it cannot


def facts_of(folder: Path) -> RunFacts:
    """Read a run's journal; raises JournalError where that cannot be."""
    contents = journal.read(folder)
    header = contents.header
    bench, unit = header["setup"]["bench"], header["setup"]["unit"]
    simulated = bench.get("simulation") is not None
    last = contents.records[-1].part if contents.records else ""
    number, state, trouble = _issued(folder, contents)
    return RunFacts(
        id=contents.id, folder=folder, number=number, state=state, trouble=trouble,
        operator=str(header["setup"]["job"].get("operator") or ""),
        unit=f"{unit['maker']} {unit['model']}, no. {header['setup']['job']['serial']}", bench=str(bench["name"]),
        bench_key="\n".join((str(bench["name"]), *sorted(_addresses(bench)))), simulated=simulated,
        part=last.partition(" ")[2].replace("_", " "), readings=len(contents.records),
        at=_written(folder) if simulated else moment(contents.last_at or str(header["started"])),
        ended=contents.closed_at is not None, left_on=left_on(contents),
    )  # fmt: skip


def _issued(folder: Path, contents: Contents) -> tuple[str, str, str]:
    """The number of the report in force and how it stands; else the run's own, and why nothing is known."""
    try:
        issue = issues.read(folder, contents)[-1]
    except HalfpowerError as error:  # what the journal says of outputs counts all the same
        return str(contents.header["run"]), "", str(error)
    return issue.number, issue.state, ""


def verdict_of(folder: Path) -> tuple[str, Kind]:
    """The word of a run's report, worked out from its journal, and the colour that goes with it."""
    from harness.report.shown import KIND
    from harness.report.summary import summarise

    try:
        word = summarise(journal.read(folder)).overall
    except HalfpowerError:
        return "no report can be made", "bad"
    return word, KIND.get(word, "none")


def moment(text: str) -> dt.datetime:
    """A moment as a log or journal has it."""
    at = dt.datetime.fromisoformat(text)
    return at if at.tzinfo else at.replace(tzinfo=dt.UTC)


def _written(folder: Path) -> dt.datetime:
    """When the journal was last written: the clock of a simulated bench knows nothing of the day."""
    return dt.datetime.fromtimestamp((folder / journal.NAME).stat().st_mtime, dt.UTC)


def _addresses(bench: dict[str, Any]) -> list[str]:
    return [str(bench[role].get("address") or "") for role in ROLES if isinstance(bench.get(role), dict)]
