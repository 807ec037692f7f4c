"""Fit a sine to a digitised record: three parameters at a known frequency, four where the frequency is not known.

A record is worth far more than its peak-to-peak: the fit averages noise instead of collecting it, and its standard
uncertainty stands at the Cramér–Rao bound. The unit of the result is the unit of the record (volts, divisions, codes).
Equations are numbered as in docs/waveforms.md.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import TYPE_CHECKING

import numpy as np

from harness.analysis.record import (
    distinct_phases,
    noise_before_quantising,
    sine_quantum,
    sound_record,
    steady_quantum,
)
from harness.errors import AnalysisError

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    Samples = NDArray[np.float64]

FEWEST_CYCLES = 5.0
"""Below this the offset and the sine are no longer told apart well (measurement practice: 5 to 20 cycles)."""

FEWEST_PHASES = 50
"""Fewer distinct phases than this leave a quantiser's error standing still instead of averaging it."""

CONVERGED_CYCLES = 1e-9
LARGEST_CONDITION = 1e6


class SineFlag(StrEnum):
    """What a reader must know before trusting a fit; the value is the sentence's ending: "the record …"."""

    FEW_CYCLES = "holds too few cycles: lengthen it or use a slower sweep"
    COHERENT = "meets the sine at a few phases only: move the frequency or the sample rate a little"
    ALIASED = "has fewer than two samples a period: the frequency is taken on trust"


@dataclass(frozen=True, slots=True, kw_only=True)
class SineFit:
    """``v = cos·cos(ωt) + sin·sin(ωt) + offset = amplitude·sin(ωt + phase) + offset``.

    ``u_amplitude`` and ``u_frequency_hz`` are standard uncertainties; ``residual_rms`` is the root of the residual sum
    of squares over its degrees of freedom.
    """

    cos: float
    sin: float
    offset: float
    frequency_hz: float
    residual_rms: float
    u_amplitude: float
    u_offset: float
    u_frequency_hz: float
    cycles: float
    samples: int
    flags: frozenset[SineFlag]

    @property
    def amplitude(self) -> float:
        """Peak value."""
        return math.hypot(self.cos, self.sin)

    @property
    def amplitude_pp(self) -> float:
        """Peak-to-peak value."""
        return 2.0 * self.amplitude

    @property
    def u_amplitude_pp(self) -> float:
        """Standard uncertainty of the peak-to-peak value."""
        return 2.0 * self.u_amplitude

    @property
    def phase_rad(self) -> float:
        """Phase of the sine at t = 0, in (−π, π]."""
        return math.atan2(self.cos, self.sin)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Solution:
    """A fit about the record's middle, with its covariance of (cos, sin, offset[, frequency]) for unit residuals."""

    cos: float
    sin: float
    offset: float
    frequency_hz: float
    rss: float
    unit_covariance: tuple[tuple[float, ...], ...]

    @property
    def parameters(self) -> int:
        return len(self.unit_covariance)


def fit_sine(
    t_s: ArrayLike,
    v: ArrayLike,
    *,
    frequency_hz: float,
    u_frequency_hz: float = 0.0,
    lsb: float | None = None,
) -> SineFit:
    """Fit amplitude, phase and offset at a frequency known from elsewhere (a counter, the generator).

    Parameters
    ----------
    t_s, v
        Sample times in seconds and samples, both of shape (M,), M ≥ 4; the times need not be equidistant.
    frequency_hz, u_frequency_hz
        The frequency and its standard uncertainty. An error of δ cycles over the record loses (πδ)²/6 of the
        amplitude (1.6e-4 at 0.01 cycle): beyond that fit four parameters.
    lsb
        The quantising step, for the uncertainty and the flags.

    Raises
    ------
    AnalysisError
        Too few samples, values that are not finite, or a record that cannot tell the sine from its offset.

    References
    ----------
    IEEE Std 1057, three-parameter (known frequency) least-squares fit, matrix method; docs/waveforms.md eq. (1)–(9).
    """
    times, values = sound_record(t_s, v, fewest=4)
    _require_frequency(frequency_hz)
    solution = _solve(times, values, frequency_hz)
    return _finish(times, solution, u_frequency_hz=u_frequency_hz, lsb=lsb)


