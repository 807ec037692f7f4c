"""What a check of an instrument found, and the lines of a bench file that would help.   [pure]"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any, Literal, NamedTuple, TypeAlias

from harness.words.clean import clean
from harness.words.json_text import json_text

Word: TypeAlias = Literal["pass", "conditional pass", "fail", "not tried"]
"""Conditional: it is as it should be once these lines stand in the bench file."""


class Line(NamedTuple):
    """One line: its key below the instrument's table, such as "commands.limiter", its value, and why."""

    key: str
    value: Any
    why: str = ""
    open: bool = False  # a person has to finish it: it goes behind a #


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """What one check found."""

    check: str
    word: Word
    said: str
    lines: tuple[Line, ...] = ()


def wrong(found: Iterable[Found]) -> list[str]:
    """What is not as it should be, a sentence each: nothing, in a test that passes."""
    return [f"{each.check}: {each.said}" for each in found if each.word in ("fail", "conditional pass")]


def bench_lines(table: str, found: Iterable[Found]) -> Iterator[str]:
    """The lines as TOML, below the heading of the table that each belongs to; the last of a key counts."""
    last = {line.key: line for each in found for line in each.lines}
    for within in sorted({key.rpartition(".")[0] for key in last}):
        yield f"[{table}{'.' * bool(within)}{within}]"
        yield from (_written(line) for key, line in last.items() if key.rpartition(".")[0] == within)


def _written(line: Line) -> str:
    why = f"   # {clean(line.why)}" if line.why else ""
    return f"{'# ' * line.open}{line.key.rpartition('.')[2]} = {json_text(line.value)}{why}"


@dataclass(frozen=True, slots=True, kw_only=True)
class TriedOut:
    """An instrument that was tried out: which, when, and everything that was found."""

    role: str
    table: str  # of the bench file, in which its lines belong: "unit", or "positions.left"
    label: str
    address: str
    bench: str  # the bench file
    at: str  # when, by the bench's clock
    simulated: bool
    put_out: str  # what stood at its output at most; "" where it has none
    found: tuple[Found, ...]
    commands: tuple[tuple[str, str, str], ...]  # each that was tried, its template, what came of it
    may_be_on: str = ""  # an output that may be on, in a sentence

    def __repr__(self) -> str:
        lines = ("", f"For {self.bench}:", *self.lines) if self.lines else ()
        return "\n".join((f"<TriedOut {self.sentence}>", *wrong(self.found), *lines))

    @property
    def word(self) -> Word:
        """The worst of what was found."""
        words = {each.word for each in self.found}
        worst: tuple[Word, ...] = ("fail", "conditional pass", "pass")
        return "fail" if self.may_be_on else next((word for word in worst if word in words), "not tried")

    @property
    def lines(self) -> tuple[str, ...]:
        """What the bench file should say, as TOML."""
        return tuple(bench_lines(self.table, self.found))

    @property
    def sentence(self) -> str:
        """It in short."""
        counts = {word: sum(each.word == word for each in self.found) for word in ("fail", "conditional pass")}
        tried = sum(each.word != "not tried" for each in self.found)
        if self.word == "pass":
            return f"The {self.role} keeps its protocol: {tried} checks, all as they should be."
        if not tried:
            return f"The {self.role} was not tried."
        if self.word == "conditional pass":
            return f"The {self.role} keeps its protocol once the lines below stand in {self.bench}."
        return f"The {self.role} does not keep its protocol: {counts['fail']} of {tried} checks failed."
