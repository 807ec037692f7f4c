"""The journal: append-only JSON lines, each on disk before anything depends on it.

Line 1 is the header with the resolved bench, unit and job; then come replies (a step and what was answered),
events, withdrawals and marks of parts. Each line ends in a checksum chained over the line before, so a changed,
missing or doubled line is found. A torn last line is what a crash leaves, and is dropped; any other damage is
refused with its line number.
"""

from __future__ import annotations

import hashlib
import json
import os
import zlib
from collections.abc import Callable, Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, Literal

from harness.errors import JournalError
from harness.steps import Reply, Step, from_plain, to_plain

FORMAT: Final = 1
NAME: Final = "journal.jsonl"
_OF_ONE_RUN: Final = ("at", "crc", "started", "run", "id")  # what differs between two runs that went alike


@dataclass(frozen=True, slots=True, kw_only=True)
class Record:
    """A step and its reply."""

    part: str
    n: int
    step: Step
    reply: Reply
    at: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """Something that happened: a note, a repeat, a resync, a withdrawn reading, a part that ended early."""

    part: str
    what: str
    text: str
    at: str


PartState = Literal["finished", "ended early"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Contents:
    """A journal, read back: the header, every record that stands, those withdrawn, and the events."""

    header: Mapping[str, Any]
    records: tuple[Record, ...]
    withdrawn: tuple[Record, ...]
    events: tuple[Event, ...]
    parts: Mapping[str, PartState]
    closed_at: str | None

    @property
    def id(self) -> str:
        """What no other run has, wherever its folder lies; a journal without one is known by its header."""
        text = json.dumps(self.header, sort_keys=True, ensure_ascii=False)
        return str(self.header.get("id") or hashlib.sha256(text.encode()).hexdigest()[:32])

    def replies(self, part: str) -> tuple[Record, ...]:
        """The records of one part that stand, in order."""
        return tuple(record for record in self.records if record.part == part)


def _seal(text: str, previous: int) -> int:
    return zlib.crc32(text.encode(), previous)


def _encode(entry: Mapping[str, Any], previous: int) -> tuple[bytes, int]:
    body = json.dumps(entry, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    body = body.encode("utf-8", "replace").decode()  # a terminal may hand over bytes that are no character
    crc = _seal(body, previous)
    return f'{body[:-1]},"crc":"{crc:08x}"}}\n'.encode(), crc


def _entries(path: Path) -> Iterator[tuple[int, int, dict[str, Any], int]]:
    """Yield (line number, offset of its end, entry, checksum) for every sound line; stop before a torn tail."""
    try:
        data = path.read_bytes()
    except OSError as error:
        raise JournalError(f"{path}: cannot be read: {error.strerror}. Name a run folder or its {NAME}.") from None
    previous = offset = 0
    for number, line in enumerate(data.splitlines(keepends=True), 1):
        if not line.endswith(b"\n"):
            return  # torn by a crash: the reading was never confirmed to the sequence
        offset += len(line)
        entry, previous = _decode(path, number, line, previous)
        yield number, offset, entry, previous


def _decode(path: Path, number: int, line: bytes, previous: int) -> tuple[dict[str, Any], int]:
    text, mark, rest = line.decode("utf-8", "replace").rpartition(',"crc":"')
    try:
        crc = int(rest[:8], 16)
        if not mark or rest[8:] != '"}\n' or _seal(text + "}", previous) != crc:
            raise ValueError
        entry = json.loads(text + "}")
    except (ValueError, RecursionError):
        raise JournalError(
            f"{path}:{number}: this line was changed or damaged after it was written. "
            "Restore the file from a copy; the lines before it are sound."
        ) from None
    if number == 1:
        _check_header(path, entry)
    return entry, crc


def _check_header(path: Path, entry: Mapping[str, Any]) -> None:
    if entry.get("kind") != "header":
        raise JournalError(f"{path}:1: this is not a journal of a run: its first line is no header.")
    if entry.get("format") != FORMAT:
        raise JournalError(
            f"{path}:1: journal format {entry.get('format')!r} is not known to this version, which reads format "
            f"{FORMAT}. Use the version named in the header as 'program'."
        )


def read(path: Path) -> Contents:
    """Read a journal; `path` is the file or its run folder."""
    path = path / NAME if path.is_dir() else path
    header: dict[str, Any] | None = None
    records: list[Record] = []
    withdrawn: list[Record] = []
    events: list[Event] = []
    parts: dict[str, PartState] = {}
    closed_at = None
    for number, _, entry, _ in _entries(path):
        part, at = str(entry.get("part", "")), str(entry.get("at", ""))
        try:
            match entry["kind"]:
                case "header":
                    header = entry
                case "reply":
                    closed_at = None
                    step, reply = from_plain(entry["step"]), from_plain(entry["reply"])
                    records.append(Record(part=part, n=entry["n"], step=step, reply=reply, at=at))
                case "withdrawn":
                    index = max(i for i, record in enumerate(records) if record.part == part)
                    withdrawn.append(records.pop(index))
                case "event":
                    events.append(Event(part=part, what=entry["what"], text=entry["text"], at=at))
                case "part":
                    parts[part] = entry["state"]
                case "end":
                    closed_at = at
                case other:
                    raise ValueError(f"unknown kind {other!r}")
        except (KeyError, ValueError, TypeError) as error:
            raise JournalError(f"{path}:{number}: this line is no entry of a journal ({error}).") from None
    if header is None:
        raise JournalError(f"{path}: the journal is empty: nothing was measured. Start the job again.")
    return Contents(
        header=header,
        records=tuple(records),
        withdrawn=tuple(withdrawn),
        events=tuple(events),
        parts=parts,
        closed_at=closed_at,
    )


def comparable(path: Path) -> list[dict[str, Any]]:
    """The entries without time stamps and checksums: equal for a resumed run and an unbroken one.

    Events are left out: an interruption is one, and stays visible in the journal itself.
    """
    kept = (entry for _, _, entry, _ in _entries(path / NAME if path.is_dir() else path) if entry["kind"] != "event")
    return [{key: value for key, value in entry.items() if key not in _OF_ONE_RUN} for entry in kept]


class Journal:
    """The open journal of a run; every `append` is on disk when it returns."""

    def __init__(self, path: Path, stamp: Callable[[], str]) -> None:
        self.path = path
        self._stamp = stamp
        self._file: int | None = None
        self._end = self._crc = 0

    @classmethod
    def create(cls, folder: Path, header: Mapping[str, Any], stamp: Callable[[], str]) -> Journal:
        """Begin a new journal in a folder that has none."""
        journal = cls(folder / NAME, stamp)
        try:
            folder.mkdir(parents=True, exist_ok=True)
            journal._file = os.open(journal.path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0))
            journal._append({"kind": "header", "format": FORMAT, **header})
            _sync_folder(folder)
        except FileExistsError:
            raise JournalError(
                f"{journal.path}: there is a run here already; resume it, or name another folder."
            ) from None
        except OSError as error:
            raise JournalError(
                f"{folder}: cannot be written: {error.strerror}. Name another folder with --runs."
            ) from None
        return journal

    @classmethod
    def reopen(cls, path: Path, stamp: Callable[[], str]) -> tuple[Journal, Contents]:
        """Continue a journal: checks every line, then drops a torn tail."""
        journal = cls(path / NAME if path.is_dir() else path, stamp)
        contents = read(journal.path)
        *_, (_, journal._end, _, journal._crc) = _entries(journal.path)
        try:
            journal._file = os.open(journal.path, os.O_WRONLY | getattr(os, "O_BINARY", 0))
            os.ftruncate(journal._file, journal._end)
        except OSError as error:
            raise JournalError(f"{journal.path}: cannot be continued: {error.strerror}.") from None
        return journal, contents

    def reply(self, part: str, n: int, step: Step, reply: Reply) -> None:
        """Record what was answered to a step."""
        self._append({"kind": "reply", "part": part, "n": n, "step": to_plain(step), "reply": to_plain(reply)})

    def withdraw(self, part: str) -> None:
        """The operator wants the last reading of this part again; the old one stays in the file."""
        self._append({"kind": "withdrawn", "part": part})

    def event(self, part: str, what: str, text: str) -> None:
        """Record something that happened."""
        self._append({"kind": "event", "part": part, "what": what, "text": text})

    def part(self, part: str, state: PartState) -> None:
        """Mark the end of a part."""
        self._append({"kind": "part", "part": part, "state": state})

    def end(self) -> None:
        """Mark the end of the run."""
        self._append({"kind": "end"})

    def close(self) -> None:
        """Close the file."""
        if self._file is not None:
            os.close(self._file)
            self._file = None

    def _append(self, entry: Mapping[str, Any]) -> None:
        if self._file is None:
            raise JournalError(f"{self.path}: the journal is closed.")
        line, crc = _encode({**entry, "at": self._stamp()}, self._crc)
        try:
            os.lseek(self._file, self._end, os.SEEK_SET)
            _write_all(self._file, line)
            os.fsync(self._file)
        except OSError as error:
            with suppress(OSError):  # what was not confirmed is not left for a shorter line to end
                os.ftruncate(self._file, self._end)
            raise JournalError(
                f"{self.path}: cannot be written: {error.strerror}. Everything up to the reading before is on disk; "
                "make room, then resume the run."
            ) from None
        self._end, self._crc = self._end + len(line), crc


def _write_all(file: int, data: bytes) -> None:
    while data:
        data = data[os.write(file, data) :]


def _sync_folder(folder: Path) -> None:
    # A new file's name is on disk only when its folder is; Windows cannot open a folder, and needs no such sync.
    if os.name == "posix":
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
