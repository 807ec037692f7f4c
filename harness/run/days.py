"""The day by a bench's own clock: a simulated bench may have its own."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import TYPE_CHECKING

from harness.errors import ConfigError, HalfpowerError
from harness.models import Bench
from harness.words.clock import RealClock

if TYPE_CHECKING:
    from harness.sim.bench import SimulatedBench


def simulated_bench_of(bench: Bench, bench_path: Path, position: str | None = None) -> SimulatedBench | None:
    """The simulated bench that a bench file names, if any; ConfigError where it has not what the bench file has."""
    if bench.simulation is None:
        return None
    from harness.sim.bench import SimulatedBench, full_address

    simulated = SimulatedBench.load(bench_path.parent / bench.simulation, position=position)
    there = set(simulated.addresses.values())
    named: list[tuple[str, str | None]] = [(role, instrument.address) for role, instrument in bench.instruments()]
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


def day_on(bench: Bench, bench_path: Path) -> dt.date:
    """The day on a bench that is not open yet; today where its simulated bench is not sound, which is said later.

    The simulated bench's file alone is read: none of its instruments has to be there to know the day.
    """
    if bench.simulation is None:
        return day_of(None)
    from harness.sim.bench_file import BenchFile
    from harness.sim.clock import VirtualClock
    from harness.sim.settings import check, read_toml

    path = bench_path.parent / bench.simulation
    try:
        start = check(BenchFile, read_toml(path), str(path)).start
    except HalfpowerError:
        start = None
    return VirtualClock(start).utc().date()
