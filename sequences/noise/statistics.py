"""What a record of noise says: its standard deviation before quantising, and its height.   [pure]

Equations are numbered as in docs/noise.md.

References
----------
Rounding of a noisy value: W. F. Sheppard, 1898 (q²/12), and the characteristic function of the noise (B. Widrow, 1961),
both from memory. Distribution of a sample variance: JCGM 100:2008, E.4.3 and H.3 (χ² from any textbook).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Final

import numpy as np

from harness.analysis import estimate
from harness.analysis.amplitude import TWO_CODES_SHARE
from harness.analysis.estimate import COVERAGE, Contribution
from harness.analysis.special import chdtri, ndtr
from harness.words.language import tr

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Samples = NDArray[np.float64]

HIDDEN: Final = 0.4
"""Of a quantising step: noise below this may leave no trace of its size, by the place of the line: equation (4)."""

_NONE: Final = 1e-9  # of a value: no line of a budget


@dataclass(frozen=True, slots=True, kw_only=True)
class Spread:
    """One record: its standard deviation as it is, the quantising step, how many independent samples know it, and what
    share of them stands on the two fullest codes."""

    observed: float
    quantum: float
    dof: float
    on_two: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Noise:
    """A standard deviation with its lines, in the unit of the records."""

    value: float
    lines: tuple[Contribution, ...]
    hidden: bool  # in the converter's step


def degrees_of_freedom(samples: Samples) -> float:
    """Degrees of freedom of the variance of correlated samples, equation (2): (M − 1)/Σρₖ² over neighbours alike."""
    deviations = samples - samples.mean()
    power = float(deviations @ deviations)
    if power == 0.0:
        return float(samples.size - 1)
    spectrum = np.fft.rfft(deviations, 2 * samples.size)
    rho = np.fft.irfft(np.abs(spectrum) ** 2)[1 : samples.size // 2] / power
    noise = 2.0 / math.sqrt(samples.size)  # what uncorrelated samples show
    ends = np.flatnonzero(np.abs(rho) < noise)
    squares = float(np.square(rho[: ends[0] if ends.size else rho.size]).sum())
    return max((samples.size - 1) / (1.0 + 2.0 * squares), 1.0)


def before_quantising(records: Sequence[Spread], unit: str) -> Noise:
    """The noise that several records of one setting show together, with the converter's own part taken out.

    Equations (1) to (4): the part q²/12 is taken out where what is left exceeds q/√12 and more than two codes are met.
    Else the scatter tells where the line stands between two codes, and of the noise only that it is below 0.4 q.
    """
    dof = math.fsum(each.dof for each in records)
    variance = math.fsum(each.dof * each.observed**2 for each in records) / dof
    quantum = max(each.quantum for each in records)
    own = quantum**2 / 12
    if quantum and (variance <= 2 * own or any(each.on_two >= TWO_CODES_SHARE for each in records)):
        half = HIDDEN * quantum / 2
        return Noise(
            value=half,
            lines=(estimate.rectangular("noise hidden in the converter's step", half_width=half, unit=unit),),
            hidden=True,
        )
    value = math.sqrt(variance - own)
    observed = math.sqrt(variance)
    lines = [estimate.normal(tr("length of the record"), u=spread_of(observed, dof) * observed / value, unit=unit)]
    ripple = _ripple(value, quantum) / (2 * value) if quantum else 0.0
    if ripple > _NONE * value:
        lines.append(estimate.arcsine(tr("place of the line between two codes"), half_width=ripple, unit=unit))
    return Noise(value=value, lines=tuple(lines), hidden=False)


def spread_of(observed: float, dof: float) -> float:
    """Standard uncertainty of a standard deviation, equation (3): half of the wider side of its χ² interval."""
    low = float(chdtri(dof, 0.5 * (1.0 + COVERAGE)))  # the χ² that is exceeded so often
    return observed * (math.sqrt(dof / low) - 1.0) / 2.0


def _ripple(sigma: float, quantum: float) -> float:
    """By how much the variance of rounded noise departs from σ² + q²/12, first harmonic of equation (4)."""
    square = (2 * math.pi * sigma / quantum) ** 2
    return (quantum / math.pi) ** 2 * (1 + square) * math.exp(-square / 2)


def on_two_codes(samples: Samples) -> float:
    """The share of a record on its two fullest codes."""
    _, counts = np.unique(samples, return_counts=True)
    return float(np.sort(counts)[-2:].sum() / samples.size)


@lru_cache(maxsize=64)
def height_of(samples: int) -> tuple[float, float]:
    """Mean and standard deviation of the range of so many independent normal samples, in σ: equation (5).

    The two ends are taken as independent, which from a hundred samples on they are to better than 1 %.
    """
    x = np.linspace(-9.0, 9.0, 18_001)
    below = np.exp(max(samples, 2) * np.log(np.maximum(ndtr(x), 1e-300)))
    step = float(x[1] - x[0])
    mean = float(x[-1]) - step * float(below.sum() - below[-1] / 2)
    second = float(x[-1]) ** 2 - 2 * step * float((x * below).sum() - x[-1] * below[-1] / 2)
    return 2 * mean, math.sqrt(2 * max(second - mean**2, 0.0))
