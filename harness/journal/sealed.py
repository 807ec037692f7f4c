"""Append-only JSON lines, each on disk before anything depends on it: what the journal of a run and the log of a
queue are written on.

Each line ends in a checksum chained over the line before, so a changed, missing or doubled line is found. A torn
last line is what a crash leaves, and is dropped; any other damage is refused with its line number.
"""

from __future__ import annotations

import json
import os
import zlib
from collections.abc import Callable, Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from harness.errors import JournalError
from harness.journal.atomic import OWNERS, make_folder, sync, sync_folder
from harness.words.json_text import json_text

LARGEST_BYTES: Final = 1 << 30  # a reading takes a quarter of a kilobyte


@dataclass(frozen=True, slots=True, kw_only=True)
class Style:
    """What one kind of file is called and says: the rest is the same for all."""

    kind: str  # of its first line
    format: int  # of a new file; those before it are read and gone on with
    name: str  # of the file in its folder
    what: str  # "a journal of a run"
    place: str  # "a run folder"
    taken: str  # what to do where there is one already
    remedy: str  # what to do once there is room again
    gone: str  # what to do where it was deleted or renamed meanwhile


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One sound line: where it stands, where it ends, what it says, and its checksum."""

    number: int
    end: int
    entry: dict[str, Any]
    crc: int

    @property
    def at(self) -> str:
        """Its time stamp."""
        return str(self.entry.get("at", ""))


def whole(path: Path, style: Style) -> bytes:
    """Read a file's bytes, of which there may be no more than a year's work makes."""
    try:
        if path.exists() and not path.is_file():
            raise JournalError(f"{path}: is no ordinary file. Name {style.place} or its {style.name}.")
        with path.open("rb") as stream:
            data = stream.read(LARGEST_BYTES + 1)
    except (OSError, ValueError) as error:  # ValueError: a name that no file can have
        why = getattr(error, "strerror", None) or error
        raise JournalError(f"{path}: cannot be read: {why}. Name {style.place} or its {style.name}.") from None
    if len(data) > LARGEST_BYTES:
        raise JournalError(f"{path}: is larger than {LARGEST_BYTES >> 20} MiB, which {style.what} never is.")
    return data


def lines(path: Path, style: Style, data: bytes | None = None) -> Iterator[Line]:
    """Yield every sound line of a file, or of bytes that came from it; stop before a torn tail."""
    data = whole(path, style) if data is None else data
    previous = offset = number = 0
    at = ""
    while end := data.find(b"\n", offset) + 1:  # what a crash has torn was never confirmed to whoever wrote it
        number += 1
        entry, previous = _decode(path, number, data[offset:end], previous)
        offset = end
        if number == 1:
            _check_first(path, entry, style)
        entry["at"] = at = _with_day(str(entry.get("at", "")), at)
        yield Line(number=number, end=offset, entry=entry, crc=previous)


def sound(path: Path, style: Style) -> bytes:
    """Return a file's bytes up to its last whole line, every line checked."""
    data = whole(path, style)
    end = 0
    for line in lines(path, style, data):
        end = line.end
    return data[:end]


def _decode(path: Path, number: int, line: bytes, previous: int) -> tuple[dict[str, Any], int]:
    text, mark, rest = line.rpartition(b',"crc":"')
    try:
        crc = int(rest[:8], 16)
        if not mark or rest[8:] != b'"}\n' or zlib.crc32(text + b"}", previous) != crc:
            raise ValueError
        entry = json.loads(text.decode() + "}")
    except (ValueError, RecursionError):
        raise JournalError(
            f"{path}:{number}: this line was changed or damaged after it was written. "
            "Restore the file from a copy; the lines before it are sound."
        ) from None
    return entry, crc


def _check_first(path: Path, entry: Mapping[str, Any], style: Style) -> None:
    if entry.get("kind") != style.kind:
        raise JournalError(f"{path}:1: this is not {style.what}: its first line is no {style.kind}.")
    if entry.get("format") not in range(1, style.format + 1):
        known = " and ".join(str(each) for each in range(1, style.format + 1))
        raise JournalError(
            f"{path}:1: {style.what.split()[1]} format {entry.get('format')!r} is not known to this version, which "
            f"reads format {known}. Use the version named in the first line as 'program'."
        )


# A time stamp is "2026-11-25T18:00:00.330+00:00". Day and zone are those of the line before where they are left out.
_TIME: Final = slice(10, 23)


def _with_day(at: str, before: str) -> str:
    return before[: _TIME.start] + at + before[_TIME.stop :] if at.startswith("T") else at


