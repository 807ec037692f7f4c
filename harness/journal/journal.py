"""The journal: append-only JSON lines, each on disk before anything depends on it.

Line 1 is the header with the resolved bench, unit and job; then come replies (a step and what was answered), those to a
step that was asked again, events, withdrawals, marks of parts, and the results of a user's own measurement. How lines
are sealed and what a crash leaves is `harness.journal.sealed`' work.
"""

from __future__ import annotations

import hashlib
import json
from collections import Counter
from collections.abc import Callable, Mapping
from contextlib import ExitStack
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final, Literal

from harness.errors import JournalError
from harness.journal import sealed
from harness.journal.sealed import Line, SealedFile, Style, lines, whole
from harness.journal.shortened import Shortener, restored
from harness.measurement import Quantity, from_facts, knowing
from harness.steps import Reading, Reply, Role, Step, from_plain, roles_of, to_plain

FORMAT: Final = 2
"""1: every line says all of it. 2: a step is said as one before, but for what differs, and a time without its day."""
NAME: Final = "journal.jsonl"
STYLE: Final = Style(
    kind="header",
    format=FORMAT,
    name=NAME,
    what="a journal of a run",
    place="a run folder",
    taken="there is a run here already; resume it, or name another folder.",
    remedy="Everything up to the reading before is on disk; make room, then resume the run.",
    gone="The run ends here. Put the folder back, then resume the run; if it is deleted, start the job again.",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Record:
    """A step and its reply."""

    part: str
    n: int
    step: Step
    reply: Reply
    at: str
    line: int = 0  # of the journal: the order in which things happened, which no clock tells


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """Something that happened: a note, a repeat, a resync, a withdrawn reading, a part that ended early."""

    part: str
    what: str
    text: str
    at: str
    line: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Interruption:
    """A run that stopped and was gone on with: when its last entry before was written, and when it went on."""

    last_at: str
    went_on_at: str


PartState = Literal["finished"]
"""What is marked of a part; one that ended early is not: it is tried again by resume, and an event says why."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Contents:
    """A journal, read back: the header, every record that stands, those withdrawn, and the events."""

    header: Mapping[str, Any]
    records: tuple[Record, ...]
    withdrawn: tuple[Record, ...]
    events: tuple[Event, ...]
    parts: Mapping[str, PartState]
    closed_at: str | None
    last_at: str = ""  # of the last line
    digest: str = ""  # SHA-256 of the file as it was read, a torn line at its end included
    results: Mapping[str, Any] = field(default_factory=dict)  # plain, of parts that a user's own measurement judged

    @property
    def id(self) -> str:
        """What no other run has, wherever its folder lies; a journal without one is known by its header."""
        if given := self.header.get("id"):
            return str(given)
        text = json.dumps(self.header, sort_keys=True, ensure_ascii=False)
        return hashlib.sha256(text.encode()).hexdigest()[:32]

    @property
    def quantities(self) -> tuple[Quantity, ...]:
        """What the user's own measurements read that nobody else does, as the header keeps it."""
        return _quantities(self.header)

    @property
    def steps(self) -> dict[str, int]:
        """How many steps of each part stand."""
        return dict(Counter(record.part for record in self.records))

    @property
    def may_be_on(self) -> tuple[Event, ...]:
        """What was said of outputs that may be on, since all of them were last confirmed to be off."""
        standing: list[Event] = []
        for event in self.events:
            if event.what == "off":
                standing.clear()
            elif event.what == "outputs":
                standing.append(event)
        return tuple(standing)

    @property
    def written(self) -> list[Record | Event]:
        """Each reading and event, in the order of the file."""
        every: list[Record | Event] = [*self.records, *self.withdrawn, *self.events]
        return sorted(every, key=lambda each: each.line)

    @property
    def interruptions(self) -> tuple[Interruption, ...]:
        """Each time the run stopped, in order or cut off, and was gone on with."""
        found, last_at = [], str(self.header.get("started", ""))
        for each in self.written:
            if isinstance(each, Event) and each.what == "resumed":
                found.append(Interruption(last_at=last_at, went_on_at=each.at))
            last_at = each.at
        return tuple(found)

    def roles(self, part: str | None = None) -> frozenset[Role]:
        """The instruments with which a reading was taken that stands, of one part or of all."""
        return roles_of(record.step for record in (self.records if part is None else self.replies(part)))

    def replies(self, part: str) -> tuple[Record, ...]:
        """The records of one part that stand, in order."""
        return tuple(record for record in self.records if record.part == part)


def _quantities(header: Mapping[str, Any]) -> tuple[Quantity, ...]:
    return tuple(from_facts(facts) for part in header.get("parts", ()) for facts in part.get("quantities", ()))


def _file(path: Path) -> Path:
    return path / NAME if path.is_dir() else path


def sound(path: Path) -> bytes:
    """Return the bytes of a journal up to its last whole line, every line checked; `path` as in `read`."""
    return sealed.sound(_file(path), STYLE)


def read(path: Path) -> Contents:
    """Read a journal; `path` is the file or its run folder."""
    return parse(whole(_file(path), STYLE), _file(path))


def parse(data: bytes, path: Path) -> Contents:
    """Read a journal from its bytes; `path` is where they came from, for what is said of them."""
    gathered = _Gathered()
    with ExitStack() as known:
        for line in lines(path, STYLE, data):
            try:
                gathered.take(line, known)
            except (KeyError, ValueError, TypeError) as error:
                raise JournalError(f"{path}:{line.number}: this line is no entry of a journal ({error}).") from None
    if gathered.header is None:
        raise JournalError(f"{path}: the journal is empty: nothing was measured. Start the job again.")
    return Contents(
        header=gathered.header, records=tuple(gathered.records), withdrawn=tuple(gathered.withdrawn),
        events=tuple(gathered.events), parts=gathered.parts, results=gathered.results, closed_at=gathered.closed_at,
        last_at=gathered.last_at, digest=hashlib.sha256(data).hexdigest(),
    )  # fmt: skip


@dataclass(slots=True)
class _Gathered:
    """What the lines so far come to."""

    header: dict[str, Any] | None = None
    records: list[Record] = field(default_factory=list)
    withdrawn: list[Record] = field(default_factory=list)
    events: list[Event] = field(default_factory=list)
    parts: dict[str, PartState] = field(default_factory=dict)
    results: dict[str, Any] = field(default_factory=dict)
    closed_at: str | None = None
    last_at: str = ""
    whole: dict[int, Record] = field(default_factory=dict)  # by line: those that others may be as

    def take(self, line: Line, known: ExitStack) -> None:
        """Add a line; the quantities that the header declares are known to those after it."""
        entry, number = line.entry, line.number
        part, self.last_at = str(entry.get("part", "")), line.at
        match entry["kind"]:
            case "header":
                self.header = entry
                known.enter_context(knowing(_quantities(entry)))
                from_plain([planned.get("points", ()) for planned in entry.get("parts", ())])  # all of it is known
            case "reply":
                self.closed_at = None
                self.records.append(record := self._record(line))
                self.results.pop(record.part, None)  # they are of what was read before
            case "again":
                record = self._record(line)
                wanted = record.part, record.n
                index = next(i for i, one in enumerate(self.records) if (one.part, one.n) == wanted)
                self.withdrawn.append(self.records[index])
                self.records[index] = record
            case "withdrawn":
                index = max(i for i, record in enumerate(self.records) if record.part == part)
                self.withdrawn.append(self.records.pop(index))
                self.results.pop(part, None)
            case "event":
                self.events.append(Event(part=part, what=entry["what"], text=entry["text"], at=line.at, line=number))
            case "results":
                self.results[part] = entry["results"]
            case "part":
                self.parts[part] = entry["state"]
            case "end":
                self.closed_at = line.at
            case unknown:
                raise ValueError(f"unknown kind {unknown!r}")

    def _record(self, line: Line) -> Record:
        entry, said, answered = line.entry, line.entry["step"], line.entry["reply"]
        like = self.whole[said["as"]] if "as" in said else None
        part = str(entry["part"]) if like is None else like.part
        step = from_plain(said) if like is None else restored(like.step, said)
        reply = from_plain(answered) if "is" in answered else Reading(**from_plain(answered))
        record = Record(part=part, n=entry["n"], step=step, reply=reply, at=line.at, line=line.number)
        if like is None:
            self.whole[line.number] = record
        return record


class Journal:
    """The open journal of a run; every entry is on disk when its method returns."""

    def __init__(self, file: SealedFile) -> None:
        self._file = file
        self.path = file.path
        self._shortener = Shortener()

    @classmethod
    def create(cls, folder: Path, header: Mapping[str, Any], stamp: Callable[[], str]) -> Journal:
        """Begin a new journal in a folder that has none."""
        return cls(SealedFile.create(folder / NAME, STYLE, stamp, header))

    @classmethod
    def reopen(cls, path: Path, stamp: Callable[[], str], known: Contents | None = None) -> tuple[Journal, Contents]:
        """Continue a journal: checks every line, but of what is `known`, then drops a torn tail."""
        path = _file(path)
        data = whole(path, STYLE)
        unchanged = known is not None and known.digest == hashlib.sha256(data).hexdigest()
        contents = known if known is not None and unchanged else parse(data, path)
        return cls(SealedFile.reopen(path, STYLE, stamp, data, contents.header["format"])), contents

    def reply(self, part: str, n: int, step: Step, reply: Reply) -> None:
        """Record what was answered to a step."""
        self._answered("reply", part, n, step, reply)

    def again(self, part: str, n: int, step: Step, reply: Reply) -> None:
        """Record what was answered when a step was asked once more; the earlier answer stays in the file."""
        self._answered("again", part, n, step, reply)

    def _answered(self, kind: str, part: str, n: int, step: Step, reply: Reply) -> None:
        plain = to_plain(reply)
        if self._file.format == 1:
            said = to_plain(step)
        else:
            said = self._shortener.plain(part, step)
            if isinstance(reply, Reading):
                del plain["is"]
        whose = {} if "as" in said else {"part": part}  # else that of the line that is named
        self._file.append({"kind": kind, **whose, "n": n, "step": said, "reply": plain})
        if "as" not in said:
            self._shortener.wrote(part, step, self._file.lines)  # a word of the clock may have come before it

    def withdraw(self, part: str) -> None:
        """The operator wants the last reading of this part again; the old one stays in the file."""
        self._file.append({"kind": "withdrawn", "part": part})

    def event(self, part: str, what: str, text: str) -> None:
        """Record something that happened."""
        self._file.append({"kind": "event", "part": part, "what": what, "text": text})

    def results(self, part: str, results: Any) -> None:
        """Keep what a user's own measurement makes of its readings; the last of a part counts."""
        self._file.append({"kind": "results", "part": part, "results": results})

    def part(self, part: str, state: PartState) -> None:
        """Mark the end of a part."""
        self._file.append({"kind": "part", "part": part, "state": state})

    def end(self) -> None:
        """Mark the end of the run."""
        self._file.append({"kind": "end"})

    def close(self) -> None:
        """Close the file."""
        self._file.close()
