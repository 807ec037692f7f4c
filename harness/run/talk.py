"""Talk to a bench: who answers where, what stands in the error queues, how old the certificates are, how fast it is."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from harness.bench.warm_up import SeenOn
from harness.errors import HalfpowerError
from harness.files import files
from harness.files.own_files import BeforeImport, OwnCode
from harness.journal.lock import hold
from harness.models import Bench, Instrument
from harness.run.days import day_on
from harness.steps import Role
from harness.words.clock import Clock, RealClock

if TYPE_CHECKING:
    from harness.link.visa import ResourceManagerFactory


@dataclass(frozen=True, slots=True, kw_only=True)
class InstrumentState:
    """One instrument, as it answered."""

    role: Role
    label: str
    address: str
    place: str = ""  # of a unit at a position: its name
    identity: str = ""
    expected_identity: str = ""
    errors: tuple[str, ...] = field(default=())
    due: dt.date | None = None
    overdue: bool = False
    round_trip_s: float | None = None
    problem: str = ""


def talk(bench_path: str | Path, before: BeforeImport = lambda _own: None) -> tuple[InstrumentState, ...]:
    """Ask every instrument of a bench file; one that does not answer is a state, not an error.

    `before` is told of every file of the user's own before it is imported.
    """
    path = Path(bench_path)
    bench = files.load_bench(path, day_of=day_on)
    ask = asking(bench, path, OwnCode(before))
    return (
        *(ask(role, instrument) for role, instrument in bench.instruments()),
        *(replace(ask("unit", link), place=name) for name, link in bench.positions.items()),
    )


def asking(
    bench: Bench, path: Path, own: OwnCode, position: str | None = None
) -> Callable[[Role, Instrument], InstrumentState]:
    """What asks an instrument of a bench; `path` is the bench file's, `own` what was imported of the user's."""
    from drivers.loading import problem_of

    clock: Clock = RealClock()
    factory: ResourceManagerFactory
    seen_on: SeenOn | None = None
    if bench.simulation is not None:
        from harness.sim.bench import SimulatedBench

        simulated = SimulatedBench.load(path.parent / bench.simulation, position=position)
        clock, factory = simulated.clock, simulated.resource_manager
    else:
        from harness.link.visa import resource_manager

        factory, seen_on = resource_manager(), SeenOn()
    wrong_with = partial(problem_of, folder=path.parent, own=own)
    return lambda role, instrument: _state(role, instrument, factory, clock, seen_on, wrong_with=wrong_with)


def _state(
    role: Role,
    instrument: Instrument,
    factory: ResourceManagerFactory,
    clock: Clock,
    seen_on: SeenOn | None,
    *,
    wrong_with: Callable[[str, Role], str],
) -> InstrumentState:
    state = InstrumentState(
        role=role,
        label=instrument.label,
        address=instrument.address or "",
        expected_identity=instrument.identity or "",
        due=instrument.due,
        overdue=role not in ("unit", "switch") and instrument.due is not None and instrument.due < clock.utc().date(),
    )
    if instrument.address is None:
        return replace(state, problem="worked by hand")
    own = instrument.driver not in ("scpi", "manual")
    if own and (wrong := wrong_with(instrument.driver, role)):
        return replace(state, problem=f"its driver {wrong}")
    try:  # what a run holds is left alone: it would lose replies, errors and its power-on bit to us
        with hold((instrument.address,) if seen_on is not None else ()):
            return _asked(state, instrument, factory, clock, seen_on)
    except HalfpowerError as error:
        return replace(state, problem=str(error))


def _asked(
    state: InstrumentState,
    instrument: Instrument,
    factory: ResourceManagerFactory,
    clock: Clock,
    seen_on: SeenOn | None,
) -> InstrumentState:
    from harness.link.link import repeat_point
    from harness.link.visa import open_link

    told = []
    link = open_link(instrument, state.role, factory, clock, lambda kind, text: told.append((kind, text)))
    if seen_on is not None:  # opening has read the power-on bit, and reading clears it
        seen_on.since(state.address, link.identity, powered_on=link.power_came_on, now=clock.utc())

    def round_trip() -> float:
        began = RealClock().now()  # whatever clock a simulated bench is on
        link.query("*OPC?", "1")
        return RealClock().now() - began

    try:
        round_trip_s = repeat_point(round_trip)  # one reply that is lost is no trouble of a run's either
    finally:
        link.close()
    old = tuple(text for kind, text in told if kind == "old_errors")
    return replace(state, identity=link.identity, errors=old, round_trip_s=round_trip_s)
