"""A job with its bench, its unit and its sequences: those of this program, and the user's own beside the job file."""

from __future__ import annotations

import datetime as dt
import tomllib
from collections.abc import Callable
from dataclasses import dataclass, fields
from functools import partial
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from harness import measurement
from harness.errors import ConfigError
from harness.files import files
from harness.files.checks import own_file
from harness.files.files import LoadedFiles
from harness.files.job_checks import Known, nothing
from harness.files.own_files import BeforeImport, OwnCode
from harness.measurement import Quantity, facts_of, knowing
from harness.models import Setup
from harness.run.days import day_on
from harness.run.own_code import Judged
from harness.run.own_measurement import OwnMeasurement, check_apart, own_measurement
from harness.steps import Role, Sequence, to_plain


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
        return str(self.definition.TITLE or self.name)

    @property
    def own(self) -> Path | None:
        """The file of a user's own sequence; None for those of this program."""
        return self.definition.file if isinstance(self.definition, OwnMeasurement) else None

    @property
    def judged(self) -> Judged | None:
        """As what the readings of a user's own sequence are judged, where it says so."""
        return self.definition.judged if isinstance(self.definition, OwnMeasurement) else None

    @property
    def quantities(self) -> tuple[Quantity, ...]:
        """What a user's own measurement reads that nobody else does."""
        return self.definition.QUANTITIES if isinstance(self.definition, OwnMeasurement) else ()

    def script(self, setup: Setup) -> Sequence[Any]:
        """The steps, from the start."""
        made: Sequence[Any] = self.definition.script(setup, self.options)
        return made

    def plan(self, setup: Setup) -> Any:
        """The points known beforehand."""
        with knowing(self.quantities):
            return self.definition.plan(setup, self.options)

    def entry(self, setup: Setup) -> dict[str, Any]:
        """What the journal's header keeps of it."""
        plan = self.plan(setup)
        own = {"quantities": [facts_of(quantity) for quantity in self.quantities]} if self.quantities else {}
        return own | {
            "name": self.name,
            "use": self.use,
            "title": self.title,
            "evaluate": self.use if self.judged is None else self.judged.like,
            "options": self.options.model_dump(mode="json", exclude_none=True),
            "planned": sum(planned.repeats for planned in plan.points),
            "points": [to_plain(planned.step) for planned in plan.points],
            "left_out": list(plan.left_out),
        }


def roles_used(setup: Setup, uses: tuple[Use, ...]) -> tuple[Role, ...]:
    """The roles that sequences say they use, and those that go with them."""
    bench = setup.bench
    roles: list[Role] = [role for use in uses for role in needs_of(use.definition)(use.options)]
    for use in uses:
        also = getattr(use.definition, "also_needs", None)
        roles += also(setup, use.options) if also is not None else ()
    if any(use.definition.needs is None for use in uses):
        roles += [role for role, _ in bench.instruments()]  # a sequence that does not say may ask for any
    if "generator" in roles:
        roles += [role for role in ("counter", "reference") if getattr(bench, role) is not None]
    roles += ["switch"] if bench.switch is not None else []
    return tuple(dict.fromkeys((*roles, "unit")))


@dataclass(frozen=True, slots=True, kw_only=True, repr=False)
class LoadedJob(LoadedFiles):
    """A job with its bench and unit, and its sequences."""

    uses: tuple[Use, ...]
    own: OwnCode  # what was imported of the user's own Python

    def __repr__(self) -> str:
        return f"<LoadedJob {self.job_path}: {', '.join(use.name for use in self.uses)}>"

    @property
    def roles(self) -> tuple[Role, ...]:
        """The roles that the job's sequences use, and those that go with them."""
        return roles_used(self.setup, self.uses)