def fit_sine_frequency(
    t_s: ArrayLike,
    v: ArrayLike,
    *,
    frequency_hz: float,
    lsb: float | None = None,
) -> SineFit:
    """Fit amplitude, phase, offset and frequency, starting within about one cycle over the record.

    Parameters
    ----------
    t_s, v
        Sample times in seconds and samples, both of shape (M,), M ≥ 5.
    frequency_hz
        Where to start.
    lsb
        As for :func:`fit_sine`.

    Raises
    ------
    AnalysisError
        As :func:`fit_sine`; or no convergence, or an end more than two cycles over the record away from the start.

    References
    ----------
    IEEE Std 1057, four-parameter least-squares fit (Gauss–Newton); docs/waveforms.md eq. (10).
    """
    times, values = sound_record(t_s, v, fewest=5)
    _require_frequency(frequency_hz)
    solution = _gauss_newton(times, values, _best_start(times, values, frequency_hz))
    if abs(solution.frequency_hz - frequency_hz) * _span_s(times) > 2.0:
        raise AnalysisError(
            f"The sine fit moved from {frequency_hz:g} Hz to {solution.frequency_hz:g} Hz: "
            "start it from a frequency within one cycle over the record."
        )
    return _finish(times, solution, u_frequency_hz=None, lsb=lsb)


def _require_frequency(frequency_hz: float) -> None:
    if not (math.isfinite(frequency_hz) and frequency_hz > 0.0):
        raise AnalysisError(f"A sine fit needs a frequency above zero, not {frequency_hz:g} Hz.")


def _middle_s(times: Samples) -> float:
    return float(times.min() + times.max()) / 2.0


def _span_s(times: Samples) -> float:
    """Duration of the record, the last sample's own interval included."""
    return float(np.ptp(times)) * times.size / (times.size - 1)


def _design(times: Samples, frequency_hz: float) -> Samples:
    phase = 2.0 * np.pi * frequency_hz * (times - _middle_s(times))
    return np.column_stack((np.cos(phase), np.sin(phase), np.ones_like(phase)))


def _solve(times: Samples, values: Samples, frequency_hz: float) -> _Solution:
    design = _design(times, frequency_hz)
    (cos, sin, offset), covariance = _least_squares(design, values, frequency_hz)
    residuals = values - design @ np.array((cos, sin, offset))
    return _Solution(
        cos=cos,
        sin=sin,
        offset=offset,
        frequency_hz=frequency_hz,
        rss=float(residuals @ residuals),
        unit_covariance=covariance,
    )


def _least_squares(
    design: Samples, values: Samples, frequency_hz: float
) -> tuple[tuple[float, ...], tuple[tuple[float, ...], ...]]:
    """Solve by singular values, so that a record that cannot decide is refused instead of answered."""
    left, singular, right = np.linalg.svd(design, full_matrices=False)
    if singular[-1] * LARGEST_CONDITION < singular[0]:
        raise AnalysisError(
            f"These samples cannot tell a sine of {frequency_hz:g} Hz from its offset: "
            "take a longer record, or another sample rate."
        )
    solution = right.T @ ((left.T @ values) / singular)
    covariance = (right.T / singular**2) @ right
    return tuple(solution.tolist()), tuple(map(tuple, covariance.tolist()))


def _best_start(times: Samples, values: Samples, frequency_hz: float) -> _Solution:
    """Scan a cycle to either side in quarter cycles: Gauss–Newton then starts inside the main lobe."""
    step_hz = 0.25 / _span_s(times)
    starts = [frequency_hz + k * step_hz for k in range(-4, 5)]
    return min((_solve(times, values, f) for f in starts if f > step_hz), key=lambda fit: fit.rss)


def _gauss_newton(times: Samples, values: Samples, start: _Solution) -> _Solution:
    """Variable projection: cos, sin and offset are re-solved at each frequency, so only the frequency is stepped."""
    fit, span_s = start, _span_s(times)
    for _ in range(40):
        step_hz, covariance = _frequency_step(times, values, fit)
        trial = _solve(times, values, fit.frequency_hz + step_hz)
        while trial.rss > fit.rss and abs(step_hz) * span_s > CONVERGED_CYCLES:
            step_hz /= 2.0
            trial = _solve(times, values, fit.frequency_hz + step_hz)
        if abs(step_hz) * span_s <= CONVERGED_CYCLES:
            return replace(min(fit, trial, key=lambda end: end.rss), unit_covariance=covariance)
        fit = trial
    raise AnalysisError(
        f"The sine fit near {start.frequency_hz:g} Hz does not settle: check that the record holds that sine."
    )


