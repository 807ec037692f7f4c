"""What two channels are read for together, and what is stated of them.

Equations are numbered as in docs/inputs.md.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING, Final

from harness.analysis import estimate
from harness.analysis.estimate import Budget, Contribution
from harness.analysis.graticule import Length, Reader
from harness.analysis.pulse import measure_pulse
from harness.analysis.sine_fit import SineFit, fit_sine, fit_sine_frequency
from harness.assess import read_length, reader_along
from harness.errors import AnalysisError
from harness.measurement import Aliased, Quantity, Rating, Screenful
from harness.models import Setup, rated
from harness.quantities import ratio_of_db, round_to
from harness.steps import Measure, Reading, Sine
from harness.words.language import tr, tr_later
from sequences.channels_together import Rated
from sequences.comparing import Readings, scaled
from sequences.reading import times, words
from sequences.time_base.span import time_factor_line

if TYPE_CHECKING:
    from harness.measurement import Samples

HEIGHT_DIV: Final = 6.0  # of one channel alone, where two are compared
HALF_DIV: Final = 3.0  # where two are added
_NS_PER_S: Final = 1e9
_FEWEST_A_PERIOD: Final = 2.5


# --- budgets -------------------------------------------------------------------------------------------------------


def phase_budget(
    setup: Setup,
    step: Measure,
    readings: Readings = (),
    _ground: Readings = (),
    repeats: int = 1,
    *,
    beside: Readings = (),
) -> Budget:
    """Return the phase between two channels in degrees, of records or of X-Y's opening and height: (7) to (10)."""
    if step.quantity == PHASE.name:
        value_deg, lines = _relative(setup, step, readings, repeats, amplitude_div=HEIGHT_DIV / 2, scale=_IN_DEGREES)
    else:
        ratio, u_lines = _ratio(setup, readings, repeats, beside=beside)
        if not ratio < 1.0:
            raise AnalysisError("the figure is as wide at its middle as it is high: its phase is near 90°.")
        value_deg = math.degrees(math.asin(ratio))
        lines = scaled(u_lines, math.degrees(1.0 / math.sqrt(1.0 - ratio**2)))
    leads = _leads(setup, step, 360.0 * (step.stimulus.rate_hz or 0.0))
    return Budget(quantity=_of(tr_later("phase"), step), unit="°", estimate=value_deg, contributions=(*lines, leads))


def delay_budget(
    setup: Setup, step: Measure, readings: Readings = (), _ground: Readings = (), repeats: int = 1
) -> Budget:
    """Return the delay between two channels in ns: (11) and (12)."""
    s_per_div = step.view.s_per_div / step.view.magnifier
    reader = reader_along(setup.unit, "time")
    length = read_length(reader, readings, planned=0.0, repeats=repeats, in_one_div=s_per_div)
    delay_s = length.value_div * s_per_div
    lines = [replace(line, sensitivity=s_per_div) for line in length.contributions]
    if delay_s:
        lines.append(time_factor_line(setup.unit, step, sensitivity=abs(delay_s)))
    lines.append(_leads(setup, step, 1.0))
    return Budget(
        quantity=_of(tr_later("delay"), step),
        unit="ns",
        estimate=delay_s * _NS_PER_S,
        contributions=scaled(lines, _NS_PER_S),
    )


def difference_budget(
    setup: Setup,
    step: Measure,
    readings: Readings = (),
    _ground: Readings = (),
    repeats: int = 1,
    *,
    beside: Readings = (),
) -> Budget:
    """Return what is left of a common signal in percent of it: (13) and (14)."""
    if step.quantity == DIFFERENCE.name:
        ratio, lines = _relative(setup, step, readings, repeats, amplitude_div=HEIGHT_DIV, scale=1.0)
    else:
        ratio, lines = _ratio(setup, readings, repeats, beside=beside)
    leads = _leads(setup, step, 2 * math.pi * (step.stimulus.rate_hz or 0.0))
    return Budget(
        quantity=_of(tr_later("difference"), step),
        unit="%",
        estimate=100.0 * ratio,
        contributions=scaled((*lines, leads), 100.0),
    )


