"""What a person sees of time marks on a simulated screen."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from harness.steps import Measure

if TYPE_CHECKING:
    from harness.sim.bench import SimulatedBench
    from harness.sim.world import SimulatedTrace


def _span(bench: SimulatedBench, step: Measure, trace: SimulatedTrace) -> float | None:
    """Divisions between the marks that should be `expected` apart."""
    if not math.isfinite(trace.seen.period_s):
        return None
    s_per_div = step.view.s_per_div / step.view.magnifier
    nominal_s = 1 / step.stimulus.rate_hz if step.stimulus.rate_hz else trace.seen.period_s
    count = max(1, round((step.expected or 8.0) * s_per_div / nominal_s))
    return count * trace.seen.period_s / s_per_div * (1 + bench.world.time_error(step.display))


SEEN = {"span": _span}
