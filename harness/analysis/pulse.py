"""Pulse parameters of a digitised record: levels, crossings, rise time, aberrations.

The unit of amplitudes is that of the record. Equations are numbered as in docs/waveforms.md.

References
----------
IEEE Std 181 and IEC 60469: state levels, reference levels 10, 50 and 90 %, transition duration, overshoot
(terms and definitions from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING, Literal

import numpy as np

from harness.analysis.amplitude import StateLevels, state_levels
from harness.analysis.record import sound_record
from harness.errors import AnalysisError

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    Samples = NDArray[np.float64]

Edge = Literal["rising", "falling"]

GAUSSIAN_SLOPE_EXCESS = 1.777
"""Mean slope from 10 to 90 % of a Gaussian edge, over its slope at these two levels."""

GAUSSIAN_CURVATURE = 0.821
"""Twice |v''|/(8|v'|) of a Gaussian edge at 10 and 90 %, in units of one over its rise time."""

SETTLED_AFTER = 5.0
"""Rise times from the middle of an edge to where its new state counts as settled."""

FEWEST_ON_EDGE = 4

NEGLIGIBLE_OVERSHOOT = 0.005


class PulseFlag(StrEnum):
    """What a reader must know before trusting a pulse; the value is the sentence's ending: "the record …"."""

    FEW_ON_EDGE = "has fewer than four samples on the edge: use a faster sweep"
    NOISE = "is so noisy that the overshoot is not told apart from it"
    SHORT_TOP = "ends before the top has settled: what it does later is not known"


@dataclass(frozen=True, slots=True, kw_only=True)
class Pulse:
    """The first whole transition of a record.

    ``base`` and ``top`` are the low and the high state; for a falling edge the aberrations are those of the base it
    falls to. Aberrations are fractions of the amplitude.
    """

    edge: Edge
    base: float
    top: float
    u_amplitude: float
    t10_s: float
    t50_s: float
    t90_s: float
    u_rise_time_s: float
    overshoot: float
    noise: float
    flags: frozenset[PulseFlag]

    @property
    def amplitude(self) -> float:
        """Top less base."""
        return self.top - self.base

    @property
    def rise_time_s(self) -> float:
        """Transition duration from 10 to 90 % (of a falling edge: its fall time)."""
        return abs(self.t90_s - self.t10_s)


def measure_pulse(
    t_s: ArrayLike,
    v: ArrayLike,
    *,
    edge: Edge | None = None,
    lsb: float | None = None,
) -> Pulse:
    """Measure the first whole transition of a record.

    Parameters
    ----------
    t_s, v
        Rising sample times and samples, shape (M,); both states must be held by at least 8 samples.
    edge
        Which transition to take; None takes the first of either kind.
    lsb
        The quantising step, for the states.

    Raises
    ------
    AnalysisError
        A record with no two states, or without a whole transition from below 10 % to above 90 %.

    References
    ----------
    IEEE Std 181 / IEC 60469 (from memory); docs/waveforms.md eq. (12), (14)–(17).
    """
    times, values = sound_record(t_s, v, fewest=16)
    states = state_levels(values, lsb=lsb)
    fraction = (values - states.low) / states.amplitude
    turn = _transition(fraction, edge)
    if turn.kind == "falling":
        fraction = 1.0 - fraction
    noise = states.noise_rms / states.amplitude
    t10_s, t50_s, t90_s = _edge_times(times, fraction, slice(turn.first, turn.last + 1), noise)
    rise_s = t90_s - t10_s
    after = fraction[turn.last : turn.end]
    settled = np.count_nonzero(times[turn.last : turn.end] >= t50_s + SETTLED_AFTER * rise_s)
    overshoot = max(0.0, float(after.max()) - 1.0)
    on_edge = int(np.count_nonzero((times >= t10_s) & (times <= t90_s)))
    flags = {
        PulseFlag.FEW_ON_EDGE: on_edge < FEWEST_ON_EDGE,
        PulseFlag.NOISE: max(overshoot, NEGLIGIBLE_OVERSHOOT) < 4.0 * noise,
        PulseFlag.SHORT_TOP: settled < 4,
    }
    return Pulse(
        edge=turn.kind,
        base=states.low,
        top=states.high,
        u_amplitude=math.hypot(states.u_low, states.u_high),
        t10_s=t10_s,
        t50_s=t50_s,
        t90_s=t90_s,
        u_rise_time_s=_u_rise_time_s(rise_s, states, noise, float(np.diff(times)[turn.first : turn.last].max())),
        overshoot=overshoot,
        noise=states.noise_rms,
        flags=frozenset(flag for flag, raised in flags.items() if raised),
    )


def crossings_s(t_s: Samples, v: Samples, level: float) -> Samples:
    """Every time at which the record crosses ``level``, by linear interpolation, eq. (14)."""
    below = v < level
    at = np.flatnonzero(below[1:] != below[:-1])
    part = (level - v[at]) / (v[at + 1] - v[at])
    times: Samples = t_s[at] + part * (t_s[at + 1] - t_s[at])
    return times


@dataclass(frozen=True, slots=True, kw_only=True)
class _Transition:
    """The old state lasts to ``first``, the new one from ``last`` to before ``end``."""

    kind: Edge
    first: int
    last: int
    end: int


def _transition(fraction: Samples, edge: Edge | None) -> _Transition:
    state = np.where(fraction < 0.1, -1, np.where(fraction > 0.9, 1, 0))
    held = np.flatnonzero(state)
    turns = np.flatnonzero(np.diff(state[held]))
    kinds: list[Edge] = ["rising" if state[held[turn + 1]] > 0 else "falling" for turn in turns]
    for place, (turn, kind) in enumerate(zip(turns, kinds, strict=True)):
        if edge in {None, kind}:
            return _Transition(
                kind=kind,
                first=int(held[turn]),
                last=int(held[turn + 1]),
                end=int(held[turns[place + 1]]) + 1 if place + 1 < turns.size else fraction.size,
            )
    raise AnalysisError(
        f"The record holds no whole {edge or ''} edge from 10 to 90 %: check the trigger and the sweep."
    )


def _edge_times(times: Samples, fraction: Samples, edge: slice, noise: float) -> tuple[float, float, float]:
    """The 10, 50 and 90 % crossings of a transition that rises in ``fraction``.

    The crossing nearest the edge's middle is pulled towards it by noise; every crossing of that level within reach of
    the noise takes part, which removes the pull. Without noise this is the nearest crossing alone.
    """
    inner_10 = float(crossings_s(times[edge], fraction[edge], 0.1)[-1])
    inner_90 = float(crossings_s(times[edge], fraction[edge], 0.9)[0])
    reach_s = 4.0 * noise * GAUSSIAN_SLOPE_EXCESS * (inner_90 - inner_10) / 0.8
    tens, nineties = crossings_s(times, fraction, 0.1), crossings_s(times, fraction, 0.9)
    outer_10 = float(tens[tens >= inner_10 - reach_s].min())
    outer_90 = float(nineties[nineties <= inner_90 + reach_s].max())
    middles = crossings_s(times[edge], fraction[edge], 0.5)
    return (inner_10 + outer_10) / 2.0, float(middles[0] + middles[-1]) / 2.0, (inner_90 + outer_90) / 2.0


def _u_rise_time_s(rise_s: float, states: StateLevels, noise: float, interval_s: float) -> float:
    """Noise at both crossings, uncertainty of the states, and interpolation of a curved edge, eq. (17)."""
    time_of_level_s = GAUSSIAN_SLOPE_EXCESS * rise_s / 0.8
    states_part = math.hypot(states.u_low, states.u_high) / states.amplitude
    noise_s = time_of_level_s * math.hypot(math.sqrt(2.0) * noise, 0.8 * states_part)
    bend_s = GAUSSIAN_CURVATURE * interval_s * min(interval_s / rise_s, 1.0)
    return math.hypot(noise_s, bend_s / math.sqrt(3.0))
