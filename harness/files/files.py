"""The files that a person writes: from paths to frozen models, with every problem of every file at once.

A problem is one line, `file:line: key: what is wrong; what is expected`. Warnings have the same form and
are returned, not raised.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from types import MappingProxyType
from typing import Final, Generic, Literal, TypeAlias, TypeVar, get_args

from pydantic import BaseModel, ValidationError

from harness.errors import ConfigError
from harness.files.checks import CheckDriver, CheckOverrides, Findings, check_bench, check_queue, exists
from harness.files.customers import Customers, check_customers, with_customer
from harness.files.job_checks import (
    Sequences,
    Together,
    check_job,
    check_together,
    known_position,
    read_options,
)
from harness.files.register import InRegister, Register, check_register, check_scope, with_certificates
from harness.files.toml_text import BadText, Problem, Text, read, read_sound
from harness.files.unit_checks import check_unit, with_own_ratings
from harness.files.words import in_order, one_of, shown, validation_problems
from harness.models import Bench, Job, Queue, Setup, Unit
from harness.values import Model
from harness.words.clock import RealClock

Kind: TypeAlias = Literal["bench", "unit", "job", "queue", "register", "customers"]
Scope: TypeAlias = Literal["analogue", "digital"]
KINDS: Final[tuple[Kind, ...]] = get_args(Kind)
MODELS: Final[Mapping[Kind, type[Model]]] = {
    "bench": Bench, "unit": Unit, "job": Job, "queue": Queue, "register": Register, "customers": Customers,
}  # fmt: skip
DayOf: TypeAlias = Callable[[Bench, Path], dt.date]
"""The day on which a bench, read from a file, is used: by it a register is asked."""

STARTERS: Final = Path(__file__).parent / "starters"

M = TypeVar("M", bound=Model)


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckedFile(Generic[M]):
    """A file that was read without error."""

    value: M
    path: Path
    warnings: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadedFiles:
    """A job with its bench and unit, read without error."""

    setup: Setup
    job_path: Path
    bench_path: Path
    unit_path: Path
    options: tuple[BaseModel | None, ...]  # of each sequence; None where the caller named no model for it
    warnings: tuple[str, ...]


def this_day(_bench: Bench | None = None, _path: Path | None = None) -> dt.date:
    """Today, UTC."""
    return RealClock().utc().date()


def load_bench(path: str | Path, *, check_overrides: CheckOverrides | None = None, day_of: DayOf = this_day) -> Bench:
    """Read a bench file; raises ConfigError with all its problems."""
    return read_bench(path, check_overrides=check_overrides, day_of=day_of).value


def read_bench(
    path: str | Path,
    *,
    check_overrides: CheckOverrides | None = None,
    check_driver: CheckDriver | None = None,
    day_of: DayOf = this_day,
) -> CheckedFile[Bench]:
    """Read a bench file, with what its register has of its instruments that day, and keep its warnings."""
    return _checked(_bench(Path(path), check_overrides, check_driver, day_of))


def read_register(path: str | Path) -> CheckedFile[Register]:
    """Read a register of standards and keep its warnings."""
    return _checked(_register(Path(path)))


def read_customers(path: str | Path) -> CheckedFile[Customers]:
    """Read a file of customers and keep its warnings."""
    return _checked(_customers(Path(path)))


def read_unit(path: str | Path) -> CheckedFile[Unit]:
    """Read a unit file and keep its warnings."""
    return _checked(_unit(Path(path)))


def read_queue(path: str | Path) -> CheckedFile[Queue]:
    """Read a queue file; raises ConfigError with all its problems. The jobs themselves are not read."""
    reading = _read(Path(path), "queue", Queue, lambda text, queue: check_queue(text, queue.jobs))
    if reading.text is not None and reading.value is None:  # where another key is wrong, the jobs are looked at too
        reading.notes = check_queue(reading.text, _named_jobs(reading.text))
    return _checked(reading)


def jobs_of(path: str | Path) -> tuple[Path, ...]:
    """The job files that a queue file names and that are there, whatever else is wrong with it."""
    path = Path(path)
    try:
        named = [path.parent / name for name in _named_jobs(read(path)) if name]
    except BadText:
        return ()
    return tuple(dict.fromkeys(job for job in named if exists(job)))


def load_job(
    path: str | Path,
    *,
    sequences: Sequences = MappingProxyType({}),
    check_overrides: CheckOverrides | None = None,
    check_driver: CheckDriver | None = None,
    day_of: DayOf = this_day,
) -> LoadedFiles:
    """Read a job file and the bench and unit files that it names, relative to itself.

    Without `sequences` neither their names nor their options are checked. Raises ConfigError with all problems of all
    three files.
    """
    job = _job(Path(path))
    chosen = _options(job, sequences)
    bench = _named_in(job, "bench", lambda path: _bench(path, check_overrides, check_driver, day_of))
    unit = _named_in(
        job, "unit", lambda notes: _unit(notes, [sequence.rated for sequence in sequences.values() if sequence.rated])
    )
    setup = _together(job, bench, unit, chosen, sequences)
    problems = [*job.problems(), *bench.problems(), *unit.problems()]
    if setup is None or problems:
        raise ConfigError(*problems)
    return LoadedFiles(
        setup=setup,
        job_path=job.path,
        bench_path=bench.path,
        unit_path=unit.path,
        options=tuple(chosen),
        warnings=(*job.warnings(), *bench.warnings(), *unit.warnings()),
    )


def kind_of(path: str | Path) -> Kind:
    """Which of the kinds a file is, by its keys; raises ConfigError for a file that is none of them."""
    text = read_sound(Path(path))
    likely = max(KINDS, key=lambda kind: _likeness(text, kind))
    if _simulated(text) or not set(text.data) & set(MODELS[likely].model_fields):
        raise ConfigError(f"{text.file}: is neither a bench file nor a unit, job, queue, register or customers file")
    return likely


def starter(kind: Kind, scope: Scope | None = None) -> str:
    """Return a complete, commented file of this kind to start from; a unit and a job may be of a kind of scope."""
    return (STARTERS / f"{kind}_{scope}.toml" if scope else STARTERS / f"{kind}.toml").read_text("utf-8")


def write_measurement(folder: Path) -> tuple[str, ...]:
    """Write a measurement to start from, its test and its bench; never over a file that is there."""
    texts = {path.name.removesuffix(".txt"): path.read_bytes() for path in sorted((STARTERS / "measurement").iterdir())}
    if there := [name for name in texts if (folder / name).exists()]:
        raise ConfigError(f"{folder}: has {there[0]} already, and nothing is written over; name another with --into")
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, text in texts.items():
            (folder / name).write_bytes(text)
    except OSError as error:
        raise ConfigError(f"{folder}: no file can be written there: {error.strerror}; name another folder") from None
    return tuple(texts)


# --- one file ----------------------------------------------------------------------------------------------------


@dataclass
class _Reading(Generic[M]):
    """One file on its way: parsed, validated, checked, as far as it got."""

    path: Path
    text: Text | None = None
    value: M | None = None
    notes: Findings | None = None
    errors: list[Problem] = field(default_factory=list)

    @property
    def wrong(self) -> list[Problem]:
        """Everything that is wrong so far."""
        return [*self.errors, *(self.notes.errors if self.notes else ())]

    def problems(self) -> list[str]:
        """Everything that is wrong, in the order of the file, each once."""
        return list(dict.fromkeys(str(problem) for problem in in_order(self.wrong)))

    def warnings(self) -> list[str]:
        """The warnings, in the order of the file."""
        every = self.notes.warnings if self.notes else []
        return list(dict.fromkeys(str(problem) for problem in in_order(every)))


def _bench(
    path: Path, check_overrides: CheckOverrides | None, check_driver: CheckDriver | None, day_of: DayOf
) -> _Reading[Bench]:
    reading = _read(path, "bench", Bench, lambda text, _bench: Findings(text))
    if reading.text is not None and reading.value is not None:
        scope = reading.value.scope
        reading.value = _resolved(reading, reading.text, reading.value, day_of)
        reading.notes = check_bench(reading.text, reading.value, check_overrides, check_driver)
        check_scope(reading.notes, scope)
    return reading


def _resolved(reading: _Reading[Bench], text: Text, bench: Bench, day_of: DayOf) -> Bench:
    """The bench with what its register has of its instruments on the day on which it is used."""
    if bench.standards is None:
        return bench
    register = _register(text.path.parent / bench.standards)
    reading.errors += [_where_named(problem, text, "standards", bench.standards) for problem in register.wrong]
    if reading.errors or register.text is None or register.value is None:
        return bench
    notes = Findings(text)
    found = InRegister(name=bench.standards, text=register.text, register=register.value)
    bench = with_certificates(notes, bench, found, day_of(bench, text.path))
    reading.errors += notes.errors
    return bench


def _job(path: Path) -> _Reading[Job]:
    """A job, with what the file of customers has of its own."""
    job = _read(path, "job", Job, check_job)
    if job.value is None or job.text is None or job.value.customers is None:
        return job
    customers = _customers(path.parent / job.value.customers)
    job.errors += [_where_named(problem, job.text, "customers", job.value.customers) for problem in customers.wrong]
    if customers.value is not None and job.notes is not None and not customers.wrong:
        job.value = with_customer(job.notes, job.value, customers.value)
    return job


def _customers(path: Path) -> _Reading[Customers]:
    return _read(path, "customers", Customers, check_customers)


def _register(path: Path) -> _Reading[Register]:
    return _read(path, "register", Register, check_register)


def _where_named(problem: Problem, text: Text, key: str, name: str) -> Problem:
    """A problem of a file that another names: what is wrong with it as a whole is said at the line that names it."""
    return problem if problem.line else text.problem((key,), f"{shown(name)}: {problem.text}")


def _named_jobs(text: Text) -> tuple[str, ...]:
    """The jobs of a queue file, empty where there is no name."""
    jobs = text.data.get("jobs")
    return tuple(name if isinstance(name, str) else "" for name in jobs) if isinstance(jobs, list) else ()


def _unit(path: Path, rated: Iterable[type[BaseModel]] = ()) -> _Reading[Unit]:
    reading = _read(path, "unit", Unit, check_unit)
    if reading.value is not None and reading.notes is not None:
        reading.value = with_own_ratings(reading.notes, reading.value, rated)
    return reading


def _read(path: Path, kind: Kind, model: type[M], check: Callable[[Text, M], Findings]) -> _Reading[M]:
    reading: _Reading[M] = _Reading(path=path)
    try:
        text = read(path)
    except BadText as bad:
        reading.errors.append(bad.problem)
        return reading
    if mistaken := _mistaken(text, kind):
        reading.errors.append(mistaken)
        return reading
    reading.text = text
    try:
        reading.value = model.model_validate(text.data)
    except ValidationError as error:
        reading.errors += validation_problems(text, model, error)
    else:
        reading.notes = check(text, reading.value)
    return reading


def _likeness(text: Text, kind: Kind) -> int:
    """How many keys of the file this kind knows, less those that it does not; `unit` is a table, or a name."""
    known = set(MODELS[kind].model_fields)
    if isinstance(text.data.get("unit"), dict) == (kind == "job"):
        known -= {"unit"}
    if isinstance(text.data.get("customer"), list) == (kind != "customers"):
        known -= {"customer"}
    return sum(1 if key in known else -1 for key in text.data)


def _simulated(text: Text) -> bool:
    """Whether the roles have profiles, as in the file that a bench's `simulation` names."""
    return any("profile" in table for table in text.data.values() if isinstance(table, dict))


