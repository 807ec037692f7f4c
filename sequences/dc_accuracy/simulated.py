"""What a person sees of a direct voltage on a simulated screen: how far the trace is from where zero was set."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from harness.sim.bench import SimulatedBench
    from harness.sim.world import SimulatedTrace
    from harness.steps import Measure


def _from_zero(_bench: SimulatedBench, step: Measure, trace: SimulatedTrace) -> float:
    low, high = trace.extremes_div()
    return (low + high) / 2 - step.view.ground_line_div


SEEN = {"dc_upper": _from_zero, "dc_lower": _from_zero, "dc_between": _from_zero}
