"""Amplitudes that are not a sine fit: a steady level, a square wave's two levels, a peak-to-peak from a trace.

Each result carries its lines for the budget. The unit is that of the record (volts, divisions). Equations are numbered
as in docs/waveforms.md.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from harness.analysis import estimate
from harness.analysis.record import noise_before_quantising, steady_quantum
from harness.errors import AnalysisError
from harness.words.language import tr

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from harness.analysis.estimate import Contribution

    Samples = NDArray[np.float64]

CENTRAL_HALF_OF_NORMAL = 1.3489795
"""Width of the central half of a normal distribution of standard deviation one."""

TWO_CODES_SHARE = 0.99
_FEW_PAIRS = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class Amplitude:
    """A value in the unit of the record, and the lines that make its uncertainty."""

    value: float
    contributions: tuple[Contribution, ...]

    @property
    def u(self) -> float:
        """Standard uncertainty of the lines together."""
        return math.hypot(*(line.contribution for line in self.contributions))


@dataclass(frozen=True, slots=True, kw_only=True)
class StateLevels:
    """The two states of a pulse or square wave (base and top), and the noise about them."""

    low: float
    high: float
    u_low: float
    u_high: float
    noise_rms: float
    low_samples: int
    high_samples: int

    @property
    def amplitude(self) -> float:
        """Top less base."""
        return self.high - self.low


def mean_level(v: ArrayLike, *, lsb: float | None = None, unit: str = "") -> Amplitude:
    """Mean of a record of a steady level.

    Parameters
    ----------
    v
        Equidistant samples, shape (M,), M ≥ 8.
    lsb
        The quantising step: adds what averaging cannot remove.

    Raises
    ------
    AnalysisError
        Too few samples, or samples that are not finite.

    References
    ----------
    Variance of the mean of correlated samples, s²·τ/M with τ = 1 + 2Σρₖ over the initial positive sequence (Geyer 1992,
    from memory); docs/waveforms.md eq. (11) and (6).
    """
    values = _steady(v)
    scatter = float(values.std(ddof=1))
    effective = effective_samples(values)
    lines = [
        estimate.normal(
            tr("scatter of the record"), u=scatter / math.sqrt(effective), dof=max(effective - 1.0, 1.0), unit=unit
        )
    ]
    if lsb is not None:
        lines.append(estimate.normal("quantising", u=steady_quantum(lsb=lsb, sigma=_dither(values, lsb)), unit=unit))
    return Amplitude(value=float(values.mean()), contributions=tuple(lines))


def effective_samples(v: ArrayLike) -> float:
    """Number of independent samples that would know the mean as well as these correlated ones, eq. (11)."""
    values = _steady(v)
    deviations = values - values.mean()
    power = float(deviations @ deviations)
    if power <= 1e-24 * float(values @ values):
        return float(values.size)
    pairs = _initial_pairs(deviations)
    time_constant = 2.0 * sum(pairs) / power - 1.0
    return float(values.size / min(max(time_constant, 1.0), values.size / 2.0))


def _initial_pairs(deviations: Samples) -> list[float]:
    """Sums of two neighbours of the correlation, from 0 on, up to the first that is not positive."""
    size, pairs = deviations.size, list[float]()
    for lag in range(0, min(2 * _FEW_PAIRS, size - 1), 2):  # nearly every record ends within them
        even = float(deviations[: size - lag] @ deviations[lag:])
        pair = even + float(deviations[: size - lag - 1] @ deviations[lag + 1 :])
        if pair <= 0.0:
            return pairs
        pairs.append(pair)
    # Padding to twice the length keeps the circular correlation of the transform from wrapping round.
    spectrum = np.fft.rfft(deviations, 2 * size)
    correlation = np.fft.irfft(np.abs(spectrum) ** 2)[: 2 * (size // 2)]
    sums = correlation.reshape(-1, 2).sum(axis=1)
    ends = np.flatnonzero(sums <= 0.0)
    return [float(each) for each in sums[: ends[0] if ends.size else sums.size]]


def state_levels(v: ArrayLike, *, lsb: float | None = None) -> StateLevels:
    """Low and high state of a record that dwells at two levels.

    The samples are parted at the middle of their range. In each part the shortest interval that holds half of the
    samples marks the state (the mode without the width of a histogram's bins); the mean of the samples within three
    standard deviations of it is the level. Edges, overshoot and ringing do not take part.

    Parameters
    ----------
    v
        Samples, shape (M,), at least 8 in each state.
    lsb
        The quantising step; samples within 1.5 steps of the state are averaged, and its error is added.

    Raises
    ------
    AnalysisError
        A record that shows no two states.

    References
    ----------
    IEEE Std 181, state levels from a bimodal distribution (shortest half in place of the histogram's mode; clause from
    memory); docs/waveforms.md eq. (12).
    """
    values = _steady(v)
    span = float(np.ptp(values))
    if span == 0.0 or (lsb is not None and span < 2.0 * lsb):
        raise AnalysisError("The record shows one level only, not a pulse: check the trigger and the range.")
    upper = values > (values.min() + values.max()) / 2.0
    low, u_low, low_noise, low_samples = _state(values[~upper], lsb)
    high, u_high, high_noise, high_samples = _state(values[upper], lsb)
    return StateLevels(
        low=low,
        high=high,
        u_low=u_low,
        u_high=u_high,
        noise_rms=math.hypot(low_noise, high_noise) / math.sqrt(2.0),
        low_samples=low_samples,
        high_samples=high_samples,
    )


def square_amplitude(v: ArrayLike, *, lsb: float | None = None, unit: str = "") -> Amplitude:
    """Top less base of a square wave, with the uncertainty of both states; see :func:`state_levels`."""
    states = state_levels(v, lsb=lsb)
    return Amplitude(
        value=states.amplitude,
        contributions=(
            estimate.normal("top", u=states.u_high, dof=states.high_samples - 1, unit=unit),
            estimate.normal("base", u=states.u_low, dof=states.low_samples - 1, sensitivity=-1.0, unit=unit),
        ),
    )


def _steady(v: ArrayLike) -> Samples:
    values = np.asarray(v, dtype=np.float64)
    if values.ndim != 1 or values.size < 8:
        raise AnalysisError(f"A level needs a record of at least 8 samples; this one has the shape {values.shape}.")
    if not np.isfinite(values).all():
        raise AnalysisError("The record holds samples that are not numbers: read it again.")
    return values


def _dither(values: Samples, lsb: float) -> float:
    """Noise before quantising; none where two codes hold nearly all samples: their scatter tells place, not noise."""
    counts = np.bincount(np.rint((values - values.min()) / lsb).astype(np.intp))
    if np.sort(counts)[-2:].sum() >= TWO_CODES_SHARE * values.size:
        return 0.0
    return noise_before_quantising(scatter_rms=float(values.std(ddof=1)), lsb=lsb)


def _state(values: Samples, lsb: float | None) -> tuple[float, float, float, int]:
    """Level, its standard uncertainty, noise and number of samples of one state, eq. (12)."""
    if values.size < 8:
        raise AnalysisError("One of the pulse's states holds fewer than 8 samples: show more of it, or sample faster.")
    centre, width = _shortest_half(np.sort(values))
    noise = width / CENTRAL_HALF_OF_NORMAL
    near = values[np.abs(values - centre) <= max(3.0 * noise, 1.5 * (lsb or 0.0), 1e-12 * abs(centre))]
    scatter = float(near.std())
    quantum = 0.0 if lsb is None else steady_quantum(lsb=lsb, sigma=_dither(near, lsb))
    return float(near.mean()), math.hypot(scatter / math.sqrt(near.size), quantum), scatter, int(near.size)


def _shortest_half(ordered: Samples) -> tuple[float, float]:
    """Centre and width of the shortest interval that holds half of the samples; the middle one of equals."""
    half = ordered.size // 2 + 1
    widths = ordered[half - 1 :] - ordered[: ordered.size - half + 1]
    shortest = np.flatnonzero(widths <= widths.min() * (1.0 + 1e-9))
    start = int(shortest[shortest.size // 2])
    return float(ordered[start] + ordered[start + half - 1]) / 2.0, float(widths[start])
