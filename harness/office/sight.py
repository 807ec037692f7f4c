"""What the office page shows, as values; each text is whole, and the page only lays them out.   [pure]"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Literal, TypeAlias

from harness.words.clean import clean
from harness.words.json_text import json_text

if TYPE_CHECKING:
    from typing import Any

Kind: TypeAlias = Literal["good", "bad", "open", "none"]


@dataclass(frozen=True, slots=True, kw_only=True)
class JobSight:
    """One job of a queue."""

    name: str
    unit: str
    word: str
    kind: Kind


@dataclass(frozen=True, slots=True, kw_only=True)
class QueueSight:
    """One queue: what it does, and how far it is."""

    name: str
    title: str
    host: str
    at: str  # its last sign
    word: str
    kind: Kind
    sentence: str
    done: float  # of its jobs, with the share of the one under way
    jobs: tuple[JobSight, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class RunSight:
    """A run that has no end yet and belongs to no queue that is under way."""

    number: str
    unit: str
    bench: str
    at: str  # of its last entry
    sentence: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Failure:
    """A job that was not done, and why."""

    where: str
    unit: str
    at: str
    sentence: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportSight:
    """The report of a run that has ended."""

    run_id: str
    number: str
    unit: str
    bench: str
    at: str
    word: str
    kind: Kind
    folder: str
    state: str = ""  # "draft", "number of 2 runs", …; "" where nobody has asked for approval, or it is not known


@dataclass(frozen=True, slots=True, kw_only=True)
class Draft:
    """A report that waits for somebody's approval."""

    number: str
    unit: str
    at: str
    sentence: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Due:
    """A standard or a unit that is due soon, or was."""

    what: str
    detail: str
    day: str
    word: str
    kind: Kind
    serial: str = ""  # of a standard


@dataclass(frozen=True, slots=True, kw_only=True)
class Sight:
    """Everything that the page shows, what is urgent first."""

    at: str
    title: str
    marks: tuple[str, ...] = ()
    in_doubt: tuple[str, ...] = ()  # outputs that may be on
    queues: tuple[QueueSight, ...] = ()
    runs: tuple[RunSight, ...] = ()
    failed: tuple[Failure, ...] = ()
    reports: tuple[ReportSight, ...] = ()
    drafts: tuple[Draft, ...] = ()
    standards: tuple[Due, ...] = ()
    units: tuple[Due, ...] = ()
    problems: tuple[str, ...] = ()
    looked: str = ""  # what was looked at
    ended: str = ""

    def to_json(self) -> str:
        """As the page takes it; whatever a file holds steers nothing."""
        return json_text(_cleaned(asdict(self)), compact=True)


def _cleaned(value: Any) -> Any:
    match value:
        case str():
            return clean(value)
        case dict():
            return {key: _cleaned(each) for key, each in value.items()}
        case list() | tuple():
            return [_cleaned(each) for each in value]
        case _:
            return value
