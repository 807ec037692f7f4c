"""A page of blocks on a terminal: it fits itself to the console, says all data as text, and has one style.

Everything is built from `Text`, never from markup, and spelt in what the console's encoding carries. Colours only
repeat what words and signs say.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

from rich import box
from rich.console import Group
from rich.padding import Padding
from rich.panel import Panel
from rich.table import Table as Grid
from rich.text import Text

from harness.report.blocks import (
    Answer,
    Beside,
    Block,
    Bullets,
    Chart,
    Facts,
    Kind,
    Line,
    Paragraph,
    Row,
    Section,
    Signatures,
    Span,
    Table,
    held,
    line,
    tables,
    text_of,
)
from harness.words.chart import ResponseChart
from harness.words.clean import shortened
from harness.words.spelling import spelt

if TYPE_CHECKING:
    from rich.console import Console, ConsoleOptions, RenderableType, RenderResult

_STYLE: Final[dict[Kind, str]] = {
    "": "", "good": "bold cyan", "bad": "bold red", "open": "bold magenta", "none": "dim",
}  # fmt: skip
_LOOK: Final = {"": "", "strong": "bold", "faint": "dim", "remark": "dim"}
_MOST_LINES: Final = 12  # of a brief list
_LONGEST_CELL: Final = 40  # characters of a cell that does not wrap
_WIDEST_CHART: Final = 110


@dataclass(frozen=True, slots=True)
class Fitted:
    """Something that rich prints: blocks for a width and an encoding, and what they must be marked with."""

    blocks: Sequence[Block]
    marks: Sequence[str] = ()

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        """Yield the page for this console."""
        screen = _Screen(page=self, width=options.max_width, encoding=options.encoding)
        yield from screen.blocks(self.blocks)


def on_terminal(page: Iterable[Block], marks: Sequence[str]) -> Fitted:
    """A page's blocks for a terminal, which is read from its end."""
    return Fitted([*page][::-1], marks)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Screen:
    """A page in the width and encoding of one console."""

    page: Fitted
    width: int
    encoding: str

    def say(self, text: str, style: str = "") -> Text:
        """Data as text: spelt, never markup."""
        return Text(spelt(text, self.encoding), style=style)

    def line(self, spans: Line, style: str = "") -> Text:
        """A line of spans."""
        return Text.assemble(*map(self.span, spans), style=style)

    def span(self, span: Span) -> Text:
        """A word with its sign, in its style."""
        text = f"{span.sign} {span.text}" if span.sign else f"; {span.text}" if span.look == "remark" else span.text
        return self.say(text, _STYLE[span.kind] or _LOOK[span.look])

    def blocks(self, blocks: Iterable[Block]) -> Iterator[RenderableType]:
        """The blocks as they follow one another; pictures and links are a page's alone."""
        before: Block | None = None
        for block in blocks:
            if isinstance(before, Table | Section) and isinstance(block, Paragraph | Facts | Bullets):
                yield Text()
            before = block
            match block:
                case Section() | Beside():
                    yield from self.heading(block)
                    yield from self.blocks(held(block))
                case Paragraph():
                    text = self.line(block.said, "dim" if block.small else "")
                    if block.whole:  # the terminal alone breaks it, so that it can be copied
                        text.no_wrap, text.overflow = True, "ignore"
                    yield text
                case Facts():
                    yield self.grid((fact.name, fact.said) for fact in block.entries)
                case Bullets():
                    yield from self.bullets(block)
                case Table():
                    yield self.grid(_listed(block, row) for row in block.rows) if block.listed else self.table(block)
                case Chart():
                    yield Padding(self.chart(block), (1, 0))
                case Answer():
                    yield from self.answer(block)
                case Signatures():
                    named = ((role, ", ".join(filter(None, who)) or "–") for role, *who in block.lines)
                    yield self.grid((role, line(who)) for role, who in named)
                case _:
                    pass

    def heading(self, block: Section | Beside) -> Iterator[RenderableType]:
        """The heading of what has one."""
        if isinstance(block, Section):
            yield _below(self.line((Span(text=block.title, look="strong"), *_note(block.note))))

    def answer(self, answer: Answer) -> Iterator[RenderableType]:
        """The page in a sentence and what to do next, after the columns that there was no room for."""
        if hidden := [c for table in tables(self.page.blocks) for c in table.columns if c.room > self.width]:
            names = ", ".join(dict.fromkeys(column.name for column in hidden))
            room = max(column.room for column in hidden)
            yield _below(self.say(f"At {self.width} columns without {names}; {room} show all.", "dim"))
        lines = [self.say(f"! {mark}", "bold red") for mark in self.page.marks]
        lines += [self.say(said, "bold red") for said in answer.warned]
        lines += [self.span(answer.word)] if answer.word.text else []
        lines += [self.say(said, "bold") for said in answer.said]
        lines += [self.line(answer.found)] if answer.found else []
        title = self.say(shortened(answer.title, max(self.width - 8, 8)))
        style = _STYLE[answer.word.kind] or "none"
        yield _below(Panel(Group(*lines), title=title, title_align="left", border_style=style, padding=(0, 1)))
        if answer.next_step is not None:
            yield from self.blocks([answer.next_step])

    def grid(self, entries: Iterable[tuple[str, Line]]) -> Grid:
        """Names with what they stand for."""
        grid = Grid.grid(padding=(0, 2, 0, 0))
        grid.add_column(max_width=max(self.width // 3, 8), overflow="fold")
        grid.add_column(overflow="fold")
        for name, said in entries:
            grid.add_row(self.say(name, "dim"), self.line(said))
        return grid

    def bullets(self, bullets: Bullets) -> Iterator[RenderableType]:
        """A list; of a brief one the first lines."""
        most = _MOST_LINES if bullets.brief else len(bullets.entries)
        for entry in bullets.entries[:most]:
            grid = Grid.grid(padding=(0, 1))
            grid.add_row(self.say("–"), self.line(entry))
            yield grid
        if len(bullets.entries) > most:
            yield self.say(f"… and {len(bullets.entries) - most} more, in the report")

    def table(self, block: Table) -> RenderableType:
        """A table without the columns that there is no room for."""
        title = f"{block.caption}{', ' * bool(block.note)}{block.note}"
        table = Grid(
            title=self.say(title) if title else None, title_justify="left", title_style="bold",
            box=box.SIMPLE_HEAD, pad_edge=False, show_edge=False, collapse_padding=True, header_style="dim",
        )  # fmt: skip
        shown = [n for n, column in enumerate(block.columns) if column.room <= self.width]
        for n in shown:
            column = block.columns[n]
            table.add_column(
                self.say(column.name), justify="right" if column.right else "left", no_wrap=not column.wraps,
                overflow="fold",
            )  # fmt: skip
        for row in block.rows:
            table.add_row(*(self.cell(row.cells[n], wraps=block.columns[n].wraps) for n in shown))
        return _below(table) if title else table

    def cell(self, spans: Line, *, wraps: bool) -> Text:
        """What a cell says, cut where it must stay in one line."""
        if not wraps and len(spans) == 1:
            spans = (replace(spans[0], text=shortened(spans[0].text, _LONGEST_CELL)),)
        return self.line(spans)

    def chart(self, chart: Chart) -> ResponseChart:
        """A response in characters."""
        return ResponseChart(
            readings=chart.readings, fitted=chart.fitted, half_power_hz=chart.half_power_hz,
            drop_db=chart.drop_db, rated_hz=chart.rated_hz, width=min(self.width, _WIDEST_CHART),
        )  # fmt: skip


def _below(what: RenderableType) -> Padding:
    return Padding(what, (1, 0, 0, 0))


def _note(note: str) -> Line:
    return (Span(text=f" – {note}", look="faint"),) if note else ()


def _listed(table: Table, row: Row) -> tuple[str, Line]:
    """How a row of a wordy table is told: what it is of, then each cell that says something, by its column's name."""
    said: list[Span] = []
    for column, cell in zip(table.columns[1:], row.cells[1:], strict=True):
        if text_of(cell) in ("", "–"):
            continue
        before = (": " if said[-1].sign else f", {column.name.lower()} ") if said else ""
        said += (*line(before), *cell)
    return text_of(row.cells[0]), tuple(said)
