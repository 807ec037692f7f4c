"""Before the night: every job is loaded and rehearsed, and what cannot be done with nobody there is refused."""

from __future__ import annotations

import datetime as dt
import hashlib
import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from harness import runs as opening
from harness.errors import BusyError, ConfigError, HalfpowerError, QueueError
from harness.files.own_files import BeforeImport
from harness.journal.lock import hold
from harness.night.log import LeftOut, PlannedPart, QueuedJob
from harness.run.beforehand import not_guarded
from harness.run.jobs import LoadedJob, lock_names
from harness.run.refusals import overdue
from harness.run.rehearsal import Rehearsal
from harness.steps import Measure

MOST: Final = 12  # sentences of one kind about one job


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckedJob:
    """A job that can be run with nobody there."""

    job: QueuedJob
    loaded: LoadedJob
    rehearsal: Rehearsal


@dataclass(frozen=True, slots=True, kw_only=True)
class NightPlan:
    """The jobs that can be run, in order, and those that cannot, with every reason."""

    checked: tuple[CheckedJob, ...]
    refused: tuple[LeftOut, ...]
    warnings: tuple[str, ...]

    @property
    def estimated_s(self) -> float:
        """Of all jobs together."""
        return sum(checked.job.estimated_s for checked in self.checked)


def look_through(paths: Sequence[Path], begins: dt.datetime, before: BeforeImport = lambda _own: None) -> NightPlan:
    """Load and rehearse every job; nothing is opened. `begins` is when the first one starts.

    `before` is told of every file of the user's own before it is imported.
    """
    checked: list[CheckedJob] = []
    refused: list[LeftOut] = []
    warnings: list[str] = []
    for place, path in enumerate(paths):
        if path.resolve() in [earlier.resolve() for earlier in paths[:place]]:
            refused.append(_refusal(path, "stands in the list twice; name each once, or a copy of the file"))
            continue
        begins_here = begins + dt.timedelta(seconds=sum(earlier_job.job.estimated_s for earlier_job in checked))
        try:
            looked_at = look_at(path, before)
            problems = [*_problems(looked_at, begins_here), *_other_unit(looked_at, checked)]
        except ConfigError as error:
            refused.append(_left_out(path, error.problems))
            continue
        except HalfpowerError as error:
            refused.append(_refusal(path, str(error)))
            continue
        warnings += looked_at.loaded.warnings if problems else opening.warnings(looked_at.loaded)
        if problems:
            refused.append(_refusal(path, *problems))
        else:
            checked.append(looked_at)
    return NightPlan(checked=tuple(checked), refused=tuple(refused), warnings=tuple(dict.fromkeys(warnings)))


def in_groups(checked: Mapping[int, CheckedJob], *, together: bool) -> list[list[int]]:
    """The numbers of the jobs in their order, those that run at the same time with the first of them.

    They stand at places of one bench, each at its own, and use the same instruments. What a person, a wait of a step's
    own, a hazardous voltage or Python of the user's own has to do with runs alone.
    """
    groups: list[list[int]] = []
    for number, each in checked.items():
        fits = (group for group in groups if together and all(_beside(each, checked[other]) for other in group))
        if (group := next(fits, None)) is not None:
            group.append(number)
        else:
            groups.append([number])
    return groups


def _beside(one: CheckedJob, other: CheckedJob) -> bool:
    """Whether two jobs may take turns on one bench."""
    return (
        one.job.bench == other.job.bench
        and one.loaded.setup.job.position != other.loaded.setup.job.position
        and set(one.loaded.roles) == set(other.loaded.roles)
        and _takes_turns(one)
        and _takes_turns(other)
    )


def _takes_turns(checked: CheckedJob) -> bool:
    rehearsal, loaded = checked.rehearsal, checked.loaded
    waits = any(isinstance(step, Measure) and step.wait_s for part in rehearsal.parts for step in part.steps)
    alone = rehearsal.hands or rehearsal.hazards or waits or any(loaded.own.digests.values())
    return not alone and loaded.setup.bench.switch is not None


