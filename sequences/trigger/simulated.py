"""What a person sees of a trigger on a simulated screen: a display that stands still, or one that does not."""

from __future__ import annotations

from typing import TYPE_CHECKING

from harness.measurement import quantity_of

if TYPE_CHECKING:
    from harness.sim.bench import SimulatedBench
    from harness.sim.world import SimulatedTrace
    from harness.steps import Measure


def _still(bench: SimulatedBench, step: Measure, _trace: SimulatedTrace) -> float:
    """The share of sweeps that are started."""
    sweeps = quantity_of(step).sweeps
    return sum(bench.world.started(step.display)[0] for _ in range(sweeps)) / sweeps


def _begins_at(_bench: SimulatedBench, _step: Measure, _trace: SimulatedTrace) -> None:
    """By eye no level has a number."""


SEEN = {"triggers": _still, "external_triggers": _still, "trigger_at": _begins_at}
