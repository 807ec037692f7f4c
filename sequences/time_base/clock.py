"""The clock of a unit that samples, by the alias of a counted sine just off a multiple of the record's rate.

A record of rate F (nominal f) shows a sine of f0 = n·f + c as |f0/F − n|·f: its cycles are counted over the whole
record, so a thousand samples tell the clock to a fraction of a ppm. Sines on both sides of the multiple tell the sign
of each alias; two multiples tell a real, even rate from one that is interpolated, or of several sweeps. Equations are
numbered as in docs/deflection.md.

References
----------
IEEE Std 1057 (sine fit; its bound for the frequency, from memory): σ(f) = √6·σ/(π·A·T·√M).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise, product
from typing import TYPE_CHECKING, Final

import numpy as np

from harness.analysis import estimate
from harness.analysis.estimate import Budget, Contribution
from harness.analysis.sine_fit import SineFit, fit_sine_frequency
from harness.analysis.verdict import relative_error
from harness.assess import PER_RATIO, as_applied, period_lines, true_period_ratio
from harness.errors import AnalysisError
from harness.measurement import POINTS, Quantity, Rating, Screenful
from harness.models import Setup, Unit, rated
from harness.quantities import show
from harness.steps import AMPLITUDE, Measure, Reading, Sine
from harness.words.language import tr
from sequences.reading import times, words
from sequences.time_base import Rated

if TYPE_CHECKING:
    from harness.measurement import Samples

SET: Final = "set_hz"
RATE: Final = "sample_hz"
_TAKEN: Final = "sample_rate_hz"  # said by a display whose record is not of one sweep
JITTER: Final = "jitter_s2"  # square of the jitter, which may come out below zero where there is none
U_JITTER: Final = "u_jitter_s2"
APART: Final = 5.0  # standard uncertainties, between two multiples: more is no scatter
_BEYOND_CHANCE: Final = 2.6  # chi-squared over its 3 degrees of freedom, by chance in 5 of 100
_NOISE_DIV: Final = 0.03  # of a sample, before there is a record: an eight-bit step over eight divisions
_PPM: Final = PER_RATIO["ppm"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Clocked:
    """What one sine says of the clock: its error as a ratio, to `u`, from multiple `order` of the record's rate."""

    error: float
    u: float
    order: int


def clock_budget(
    setup: Setup,
    step: Measure,
    readings: Sequence[Reading] = (),
    _ground: Sequence[Reading] = (),
    repeats: int = 1,
) -> Budget:
    """Return the error of the clock in ppm by one sine, its alias taken to lie on the side where it should."""
    if readings:
        return clock_error(setup, step, readings)
    order = _order(step.stimulus.rate_hz or 0.0, rate_of(setup.unit, step))
    amplitude_div = setup.unit.usable_div / 2
    u = math.sqrt(6) * _NOISE_DIV / (math.pi * amplitude_div * order * POINTS**1.5 * math.sqrt(repeats))
    return _budget(setup, step, error=0.0, fit=estimate.normal(tr("sine fits"), u=u, sensitivity=_PPM))


def clock_error(setup: Setup, step: Measure, readings: Sequence[Reading]) -> Budget:
    """
    Return the error of the clock in ppm from sines on both sides of one or more multiples of the record's rate.

    Raises
    ------
    AnalysisError
        Nothing read; or multiples that do not agree, so that the record's samples are not taken at one real rate.

    References
    ----------
    docs/deflection.md, equations (25) to (28).
    """
    for reading in readings:
        if _TAKEN in reading.more:
            raise AnalysisError(
                f"the unit says that it samples at {show(reading.more[_TAKEN], 'Hz')}, and its record has more: "
                "they are of several sweeps, or interpolated; it takes a slower time factor."
            )
    sines = clocks(setup, step, readings)
    if not sines:
        raise AnalysisError("none of the sines was read.")
    _agree(setup, sines)
    weights = [1.0 / each.u**2 for each in sines]
    error = math.fsum(w * each.error for w, each in zip(weights, sines, strict=True)) / math.fsum(weights)
    inner = 1.0 / math.sqrt(math.fsum(weights))
    chi2 = math.fsum(((each.error - error) / each.u) ** 2 for each in sines)
    free = len(sines) - 1
    fit = estimate.normal(tr("fits of {count} sines", count=len(sines)), u=inner, sensitivity=_PPM)
    if free and chi2 > _BEYOND_CHANCE * free:
        wider = inner * math.sqrt(chi2 / free)
        fit = estimate.normal(tr("scatter of {count} sines", count=len(sines)), u=wider, dof=free, sensitivity=_PPM)
    return _budget(setup, step, error=error, fit=fit)


