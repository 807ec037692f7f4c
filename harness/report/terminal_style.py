"""What every page for a terminal shares: it fits itself to the console, says all data as text, and has one style."""

from __future__ import annotations

from abc import ABC, abstractmethod
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from rich import box
from rich.table import Table
from rich.text import Text

from harness.report import shown
from harness.words.spelling import spelt

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Iterator, Sequence

    from rich.console import Console, ConsoleOptions, RenderableType, RenderResult

STYLE: Final[dict[shown.Kind, str]] = {
    "good": "bold cyan", "bad": "bold red", "open": "bold magenta", "none": "dim",
}  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Screen(ABC):
    """A page in the width and encoding of one console."""

    width: int
    encoding: str

    @abstractmethod
    def everything(self) -> Iterator[RenderableType]:
        """The whole page, in the order in which a terminal is read."""

    def say(self, text: str, style: str = "") -> Text:
        """Data as text: spelt, never markup."""
        return Text(spelt(text, self.encoding), style=style)

    def word(self, word: str) -> Text:
        """A verdict with its sign."""
        return self.say(f"{shown.SIGN[word]} {word}", STYLE[shown.KIND[word]])

    def table(self, title: str, columns: Sequence[tuple[str, bool]], wrapped: Collection[str]) -> Table:
        """An empty table: each column's name and whether it stands to the right; those `wrapped` give way first."""
        table = Table(
            title=self.say(title), title_justify="left", title_style="bold",
            box=box.SIMPLE_HEAD, pad_edge=False, show_edge=False, collapse_padding=True, header_style="dim",
        )  # fmt: skip
        for name, right in columns:
            table.add_column(
                self.say(name), justify="right" if right else "left", no_wrap=name not in wrapped, overflow="fold"
            )
        return table


@dataclass(frozen=True, slots=True)
class Fitted:
    """Something that rich prints: the page that is made for a width and an encoding."""

    made: Callable[[int, str], Screen]

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        """Yield the page for this console."""
        yield from self.made(options.max_width, options.encoding).everything()
