"""What commands share: help as it is written, with paragraphs apart and examples indented, and the error stream."""

from __future__ import annotations

import inspect
from collections.abc import Callable, Iterable
from typing import TYPE_CHECKING, Any

import rich_click as click

if TYPE_CHECKING:
    from harness.words.moments import Interval


class PlainHelpCommand(click.RichCommand):
    """A command that shows its help text so."""

    def format_help_text(self, ctx: Any, formatter: Any) -> None:  # noqa: ARG002 - the signature is click's
        """Write the help text."""
        write_paragraphs(self.help or "", formatter)


class PlainHelpGroup(click.RichGroup):
    """A group that shows its help text so, and so do its commands."""

    command_class = PlainHelpCommand

    def format_help_text(self, ctx: Any, formatter: Any) -> None:  # noqa: ARG002 - the signature is click's
        """Write the help text."""
        write_paragraphs(self.help or "", formatter)


def write_paragraphs(text: str, formatter: Any) -> None:
    """Write paragraphs of text; the lines of one that begins with a backspace, as click has it, are kept."""
    from rich.padding import Padding
    from rich.text import Text

    style = formatter.config.style_helptext_first_line
    for paragraph in inspect.cleandoc(text).split("\n\n"):
        kept = paragraph.removeprefix("\b\n")
        shown = kept if kept != paragraph else " ".join(paragraph.split("\n"))
        formatter.write(Padding(Text(shown, style=style), (0, 1, 1, 1)))
        style = formatter.config.style_helptext


class Day(click.DateTime):
    """A day of the calendar."""

    def __init__(self) -> None:
        super().__init__(["%Y-%m-%d"])

    def convert(self, value: Any, param: Any, ctx: Any) -> Any:
        """Read a day."""
        try:
            return super().convert(value, param, ctx)
        except click.BadParameter:
            self.fail(f"{value!r} is no day; expected one such as 2026-11-25 (year, month, day).", param, ctx)


def an_interval(option: str, text: str) -> Interval:
    """Understand what an option says, such as '12 months'."""
    from harness.words.moments import interval

    try:
        return interval(text)
    except ValueError as error:
        raise click.UsageError(f"{option}: {error}.") from None


def not_both(first: object, second: object, what: str) -> None:
    """Refuse two options, or an argument and an option, that exclude each other."""
    if first and second:
        raise click.UsageError(f"{what}, not both.")


def once_told() -> Callable[[object], None]:
    """Says each thing once on the error stream, however little else is shown: what is about to be imported."""
    told: set[str] = set()

    def tell(what: object) -> None:
        if str(what) not in told:
            told.add(str(what))
            say(what, err=True)

    return tell


def warn(warnings: Iterable[str]) -> None:
    """Say on the error stream what a person should look at."""
    say(*(f"warning: {warning}" for warning in warnings), err=True)


bom_option = click.option(
    "--bom", is_flag=True, help="Begin the CSV with a byte order mark, for spreadsheets that misread it without."
)


def say(*lines: object, err: bool = False) -> None:
    """Say something, a line each: whatever stands in it steers no terminal."""
    from harness.words.clean import clean

    if lines:
        click.echo("\n".join(clean(str(line)) for line in lines), err=err)
