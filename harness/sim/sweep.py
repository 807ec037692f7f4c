"""When a place of a screen is shown, and when a sample is taken: delay, bent sweep, jitter."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from harness.sim.waves import SeenSine, Steady

if TYPE_CHECKING:
    from harness.sim.response import Floats
    from harness.sim.world import SimulatedScreen, SimulatedTrace


def samples(
    trace: SimulatedTrace,
    screen: SimulatedScreen,
    points: int,
    true_dt_s: float,
    rng: np.random.Generator,
    *,
    instant: tuple[float, float],
    behind_s: float = 0.0,
) -> Floats:
    """The voltage at the sampling instants; the trigger, or what is delayed, is within a sample of the centre.

    The `instant` is where the trigger happened to be, in samples and in cycles; `behind_s` how far this trace is behind
    the one that started the sweep.
    """
    if isinstance(trace.seen, Steady):
        return np.full(points, trace.seen.level_v)
    jitter, phase = instant
    shown_s: Floats = ((np.arange(points) - points / 2 + jitter) * true_dt_s).astype(np.float64)
    time_s = when(screen, shown_s) - behind_s
    if screen.truth.jitter:
        time_s = time_s + rng.standard_normal(points) * screen.truth.jitter
    if trace.phase is None:
        return trace.seen.volts(time_s, phase)
    shift_s = 0.0 if isinstance(trace.seen, SeenSine) else trace.phase * trace.seen.period_s
    return trace.seen.volts(time_s + shift_s, trace.phase)


def when(screen: SimulatedScreen, linear_s: Floats) -> Floats:
    """The true time after the trigger of what a straight sweep without delay shows so long after its middle."""
    true = screen.truth
    time_error = true.time_error(screen.s_per_div, screen.magnifier)
    error = time_error if true.delay is None else true.delay
    width_s = screen.horizontal_div * screen.s_per_div / screen.magnifier
    delay_s = screen.delay_s / (1 + error) + (0.5 - screen.delay_from) * width_s
    if true.sweep_bend:
        per_div = screen.s_per_div / (1 + time_error)  # of the sweep; a magnifier's own error goes with it
        shift_div = np.array(0.0 if screen.magnifier == 1 else screen.delay_s / screen.s_per_div)
        linear_s = (_straight(screen, linear_s / per_div + shift_div) - _straight(screen, shift_div)) * per_div
    return linear_s + delay_s


def _straight(screen: SimulatedScreen, place_div: Floats) -> Floats:
    """Where a straight sweep has what a bent one has at a place: the u of x = u + b·(1 − (u/h)²)."""
    bend, half_div = screen.truth.sweep_bend, screen.horizontal_div / 2
    root = np.sqrt(1 - 4 * bend * (place_div - bend) / half_div**2)
    straight: Floats = (1 - root) * half_div**2 / (2 * bend)
    return straight
