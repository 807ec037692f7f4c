"""What a person sees of two channels on a simulated screen."""

from __future__ import annotations

import cmath
import math
from collections.abc import Callable
from typing import TYPE_CHECKING

from harness.steps import Measure

if TYPE_CHECKING:
    from harness.sim.bench import SimulatedBench
    from harness.sim.world import SimulatedTrace

    Look = Callable[[SimulatedBench, Measure, SimulatedTrace], float | None]


def _height_div(trace: SimulatedTrace) -> float:
    low, high = trace.extremes_div()
    return high - low


def _both(bench: SimulatedBench, step: Measure, trace: SimulatedTrace) -> tuple[complex, complex]:
    """The heights of both as phasors, the other one real."""
    other = bench.world.look(step.display, step.second or step.view.channel)
    turned = -2j * math.pi * (step.stimulus.rate_hz or 0.0) * (trace.late_s - other.late_s)
    return _height_div(trace) * cmath.exp(turned), complex(_height_div(other))


def _opening(bench: SimulatedBench, step: Measure, trace: SimulatedTrace) -> float:
    one, _ = _both(bench, step, trace)
    return abs(one.imag)


def _delay(bench: SimulatedBench, step: Measure, trace: SimulatedTrace) -> float | None:
    """From edge to edge, where both are on the screen; the other one stands in its middle."""
    other, screen = bench.world.look(step.display, step.second or step.view.channel), bench.world.screens[step.display]
    apart_s = (trace.late_s - other.late_s) * (1 + bench.world.time_error(step.display))
    half_s = screen.horizontal_div / 2 * step.view.s_per_div / step.view.magnifier
    return apart_s if abs(apart_s) < half_s else None


def _phase(bench: SimulatedBench, step: Measure, trace: SimulatedTrace) -> float:
    return math.degrees(cmath.phase(_both(bench, step, trace)[0]))


def _left(bench: SimulatedBench, step: Measure, trace: SimulatedTrace) -> float:
    one, other = _both(bench, step, trace)
    return abs(one - other)


def _sum(bench: SimulatedBench, step: Measure, trace: SimulatedTrace) -> float:
    return abs(sum(_both(bench, step, trace))) * (1 + bench.world.screens[step.display].truth.adder)


def _height(_bench: SimulatedBench, _step: Measure, trace: SimulatedTrace) -> float:
    return _height_div(trace)


def _part_left(bench: SimulatedBench, step: Measure, trace: SimulatedTrace) -> float:
    return _left(bench, step, trace) / _height_div(trace)


SEEN: dict[str, Look] = {
    "channel_phase": _phase,
    "xy_opening": _opening,
    "xy_height": _height,
    "channel_delay": _delay,
    "channel_difference": _part_left,
    "single_height": _height,
    "difference_height": _left,
    "sum_height": _sum,
}
