"""What a person sees of a line without a signal on a simulated screen."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from harness.sim.bench import SimulatedBench
    from harness.sim.world import SimulatedTrace
    from harness.steps import Measure

_SEEN_SIGMAS: Final = 5.0  # how high a band of noise looks; common practice: five to six standard deviations


def _height(bench: SimulatedBench, step: Measure, trace: SimulatedTrace) -> float:
    true = bench.world.screens[step.display].truth
    low, high = trace.extremes_div()
    return high - low + true.trace_width + _SEEN_SIGMAS * math.hypot(true.noise, true.noise_floor / trace.volts_per_div)


def _line(_bench: SimulatedBench, _step: Measure, trace: SimulatedTrace) -> float:
    low, high = trace.extremes_div()
    return (low + high) / 2


SEEN = {"noise_rms": lambda *_: None, "noise_height": _height, "line_position": _line}
