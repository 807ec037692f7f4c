"""The command that works years of runs out again: what changes is shown, and written only when it is asked for."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import partial
from itertools import islice, tee
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import rich_click as click

from harness.commands.helping import PlainHelpCommand, not_both, say
from harness.commands.records import opened, selected, selection_options, store_option
from harness.errors import ConfigError, JournalError, RecordsError
from harness.quantities import counted

if TYPE_CHECKING:
    from harness.years.corrections import CorrectionsFile
    from harness.years.outcomes import Outcomes
    from harness.years.reanalysis import Changes, Done, Outcome, Task
    from harness.years.records.rows import RunRow
    from harness.years.workers import Spread

PATH = click.Path(path_type=Path)
RULES: Final = ("simple", "guarded", "binary", "non-binary", "managed")
ERRORS: Final = ("indication", "deflection factor")
_MOST_SHOWN: Final = 20  # runs whose changes are listed on the terminal
_WORTH_A_PROCESS: Final = 25  # runs; a process takes as long to start as these take to work out


@click.command(cls=PlainHelpCommand)
@click.argument("runs", type=PATH, required=False, metavar="[RUNS_FOLDER]")
@store_option
@click.option("--corrections", type=PATH, help="A file of what is now known of standards.")
@click.option("--rule", type=click.Choice(RULES), help="Decide by this rule instead.")
@click.option("--error", type=click.Choice(ERRORS), help="State errors by this definition instead.")
@selection_options
@click.option(
    "--moved-by",
    type=click.FloatRange(0, 1e6),
    default=10.0,
    metavar="PERCENT",
    help="Name the customers of results that moved by more than this share of their U. Default: 10.",
)
@click.option("--reason", help="Why, in a sentence, for the record; the corrections' own reason by default.")
@click.option("--by", default="", help="Who, for the record.")
@click.option("--workers", type=click.IntRange(1, 512), help="Processes; as many as this machine has cores by default.")
@click.option("--cluster", metavar="ADDRESS", help="A dask scheduler instead, such as tcp://192.0.2.5:8786.")
@click.option("--write", "write_to", type=PATH, metavar="FOLDER", help="Keep it as a record in this new folder.")
@click.option("--quiet", is_flag=True, help="No progress, and the totals alone.")
def reanalyse(
    *, runs: Path | None, store: str | None, corrections: Path | None, rule: Any, error: Any, moved_by: float,
    reason: str | None, by: str, workers: int | None, cluster: str | None, write_to: Path | None, quiet: bool,
    **where: Any,
) -> None:  # fmt: skip
    """Work finished runs out again from their journals, and say which verdicts change.

    The runs are those below RUNS_FOLDER; without one, those of the store. With this version's method; with --rule or
    --error by another rule or definition; with --corrections as if what is known now of a standard had been known
    then. Nothing is written without --write, and never over a run or its report.

    \b
    Examples:
      halfpower reanalyse runs
      halfpower reanalyse runs --rule simple --since 2025-01-01
      halfpower reanalyse runs --corrections orme.toml --write reanalysis-2026-11
      halfpower reanalyse --corrections orme.toml --cluster tcp://192.0.2.5:8786
    """  # fmt: skip
    from harness.years import reanalysis, reanalysis_record
    from harness.years.corrections import load

    not_both(runs, store, "Name the folder that holds the runs, or a store with --store")
    not_both(workers, cluster, "Use --workers or --cluster")
    if write_to is not None:
        reanalysis_record.free_folder(write_to)
    file = load(corrections) if corrections else None
    changes = reanalysis.Changes(
        corrections=file.value if file else None, rule=rule, error=error, where=selected(where), share=moved_by / 100
    )
    with (
        _tasks(runs, store, changes) as (source, count, tasks, again),
        _spread(workers, cluster, count) as spread,
        _worked_out(spread, tasks(), changes, count, quiet=quiet) as outcomes,
    ):
        _refuse_empty(outcomes, source)
        done = reanalysis_record.Reanalysis(
            made=dt.datetime.now(dt.UTC).isoformat(timespec="seconds"), reason=reason or _reason(file, changes), by=by,
            source=source, changes=changes, corrections=file, outcomes=outcomes,
        )  # fmt: skip
        say(*summary_lines(done, quiet=quiet))
        _refuse_missed(done)
        if write_to is not None:
            reanalysis_record.write(done, write_to, _pages(spread, done, again))
            click.echo(f"Record: {write_to.resolve()}")
        _end(done)


def _reason(file: CorrectionsFile | None, changes: Changes) -> str:
    if file is not None:
        return file.value.reason
    parts = [f"decided by the rule '{changes.rule}'"] if changes.rule else []
    parts += [f"error as {changes.error}"] if changes.error else []
    return f"{' and '.join(parts) or 'this version of the method'}."


# --- where the runs are ------------------------------------------------------------------------------------------


@contextmanager
def _tasks(runs: Path | None, store: str | None, changes: Changes) -> Iterator[tuple[str, int, Any, Any]]:
    """The source's name, how many journals it has, the tasks, and how to get that of one outcome again."""
    from harness.journal import issues
    from harness.years.reanalysis import Task

    if runs is not None:
        from harness.years.records.folder import journal_files

        files = journal_files(runs)

        def of_file(name: str) -> Task:
            file = Path(name)
            try:
                return Task(data=file.read_bytes(), where=str(file), issued=issues.sound(file.parent))
            except OSError as error:
                return Task(data=b"", where=str(file), problem=f"{file}: cannot be read: {error.strerror}.")
            except JournalError as error:
                return Task(data=b"", where=str(file), problem=str(error))

        yield str(runs), len(files), lambda: map(of_file, files), lambda outcome: of_file(outcome.where)
        return
    with opened(store, create=False) as there:
        names = there.names(changes.where)

        def of_run(name: tuple[str, str]) -> Task:
            where = f"{there.name}: run {name[1]}"
            try:
                stored = there.derived(name[0])
            except RecordsError as error:
                return Task(data=b"", where=where, problem=str(error))
            return Task(data=stored.journal, where=where, stored=stored)

        yield there.name, len(names), lambda: map(of_run, names), lambda done: of_run((done.run.id, done.run.number))


