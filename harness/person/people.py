"""The person at the bench, as a run asks them: waited for without an end, or mirrored on a simulated bench."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING, Final

from harness.person.operator import Nobody, Operator, Prompt
from harness.steps import Display, Look, Measure
from harness.words.clock import BETWEEN_SIGNS_S, OnLife

if TYPE_CHECKING:
    from harness.sim.bench import SimulatedBench

_ACROSS: Final = 10  # divisions of a drawn graticule
_WIDEST_DIVISION: Final = 6  # characters
_PICTURE_ROWS: Final = (17, 9)  # two a division, or one where there is no room, and the last line


BY_HAND: Final = "by hand"
BY_ITSELF: Final = "by itself"
_WHO: Final = {
    BY_HAND: "On the simulated bench a person at the terminal set and read.",
    BY_ITSELF: "From here on the simulated person set and read, no longer the one at the terminal.",
}


def was_by_hand(events: Iterable[str]) -> bool:
    """Whether a simulated bench was last in the hands of a person at the terminal, by the kinds of a run's events."""
    return ([False] + [what == BY_HAND for what in events if what in _WHO])[-1]


def tell_who_reads(
    on_event: Callable[[str, str], None], events: Iterable[str], operator: Operator | None, *, by_hand: bool
) -> None:
    """Tell who sets and reads from now on, where that is another than before; in a night nobody does."""
    by_hand = by_hand and not isinstance(operator, Nobody)
    if by_hand != was_by_hand(events):
        what = BY_HAND if by_hand else BY_ITSELF
        on_event(what, _WHO[what])


class Awaited:
    """A person who is waited for: that may take for ever, and is no sign that anything hangs."""

    def __init__(self, operator: Operator, on_life: OnLife) -> None:
        self._operator, self._on_life = operator, on_life

    def ask(self, prompt: Prompt) -> str:
        """Ask, and wait for as long as it takes."""
        self._on_life(math.inf)
        try:
            return self._operator.ask(prompt)
        finally:
            self._on_life(BETWEEN_SIGNS_S)

    def tell(self, text: str) -> None:
        """Pass it on."""
        self._operator.tell(text)


class Mirrored:
    """A person answers, while the simulated bench follows what they are asked to do, and shows them its screen."""

    def __init__(self, operator: Operator, simulated: SimulatedBench) -> None:
        self._operator, self._simulated = operator, simulated

    def ask(self, prompt: Prompt) -> str:
        """Do it on the simulated bench as well, or draw its screen beside the question."""
        if prompt.kind == "do":
            self._simulated.operator.ask(prompt)
        elif prompt.kind == "read" and isinstance(prompt.step, Measure):
            display, view = prompt.step.display, prompt.step.view
            self._simulated.operator.prepare(prompt)
            self._simulated.set_by_hand(display, view)
            prompt = replace(
                prompt,
                screen=partial(self._screen, display, view.channel),
                trace=partial(self._simulated.trace, display, view.channel),
            )
        elif isinstance(prompt.step, Look):
            self._simulated.operator.prepare(prompt)
        prompt = replace(prompt, hazard=False)  # there is no voltage
        return self._operator.ask(prompt)

    def _screen(self, display: Display, channel: int, columns: int, rows: int) -> list[str]:
        """The simulated screen as large as there is room for, its graticule lines on whole characters."""
        tall, low = _PICTURE_ROWS
        height = tall if rows >= tall else low
        widest = _WIDEST_DIVISION if height == tall else _WIDEST_DIVISION // 2  # a division stays about square
        across = max(1, min(widest, (columns - 1) // _ACROSS))
        return self._simulated.picture(_ACROSS * across + 1, height, display, channel)

    def tell(self, text: str) -> None:
        """Pass it on."""
        self._operator.tell(text)
