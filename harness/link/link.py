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
from typing import Final, Literal, NoReturn, TypeAlias, TypeVar

from harness.errors import BusyError, HalfpowerError, InstrumentError, LinkError
from harness.link.dialect import IEEE_488_2, Dialect
from harness.link.exchange import Asked, Exchanges
from harness.link.port import NoLibrary, Port, PortError
from harness.link.recognise import remedy, why_silent
from harness.link.replies import (
    ERROR_ENTRY,
    EVENT_ERRORS,
    NO_NUMBER,
    NO_VALUE,
    NUMBER,
    POWER_ON,
    WHOLE,
    code_of,
    identity_agrees,
    is_of_the_way,
    pattern,
)
from harness.words.clock import Clock

EventKind: TypeAlias = Literal[
    "resync", "power_cycle", "in_doubt", "repeat", "old_errors", "query_error", "other_controller", "note"
]
OnEvent: TypeAlias = Callable[[str, str], None]
"""Told of everything a journal should keep: a kind (`EventKind`) and a sentence."""

LONGEST_ERROR_QUEUE: Final = 32
MOST_INTRUSIONS: Final = 3
"""How often another controller may show before the run ends: once may be a front panel's work, or a slip."""
IN_DOUBT: Final = "may have been switched off and on"
POINT_TRIES: Final = 8
"""How often a whole point is done before its trouble is told: with a fault in every third, one in 6,000 is left."""
T = TypeVar("T")


class LinkDown(LinkError):  # noqa: N818 - the trade's word
    """The instrument stays away after every try; this part of the job ends."""


class PowerCycled(LinkError):  # noqa: N818 - says what happened
    """The instrument was switched off and on: its settings are gone and the point is to be done again."""


class NotAsSet(LinkError):  # noqa: N818 - says what is the matter
    """What an instrument says that it is set to is not what was sent: nothing of it is certain."""


