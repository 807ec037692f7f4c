"""A link that knows when it is out of step with its instrument.   [no pyvisa: the bytes come through a `Port`]

A time-out is where corruption starts: the next query is answered by the late reply, or by its tail, and that is a
valid number. So a link is clean or tainted. It is tainted before every write and clean again only after one whole
reply of the expected shape; a tainted link sends nothing until it has proved, with a counted echo, that the next
reply belongs to the next question. Over 400 lines because what keeps a link in step must be read together.

What a caller sees: `InstrumentError`, the instrument said no, which is never repeated; `LinkError`, something went
wrong on the way, and the whole point is to be done again (`repeat_point`), because nothing that was sent since the
last `check` is certain; `PowerCycled`, the same, and the settings are gone; `LinkDown`, no use to go on.
"""

from __future__ import annotations

import math
import threading
from collections import Counter
from collections.abc import Callable, Sequence
from typing import Final, Literal, TypeAlias, TypeVar

from harness.blocks import read_block
from harness.clock import Clock
from harness.errors import BusyError, HalfpowerError, InstrumentError, LinkError
from harness.port import NoLibrary, Port, PortError
from harness.replies import (
    COMPLETE,
    ERROR_ENTRY,
    EVENT_ERRORS,
    NO_VALUE,
    NUMBER,
    POWER_ON,
    code_of,
    identity_agrees,
    is_of_the_way,
    pattern,
    rooted,
    short,
    untagged,
)

EventKind: TypeAlias = Literal[
    "resync", "power_cycle", "in_doubt", "repeat", "old_errors", "query_error", "other_controller", "note"
]
OnEvent: TypeAlias = Callable[[str, str], None]
"""Told of everything a journal should keep: a kind (`EventKind`) and a sentence."""

Asked: TypeAlias = tuple[str, str]
"""A query that rides along with others, and the shape of its reply, without groups of its own."""

LONGEST_ERROR_QUEUE: Final = 32
MOST_INTRUSIONS: Final = 3
"""How often another controller may show before the run ends: once may be a front panel's work, or a slip."""
STALE_LINES: Final = 16
IN_DOUBT: Final = "may have been switched off and on"
POINT_TRIES: Final = 8
"""How often a whole point is done before its trouble is told: with a fault in every third, one in 6,000 is left."""
T = TypeVar("T")


class LinkDown(LinkError):  # noqa: N818 - the trade's word
    """The instrument stays away after every try; this part of the job ends."""


class PowerCycled(LinkError):  # noqa: N818 - says what happened
    """The instrument was switched off and on: its settings are gone and the point is to be done again."""


class NoValue(InstrumentError):  # noqa: N818 - says what happened
    """The instrument answers that it has no value: overload, no signal, or no measurement."""


