"""What the read-outs of a simulated screen say, cursors exactly on their edges."""

from __future__ import annotations

from typing import TYPE_CHECKING

from harness.sim.waves import SeenSquare

if TYPE_CHECKING:
    from harness.sim.bench import SimulatedBench
    from harness.sim.world import SimulatedTrace
    from harness.steps import Measure


def _volts(bench: SimulatedBench, step: Measure, trace: SimulatedTrace) -> float | None:
    if not isinstance(trace.seen, SeenSquare):
        return None
    low, high = trace.extremes_div()
    return (high - low) * step.view.volts_per_div * (1 + bench.world.screens[step.display].truth.read_out_volts)


def _time(bench: SimulatedBench, step: Measure, trace: SimulatedTrace) -> float | None:
    if trace.seen.period_s == float("inf"):
        return None
    own = bench.world.screens[step.display].truth.read_out_time
    return trace.seen.period_s * (1 + bench.world.time_error(step.display)) * (1 + own)


def _rate(bench: SimulatedBench, step: Measure, trace: SimulatedTrace) -> float | None:
    time_s = _time(bench, step, trace)
    return None if time_s is None else 1 / time_s


SEEN = {"cursor_volts": _volts, "cursor_time": _time, "cursor_rate": _rate}
