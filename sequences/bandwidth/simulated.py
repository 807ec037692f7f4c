"""What a person sees of the trace itself on a simulated screen."""

from __future__ import annotations

from typing import TYPE_CHECKING

from harness.steps import Measure

if TYPE_CHECKING:
    from harness.sim.bench import SimulatedBench
    from harness.sim.world import SimulatedTrace


def _width(bench: SimulatedBench, step: Measure, _trace: SimulatedTrace) -> float:
    return bench.world.screens[step.display].truth.trace_width


def _line_to_line(_bench: SimulatedBench, _step: Measure, trace: SimulatedTrace) -> float:
    low, high = trace.extremes_div()
    return high - low


SEEN = {"trace_width": _width, "line_to_line": _line_to_line}