def refusal(plan: NightPlan) -> QueueError:
    """What stands in the way, of all jobs at once."""
    problems = dict.fromkeys(problem for refused in plan.refused for problem in refused.problems)
    left = "Nothing was started. Correct this, or run the other jobs alone with --leave-out."
    return QueueError("\n".join([*problems, left if plan.checked else "Nothing was started: no job is left."]))


def look_at(path: Path, before: BeforeImport) -> CheckedJob:
    """Load and rehearse one job."""
    loaded = opening.load(path, before=before)
    rehearsal = opening.rehearse(loaded)
    setup = loaded.setup
    job = QueuedJob(
        path=str(path.resolve()),
        unit=f"{setup.unit.maker} {setup.unit.model}",
        serial=setup.job.serial,
        estimated_s=rehearsal.estimated_s,
        digest=digest(loaded),
        bench=str(loaded.bench_path.resolve()),
        parts=tuple(PlannedPart(name=part.name, title=part.title, points=part.points) for part in rehearsal.parts),
    )
    return CheckedJob(job=job, loaded=loaded, rehearsal=rehearsal)


def digest(loaded: LoadedJob) -> str:
    """What a job comes to: its three files resolved, its sequences' options, and the text of every Python file of the
    user's own. A changed comment changes nothing in the three."""
    parts = [use.entry(loaded.setup) for use in loaded.uses]
    text = json.dumps([loaded.setup.to_header(), parts, loaded.own.digests], sort_keys=True, ensure_ascii=False)
    return hashlib.sha256(text.encode()).hexdigest()


def _refusal(path: Path, *problems: str) -> LeftOut:
    return _left_out(path, tuple(f"{path}: {problem}" for problem in problems))


def _left_out(path: Path, problems: tuple[str, ...]) -> LeftOut:
    return LeftOut(path=str(path), problems=problems, file=str(path.resolve()))


def _problems(checked: CheckedJob, begins: dt.datetime) -> Iterator[str]:
    rehearsal, job = checked.rehearsal, checked.loaded.setup.job
    if rehearsal.hands:
        yield f"needs a person: {_some(rehearsal.hands)}. Run it attended, or let a switch make its connections."
    if rehearsal.hazards and not job.allow_hazardous_voltage:
        yield (
            f"hazardous voltage, which a person must confirm: {_some(rehearsal.hazards)}. Run it attended; "
            "allow_hazardous_voltage = true in the job is for a bench that nobody can touch."
        )
    if rehearsal.refused:
        yield f"above a rating: {_some(rehearsal.refused)}. Change the level, the range or the path."
    for sentence in not_guarded(checked.loaded):
        yield f"needs a person: {sentence} Run it attended."
    day = opening.today(checked.loaded) if checked.loaded.setup.bench.simulation else begins.date()
    if past := overdue(checked.loaded.setup, day):
        yield past[:1].lower() + past[1:]
    try:
        with hold(lock_names(checked.loaded)):
            pass
    except BusyError as error:
        yield f"the bench is not free: {error}"


def _other_unit(checked: CheckedJob, earlier: Sequence[CheckedJob]) -> Iterator[str]:
    """One address is one instrument: two units on it would need somebody to change them."""
    for before in earlier:
        address = unit_address(checked.loaded)
        if address == unit_address(before.loaded) and checked.job.serial != before.job.serial:
            yield (
                f"needs a person: {before.job.name} finds unit {before.job.serial} at {address}, and this job unit "
                f"{checked.job.serial}. Give each its own address, or run one of them attended."
            )
            return


def unit_address(loaded: LoadedJob) -> str:
    """Where the unit under test is reached; on a simulated bench there is one of each address a bench."""
    unit = loaded.setup.bench.unit
    place = str(loaded.bench_path.resolve()) if loaded.setup.bench.simulation else ""
    return " on ".join(part for part in ((unit.address or "") if unit else "", place) if part)


def _some(sentences: Sequence[str]) -> str:
    more = f"; and {len(sentences) - MOST} more" if len(sentences) > MOST else ""
    return "; ".join(sentences[:MOST]) + more
