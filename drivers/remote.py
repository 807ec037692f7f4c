"""What the generic SCPI drivers share: a link, a table, and a memory of what is set that forgets at any doubt.

What is set is asked back twice: in the message that sets it, before anything follows from it, and when the point is
closed, so that a reading counts only for settings that still stood after it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Final

from drivers.commands import Commands, ReadBack, Table
from harness.errors import HalfpowerError, InstrumentError, LinkError
from harness.link.link import Link, NotAsSet, NotTaken

if TYPE_CHECKING:
    from harness.steps import Role

PRESET_S: Final = 10.0  # what an instrument may need to reset itself
ALIKE: Final = 3
"""The same answer so often in a row is not the way's doing: so the instrument has taken the setting."""


class Remote:
    """Base of the generic drivers."""

    def __init__(
        self, link: Link, role: Role, table: Table, overrides: Mapping[str, str], setup: Sequence[str] = ()
    ) -> None:
        self.link = link
        self.setup = tuple(setup)  # the bench file's own, for what no table has
        self.commands = Commands(role, table, overrides)
        self._standing: tuple[int, str] | None = None  # the link's epoch and the message that holds
        self._held: tuple[ReadBack, ...] = ()  # what must still be so when the point is closed
        self._preset_in: int | None = None  # the power cycles that the link had seen by then
        self._difference: tuple[str, int] = ("", 0)  # what differed last, and how often in a row

    def identify(self) -> str:
        """Who answers."""
        return self.link.identity or self.link.connect()

    def preset(self) -> None:
        """Bring every setting to a known state, unless that is so."""
        if self._preset_in == self.link.power_cycles:
            return
        self.forget()
        self.link.set(self.commands.text("preset"), confirm=_asked(self._preset_holds()), extra_s=PRESET_S)
        for text in self.setup:
            self._own_setting(text)
        self._preset_in = self.link.power_cycles

    def _own_setting(self, text: str) -> None:
        """One of the bench file's `setup`; a refusal says whose it is."""
        try:
            self.link.set(text)
            self.link.check()
        except LinkError:
            raise
        except InstrumentError as error:
            why = str(error).removeprefix(f"{self.link.name}: ")
            raise InstrumentError(
                self.link.name, f"{why}; correct {text!r} in 'setup' of the bench file", command=text
            ) from error

    def on_trust(self) -> tuple[str, ...]:
        """What sets something that nothing asks back: commands by their keys, and a `setup` of the bench file's."""
        return (*self.commands.on_trust(), *(("setup",) if self.setup else ()))

    def check(self) -> None:
        """Close a point: no error, and everything still set as it was."""
        try:
            self._compare(self._held, self.link.check(_asked(self._held)))
        except HalfpowerError:
            self.forget()
            raise

    def close(self) -> None:
        """Let go of the instrument."""
        self.forget()
        self.link.close()

    def forget(self) -> None:
        """Hold nothing for set."""
        self._standing, self._held = None, ()

    def stands(self, message: str) -> bool:
        """Whether just this was set, and nothing has happened since that could have changed it."""
        return self.link.clean and self._standing == (self.link.epoch, message)

    def establish(self, message: str, *, before: str = "", held: Sequence[ReadBack] = (), extra_s: float = 0.0) -> None:
        """Set, unless it stands already, and have it confirmed; `before` goes in front and is not remembered."""
        if self.stands(message):
            return
        self.forget()
        self.preset()
        text = ";".join(part for part in (before, message) if part)
        try:
            replies = self.link.set(text, confirm=_asked(held), extra_s=extra_s)
        except LinkError:
            raise
        except InstrumentError as error:
            self._answers_each(held)
            why = str(error).removeprefix(f"{self.link.name}: ")
            raise NotTaken(self.link.name, why, command=error.command) from error
        self._compare(held, replies)
        self._standing = self.link.epoch, message
        self._held = tuple(back.as_answered(reply) for back, reply in zip(held, replies, strict=True))

    def _preset_holds(self) -> tuple[ReadBack, ...]:
        """What is certain after a preset."""
        return ()

    def _compare(self, held: Sequence[ReadBack], replies: Sequence[str]) -> None:
        """Raise NotAsSet for what differs; what differs alike again and again is the instrument's own: refused."""
        for back, reply in zip(held, replies, strict=True):
            if not back.agrees(reply):
                self._differs(back, reply)
        self._difference = ("", 0)

    def _differs(self, back: ReadBack, reply: str) -> None:
        self.forget()
        self._preset_in = None  # whatever else has changed with it
        difference = f"answers {reply} to {back.query!r} where {back.expected} was set"
        before, times = self._difference
        self._difference = (difference, times + 1 if difference == before else 1)
        if self._difference[1] < ALIKE:
            raise NotAsSet(self.link.name, f"{difference}; the point does not count", command=back.query)
        self._difference = ("", 0)
        raise NotTaken(
            self.link.name,
            f"{difference}, {ALIKE} times alike",
            f": it cannot be set so. Correct what the files say that it has, or 'commands.{back.key}', which asks",
            command=back.query,
            key=back.key,
        )

    def _answers_each(self, held: Sequence[ReadBack]) -> None:
        """After a refusal: was it one of the questions? Raises InstrumentError with the key that takes it out."""
        for back in held:
            try:
                self.link.query(back.query, back.shape)
            except LinkError:
                return
            except InstrumentError as error:
                reason = str(error).removeprefix(f"{self.link.name}: ")
                raise InstrumentError(
                    self.link.name,
                    f"{reason}. If it has no such query, correct 'commands.{back.key}', or write it as \"\": what is "
                    "set is taken on trust then",
                    command=back.query,
                ) from error


def _asked(held: Sequence[ReadBack]) -> tuple[tuple[str, str], ...]:
    return tuple((back.query, back.shape) for back in held)
