"""What a printed report is made of, as values: headings, facts, tables, pictures, lines to sign.   [pure]"""

from __future__ import annotations

from dataclasses import dataclass, fields, is_dataclass
from typing import Any, Final, Literal, TypeAlias

from harness.report import shown
from harness.report.plot_style import Picture

Align: TypeAlias = Literal["left", "right"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Cell:
    """A cell of a table: text, perhaps after a sign that says what kind it is, perhaps with small print below."""

    text: str
    sign: str = ""
    kind: shown.Kind | Literal[""] = ""
    small: str = ""
    strong: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """A column: its heading and its share of the width; what is too long for it wraps."""

    name: str
    align: Align
    share: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """A row of a table."""

    cells: tuple[Cell, ...]
    kind: shown.Kind | Literal[""] = ""
    total: bool = False  # stands below a line


@dataclass(frozen=True, slots=True, kw_only=True)
class Heading:
    """A heading; also an entry of the document's outline."""

    text: str
    level: Literal[1, 2] = 1
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Paragraph:
    """Running text."""

    text: str
    small: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Facts:
    """Names with what they stand for."""

    entries: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Bullets:
    """A list; each entry perhaps with a word and its sign before it."""

    entries: tuple[Cell, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """A table whose heads repeat on every page that it reaches."""

    columns: tuple[Column, ...]
    rows: tuple[Row, ...]
    small: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """A picture with its caption and its words."""

    picture: Picture


@dataclass(frozen=True, slots=True, kw_only=True)
class Signatures:
    """Lines to sign on."""

    lines: tuple[tuple[str, str], ...]  # what for, and who if that is known


Block: TypeAlias = Heading | Paragraph | Facts | Bullets | Table | Figure | Signatures
NAMES: Final[dict[type, str]] = {
    Heading: "heading", Paragraph: "paragraph", Facts: "facts", Bullets: "bullets", Table: "table",
    Figure: "figure", Signatures: "signatures",
}  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Group:
    """Facts under a heading of their own."""

    title: str
    entries: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheet:
    """A printed report: what stands on its first page, on every page, and the rest in order."""

    title: str
    subject: str
    laboratory: str
    number: str
    issued: str
    overall: Cell
    sentence: str
    next_step: str
    found: str  # what was found before an adjustment
    running: str  # on every page
    marks: tuple[str, ...]
    groups: tuple[tuple[Group, ...], ...]  # the particulars of the first page, a column each
    blocks: tuple[Block, ...]
    statements: tuple[str, ...]


def word_cell(word: str, remarks: tuple[str, ...] = ()) -> Cell:
    """A verdict with its sign, so that no colour carries it alone."""
    return Cell(text=word, sign=shown.SIGN[word], kind=shown.KIND[word], small="; ".join(remarks), strong=True)


def row(*cells: str | Cell, kind: shown.Kind | Literal[""] = "", total: bool = False) -> Row:
    """A row from texts and cells."""
    return Row(cells=tuple(c if isinstance(c, Cell) else Cell(text=c) for c in cells), kind=kind, total=total)


def columns(*named: tuple[str, float]) -> tuple[Column, ...]:
    """Columns from their names and shares of the width; ">Error" stands to the right, as numbers do."""
    return tuple(
        Column(name=name.removeprefix(">"), align="right" if name.startswith(">") else "left", share=share)
        for name, share in named
    )


def plain(value: Any) -> Any:
    """Blocks as JSON-ready dicts; the kind of a block goes under "is"."""
    if is_dataclass(value) and not isinstance(value, type):
        named = {f.name: plain(getattr(value, f.name)) for f in fields(value)}
        return {"is": NAMES[type(value)], **named} if type(value) in NAMES else named
    if isinstance(value, tuple | list):
        return [plain(item) for item in value]
    return value
