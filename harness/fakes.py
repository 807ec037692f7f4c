"""Fakes of the boundaries, for tests of a driver or a sequence of your own: an instrument, a person, a line, a clock.

They do what the real ones do, as simply as can be; docs/python.md has an example. A whole simulated bench is
`harness.sim.bench.SimulatedBench`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import TYPE_CHECKING

from harness.link.port import MemoryPort
from harness.sim.clock import VirtualClock
from harness.steps import Measure, Reading, Stimulus, View

if TYPE_CHECKING:
    from harness.person.operator import Prompt

__all__ = ["FakeDriver", "FakePerson", "MemoryPort", "VirtualClock"]


class FakeDriver:
    """A source and a display in one, which keeps what it is told in `said`; it fails as told, once for each."""

    def __init__(
        self,
        name: str = "fake",
        said: list[object] | None = None,
        *,
        failing: Iterable[BaseException] = (),
        reads: Callable[[Measure], Reading] = lambda _step: Reading(value=1.0),
    ) -> None:
        self.name, self.said = name, [] if said is None else said
        self.failing, self.reads = failing if isinstance(failing, list) else list(failing), reads

    def identify(self) -> str:
        """Who answers."""
        return self.name

    def apply(self, stimulus: Stimulus) -> None:
        """Keep what is applied."""
        self.fail()
        self.said.append((self.name, stimulus))

    def off(self) -> None:
        """Keep that the output goes off."""
        self.fail()
        self.said.append((self.name, "off"))

    def show(self, view: View) -> None:
        """Keep the range."""
        self.said.append((self.name, view.volts_per_div))

    def read(self, step: Measure) -> Reading:
        """Answer as `reads` says."""
        return self.reads(step)

    def check(self) -> None:
        """Everything stands."""

    def close(self) -> None:
        """Keep that it was let go."""
        self.said.append((self.name, "closed"))

    def fail(self) -> None:
        """Raise the next failure there is."""
        if self.failing:
            raise self.failing.pop(0)


class FakePerson:
    """Answers from a list, then `then`; remembers what was asked and told."""

    def __init__(self, answers: Iterable[str] = (), *, then: str | None = "") -> None:
        self.answers, self.then = list(answers), then
        self.asked: list[Prompt] = []
        self.told: list[str] = []

    def ask(self, prompt: Prompt) -> str:
        """The next answer; IndexError where none is left and nothing comes then."""
        self.asked.append(prompt)
        return self.answers.pop(0) if self.answers or self.then is None else self.then

    def tell(self, text: str) -> None:
        """Remember it."""
        self.told.append(text)
