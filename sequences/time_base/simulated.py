"""What a person sees of time marks on a simulated screen, and what is true of the time factors."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from harness.sim.sweep import when
from harness.sim.true_values import TrueValues, percent_off
from harness.steps import Measure

if TYPE_CHECKING:
    from harness.sim.bench import SimulatedBench
    from harness.sim.world import SimulatedScreen, SimulatedTrace


def _span(bench: SimulatedBench, step: Measure, trace: SimulatedTrace) -> float | None:
    """Divisions between the marks that should be `expected` apart, of whatever part of the sweep is shown."""
    if not math.isfinite(trace.seen.period_s):
        return None
    s_per_div = step.view.s_per_div / step.view.magnifier
    nominal_s = 1 / step.stimulus.rate_hz if step.stimulus.rate_hz else trace.seen.period_s
    count = max(1, round((step.expected or 8.0) * s_per_div / nominal_s))
    span_div = count * trace.seen.period_s / s_per_div * (1 + bench.world.time_error(step.display))
    screen = bench.world.screens[step.display]
    if not screen.truth.sweep_bend or screen.magnifier == 1:
        return span_div
    middle_div, half_div = step.view.delay_s / step.view.s_per_div, span_div / screen.magnifier / 2
    ends = _bent(screen, np.array([middle_div - half_div, middle_div + half_div]))
    return float(ends[1] - ends[0]) * screen.magnifier


def _bent(screen: SimulatedScreen, straight_div: Any) -> Any:
    """Where a bent sweep has what a straight one has at these places."""
    return straight_div + screen.truth.sweep_bend * (1 - (straight_div / (screen.horizontal_div / 2)) ** 2)


def _departure(bench: SimulatedBench, step: Measure, trace: SimulatedTrace) -> float | None:
    """How far the worst mark is off, where the first and the last of the centre divisions are on their lines."""
    if not math.isfinite(trace.seen.period_s):
        return None
    screen = bench.world.screens[step.display]
    apart_div = trace.seen.period_s / step.view.s_per_div * (1 + bench.world.time_error(step.display))
    half = math.floor(4.2 / apart_div)
    marks = _bent(screen, np.arange(-half, half + 1) * apart_div)
    off = marks - np.linspace(marks[0], marks[-1], marks.size)
    return float(off[np.abs(off).argmax()])


def _shift(bench: SimulatedBench, step: Measure, trace: SimulatedTrace) -> float | None:
    """How far right of where it stands without delay a mark stands that comes about the delay after the trigger."""
    if not math.isfinite(trace.seen.period_s):
        return None
    screen = bench.world.screens[step.display]
    centre_s = float(when(screen, np.zeros(1))[0])
    late_s = round(centre_s / trace.seen.period_s) * trace.seen.period_s - centre_s
    return late_s / step.view.s_per_div * (1 + bench.world.time_error(step.display))


def _true(truth: TrueValues, setup: Any, result: Any) -> float:
    magnifier = setup.unit.magnifier if "×" in result.setting else 1.0
    return percent_off(1 + truth.time_error(result.setting_value, magnifier), setup.job.error)


SEEN = {
    "span": _span,
    "span_at_start": _span,
    "span_at_end": _span,
    "departure": _departure,
    "mark_at_zero": _shift,
    "mark_shift": _shift,
    "alias": lambda _bench, _step, _trace: None,
}
TRUE = {"time factor": _true}
