"""How often a person will be asked: the bench's own code, with drivers that do nothing and a person who is right."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from typing import Any

from drivers.manual import ManualMeter, ManualScreen, ManualSource
from harness.bench.perform import LiveBench
from harness.errors import HalfpowerError
from harness.measurement import quantity_of
from harness.models import Setup, UnitLink
from harness.person.operator import GoBack, Prompt
from harness.sim.clock import VirtualClock
from harness.steps import Measure, Reading, Reply, Role, Step, roles_of

_MANUAL: Any = {"counter": ManualMeter, "calibrator": ManualSource, "generator": ManualSource}


def questions(setup: Setup, steps: Iterable[Step], ideal: Callable[[Setup, Step], Reply]) -> int:
    """How many questions a person answers for these steps, switching off at the end included; a slip costs one more."""
    steps = tuple(steps)
    person = _Right(setup=setup, ideal=ideal)
    roles: set[Role] = {*roles_of(steps), "unit"}
    bench = LiveBench(
        setup, {role: _driver(setup, role, person) for role in roles}, operator=person, clock=VirtualClock()
    )
    try:
        with bench.guarded():
            for step in steps:
                person.step = step
                bench.perform(step)
    except (HalfpowerError, GoBack):  # what would end the run ends the count
        pass
    return person.asked


@dataclass(slots=True)
class _Right:
    """Answers every question as a unit without error would have it."""

    setup: Setup
    ideal: Callable[[Setup, Step], Reply]
    asked: int = 0
    step: Step | None = None
    _last: Prompt | None = field(default=None)

    def ask(self, prompt: Prompt) -> str:
        self.asked += 1
        if prompt.choices:
            return prompt.choices[0]
        if prompt.kind == "do" or not isinstance(prompt.step, Measure):
            return "" if prompt.kind == "do" else "="
        if self._last == prompt:
            self._last = None
            return "skip"  # it made no sense: a search goes on from what nobody can foresee
        self._last = prompt
        return "=" if prompt.step.tune_to_div is not None else self._typed(prompt.step)

    def _typed(self, step: Measure) -> str:
        reply = self.ideal(self.setup, step)
        if not isinstance(reply, Reading) or reply.value is None:
            return "off"
        if quantity_of(step).sweeps:
            return "yes" if reply.value >= 1 else "no"
        unit = quantity_of(step).unit
        return f"{100.0 * reply.value:.9g} %" if unit == "ratio" else f"{reply.value:.9g} {unit}"

    def tell(self, _text: str) -> None:
        """Nobody listens."""


class Obedient:
    """An instrument that does whatever it is told; what it would read is ideal."""

    def __init__(self, setup: Setup, ideal: Callable[[Setup, Step], Reply]) -> None:
        self._setup, self._ideal = setup, ideal

    def __getattr__(self, name: str) -> Any:
        if name not in ("identify", "apply", "off", "show", "check", "close", "route"):
            raise AttributeError(name)
        return lambda *_: ""

    def read(self, step: Measure) -> Reply:
        """The ideal reading."""
        return self._ideal(self._setup, step)

    def read_frequency_hz(self, expected_hz: float) -> float:
        """The expected count."""
        return expected_hz


def _driver(setup: Setup, role: Role, person: _Right) -> Any:
    instrument = getattr(setup.bench, role)
    if not setup.by_hand(role):
        return Obedient(setup, person.ideal)
    if role in ("unit", "reference"):
        unit = setup.unit if role == "unit" else None
        return ManualScreen(person, instrument or UnitLink(), role, unit, paths=setup.bench.paths)
    return _MANUAL[role](person, instrument, role) if role in _MANUAL else Obedient(setup, person.ideal)
