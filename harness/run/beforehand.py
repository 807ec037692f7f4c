"""What is said of a job before it is run, with nothing opened; of all that a run needs nothing is loaded."""

from __future__ import annotations

from typing import TYPE_CHECKING

from harness.bench.guarding import charges_of, unguarded
from harness.run.days import day_of, simulated_bench_of
from harness.run.jobs import LoadedJob
from harness.run.refusals import from_the_future, nearly_out, past_due

if TYPE_CHECKING:
    from harness.run.rehearsal import Rehearsal
    from harness.sim.bench import SimulatedBench


def rehearse(loaded: LoadedJob) -> Rehearsal:
    """The steps, hazards, hands and time of a job, and what it cannot decide; nothing is opened."""
    from harness.run.rehearsal import rehearse as rehearsed

    return rehearsed(loaded.setup, loaded.uses)


def warnings(loaded: LoadedJob) -> tuple[str, ...]:
    """What a person should look at before the run: in the three files, and certificates of another time."""
    day = day_of(simulated_bench(loaded))  # whose file is looked through as well
    late = past_due(loaded.setup.bench, day)
    allowed = "which the job allows" if loaded.setup.job.allow_overdue else "so a run is refused"
    bench = loaded.setup.bench
    told = (*(f"{standard}, {allowed}" for standard in late), *from_the_future(bench, day), *nearly_out(bench, day))
    return (*loaded.warnings, *(f"{loaded.bench_path}: {sentence}" for sentence in (*told, *not_guarded(loaded))))


def not_guarded(loaded: LoadedJob) -> tuple[str, ...]:
    """The sources in use that nothing could switch off if the run were killed: a sentence each."""
    roles = loaded.roles
    return unguarded(charges_of(loaded.setup, roles, loaded.bench_path.parent, loaded.own), roles)


def simulated_bench(loaded: LoadedJob) -> SimulatedBench | None:
    """The simulated bench that the bench file names, if any, its unit the one at the job's position."""
    return simulated_bench_of(loaded.setup.bench, loaded.bench_path, loaded.setup.job.position)