def load(job_path: str | Path, *, before: BeforeImport = lambda _own: None, day: dt.date | None = None) -> LoadedJob:
    """Load a job with its bench, unit and sequences; every problem at once, as a ConfigError.

    `day` is the one on which a register is asked for certificates: today, if left out.

    `before` is told of every file of the user's own before it is imported, and may refuse it.
    """
    from drivers.commands import check_overrides
    from drivers.loading import problem_of

    path, own = Path(job_path), OwnCode(before)
    known = definitions(path, own)
    loaded = files.load_job(
        path,
        sequences={name: _known(module) for name, module in known.items()},
        check_overrides=check_overrides,
        check_driver=partial(problem_of, own=own),
        day_of=day_on if day is None else lambda _bench, _path: day,
    )
    uses = []
    for place, chosen in enumerate(loaded.setup.job.sequence, 1):
        definition = known[chosen.use]
        options = loaded.options[place - 1] or definition.Options()
        stem = Path(chosen.use).stem
        use = Use(name=f"{place} {stem}", definition=definition, options=options, use=chosen.use)
        if use.judged is not None:
            _fit_options(use)
            use.plan(loaded.setup)  # says which of its points cannot be judged so
        uses.append(use)
    return LoadedJob(uses=tuple(uses), own=own, **{f.name: getattr(loaded, f.name) for f in fields(loaded)})


def _fit_options(use: Use) -> None:
    """The report reads the options of a user's own sequence as those of the one that its readings are judged as."""
    assert use.judged is not None
    like = built_in()[use.judged.like].Options
    given = {
        key: value
        for key, value in use.options.model_dump(mode="json", exclude_none=True).items()
        if key in like.model_fields
    }
    try:
        like.model_validate(given, context={"si": True})
    except ValidationError as error:
        key = ".".join(map(str, error.errors()[0]["loc"]))
        raise ConfigError(
            f"{use.own}: the option {key} is not what EVALUATE = {use.judged.like!r} takes it for: "
            f"{error.errors()[0]['msg']}; name it otherwise, or give it that option's type"
        ) from None


def definitions(job_path: Path, own: OwnCode) -> dict[str, Any]:
    """The sequences of this program, and those of the user's own that the job names and that stand beside it."""
    known = built_in()
    for name in _own_sequences(job_path):
        if own_file(name, job_path.parent) is None:  # else files.load_job says so, with the line
            module = own.module(name, job_path.parent, "job")
            known[name] = own_measurement(module, job_path.parent / name, built_in())
    check_apart(module for module in known.values() if isinstance(module, OwnMeasurement))
    return known


def built_in() -> dict[str, Any]:
    """The sequences of this program."""
    return dict(measurement.definitions())


def _own_sequences(job_path: Path) -> list[str]:
    try:
        tables = tomllib.loads(job_path.read_text("utf-8")).get("sequence", [])
        names = [str(table["use"]) for table in tables if isinstance(table, dict) and "use" in table]
    except (OSError, ValueError, AttributeError, TypeError, RecursionError):
        return []  # files.load_job says what is wrong, with the line
    return [name for name in names if name.endswith(".py")]


def lock_names(loaded: LoadedJob) -> tuple[str, ...]:
    """What a run of this job holds against others: every instrument's address; of a bench by hand, the bench."""
    if loaded.setup.bench.simulation is not None:
        return ()  # every run makes instruments of its own
    addresses = [i.address for _, i in loaded.setup.bench.instruments() if i.address]
    return tuple(addresses) or (str(loaded.bench_path.resolve()),)


def _known(definition: Any) -> Known:
    """What the checks of the files need to know of a sequence."""
    return Known(
        options=definition.Options,
        needs=needs_of(definition),
        accuracies=getattr(definition, "accuracies", nothing),
        gives=getattr(definition, "gives", nothing),
        rated=definition.Rated if isinstance(definition, OwnMeasurement) else None,
    )


def needs_of(definition: Any) -> Callable[[Any], tuple[Role, ...]]:
    """What the sequence says it needs, by its options; a user's own need not say."""
    return definition.needs or nothing