def _frequency_step(times: Samples, values: Samples, fit: _Solution) -> tuple[float, tuple[tuple[float, ...], ...]]:
    """Linearise in all four parameters, eq. (10); the frequency column is scaled to order one."""
    design, span_s = _design(times, fit.frequency_hz), _span_s(times)
    tilt = 2.0 * np.pi * (times - _middle_s(times)) / span_s
    column = tilt * (fit.sin * design[:, 0] - fit.cos * design[:, 1])
    scale = math.hypot(fit.cos, fit.sin)
    if scale == 0.0:
        raise AnalysisError(f"The record holds no sine near {fit.frequency_hz:g} Hz to find the frequency of.")
    solution, covariance = _least_squares(np.column_stack((design, column / scale)), values, fit.frequency_hz)
    rescale = np.array((1.0, 1.0, 1.0, 1.0 / (scale * span_s)))
    scaled = np.asarray(covariance) * np.outer(rescale, rescale)
    return solution[3] / (scale * span_s), tuple(map(tuple, scaled.tolist()))


def _finish(
    times: Samples,
    fit: _Solution,
    *,
    u_frequency_hz: float | None,
    lsb: float | None,
) -> SineFit:
    """Turn the phase back to t = 0 and state the uncertainties; ``u_frequency_hz`` None means: from the fit."""
    covariance = np.asarray(fit.unit_covariance)
    amplitude = math.hypot(fit.cos, fit.sin)
    residual_rms = math.sqrt(fit.rss / (times.size - fit.parameters))
    phases = distinct_phases(times, frequency_hz=fit.frequency_hz)
    sigma = max(residual_rms, 0.0 if lsb is None else lsb / math.sqrt(12.0))
    lost = _u_loss(amplitude, _span_s(times) * (u_frequency_hz or 0.0))
    quantum = 0.0 if lsb is None else _u_quantising(amplitude, residual_rms, lsb, phases, times.size)
    turn = 2.0 * np.pi * fit.frequency_hz * _middle_s(times)
    cycles = fit.frequency_hz * _span_s(times)
    return SineFit(
        cos=fit.cos * math.cos(turn) - fit.sin * math.sin(turn),
        sin=fit.cos * math.sin(turn) + fit.sin * math.cos(turn),
        offset=fit.offset,
        frequency_hz=fit.frequency_hz,
        residual_rms=residual_rms,
        u_amplitude=math.sqrt((sigma * _gradient_norm(fit, covariance)) ** 2 + lost**2 + quantum**2),
        u_offset=math.hypot(sigma * math.sqrt(covariance[2, 2]), quantum),
        u_frequency_hz=sigma * math.sqrt(covariance[3, 3]) if u_frequency_hz is None else u_frequency_hz,
        cycles=cycles,
        samples=times.size,
        flags=frozenset(_flags(times.size, cycles=cycles, phases=phases)),
    )


def _gradient_norm(fit: _Solution, covariance: Samples) -> float:
    """Standard uncertainty of the amplitude for unit residual deviation, eq. (2)."""
    amplitude = math.hypot(fit.cos, fit.sin)
    if amplitude == 0.0:
        return float(math.sqrt(np.trace(covariance[:2, :2]) / 2.0))
    gradient = np.array((fit.cos, fit.sin)) / amplitude
    return float(math.sqrt(gradient @ covariance[:2, :2] @ gradient))


def _u_loss(amplitude: float, u_cycles: float) -> float:
    """Root mean square of the amplitude lost, eq. (4), to a frequency error of ``u_cycles`` over the record."""
    return amplitude * math.sqrt(3.0) * (math.pi * u_cycles) ** 2 / 6.0


def _u_quantising(amplitude: float, residual_rms: float, lsb: float, phases: int, samples: int) -> float:
    """Combine what a quantiser leaves at the fundamental with what stands still at a few repeated phases, eq. (8)."""
    sigma = noise_before_quantising(scatter_rms=residual_rms, lsb=lsb)
    # Opposite phases of a centred sine meet mirrored codes, so q phases hold only q/2 independent errors.
    repeated = 4.0 / phases if _is_coherent(phases, samples) else 0.0
    return math.hypot(
        sine_quantum(lsb=lsb, sigma=sigma, amplitude=amplitude),
        steady_quantum(lsb=lsb, sigma=sigma) * math.sqrt(repeated),
    )


def _is_coherent(phases: int, samples: int) -> bool:
    return phases < min(FEWEST_PHASES, samples / 2)


def _flags(samples: int, *, cycles: float, phases: int) -> list[SineFlag]:
    flags = []
    if cycles < FEWEST_CYCLES:
        flags.append(SineFlag.FEW_CYCLES)
    if _is_coherent(phases, samples):
        flags.append(SineFlag.COHERENT)
    if samples < 2.0 * cycles:
        flags.append(SineFlag.ALIASED)
    return flags
