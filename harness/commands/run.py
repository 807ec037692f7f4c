"""Commands about a run: begin it, go on with it."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager, nullcontext
from functools import cache, partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, TextIO

import rich_click as click

from harness.commands.faults import fault_options
from harness.commands.helping import PlainHelpCommand, not_both, once_told, warn
from harness.commands.records import remember, store_option
from harness.errors import ConfigError, HalfpowerError, JournalError, OwnCodeError, SafetyError, kept
from harness.journal.atomic import write_bytes, write_text
from harness.words.language import in_language

if TYPE_CHECKING:
    from rich.console import Console

    from harness.journal.journal import Contents
    from harness.link.trace import Trace
    from harness.person.console import Terminal
    from harness.person.live import Silent
    from harness.person.progress import Progress
    from harness.report.model import Report
    from harness.run.faulted import Faults
    from harness.run.jobs import LoadedJob
    from harness.run.rehearsal import Rehearsal
    from harness.runs import RunResult

PATH = click.Path(path_type=Path)


warm_option = click.option(
    "--warm",
    is_flag=True,
    help="Everything has been on for its warm-up time, whatever is known of it; the report says so.",
)


page_option = click.option(
    "--page", is_flag=False, flag_value="127.0.0.1", metavar="[HOST]",
    help="Serve a page to answer from, for a phone or a tablet: on this computer alone, or at HOST[:PORT].",
)  # fmt: skip


trace_option = click.option(
    "--trace", type=click.Path(path_type=Path, dir_okay=False), metavar="FILE",
    help="Write every exchange with each instrument, with its time, into this file; 50 MB at most.",
)  # fmt: skip


def looking_options(command: Any) -> Any:
    """Add the options of whoever looks closely: one step at a time, and every exchange."""
    command = trace_option(command)
    return click.option(
        "--step", is_flag=True, help="Stop before every step and show what would be sent: go on, run to the end, stop."
    )(command)


def shown_options(command: Any) -> Any:
    """Add the options of everything that shows a run."""
    command = click.option("--json", "as_json", is_flag=True, help="One JSON object a line for every step and event.")(
        command
    )
    return click.option("--quiet", is_flag=True, help="Show the result alone.")(command)


@click.command(cls=PlainHelpCommand)
@click.argument("job", type=PATH)
@click.option("--runs", type=PATH, default=Path("runs"), show_default=True, help="Where the run's folder is made.")
@click.option("--pdf", "printed", is_flag=True, help="Write the printed report, report.pdf, beside the page.")
@shown_options
@page_option
@click.option(
    "--by-hand", is_flag=True, help="On a simulated bench: you are the person at it, with the screen drawn for you."
)
@warm_option
@looking_options
@store_option
@fault_options
def run(job: Path, runs: Path, *, by_hand: bool, **options: Any) -> None:
    """Run a job: measure, judge, and write the report.

    Every reading is on disk before the next one is taken; a run that was stopped goes on with 'halfpower resume'.
    Ctrl-C stops it with outputs off.

    \b
    Examples:
      halfpower run job.toml
      halfpower run job.toml --runs verified --quiet --pdf
      halfpower run job.toml --json > progress.jsonl
      halfpower run job.toml --by-hand
      halfpower run job.toml --step --trace wire.txt
      halfpower run job.toml --page 192.0.2.7
      halfpower run job.toml --faults "5 %" --seed 7 --fault-kinds late,cut
    """
    from harness import runs as opening

    loaded = opening.load(job, before=once_told())
    warn(opening.warnings(loaded))
    _measure(
        loaded,
        lambda began, asked: opening.start(job, runs, on_folder=began, store=options["store"], **asked),
        by_hand=by_hand,
        **options,
    )


@click.command(cls=PlainHelpCommand)
@click.argument("run_folder", type=PATH)
@click.option("--pdf", "printed", is_flag=True, help="Write the printed report, report.pdf, beside the page.")
@shown_options
@page_option
@click.option(
    "--by-hand/--by-itself",
    default=None,
    help="On a simulated bench: you are the person at it, or nobody is; else as the run was left.",
)
@click.option(
    "--corrected",
    is_flag=True,
    help="Your own Python was changed on purpose since the run was begun: go on with it as it is now.",
)
@warm_option
@looking_options
@store_option
@fault_options
def resume(run_folder: Path, *, by_hand: bool | None, corrected: bool, **options: Any) -> None:
    """Go on with a run that was stopped, from the first step without an answer.

    \b
    Examples:
      halfpower resume runs/2026-05-04-Plover-0147-01
    """
    from harness import runs as opening
    from harness.journal import journal
    from harness.person.people import was_by_hand

    contents = journal.read(run_folder)
    if by_hand is None:
        by_hand = was_by_hand(event.what for event in contents.events)
    _measure(
        opening.load_again(contents, tell=once_told(), corrected=corrected),
        lambda _began, asked: opening.resume(run_folder, corrected=corrected, **asked),
        by_hand=by_hand,
        contents=contents,
        begun=(run_folder,),
        **options,
    )


# --- measuring ---------------------------------------------------------------------------------------------------


def _measure(
    loaded: LoadedJob,
    measured: Callable[[Callable[[Path], None], dict[str, Any]], RunResult],
    *,
    printed: bool,
    quiet: bool,
    as_json: bool,
    by_hand: bool,
    warm: bool,
    store: str | None,
    faults: Faults | None,
    page: str | None,
    step: bool,
    trace: Path | None,
    contents: Contents | None = None,
    begun: tuple[Path, ...] = (),
) -> None:
    """Begin a run or go on with one, shown; then its report, and its place among the records.

    `measured` is handed what to tell of a new folder, and what is asked of every run; `contents` and `begun` are the
    journal and the folder that are there already.
    """
    from harness import runs as opening
    from harness.commands.page import paged

    simulated = loaded.setup.bench.simulation is not None
    if by_hand and not simulated:
        warn(("--by-hand is for simulated benches and changes nothing here: you are the person at this bench anyway.",))
    if printed:
        from harness.report.pdf import check_ready

        check_ready()
    rehearsed, recorded = cache(lambda: opening.rehearse(loaded)), contents.steps if contents else {}
    with (
        paged(page, loaded, lambda: _progress(rehearsed(), recorded), contents, a_console(stderr=as_json)) as pages,
        shown(quiet, as_json, rehearsed, recorded) as (live, terminal),
        told_how_to_resume(*begun) as began,
        traced(trace) as tracing,
    ):
        person = pages.operator(terminal)
        asked = {
            "operator": person if by_hand or not simulated else None, "by_hand": by_hand,
            "step_by_step": person if step else None, "trace": tracing,
            "warm": warm, "on_event": pages.event(live.event), "watch": pages.step(live.step), "faults": faults,
        }  # fmt: skip
        result = measured(pages.folder(began), asked)
        pages.end(result.report.sentence)
    written = finish(result, as_json=as_json, printed=printed)
    remember(result.folder, store)
    if not as_json:
        click.echo(f"Report: {written}")
        if printed:
            click.echo(f"Printed report: {written.with_suffix('.pdf')}")


def traced(path: Path | None) -> AbstractContextManager[Trace | None]:
    """A trace into a file, where one is wanted."""
    from harness.link.trace import Trace

    return nullcontext() if path is None else Trace(path)


# --- what they share ---------------------------------------------------------------------------------------------


def a_console(*, stderr: bool = False) -> Console:
    """A console that shows data as it is, no markup, no emoji codes, and outlives whoever reads it."""
    from rich.console import Console

    lasting: Any = Lasting(sys.stderr if stderr else sys.stdout)
    return Console(file=lasting, markup=False, emoji=False, highlight=False)


class Lasting:
    """A stream whose reader may go away, `| head` say, or a terminal that was closed: that ends no run."""

    def __init__(self, stream: TextIO) -> None:
        self._stream = stream
        self._is_gone = False

    def write(self, text: str) -> int:
        """Write, as long as somebody reads."""
        self._do(lambda: self._stream.write(text))
        return len(text)

    def flush(self) -> None:
        """Flush, as long as somebody reads."""
        self._do(self._stream.flush)

    def _do(self, action: Callable[[], object]) -> None:
        if not self._is_gone:
            try:
                action()
            except OSError:
                self._is_gone = True

    def __getattr__(self, name: str) -> Any:
        return getattr(self._stream, name)


@contextmanager
def shown(
    quiet: bool, as_json: bool, rehearsed: Any, recorded: dict[str, int] | None = None
) -> Iterator[tuple[Silent, Terminal]]:
    """What shows the run, and the person at the terminal, who takes turns with it."""
    from harness.person.console import Terminal
    from harness.person.live import JsonLines, PlainLines, Redrawn, Silent

    not_both(quiet, as_json, "Use --quiet or --json")
    console = a_console(stderr=as_json)
    live: Silent
    if as_json:
        live = JsonLines(sys.stdout)
    elif quiet:
        live = Silent()
    else:
        progress = _progress(rehearsed(), recorded or {})
        live = Redrawn(console, progress) if console.is_terminal else PlainLines(console, progress)
    with live:
        yield live, Terminal(console, aside=live.aside)


def _progress(rehearsal: Rehearsal, recorded: dict[str, int]) -> Progress:
    from harness.person.progress import Progress

    progress = Progress(
        planned={part.name: len(part.steps) for part in rehearsal.parts}, estimated_s=rehearsal.estimated_s
    )
    progress.begin(recorded)
    return progress


def told_how_to_resume(*folders: Path) -> AbstractContextManager[Callable[[Path], None]]:
    """Add to whatever ends a run early where its readings are, and how to go on."""
    return told_how_to_go_on("halfpower resume", *folders, but=(ConfigError, JournalError, SafetyError))


@contextmanager
def told_how_to_go_on(
    command: str, *folders: Path, but: tuple[type[HalfpowerError], ...] = ()
) -> Iterator[Callable[[Path], None]]:
    """Add a command to whatever ends what it goes on with early; gives what is told of a new folder."""
    made = list(folders)
    try:
        yield made.append
    except (HalfpowerError, KeyboardInterrupt) as stopped:
        if made and not isinstance(stopped, but):
            stopped.add_note(kept(command, made[-1]))
        raise


def finish(result: RunResult, *, as_json: bool = False, printed: bool = False) -> Path:
    """Show the result, write it, return where the page is; a part that ended early fails the command as it failed."""
    from harness import runs as opening
    from harness.words.json_text import json_text

    page = result.folder / "report.html"
    if not as_json:
        show_report(result.report)
        for sentence in result.faults:
            click.echo(sentence)
    again = partial(opening.report, result.folder)
    with in_language(result.report, result.report.setup.job.language, again) as spoken:
        write_html(spoken, page, folder=result.folder)
        if printed:
            write_pdf(spoken, page.with_suffix(".pdf"), folder=result.folder, english=result.report)
    if as_json:
        end = {"event": "end", "folder": str(result.folder), "overall": result.report.overall}
        click.echo(json_text({**end, "sentence": result.report.sentence, "report": str(page)}))
    if result.ended_early:
        ended = HalfpowerError("\n".join(f"Ended early: {part}" for part in result.ended_early))
        ended.exit_code = result.exit_code
        corrected = " --corrected" if result.exit_code == OwnCodeError.exit_code else ""  # it refuses another file else
        ended.add_note(kept(f"halfpower resume{corrected}", result.folder))
        raise ended
    return page


def show_report(made: Report, *, short: bool = False) -> None:
    """The report as tables on the terminal."""
    from harness.report.terminal import render, render_short

    a_console().print((render_short if short else render)(made))


def write_html(made: Report, path: Path, *, folder: Path, point: str = "", short: bool = False) -> None:
    """The report as a page, a large one as several, with the photographs of the run; short, on one sheet."""
    from harness.report.html import html_pages, short_page

    photographs = _photographs(made, folder)
    texts = html_pages(made, path.name, point=point, photographs=photographs) if not short else {}
    for name, text in (texts or {path.name: short_page(made)}).items():
        write_text(path.with_name(name), text)


def write_pdf(
    made: Report, path: Path, *, folder: Path, letter: bool = False, english: Report | None = None, **drawn: Any
) -> None:
    """The report as printed pages, with its results attached, in English, and the photographs of the run's folder."""
    from harness.report.pdf import pdf
    from harness.report.results import to_json

    paper: Any = "us-letter" if letter else "a4"
    attached = to_json(english or made)
    write_bytes(path, pdf(made, paper=paper, photographs=_photographs(made, folder), results=attached, **drawn))


def _photographs(made: Report, folder: Path) -> dict[str, bytes]:
    """The files of the photographs that are still there."""
    from harness.report.photographs import FOLDER

    paths = [folder / FOLDER / each.name for each in made.photographs]
    return {path.name: path.read_bytes() for path in paths if path.is_file()}
