"""Whether a driver and its instrument keep their role's protocol: for a test of your own, and for `halfpower try-out`.

No plug-in and no fixture: `assert wrong(tried("calibrator", driver, link=link)) == []` in any test. Nothing is put out
above `HARMLESS_V`, and every output is switched off at the end.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Any, Final

from drivers import longest_s
from drivers.commands import Commands
from drivers.remote import Remote
from harness.errors import HalfpowerError, InstrumentError, LinkError
from harness.link.link import NoValue, repeat_point
from harness.models import Calibrator, Generator, Instrument, Reference
from harness.quantities import counted, show
from harness.steps import SOURCES, View
from harness.words.clock import OnLife, no_sign
from harness.words.found import Found, Line, Word, wrong
from harness.words.signals import describe
from sequences.known import HARMLESS_V, any_unit, harmless, views

if TYPE_CHECKING:
    from drivers.trial import Trial
    from harness.link.link import Link
    from harness.models import Unit
    from harness.steps import Role, Stimulus

__all__ = ["HARMLESS_V", "Found", "any_unit", "tried", "wrong"]

NO_COMMAND: Final = "NOSUCHTHING"
"""A header of the standard's form that no instrument has, SCPI-1999 volume 1, 6.2.1: at most twelve letters."""
COUNTED_HZ: Final = 1e6
_MODELS: Final = {"calibrator": Calibrator, "generator": Generator, "reference": Reference}
MOST_CALLS: Final = 8  # of a driver, in one check
FIELDS: Final = 4  # of an identity, IEEE 488.2, clause 10.14


