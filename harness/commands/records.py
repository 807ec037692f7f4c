"""Commands about the store of finished runs: add, list, check, copy, rebuild, push."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import fields, replace
from itertools import chain
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import rich_click as click

from harness.commands.helping import Day, PlainHelpGroup, say, warn
from harness.errors import HalfpowerError, RecordsError
from harness.quantities import counted

if TYPE_CHECKING:
    from harness.years.records.rows import ReportRow, RunRow, Selection
    from harness.years.records.store import Store

PATH: Final = click.Path(path_type=Path)
STORE_HELP: Final = (
    "Where finished runs are kept: a file, postgresql://USER@HOST/DATABASE, or 'none'. "
    "Default: HALFPOWER_STORE, else your own store."
)


def store_option(command: Any) -> Any:
    """Add the option that names the store."""
    return click.option("--store", metavar="STORE", help=STORE_HELP)(command)


def selection_options(command: Any) -> Any:
    """Add the options that choose runs and results; `selected` makes a Selection of them."""
    for name, options in reversed(_SELECTION.items()):
        command = click.option(f"--{name.replace('_', '-')}", name, **options)(command)
    return command


_SELECTION: Final[dict[str, dict[str, Any]]] = {
    "serial": {"help": "Serial number of the unit."},
    "maker": {"help": "Maker of the unit."},
    "model": {"help": "Model of the unit."},
    "standard": {"help": "A standard that was used: its label, serial number, certificate or identity."},
    "bench": {"help": "Name of the bench."},
    "customer": {"help": "Whose unit it was, by the name in the report."},
    "since": {"type": Day(), "metavar": "YYYY-MM-DD", "help": "First day on which a run began (UTC)."},
    "until": {"type": Day(), "metavar": "YYYY-MM-DD", "help": "Last day on which a run began (UTC)."},
    "condition": {"type": click.Choice(("as found", "as left")), "help": "Condition of the unit."},
    "overall": {
        "type": click.Choice(("meets", "conditionally meets", "does not meet", "cannot be decided")),
        "help": "What a run found.",
    },
    "quantity": {"help": "A quantity that was judged, such as 'deflection'."},
    "channel": {"type": click.IntRange(1, 64), "help": "A channel."},
    "setting": {"help": "A setting as the report writes it, such as '50 mV/div'."},
    "path": {"help": "A signal path, by its name in the bench file."},
    "verdict": {"help": "The word of a result, such as 'fail'."},
    "simulated": {"is_flag": True, "help": "Runs on simulated benches, and only these."},
    "unfinished": {"is_flag": True, "help": "Runs without an end too."},
}


def selected(options: dict[str, Any]) -> Selection:
    """Make the selection of these options."""
    from harness.years.records.rows import Selection

    chosen = {name: options[name] for name in _SELECTION if name != "unfinished"}
    days = {name: at.date() if (at := chosen[name]) is not None else None for name in ("since", "until")}
    if days["since"] and days["until"] and days["since"] > days["until"]:
        raise click.UsageError(
            f"--since {days['since']} lies after --until {days['until']}; the earlier day comes first."
        )
    return Selection(**(chosen | days), finished=None if options["unfinished"] else True)


def opened(store: str | None, *, create: bool = True) -> Store:
    """Open the store that is set up, and say what was done to its layout."""
    from harness.years.records.store import Store

    return Store.open(store, create=create, tell=lambda text: say(*text.splitlines(), err=True))


@click.group(cls=PlainHelpGroup)
def records() -> None:
    """Keep finished runs, and find them again.

    'run' and 'resume' add every finished run on a real bench by themselves.

    \b
    Examples:
      halfpower records list --serial Egret-3071
      halfpower records list --standard BW-C-2217 --since 2026-01-01
      halfpower records add runs/2026-05-04-Plover-0147-01
      halfpower records push postgresql://bench2@records.lab.example/halfpower
    """


@records.command()
@click.argument("run_folders", type=PATH, nargs=-1, required=True)
@click.option("--simulated", is_flag=True, help="Keep runs on simulated benches too; they stay marked.")
@store_option
def add(run_folders: tuple[Path, ...], simulated: bool, store: str | None) -> None:
    """Add runs by their folders; one that is there already stays, one that was resumed since is replaced.

    \b
    Examples:
      halfpower records add runs/2026-05-04-Plover-0147-01
      halfpower records add runs/*
    """
    with opened(store) as there:
        _each(run_folders, lambda folder: _add(there, folder, simulated))
        click.echo(f"Store: {there.name}")


@records.command("list")
@selection_options
@click.option("--json", "as_json", is_flag=True, help="One JSON object a line for every run.")
@store_option
def list_(as_json: bool, store: str | None, **options: Any) -> None:
    """List the runs of the store, by the moment they began.

    A run is listed that has a result and a standard such as asked for. Runs on simulated benches are listed only
    with --simulated, and then alone.

    \b
    Examples:
      halfpower records list
      halfpower records list --serial Egret-3071 --condition "as found"
      halfpower records list --channel 2 --setting "500 mV/div" --verdict fail
      halfpower records list --standard Orme-0417 --since 2026-04-14 --json
    """
    where = selected(options)
    with opened(store, create=False) as there:
        runs = there.runs(where)
        others = there.runs(replace(where, simulated=True)) if not runs and not where.simulated else ()
        in_force = {each.run_id: each for each in there.reports() if each.state != "replaced"}
        name = there.name
    if as_json:
        if runs:
            click.echo("\n".join(map(_json, runs)))
        return
    say(*_listed(runs, in_force))
    kind = "simulated run" if where.simulated else "run"
    hint = f"; {len(others)} on simulated benches, shown by --simulated" if others else ""
    say(f"{counted(len(runs), kind)} in {name}{hint}")


@records.command()
@click.option("--by", "public", type=PATH, help="A public key: every approved report must be signed with it.")
@store_option
def check(public: Path | None, store: str | None) -> None:
    """Check the store: the database itself, every journal against its checksums, every row against its journal.

    Each run is worked out again, which takes about as long as 'records rebuild'.

    \b
    Examples:
      halfpower records check
      halfpower records check --by garland.pem.pub
    """
    from harness.years import proof, signing
    from harness.years.records.check import problems

    key = signing.public(public) if public is not None else None
    with opened(store, create=False) as there:
        count = 0
        found = chain(problems(there), () if key is None else proof.unsigned(there, key))
        for count, problem in enumerate(found, 1):  # noqa: B007 - counted, and told at once
            say(problem, err=True)
        if count:
            raise RecordsError(f"{there.name}: {counted(count, 'problem')}, see above.")
        say(f"{there.name}: sound")


@records.command()
@click.argument("file", type=PATH)
@store_option
def copy(file: Path, store: str | None) -> None:
    """Copy the store into a new FILE while others write to it, and try the copy: it is opened and checked.

    A server's runs are copied into a file too. To go back to a copy, put the file in the store's place while nothing
    runs, or name it with --store.

    \b
    Examples:
      halfpower records copy /mnt/backup/records-2026-11-30.sqlite
      halfpower records list --store /mnt/backup/records-2026-11-30.sqlite
    """
    from harness.years.records.copying import copy as copied

    with opened(store, create=False) as there:
        runs = copied(there, file)
        say(f"{file}: {counted(runs, 'run')} of {there.name}, sound")


@records.command()
@store_option
def repack(store: str | None) -> None:
    """Pack the journals anew that an older version put into the store: they take two thirds of the room.

    Each is held against its checksum and written whole, so it may be ended at any moment and done again. Others may
    read and write meanwhile. A file is made smaller at the end, for which the disk must have room for it once more.

    \b
    Examples:
      halfpower records repack
    """
    from harness.years.records.repacking import repack as repacked

    with opened(store, create=False) as there:
        done = repacked(there)
        before, after = (f"{size / 1e6:.1f} MB" for size in (done.bytes_before, done.bytes_after))
        took = f", {before} before and {after} now" if done.journals else ""
        say(f"{there.name}: {counted(done.journals, 'journal')} packed anew{took}")
        say(*done.problems, err=True)
        if done.problems:
            raise RecordsError(f"{there.name}: {counted(len(done.problems), 'journal')} could not be, see above.")


@records.command()
@click.argument("folder", type=PATH, required=False)
@click.option("--simulated", is_flag=True, help="Add runs on simulated benches too; they stay marked.")
@store_option
def rebuild(folder: Path | None, simulated: bool, store: str | None) -> None:
    """Work everything out again from the journals: those kept in the store, or every journal below a folder.

    Needed after an update that evaluates otherwise, and to make a store anew from the folders of runs. Each run is
    changed whole or not at all; runs of the store that are not below the folder stay as they are.

    \b
    Examples:
      halfpower records rebuild
      halfpower records rebuild runs
    """
    from harness.years.records.folder import journal_files
    from harness.years.records.rows import Selection

    with opened(store, create=folder is not None) as there:
        if folder is not None:
            files = journal_files(folder)
            _each(files, lambda file: _add(there, Path(file).parent, simulated, again=True))
            return
        everything = there.runs(Selection(simulated=None, finished=None))
        _each(everything, lambda run: f"{run.number}: {there.rebuild(run.id)}")


@records.command()
@click.argument("run", metavar="RUN")
@click.option("--yes", is_flag=True, help="Do not ask.")
@store_option
def forget(run: str, yes: bool, store: str | None) -> None:
    """Remove a run from the store, whole: its results, standards and journal. RUN is its number or its identity.

    For what must no longer be kept, such as names. Its folder and copies of the store are not touched.

    \b
    Examples:
      halfpower records list --customer "Training ship Petrel"
      halfpower records forget 2026-11-25-Skua-0958-01
    """
    from harness.years.records.rows import Selection

    with opened(store, create=False) as there:
        every = there.runs(Selection(simulated=None, finished=None))
        found = [each for each in every if run in (each.number, each.id)]
        if len(found) != 1:
            why = "holds no run" if not found else f"holds {len(found)} runs"
            raise RecordsError(
                f"{there.name}: {why} {run!r}; name one by its identity, which 'halfpower records list --json' shows."
            )
        (one,) = found
        named = f"{one.number} ({one.maker} {one.model}, no. {one.serial})"
        if not yes:
            click.confirm(f"Remove run {named} from {there.name}? It cannot be brought back from there", abort=True)
        there.forget(one.id)
        say(f"{named}: removed from {there.name}. Its folder, {one.folder} on {one.host}, is as it was.")


@records.command()
@click.argument("server", metavar="[URL]", required=False)
@click.option("--simulated", is_flag=True, help="Send runs on simulated benches too; they stay marked.")
@click.option("--from", "source", metavar="STORE", help="The store that is sent from. Default: your own.")
def push(server: str | None, simulated: bool, source: str | None) -> None:
    """Send finished runs from this computer's store to a server; one that is there already is not doubled.

    Without URL: what waits for the server of HALFPOWER_STORE. With URL: every finished run that it does not have.

    \b
    Examples:
      halfpower records push
      halfpower records push postgresql://bench2@records.lab.example/halfpower
    """
    from harness.years.records import database
    from harness.years.records.push import everything
    from harness.years.records.push import push as pushed

    place = database.address(server)
    with opened(source or database.local_url(), create=False) as local:
        if place.name == local.name:
            raise RecordsError(f"{place.name}: is the store that would be sent; name a server: records push URL.")
        run_ids = everything(local, simulated=simulated) if server else local.waiting(place.name)
        if not run_ids:
            say(f"Nothing in {local.name} {'is to be sent' if server else 'waits for ' + place.name}.")
            return
        with opened(server) as there:
            done = pushed(local, there, run_ids, lambda added: say(f"{added.number}: {added.outcome}"))
    warn(clash for added in done.sent for clash in added.clashes)
    say(*done.refused, err=True)
    say(f"{len(done.sent)} sent to {place.name}, {done.known} there already")
    if done.refused:
        raise RecordsError(f"{len(done.refused)} refused, see above; the others are there.")


def remember(run_folder: Path, store: str | None) -> None:
    """Add a finished run to the store that is set up; what goes wrong with that is a warning."""
    from harness.years.records.push import remember as remembered

    warn(remembered(run_folder, store))


# --- what they share ---------------------------------------------------------------------------------------------


def _add(store: Store, folder: Path, simulated: bool, *, again: bool = False) -> str:
    from harness.journal import journal
    from harness.night import log

    if (folder / log.NAME).is_file() and not (folder / journal.NAME).exists():
        return f"{folder}: skipped, the folder of a queue; its runs have folders of their own"
    contents = journal.read(folder)
    number = contents.header["run"]
    if contents.header["setup"]["bench"].get("simulation") is not None and not simulated:
        return f"{number}: left out, a run on a simulated bench; --simulated keeps it, marked"
    added = store.add(folder)
    warn(added.clashes)
    anew = again and added.outcome == "known"
    outcome = store.rebuild(added.run_id, journal.sound(folder)) if anew else added.outcome
    return f"{number}: {outcome}{'' if contents.closed_at else ', a run without an end'}"


def _each(items: Sequence[Any], work: Callable[[Any], str]) -> None:
    """Do every one, whatever becomes of another; then fail as the first that failed."""
    failed: list[HalfpowerError] = []
    for item in items:
        try:
            say(work(item))
        except HalfpowerError as error:
            say(*str(error).splitlines(), err=True)
            failed.append(error)
    if failed:
        last = RecordsError(f"{len(failed)} of {len(items)} failed, see above.")
        last.exit_code = failed[0].exit_code
        raise last


def _listed(runs: Sequence[RunRow], in_force: Mapping[str, ReportRow]) -> Iterator[str]:
    """Runs as a table; behind each what became of its report, where somebody approved or amended it."""
    from harness.words.clean import shortened

    cells = [
        (
            f"{run.started:%Y-%m-%d}", f"{run.maker} {run.model}", run.serial, run.condition, run.bench,
            run.overall if run.finished else "not finished", run.number, _report(run, in_force.get(run.id)),
        )
        for run in runs
    ]  # fmt: skip
    if not cells:
        return
    longest = (10, 24, 20, 8, 24, 17, 60, 60)
    report = "report" if any(row[-1] for row in cells) else ""
    shown = [("began", "unit", "serial", "was", "bench", "found", "run", report), *cells]
    short = [tuple(shortened(text, most) for text, most in zip(row, longest, strict=True)) for row in shown]
    widths = [max(len(row[place]) for row in short) for place in range(len(longest))]
    for row in short:
        yield "  ".join(text.ljust(width) for text, width in zip(row, widths, strict=True)).rstrip()


def _report(run: RunRow, report: ReportRow | None) -> str:
    """The state of a report, and its number where that is not the run's."""
    if report is None:
        return ""
    return report.state if report.number == run.number else f"{report.state}, {report.number}"


def _json(run: RunRow) -> str:
    from harness.words.json_text import json_text

    plain = {field.name: getattr(run, field.name) for field in fields(run)}
    times = {key: value.isoformat() for key, value in plain.items() if isinstance(value, dt.datetime)}
    return json_text(plain | times)
