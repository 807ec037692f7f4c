"""Adjust a unit: one point read again and again, its error large beside its limit."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Final

import rich_click as click

from harness.commands.helping import PlainHelpCommand, once_told
from harness.commands.records import remember, store_option
from harness.commands.run import PATH, a_console, page_option, warm_option, write_html
from harness.errors import HalfpowerError
from harness.words.spelling import SIGN

if TYPE_CHECKING:
    from harness.run.adjusting import Sight

_HALF: Final = 12  # characters of the gauge from no error to the limit


@click.command(cls=PlainHelpCommand)
@click.argument("run_folder", type=PATH)
@click.argument("point")
@page_option
@warm_option
@store_option
def adjust(run_folder: Path, point: str, *, page: str | None, warm: bool, store: str | None) -> None:
    """Read one point of a run again and again while you turn a trimmer.

    What the run has found stays; before and after are told in its journal and report. Then what else the trimmer may
    have moved is offered. Run the job again as left, and report both.

    \b
    Examples:
      halfpower adjust runs/2026-05-04-Plover "ch 1, 50 mV/div"
      halfpower adjust runs/2026-05-04-Plover "ch 2, 20 us/div" --page 192.0.2.7
    """
    from harness import runs as opening
    from harness.commands.page import built, serving
    from harness.journal import issues, journal
    from harness.person.console import Terminal
    from harness.person.progress import Progress
    from harness.person.several import Several
    from harness.run.adjusting import as_plain

    contents, console = journal.read(run_folder), a_console()
    if any(issue.approval for issue in issues.read(run_folder, contents)):
        raise HalfpowerError(
            f"The report of {run_folder.name} was approved, so its record is closed. Run the job again; adjust there."
        )
    loaded = opening.load_again(contents, tell=once_told())
    shown = built(loaded, Progress(planned={}), contents)
    shown.album.folder = run_folder
    terminal = Terminal(console)

    def show(sight: Sight) -> None:
        shown.look(as_plain(sight))
        terminal.tell(gauge(sight))

    with serving(shown, page, console):
        person = Several(terminal, shown, served=page is not None)
        opening.adjust(run_folder, point, operator=person, show=show, on_event=shown.event, warm=warm)
        shown.end("Adjusting has ended; run the job again as left.")
    write_html(opening.report(run_folder), run_folder / "report.html", folder=run_folder)
    remember(run_folder, store)
    click.echo("What the run found stays. Run the job again as left; then: halfpower report RUN --as-left RUN2")


def gauge(sight: Sight) -> str:
    """A reading as a line: what it came to, where it stands between its limits, and how it is judged."""
    said = f"{sight.said:>12}"
    if sight.value is None or not sight.limits:
        return said
    sign = SIGN.get(sight.word, "?")
    return f"{said}  {_scale(sight)}  {sign} {sight.word}, limit {sight.limits}"


def _scale(sight: Sight) -> str:
    if sight.low is None or sight.high is None or sight.value is None:
        return ""
    middle, half = (sight.high + sight.low) / 2, (sight.high - sight.low) / 2
    marks = ["·"] * (4 * _HALF + 1)
    marks[_HALF] = marks[3 * _HALF] = "|"
    marks[2 * _HALF] = "+"
    place = 2 * _HALF + round((sight.value - middle) / half * _HALF)
    marks[min(max(place, 0), 4 * _HALF)] = "●"
    return "".join(marks)
