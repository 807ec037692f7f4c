"""What a person is to do before they answer next: gathered, and asked in the question that wants an answer.

Nothing counts as done before that answer. What is dropped without one leaves in doubt whatever it was to change.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace

from harness.person.operator import Prompt


def _nothing() -> None:
    """Nobody needs to know."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Errand:
    prompt: Prompt
    done: Callable[[], None]
    doubt: Callable[[], None]


@dataclass(slots=True)
class Errands:
    """The errands of one bench, in the order in which hands do them."""

    _waiting: list[_Errand] = field(default_factory=list)
    _doubts: list[Callable[[], None]] = field(default_factory=list)

    def add(self, prompt: Prompt, *, done: Callable[[], None] = _nothing, doubt: Callable[[], None] = _nothing) -> None:
        """Have this done with the next answer; `doubt` is called where none comes."""
        self._waiting.append(_Errand(prompt=prompt, done=done, doubt=doubt))

    def or_else(self, doubt: Callable[[], None]) -> None:
        """Where something waits: call this as well if no answer comes."""
        if self._waiting:
            self._doubts.append(doubt)

    @property
    def waiting(self) -> tuple[Prompt, ...]:
        """What is to be done."""
        return tuple(errand.prompt for errand in self._waiting)

    def with_question(self, prompt: Prompt) -> Prompt:
        """The question, with what is to be done before it."""
        return replace(prompt, first=self.waiting)

    def alone(self) -> Prompt:
        """All of it as something to do, where no question follows."""
        *first, last = self.waiting
        return replace(last, first=tuple(first))

    def settled(self) -> None:
        """The answer came: all of it was done."""
        waiting, self._waiting = self._waiting, []
        self._doubts.clear()
        for errand in waiting:
            errand.done()

    def drop(self) -> None:
        """No answer came: nobody knows how much of it was done."""
        doubts = [*(errand.doubt for errand in self._waiting), *self._doubts]
        self._waiting.clear()
        self._doubts.clear()
        for doubt in doubts:
            doubt()
