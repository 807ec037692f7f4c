"""The page of commands and options, from the program itself: `python -m tests.helpers.commands_page` writes it anew."""

from __future__ import annotations

import inspect
from collections.abc import Iterator
from pathlib import Path
from typing import Final

import click

from harness.cli import cli

PAGE: Final = Path(__file__).resolve().parents[2] / "docs" / "commands.md"
_HEAD: Final = """# Commands

Every command with its options, as its `--help` has them. Wherever a
file or a folder is named, any path will do.
"""
_TAIL: Final = """
## The environment

| variable | says |
|---|---|
| `HALFPOWER_STORE` | where finished runs are kept: a file, `postgresql://USER@HOST/DATABASE`, or `none` |
| `HALFPOWER_NOTIFY` | the channels for notices, parted by spaces ([notices](unattended.md#notices)) |
| `HALFPOWER_LOCKS` | the folder of the locks that keep two runs from one instrument, one for all users |
"""


def page() -> str:
    """The whole of it."""
    return "\n".join(
        [_HEAD, _exit_codes(), *(_command(each, f"halfpower {name}") for name, each in _all()), _TAIL.lstrip()]
    )


def _all() -> Iterator[tuple[str, click.Command]]:
    for name, command in cli.commands.items():
        yield name, command
        if isinstance(command, click.Group):
            yield from ((f"{name} {inner}", each) for inner, each in command.commands.items())


def _exit_codes() -> str:
    lines = (cli.help or "").split("Exit codes:\n")[1].split("\n")
    cells = sorted(
        ((code.strip(), said.strip()) for line in lines for code, said in _pairs(line)),
        key=lambda cell: int(cell[0].split()[0]),
    )
    rows = "\n".join(f"| {code} | {said} |" for code, said in cells)
    return f"## Exit codes\n\n| code | means |\n|---|---|\n{rows}\n"


def _pairs(line: str) -> Iterator[tuple[str, str]]:
    for half in (line[:36], line[36:]):
        if half.strip():
            code, _, said = half.strip().partition(": " if "or" in half[:12] else " ")
            yield code, said


def _command(command: click.Command, name: str) -> str:
    text = inspect.cleandoc(command.help or "")
    about, _, examples = text.partition("\b\nExamples:\n")
    arguments = " ".join(
        p.make_metavar(click.Context(command)) for p in command.params if isinstance(p, click.Argument)
    )
    typed = "\n".join(f"    {line.strip()}" for line in examples.strip().splitlines())
    rows = [_option(each) for each in command.params if isinstance(each, click.Option) and not each.hidden]
    table = ["| option | meaning |\n|---|---|\n" + "\n".join(rows) + "\n"] if rows else []
    parts = [f"## {name}\n", f"Takes `{arguments}`.\n" if arguments else "", about.strip().replace("\b\n", "") + "\n"]
    return "\n".join(part for part in [*parts, f"{typed}\n" if typed else "", *table] if part)


def _option(option: click.Option) -> str:
    names = ", ".join(f"`{each}`" for each in [*option.opts, *option.secondary_opts])
    value = "" if option.is_flag else f" {option.make_metavar(click.Context(cli))}"
    default = f" Default: `{option.default}`." if option.show_default and option.default not in (None, False) else ""
    return f"| {names}{value.replace('|', ', ')} | {(option.help or '').replace('|', ', ')}{default} |"


if __name__ == "__main__":
    PAGE.write_text(page(), "utf-8")
