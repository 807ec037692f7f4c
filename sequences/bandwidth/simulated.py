"""What a person sees of the trace itself on a simulated screen, and where half power truly is."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from harness.sim.true_values import TrueValues
from harness.steps import Measure

if TYPE_CHECKING:
    from harness.sim.bench import SimulatedBench
    from harness.sim.world import SimulatedTrace


def _width(bench: SimulatedBench, step: Measure, _trace: SimulatedTrace) -> float:
    return bench.world.screens[step.display].truth.trace_width


def _line_to_line(_bench: SimulatedBench, _step: Measure, trace: SimulatedTrace) -> float:
    low, high = trace.extremes_div()
    return high - low


def _half_power_hz(truth: TrueValues, _setup: Any, result: Any) -> float:
    return truth.half_power_hz(result.channel)


SEEN = {"trace_width": _width, "line_to_line": _line_to_line}
TRUE = {"half-power frequency": _half_power_hz}
