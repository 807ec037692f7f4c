"""How far a run is, and how long the rest takes."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from harness.quantities import duration
from harness.words.language import tr


@dataclass(slots=True, kw_only=True)
class Progress:
    """How far a run is, from the rehearsed number of steps of each part and the pace so far."""

    planned: Mapping[str, int]
    estimated_s: float = 0.0
    now: Callable[[], float] = time.monotonic
    _began: float | None = None
    _here: int = 0  # steps taken since the display began: a resumed run has others before them
    _paused: float | None = None
    _done: dict[str, int] = field(default_factory=dict)

    def begin(self, recorded: Mapping[str, int]) -> None:
        """Start the clock; `recorded` are the steps that a resumed run finds done."""
        self._began = self.now()
        self._done.update(recorded)

    def event(self, what: str) -> None:
        """Something happened: a wait until everything is warm says nothing about the pace; the next step ends it."""
        if what == "warm-up" and self._paused is None:
            self._paused = self.now()

    def step(self, part: str, n: int, *, asked: bool = True) -> None:
        """Step n of a part is done; one that nobody was asked for says nothing about the pace."""
        if self._paused is not None and self._began is not None:
            self._began, self._paused = self._began + self.now() - self._paused, None
        self._here += asked
        for earlier in self.planned:  # parts come in order: what stands before this one is over
            if earlier == part:
                break
            self._done[earlier] = max(self._done.get(earlier, 0), self.planned[earlier])
        self._done[part] = n + 1

    @property
    def total(self) -> int:
        """Steps in all; an adaptive part that takes more than rehearsed raises it."""
        parts = {**self.planned, **self._done}
        return sum(max(self.planned.get(part, 0), self._done.get(part, 0)) for part in parts)

    @property
    def done(self) -> int:
        """Steps that are over."""
        return sum(self._done.values())

    def left_s(self) -> float | None:
        """Time left, at the pace so far; before the first step, as rehearsed."""
        left = self.total - self.done
        if self._began is None or not self._here:
            return self.estimated_s * left / self.total if self.total and self.estimated_s else None
        return (self.now() - self._began) / self._here * left

    def at(self, n: int) -> str:
        """Where it is, in the language that is spoken: "12 of 64, about 9 min left"."""
        left = self.left_s()
        where = tr("{done} of {total}", done=n, total=self.total)
        return where if left is None else where + tr(", about {left} left", left=duration(left))

    def line(self, part: str) -> str:
        """How far it is, in a line."""
        return f"{self.done}/{self.total}  {part}  (left: {duration(self.left_s())})"
