"""What every digitised record asks first: is it sound, is it clipped, and what does its quantising leave behind.

Equations are numbered as in docs/waveforms.md.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

import numpy as np

from harness.errors import AnalysisError

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    Samples = NDArray[np.float64]


CLIPPED: Final = "touches the end of the converter's range: lower the level and discard it"
"""How a sentence about a clipped record ends; nothing else is taken from one."""


def sound_record(t_s: ArrayLike, v: ArrayLike, *, fewest: int) -> tuple[Samples, Samples]:
    """Return times and samples as arrays of shape (M,), or say what is wrong with them."""
    times, values = np.asarray(t_s, dtype=np.float64), np.asarray(v, dtype=np.float64)
    if times.ndim != 1 or times.shape != values.shape:
        raise AnalysisError(f"A record needs as many times as samples; it has {times.shape} and {values.shape}.")
    if times.size < fewest:
        raise AnalysisError(f"This needs a record of at least {fewest} samples; there are {times.size}.")
    if not (np.isfinite(times).all() and np.isfinite(values).all()):
        raise AnalysisError("The record holds samples that are not numbers: read it again.")
    if not (np.diff(times) > 0.0).all():
        raise AnalysisError(
            "The record's times do not rise from sample to sample: check the time scale that came with it."
        )
    return times, values


def is_clipped(v: ArrayLike, *, full_scale: tuple[float, float], lsb: float | None = None) -> bool:
    """Say whether any sample stands at an end code or within one step of it.

    ``full_scale`` holds the values of the lowest and of the highest code.
    """
    low, high = min(full_scale), max(full_scale)
    # A hair of room: codes scaled to volts do not land on the limit to the last bit.
    margin = (1.0 + 1e-6) * lsb if lsb is not None else 1e-9 * (high - low)
    values = np.asarray(v, dtype=np.float64)
    return bool((values >= high - margin).any() or (values <= low + margin).any())


def noise_before_quantising(*, scatter_rms: float, lsb: float) -> float:
    """Take the quantiser's own lsb²/12 out of an observed scatter, eq. (5)."""
    return math.sqrt(max(scatter_rms**2 - lsb**2 / 12.0, 0.0))


def steady_quantum(*, lsb: float, sigma: float) -> float:
    """Return the standard uncertainty that averaging cannot remove from a quantised steady level, eq. (6).

    Without noise it is that of the quantising step, lsb/√12; noise at the input dithers it away. ``sigma`` is the
    noise before quantising.
    """
    orders = np.arange(1.0, 100.0)
    harmonics = np.exp(-((2.0 * np.pi * orders * sigma / lsb) ** 2)) / orders**2
    return lsb * math.sqrt(float(harmonics.sum()) / (2.0 * math.pi**2))


def sine_quantum(*, lsb: float, sigma: float, amplitude: float) -> float:
    """Return the rms error of a quantised sine's fundamental that more samples do not average, eq. (7).

    The quantiser's error is a series of sines of the input; each has a fundamental 2·lsb/(πn)·J₁(2πn·A/lsb), damped by
    the noise. Its mean square over the unknown position of the peaks between two codes is taken.
    """
    orders = np.arange(1.0, 20.0)
    weights = np.exp(-((2.0 * np.pi * orders * sigma / lsb) ** 2)) / orders**3
    return lsb * math.sqrt(lsb / max(amplitude, lsb) * 2.0 / math.pi**4 * float(weights.sum()))


def distinct_phases(t_s: Samples, *, frequency_hz: float, cells: int = 200) -> int:
    """Count the cells of a cycle that the samples meet: a small coherent ratio of f to the sample rate meets few."""
    # An irrational offset keeps the phases k/q of a coherent record off the cells' edges.
    cell = np.floor(np.mod(frequency_hz * (t_s - t_s[0]), 1.0) * cells + 1.0 / math.pi)
    return int(np.unique(np.mod(cell, cells)).size)