def _mistaken(text: Text, kind: Kind) -> Problem | None:
    """Recognise a file of another kind, where a list of unknown keys would miss the point."""
    if kind == "bench" and _simulated(text):
        return Problem(
            file=text.file, text="this is the file of a simulated bench; expected the bench file that names it"
        )
    likely = max(KINDS, key=lambda known: _likeness(text, known))
    if _likeness(text, likely) < max(2, _likeness(text, kind) + 2):
        return None
    keys = one_of([key for key in text.data if key in MODELS[likely].model_fields][:3]).replace(" or ", " and ")
    return Problem(file=text.file, text=f"this is a {likely} file (it has {keys}); expected a {kind} file")


def _checked(reading: _Reading[M]) -> CheckedFile[M]:
    problems = reading.problems()
    if reading.value is None or problems:
        raise ConfigError(*problems)
    return CheckedFile(value=reading.value, path=reading.path, warnings=tuple(reading.warnings()))


# --- a job and its files -----------------------------------------------------------------------------------------


def _options(job: _Reading[Job], sequences: Sequences) -> list[BaseModel | None]:
    if job.text is None:
        return []
    chosen, notes = read_options(job.text, sequences)
    job.errors += notes.errors
    return chosen


def _named_in(job: _Reading[Job], key: Kind, load: Callable[[Path], _Reading[M]]) -> _Reading[M]:
    """Read the file that the job names."""
    name = job.text.data.get(key) if job.text else None
    if job.text is None or not isinstance(name, str):
        return _Reading(path=job.path)
    reading = load(job.path.parent / name)
    reading.errors = [_where_named(problem, job.text, key, name) for problem in reading.errors]
    return reading


def _together(
    job: _Reading[Job],
    bench: _Reading[Bench],
    unit: _Reading[Unit],
    chosen: list[BaseModel | None],
    sequences: Sequences,
) -> Setup | None:
    """Check the three files against each other, once each has its value."""
    if job.value is None or bench.value is None or unit.value is None:
        return None
    if job.notes and not known_position(job.notes, job.value, bench.value):
        return None
    setup = Setup(bench=bench.value.at(job.value.position), unit=unit.value, job=job.value)
    if job.notes and bench.notes and unit.notes:
        check_together(Together(job=job.notes, bench=bench.notes, unit=unit.notes, setup=setup), chosen, sequences)
    return setup
