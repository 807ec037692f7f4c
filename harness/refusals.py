"""Why a run is not begun, or not gone on with: a standard that is overdue, another instrument, a changed file."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from harness.clock import RealClock
from harness.errors import ConfigError, JournalError
from harness.jobs import LoadedJob
from harness.journal import Contents
from harness.models import Bench, Setup
from harness.steps import Role
from harness.version import program_version

if TYPE_CHECKING:
    from harness.sim.bench import SimulatedBench


def simulated_bench_of(bench: Bench, bench_path: Path, position: str | None = None) -> SimulatedBench | None:
    """The simulated bench that a bench file names, if any; ConfigError where it has not what the bench file has."""
    if bench.simulation is None:
        return None
    from harness.sim.bench import SimulatedBench, full_address

    simulated = SimulatedBench.load(bench_path.parent / bench.simulation, position=position)
    there = set(simulated.addresses.values())
    named: list[tuple[str, str | None]] = [(role, each.address) for role, each in bench.instruments()]
    named += [(f"positions.{name}", link.address) for name, link in bench.positions.items()]
    missing = [
        f"{bench_path}: {name}.address: {address!r} is none of {bench.simulation}; expected one of its instruments"
        for name, address in named
        if address and full_address(address) not in there
    ]
    if missing:
        raise ConfigError(*missing)
    return simulated


def day_of(simulated: SimulatedBench | None) -> dt.date:
    """The day by the bench's own clock: a simulated bench may have its own."""
    return (simulated.clock if simulated else RealClock()).utc().date()


def past_due(bench: Bench, day: dt.date) -> tuple[str, ...]:
    """The standards whose certificates have run out on a day."""
    return tuple(
        f"the {role} ({instrument.label}) was due on {instrument.due}"
        for role, instrument in bench.instruments()
        if role not in ("unit", "switch") and instrument.due is not None and instrument.due < day
    )


def from_the_future(bench: Bench, day: dt.date) -> tuple[str, ...]:
    """The standards whose certificates are dated after a day: a slip of the pen, or a bench file of another time."""
    return tuple(
        f"the certificate of the {role} ({instrument.label}) is dated {instrument.certified}, after today, {day}"
        for role, instrument in bench.instruments()
        if role not in ("unit", "switch") and instrument.certified is not None and instrument.certified > day
    )


def overdue(setup: Setup, day: dt.date) -> str:
    """The standards past their due date on a day, in a sentence; empty where there are none or the job allows it."""
    past = past_due(setup.bench, day)
    if not past or setup.job.allow_overdue:
        return ""
    return (
        f"Past the due date: {'; '.join(past)}. Renew the certificate in the bench file, or set "
        "allow_overdue = true in the job: every page is then marked."
    )


def refuse_others(answering: Mapping[Role, str], contents: Contents) -> None:
    """The instruments that answer must be those that the run was begun with."""
    begun: Mapping[str, str] = contents.header["identities"]
    for role, identity in answering.items():
        if begun.get(role, identity) != identity:
            raise JournalError(
                f"The {role} that answers is {identity!r}, and the run was begun with {begun[role]!r}; "
                "connect that one again, or start a new run."
            )


def refuse_changed(loaded: LoadedJob, contents: Contents) -> None:
    """Job, bench, unit and program must be those that the run was begun with."""
    header = contents.header
    if header["program"] != program_version():
        raise JournalError(
            f"This run was begun with version {header['program']} and this is {program_version()}; "
            "go on with that version, or start a new run."
        )
    begun = Setup.from_header(header["setup"]).to_header()  # with the keys that did not exist when it was begun
    now = loaded.setup.to_header()
    for name in ("job", "bench", "unit"):
        if begun[name] != now[name]:
            raise JournalError(
                f"{getattr(loaded, f'{name}_path')}: the {name} file has changed since the run was begun; "
                "put it back as it was, or start a new run."
            )
