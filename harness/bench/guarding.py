"""A run's side of its guardian: started beforehand, told what to switch off, kept informed, sent away at the end."""

from __future__ import annotations

import json
import math
import os
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from harness.bench.guardian import GONE_S, JOB_S, Charge
from harness.errors import SafetyError
from harness.steps import SOURCES

if TYPE_CHECKING:
    from harness.files.own_files import OwnCode
    from harness.models import Setup
    from harness.steps import Role

NOT_GUARDED: Final = "not guarded"  # the event
START_S: Final = 60.0  # a fraction of a second, unless the machine is very busy
SPARE_S: Final = 0.5
"""Signs come by the thousand and are passed on once in so many seconds: every lease gets this much more."""
BEAT_S: Final = 0.5
"""How often a thread passes on by when the next sign is due. Where the work hangs it goes on doing so, and the guardian
sees the lease run out; where the whole process stands still, a stopped one say, there are no more beats."""
SILENT_S: Final = 4.0
"""So long without a beat is standing still: far more than a busy machine keeps a thread waiting. A driver of the user's
own that says it may be at work for longer may also keep the interpreter to itself for so long."""
STANDS_S: Final = 4.0  # a guardian that has answered no beat for so long is asked once more
ANSWERS_S: Final = 4.0  # and must answer within this
ORDER_S: Final = JOB_S + 4 * 120.0  # and the longest time-outs that a bench file may ask for


class NoGuardian:
    """Nothing on this bench can be switched off from outside this process: it is simulated in it, or worked by hand."""

    def check(self) -> None:
        """Nothing can have gone away."""

    def alive(self, within_s: float) -> None:
        """Nobody listens."""

    def records_into(self, *folders: Path) -> None:
        """Nothing is recorded."""

    def listens(self) -> None:
        """Nothing to wait for."""

    def prepare(self, library: Callable[[], str]) -> None:
        """Nothing to prepare."""

    def ready(self) -> None:
        """Nothing to wait for."""

    def dismiss(self, on: tuple[Role, ...]) -> tuple[Role, ...]:
        """What may still be on is not ours to switch off."""
        return on


class Guardian:
    """The other process. Whatever ends this one without `dismiss` makes it act."""

    def __init__(self, charges: tuple[Charge, ...], locks: tuple[str, ...], silent_s: float = SILENT_S) -> None:
        self._commanded: set[Role] = {charge.role for charge in charges if charge.known}
        self._until, self._told_until = math.inf, -math.inf
        self._silent_s = max(SILENT_S, silent_s)
        self._telling = threading.Lock()  # a beat may not take back what a sign has just said
        self._over, self._heard = threading.Event(), threading.Event()
        self._heard_at = math.inf  # when the last beat was answered
        self._gone = self._stepped = self._dismissed = False
        self._answers: list[dict[str, Any]] = []
        self._listens, self._is_ready = threading.Event(), threading.Event()
        try:
            self._process = subprocess.Popen(
                [sys.executable, "-P", "-W", "ignore", "-m", "harness.bench.guardian", str(os.getpid())],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                env={**os.environ, "PYTHONPATH": _import_path(), "PYTHONIOENCODING": "utf-8:backslashreplace"},
                **_apart(),
            )
        except OSError as error:
            raise _not_begun(f"cannot be started: {error.strerror or error}") from error
        assert self._process.stdin is not None
        self._pipe = self._process.stdin.fileno()
        self._listener = threading.Thread(target=self._listen, daemon=True)
        self._listener.start()
        self._send(charges=[asdict(charge) for charge in charges], locks=locks)
        if os.name == "posix":
            os.set_blocking(self._pipe, False)  # a guardian that reads no more must not hold the run up
        self._beating = threading.Thread(target=self._beat, daemon=True)
        self._beating.start()

    def listens(self) -> None:
        """Wait until it stands, before anything else; raises SafetyError if it does not."""
        if not self._listens.wait(START_S) or self._gone:
            raise _not_begun("did not start")

    def prepare(self, library: Callable[[], str]) -> None:
        """Tell it which VISA library answers here: looking for one takes as long as all the rest."""
        self._send(library=library())

    def ready(self) -> None:
        """Wait until it could act at once, before an output is switched on; it gets ready while a bench is opened."""
        if not self._is_ready.is_set() and (not self._is_ready.wait(START_S) or self._gone):
            raise _not_begun("did not get ready")

    def alive(self, within_s: float) -> None:
        """Take a sign of life: passed on at once where it asks for more time, else with the next beat."""
        with self._telling:
            self._until = time.monotonic() + within_s
            if self._until > self._told_until:
                self._tell()

    def _tell(self) -> None:
        """Say by when the next sign is due."""
        self._told_until = self._until + SPARE_S
        within_s = None if math.isinf(self._until) else max(0.0, self._told_until - time.monotonic())
        self._send(alive=within_s, beats=self._silent_s)

    def _beat(self) -> None:
        while not self._over.wait(BEAT_S):
            with self._telling:
                if not self._over.is_set():
                    self._tell()

    def _stands_still(self) -> bool:
        """Whether it does not answer; it is asked once more where it has not for a while: we may have stood still."""
        if time.monotonic() - self._heard_at < STANDS_S:
            return False
        self._heard.clear()
        with self._telling:
            self._tell()
        return not self._heard.wait(ANSWERS_S)

    def check(self) -> None:
        """Before every step: raise SafetyError if it has gone away; what is not guarded is not gone on with."""
        self._stepped = True
        if self._gone or self._process.poll() is not None:
            raise SafetyError(
                "The guardian has gone away: nobody would switch the outputs off if this program were killed. "
                "The run ends here with outputs off; resume it, and a new one stands by."
            )
        if self._stands_still():
            raise SafetyError(
                "The guardian stands still: nobody would switch the outputs off if this program were killed. "
                "The run ends here with outputs off; resume it, and a new one stands by."
            )

    def records_into(self, *folders: Path) -> None:
        """What it does belongs into the journals of these folders, and of no others any more."""
        self._send(folders=[str(folder.resolve()) for folder in folders])

    def dismiss(self, on: tuple[Role, ...]) -> tuple[Role, ...]:
        """Send it away; sources that this process could not switch off it tries first. Returns what may still be on."""
        if self._dismissed:
            return on
        self._dismissed = True
        with self._telling:  # the pipe's number may soon be another file's
            self._over.set()
        asked = [role for role in on if role in self._commanded and not self._gone]
        self._send(end="order" if asked else "farewell", roles=asked)
        try:
            self._process.wait(ORDER_S if asked else GONE_S)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        self._listener.join(GONE_S)
        for stream in (self._process.stdin, self._process.stdout):
            with suppress(OSError):
                stream.close()  # type: ignore[union-attr]  # both are pipes
        self._pipe = -1
        off = {answer["off"] for answer in self._answers}
        return tuple(role for role in on if role not in off)

    def leave(self) -> None:
        """Send it away however this is left; once there were steps, only after it has seen to the outputs itself."""
        self.dismiss(tuple(self._commanded) if self._stepped else ())

    def _send(self, **message: Any) -> None:
        try:
            os.write(self._pipe, json.dumps(message).encode() + b"\n")
        except OSError:  # it has gone away, or reads no more
            self._gone = True

    def _listen(self) -> None:
        assert self._process.stdout is not None
        with suppress(OSError, ValueError):
            for line in self._process.stdout:
                answer = json.loads(line)
                if "off" in answer:
                    self._answers.append(answer)
                if "heard" in answer and self._is_ready.is_set():
                    self._heard_at = time.monotonic()
                    self._heard.set()
                if "listens" in answer:
                    self._listens.set()
                if "ready" in answer:  # from here on it does nothing but listen
                    self._heard_at = time.monotonic()
                    self._is_ready.set()
        self._gone = True
        self._heard.set()
        self._listens.set()
        self._is_ready.set()


