"""From a digitised record to a reading in divisions.   [pure]

What a display shows is read from its record as a person would read its trace, only better: the mean for a steady
level, a sine fit, the two states of a square wave, the crossings of time marks.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import Enum
from typing import TYPE_CHECKING, Final, assert_never

import numpy as np

from harness.analysis.amplitude import mean_level, square_amplitude, state_levels
from harness.analysis.pulse import Pulse, crossings_s, measure_pulse
from harness.analysis.record import is_clipped
from harness.analysis.sine_fit import SineFit, fit_sine, fit_sine_frequency
from harness.errors import AnalysisError
from harness.link.replies import NO_VALUE
from harness.steps import AMPLITUDE, Measure, Reading, Sine, TimeMarks

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Samples = NDArray[np.float64]

FEWEST_SAMPLES_A_PERIOD: Final = 2.5
"""Below this a sine in the record may be another one folded down, and the fit would not know."""

FEWEST_SAMPLES: Final = 8

EDGE: Final = 1 / 250
"""Part of the screen at each edge that is never trusted: a record that rests on its end code shows one level, which
does not tell the converter's step; eight bits are the coarsest."""

SLIPPED_RESIDUAL: Final = math.pi * 0.01 / math.sqrt(6)
"""Residual over amplitude when the frequency is off by 0.01 cycle over the record. Below it a frequency taken on trust
has cost less than 1.6e-4 of the amplitude; above it the frequency is fitted too."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Screenful:
    """How the record lies on the screen."""

    interval_s: float  # from sample to sample
    low_v: float  # bottom of the screen
    high_v: float
    volts_per_div: float
    s_per_div: float  # magnifier included
    ground_v: float = 0.0  # the voltage of the ground line as it was set


class Aliased(AnalysisError):  # noqa: N818 - says what the record is
    """The sweep is too slow for the frequency."""


def read_record(step: Measure, volts: Samples, screen: Screenful) -> Reading:
    """Read the step's quantity; off the screen if the trace touches an edge. Raises AnalysisError."""
    if volts.size < FEWEST_SAMPLES:
        raise AnalysisError(f"a record of {volts.size} samples shows nothing: look at its length and its format")
    span_v, full_scale = screen.high_v - screen.low_v, (screen.low_v, screen.high_v)
    if not (np.abs(volts) < NO_VALUE).all():
        return Reading(status="off_screen", flags=("clipped",))
    lsb = quantising_step(volts, span_v=span_v)
    if is_clipped(volts, full_scale=full_scale, lsb=max(lsb or 0.0, EDGE * span_v)):
        return Reading(status="off_screen", flags=("clipped",))
    match step.quantity:
        case "deflection":
            level = mean_level(volts, lsb=lsb)
            return _in_div(level.value - screen.ground_v, level.u, screen)
        case "trace_width":
            return _in_div(float(np.ptp(volts)), None, screen)
        case "peak_to_peak":
            return _peak_to_peak(step, volts, screen, lsb)
        case "span":
            return _span(step, volts, screen, lsb)
        case "rise_time" | "overshoot" | "top_aberration":
            return _of_pulse(step, volts, screen, lsb)
        case _:
            assert_never(step.quantity)


def quantising_step(volts: Samples, *, span_v: float) -> float | None:
    """Return the converter's step as the record shows it, or None where it shows too few levels or too many."""
    levels = np.unique(volts)
    steps = np.diff(levels)
    steps = steps[steps > 1e-6 * span_v]  # neighbours in the last bit of a float are one level
    if not 1 <= steps.size <= 4096:
        return None
    step = float(steps.min())
    # Codes lie on a grid; volts that do not are no raw codes but averaged or interpolated.
    on_grid = np.abs(steps / step - np.round(steps / step)) < 0.05
    return step if step < span_v / 16 and bool(on_grid.all()) else None


def _peak_to_peak(step: Measure, volts: Samples, screen: Screenful, lsb: float | None) -> Reading:
    if not isinstance(step.stimulus, Sine):
        square = square_amplitude(volts, lsb=lsb)
        return _in_div(square.value, square.u, screen)
    fit, trusted = _fit(step.stimulus.frequency_hz, volts, screen, lsb)
    flags = _words(fit.flags) if trusted else (*_words(fit.flags), "frequency fitted")
    return _in_div(
        fit.amplitude_pp, fit.u_amplitude_pp, screen, flags, noise_div=fit.residual_rms / screen.volts_per_div
    )


def _fit(frequency_hz: float, volts: Samples, screen: Screenful, lsb: float | None) -> tuple[SineFit, bool]:
    """Fit at the frequency that was set; where the record contradicts it (a time base of its own), fit that too."""
    rate_hz = 1 / screen.interval_s
    if frequency_hz * FEWEST_SAMPLES_A_PERIOD > rate_hz:
        raise Aliased(f"a record of {rate_hz:g} samples a second cannot show {frequency_hz:g} Hz: use a faster sweep")
    times = _times(volts, screen)
    fit = fit_sine(times, volts, frequency_hz=frequency_hz, lsb=lsb)
    if fit.residual_rms <= SLIPPED_RESIDUAL * fit.amplitude or fit.cycles < 1.5:
        return fit, True
    try:
        return fit_sine_frequency(times, volts, frequency_hz=frequency_hz, lsb=lsb), False
    except AnalysisError:  # no sine stands out of the noise: the amplitude at the set frequency is what there is
        return fit, True