def sum_budget(
    setup: Setup,
    step: Measure,
    readings: Readings = (),
    _ground: Readings = (),
    repeats: int = 1,
    *,
    parts: tuple[Readings, Readings] | None = None,
) -> Budget:
    """Return how far the sum is from what both channels show by themselves, in percent: (15) and (16)."""
    if readings and parts is None:
        raise AnalysisError("what each channel shows by itself was not read.")
    one, other = parts or ((), ())
    whole = _length(setup, readings, 2 * HALF_DIV, repeats)
    singles = [_length(setup, each, HALF_DIV, repeats) for each in (one, other)]
    sum_div = math.fsum(single.value_div for single in singles)
    ratio = whole.value_div / sum_div
    lines = [
        replace(line, name=f"{name}: {line.name}", sensitivity=sensitivity)
        for name, length, sensitivity in (
            (tr("sum"), whole, 100.0 / sum_div),
            (tr("one channel"), singles[0], -100.0 * ratio / sum_div),
            (tr("other channel"), singles[1], -100.0 * ratio / sum_div),
        )
        for line in length.contributions
    ]
    return Budget(
        quantity=tr("sum of channels {channel} and {second}", channel=step.view.channel, second=step.second),
        unit="%",
        estimate=100.0 * (ratio - 1.0),
        contributions=tuple(lines),
    )


_IN_DEGREES: Final = math.degrees(1.0)


def _of(what: str, step: Measure) -> str:
    return tr(
        "{what} of channel {channel} against channel {second}",
        what=tr(what), channel=step.view.channel, second=step.second
    )  # fmt: skip


def _relative(
    setup: Setup, step: Measure, readings: Readings, repeats: int, *, amplitude_div: float, scale: float
) -> tuple[float, tuple[Contribution, ...]]:
    """What is read of two records relative to an amplitude; a record's scatter is that of its amplitude."""
    per_div = scale / amplitude_div
    reader, planned = Reader(resolution_div=0.0, scatter_div=setup.unit.scatter), step.expected or 0.0
    length = read_length(reader, readings, planned=planned, repeats=repeats, edges="one", in_one_div=per_div)
    scatter = (line for line in length.contributions if line.u)
    return length.value_div * per_div, tuple(replace(line, sensitivity=per_div) for line in scatter)


def _ratio(
    setup: Setup, readings: Readings, repeats: int, *, beside: Readings
) -> tuple[float, tuple[Contribution, ...]]:
    """A length over the height of the whole, both read from a screen."""
    if readings and not beside:
        raise AnalysisError("the height that it is a part of was not read.")
    part, whole = _length(setup, readings, 0.0, repeats), _length(setup, beside, HEIGHT_DIV, repeats)
    ratio = part.value_div / whole.value_div
    lines = [
        replace(line, name=f"{name}: {line.name}", sensitivity=sensitivity)
        for name, length, sensitivity in (
            (tr("part"), part, 1.0 / whole.value_div),
            (tr("whole"), whole, -ratio / whole.value_div),
        )
        for line in length.contributions
        if sensitivity
    ]
    return ratio, tuple(lines)


def _length(setup: Setup, readings: Readings, nominal_div: float, repeats: int) -> Length:
    length = read_length(reader_along(setup.unit), readings, planned=nominal_div, repeats=repeats)
    if nominal_div and not length.value_div > 0.0:
        raise AnalysisError("a height of nothing cannot be compared: check connection and coupling.")
    return length


def _leads(setup: Setup, step: Measure, sensitivity: float) -> Contribution:
    """The two leads from the tee need not be of one length."""
    path = setup.bench.path(step.path)
    line = estimate.rectangular(tr("leads of the tee"), half_width=path.tee_delay, sensitivity=sensitivity, unit="s")
    return replace(line, origin=path.label or step.path)


# --- from two records ------------------------------------------------------------------------------------------------


def _fits(
    step: Measure, volts: Samples, second: Samples, screen: Screenful, lsb: float | None
) -> tuple[SineFit, SineFit]:
    """Both sines at one frequency, which the first record says: its time base is its own."""
    if not isinstance(step.stimulus, Sine):
        raise AnalysisError("two channels are compared by a sine")
    at, frequency_hz, rate_hz = times(volts, screen), step.stimulus.frequency_hz, 1 / screen.interval_s
    if frequency_hz * _FEWEST_A_PERIOD > rate_hz:
        raise Aliased(f"a record of {rate_hz:g} samples a second cannot show {frequency_hz:g} Hz: use a faster sweep")
    one = fit_sine_frequency(at, volts, frequency_hz=frequency_hz, lsb=lsb)
    return one, fit_sine(at, second, frequency_hz=one.frequency_hz, lsb=lsb)


def _phase(step: Measure, volts: Samples, second: Samples, screen: Screenful, lsb: float | None) -> Reading:
    one, other = _fits(step, volts, second, screen, lsb)
    turned = math.remainder(one.phase_rad - other.phase_rad, 2 * math.pi)
    u = math.hypot(one.u_amplitude / one.amplitude, other.u_amplitude / other.amplitude)
    return Reading(value=math.degrees(turned), scatter=math.degrees(u), flags=words(one.flags | other.flags))


