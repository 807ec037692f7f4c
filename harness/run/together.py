"""Several runs on one bench behind a switch: one set of instruments, one guardian, a step of one run after another's.

Each run is as it is alone, with its loop, its journal and its end, on a thread of its own that waits whenever it has
asked for a step. One thread is at work at any time. What speaks to an instrument is done on the thread of the caller,
which is the one that hears signals, while all runs wait.
"""

from __future__ import annotations

import contextvars
import math
import queue
import threading
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import AbstractContextManager, ExitStack
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeAlias, TypeVar

from harness.bench import limits
from harness.bench.guarding import Guardian, NoGuardian
from harness.bench.perform import Ending, LiveBench
from harness.steps import Connect, Display, Look, Measure, NoSignal, Reply, Role, Step, Stimulus, View

if TYPE_CHECKING:
    from harness.link.link import Link
    from harness.models import Setup
    from harness.sim.bench import SimulatedBench

Level: TypeAlias = tuple[Role, Stimulus]
T = TypeVar("T")


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """The path that the last step was served on, and what the last reading had its source give."""

    path: str
    level: Level | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Waiting:
    """A run that waits for its next step, or, where that is None, for what comes before and after all steps."""

    seat: int
    step: Step | None
    answered: int  # steps of it, so far


def next_of(waiting: Iterable[Waiting], stands: Level | None, last: int | None) -> Waiting:
    """Whose step comes next, for the fewest changes of level.   [pure]

    What is no step goes first: it may be to switch outputs off. Then what needs no other level: a reading at the one
    that stands, and a connection, which ends it and says what is asked for next. Else the run that is furthest behind:
    so they meet at the next level. Of equals the one that is connected.
    """
    return min(
        waiting,
        key=lambda each: (
            each.step is not None,
            stands is None or level_of(each.step) != stands,
            not isinstance(each.step, Connect),
            each.answered,
            each.seat != last,
            each.seat,
        ),
    )


def level_of(step: Step | None) -> Level | None:
    """What a step has its source give; None for a connection."""
    return None if step is None or isinstance(step, Connect) else (step.source, step.stimulus)


class Seat:
    """A run's place on the bench that it shares."""

    def __init__(self, number: int, shared: Shared) -> None:
        self.number, self.shared = number, shared
        self.told: Callable[[str, str], None] = lambda _what, _text: None
        self.thread: threading.Thread | None = None
        self.asked: tuple[Step | None, Callable[[], Any]] | None = None
        self.bench: SharedBench | None = None
        self.connected: Connect | None = None  # the connection in force, while this run is served
        self.answered = 0
        self._answers: queue.SimpleQueue[tuple[Any, BaseException | None]] = queue.SimpleQueue()

    def turn(self, do: Callable[[], T], step: Step | None = None) -> T:
        """Wait for this run's turn; returns what comes of it, or raises what it raised."""
        self.asked = step, do
        self.shared.heard.put(self)
        answer, error = self._answers.get()
        if error is not None:
            raise error
        done: T = answer
        return done

    def lent(self, guard: Callable[[], AbstractContextManager[Guardian | NoGuardian]]) -> Lent:
        """The guardian of all, which the first to come begins."""
        return Lent(self, self.shared.guarded(guard))

    def opened(self, opens: Callable[[], LiveBench]) -> LiveBench:
        """Have the bench opened, unless all runs were stopped meanwhile."""

        def unless_stopped() -> LiveBench:
            self.shared.check()
            return opens()

        return self.turn(unless_stopped)

    def perform(self, *, elsewhere: bool) -> None:
        """Perform what was asked, its connection made again first where another run was served meanwhile."""
        assert self.asked is not None
        (step, do), self.asked = self.asked, None
        self.answered += step is not None
        answer: tuple[Any, BaseException | None]
        try:
            if step is not None:
                self.shared.check()
            stands, self.shared.stands = self.shared.stands, None  # until the step has come to its end
            if elsewhere and isinstance(step, Measure | Look) and self.bench and self.connected:
                self.bench.connect_again(self.connected, step, stands)
            answer = do(), None
            self.connected = step if isinstance(step, Connect) else self.connected
            if step is not None:
                path = self.connected.path if self.connected else ""
                self.shared.stands = Standing(path=path, level=level_of(step) or (stands.level if stands else None))
        except BaseException as error:  # noqa: BLE001 - it is the run's, which raises it
            answer = None, error
            self.shared.stop(None if isinstance(error, Exception) else error)
        self._answers.put(answer)

    def work(self, run: Callable[[Seat], None]) -> None:
        """Run to the end, on this run's thread."""
        try:
            run(self)
        except BaseException as error:  # noqa: BLE001 - a run's own failures do not come here: this ends them all
            self.shared.stop(error)
        finally:
            self.shared.leave(self)
            self.shared.heard.put(self)