def _span(step: Measure, volts: Samples, screen: Screenful, lsb: float | None) -> Reading:
    """Time between the marks that should be `expected` divisions apart, about the centre of the screen."""
    if not isinstance(step.stimulus, TimeMarks) or step.expected is None:
        raise AnalysisError("a span is read from time marks, with the divisions that they should be apart")
    periods = max(1, round(step.expected * screen.s_per_div / step.stimulus.period_s))
    times = _times(volts, screen)
    marks = _rising(times, volts, lsb)
    first = np.arange(marks.size - periods)
    if first.size == 0:
        raise AnalysisError(
            f"the record holds {marks.size} time marks, but {periods + 1} were expected across the screen: "
            "check the marks' period and the sweep"
        )
    middles = (marks[first] + marks[first + periods]) / 2
    start = int(first[np.abs(middles - times.mean()).argmin()])
    period_s, u_period_s = _slope(marks[start : start + periods + 1])
    u_end_s = screen.interval_s * math.sqrt(2) / math.sqrt(12) if u_period_s is None else u_period_s * periods
    return Reading(
        value=period_s * periods / screen.s_per_div,
        scatter=u_end_s / screen.s_per_div,
        more={"period_s": period_s, "periods": float(periods)},
    )


def _rising(times: Samples, volts: Samples, lsb: float | None) -> Samples:
    """One crossing a mark: half way up, taken again only after the trace has been down a quarter."""
    states = state_levels(volts, lsb=lsb) if _dwells(volts) else None
    low, high = (states.low, states.high) if states else (float(volts.min()), float(volts.max()))
    middle, armed_below = (low + high) / 2, low + 0.25 * (high - low)
    marks: list[float] = []
    at = np.flatnonzero((volts[1:] >= middle) & (volts[:-1] < middle))
    last = 0
    for index in at.tolist():
        if volts[last : index + 1].min() < armed_below:
            marks.append(float(crossings_s(times[index : index + 2], volts[index : index + 2], middle)[0]))
            last = index + 1
    return np.asarray(marks)


def _dwells(volts: Samples) -> bool:
    """Whether both halves of the range hold enough samples to call them states."""
    upper = int(np.count_nonzero(volts > (volts.min() + volts.max()) / 2))
    return min(upper, volts.size - upper) >= 8


def _slope(marks: Samples) -> tuple[float, float | None]:
    """Period from a straight line through the marks, and its standard uncertainty from three marks on."""
    number = np.arange(marks.size) - (marks.size - 1) / 2
    power = float(number @ number)
    period_s = float(number @ marks) / power
    if marks.size < 3:
        return period_s, None
    rest = marks - marks.mean() - period_s * number
    return period_s, math.sqrt(float(rest @ rest) / (marks.size - 2) / power)


def _of_pulse(step: Measure, volts: Samples, screen: Screenful, lsb: float | None) -> Reading:
    times = _times(volts, screen)
    pulse = measure_pulse(times, volts, edge="rising", lsb=lsb)
    flags = _words(pulse.flags)
    noise = pulse.noise / pulse.amplitude
    more = {AMPLITUDE: pulse.amplitude / screen.volts_per_div}
    if step.quantity == "rise_time":
        return Reading(value=pulse.rise_time_s, scatter=pulse.u_rise_time_s, flags=flags, more=more)
    value = pulse.overshoot if step.quantity == "overshoot" else _departure(times, volts, pulse)
    return Reading(value=value, scatter=noise, flags=flags, more=more)


def _departure(times: Samples, volts: Samples, pulse: Pulse) -> float:
    """Largest departure of the top from its level, from five rise times after the edge to where the top ends."""
    fraction = (volts - pulse.base) / pulse.amplitude
    settled = times >= pulse.t50_s + 5 * pulse.rise_time_s
    ends = np.flatnonzero(settled & (fraction < 0.9))
    top = fraction[: ends[0] if ends.size else None][settled[: ends[0] if ends.size else None]]
    if top.size < 4:
        raise AnalysisError("the record ends before the top has settled: use a slower sweep")
    return float(np.abs(top - 1).max())


def _times(volts: Samples, screen: Screenful) -> Samples:
    return np.arange(volts.size, dtype=np.float64) * screen.interval_s


def _in_div(
    value_v: float, u_v: float | None, screen: Screenful, flags: tuple[str, ...] = (), **more: float
) -> Reading:
    return Reading(
        value=value_v / screen.volts_per_div,
        scatter=None if u_v is None else u_v / screen.volts_per_div,
        flags=flags,
        more=more,
    )


def _words(flags: frozenset[Enum]) -> tuple[str, ...]:
    return tuple(sorted(flag.name.lower().replace("_", " ") for flag in flags))
