"""The command that tries an instrument out."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import rich_click as click

from harness.commands.helping import PlainHelpCommand, once_told, say
from harness.commands.run import PATH, a_console, trace_option, traced
from harness.errors import ConfigError, InstrumentError, SafetyError
from harness.steps import ROLES

if TYPE_CHECKING:
    from harness.steps import Role
    from harness.words.found import TriedOut


@click.command(cls=PlainHelpCommand)
@click.argument("role", type=click.Choice(ROLES))
@click.option("--bench", "bench_file", type=PATH, required=True, metavar="FILE", help="The bench file it stands in.")
@click.option("--unit", "unit_file", type=PATH, metavar="FILE", help="The unit file, for ranges and sweeps of a unit.")
@click.option("--position", metavar="NAME", help="With the role unit: the position where it stands.")
@click.option("--html", "html_path", type=PATH, metavar="FILE", help="The page; try-out-ROLE.html, if left out.")
@trace_option
@click.option("--open", "open_page", is_flag=True, help="Show the page in a browser.")
def try_out(
    role: Role,
    *,
    bench_file: Path,
    unit_file: Path | None,
    position: str | None,
    html_path: Path | None,
    trace: Path | None,
    open_page: bool,
) -> None:
    """Try out an instrument of a bench: whether it keeps its role's protocol, and what the bench file should say.

    Identity, error queue, a refusal told apart from a lost reply, every command of the driver's table by itself,
    settings that can be repeated, output off believed and read back, and one reading against another instrument.
    A real bench is asked about first; nothing above 1 V peak is put out, and every output is off at the end.

    \b
    Examples:
      halfpower try-out calibrator --bench bench.toml
      halfpower try-out unit --bench bench.toml --unit unit.toml --open
      halfpower try-out unit --bench bench.toml --position left --trace wire.txt
    """
    from harness.journal.atomic import write_text
    from harness.person.console import Terminal
    from harness.report.tried_page import tried_page
    from harness.run.trying import try_out as tried_out
    from harness.words.version import program_version

    with traced(trace) as tracing:
        tried = tried_out(
            role, bench_file, unit_path=unit_file, position=position, operator=Terminal(a_console()),
            before=once_told(), trace=tracing,
        )  # fmt: skip
    page = html_path or Path(f"try-out-{role}.html")
    write_text(page, tried_page(tried, program=program_version()))
    say(*_lines(tried), f"Page: {page}")
    if open_page:
        click.launch(str(page.resolve()))
    if tried.may_be_on:
        raise SafetyError(tried.may_be_on)
    if tried.word == "fail":
        raise InstrumentError(f"{role} ({tried.label})", "does not keep its protocol; see the lines above")
    if tried.word == "conditional pass":
        raise ConfigError(f"{bench_file}: {tried.table}: differs from the instrument; write the lines above into it")


def _lines(tried: TriedOut) -> Iterator[str]:
    """The trial as plain text: a line a check, and the lines of the bench file."""
    wide = max((len(each.check) for each in tried.found), default=0)
    for each in tried.found:
        yield f"{each.word:<16}  {each.check:<{wide}}  {each.said}"
    yield ""
    yield tried.sentence
    if tried.lines:
        yield from ("", f"For {tried.bench}:", "", *tried.lines, "")