class Shared:
    """What runs on one bench have in common; `core` is the first bench that was opened, whose instruments all use."""

    def __init__(self, locks: tuple[str, ...], simulated: SimulatedBench | None) -> None:
        self.locks, self.simulated = locks, simulated
        self.core: SharedBench | None = None
        self.heard: queue.SimpleQueue[Seat] = queue.SimpleQueue()
        self.stopped: BaseException | None = None
        self.folders: dict[Seat, Path] = {}
        self.guardian: Guardian | NoGuardian | None = None
        self._held = ExitStack()
        self.stands: Standing | None = None
        self._current: Seat | None = None
        self._there: set[Seat] = set()

    def run(self, runs: Sequence[Callable[[Seat], None]]) -> None:
        """Run all of them to their ends; raises what stopped them all."""
        seats = [Seat(number, self) for number in range(len(runs))]
        self._there |= set(seats)
        with self._held:
            for seat, run in zip(seats, runs, strict=True):
                self._current = seat
                context = contextvars.copy_context()
                seat.thread = threading.Thread(target=context.run, args=(seat.work, run), daemon=True)
                seat.thread.start()
                self._hear()
            last: Seat | None = None
            while waiting := [
                Waiting(seat=seat.number, step=seat.asked[0], answered=seat.answered) for seat in seats if seat.asked
            ]:
                level = self.stands.level if self.stands else None
                chosen = next_of(waiting, level, None if last is None else last.number)
                self._current = seat = seats[chosen.seat]
                seat.perform(elsewhere=seat is not last)
                last = seat if chosen.step is not None else None  # outputs may be off, for a reason of one run's own
                self._hear()
            if self.core is not None:  # the last run never came as far as to have it
                self.core.let_go()
        self.check()

    def _hear(self) -> None:
        """Wait until the run at work asks for its next step or has ended; a signal meanwhile stops it at that step."""
        while True:
            try:
                self.heard.get()
            except KeyboardInterrupt as error:
                self.stop(error)
            else:
                return

    def stop(self, error: BaseException | None) -> None:
        """Every run ends with its next step, for the first such reason."""
        self.stopped = self.stopped or error

    def check(self) -> None:
        """Raise what stopped all runs."""
        if self.stopped is not None:
            raise self.stopped

    def told(self, what: str, text: str) -> None:
        """Something happened to the run that is at work."""
        if self._current is not None:
            self._current.told(what, text)

    def guarded(self, guard: Callable[[], AbstractContextManager[Guardian | NoGuardian]]) -> Guardian | NoGuardian:
        """The one guardian, which the first to come begins."""
        if self.guardian is None:
            self.guardian = self._held.enter_context(guard())
        return self.guardian

    def alone(self, seat: Seat) -> bool:
        """Whether no other run is there any more."""
        return self._there <= {seat}

    def leave(self, seat: Seat) -> None:
        """A run has ended; what the guardian does from here on is not its own."""
        self._there.discard(seat)
        if self.folders.pop(seat, None) is not None and self.guardian is not None and self._there:
            self.guardian.records_into(*self.folders.values())