# --- working -----------------------------------------------------------------------------------------------------


@contextmanager
def _spread(workers: int | None, address: str | None, count: int) -> Iterator[Spread]:
    """Who does the work."""
    from harness.years.workers import Processes, Serial, cluster, cores

    if address is not None:
        with cluster(address) as connected:
            yield connected
        return
    number = workers or min(cores(), max(1, count // _WORTH_A_PROCESS))
    yield Serial() if number == 1 else Processes(number)


def _worked_out(spread: Spread, tasks: Iterator[Task], changes: Changes, count: int, *, quiet: bool) -> Outcomes:
    from harness.years import reanalysis
    from harness.years.outcomes import Outcomes

    function = partial(reanalysis.reanalyse, changes=changes)

    def each(advance: Callable[[], object]) -> Iterator[Outcome]:
        for done in spread.map(function, tasks, _lost):
            advance()
            if done is not None:
                yield done

    with _progress(count, quiet=quiet) as advance:
        return Outcomes(each(advance))


def _lost(task: Task) -> Done:
    from harness.years.reanalysis import Outcome

    return Outcome(where=task.where, problem=f"{task.where}: the worker died over it, more than once; left out.")


@contextmanager
def _progress(count: int, *, quiet: bool) -> Iterator[Callable[[], object]]:
    from harness.commands.run import a_console

    console = a_console(stderr=True)
    if quiet or not console.is_terminal:
        yield lambda: None
        return
    from rich.progress import Progress

    with Progress(console=console, transient=True) as progress:
        bar = progress.add_task("Runs", total=count)
        yield lambda: progress.advance(bar)


def _pages(spread: Spread, done: Any, again: Callable[[Outcome], Task]) -> Iterator[tuple[RunRow, str]]:
    """The page of every run that changed, made by the same workers."""
    from harness.years.reanalysis import page

    changed, them = tee(outcome for outcome in done.outcomes if outcome.changes)
    function = partial(page, changes=done.changes, remark=done.remark, issued=dt.datetime.fromisoformat(done.made))
    things = ((again(outcome), outcome) for outcome in changed)
    texts = spread.map(function, things, lambda thing: f"{thing[0].where}: the worker died over this page.")
    return ((outcome.run, text) for text, outcome in zip(texts, them, strict=True) if outcome.run is not None)


def _refuse_empty(outcomes: Outcomes, source: str) -> None:
    if not len(outcomes):
        raise RecordsError(
            f"{source}: no run fits what was asked. Simulated runs count only with --simulated, and runs "
            "without an end never."
        )


# --- saying ------------------------------------------------------------------------------------------------------


def summary_lines(done: Any, *, quiet: bool) -> Iterator[str]:
    """The re-analysis in words: each run that changed, then the totals."""
    sums = done.totals
    moved = (outcome for outcome in done.outcomes if outcome.changes)
    for outcome in islice(moved, 0 if quiet else _MOST_SHOWN):
        yield _heading(outcome)
        yield from (
            f"  {change.point}: {change.before} → {change.after}{_numbers(change)}" for change in outcome.changes
        )
    if sums.changed_runs > _MOST_SHOWN and not quiet:
        yield f"… and {sums.changed_runs - _MOST_SHOWN} runs more; with --write, all of them are in changes.csv."
    moved_results = counted(sums.moved_results, "result") if sums.moved_results else "no result"
    verb = "have" if sums.moved_results > 1 else "has"
    yield f"{counted(sums.runs, 'run')} worked out again; {moved_results} {verb} another number or uncertainty."
    if not sums.verdicts:
        yield "No verdict changes."
    for title, pairs in (("Verdicts", sums.verdicts), ("Runs as a whole", sums.overall)):
        if pairs:
            yield f"{title}:"
            yield from (f"  {n:>6} × {before} → {after}" for (before, after), n in sorted(pairs.items()))
    yield from _concerned_lines(done)
    if done.corrections is not None:
        for index in range(len(done.corrections.value.standard)):
            yield f"{done.corrections.place(index)}: concerns {counted(sums.touched.get(index, 0), 'run')}"
    yield f"Digest of every number: {done.digest[:16]}"


def _concerned_lines(done: Any) -> Iterator[str]:
    """Whom the laboratory's own procedure may have to tell."""
    from harness.report.shown import number

    if done.concerned:
        share = number(100 * done.changes.share, "%")
        yield f"Customers with another verdict, or a result or U that moved by more than {share} of U:"
    for each in done.concerned:
        by = "" if each.furthest is None else f", by up to {number(100 * each.furthest, '%', 2)} of U"
        name = each.customer or "(no customer named)"
        yield f"  {name}: {counted(each.results, 'result')} in {counted(each.runs, 'run')}{by}"


def _heading(outcome: Outcome) -> str:
    run = outcome.run
    if run is None:
        return outcome.where
    whole = outcome.overall_before
    if outcome.overall_after != whole:
        whole = f"{whole} → {outcome.overall_after}"
    simulated = ", simulated" if run.simulated else ""
    return f"{run.number} ({run.maker} {run.model}, no. {run.serial}, {run.condition}{simulated}): {whole}"


def _numbers(change: Any) -> str:
    from harness.report.shown import number

    if change.result_before is None or change.result_after is None:
        return ""
    before = "" if change.result_before == change.result_after else f"{number(change.result_before, '', 4)} → "
    return f" ({before}{number(change.result_after, change.unit, 4)})"


def _refuse_missed(done: Any) -> None:
    """A correction that concerns no run is a slip of the pen, as a rule: nothing is written."""
    if done.corrections is None:
        return
    standards = range(len(done.corrections.value.standard))
    missed = [done.corrections.place(index) for index in standards if index not in done.totals.touched]
    if missed:
        raise ConfigError(*(f"{place}: concerns none of these runs; check the number and the days" for place in missed))


def _end(done: Any) -> None:
    """What could not be read is the last word, and the exit code."""
    problems = [outcome.problem for outcome in done.outcomes if outcome.problem]
    say(*problems, err=True)
    if problems:
        raise JournalError(f"{len(problems)} of {len(done.outcomes)} runs could not be worked out again, named above.")