@dataclass(frozen=True, slots=True, kw_only=True)
class Subject:
    """What is tried: a driver, connected as a run would use it, with all that is known of its instrument."""

    role: Role
    driver: Any
    link: Link | None = None
    model: Any = None  # the bench file's section as a value
    unit: Unit | None = None
    routes: tuple[str, ...] = ()
    on_life: OnLife = no_sign

    # What every instrument does.

    def basics(self) -> Iterator[Found]:
        """Identity, error queue, a refusal told apart from a loss."""
        yield self._found("identity", self._identity)
        link = self.link
        if link is not None and link.identity and self.model.identity is None and self.role != "unit":
            line = Line("identity", link.identity, "no other instrument is then taken for it")
            said = "nothing is said of it, so that any instrument would do"
            yield Found(check="identity in the bench file", word="pass", said=said, lines=(line,))
        yield self._found("error queue", self._empty)
        if link is None:
            said = "its driver has no link of this program, so that nothing can be refused or lost on purpose"
            yield Found(check="refusal and loss", word="not tried", said=said)
            return
        yield self._found("refusal", partial(_refusal, link))
        yield self._found("loss", partial(self._loss, link))

    def _identity(self) -> str:
        first, second = self.driver.identify(), self.driver.identify()
        if not isinstance(first, str) or not first.strip():
            raise _Wrong(f"says {first!r} of itself; expected text")
        if first != second:
            raise _Wrong(f"answers first as {first!r}, then as {second!r}")
        fields = first.count(",") + 1
        return f"answers as {first!r}" + ("" if fields == FIELDS else f", which has {counted(fields, 'field')}, not 4")

    def _empty(self) -> str:
        repeat_point(self.driver.check)
        return "empty, and read to its end"

    def _loss(self, link: Link) -> str:
        before, identity = link.epoch, link.identity
        link.abandon()
        try:
            repeat_point(self.driver.check)
        except LinkError:
            raise
        except InstrumentError as error:
            raise _Wrong(f"takes a reply that came too late for a no: {said_by(error)}") from error
        if link.epoch == before:
            raise _Wrong("goes on after a lost reply as if nothing had been: what was set is not certain any more")
        if link.identity != identity or not self.driver.identify():
            raise _Wrong("takes a late reply for the next answer")
        return "a reply that came too late was thrown away, and what was set before is taken for uncertain"

    # The commands of a generic driver.

    def commands(self) -> Trial:
        """Every command of a generic driver's table, each by itself."""
        from drivers.every_command import try_commands

        return try_commands(
            self.driver, signals=self.signals[0], views=self.views, routes=self.routes, frequency_hz=COUNTED_HZ,
            calibrator=self.model if isinstance(self.model, Calibrator) else None,
        )  # fmt: skip

    def _found(self, check: str, action: Callable[[], str]) -> Found:
        """Do one check; whatever goes wrong in it is what was found."""
        self.on_life(MOST_CALLS * longest_s(self.driver))
        word: Word = "fail"
        try:
            said, word = action(), "pass"
        except LinkError as error:
            said = f"loses what is sent or answered: {said_by(error)}"
        except (HalfpowerError, _Wrong) as error:
            said = said_by(error)
        except Exception as error:  # noqa: BLE001 - a driver of the user's own may raise anything
            said = f"raises {type(error).__name__}: {error}"
        return Found(check=check, word=word, said=said)

    # What the role asks for.

    @property
    def signals(self) -> tuple[Mapping[str, Sequence[Stimulus]], tuple[str, ...]]:
        """What is put out, and what is not."""
        return harmless(self.model) if self.role in SOURCES else ({}, ())

    @property
    def views(self) -> tuple[View, ...]:
        """How a display is set."""
        if self.role == "reference":
            return views(self.model.volts_per_div, self.model.s_per_div, (self.model.channel,))
        unit = self.unit or any_unit()
        return views(unit.volts_per_div, unit.s_per_div, (1, unit.channels))

    def protocol(self) -> Iterator[Found]:
        """Settings absolute and repeatable, output off believed and read back, answers that are numbers."""
        match self.role:
            case "calibrator" | "generator":
                yield from self._source()
            case "unit" | "reference":
                if getattr(self.model, "kind", "scope") == "scope":
                    yield self._found("settings", self._shown)
            case "counter":
                yield self._found("counts", self._counts)
            case "switch":
                for route in self.routes:
                    yield self._found(f"route {route}", partial(self._closed, route))
            case "meter":
                yield self._found("the room", self._room)

    def _source(self) -> Iterator[Found]:
        signals, left_out = self.signals
        yield (off := self._found("output off", partial(self._off, [pair[0] for pair in signals.values()])))
        if off.word == "fail":
            yield Found(check="settings", word="not tried", said="its output does not go off as it should")
            return
        try:
            for name, pair in signals.items():
                yield self._found(f"settings: {name.replace('_', ' ')}", partial(self._applied, pair))
            for said in left_out:
                yield Found(check="settings", word="not tried", said=said)
        finally:
            self.off()

    def off(self) -> None:
        """Switch its output off, if it has one; whether that goes well is a check of its own."""
        with suppress(HalfpowerError):
            if self.role in SOURCES:
                self.driver.off()

    def _point(self, action: Callable[..., object], value: object) -> None:
        """Set something, and close the point."""
        action(value)
        self.driver.check()

    def _again(self, action: Callable[..., object], first: object, second: object) -> None:
        """Set one thing, another, and the first again."""
        for each in (first, second, first):
            repeat_point(partial(self._point, action, each))

    def _applied(self, pair: Sequence[Stimulus]) -> str:
        self._again(self.driver.apply, *pair)
        return f"{describe(pair[0])}, then {describe(pair[1])}, then the first again"

    def _shown(self) -> str:
        first, second = (
            View(channel=v.channel, volts_per_div=v.volts_per_div, s_per_div=v.s_per_div) for v in self.views[:2]
        )
        self._again(self.driver.show, first, second)
        words = [
            f"{show(v.volts_per_div, 'V')}/div and {show(v.s_per_div, 's')}/div on channel {v.channel}"
            for v in (first, second)
        ]
        return f"{words[0]}, then {words[1]}, then the first again"

    def _off(self, signals: Sequence[Stimulus]) -> str:
        driver, link = self.driver, self.link
        said = "was not switched on, as no setting was taken; goes off"
        with suppress(HalfpowerError):
            for signal in signals[:1]:
                repeat_point(partial(driver.apply, signal))
                said = "goes off when it is on, and when it is off already"
        driver.off()
        driver.off()
        if link is not None:
            with suppress(InstrumentError):
                link.set(NO_COMMAND)
            driver.off()
            repeat_point(link.discard_errors)
            said += ", and after it has refused something"
        commands = getattr(driver, "commands", None)
        backs = commands.read_backs("output", on=0) if isinstance(commands, Commands) else ()
        if not backs or link is None:
            return f"{said}; nothing asks back whether it is off, which is taken on trust"
        reply = repeat_point(partial(link.query, backs[0].query, backs[0].shape))
        if not backs[0].agrees(reply):
            raise _Wrong(f"answers {reply} to {backs[0].query!r} after it was switched off")
        return f"{said}; it answers {reply} to {backs[0].query!r}"

    def _counts(self) -> str:
        try:
            frequency_hz = repeat_point(partial(self.driver.read_frequency_hz, COUNTED_HZ))
        except NoValue:
            return "says that it has no value: nothing is connected"
        self.driver.check()
        if not math.isfinite(frequency_hz):
            raise _Wrong(f"counts {frequency_hz}; expected a number, or InstrumentError where there is none")
        return f"counts {show(frequency_hz, 'Hz', 10)}"

    def _closed(self, route: str) -> str:
        for _ in range(2):
            repeat_point(partial(self._point, self.driver.route, route))
        return "closed twice in a row"

    def _room(self) -> str:
        warm, humid = repeat_point(self.driver.read_room)
        self.driver.check()
        if not math.isfinite(warm) or not math.isfinite(humid or 0.0):
            raise _Wrong(f"measures {warm} °C and {humid} %; expected numbers, or InstrumentError where there are none")
        return f"{warm:.1f} °C" + ("" if humid is None else f", {humid:.0f} %")