class Link:
    """One instrument, in step. Owned by one thread; nothing is opened before the first use."""

    def __init__(
        self,
        port: Port,
        name: str,
        *,
        clock: Clock,
        timeout_s: float = 2.0,
        expected_identity: str | None = None,
        tag_queries: bool = False,
        on_event: OnEvent = lambda _kind, _text: None,
        tries: int = 5,
        first_wait_s: float = 0.2,
        next_error: str = ":SYST:ERR?",
        first_nonce: int = 0,
    ) -> None:
        self.name = name
        self.identity = ""
        self.epoch = 0  # grows whenever what was set before is no longer certain
        self.power_cycles = 0  # seen or not ruled out: every setting is gone
        self.counts: Counter[str] = Counter()
        self._port, self._clock, self._timeout_s = port, clock, timeout_s
        self._expected_identity, self._tagged, self.on_event = expected_identity, tag_queries, on_event
        self._tries, self._first_wait_s, self._next_error = tries, first_wait_s, next_error
        self.power_came_on = False  # whether the first answer told of a switching-on, or may have
        self._clean = self._opened = self._is_down = self._event_status_in_doubt = False
        self._standing = 0  # the number that stands in its register
        self._counted_on: int | None = None  # what stood there instead
        self._nonce = first_nonce % 256  # drawn by lot, so that two controllers do not count alike
        self._owner: int | None = None

    @property
    def clean(self) -> bool:
        """Whether the last exchange ended as it should."""
        return self._clean

    @property
    def careful(self) -> bool:
        """Whether every query is tagged: the line is poor, and time is no matter."""
        return self._tagged

    def query(self, command: str, shape: str = NUMBER, *, extra_s: float = 0.0) -> str:
        """Ask; the whole reply must match the regular expression. `extra_s` is time the instrument itself needs."""
        return self._or_refused(command, lambda: self._exchange(command, shape, extra_s))

    def query_float(
        self, command: str, *, low: float = -math.inf, high: float = math.inf, extra_s: float = 0.0
    ) -> float:
        """Ask for a number within physical bounds; raises NoValue for SCPI's "no value"."""
        value = float(self.query(command, NUMBER, extra_s=extra_s))
        if abs(value) >= NO_VALUE:
            raise NoValue(self.name, f"has no value for {command!r} (it answers {value:g})", command=command)
        if not low <= value <= high:
            raise InstrumentError(
                self.name,
                f"answers {value:g} to {command!r}, outside {low:g} to {high:g}: check its settings and connections",
                command=command,
            )
        return value

    def set(self, command: str, *, confirm: Sequence[Asked] = (), extra_s: float = 0.0) -> tuple[str, ...]:
        """Send settings and wait for them, in one message; raises InstrumentError if they are refused.

        With `confirm` the same message asks for the error queue and for what has become of the settings; its replies
        are returned, and nothing that was refused has been waited for by anybody.
        """
        if not command:
            return ()
        if not confirm:
            self._or_refused(command, lambda: self._exchange(f"{command};*OPC?", COMPLETE, extra_s))
            return ()
        entries, replies = self._or_refused(
            command, lambda: self._drained(confirm, first=f"{command};*OPC?", shape=COMPLETE, extra_s=extra_s)
        )
        self._no_entries(entries, command)
        return replies

    def query_block(self, command: str, *, expected_bytes: int | None = None, extra_s: float = 0.0) -> bytes:
        """Ask for an IEEE 488.2 block, definite or indefinite; its bytes may hold newlines."""
        return self._or_refused(command, lambda: self._exchange_block(command, expected_bytes, extra_s))

    def drain_errors(self) -> tuple[str, ...]:
        """Empty the error queue.

        The event status rides along, so that a power cycle between two points is seen: PowerCycled. A reply that gets
        lost takes an entry with it, so this is never repeated by itself: the whole point is.
        """
        return self._drained()[0]

    def check(self, confirm: Sequence[Asked] = ()) -> tuple[str, ...]:
        """Close a point: only after this may a reading be kept; returns the replies to what was asked besides.

        The number that the last echo left behind must still be there: who else counted it on is another controller.
        """
        entries, replies = self._or_refused("", lambda: self._drained(confirm, watched=True))
        self._no_entries(entries, "")
        return replies

    def _drained(
        self, confirm: Sequence[Asked] = (), *, first: str = "", shape: str = "", watched: bool = False,
        extra_s: float = 0.0,
    ) -> tuple[tuple[str, ...], tuple[str, ...]]:  # fmt: skip
        """Empty the error queue; `first` goes before it in the same message, `confirm` after it."""
        entries: list[str] = []
        status, entry, replies = self._read_status(confirm, first=first, shape=shape, watched=watched, extra_s=extra_s)
        counted_on, self._counted_on = self._counted_on, None
        while True:
            if int(status) & POWER_ON:
                self._settings_are_gone("was switched off and on")
            if counted_on is not None:
                self._intruded(counted_on)
            if code_of(entry) == 0:
                return tuple(entries), replies
            entries.append(entry)
            if len(entries) > LONGEST_ERROR_QUEUE:
                raise InstrumentError(self.name, f"its error queue does not end; last: {entry}")
            status, entry, _ = self._read_status()

    def _no_entries(self, entries: tuple[str, ...], command: str) -> None:
        if not entries:
            return
        self.epoch += 1
        self._refuse(entries, command)
        raise LinkError(self.name, f"lost a message on the way ({'; '.join(entries)}); the point does not count")

    def resync(self) -> None:
        """Get back in step; bounded tries with doubling waits, and a single one for what has stayed away before."""
        self._own()
        self._clean = False
        first = not self._opened
        problem: HalfpowerError | None = None
        wrong_identity = ""
        for attempt in range(1 if self._is_down else self._tries):
            if attempt:
                self._clock.sleep(self._first_wait_s * 2 ** (attempt - 1))
            gently = attempt == 0 and self._opened and not self._is_down
            try:
                lost_power = self._back_in_step(gently=gently)  # a reason, or ""
                break
            except _WrongIdentity as error:
                if error.identity == wrong_identity:
                    raise InstrumentError(self.name, str(error.sentence), command="*IDN?") from None
                problem, wrong_identity = error, error.identity
            except NoLibrary as error:
                raise LinkDown(self.name, f"cannot be asked from this computer: {error}") from error
            except (PortError, LinkError) as error:
                problem = error
        else:
            how = "still does not answer" if self._is_down else f"does not answer after {self._tries} tries"
            self._is_down = True
            remedy = "check that it is switched on, its cable and its address"
            raise LinkDown(self.name, f"{how} ({problem}): {remedy}") from problem
        self.epoch += 1
        self._clean = self._opened = True
        self._event_status_in_doubt = self._is_down = False
        if first:
            self.power_came_on = bool(lost_power)
            return
        self._tell("resync", "the link was out of step and is back")
        if lost_power:
            self._settings_are_gone(lost_power)

    def connect(self) -> str:
        """Open, read the identity, and clear what an earlier user left in the error queue."""
        self.resync()
        repeat_point(self.discard_errors)  # nothing is set yet, so nothing is lost with what went astray
        return self.identity

    def discard_errors(self) -> None:
        """Empty the error queue of what belongs to earlier commands; told, not raised."""
        if entries := self.drain_errors():
            self._tell("old_errors", f"held errors from before: {'; '.join(entries)}")

    def close(self) -> None:
        """Let go of the instrument."""
        self._clean = self._opened = False
        self._port.close()

    # One exchange.

    def _exchange(self, command: str, shape: str, extra_s: float, *, watched: bool = False) -> str:
        self._ready()
        message, tag = self._frame(command, watched=watched)
        head = r"(\d+);" if watched else "()"
        self._clean = False  # before the write: Ctrl-C in the middle leaves it so
        try:
            self._send(message)
            reply = self._read_line(extra_s)
        except PortError as error:
            raise LinkError(self.name, f"{command!r}: {error}", command=command) from error
        body = untagged(reply, tag)
        match = None if body is None else pattern(f"{head}({shape})").fullmatch(body)
        if match is None:
            raise LinkError(self.name, f"answers {short(reply)} to {command!r}: out of step", command=command)
        self._clean = True
        if watched and int(match.group(1)) != self._standing:
            self._counted_on = int(match.group(1))
        if watched or tag is not None:
            self._standing = int(match.group(1)) if tag is None else tag
        return str(match.group(2))

    def _exchange_block(self, command: str, expected_bytes: int | None, extra_s: float) -> bytes:
        self._ready()
        message, tag = self._frame(command)
        self._clean = False
        try:
            self._send(message)
            data, rest = read_block(self._port, expected_bytes, self._timeout_s + extra_s, tagged=self._tagged)
        except PortError as error:
            raise LinkError(self.name, f"{command!r}: {error}", command=command) from error
        if untagged(rest, tag) != "":
            raise LinkError(self.name, f"goes on with {short(rest)} after the block: out of step", command=command)
        self._clean = True
        self._standing = self._standing if tag is None else tag
        return data

    def _send(self, message: bytes) -> None:
        """Write nothing while bytes are unread: a reply that came twice would answer this, and hide a loss."""
        if self._port.unread():
            raise PortError("a reply waits that nobody asked for: out of step")
        self._port.write(message)

    def _frame(self, command: str, *, watched: bool = False) -> tuple[bytes, int | None]:
        """Return the message, and what its reply ends in; `watched`: its reply begins with the number that stood."""
        if not command.isascii() or not command.isprintable():
            raise InstrumentError(self.name, f"{command!r} cannot be sent: a command is one line of ASCII")
        before = "*ESE?;" if watched else ""
        if not self._tagged:
            return f"{before}{command}".encode("ascii"), None
        tag = self._next_nonce()
        return f"{before}*ESE {tag};{rooted(command)};*ESE?".encode("ascii"), tag

    def _read_status(
        self, confirm: Sequence[Asked] = (), *, first: str = "", shape: str = "", watched: bool = False,
        extra_s: float = 0.0,
    ) -> tuple[str, str, tuple[str, ...]]:  # fmt: skip
        """Read event status, one entry and what is confirmed; where the reply is lost, what the register said is too.

        Without an error queue the status' own error bits are the entry.
        """
        self._ready()
        asked: list[Asked] = [(first, shape)] if first else []
        asked += [("*ESR?", r"\d+"), *([(self._next_error, ERROR_ENTRY)] if self._next_error else []), *confirm]
        shapes = pattern(";".join(f"({each})" for _, each in asked))
        self._event_status_in_doubt = True
        try:
            reply = self._exchange(";".join(query for query, _ in asked), shapes.pattern, extra_s, watched=watched)
        except LinkError:
            self.resync()  # raises PowerCycled
            raise
        self._event_status_in_doubt = False
        match = shapes.fullmatch(reply)
        assert match is not None  # it has just been matched as a part of the whole reply
        status, *rest = match.groups()[bool(first) :]
        if self._next_error:
            return status, rest[0], tuple(rest[1:])
        code = next((code for bit, code in EVENT_ERRORS.items() if int(status) & bit), 0)
        return status, f'{code},"event status {status}"', tuple(rest)

    def _read_line(self, extra_s: float) -> str:
        return self._port.read_line(self._timeout_s + extra_s).decode("latin-1").strip()

    def _ready(self) -> None:
        self._own()
        if not self._clean:
            self.resync()

    def _own(self) -> None:
        here = threading.get_ident()
        if self._owner is None:
            self._owner = here
        elif self._owner != here:
            raise RuntimeError(f"{self.name}: a link belongs to the thread that first used it")

    # Refused or lost.

    def _or_refused(self, command: str, exchange: Callable[[], T]) -> T:
        """When a reply stays away, the error queue tells a refusal from a loss."""
        try:
            return exchange()
        except (LinkDown, PowerCycled):
            raise
        except LinkError:
            entries = self.drain_errors()  # back in step first
            self._refuse(entries, command)
            raise

    def _refuse(self, entries: tuple[str, ...], command: str) -> None:
        """Raise for an instrument's no; what the trouble on the way itself left in the queue is only told."""
        said_no = [entry for entry in entries if not is_of_the_way(code_of(entry))]
        if said_no:
            asked = f"refuses {command!r}: " if command else "reports "
            raise InstrumentError(self.name, asked + "; ".join(said_no), command=command)
        if entries:
            self._tell("query_error", "; ".join(entries))

    # Back in step.

    def _back_in_step(self, *, gently: bool) -> str:
        """Make the way clear, echo twice, and see who answers; return why the settings may be gone, if they may."""
        try:
            if not gently:
                raise PortError("not open")
            self._port.clear()
        except PortError:
            self._port.reopen()
        self._echo("")
        was_in_doubt, self._event_status_in_doubt = self._event_status_in_doubt, True
        status = int(self._echo("*ESR?;", r"(\d+);"))
        self._recognise()
        if status & POWER_ON:
            return "was switched off and on"
        # Reading the register clears it: a reply that was lost may have taken the power-on bit with it.
        return IN_DOUBT if was_in_doubt else ""

    def _echo(self, before: str, shape: str = "()") -> str:
        """Send a counted number and swallow what is stale until it comes back; return what came before it."""
        nonce = self._next_nonce()
        self._port.write(f"{before}*ESE {nonce};*ESE?".encode("ascii"))
        for _ in range(STALE_LINES):
            match = pattern(f"{shape}{nonce}").fullmatch(self._read_line(0.0))
            if match is not None:
                self._standing = nonce
                return str(match.group(1))
        raise PortError("no echo among its replies")

    def _recognise(self) -> None:
        """Compare the identity with the bench file's, and with the first answer; the first is asked for twice."""
        identity = self._ask_identity()
        if not self._opened and self._ask_identity() != identity:
            raise PortError("its identity changes from answer to answer")
        if self._expected_identity is not None and not identity_agrees(identity, self._expected_identity):
            raise _WrongIdentity(
                self.name,
                identity,
                f"answers as {identity!r}, but the bench file says {self._expected_identity!r}: "
                "connect the instrument that the bench file names, or correct 'identity' there",
            )
        if self.identity and identity != self.identity:
            raise _WrongIdentity(
                self.name, identity, f"answers as {identity!r}, but was {self.identity!r} when this run started"
            )
        self.identity = identity

    def _ask_identity(self) -> str:
        self._port.write(b"*IDN?")
        identity = self._read_line(0.0)
        if not identity.isprintable() or not identity:
            raise PortError(f"*IDN? is answered by {short(identity)}")
        return identity

    def _next_nonce(self) -> int:
        self._nonce = self._nonce % 255 + 1  # 1 … 255: 0 is what the register holds after power-on
        return self._nonce

    def _settings_are_gone(self, why: str) -> None:
        self.epoch += 1
        self.power_cycles += 1
        self._tell("in_doubt" if why == IN_DOUBT else "power_cycle", f"{why}; its settings are restored")
        raise PowerCycled(self.name, f"{why}, so its settings are lost and the point does not count")

    def _intruded(self, found: int) -> None:
        """The register that this link counts in holds another's number."""
        self.epoch += 1
        self._tell("other_controller", f"somebody else has written to it: a register of this run's holds {found}")
        if self.counts["other_controller"] >= MOST_INTRUSIONS:
            raise BusyError(
                f"{self.name}: another controller is at work on it. End the other program, then resume this run."
            )
        raise LinkError(self.name, "was set by another controller; the point does not count")

    def _tell(self, kind: EventKind, text: str) -> None:
        self.counts[kind] += 1
        self.on_event(kind, f"{self.name}: {text}")


class _WrongIdentity(LinkError):  # noqa: N818 - never leaves this module
    """Another instrument answers, or a reply was damaged; the second time it is believed."""

    def __init__(self, name: str, identity: str, sentence: str) -> None:
        self.identity, self.sentence = identity, sentence
        super().__init__(name, sentence)


def repeat_point(
    action: Callable[[], T], *, tries: int = POINT_TRIES, on_event: OnEvent = lambda _kind, _text: None
) -> T:
    """Do a whole point, its settings among it, again after trouble on the way; never after a refusal."""
    for attempt in range(1, tries + 1):
        try:
            return action()
        except LinkDown:
            raise
        except LinkError as error:
            if attempt == tries:
                why = str(error).removeprefix(f"{error.instrument}: ")
                tried = f"{why}; given up after {tries} tries: look at its line, its cable and its power"
                raise LinkError(error.instrument, tried, command=error.command) from error
            on_event("repeat", f"{error}; try {attempt + 1} of {tries}")
    raise AssertionError("tries is at least 1")
