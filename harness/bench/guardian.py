"""The guardian: a small process beside a run that switches its sources off when the run no longer can.

`python -m harness.bench.guardian`, started by `bench.guarding` before anything is opened. Over its standard input it is
handed what to switch off and how, then signs of life, and at a normal end a farewell, after which it is gone. Whoever
was killed says none: the system closes the pipe, and that is the order to act. A sign of life is two leases: by when
the run's work is heard of again, and by when the small thread that passes this on is. If either runs out, the run hangs
or stands still as a whole. Then it is killed first, since it may come back to life and switch on again, and an
instrument that serves one connection is not free before; the journal is safe, every line was on disk before anything
followed from it. Each sign is answered, so that the run knows of a guardian that stands still.

It listens to no signal, so that Ctrl-C, a closed terminal or an order to end reach the run alone. It replaces no
emergency stop and no interlock: it is a program on the same computer, and a command on its way can be lost.
"""

from __future__ import annotations

import json
import math
import os
import queue
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from contextlib import ExitStack, suppress
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from harness.errors import BusyError, HalfpowerError, InstrumentError, LinkError, kept
from harness.words.clock import RealClock, stamp

if TYPE_CHECKING:
    from harness.link.visa import ResourceManagerFactory
    from harness.models import SerialLine
    from harness.steps import Role

JOB_S: Final = 15.0
"""How long an instrument that does not answer is tried; then a person has to go there, and is told so."""
FIRST_WAIT_S: Final = 0.1  # between tries, doubling: an instrument may need a moment to let a dead connection go
LONGEST_WAIT_S: Final = 1.0
REFUSALS: Final = 3
GRACE_S: Final = 0.1  # a sign may be in the pipe already when its lease runs out
LOOK_S: Final = 1.0  # a child that the run forked may hold the pipe open: look whether the run itself is there
GONE_S: Final = 2.0  # how long a killed process may take to end
LETS_GO_S: Final = 0.5  # and its locks to be free
ASLEEP_S: Final = 2.0
"""A wait that takes so much longer than it should: the machine slept, or was stopped, and the run with it."""


WHAT: Final = {
    "killed": "was killed",
    "hung": "gave no sign of life in time and was ended",
    "stands still": "stood still and was ended",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Charge:
    """One source: where it is and what switches it off; no command: a person has to."""

    role: Role
    label: str
    address: str = ""
    command: str = ""
    asks: Sequence[str] = field(default=("", ""), hash=False)  # asks whether it is off; what it says then
    # What a driver of the user's own names instead: a command line, and where it is run.
    program: Sequence[str] = field(default=(), hash=False)
    folder: str = "."
    by_hand: bool = False
    timeout_s: float = 2.0
    serial_line: Mapping[str, Any] | None = field(default=None, hash=False)
    link: Mapping[str, Any] | None = field(default=None, hash=False)
    tag_queries: bool = False
    next_error: str = ""

    @property
    def known(self) -> bool:
        """Whether there is anything that switches it off from outside the run."""
        return bool(self.command or self.program)

    @property
    def name(self) -> str:
        """As sentences call it."""
        return f"{self.role} ({self.label})"


@dataclass(slots=True, kw_only=True)
class Watch:
    """What has been heard from the run so far."""

    parent: int
    charges: tuple[Charge, ...] = ()
    locks: tuple[str, ...] = ()
    folders: tuple[Path, ...] = ()
    until: float = math.inf
    beats_until: float = math.inf
    messages: queue.SimpleQueue[Mapping[str, Any] | None] = field(default_factory=queue.SimpleQueue)
    now: Callable[[], float] = time.monotonic
    _factory: ResourceManagerFactory | None = None

    def wait(self) -> str:
        """Listen until there is something to do: "order", "killed", "hung" or "stands still"."""
        while True:
            began, next_s = self.now(), min(self.until, self.beats_until) - self.now()
            wait_s = max(GRACE_S, min(LOOK_S, next_s))
            try:
                message = self.messages.get(timeout=wait_s)
            except queue.Empty:
                over_s = self.now() - began - wait_s
                if over_s > ASLEEP_S:  # some clocks count the sleep of the machine: the run has its leases still
                    self.until, self.beats_until = self.until + over_s, self.beats_until + over_s
                if self.now() > self.until:
                    return "hung"
                if self.now() > self.beats_until:
                    return "stands still"
                if os.name == "posix" and os.getppid() != self.parent:
                    return "killed"
                continue
            if message is None:
                return "killed"
            if end := self._heard(message):
                return end

    def _heard(self, message: Mapping[str, Any]) -> str:
        match message:
            case {"charges": charges, "locks": locks}:
                self.charges, self.locks = tuple(Charge(**charge) for charge in charges), tuple(locks)
            case {"alive": within_s, "beats": beats_s}:
                self.until = self.now() + (math.inf if within_s is None else within_s)
                self.beats_until = self.now() + beats_s
                _answer(heard=True)
            case {"library": library}:
                self.factory(library)
                _answer(ready=True)
            case {"folders": folders}:
                self.folders = tuple(map(Path, folders))
            case {"end": end, "roles": roles}:
                self.charges = tuple(charge for charge in self.charges if charge.role in roles)
                return str(end)
        return ""

    def factory(self, library: str = "") -> ResourceManagerFactory:
        """Managers of the run's own VISA library, opened beforehand; of whichever is found where none was named."""
        if self._factory is None:
            from harness.link.visa import resource_manager

            self._factory = resource_manager(library)
            self._factory()
        return self._factory

    def kill(self) -> bool:
        """End the run that hangs; whether it is gone for certain."""
        if os.name != "posix" or os.getppid() == self.parent:  # on POSIX nobody else can have its number
            with suppress(OSError):
                os.kill(self.parent, getattr(signal, "SIGKILL", signal.SIGTERM))
        until = time.monotonic() + GONE_S
        while time.monotonic() < until:
            with suppress(queue.Empty):
                if self.messages.get(timeout=GRACE_S) is None:
                    return True
            if os.name == "posix" and os.getppid() != self.parent:
                return True
        return False


def main() -> None:
    """Wait for the end of a run, and make it a safe one."""
    for name in ("SIGINT", "SIGTERM", "SIGHUP", "SIGQUIT", "SIGTSTP", "SIGBREAK"):
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), signal.SIG_IGN)
    watch = Watch(parent=int(sys.argv[1]))
    threading.Thread(target=_listen, args=(watch.messages,), daemon=True).start()
    _answer(listens=True)
    import harness.link.link
    import harness.link.visa  # noqa: F401 - both are needed in a hurry

    match watch.wait():
        case "order":  # the run could not do it itself, and tells what comes of it
            Work(watch.charges, watch.factory(), on_off=lambda charge: _answer(off=charge.role)).problems()
        case why:
            _act(watch, why)
    os._exit(0)  # a thread may hang in its interface for ever


