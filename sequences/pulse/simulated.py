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


def _fall_time(bench: SimulatedBench, step: Measure, trace: SimulatedTrace) -> float | None:
    rise_s = _of(Step.rise_time_s, is_time=True)(bench, step, trace)
    return rise_s * (1 + trace.seen.fall_slower) if rise_s is not None and isinstance(trace.seen, SeenSquare) else None


def _settling(band: float) -> Look:
    """When the top is outside a band around its end for the last time, from the middle of the edge."""
    return _of(lambda step: max(0.0, float(step.time_s[np.abs(step.value - 1) > band][-1])), is_time=True)


def _sag(_bench: SimulatedBench, step: Measure, trace: SimulatedTrace) -> float | None:
    """How far the top slopes from its begin to its end."""
    if not isinstance(trace.seen, SeenSquare) or isinstance(step.stimulus, NoSignal):
        return None
    ends = trace.seen.slowly(np.array([0.0, 0.4999999]) * trace.seen.period_s)
    return abs(trace.seen.sag * float(ends[1] - ends[0]))


SEEN = {
    "rise_time": _of(Step.rise_time_s, is_time=True),
    "fall_time": _fall_time,
    "undershoot": _of(Step.overshoot),
    "sag": _sag,
    **{f"settling_to_{per_10000}": _settling(per_10000 / 1e4) for per_10000 in (50, 100, 200, 500)},
    "overshoot": _of(Step.overshoot),
    "top_aberration": _of(_aberration),
}
