"""From a path to parsed TOML, with every way in which a file can be no TOML said in plain words.

Whatever the bytes are, the outcome is a `Text` or a `Problem`: nothing else is raised, and the time taken
is bounded, because a file from a stranger may be anything.
"""

from __future__ import annotations

import os
import re
import stat
import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from harness.errors import ConfigError
from harness.files.toml_lines import KeyPath, LineNumbers

LARGEST_BYTES: Final = 1 << 20
DEEPEST: Final = 16  # tables within tables; the files need five, and tomllib's time grows with the square

_KEY: Final = r"""(?:[A-Za-z0-9_-]++|"[^"\n]*+"|'[^'\n]*+')"""
_DEEP_KEY: Final = re.compile(rf"(?<![A-Za-z0-9_-]){_KEY}(?:[ \t]*+\.[ \t]*+{_KEY}){{{DEEPEST}}}")
_LONG_NUMBER: Final = re.compile(r"[0-9_]{1000,}")
_PLACE: Final = re.compile(r"(.*) \(at (?:line (\d+), column (\d+)|end of document)\)", re.DOTALL)
_VALUES: Final = 'expected text in quotation marks such as "20 MHz", a number, true or false, a date, or a list in [ ]'

_PLAIN_WORDS: Final[tuple[tuple[str, str], ...]] = (
    ("Invalid statement", "this is no statement; expected 'key = value', a [table] or a # comment"),
    ("Expected newline", 'something stands after the value; expected one key a line, and "20 MHz" in quotation marks'),
    ("Invalid value", f"this value cannot be read; {_VALUES}"),
    ("Expected '=' after a key", "a key without '='; expected 'key = value', a [table] or a # comment"),
    ("Cannot overwrite a value", "this key or table is given a second time; expected it once"),
    ("Duplicate inline table key", "this key is given a second time; expected it once"),
    ("Cannot declare", "this table is given a second time; expected one table that holds all its keys"),
    ("Cannot mutate", "this table was closed before; expected one table that holds all its keys"),
    ("Cannot redefine", "this table was closed before; expected one table that holds all its keys"),
    ("Expected ']", "the header of the table is not closed; expected [name], or [[name]] for one of several"),
    ("Invalid initial character for a key", "no key here; expected a name of letters, digits, '_' and '-'"),
    ("Unclosed array", "the list is not closed; expected ']'"),
    ("Unclosed inline table", "the table is not closed; expected '}'"),
    ("Unescaped '\\' in a string", "a single backslash in text; expected 'single quotation marks', or \\\\"),
    ("Invalid hex value", "a \\u in text without its digits; expected 'single quotation marks', or \\\\"),
    ("Escaped character is not", "a \\u in text that is no character; expected a Unicode scalar value"),
    ("Unterminated string", "text without its end; expected a closing quotation mark"),
    ("Illegal character '\\n'", "text without its end; expected a closing quotation mark on the same line"),
    ("Invalid date or datetime", "there is no such date; expected one such as 2027-04-30"),
    ("Illegal character", "a control character; expected plain text"),
    ("Found invalid character", "a control character; expected plain text"),
    ("Expected \"'", "text without its end; expected a closing quotation mark"),
    ("Expected '\"", "text without its end; expected a closing quotation mark"),
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Problem:
    """One thing that is wrong in a file; sorts in the order of reading."""

    file: str
    line: int = 0  # 0: the file as a whole
    column: int = 0
    key: str = ""
    text: str

    def __str__(self) -> str:
        """`file:line:column: key: what is wrong; what is expected`, as far as each is known."""
        place = ":".join(str(part) for part in (self.file, self.line, self.column) if part)
        return ": ".join(part for part in (place, self.key, self.text) if part)


class BadText(Exception):  # noqa: N818 - carries a problem within the loader; people see a ConfigError
    """A file is no TOML."""

    def __init__(self, file: str, text: str, *, line: int = 0, column: int = 0) -> None:
        self.problem = Problem(file=file, line=line, column=column, text=text)
        super().__init__(str(self.problem))


@dataclass(frozen=True, slots=True, kw_only=True)
class Text:
    """A parsed file, and where its keys stand."""

    path: Path
    file: str  # as messages show it
    source: str  # as it was read, without a byte order mark, its lines ending in \n
    data: dict[str, Any]
    lines: LineNumbers

    def problem(self, path: KeyPath, text: str) -> Problem:
        """A problem at a key."""
        return Problem(file=self.file, line=self.lines.line(path), key=show_key(path), text=text)


def printable(text: str, longest: int = 200) -> str:
    """Text from a file, safe for a terminal: control and direction characters are written as escapes."""
    short = text if len(text) <= longest else text[:longest] + "…"
    return "".join(c if c.isprintable() else c.encode("unicode_escape", "replace").decode("ascii") for c in short)


def show_key(path: KeyPath) -> str:
    """A key path as a person writes it; list elements are counted from 1."""
    shown = ""
    for part in path:
        if isinstance(part, int):
            shown += f"[{part + 1}]"
        else:
            name = part if re.fullmatch(r"[A-Za-z0-9_-]+", part) else f'"{printable(part, 60)}"'
            shown += f".{name}" if shown else name
    return shown


def read(path: Path) -> Text:
    """Read and parse a file; raises BadText and nothing else."""
    file = printable(str(path))
    text = _decoded(_bytes(path, file), file)
    _refuse_deep(text, file)
    try:
        data = tomllib.loads(text)
        return Text(path=path, file=file, source=text, data=data, lines=LineNumbers(text))
    except RecursionError:
        raise BadText(file, "is nested too deeply; expected a few levels") from None
    except tomllib.TOMLDecodeError as error:
        raise _syntax(str(error), text, file) from None
    except ValueError:  # tomllib lets Python's own refusal of endless integers through
        number = _LONG_NUMBER.search(text)
        line = text.count("\n", 0, number.start()) + 1 if number else 0
        raise BadText(file, "a number with thousands of digits; expected a shorter one", line=line) from None


def read_sound(path: Path) -> Text:
    """Read and parse a file; raises ConfigError."""
    try:
        return read(path)
    except BadText as bad:
        raise ConfigError(str(bad.problem)) from None


def _bytes(path: Path, file: str) -> bytes:
    try:
        with open(path, "rb", opener=_open_without_waiting) as stream:
            if not stat.S_ISREG(os.fstat(stream.fileno()).st_mode):
                raise BadText(file, "is not an ordinary file; expected a TOML file")
            content = stream.read(LARGEST_BYTES + 1)
    except IsADirectoryError:
        raise BadText(file, "is a folder; expected a TOML file") from None
    except FileNotFoundError:
        raise BadText(file, "there is no such file") from None
    except PermissionError:
        reason = "is a folder; expected a TOML file" if path.is_dir() else "may not be read by this user"
        raise BadText(file, reason) from None
    except OSError as error:
        raise BadText(file, f"cannot be read: {error.strerror or 'unknown reason'}") from None
    except ValueError:  # a NUL or a lone surrogate in the name
        raise BadText(file, "is no name that a file can have") from None
    if len(content) > LARGEST_BYTES:
        raise BadText(file, "is larger than 1 MiB; expected a TOML file of a few pages")
    return content


def _open_without_waiting(path: str, flags: int) -> int:
    """Open a file; a named pipe without a writer must not hold us."""
    return os.open(path, flags | getattr(os, "O_NONBLOCK", 0))


def _decoded(content: bytes, file: str) -> str:
    if content.startswith((b"\xff\xfe", b"\xfe\xff")):
        raise BadText(file, "is saved as UTF-16; expected UTF-8 (most editors offer it under 'save as')")
    if b"\0" in content:
        raise BadText(file, "is not text; expected a TOML file", line=_line(content, content.index(b"\0")))
    try:
        return content.decode("utf-8-sig").replace("\r\n", "\n")
    except UnicodeDecodeError as error:
        at = error.start + (3 if content.startswith(b"\xef\xbb\xbf") else 0)
        raise BadText(
            file,
            f"the byte 0x{content[at]:02X} is no UTF-8; expected the file to be saved as UTF-8",
            line=_line(content, at),
            column=at - (content.rfind(b"\n", 0, at) + 1) + 1,
        ) from None


def _line(content: bytes, at: int) -> int:
    return content.count(b"\n", 0, at) + 1


def _refuse_deep(text: str, file: str) -> None:
    deep = _DEEP_KEY.search(text)
    if deep:
        line = text.count("\n", 0, deep.start()) + 1
        raise BadText(file, f"a key of more than {DEEPEST} parts; expected at most {DEEPEST}", line=line)


def _syntax(message: str, text: str, file: str) -> BadText:
    match = _PLACE.fullmatch(message)
    reason, line, column = (match[1], match[2], match[3]) if match else (message, None, None)
    plain = next((words for start, words in _PLAIN_WORDS if reason.startswith(start)), printable(reason))
    if line is None or column is None:
        end = text.rstrip("\n")
        return BadText(file, plain, line=end.count("\n") + 1, column=len(end) - end.rfind("\n"))
    return BadText(file, plain, line=int(line), column=int(column))