def tried(
    role: Role,
    driver: Any,
    *,
    link: Link | None = None,
    model: Any = None,
    unit: Unit | None = None,
    routes: Sequence[str] = (),
) -> Iterator[Found]:
    """
    Try a driver of a role; yields what was found, check by check.

    Parameters
    ----------
    role, driver
        Which protocol, and who should keep it; it is connected already.
    link
        Its link, where it has one: without it nothing is refused or lost on purpose.
    model, unit
        The bench file's section and the unit file as values; what every one of the role has, if left out.
    routes
        Channel lists that a switch may close.
    """
    made = model or _MODELS.get(role, Instrument)()
    subject = Subject(role=role, driver=driver, link=link, model=made, unit=unit, routes=tuple(routes))
    try:
        yield from subject.basics()
        if isinstance(driver, Remote):
            yield from of_commands(subject.commands())
        yield from subject.protocol()
    finally:
        subject.off()


def of_commands(trial: Trial, timeout_s: float | None = None) -> Iterator[Found]:
    """What the trial of a driver's commands found, and whether it answers in time."""
    words = [each.word for each in trial.found if each.word in ("fail", "conditional pass")]
    said = f"{counted(len({name for name, *_ in trial.rows}), 'command')} tried, each by itself: "
    said += f"{len(words)} not as the table has it" if words else "all taken as the table has it"
    yield Found(check="commands", word=max(words, default="pass"), said=said)  # "fail" is the last of them
    yield from trial.found
    if timeout_s is not None:
        late = trial.longest_s > timeout_s / 2
        said = f"the longest answer took {show(trial.longest_s, 's', 2)}, and {show(timeout_s, 's')} are waited for"
        lines = (in_time(trial.longest_s),) if late else ()
        yield Found(check="answers in time", word="conditional pass" if late else "pass", said=said, lines=lines)


def in_time(longest_s: float) -> Line:
    """The time-out that goes with an answer after so long."""
    return Line("timeout", show(math.ceil(3 * longest_s), "s"), f"an answer took {show(longest_s, 's', 2)}")


def _refusal(link: Link) -> str:
    try:
        link.set(NO_COMMAND)
        link.check()
    except LinkError as error:
        raise _Wrong(f"nothing tells its no from a reply that was lost: {said_by(error)}") from error
    except InstrumentError as error:
        repeat_point(link.check)
        return said_by(error)
    raise _Wrong(f"takes {NO_COMMAND!r} without a word: what it refuses would go unseen")


# --- what was found -----------------------------------------------------------------------------------------------


class _Wrong(Exception):  # noqa: N818 - never leaves this module
    """What an instrument or its driver does wrong, in a sentence without its subject."""


def said_by(error: Exception) -> str:
    """What an error says of an instrument, without its name."""
    return str(error).removeprefix(f"{getattr(error, 'instrument', '')}: ")