def charges_of(setup: Setup, roles: tuple[Role, ...], folder: Path, own: OwnCode | None = None) -> tuple[Charge, ...]:
    """The sources among the roles; of a simulated bench none, for they end with this process."""
    from drivers.loading import off_command, off_program, off_question

    if setup.bench.simulation is not None:
        return ()
    charges = []
    for role in SOURCES:
        instrument = getattr(setup.bench, role)
        if role in roles and instrument is not None:
            line = instrument.serial_line
            charges.append(
                Charge(
                    role=role,
                    label=instrument.label,
                    address=instrument.address or "",
                    command=off_command(role, setup, folder, own),
                    asks=off_question(role, setup),
                    program=off_program(role, setup, folder, own),
                    folder=str(folder.resolve()),
                    by_hand=instrument.driver == "manual",
                    timeout_s=instrument.timeout,
                    serial_line=None if line is None else line.model_dump(mode="json"),
                    link=None if instrument.link is None else instrument.link.model_dump(mode="json"),
                    tag_queries=instrument.tag_queries,
                    next_error=instrument.commands.get("next_error", ":SYST:ERR?"),
                )
            )
    return tuple(charges)


@contextmanager
def guarding(
    charges: tuple[Charge, ...], locks: tuple[str, ...], *, silent_s: float = SILENT_S
) -> Iterator[Guardian | NoGuardian]:
    """A guardian for these sources, if any can be switched off by a command; it leaves with whoever leaves this.

    `silent_s` is how long this process may be kept from everything else by a driver of the user's own.
    """
    if not any(charge.known for charge in charges):
        yield NoGuardian()
        return
    guardian = Guardian(charges, locks, silent_s)
    try:
        yield guardian
    finally:
        guardian.leave()


def unguarded(charges: tuple[Charge, ...], roles: tuple[Role, ...]) -> tuple[str, ...]:
    """What is said before a run about the sources in use that nothing switches off from outside it."""
    return tuple(
        f"The {charge.name} is NOT GUARDED: nothing is known that switches its output off from outside this program "
        "(off_command or off_from_outside of its driver, see docs/writing_a_driver.md). If this program is killed or "
        "hangs, its output stays on until it is switched off by hand."
        for charge in charges
        if charge.role in roles and not charge.by_hand and not charge.known
    )


def _import_path() -> str:
    """What can be imported here can be there, from whatever folder this was started in."""
    home = str(Path(__file__).resolve().parent.parent.parent)
    return os.pathsep.join([home, *(entry for entry in sys.path if entry)])


def _apart() -> dict[str, Any]:
    """Out of reach of Ctrl-C and of a terminal that closes."""
    if sys.platform == "win32":
        return {"creationflags": subprocess.CREATE_NEW_PROCESS_GROUP | subprocess.DETACHED_PROCESS}
    return {"start_new_session": True}


def _not_begun(what: str) -> SafetyError:
    return SafetyError(
        f"Not begun: the guardian, which switches outputs off if this program is killed, {what}. "
        f"Try '{Path(sys.executable).name} -m harness.bench.guardian 1' and see what it says."
    )
