"""What a person sees of the trace itself on a simulated screen."""

from __future__ import annotations

from typing import TYPE_CHECKING

from harness.steps import Measure

if TYPE_CHECKING:
    from harness.sim.bench import SimulatedBench
    from harness.sim.world import SimulatedTrace


def _width(bench: SimulatedBench, step: Measure, _trace: SimulatedTrace) -> float:
    return bench.world.screens[step.display].truth.trace_width


SEEN = {"trace_width": _width}
