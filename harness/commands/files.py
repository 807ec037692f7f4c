"""Commands about the kinds of files: validate them, describe them to an editor, start one."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import rich_click as click

from harness.commands.helping import PlainHelpCommand, once_told, say
from harness.errors import ConfigError, HalfpowerError, shell_word
from harness.quantities import counted

if TYPE_CHECKING:
    from harness.files.files import Kind
    from harness.files.own_files import BeforeImport
    from harness.run.jobs import LoadedJob

KIND = click.Choice(["bench", "unit", "job", "queue", "register", "customers"])


@click.command(cls=PlainHelpCommand)
@click.argument("files", nargs=-1, required=True, type=click.Path(path_type=Path), metavar="FILE...")
def check(files: tuple[Path, ...]) -> None:
    """Validate bench, unit, job, queue, register and customers files: every problem at once, each with its line.

    A job file is checked together with the bench and unit files that it names, a queue file with its jobs. The file of
    a simulated bench and one of corrections are checked too.

    \b
    Examples:
      halfpower check job.toml
      halfpower check *.toml
    """
    problems: list[str] = []
    before = once_told()
    for path in files:
        try:
            sentence, warnings = _checked(path, before)
        except HalfpowerError as error:
            problems += [problem for problem in _problems(error) if problem not in problems]
            continue
        for warning in warnings:  # a bench and each of its jobs have the same
            before(f"warning: {warning}")
        say(sentence)
    if problems:
        raise ConfigError(*problems)


def _checked(path: Path, before: BeforeImport) -> tuple[str, tuple[str, ...]]:
    """What a sound file is, in words, and its warnings."""
    from harness.files import files

    tables = _tables(path)
    if any(isinstance(table, dict) and "profile" in table for table in tables.values()):
        from harness.sim.bench import SimulatedBench

        simulated = SimulatedBench.load(path)
        return f"{path}: a sound simulated bench: {', '.join(simulated.profiles)}", ()
    if tables.keys() >= {"reason", "standard"}:
        from harness.years import corrections

        count = len(corrections.load(path).value.standard)
        command = f"halfpower reanalyse --corrections {shell_word(path)}"
        return f"{path}: a sound file of corrections, {counted(count, 'correction')}; it is for: {command}", ()
    match files.kind_of(path):
        case "job":
            return _checked_job(path, before)
        case "bench":
            return _checked_bench(path, before)
        case "unit":
            unit = files.read_unit(path)
            return f"{path}: a sound unit file: {unit.value.maker} {unit.value.model}", unit.warnings
        case "queue":
            return _checked_queue(path, before)
        case "register":
            return _checked_register(path)
        case "customers":
            customers = files.read_customers(path)
            return f"{path}: a sound file, {counted(len(customers.value.customer), 'customer')}", customers.warnings


def _checked_job(path: Path, before: BeforeImport) -> tuple[str, tuple[str, ...]]:
    from harness.run.beforehand import warnings

    loaded = _loaded(path, before)
    parts = counted(len(loaded.setup.job.sequence), "sequence")
    return f"{path}: a sound job file, {parts}, with {loaded.bench_path} and {loaded.unit_path}", warnings(loaded)


def _checked_bench(path: Path, before: BeforeImport) -> tuple[str, tuple[str, ...]]:
    from drivers.commands import check_overrides
    from drivers.loading import problem_of
    from harness.files import files
    from harness.files.own_files import OwnCode
    from harness.run.days import day_of, day_on, simulated_bench_of
    from harness.run.refusals import from_the_future, nearly_out, past_due

    check_driver = partial(problem_of, own=OwnCode(before))
    bench = files.read_bench(path, check_overrides=check_overrides, check_driver=check_driver, day_of=day_on)
    day = day_of(simulated_bench_of(bench.value, path))
    late = past_due(bench.value, day) + from_the_future(bench.value, day) + nearly_out(bench.value, day)
    roles = ", ".join(role for role, _ in bench.value.instruments()) or "no instruments"
    return f"{path}: a sound bench file: {roles}", (*bench.warnings, *(f"{path}: {standard}" for standard in late))


def _loaded(path: Path, before: BeforeImport) -> LoadedJob:
    """A job; what its own sequences yield and plan is seen by a rehearsal of them."""
    from harness.run.jobs import load

    loaded = load(path, before=before)
    if own := tuple(use for use in loaded.uses if use.own):
        from harness.run.rehearsal import rehearse

        rehearse(loaded.setup, own)
    return loaded


def _problems(error: HalfpowerError) -> tuple[str, ...]:
    return getattr(error, "problems", (str(error),))


def _checked_queue(path: Path, before: BeforeImport) -> tuple[str, tuple[str, ...]]:
    """A queue file with its jobs: every problem of all of them."""
    from harness.files import files
    from harness.run import beforehand

    problems: list[str] = []
    warnings: list[str] = []
    try:
        warnings += files.read_queue(path).warnings
    except ConfigError as error:
        problems += error.problems
    jobs = files.jobs_of(path)
    for job in jobs:
        try:
            warnings += beforehand.warnings(_loaded(job, before))
        except HalfpowerError as error:
            problems += _problems(error)
    if problems:
        raise ConfigError(*dict.fromkeys(problems))
    return f"{path}: a sound queue file, {counted(len(jobs), 'job')}", tuple(dict.fromkeys(warnings))


def _checked_register(path: Path) -> tuple[str, tuple[str, ...]]:
    """A register of standards, and what of it is out, or nearly, today."""
    from harness.files import files
    from harness.files.register import states

    register = files.read_register(path)
    told = states(register.value, files.this_day())
    count = counted(len(register.value.standard), "standard")
    return f"{path}: a sound register, {count}", (*register.warnings, *(f"{path}: {each}" for each in told))


def _tables(path: Path) -> dict[str, object]:
    """What a file holds, to tell its kind by; nothing where the reader of its kind will say what is wrong with it."""
    import tomllib

    try:
        return tomllib.loads(path.read_text("utf-8-sig"))
    except (OSError, ValueError, RecursionError):
        return {}


@click.command(cls=PlainHelpCommand)
@click.argument("kind", type=KIND)
def schema(kind: Kind) -> None:
    """Write the JSON Schema of a kind of file, for editors that complete and check keys.

    The starter files name it in their first line.

    \b
    Examples:
      halfpower schema job > job.schema.json
      halfpower schema bench > bench.schema.json
    """
    import json

    from harness.files.schema import schema as schema_of
    from harness.run.jobs import built_in

    options = {name: module.Options for name, module in built_in().items()}
    click.echo(json.dumps(schema_of(kind, options), ensure_ascii=False, indent=2))