class Lent(NoGuardian):
    """The guardian of all, as one run has it: it is sent away by the last."""

    def __init__(self, seat: Seat, guardian: Guardian | NoGuardian) -> None:
        self._seat, self._guardian = seat, guardian

    def check(self) -> None:
        """Raise SafetyError if it has gone away."""
        self._guardian.check()

    def alive(self, within_s: float) -> None:
        """Take a sign of life, of whichever run it is: one is at work at a time."""
        self._guardian.alive(within_s)

    def records_into(self, *folders: Path) -> None:
        """Also into the journal of this run."""
        (self._seat.shared.folders[self._seat],) = folders
        self._guardian.records_into(*self._seat.shared.folders.values())

    def listens(self) -> None:
        """Wait until it stands."""
        self._guardian.listens()

    def prepare(self, library: Callable[[], str]) -> None:
        """Tell it which VISA library answers here."""
        self._guardian.prepare(library)

    def ready(self) -> None:
        """Wait until it could act at once."""
        self._guardian.ready()

    def dismiss(self, on: tuple[Role, ...]) -> tuple[Role, ...]:
        """Send it away with the last run; until then no output is on, and the end of a run may take its time."""
        if self._seat.shared.alone(self._seat):
            return self._guardian.dismiss(on)
        self._guardian.alive(math.inf)
        return on


class SharedBench(LiveBench):
    """The bench as one of several runs has it: its own unit, and the instruments of all."""

    def __init__(
        self, seat: Seat, setup: Setup, drivers: Mapping[Role, Any], *, links: Mapping[Role, Link], **more: Any
    ) -> None:
        self._seat, core, self.links = seat, seat.shared.core, dict(links)
        super().__init__(setup, drivers, outputs=None if core is None else core.outputs, **more)
        seat.shared.core, seat.bench = core or self, self
        self._warned: set[str] = set()

    def _turn(self, do: Callable[[], T], step: Step | None = None) -> T:
        def as_this_run() -> T:
            self.outputs.warned = self._warned  # that an output may be on is said by every run, once
            return do()

        return self._seat.turn(as_this_run, step)

    def perform(self, step: Step) -> Reply:
        """Do what a step says when it is this run's turn."""
        return self._turn(partial(super().perform, step), step)

    def connect_again(self, connection: Connect, step: Measure | Look, stands: Standing | None) -> None:
        """The switch back to this run's unit; where its next reading is of what stands on this path, that stays.

        What is off stays off. A level stays on where it is no hazard and the switch may be worked so.
        """
        self.outputs.warned = self._warned
        before = isinstance(step, Measure) and stands == Standing(path=connection.path, level=level_of(step))
        if before and isinstance(step, Measure) and self._may_stay_on(connection, step):
            self._tried(partial(self._switch_hot, connection, step))
        else:
            super().perform(connection)
        self.settled = step.source if before else None  # if it gives just that when it is set

    def _may_stay_on(self, connection: Connect, step: Measure) -> bool:
        switch, others = self.setup.bench.switch, set(self.outputs.sources) - {step.source}
        return (
            switch is not None
            and switch.hot
            and self._route is not None
            and not connection.replugged
            and not isinstance(step.stimulus, NoSignal)
            and others <= self.outputs.dark
            and self._gives(self._role(step.source), step)
            and not limits.refusal(step, connection, self.setup)
            and not limits.hazards(step, self.setup)
            and not limits.unloaded(step).hazardous
        )

    def _switch_hot(self, connection: Connect, step: Measure) -> None:
        """The display is set for the level before that arrives; after trouble every output is off, and this goes on."""
        screen = self._role(step.display)
        self._show(step, screen)
        screen.check()
        self._by_switch()
        self._standing, self._connected = None, connection

    def prepare(self) -> None:
        """Bring the instruments to a known state; no run has begun with its steps."""
        self._turn(super().prepare)

    def try_settings(self, views: Iterable[tuple[Display, View]]) -> None:
        """Set remote displays to every view once."""
        self._turn(partial(super().try_settings, views))

    def identify(self) -> dict[Role, str]:
        """Who answers in each role."""
        return self._turn(super().identify)

    def make_safe(self) -> None:
        """Switch every source off, for all; each run has its own set again before its next reading."""
        if threading.current_thread() is self._seat.thread:
            self._turn(super().make_safe)
        else:
            super().make_safe()

    def _end(self, ended: Ending) -> Ending:
        return self._turn(partial(super()._end, ended))

    def close(self) -> None:
        """Let go of the unit, and with the last run of every instrument."""
        if not self._seat.shared.alone(self._seat):
            self.let_go("unit")
        else:
            self.let_go()
            self._seat.shared.core = None
