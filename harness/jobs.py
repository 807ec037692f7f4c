"""A job with its bench, its unit and its sequences: those of this program, and the user's own beside the job file."""

from __future__ import annotations

import importlib
import tomllib
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from types import ModuleType
from typing import Any, Final

from harness import files
from harness.errors import ConfigError
from harness.file_checks import own_file
from harness.models import Function, Setup
from harness.own_code import Blaming
from harness.own_files import BeforeImport, OwnCode
from harness.steps import Role, Sequence, to_plain

# What a sequence's verdicts rest on: a specification that the bench file must have.
_ACCURACIES: Final[dict[str, tuple[tuple[Role, Function], ...]]] = {
    "time_base": (("calibrator", "period"),),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Use:
    """One sequence of a job, ready to start."""

    name: str
    definition: Any
    options: Any
    use: str

    @property
    def title(self) -> str:
        """Its title in a report."""
        return str(getattr(self.definition, "TITLE", self.name))

    @property
    def own(self) -> Path | None:
        """The file of a user's own sequence; None for those of this program."""
        return Path(self.definition.__file__) if self.use.endswith(".py") else None

    def script(self, setup: Setup) -> Sequence[Any]:
        """The steps, from the start."""
        made: Sequence[Any] = self.definition.script(setup, self.options)
        return made

    def plan(self, setup: Setup) -> Any:
        """The points known beforehand."""
        with Blaming(self.own):
            return self.definition.plan(setup, self.options)

    def entry(self, setup: Setup) -> dict[str, Any]:
        """What the journal's header keeps of it."""
        plan = self.plan(setup)
        return {
            "name": self.name,
            "use": self.use,
            "title": self.title,
            "evaluate": getattr(self.definition, "EVALUATE", self.use),
            "options": self.options.model_dump(mode="json", exclude_none=True),
            "planned": sum(planned.repeats for planned in plan.points),
            "points": [to_plain(planned.step) for planned in plan.points],
            "left_out": list(plan.left_out),
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadedJob:
    """A job with its bench and unit, and its sequences."""

    setup: Setup
    uses: tuple[Use, ...]
    job_path: Path
    bench_path: Path
    unit_path: Path
    warnings: tuple[str, ...]
    own: OwnCode  # what was imported of the user's own Python


def load(job_path: str | Path, *, before: BeforeImport = lambda _own: None) -> LoadedJob:
    """Load a job with its bench, unit and sequences; every problem at once, as a ConfigError.

    `before` is told of every file of the user's own before it is imported, and may refuse it.
    """
    from drivers.commands import check_overrides
    from drivers.loading import problem_of

    path, own = Path(job_path), OwnCode(before)
    known = definitions(path, own)
    loaded = files.load_job(
        path,
        options={name: module.Options for name, module in known.items()},
        needs={name: needs_of(module) for name, module in known.items()},
        accuracies=_ACCURACIES,
        check_overrides=check_overrides,
        check_driver=partial(problem_of, own=own),
    )
    uses = []
    for place, chosen in enumerate(loaded.setup.job.sequence, 1):
        definition = known[chosen.use]
        options = loaded.options[place - 1] or definition.Options()
        stem = Path(chosen.use).stem
        uses.append(Use(name=f"{place} {stem}", definition=definition, options=options, use=chosen.use))
    return LoadedJob(
        setup=loaded.setup,
        uses=tuple(uses),
        job_path=loaded.job_path,
        bench_path=loaded.bench_path,
        unit_path=loaded.unit_path,
        warnings=tuple(str(warning) for warning in loaded.warnings),
        own=own,
    )


def definitions(job_path: Path, own: OwnCode) -> dict[str, Any]:
    """The sequences of this program, and those of the user's own that the job names and that stand beside it."""
    known = built_in()
    for name in _own_sequences(job_path):
        if own_file(name, job_path.parent) is None:  # else files.load_job says so, with the line
            known[name] = _own_sequence(name, job_path.parent, own)
    return known


def built_in() -> dict[str, Any]:
    """The sequences of this program."""
    from sequences import BUILT_IN

    return {name: importlib.import_module(f"sequences.{name}") for name in BUILT_IN}


def _own_sequences(job_path: Path) -> list[str]:
    try:
        tables = tomllib.loads(job_path.read_text("utf-8")).get("sequence", [])
        names = [str(table["use"]) for table in tables if isinstance(table, dict) and "use" in table]
    except (OSError, ValueError, AttributeError, TypeError, RecursionError):
        return []  # files.load_job says what is wrong, with the line
    return [name for name in names if name.endswith(".py")]


def _own_sequence(name: str, folder: Path, own: OwnCode) -> ModuleType:
    module = own.module(name, folder, "job")
    missing = [needed for needed in ("Options", "script") if not hasattr(module, needed)]
    if missing:
        raise ConfigError(f"{folder / name}: a sequence needs {' and '.join(missing)}; see docs/writing_a_sequence.md")
    if not hasattr(module, "plan"):
        from sequences import Plan

        module.plan = lambda _setup, _options: Plan()  # type: ignore[attr-defined]  # optional for a user's own
    return module


def lock_names(loaded: LoadedJob) -> tuple[str, ...]:
    """What a run of this job holds against others: every instrument's address, or the simulated bench."""
    if loaded.setup.bench.simulation is not None:
        return (str(loaded.bench_path.resolve()),)
    addresses = [i.address for _, i in loaded.setup.bench.instruments() if i.address]
    return tuple(addresses) or (str(loaded.bench_path.resolve()),)


def needs_of(module: Any) -> Any:
    """What the sequence says it needs, by its options; a user's own need not say."""
    return getattr(module, "needs", lambda _options: ())
