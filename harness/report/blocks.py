"""What a page says, as values: written once, then shown as HTML, on a terminal and in print.   [pure]

A page is a few kinds of blocks, and their text is lines of spans. What the three ways of showing have in common stands
here (words, numbers, order of columns, where a link leads); how it looks is theirs alone.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Literal, TypeAlias

from harness.report import shown
from harness.report.plot_style import Picture
from harness.words.language import tr
from harness.words.spelling import SIGN

Kind: TypeAlias = shown.Kind | Literal[""]


@dataclass(frozen=True, slots=True, kw_only=True)
class Span:
    """A piece of text; perhaps with a sign before it, its full value as a number behind it, or a place it leads to."""

    text: str
    sign: str = ""
    heard: str = ""  # what the sign means, for whoever listens, where no word stands beside it
    kind: Kind = ""
    look: Literal["", "strong", "faint", "remark", "mark"] = ""  # remark: small below its cell; mark: its letter
    number: float | None = None
    to: str = ""


Line: TypeAlias = tuple[Span, ...]
Said: TypeAlias = str | Span | Line


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """A column of a table: its heading, and how it stands."""

    name: str
    right: bool  # as numbers stand
    roomy: bool  # left out where a terminal has no room


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """A row of a table."""

    cells: tuple[Line, ...]
    kind: Kind = ""
    total: bool = False  # stands below a line


@dataclass(frozen=True, slots=True, kw_only=True)
class Section:
    """Blocks under a heading; folded, a page shows the heading alone until it is asked for more."""

    title: str
    blocks: tuple[Block, ...]
    note: str = ""
    key: str = ""  # what a link leads to
    folded: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Paragraph:
    """Running text."""

    said: Line
    small: bool = False
    whole: bool = False  # may end in a command, which a terminal must not break
    clause: str = ""  # of ISO/IEC 17025:2017, which asks for it


@dataclass(frozen=True, slots=True, kw_only=True)
class Fact:
    """A name with what it stands for, and the clause of ISO/IEC 17025:2017 that asks for it."""

    name: str
    said: Line
    clause: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Facts:
    """Names with what they stand for."""

    entries: tuple[Fact, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Bullets:
    """A list; of a brief one, a terminal shows the first lines."""

    entries: tuple[Line, ...]
    brief: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Listing:
    """Lines of a file as they stand in it, to be copied from a page; print and terminal leave them out."""

    name: str
    lines: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """A table whose heads repeat on every printed page; without a caption of its own, the heading above it is that."""

    columns: tuple[Column, ...]
    rows: tuple[Row, ...]
    caption: str = ""
    note: str = ""
    foot: str = ""  # what its letters mean: below it, on each of its pages
    look: Literal["", "cards", "wordy", "compact"] = ""  # on a narrow screen, each row becomes a card
    small: bool = False
    listed: bool = False  # has too many words for a terminal, which lists its rows


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """A picture with its caption and its words; perhaps another drawing for narrow screens, and words below it."""

    picture: Picture
    narrow: Picture | None = None
    words: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Gallery:
    """Small pictures beside one another."""

    figures: tuple[Figure, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Beside:
    """Columns of blocks beside one another, where there is room for that."""

    columns: tuple[tuple[Block, ...], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Chart:
    """A response for where there are no pictures."""

    readings: tuple[tuple[float, float], ...]
    fitted: tuple[tuple[float, float], ...]
    half_power_hz: float | None
    rated_hz: float | None
    drop_db: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """The page in a sentence, and what to do next: first on a page, last on a terminal."""

    title: str
    word: Span
    said: tuple[str, ...]
    next_step: Paragraph | None = None
    found: Line = ()  # what was found before an adjustment
    warned: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Signatures:
    """Lines to sign on."""

    lines: tuple[tuple[str, str, str], ...]  # what for, who, in which function; as far as that is known


@dataclass(frozen=True, slots=True, kw_only=True)
class Links:
    """What a page holds, for whoever looks for it there."""

    entries: tuple[tuple[str, str], ...]  # key, title


Block: TypeAlias = (
    Section
    | Paragraph
    | Facts
    | Bullets
    | Listing
    | Table
    | Figure
    | Gallery
    | Beside
    | Chart
    | Answer
    | Signatures
    | Links
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Page:
    """A page of its own: what stands around the blocks."""

    title: str
    heading: str
    beside: str  # the heading: number, dates
    program: str
    running: str  # on every printed page
    marks: tuple[str, ...]
    blocks: tuple[Block, ...]
    footer: tuple[Paragraph, ...]


def line(said: Said) -> Line:
    """A line of whatever is said."""
    match said:
        case str():
            return (Span(text=said),) if said else ()
        case Span():
            return (said,)
        case _:
            return said


def text_of(said: Said) -> str:
    """A line as plain text, as somebody reads it out."""
    return "".join(f"{'; ' * (s.look == 'remark')}{s.sign}{' ' * bool(s.sign)}{s.text}" for s in line(said))


def strong(text: str, **more: float | str | None) -> Span:
    """Text that stands out."""
    return Span(text=text, look="strong", **more)  # type: ignore[arg-type]


def word(said: str, remarks: Iterable[str] = ()) -> Line:
    """A verdict with its sign, so that no colour carries it alone; other words, of a store that knows more, without."""
    first = Span(text=tr(said), sign=SIGN.get(said, ""), kind=shown.KIND.get(said, "none"))
    return (first, *(Span(text=remark, look="remark") for remark in remarks))


def due(day: str, *, overdue: bool) -> Line:
    """When something is due, and that this has passed."""
    return (Span(text=f"{day} "), Span(text=tr("overdue"), sign="✗", kind="bad")) if overdue else line(day)


def row(*cells: Said, kind: Kind = "", total: bool = False) -> Row:
    """A row from whatever its cells say."""
    return Row(cells=tuple(map(line, cells)), kind=kind, total=total)


def table(columns: Iterable[str], rows: Iterable[Row], **more: Any) -> Table:
    """A table: ">U" stands to the right, as numbers do; "?Path" is left out where a terminal has no room."""
    named = ((name.lstrip("?>"), name[:2]) for name in columns)
    heads = tuple(Column(name=tr(name), right=">" in marks, roomy="?" in marks) for name, marks in named)
    return Table(columns=heads, rows=tuple(rows), **more)


def longest(table: Table) -> tuple[int, ...]:
    """The characters of the longest text in each column."""
    cells = zip(*(row.cells for row in table.rows), strict=True)
    return tuple(max(len(text_of(cell)) for cell in column) for column in cells) or (0,) * len(table.columns)


def paragraph(said: Said, *, small: bool = False) -> Paragraph:
    """Running text of whatever is said."""
    return Paragraph(said=line(said), small=small)


def bullets(entries: Iterable[Said], *, brief: bool = False) -> Bullets:
    """A list of whatever is said."""
    return Bullets(entries=tuple(map(line, entries)), brief=brief)


def facts(entries: Iterable[tuple[str, Said]]) -> Facts:
    """Names with what they stand for, where no clause asks for them."""
    return Facts(entries=tuple(Fact(name=tr(name), said=line(said)) for name, said in entries))


def held(block: Section | Beside) -> tuple[Block, ...]:
    """The blocks that a block holds, one below another."""
    return block.blocks if isinstance(block, Section) else tuple(each for column in block.columns for each in column)


def tables(blocks: Sequence[Block]) -> Iterator[Table]:
    """Every table, wherever it stands."""
    for block in blocks:
        if isinstance(block, Table):
            yield block
        elif isinstance(block, Section | Beside):
            yield from tables(held(block))
