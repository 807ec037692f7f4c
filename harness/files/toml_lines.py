"""On which line of a TOML text does a key stand? The parser of the standard library does not say.

`LineNumbers` walks a text that has already been parsed without error, once, in linear time, and only if somebody
asks. So it may be simple: it knows where keys, headers and values begin and end, and leaves every question of
validity to `tomllib`.
"""

from __future__ import annotations

import re
import tomllib
from bisect import bisect_right
from collections.abc import Iterator
from typing import Final, TypeAlias

KeyPath: TypeAlias = tuple[str | int, ...]
"""Keys from the top of a file, and places in its lists: ("sequence", 0, "use")."""

_BLANK: Final = re.compile(r"(?:[ \t\n]|#[^\n]*)*")
_SPACE: Final = re.compile(r"[ \t]*")
_KEY: Final = re.compile(r"""[A-Za-z0-9_-]+|"(?:[^"\\\n]|\\.)*"|'[^'\n]*'""")
_TEXT: Final = re.compile(
    r'''"""(?:\\.|[^\\])*?"{3,5}(?!")|"(?:[^"\\\n]|\\.)*"|'''
    r"""'''.*?'{3,5}(?!')|'[^'\n]*'""",
    re.DOTALL,
)
_BARE: Final = re.compile(r"[^,\]}#\n]+")


class LineNumbers:
    """Line numbers, from 1, of every key, header and list element of one text."""

    def __init__(self, text: str) -> None:
        text = text.replace("\r\n", "\n")
        self._text = text
        self._starts = [0, *(match.end() for match in re.finditer("\n", text))]
        self._lines: dict[KeyPath, int] = {}
        self._tables: dict[KeyPath, int] = {}  # arrays of tables: how many so far
        self._walked = False

    def line(self, path: KeyPath) -> int:
        """Where the key stands; for one that is absent, its table's header; for an absent table, line 1."""
        if not self._walked:
            self._walk()
        for length in range(len(path), 0, -1):
            if path[:length] in self._lines:
                return self._lines[path[:length]]
        return 1

    def _walk(self) -> None:
        self._walked = True
        table: KeyPath = ()
        at = self._skip(0)
        while at < len(self._text):
            if self._text[at] == "[":
                table, at = self._header(at)
            else:
                at = self._pair(at, table)
            at = self._skip(at)

    def _skip(self, at: int) -> int:
        match = _BLANK.match(self._text, at)
        return match.end() if match else at

    def _note(self, base: KeyPath, path: KeyPath, at: int, *, header: bool = False) -> None:
        line = bisect_right(self._starts, at)
        for length in range(len(base) + 1, len(path)):
            self._lines.setdefault(path[:length], line)
        if header:
            self._lines[path] = line
        else:
            self._lines.setdefault(path, line)

    def _header(self, at: int) -> tuple[KeyPath, int]:
        """Read `[a.b]` or `[[a.b]]`; a table of an array carries its place."""
        brackets = 2 if self._text.startswith("[[", at) else 1
        *parents, last = self._keys(at + brackets)
        path = (*self._resolve((), parents), last)
        if brackets == 2:
            place = self._tables.get(path, 0)
            self._tables[path] = place + 1
            self._lines.setdefault(path, bisect_right(self._starts, at))
            path = (*path, place)
        self._note((), path, at, header=True)
        return path, self._text.index("]", self._end) + brackets

    def _resolve(self, base: KeyPath, keys: list[str]) -> KeyPath:
        path = base
        for key in keys:
            path = (*path, key)
            if path in self._tables:
                path = (*path, self._tables[path] - 1)
        return path

    def _keys(self, at: int) -> Iterator[str]:
        """Read a dotted key and leave its end in `_end`."""
        while True:
            match = _KEY.match(self._text, self._space(at))
            if match is None:
                raise ValueError("no key here")  # never for a text that tomllib has taken
            yield _unquoted(match[0])
            at = self._end = self._space(match.end())
            if not self._text.startswith(".", at):
                return
            at += 1

    def _space(self, at: int) -> int:
        match = _SPACE.match(self._text, at)
        return match.end() if match else at

    def _pair(self, at: int, base: KeyPath) -> int:
        path = base + tuple(self._keys(at))
        self._note(base, path, at)
        return self._value(self._space(self._end + 1), path)

    def _value(self, at: int, path: KeyPath) -> int:
        """Step over a value, and note what it holds."""
        opening = self._text[at]
        if opening not in "[{":
            match = (_TEXT if opening in "\"'" else _BARE).match(self._text, at)
            return match.end() if match else at + 1
        closing, place = "]" if opening == "[" else "}", 0
        at = self._skip(at + 1)
        while self._text[at] != closing:
            if opening == "[":
                self._note(path, (*path, place), at)
                at = self._value(at, (*path, place))
                place += 1
            else:
                at = self._pair(at, path)
            at = self._skip(at)
            if self._text[at] == ",":
                at = self._skip(at + 1)
        return at + 1


def _unquoted(key: str) -> str:
    if key[0] == '"' and "\\" in key:
        return next(iter(tomllib.loads(f"{key} = 0")))
    return key[1:-1] if key[0] in "\"'" else key