def _without_day(at: str, before: str) -> str:
    short = at[_TIME]
    return short if short.startswith("T") and _with_day(short, before) == at else at


def _encode(entry: Mapping[str, Any], previous: int) -> tuple[bytes, int]:
    body = json_text(entry, compact=True).encode("utf-8", "replace")  # a terminal may hand over what is no character
    crc = zlib.crc32(body, previous)
    return b'%b,"crc":"%08x"}\n' % (body[:-1], crc), crc


def unsealed(data: bytes) -> bytes:
    """Lines without their checksums, as many bytes of each as `sealed` needs to give the same lines again."""
    return b"".join(line.rpartition(b',"crc":"')[0] + b"\n" for line in data.splitlines())


def sealed(text: bytes) -> bytes:
    """Lines with the checksums that follow from them."""
    made, previous = [], 0
    for line in text.splitlines():
        previous = zlib.crc32(line + b"}", previous)
        made.append(b'%b,"crc":"%08x"}\n' % (line, previous))
    return b"".join(made)


class SealedFile:
    """The open file; every `append` is on disk when it returns."""

    def __init__(self, path: Path, style: Style, stamp: Callable[[], str]) -> None:
        self.path, self._style, self._stamp = path, style, stamp
        self._place = path.absolute()  # wherever the program goes meanwhile
        self._file: int | None = None
        self._end = self._crc = self.lines = 0
        self.format, self._at = style.format, ""
        self._cut_off = False

    @classmethod
    def create(cls, path: Path, style: Style, stamp: Callable[[], str], header: Mapping[str, Any]) -> SealedFile:
        """Begin a new file in a folder that has none."""
        made = cls(path, style, stamp)
        folder = path.parent
        try:
            make_folder(folder)
            flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0)
            made._file = os.open(path, flags, OWNERS)
            made.append({"kind": style.kind, "format": style.format, **header})
            sync_folder(folder)
            sync_folder(folder.parent)
        except FileExistsError:
            raise JournalError(f"{path}: {style.taken}") from None
        except OSError as error:
            raise JournalError(
                f"{folder}: cannot be written: {error.strerror}. Name another folder with --runs."
            ) from None
        return made

    @classmethod
    def reopen(
        cls, path: Path, style: Style, stamp: Callable[[], str], data: bytes | None = None, begun_in: int | None = None
    ) -> SealedFile:
        """Continue a file in the format in which it was begun, then drop a torn tail.

        Every line is checked, but where the caller has, and hands over the bytes.
        """
        data = sound(path, style) if data is None else data
        made = cls(path, style, stamp)
        made.format = begun_in or style.format
        made._end, made.lines = data.rfind(b"\n") + 1, data.count(b"\n")
        made._crc = int(data[: made._end][-11:-3] or b"0", 16)
        try:
            made._file = os.open(path, os.O_WRONLY | getattr(os, "O_BINARY", 0))
            os.ftruncate(made._file, made._end)
        except OSError as error:
            raise JournalError(f"{path}: cannot be continued: {error.strerror}.") from None
        return made

    def append(self, entry: Mapping[str, Any]) -> str:
        """Write one line and wait until it is on disk; returns its time stamp."""
        if self._file is None:
            raise JournalError(f"{self.path}: the file is closed.")
        at = self._stamp()
        self._is_there(self._file)
        short = _without_day(at, self._at) if self.format > 1 else at
        line, crc = _encode({**entry, "at": short}, self._crc)
        try:
            if self._cut_off:  # a signal came while a line was written: it was never confirmed, and may be longer
                os.ftruncate(self._file, self._end)
            self._cut_off = True
            os.lseek(self._file, self._end, os.SEEK_SET)
            _write_all(self._file, line)
            sync(self._file)
        except OSError as error:
            with suppress(OSError):  # what was not confirmed is not left for a shorter line to end
                os.ftruncate(self._file, self._end)
            raise JournalError(f"{self.path}: cannot be written: {error.strerror}. {self._style.remedy}") from None
        self._end, self._crc, self._at = self._end + len(line), crc, at
        self.lines += 1
        self._cut_off = False
        return at

    def _is_there(self, file: int) -> None:
        """What is written to a file that was deleted is lost without a word."""
        with suppress(OSError):
            if os.path.samestat(os.fstat(file), self._place.stat()):
                return
        raise JournalError(f"{self.path}: is no longer there: it, or a folder above it, was deleted or renamed. "
                           f"{self._style.gone}")  # fmt: skip

    def close(self) -> None:
        """Close the file."""
        if self._file is not None:
            os.close(self._file)
            self._file = None


def _write_all(file: int, data: bytes) -> None:
    while data:
        data = data[os.write(file, data) :]
