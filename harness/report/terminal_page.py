"""A page of blocks on a terminal: it fits itself to the console, says all data as text, and has one style.

Everything is built from `Text`, never from markup, and spelt in what the console's encoding carries. Colours only
repeat what words and signs say.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from rich import box
from rich.console import Group
from rich.panel import Panel
from rich.table import Table as Grid
from rich.text import Text

from harness.report import blocks as b
from harness.words.chart import ResponseChart
from harness.words.clean import shortened
from harness.words.spelling import spelt

if TYPE_CHECKING:
    from rich.console import Console, ConsoleOptions, JustifyMethod, RenderableType, RenderResult

_STYLE: Final[dict[b.Kind, str]] = {
    "": "", "good": "bold cyan", "bad": "bold red", "open": "bold magenta", "none": "dim",
}  # fmt: skip
_LOOK: Final = {"": "", "strong": "bold", "faint": "dim", "remark": "dim", "mark": "dim"}
_MOST_LINES: Final = 12  # of a brief list
_ROOMY: Final = 104  # characters of a line from which every column is shown
_WIDEST_CHART: Final = 110


@dataclass(frozen=True, slots=True)
class Fitted:
    """Something that rich prints: blocks for a width and an encoding, and what they must be marked with."""

    blocks: Sequence[b.Block]
    marks: Sequence[str] = ()

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        """Yield the page for this console."""
        screen = _Screen(page=self, width=options.max_width, encoding=options.encoding)
        yield from screen.blocks(self.blocks)


def on_terminal(page: Iterable[b.Block], marks: Sequence[str]) -> Fitted:
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

    def line(self, spans: b.Line, style: str = "") -> Text:
        """A line of spans."""
        return Text.assemble(*map(self.span, spans), style=style)

    def span(self, span: b.Span) -> Text:
        """A word with its sign, in its style."""
        text = f"{span.sign} {span.text}" if span.sign else f"; {span.text}" if span.look == "remark" else span.text
        return self.say(text, _STYLE[span.kind] or _LOOK[span.look])

    def blocks(self, blocks: Iterable[b.Block]) -> Iterator[RenderableType]:
        """The blocks as they follow one another; pictures and links are a page's alone."""
        before: b.Block | None = None
        for block in blocks:
            if _stands_apart(block) or (before is not None and _stands_apart(before)):
                yield ""
            before = block
            match block:
                case b.Section() | b.Beside():
                    if isinstance(block, b.Section):
                        yield self.line((b.Span(text=block.title, look="strong"), *_note(block.note)))
                    yield from self.blocks(b.held(block))
                case b.Paragraph():
                    yield self.paragraph(block)
                case b.Facts():
                    yield self.grid((fact.name, fact.said) for fact in block.entries)
                case b.Bullets():
                    yield from self.bullets(block)
                case b.Table():
                    yield self.grid(_listed(block, row) for row in block.rows) if block.listed else self.table(block)
                case b.Chart():
                    yield self.chart(block)
                case b.Answer():
                    yield from self.answer(block)
                case b.Signatures():
                    named = ((role, ", ".join(filter(None, who)) or "–") for role, *who in block.lines)
                    yield self.grid((role, b.line(who)) for role, who in named)
                case _:
                    pass

    def paragraph(self, block: b.Paragraph) -> Text:
        """Running text; what may end in a command is broken by the terminal alone, so that it can be copied."""
        text = self.line(block.said, "dim" if block.small else "")
        if block.whole:
            text.no_wrap, text.overflow = True, "ignore"
        return text

    def answer(self, answer: b.Answer) -> Iterator[RenderableType]:
        """The page in a sentence and what to do next, after the columns that there was no room for."""
        if hidden := [column.name for table in b.tables(self.page.blocks) for column in self.hidden(table)]:
            names = ", ".join(dict.fromkeys(hidden))
            yield from (self.say(f"At {self.width} columns without {names}; {_ROOMY} show all.", "dim"), "")
        lines = [self.say(f"! {mark}", "bold red") for mark in self.page.marks]
        lines += [self.say(said, "bold red") for said in answer.warned]
        lines += [self.span(answer.word)] if answer.word.text else []
        lines += [self.say(said, "bold") for said in answer.said]
        lines += [self.line(answer.found)] if answer.found else []
        title = self.say(shortened(answer.title, max(self.width - 8, 8)))
        style = _STYLE[answer.word.kind] or "none"
        yield Panel(Group(*lines), title=title, title_align="left", border_style=style, padding=(0, 1))
        if answer.next_step is not None:
            yield from self.blocks([answer.next_step])

    def grid(self, entries: Iterable[tuple[str, b.Line]]) -> Grid:
        """Names with what they stand for."""
        grid = Grid.grid(padding=(0, 2, 0, 0))
        grid.add_column(max_width=max(self.width // 3, 8), overflow="fold")
        grid.add_column(overflow="fold")
        for name, said in entries:
            grid.add_row(self.say(name, "dim"), self.line(said))
        return grid

    def bullets(self, bullets: b.Bullets) -> Iterator[RenderableType]:
        """A list; of a brief one the first lines."""
        most = _MOST_LINES if bullets.brief else len(bullets.entries)
        for entry in bullets.entries[:most]:
            grid = Grid.grid(padding=(0, 1))
            grid.add_row(self.say("–"), self.line(entry))
            yield grid
        if len(bullets.entries) > most:
            yield self.say(f"… and {len(bullets.entries) - most} more, in the report")

    def table(self, block: b.Table) -> RenderableType:
        """A table without the columns that there is no room for."""
        title = f"{block.caption}{', ' * bool(block.note)}{block.note}"
        table = Grid(
            title=self.say(title) if title else None, title_justify="left", title_style="bold",
            box=box.SIMPLE_HEAD, pad_edge=False, show_edge=False, collapse_padding=True, header_style="dim",
        )  # fmt: skip
        hidden = self.hidden(block)
        for column in block.columns:
            if column not in hidden:
                justify: JustifyMethod = "right" if column.right else "left"
                table.add_column(self.say(column.name), justify=justify, overflow="fold")
        for row in block.rows:
            cells = zip(block.columns, row.cells, strict=True)
            table.add_row(*(self.line(cell) for column, cell in cells if column not in hidden))
        return table

    def hidden(self, table: b.Table) -> list[b.Column]:
        """The columns that there is no room for."""
        return [column for column in table.columns if column.roomy and self.width < _ROOMY and not table.listed]

    def chart(self, chart: b.Chart) -> ResponseChart:
        """A response in characters."""
        return ResponseChart(
            readings=chart.readings, fitted=chart.fitted, half_power_hz=chart.half_power_hz,
            drop_db=chart.drop_db, rated_hz=chart.rated_hz, width=min(self.width, _WIDEST_CHART),
        )  # fmt: skip


def _stands_apart(block: b.Block) -> bool:
    """Whether a line is left free before and after."""
    return isinstance(block, b.Section | b.Chart | b.Answer) or (isinstance(block, b.Table) and bool(block.caption))


def _note(note: str) -> b.Line:
    return (b.Span(text=f" – {note}", look="faint"),) if note else ()


def _listed(table: b.Table, row: b.Row) -> tuple[str, b.Line]:
    """How a row of a wordy table is told: what it is of, then each cell that says something, by its column's name."""
    said: list[b.Span] = []
    for column, cell in zip(table.columns[1:], row.cells[1:], strict=True):
        if b.text_of(cell) in ("", "–"):
            continue
        before = (": " if said[-1].sign else f", {column.name.lower()} ") if said else ""
        said += (*b.line(before), *cell)
    return b.text_of(row.cells[0]), tuple(said)
