"""The bench of a job, opened: held against others, watched by its guardian, and left with every output off."""

from __future__ import annotations

import math
import secrets
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, nullcontext, suppress
from dataclasses import dataclass, field
from functools import partial
from typing import TYPE_CHECKING, Any

from harness.bench.guarding import NOT_GUARDED, charges_of, guarding, unguarded
from harness.bench.perform import LiveBench
from harness.bench.room import Room
from harness.bench.warm_up import SeenOn, WarmUp, warming
from harness.errors import HalfpowerError, SafetyError
from harness.journal.lock import hold
from harness.person.guide import Guide, Guided
from harness.person.operator import Nobody, Operator
from harness.person.people import Awaited, Mirrored
from harness.run.beforehand import simulated_bench
from harness.run.days import simulated_bench_of
from harness.run.jobs import LoadedJob, lock_names
from harness.run.together import Shared, SharedBench
from harness.steps import SOURCES, Role
from harness.words.clock import AT_WORK_S, BETWEEN_SIGNS_S, SLICE_S, BeatingClock, Clock, OnLife, RealClock, no_sign

if TYPE_CHECKING:
    from harness.bench.guardian import Charge
    from harness.bench.guarding import Guardian, NoGuardian
    from harness.journal.events import OnEvent
    from harness.link.link import Link
    from harness.link.trace import Trace
    from harness.link.visa import ResourceManagerFactory
    from harness.models import Instrument
    from harness.run.together import Seat
    from harness.sim.bench import SimulatedBench


@contextmanager
def opened(
    loaded: LoadedJob,
    *,
    operator: Operator | None = None,
    on_event: OnEvent = lambda *_: None,
    by_hand: bool = False,
    warm: bool = False,
    on_life: OnLife = no_sign,
    simulated: SimulatedBench | None = None,
    guide: Guide | None = None,
    seat: Seat | None = None,
    trace: Trace | None = None,
) -> Iterator[LiveBench]:
    """Open the bench of a job, hold it against others, and leave it with every output off.

    `guide` is what a person is told besides the questions. `simulated` is the job's simulated bench where the caller
    has it already. `on_life` is told before every step, exchange, wait and question by when the next sign of life
    comes. `warm` says that every instrument has warmed up already, whatever is known of it. `seat` is a place on a
    bench that other runs use as well: what they have in common is opened by the first, and let go of by the last.
    `trace` is told every exchange with every instrument.
    """
    from drivers.loading import longest_of

    simulated = simulated or simulated_bench(loaded) if seat is None else seat.shared.simulated
    person = _person(operator, simulated, by_hand=by_hand)
    roles, folder = loaded.roles, loaded.bench_path.parent
    charges = charges_of(loaded.setup, (*roles, *SOURCES), folder, loaded.own)
    alone = unguarded(charges, roles)
    if alone and isinstance(person, Nobody):
        raise SafetyError(f"Not begun with nobody there. {' '.join(alone)}")
    longest = partial(longest_of, roles, loaded.setup, folder, loaded.own)
    silent_s, work_s = longest(unsaid_s=0.0), max(AT_WORK_S, longest())
    guard = partial(_held, lock_names(loaded) if seat is None else seat.shared.locks, charges, silent_s)
    with guard() if seat is None else nullcontext(seat.lent(guard)) as guardian:
        alive, told = _signs(guardian, on_life, on_event, work_s)
        if seat is not None:
            seat.told, told = told, seat.shared.told
        opening = Opening(
            loaded=loaded, simulated=simulated, on_event=told, on_life=alive, work_s=work_s,
            person=Guided(Awaited(person, alive), guide or Guide()), seat=seat, trace=trace,
        )  # fmt: skip
        opens = partial(opening.bench, guardian, alone, warm=warm)
        bench = opens() if seat is None else seat.opened(opens)
        with bench.guarded():
            bench.prepare()
            yield bench


def share(jobs: Sequence[LoadedJob]) -> Shared:
    """One bench for several jobs, each at a position of its own; it is opened by the first run that comes."""
    first = jobs[0]
    names = tuple(dict.fromkeys(name for loaded in jobs for name in lock_names(loaded)))
    return Shared(names, simulated_bench_of(first.setup.bench, first.bench_path))


@contextmanager
def _held(names: tuple[str, ...], charges: tuple[Charge, ...], silent_s: float) -> Iterator[Guardian | NoGuardian]:
    """A bench held against others, and its guardian."""
    with hold(names) as held, guarding(charges, held, silent_s=silent_s) as guardian:
        yield guardian


def _signs(
    guardian: Guardian | NoGuardian, on_life: OnLife, on_event: OnEvent, work_s: float
) -> tuple[OnLife, OnEvent]:
    """Signs of life, for the guardian as well; and events, each of which is one."""

    def alive(within_s: float) -> None:
        guardian.alive(within_s)
        on_life(within_s)

    def told(what: str, text: str) -> None:
        alive(work_s)  # it may go to disk
        on_event(what, text)

    return alive, told


