"""What a person sees of a fast edge on a simulated screen."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

import numpy as np

from harness.sim.waves import SeenSquare, Step
from harness.steps import Measure, NoSignal

if TYPE_CHECKING:
    from harness.sim.bench import SimulatedBench
    from harness.sim.world import SimulatedTrace

    Look = Callable[[SimulatedBench, Measure, SimulatedTrace], float | None]


def _of(see: Callable[[Step], float], *, is_time: bool = False) -> Look:
    """A look at the edge that a fast square shows."""

    def look(bench: SimulatedBench, step: Measure, trace: SimulatedTrace) -> float | None:
        if not isinstance(trace.seen, SeenSquare) or isinstance(step.stimulus, NoSignal):
            return None
        return see(trace.seen.step) * (1 + bench.world.time_error(step.display) if is_time else 1)

    return look


def _aberration(step: Step) -> float:
    """Largest departure of the top, from one rise time after the 90 % point on."""
    rise_s = step.rise_time_s()
    settled = step.value[step.time_s > 2 * rise_s]
    return float(np.abs(settled - 1).max())


SEEN = {
    "rise_time": _of(Step.rise_time_s, is_time=True),
    "overshoot": _of(Step.overshoot),
    "top_aberration": _of(_aberration),
}