def _listen(messages: queue.SimpleQueue[Mapping[str, Any] | None]) -> None:
    with suppress(OSError, ValueError):  # a torn line can only be the last
        for line in sys.stdin.buffer:
            message = json.loads(line)
            if message.get("end") == "farewell":
                os._exit(0)  # at once, whatever is being imported: whoever waits for us waits no longer than it must
            messages.put(message)
    messages.put(None)


def _answer(**message: object) -> None:
    with suppress(OSError):
        sys.stdout.write(json.dumps(message) + "\n")
        sys.stdout.flush()


# --- acting ------------------------------------------------------------------------------------------------------


def _act(watch: Watch, why: str) -> None:
    if not watch.charges:
        return
    voice = Voice()
    gone = why == "killed" or watch.kill()
    voice.say(f"The run {WHAT[why]}. Its sources are being switched off.")
    work = Work(watch.charges, watch.factory(), on_off=voice.is_off)  # what follows may take its time
    if not gone:
        voice.say(
            "The run hangs and cannot be ended: it may switch an output on again. Switch the sources off by hand.",
            "outputs",
        )
    with ExitStack() as stack:
        mine = _hold(watch, stack)
        if not mine:  # the next run is at work already, and switches everything off before its own first step
            work.until = time.monotonic()
        for problem in work.problems():
            voice.say(problem, "outputs")
        for folder in watch.folders if gone and mine else ():
            _record(folder, voice)
            voice.say(kept("halfpower resume", folder))
    voice.finish()


def _hold(watch: Watch, stack: ExitStack) -> bool:
    """Keep the next run on this bench waiting as long as two could speak to one instrument."""
    from harness.journal.lock import hold, holder

    until = time.monotonic() + LETS_GO_S
    while True:
        try:
            stack.enter_context(hold(watch.locks, guardian=True))
        except (BusyError, OSError):
            if time.monotonic() > until:  # held by what the run itself left behind, or by another run
                return all(holder(name) == watch.parent for name in watch.locks)
            time.sleep(GRACE_S / 10)
        else:
            return True


def _record(folder: Path, voice: Voice) -> None:
    from harness.journal.journal import Journal

    try:
        journal, _ = Journal.reopen(folder, stamp=partial(stamp, RealClock()))
        for what, text in voice.said:
            journal.event("", what, text)
        journal.close()
    except HalfpowerError as error:
        voice.say(f"Not recorded: {error}")