def _difference(step: Measure, volts: Samples, second: Samples, screen: Screenful, lsb: float | None) -> Reading:
    one, other = _fits(step, volts, second, screen, lsb)
    left = math.hypot(one.cos - other.cos, one.sin - other.sin)
    u = math.hypot(one.u_amplitude, other.u_amplitude)
    return Reading(value=left / one.amplitude, scatter=u / one.amplitude, flags=words(one.flags | other.flags))


def _delay(_step: Measure, volts: Samples, second: Samples, screen: Screenful, lsb: float | None) -> Reading:
    at = times(volts, screen)
    one, other = (measure_pulse(at, record, edge="rising", lsb=lsb) for record in (volts, second))
    # Each crossing at half height is known as well as either of the two that make a rise time.
    u = math.hypot(one.u_rise_time_s, other.u_rise_time_s) / math.sqrt(2)
    return Reading(value=one.t50_s - other.t50_s, scatter=u)


def _by_two(_step: Measure, _volts: Samples, _screen: Screenful, _lsb: float | None) -> Reading:
    raise AnalysisError("it is read from the records of two channels")


def _by_eye(_step: Measure, _volts: Samples, _screen: Screenful, _lsb: float | None) -> Reading:
    raise AnalysisError("it is read from a screen, by eye")


BETWEEN_PHASE: Final = Rating(
    name="phase between channels", is_error=True, absolute=True, axis="level",
    tolerance=lambda unit, _step: rated(unit, Rated).phase, budget=phase_budget,
    remedy="leads of one length (tee_delay of the path), or more repeats",
)  # fmt: skip
BETWEEN_DELAY: Final = Rating(
    name="delay between channels", is_error=True, absolute=True, axis="time",
    tolerance=lambda unit, _step: rated(unit, Rated).channel_delay, budget=delay_budget,
    remedy="leads of one length (tee_delay of the path), a faster sweep, or more repeats",
)  # fmt: skip


def _left_at_most(common_mode_db: float | None) -> float | None:
    return None if common_mode_db is None else round_to(ratio_of_db(-common_mode_db), 4)


LEFT: Final = Rating(
    name="common signal left", is_error=True, axis="level",
    tolerance=lambda unit, _step: _left_at_most(rated(unit, Rated).common_mode), budget=difference_budget,
    remedy="more repeats",
)  # fmt: skip
SUM: Final = Rating(
    name="sum of channels", is_error=True, axis="level",
    tolerance=lambda unit, _step: rated(unit, Rated).sum, budget=sum_budget, remedy="more repeats",
)  # fmt: skip

_HEIGHT: Final = "how many divisions from bottom to top, less the trace's thickness?"
PHASE: Final = Quantity(
    name="channel_phase", unit="deg", axis="level", question="what is its phase against the other channel?",
    from_record=_by_two, from_two=_phase, signed=True, rating=BETWEEN_PHASE,
)  # fmt: skip
OPENING: Final = Quantity(
    name="xy_opening", unit="div", axis="level", question="how far apart does it cross the vertical centre line?",
    from_record=_by_eye, rating=BETWEEN_PHASE,
)  # fmt: skip
FIGURE: Final = Quantity(
    name="xy_height", unit="div", axis="level", question="how high is the whole figure, less the trace's thickness?",
    from_record=_by_eye,
)  # fmt: skip
DELAY: Final = Quantity(
    name="channel_delay", unit="s", axis="time",
    question="how far is its edge behind the other channel's, at half height?",
    from_record=_by_two, from_two=_delay, signed=True, rating=BETWEEN_DELAY,
)  # fmt: skip
DIFFERENCE: Final = Quantity(
    name="channel_difference", unit="ratio", axis="level",
    question="what part of the signal is left in the difference?",
    from_record=_by_two, from_two=_difference, rating=LEFT,
)  # fmt: skip
SINGLE: Final = Quantity(name="single_height", unit="div", axis="level", question=_HEIGHT, from_record=_by_eye)
DIFFERENCE_HEIGHT: Final = Quantity(
    name="difference_height", unit="div", axis="level", question=_HEIGHT, from_record=_by_eye, rating=LEFT
)
SUM_HEIGHT: Final = Quantity(
    name="sum_height", unit="div", axis="level", question=_HEIGHT, from_record=_by_eye, rating=SUM
)
QUANTITIES: Final = (PHASE, OPENING, FIGURE, DELAY, DIFFERENCE, SINGLE, DIFFERENCE_HEIGHT, SUM_HEIGHT)
