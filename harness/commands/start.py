"""The command that gives a file to start from, or asks for what stands in the three of a bench worked by hand."""

from __future__ import annotations

from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Final, Literal

import rich_click as click

from harness.commands.files import KIND
from harness.commands.helping import PlainHelpCommand, not_both, say

if TYPE_CHECKING:
    from collections.abc import Iterator

    from harness.files.files import Kind, Scope
    from harness.person.operator import Operator
    from harness.start.write import Written

MEASUREMENT: Final = "measurement"


@click.command(cls=PlainHelpCommand)
@click.argument("kind", type=click.Choice([*KIND.choices, MEASUREMENT]), required=False)
@click.option("--by-hand", is_flag=True, help="Ask a few questions and write bench, unit and job.")
@click.option(
    "--into", type=click.Path(path_type=Path, file_okay=False), metavar="FOLDER",
    help="With --by-hand or measurement: where the files go; here, or own_measurement, if left out.",
)  # fmt: skip
@click.option(
    "--remembered", type=click.Path(path_type=Path, dir_okay=False), metavar="FILE",
    help="With --by-hand: where units and names are kept that are offered again.",
)  # fmt: skip
@click.option(
    "--page", is_flag=False, flag_value="127.0.0.1", metavar="[HOST]",
    help="With --by-hand: serve a page to answer from: on this computer alone, or at HOST[:PORT].",
)  # fmt: skip
@click.option(
    "--scope",
    type=click.Choice(["analogue", "digital"]),
    help="With unit or job: for an analogue scope, read by eye, or a digital one, over its interface.",
)
@click.option(
    "--from", "address", metavar="ADDRESS",
    help="With unit: ask the scope at this VISA address for all that it says of itself.",
)  # fmt: skip
def new(
    kind: Kind | Literal["measurement"] | None,
    *,
    scope: Scope | None,
    by_hand: bool,
    into: Path | None,
    remembered: Path | None,
    page: str | None,
    address: str | None,
) -> None:
    """Start: write a complete, commented file, or answer a few questions about a bench worked by hand.

    With --by-hand fourteen questions are asked, one line each, as in "decades 10 mV to 100 V, 0.25 %"; then the
    files are written, never over others. A bench.toml that is there is used, and not asked for. With --scope a unit
    file has the ratings that such a scope's manual states, and a job the measurements that go with them. With --from
    it is written from what a scope answers; take its leads off: it is switched through its ranges and back.

    A measurement is a folder: a measurement of your own with its verdict, a test of it, and a simulated bench.

    \b
    Examples:
      halfpower new --by-hand
      halfpower new --by-hand --into petrel
      halfpower new --by-hand --page 192.0.2.7
      halfpower new bench > bench.toml
      halfpower new unit --scope digital > unit.toml
      halfpower new unit --from TCPIP0::192.0.2.30::5025::SOCKET > unit.toml
      halfpower new job --scope digital > job.toml
      halfpower new queue > queue.toml
      halfpower new register > register.toml
      halfpower new customers > customers.toml
      halfpower new measurement --into ripple
    """
    from harness.files.files import starter

    not_both(kind, by_hand, "Name a kind of file or --by-hand")
    if scope and kind not in ("unit", "job"):
        raise click.UsageError("--scope goes with unit or job: 'halfpower new job --scope digital'.")
    if address is not None:
        not_both(scope, address, "Use --scope or --from")
        if kind != "unit":
            raise click.UsageError("--from goes with unit: 'halfpower new unit --from ADDRESS'.")
        _from_scope(address)
    elif by_hand:
        _asked(into or Path(), remembered, page)
    elif kind == MEASUREMENT:
        _measurement(into or Path("own_measurement"))
    elif kind is None:
        raise click.UsageError(
            "Name what to start with: bench, unit, job, queue, register, customers, measurement, or --by-hand."
        )
    else:
        click.echo(starter(kind, scope), nl=False)


def _measurement(folder: Path) -> None:
    """Write the folder, and say what comes next."""
    from harness.errors import shell_word
    from harness.files.files import write_measurement

    written = write_measurement(folder)
    say(f"Written into {folder}: {', '.join(written)}. Every line has its comment; begin with own_noise.py.")
    say(f"Next: halfpower run {shell_word(folder / 'job.toml')}    measured and judged on its simulated bench")
    say(f"      pytest {shell_word(folder)}    it finds what is true of that bench")


def _from_scope(address: str) -> None:
    """Write what a scope answers as a unit file; what was done and what is left goes to whoever redirects it."""
    from harness.run.learning import unit_file

    text, sentences = unit_file(address)
    click.echo(text, nl=False)
    say(*sentences, "Next: halfpower check FILE    which of the questions in it must be answered", err=True)


def _asked(into: Path, remembered: Path | None, page: str | None) -> None:
    """Ask, write, and say what was written and what comes next."""
    from harness.start import kept
    from harness.start.interview import BENCH, ask
    from harness.start.write import standing_bench, write

    stands = standing_bench(into)
    if stands is not None:
        say(f"{stands} is there, and is used as it is.")
    remembered = remembered or kept.the_file()
    with _somebody(page) as somebody:
        answers = ask(somebody, offered=kept.offered(remembered), without=() if stands is None else (BENCH,))
    written = write(answers, into)
    kept.keep(remembered, answers)
    say("", *_told(written))


@contextmanager
def _somebody(where: str | None) -> Iterator[Operator]:
    """The person at the terminal, and at a page as well where one is wanted."""
    from harness.commands.run import a_console
    from harness.person.console import Terminal

    console = a_console()
    terminal = Terminal(console)
    if where is None:
        yield terminal
        return
    from harness.commands.page import announce
    from harness.journal.atomic import write_bytes
    from harness.person.page import Page
    from harness.person.page_server import served
    from harness.person.photographs import Album
    from harness.person.progress import Progress
    from harness.person.several import Several

    page = Page("A start by hand", Progress(planned={}), {}, Album(write_bytes))
    with served(page, where) as address:
        announce(console, address)
        yield Several(terminal, page)
        page.end("All is asked; the terminal says which files are written and what comes next.")


def _told(written: Written) -> Iterator[str]:
    from harness.errors import shell_word

    files = (written.bench, written.unit, written.job)
    new, job = [str(path) for path in files if path not in written.kept], shell_word(written.job)
    yield f"Written: {', '.join(new)}. Every line has its comment; open them in any editor."
    yield from written.left_out
    if written.bench not in written.kept:
        yield f"Put maker, serial number and certificate of each standard into {written.bench}: the report names them."
        yield "Put in, too, the power that the feed-through termination bears, where there is one: 0.5 W is a guess."
    yield f"Next: halfpower rehearse {job}    what is asked, how long it takes, what cannot be decided"
    yield f"      halfpower run {job}"
