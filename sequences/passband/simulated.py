"""What a person sees of a levelled sine on a simulated screen."""

from __future__ import annotations

from typing import TYPE_CHECKING

from harness.measurement import seen
from harness.steps import Measure

if TYPE_CHECKING:
    from harness.sim.bench import SimulatedBench
    from harness.sim.world import SimulatedTrace


def _height(bench: SimulatedBench, step: Measure, trace: SimulatedTrace) -> float | None:
    return seen("peak_to_peak")(bench, step, trace)


SEEN = {"levelled_height": _height}