def clocks(setup: Setup, step: Measure, readings: Sequence[Reading]) -> tuple[Clocked, ...]:
    """What each sine says by itself, where it was read, by rising multiples of the record's rate."""
    orders: dict[int, list[Reading]] = {}
    for reading in readings:
        if reading.status == "read" and reading.value is not None and SET in reading.more:
            orders.setdefault(_order(reading.more[SET], reading.more[RATE]), []).append(reading)
    return tuple(each for order in sorted(orders) for each in _signed(setup, step, orders[order]))


def jitter_of(readings: Sequence[Reading]) -> tuple[float, float] | None:
    """Square of the jitter of the sampling instants (s²), and its standard uncertainty; None where nothing says it."""
    said = [(r.more[JITTER], r.more[U_JITTER]) for r in readings if r.more.get(U_JITTER, 0.0) > 0.0]
    if not said:
        return None
    weight = math.fsum(1.0 / u**2 for _, u in said)
    return math.fsum(s2 / u**2 for s2, u in said) / weight, 1.0 / math.sqrt(weight)


def rate_of(unit: Unit, step: Measure) -> float:
    """The rate that a record has at a time factor, by its nominal width."""
    return POINTS / (unit.horizontal_div * step.view.s_per_div / step.view.magnifier)


def _budget(setup: Setup, step: Measure, *, error: float, fit: Contribution) -> Budget:
    sign = 1.0 if setup.job.error == "indication" else -1.0
    lines = [replace(line, sensitivity=line.sensitivity * _PPM) for line in period_lines(setup, as_applied(step, ()))]
    return Budget(
        quantity=tr("sample clock at {s_per_div}/div", s_per_div=show(step.view.s_per_div, "s")),
        unit="ppm",
        estimate=_PPM * relative_error(1.0 + error, 1.0, setup.job.error),
        contributions=tuple(replace(line, sensitivity=sign * line.sensitivity) for line in (*lines, fit)),
    )


def _order(set_hz: float, rate_hz: float) -> int:
    """Which multiple of the record's rate a sine is near; AnalysisError for one that the record shows as it is."""
    order = round(set_hz / rate_hz)
    if order < 1:
        raise AnalysisError(
            f"the record's rate of {show(rate_hz, 'Hz')} shows the sine as it is, and says nothing of the clock: the "
            f"record has another length than the {POINTS} samples that were asked for."
        )
    return order


def _signed(setup: Setup, step: Measure, readings: Sequence[Reading]) -> Iterable[Clocked]:
    """Each sine's error with the signs of the aliases for which they agree best; one alone is where it should be."""
    usual = {r.more[SET]: 1.0 if r.more[SET] / r.more[RATE] % 1.0 < 0.5 else -1.0 for r in readings}
    choices = product(*((sign, -sign) for sign in usual.values())) if len(usual) > 1 else [tuple(usual.values())]
    found = []
    for choice in choices:
        signs = dict(zip(usual, choice, strict=True))
        found.append([_clocked(setup, step, reading, signs[reading.more[SET]]) for reading in readings])
    return min(found, key=lambda sines: max(each.error for each in sines) - min(each.error for each in sines))


def _clocked(setup: Setup, step: Measure, reading: Reading, sign: float) -> Clocked:
    sine = Sine(level_vpp=step.stimulus.level, frequency_hz=reading.more[SET])
    applied = as_applied(replace(step, stimulus=sine), [reading])
    true_hz = (applied.stimulus.rate_hz or 0.0) / true_period_ratio(setup, applied)
    rate_hz = reading.more[RATE]
    order = _order(reading.more[SET], rate_hz)
    return Clocked(  # the alias was counted on the record's own nominal time: |f0/F − n|·f
        error=true_hz / (order * rate_hz + sign * (reading.value or 0.0)) - 1.0,
        u=max(reading.scatter or 0.0, 1e-12 * true_hz) / (order * rate_hz),
        order=order,
    )