class NotTaken(InstrumentError):  # noqa: N818 - says what is the matter
    """A setting that was refused, or, with the `key` of its question, answered as another one again and again."""

    def __init__(self, instrument: str, why: str, remedy: str = "", *, command: str = "", key: str = "") -> None:
        self.key, self.why = key, why
        super().__init__(instrument, f"{why}{remedy}", command=command)


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
        dialect: Dialect = IEEE_488_2,
    ) -> None:
        self.name = name
        self.identity = ""
        self.epoch = 0  # grows whenever what was set before is no longer certain
        self.power_cycles = 0  # seen or not ruled out: every setting is gone
        self.counts: Counter[str] = Counter()
        self._port, self._clock, self._timeout_s = port, clock, timeout_s
        self._exchanges = Exchanges(
            port, name, dialect, timeout_s=timeout_s, tag_queries=tag_queries, first_nonce=first_nonce
        )
        self._expected_identity, self.on_event, self._dialect = expected_identity, on_event, dialect
        self.careful = tag_queries  # whether every query is tagged, where it can be, and every record read twice
        self._tries, self._first_wait_s, self._next_error = tries, first_wait_s, next_error
        self.power_came_on = False  # whether the first answer told of a switching-on, or may have
        self._opened = self._is_down = self._event_status_in_doubt = False
        self._owner: int | None = None

    @property
    def clock(self) -> Clock:
        """What it waits by."""
        return self._clock

    @property
    def clean(self) -> bool:
        """Whether the last exchange ended as it should."""
        return self._exchanges.clean

    def query(self, command: str, shape: str = NUMBER, *, extra_s: float = 0.0) -> str:
        """Ask; the whole reply must match the regular expression. `extra_s` is time the instrument itself needs."""
        return self._or_refused(command, lambda: self._ready().ask(((command, shape),), extra_s)[0])

    def query_float(
        self, command: str, *, low: float = -math.inf, high: float = math.inf, extra_s: float = 0.0
    ) -> float:
        """Ask for a number within physical bounds; raises NoValue for SCPI's "no value"."""
        text = self.query(command, f"{NUMBER}|{NO_NUMBER}", extra_s=extra_s)
        value = math.inf if pattern(NO_NUMBER).fullmatch(text) else float(text)
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
            self._or_refused(
                command, lambda: self._ready().ask(self._exchanges.waits(command), extra_s, before=command)
            )
            return ()
        entries, replies = self._or_refused(command, lambda: self._drained(confirm, before=command, extra_s=extra_s))
        self._no_entries(entries, command)
        return replies

    def query_block(self, command: str, *, expected_bytes: int | None = None, extra_s: float = 0.0) -> bytes:
        """Ask for an IEEE 488.2 block, definite or indefinite; its bytes may hold newlines."""
        return self._or_refused(command, lambda: self._ready().ask_block(command, expected_bytes, extra_s))

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
        entries, replies = self._or_refused("", lambda: self._drained(confirm, watched=bool(self._dialect.echo)))
        self._no_entries(entries, "")
        return replies

    def _drained(
        self, confirm: Sequence[Asked] = (), *, before: str = "", watched: bool = False, extra_s: float = 0.0
    ) -> tuple[tuple[str, ...], tuple[str, ...]]:
        """Empty the error queue; `before` goes before it in the same message, `confirm` after it."""
        entries: list[str] = []
        status, entry, replies = self._read_status(confirm, before=before, watched=watched, extra_s=extra_s)
        counted_on, self._exchanges.counted_on = self._exchanges.counted_on, None
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
        self._exchanges.clean = False
        problem: HalfpowerError | None = None
        first, wrong_identity = not self._opened, ""
        attempt, until = 0, self._clock.now() + self._dialect.patience_s
        while True:
            gently = attempt == 0 and self._opened and not self._is_down
            try:
                lost_power = self._back_in_step(gently=gently)  # a reason, or ""
                break
            except _WrongIdentity as error:
                if error.identity == wrong_identity:
                    raise InstrumentError(self.name, str(error.sentence), command=self._dialect.identify) from None
                problem, wrong_identity = error, error.identity
            except NoLibrary as error:
                raise LinkDown(self.name, f"cannot be asked from this computer: {error}") from error
            except (PortError, LinkError) as error:
                problem = error
            attempt += 1
            if self._is_down or (attempt >= self._tries and self._clock.now() >= until):
                self._stays_away(problem, attempt)
            self._clock.sleep(self._first_wait_s * 2 ** min(attempt - 1, self._tries - 2))
        self.epoch += 1
        self._exchanges.clean = self._opened = True
        self._event_status_in_doubt = self._is_down = False
        if first:
            self.power_came_on = bool(lost_power)
            return
        self._tell("resync", "the link was out of step and is back")
        if lost_power:
            self._settings_are_gone(lost_power)

    def _stays_away(self, problem: HalfpowerError, tries: int) -> NoReturn:
        """Give up, and say what can be done about it; what has never answered is asked in smaller pieces first."""
        how = "still does not answer" if self._is_down else f"does not answer after {tries} tries"
        if not self._is_down and not self._opened and (why := why_silent(self._port, self._dialect, self._timeout_s)):
            raise InstrumentError(self.name, why)
        self._is_down = True
        raise LinkDown(self.name, f"{how} ({problem})", remedy=remedy(problem)) from problem

    def connect(self) -> str:
        """Open, read the identity, and clear what an earlier user left in the error queue."""
        self.resync()
        repeat_point(self.discard_errors)  # nothing is set yet, so nothing is lost with what went astray
        return self.identity

    def discard_errors(self) -> None:
        """Empty the error queue of what belongs to earlier commands; told, not raised."""
        if entries := self.drain_errors():
            self._tell("old_errors", f"held errors from before: {'; '.join(entries)}")

    def abandon(self) -> None:
        """Ask, and go away before the answer comes, as if it were lost: for whoever tries an instrument out."""
        ready = self._ready()
        try:
            ready.abandon(self._dialect.identify or self._dialect.done)
        except PortError as error:
            raise LinkError(self.name, str(error)) from error

    def close(self) -> None:
        """Let go of the instrument."""
        self._exchanges.clean = self._opened = False
        self._port.close()

    def _read_status(
        self, confirm: Sequence[Asked] = (), *, before: str = "", watched: bool = False, extra_s: float = 0.0
    ) -> tuple[str, str, tuple[str, ...]]:
        """Read event status, one entry and what is confirmed; where the reply is lost, what the register said is too.

        Without an error queue the status' own error bits are the entry.
        """
        self._ready()
        status_query, waits = self._dialect.status, self._exchanges.waits(before)
        asked = [*waits, *([(status_query, WHOLE)] if status_query else [])]
        asked += [*([(self._next_error, ERROR_ENTRY)] if self._next_error else []), *confirm]
        self._event_status_in_doubt = bool(status_query)
        try:
            replies = list(self._ready().ask(asked, extra_s, before=before, watched=watched)[len(waits) :])
        except LinkError:
            self.resync()  # raises PowerCycled
            raise
        self._event_status_in_doubt = False
        status = replies.pop(0) if status_query else "0"
        code = next((code for bit, code in EVENT_ERRORS.items() if int(status) & bit), 0)
        entry = replies.pop(0) if self._next_error else f'{code},"event status {status}"'
        return status, entry, tuple(replies)

    def _ready(self) -> Exchanges:
        """In step, whatever it takes."""
        self._own()
        if not self._exchanges.clean:
            self.resync()
        return self._exchanges

    def _own(self) -> None:
        here = threading.get_ident()
        if self._owner is None:
            self._owner = here
        elif self._owner != here:
            raise RuntimeError(f"{self.name}: a link belongs to the thread that first used it")

    # Refused or lost.

    def _or_refused(self, command: str, exchange: Callable[[], T]) -> T:
        """When a reply stays away, the error queue tells a refusal from a loss, and from a power cycle."""
        try:
            return exchange()
        except LinkDown:
            raise
        except LinkError:
            entries = self.drain_errors()  # back in step first
            self._refuse(entries, command)
            raise

    def _refuse(self, entries: tuple[str, ...], command: str) -> None:
        """Raise for an instrument's no; what the trouble on the way itself left in the queue is only told."""
        said_no = [entry for entry in entries if not is_of_the_way(code_of(entry))]
        if said_no:
            self._exchanges.absolve()
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
        if self._dialect.echo:
            self._exchanges.echo("")
        was_in_doubt, self._event_status_in_doubt = self._event_status_in_doubt, bool(self._dialect.status)
        status = self._exchanges.status()
        self._recognise()
        if status & POWER_ON:
            return "was switched off and on"
        # Reading the register clears it: a reply that was lost may have taken the power-on bit with it.
        return IN_DOUBT if was_in_doubt else ""

    def _recognise(self) -> None:
        """Compare the identity with the bench file's, and with the first answer; the first is asked for twice.

        Without an echo it is asked for twice every time: two answers alike are what shows that the link is in step.
        """
        if not self._dialect.identify:
            return
        identity = self._exchanges.identity()
        if not (self._opened and self._dialect.echo) and self._exchanges.identity() != identity:
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

    def _settings_are_gone(self, why: str) -> None:
        self.epoch += 1
        self.power_cycles += 1
        self._tell("in_doubt" if why == IN_DOUBT else "power_cycle", f"{why}; its settings are restored")
        raise PowerCycled(self.name, f"{why}, so its settings are lost and the point does not count")

    def _intruded(self, number: int) -> None:
        """The register that this link counts in holds another's number."""
        self.epoch += 1
        if number in self._exchanges.sent:  # a message of its own that was given up
            raise NotAsSet(self.name, f"has obeyed an earlier message late ({number}); the point does not count")
        self._tell("other_controller", f"somebody else has written to it: a register of this run's holds {number}")
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
