"""What a step would send, with nothing sent: the bench's own drivers over a link that leads nowhere.

The drivers and `LiveBench` are those of a run, so that what is shown is what a run would say, in its order. Readings
are ideal, as in a rehearsal; whoever works an instrument by hand is passed over.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final

from harness.bench.perform import LiveBench
from harness.errors import HalfpowerError
from harness.link.link import OnEvent
from harness.measurement import knowing
from harness.run.questions import Obedient
from harness.run.rehearsal import ideal
from harness.sim.clock import VirtualClock
from harness.steps import Measure, Reading, Role, Step

if TYPE_CHECKING:
    from harness.link.exchange import Asked
    from harness.models import Instrument, Setup
    from harness.person.operator import Prompt
    from harness.run.jobs import LoadedJob
    from harness.words.clock import Clock

EMPTY: Final = 4000  # bytes of a record that nobody took


@dataclass(frozen=True, slots=True, kw_only=True)
class Said:
    """One message, to whom, and what it is: settings, a question, or what asks back what was set."""

    role: Role
    kind: str  # "sends", "asks", "asks back"
    text: str

    def __str__(self) -> str:
        return f"{self.role} {self.kind}: {self.text}"


class _Agreeing(str):
    """The answer to a question about what was set: whatever it was set to, and like no other answer."""

    __slots__ = ()
    __eq__, __hash__ = object.__eq__, object.__hash__

    def split(self, *_: object, **__: object) -> list[str]:
        return []

    def strip(self, *_: object) -> _Agreeing:
        return self

    def upper(self) -> _Agreeing:
        return self

    def startswith(self, *_: object) -> bool:
        return True


@dataclass(slots=True, kw_only=True)
class DryLink:
    """A link for a driver that keeps what it is told, and agrees to everything."""

    role: Role
    said: list[Said]
    name: str
    clock: Clock
    identity: str = "dry run"
    on_event: OnEvent = lambda _kind, _text: None
    epoch: int = 0
    power_cycles: int = 0
    clean: bool = True
    careful: bool = False
    power_came_on: bool = False

    def set(self, command: str, *, confirm: Sequence[Asked] = (), extra_s: float = 0.0) -> tuple[str, ...]:  # noqa: ARG002 - as a link has it
        """Keep the settings, and the questions that go with them."""
        if not command:
            return ()
        self._keep("sends", command)
        if confirm:
            self._keep("asks back", ";".join(query for query, _ in confirm))
        return tuple(_Agreeing("0") for _ in confirm)

    def query(self, command: str, shape: str = "", *, extra_s: float = 0.0) -> str:  # noqa: ARG002 - as a link has it
        """Keep the question."""
        self._keep("asks", command)
        return _Agreeing("0")

    def query_float(self, command: str, **_: float) -> float:
        """Keep the question."""
        self._keep("asks", command)
        return 0.0

    def query_block(self, command: str, *, expected_bytes: int | None = None, extra_s: float = 0.0) -> bytes:  # noqa: ARG002 - as a link has it
        """Keep the question."""
        self._keep("asks", command)
        return bytes(expected_bytes or EMPTY)

    def check(self, confirm: Sequence[Asked] = ()) -> tuple[str, ...]:
        """What closes a point is the link's own, and shown by no dry run."""
        return tuple(_Agreeing("0") for _ in confirm)

    def drain_errors(self) -> tuple[str, ...]:
        """There are none."""
        return ()

    def discard_errors(self) -> None:
        """There are none."""

    def connect(self) -> str:
        """Nobody answers."""
        return self.identity

    def resync(self) -> None:
        """It is never out of step."""

    def close(self) -> None:
        """Nothing is open."""

    def _keep(self, kind: str, text: str) -> None:
        self.said.append(Said(role=self.role, kind=kind, text=text))


class _Ideal:
    """A driver whose readings are ideal, whatever it makes of the answers that nobody gave."""

    def __init__(self, driver: Any, setup: Setup) -> None:
        self._driver, self._setup = driver, setup

    def __getattr__(self, name: str) -> Any:
        return getattr(self._driver, name)

    def read(self, step: Measure) -> Reading:
        """Ask for a reading, and have the ideal one."""
        with suppress(HalfpowerError):
            self._driver.read(step)
        reply = ideal(self._setup, step)
        assert isinstance(reply, Reading)
        return reply

    def read_frequency_hz(self, expected_hz: float) -> float:
        """Ask for a count, and have the expected one."""
        with suppress(HalfpowerError):
            self._driver.read_frequency_hz(expected_hz)
        return expected_hz


class _Agreeable:
    """A person who does what is asked and goes on."""

    def ask(self, prompt: Prompt) -> str:
        """The first of the choices."""
        return prompt.choices[0] if prompt.choices else ""

    def tell(self, text: str) -> None:
        """Nobody hears it."""


@dataclass(slots=True, kw_only=True)
class DryBench:
    """The bench of a job, dry. `prepared` is what is sent before the first step."""

    loaded: LoadedJob
    prepared: tuple[Said, ...] = ()
    _said: list[Said] = field(default_factory=list)
    _bench: LiveBench = field(init=False)

    def __post_init__(self) -> None:
        clock = VirtualClock()
        drivers = {role: self._driver(role, clock) for role in self.loaded.roles}
        self._bench = LiveBench(self.loaded.setup, drivers, operator=_Agreeable(), clock=clock)
        self._bench.prepare()
        self.prepared = self._taken()

    def sent(self, step: Step) -> tuple[Said, ...]:
        """What this step would have sent, after those that were asked about before."""
        with knowing(quantity for use in self.loaded.uses for quantity in use.quantities), suppress(HalfpowerError):
            self._bench.perform(step)
        return self._taken()

    def _taken(self) -> tuple[Said, ...]:
        taken = tuple(self._said)
        self._said.clear()
        return taken

    def _driver(self, role: Role, clock: Clock) -> Any:
        from drivers.loading import make_driver

        setup, loaded = self.loaded.setup, self.loaded
        if setup.by_hand(role):
            return Obedient(setup, ideal)

        def open_link(instrument: Instrument, role: Role) -> Any:
            return DryLink(role=role, said=self._said, name=f"{role} ({instrument.label})", clock=clock)

        driver = make_driver(
            role, setup, folder=loaded.bench_path.parent, open_link=open_link, operator=_Agreeable(), own=loaded.own
        )
        return _Ideal(driver, setup)


def dry_run(loaded: LoadedJob) -> Iterator[tuple[str, Step | None, tuple[Said, ...]]]:
    """Every step of a job by part, with what it would send; the first has no step: what is sent at the opening."""
    from harness.run.rehearsal import rehearse

    rehearsed, bench = rehearse(loaded.setup, loaded.uses), DryBench(loaded=loaded)
    yield "", None, bench.prepared
    for part in rehearsed.parts:
        yield from ((part.name, step, bench.sent(step)) for step in part.steps)
