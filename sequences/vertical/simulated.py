"""What a person sees of a deflection on a simulated screen, and what is true of it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from harness.sim.true_values import TrueValues, percent_off
from harness.sim.waves import SeenSquare
from harness.steps import Measure

if TYPE_CHECKING:
    from harness.sim.bench import SimulatedBench
    from harness.sim.world import SimulatedTrace


def _from_ground(_bench: SimulatedBench, step: Measure, trace: SimulatedTrace) -> float:
    low, high = trace.extremes_div()
    return (low + high) / 2 - step.view.ground_line_div


def _height(bench: SimulatedBench, step: Measure, trace: SimulatedTrace) -> float:
    """Top to bottom of the trace, its width included; a square from line to line."""
    low, high = trace.extremes_div()
    if isinstance(trace.seen, SeenSquare):
        return high - low
    return high - low + bench.world.screens[step.display].truth.trace_width


def _true(truth: TrueValues, setup: Any, result: Any) -> float:
    nominal = setup.bench.paths[result.path].divides_by
    return percent_off(truth.shown(result.channel, result.setting_value, result.path, nominal), setup.job.error)


SEEN = {"deflection": _from_ground, "peak_to_peak": _height}
TRUE = {"deflection": _true}