def _agree(setup: Setup, sines: Sequence[Clocked]) -> None:
    """Refuse multiples that differ by more than they scatter, where that is enough to matter."""
    least = 0.1 * (rated(setup.unit, Rated).time_clock or 0.0)
    means = []
    for order in dict.fromkeys(each.order for each in sines):
        some = [each for each in sines if each.order == order]
        means.append((math.fsum(e.error for e in some) / len(some), math.hypot(*(e.u for e in some)) / len(some)))
    for (a, u_a), (b, u_b) in pairwise(means):
        if abs(a - b) > max(APART * math.hypot(u_a, u_b), least):
            raise AnalysisError(
                f"two multiples of the record's rate say {_PPM * a:+.3g} ppm and {_PPM * b:+.3g} ppm: its samples are "
                "not taken at one real rate; look at the unit's acquisition mode, and at 'sample_rate'."
            )


# --- from a record ------------------------------------------------------------------------------------------------


def _alias(step: Measure, volts: Samples, screen: Screenful, lsb: float | None) -> Reading:
    at = times(volts, screen)
    strongest_hz = _strongest_hz(volts, screen.interval_s)
    try:
        fit = fit_sine_frequency(at, volts, frequency_hz=strongest_hz, lsb=lsb)
    except AnalysisError:  # it holds no sine: is anything connected?
        return Reading(value=strongest_hz, more={AMPLITUDE: 0.0})
    jitter_s2, u_jitter_s2, wider = _jitter(at, volts, fit, step.stimulus.rate_hz or fit.frequency_hz)
    return Reading(
        value=fit.frequency_hz,
        scatter=fit.u_frequency_hz * wider,
        flags=words(fit.flags),
        more={
            SET: step.stimulus.rate_hz or 0.0,
            RATE: 1.0 / screen.interval_s,
            AMPLITUDE: fit.amplitude_pp / screen.volts_per_div,
            JITTER: jitter_s2,
            U_JITTER: u_jitter_s2,
        },
    )


def _strongest_hz(volts: Samples, interval_s: float) -> float:
    """The strongest line of the record, to within a cycle over it."""
    spectrum = np.abs(np.fft.rfft((volts - volts.mean()) * np.hanning(volts.size)))
    return float(max(1, int(spectrum.argmax()))) / (volts.size * interval_s)


def _jitter(at: Samples, volts: Samples, fit: SineFit, signal_hz: float) -> tuple[float, float, float]:
    """Square of the jitter, its u, and how much wider than by even noise the frequency is known.

    Residuals of variance a + b·cos²φ: noise is the same everywhere, jitter goes with the square of the sine's slope.
    """
    phase = 2 * np.pi * fit.frequency_hz * at
    squares = (volts - fit.cos * np.cos(phase) - fit.sin * np.sin(phase) - fit.offset) ** 2
    slope2 = np.cos(phase + fit.phase_rad) ** 2 - 0.5
    power = float(slope2 @ slope2)
    b = float(slope2 @ (squares - squares.mean())) / power
    mean = float(squares.mean())
    rises = max(0.0, b) / mean if mean > 0.0 else 0.0
    u_b = mean * math.sqrt(2.0 / power * (1.0 + 3.0 / 16.0 * rises**2))
    per_s2 = (2 * math.pi * signal_hz * fit.amplitude) ** 2
    if not per_s2 > 0.0:
        return 0.0, 0.0, 1.0
    return b / per_s2, u_b / per_s2, math.sqrt(1.0 + rises / 4.0)


CLOCK: Final = Rating(
    name="sample clock",
    is_error=True,
    axis="time",
    tolerance=lambda unit, _step: rated(unit, Rated).time_clock,
    budget=clock_budget,
    remedy="a counter, or a generator, that is known better",
    error_in="ppm",
)

ALIAS: Final = Quantity(
    name="alias",
    unit="Hz",
    axis="time",
    question="which frequency does the record of the sine show?",
    from_record=_alias,
    rating=CLOCK,
)
