"""The measurements that a digital scope makes by itself, from its own 8-bit record.   [pure]

States by the modes of the code histogram and the 10, 50 and 90 % levels between them (IEEE 181-2011, from
memory). Plain as such instruments are: no correction for noise. NaN where a record has no such value,
infinity where it was clipped.
"""

from __future__ import annotations

import math

import numpy as np

from harness.sim.response import Floats
from harness.sim.world import SimulatedRecord


def mean(record: SimulatedRecord) -> float:
    """The mean voltage."""
    return math.inf if record.clipped else float(record.volts.mean())


def ac_rms(record: SimulatedRecord) -> float:
    """The standard deviation of the samples."""
    return math.inf if record.clipped else float(record.volts.std())


def peak_to_peak(record: SimulatedRecord) -> float:
    """Highest less lowest sample."""
    return math.inf if record.clipped else float(np.ptp(record.volts))


def amplitude(record: SimulatedRecord) -> float:
    """Top less base."""
    base, top = _states(record.volts)
    return math.inf if record.clipped else top - base


def rise_time(record: SimulatedRecord) -> float:
    """From 10 % to 90 % of the first rising edge that is whole."""
    base, top = _states(record.volts)
    edge = _edge(record, base, top)
    if edge is None:
        return math.nan
    start, stop = edge
    return (stop - start) * record.dt_s


def overshoot(record: SimulatedRecord) -> float:
    """Above the top, after a rising edge, in percent of the amplitude."""
    base, top = _states(record.volts)
    edge = _edge(record, base, top)
    if record.clipped or edge is None:
        return math.inf if record.clipped else math.nan
    after = record.volts[int(edge[1]) :]
    return max(0.0, (float(after.max()) - top) / (top - base) * 100)


def period(record: SimulatedRecord) -> float:
    """Mean time between rising crossings of the middle."""
    crossings = _rising(record)
    if crossings.size < 2:
        return math.nan
    return float((crossings[-1] - crossings[0]) / (crossings.size - 1)) * record.dt_s


def frequency(record: SimulatedRecord) -> float:
    """One over the period."""
    return 1 / period(record)


def _states(volts: Floats) -> tuple[float, float]:
    """Base and top: the fullest bins of the lower and upper halves."""
    low, high = float(volts.min()), float(volts.max())
    if high <= low:
        return low, high
    counts, edges = np.histogram(volts, bins=256, range=(low, high))
    centre = (edges[:-1] + edges[1:]) / 2
    lower, upper = int(np.argmax(counts[:128])), 128 + int(np.argmax(counts[128:]))
    return _around(volts, centre[lower], high - low), _around(volts, centre[upper], high - low)


def _around(volts: Floats, state: float, span: float) -> float:
    """The mean of the samples near a mode, so that a state is finer than a code."""
    return float(volts[np.abs(volts - state) <= 0.02 * span].mean())


def _edge(record: SimulatedRecord, base: float, top: float) -> tuple[float, float] | None:
    """Sample positions of the 10 % and 90 % crossings of the first whole rising edge."""
    volts = record.volts
    if top - base <= record.least_v:
        return None
    middle = (base + top) / 2
    for at in np.flatnonzero((volts[:-1] < middle) & (volts[1:] >= middle)):
        before = np.flatnonzero(volts[: at + 1] <= base + 0.1 * (top - base))
        after = np.flatnonzero(volts[at + 1 :] >= base + 0.9 * (top - base))
        if before.size and after.size:
            start, stop = int(before[-1]), int(at) + int(after[0])
            return _cross(volts, start, base + 0.1 * (top - base)), _cross(volts, stop, base + 0.9 * (top - base))
    return None


def _cross(volts: Floats, at: int, level: float) -> float:
    """Where the line between two samples crosses a level."""
    step = volts[at + 1] - volts[at]
    return at + (float((level - volts[at]) / step) if step else 0.0)


def _rising(record: SimulatedRecord) -> Floats:
    """Positions of the rising crossings of the middle, with hysteresis against noise."""
    volts = record.volts
    low, high = float(volts.min()), float(volts.max())
    if high - low <= record.least_v:
        return np.empty(0)
    middle, guard = (low + high) / 2, 0.1 * (high - low)
    state = np.where(volts > middle + guard, 1, np.where(volts < middle - guard, -1, 0))
    known = np.flatnonzero(state)
    rises = np.flatnonzero((state[known[:-1]] < 0) & (state[known[1:]] > 0))
    places = []
    for rise in rises:
        first, last = int(known[rise]), int(known[rise + 1])
        piece = volts[first : last + 1]
        over = int(np.argmax(piece >= middle))
        places.append(first + over - 1 + float((middle - piece[over - 1]) / (piece[over] - piece[over - 1])))
    return np.array(places)