class Voice:
    """Says things on standard error without ever waiting for a reader: the terminal may be closed, a pipe full."""

    def __init__(self) -> None:
        self.said: list[tuple[str, str]] = []
        self._lines: queue.SimpleQueue[str | None] = queue.SimpleQueue()
        self._thread = threading.Thread(target=self._speak, daemon=True)
        self._thread.start()

    def say(self, text: str, what: str = "guardian") -> None:
        """One line, and one event of the journal."""
        self.said.append((what, text))
        self._lines.put(text)

    def is_off(self, charge: Charge) -> None:
        """Say what was done."""
        says = "says so" if charge.asks[0] else "took the command and reports no error"
        self.say(f"The output of the {charge.name} is off: it {says}.")

    def finish(self) -> None:
        """Wait a moment for the last line."""
        self._lines.put(None)
        self._thread.join(GONE_S)

    def _speak(self) -> None:
        from harness.words.clean import clean

        with suppress(OSError, ValueError):
            while (text := self._lines.get()) is not None:
                sys.stderr.write(f"halfpower guardian: {clean(text)}\n")
                sys.stderr.flush()


class Work:
    """Switching every source off, all at the same time: one that hangs delays no other."""

    def __init__(
        self, charges: tuple[Charge, ...], factory: ResourceManagerFactory, on_off: Callable[[Charge], None]
    ) -> None:
        self.until = time.monotonic() + JOB_S
        self._charges, self._factory, self._on_off = charges, factory, on_off
        self._results: dict[str, str] = {}
        self._threads = [threading.Thread(target=self._job, args=(charge,), daemon=True) for charge in charges]
        for thread in self._threads:
            thread.start()

    def problems(self) -> list[str]:
        """Wait for the end; a sentence for each output that may still be on."""
        for thread, charge in zip(self._threads, self._charges, strict=True):
            # A call that the interface does not return from is not waited for beyond two more of its time-outs.
            thread.join(max(0.0, self.until - time.monotonic()) + 2 * charge.timeout_s)
        results = {charge: self._results.get(charge.role, "its interface hangs.") for charge in self._charges}
        return [
            f"The output of the {charge.name} may still be ON: {problem} Switch it off by hand."
            for charge, problem in results.items()
            if problem
        ]

    def _job(self, charge: Charge) -> None:
        problem = self._tried(charge) if charge.known else "no command for it is known."
        self._results[charge.role] = problem
        if not problem:
            self._on_off(charge)

    def _tried(self, charge: Charge) -> str:
        """Try until it is confirmed or time is up; what was wrong last."""
        wait_s, refusals = FIRST_WAIT_S, 0
        while True:
            try:
                _run_program(charge, self.until) if charge.program else _command(charge, self._factory)
            except HalfpowerError as error:
                problem = f"{str(error).rstrip('.')}."
                refusals += isinstance(error, InstrumentError) and not isinstance(error, LinkError)
            except Exception as error:  # noqa: BLE001 - whatever a VISA library throws, there is another try
                problem = f"{type(error).__name__}: {error}."
            else:
                return ""
            if time.monotonic() + wait_s > self.until or refusals >= REFUSALS:
                return problem
            time.sleep(wait_s)
            wait_s = min(2 * wait_s, LONGEST_WAIT_S)


def _run_program(charge: Charge, until: float) -> None:
    """Run what the driver names, and see that it ends well: within the time that all have, and at least once."""
    left_s = max(LONGEST_WAIT_S, until - time.monotonic())
    try:
        done = subprocess.run(
            charge.program, cwd=charge.folder, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE, encoding="utf-8", errors="replace", timeout=left_s, check=False,
        )  # fmt: skip
    except subprocess.TimeoutExpired:
        raise InstrumentError(charge.name, f"{charge.program[0]} did not end within {left_s:.0f} s") from None
    except OSError as error:
        raise InstrumentError(charge.name, f"{charge.program[0]} cannot be run: {error.strerror}") from None
    if done.returncode != 0:
        last = (done.stderr.strip().splitlines() or ["and says nothing"])[-1]
        raise InstrumentError(charge.name, f"{charge.program[0]} ends with {done.returncode}: {last}")


def _command(charge: Charge, factory: ResourceManagerFactory) -> None:
    """Send the command at once, and only then see that it was understood: an echo, again the command, no error."""
    from harness.link.dialect import Dialect
    from harness.link.link import Link
    from harness.link.visa import VisaPort

    clock = RealClock()
    dialect = Dialect.of(charge.link)
    port = VisaPort(charge.address, factory=factory, clock=clock, serial_line=_serial_line(charge), dialect=dialect)
    try:
        port.reopen()
        for message in dialect.messages(charge.command):
            port.write(message.encode("ascii"))
        link = Link(
            port,
            charge.name,
            clock=clock,
            timeout_s=charge.timeout_s,
            tag_queries=charge.tag_queries,
            tries=1,
            next_error=charge.next_error,
            dialect=dialect,
        )
        link.connect()
        link.set(charge.command)
        query, off = charge.asks
        link.check([(query, off)] if query else ())
    finally:
        port.close()


def _serial_line(charge: Charge) -> SerialLine | None:
    if charge.serial_line is None:
        return None
    from harness.models import SerialLine

    return SerialLine.model_validate(charge.serial_line)


if __name__ == "__main__":
    main()