def _person(operator: Operator | None, simulated: SimulatedBench | None, *, by_hand: bool) -> Operator:
    person = operator or Nobody()
    if simulated is None:
        return person
    return Mirrored(person, simulated) if by_hand else simulated.operator


@dataclass(slots=True, kw_only=True)
class Opening:
    """Builds the drivers of a job and the bench on them; `links` are those that were opened."""

    loaded: LoadedJob
    simulated: SimulatedBench | None
    person: Operator
    on_event: OnEvent
    on_life: OnLife
    work_s: float
    seat: Seat | None = None
    trace: Trace | None = None
    links: dict[Role, Link] = field(default_factory=dict)
    clock: Clock = field(init=False)
    factory: ResourceManagerFactory = field(init=False)

    def __post_init__(self) -> None:
        from harness.link.visa import resource_manager

        if self.simulated is not None:
            self.clock = BeatingClock(self.simulated.clock, self.on_life, slice_s=math.inf)
            self.factory = self.simulated.resource_manager
        else:
            self.clock = BeatingClock(RealClock(), self.on_life, slice_s=SLICE_S)
            self.factory = resource_manager()

    def bench(self, guardian: Guardian | NoGuardian, alone: tuple[str, ...], *, warm: bool) -> LiveBench:
        """Open every instrument; `alone` says what the guardian could not switch off."""
        from harness.link.visa import library_of

        loaded, simulated, seat = self.loaded, self.simulated, self.seat
        core = None if seat is None else seat.shared.core
        seen_on = None if simulated else SeenOn()
        try:
            if core is None:
                drivers = self.drivers(loaded.roles)
                idle, unreachable = self.idle_sources()
            else:
                self.links |= core.links
                drivers = {**core.drivers, **self.drivers(("unit",))}
                idle, unreachable = core.idle, core.unreachable
        finally:  # what was opened before one that could not be has told its power-on bit, and tells it once
            in_use = warming(loaded.setup.bench, loaded.roles, self.links, seen_on, self.clock.utc())
        guardian.listens()
        guardian.prepare(lambda: library_of(self.factory))
        for sentence in alone:
            self.on_event(NOT_GUARDED, sentence)
        made = LiveBench if seat is None else partial(SharedBench, seat, links=self.links)
        return made(
            loaded.setup, drivers, operator=self.person, clock=self.clock, on_event=self.on_event,
            before=partial(simulated.begin, position=loaded.setup.job.position) if simulated else lambda _step: None,
            on_life=self.on_life, guardian=guardian,
            warm_up=WarmUp(
                in_use, clock=self.clock, operator=self.person, on_event=self.on_event, seen_on=seen_on, warm=warm
            ),
            idle=idle, unreachable=unreachable, room=self.room() if core is None else core.room,
        )  # fmt: skip

    def room(self) -> Room:
        """What the bench's meter of the room says, once a reading wants to know."""
        opens = None if self.loaded.setup.bench.meter is None else lambda: self.drivers(("meter",))["meter"]
        return Room(opens, clock=self.clock, on_event=self.on_event)

    def drivers(self, roles: tuple[Role, ...]) -> dict[Role, Any]:
        """The drivers of some roles; where one cannot be built, those before it are switched off and let go."""
        from drivers.loading import make_driver

        loaded = self.loaded
        made: dict[Role, Any] = {}
        try:
            for role in roles:
                self.on_life(self.work_s)
                made[role] = make_driver(
                    role, loaded.setup, folder=loaded.bench_path.parent, open_link=self._connect, operator=self.person,
                    on_event=self.on_event, own=loaded.own,
                )  # fmt: skip
        except BaseException:
            for role, driver in made.items():
                if role in SOURCES and getattr(loaded.setup.bench, role).driver != "manual":
                    _quietly(driver.off)  # what an earlier run may have left on
                _quietly(driver.close)
            raise
        return made

    def idle_sources(self) -> tuple[dict[Role, Any], dict[Role, str]]:
        """The addressed sources that the job does not use, which may still be on, and why one cannot be reached."""
        idle: dict[Role, Any] = {}
        unreachable: dict[Role, str] = {}
        for role in SOURCES:
            instrument = getattr(self.loaded.setup.bench, role)
            if role in self.loaded.roles or instrument is None or instrument.driver == "manual":
                continue
            try:
                idle |= self.drivers((role,))
            except HalfpowerError as error:
                unreachable[role] = str(error)
        return idle, unreachable

    def _connect(self, instrument: Instrument, role: Role) -> Link:
        from drivers.loading import longest_s
        from harness.link.visa import open_link

        longest = longest_s(role, self.loaded.setup, self.loaded.bench_path.parent, self.loaded.own)
        self.links[role] = open_link(
            instrument, role, self.factory, self.clock, self.on_event, on_life=self.on_life,
            between_s=max(BETWEEN_SIGNS_S, longest), first_nonce=0 if self.simulated else secrets.randbelow(256),
            trace=self.trace,
        )  # fmt: skip
        return self.links[role]


def _quietly(action: Callable[[], None]) -> None:
    with suppress(Exception):  # the first failure is the one to report, and the next instrument is still open
        action()
