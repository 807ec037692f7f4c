"""The command that shows the documents at a terminal, with no network and no browser."""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING, ClassVar, Final

import rich_click as click

from harness.commands.helping import PlainHelpCommand

if TYPE_CHECKING:
    from rich.console import Console, ConsoleOptions, RenderableType, RenderResult

_HERE: Final = Path(__file__).resolve().parent.parent
PAGES: Final = next((each for each in (_HERE / "docs", _HERE.parent / "docs") if each.is_dir()), _HERE.parent / "docs")
"""In an installed package, else in the project's own folder."""


@click.command(cls=PlainHelpCommand)
@click.argument("page", default="index")
def docs(page: str) -> None:
    """Show the documents here: which pages there are, or one of them by its name.

    \b
    Examples:
      halfpower docs
      halfpower docs first_scope
      halfpower docs uncertainty | less -R
    """
    from difflib import get_close_matches

    from harness.commands.run import a_console
    from harness.errors import HalfpowerError

    name = page.removeprefix("docs/").removesuffix(".md").replace("-", "_")
    pages = {each.stem: each for each in sorted(PAGES.glob("*.md"))}
    if name not in pages:
        near = "".join(f" {each!r} may be meant." for each in get_close_matches(name, pages, n=1))
        raise HalfpowerError(f"There is no page {page!r}.{near} 'halfpower docs' lists them.")
    a_console().print(_rendered(_for_a_terminal(pages[name].read_text("utf-8"))))


def _rendered(text: str) -> RenderableType:
    """A page with every word of its tables: what is too long for its column goes on in the next line."""
    from rich.markdown import Markdown, TableElement

    class Whole(TableElement):
        def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
            for made in super().__rich_console__(console, options):
                for column in getattr(made, "columns", ()):
                    column.overflow = "fold"
                yield made

    class Page(Markdown):
        elements: ClassVar = {**Markdown.elements, "table_open": Whole}

    return Page(text, hyperlinks=False)


def _for_a_terminal(text: str) -> str:
    """A page by the name that is typed for it, a picture by its words, an equation as it is written."""
    text = re.sub(r"\[(\w+)\.md\]\(\1\.md\)", r"**\1**", text)
    text = re.sub(r"!\[(.*?)\]\(pictures/[^)]*\)", r"(Picture: \1)", text, flags=re.DOTALL)
    text = re.sub(r"\[([^\]\n]+)\]\((\w+)\.md(?:#[^)]*)?\)", r"\1 (**\2**)", text)
    return re.sub(r"^\$\$\n(.*?)^\$\$$", r"```text\n\1```", text, flags=re.DOTALL | re.MULTILINE)
