"""Deflection from the ground line, and from top to bottom: how both are read, and what is stated of them.

More than one sequence reads them, so that they stand here and not in one of the folders.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Final

from harness.analysis.amplitude import mean_level, square_amplitude
from harness.analysis.deflection import Zero, deflection_error, length_error
from harness.analysis.estimate import Budget
from harness.analysis.sine_fit import SineFit, fit_sine, fit_sine_frequency
from harness.assess import applied_at_input, applied_lines, as_applied, on_lines, reader_along, record_u, values_of
from harness.errors import AnalysisError
from harness.measurement import Aliased, Quantity, Rating, Screenful, Way, quantity_of
from harness.models import Setup, rated
from harness.quantities import round_to, show
from harness.steps import Dc, Measure, Reading, Sine, Square
from harness.words.language import tr
from sequences.reading import in_div, times, words
from sequences.vertical import Rated
from sequences.vertical.levels import higher_levels

if TYPE_CHECKING:
    from harness.measurement import Samples

FEWEST_SAMPLES_A_PERIOD: Final = 2.5
"""Below this a sine in the record may be another one folded down, and the fit would not know."""

SLIPPED_RESIDUAL: Final = math.pi * 0.01 / math.sqrt(6)
"""Residual over amplitude when the frequency is off by 0.01 cycle over the record. Below it a frequency taken on trust
has cost less than 1.6e-4 of the amplitude; above it the frequency is fitted too."""


def deflection_budget(
    setup: Setup,
    step: Measure,
    readings: Sequence[Reading] = (),
    ground: Sequence[Reading] = (),
    repeats: int = 1,
) -> Budget:
    """
    Return the error of a deflection point in percent, by the job's definition of error.

    Parameters
    ----------
    setup
        Bench, unit and job.
    step
        A `Measure` of a deflection.
    readings
        Its reading and repeats; what was skipped or off the screen is passed over. Without any, the budget is the one
        to expect of a unit without error.
    ground
        Readings of what the deflection counts from: the ground line of a remote unit, or of any unit with 0 V applied.
    repeats
        Number of readings planned, where there are none yet.

    Raises
    ------
    AnalysisError
        No reading among the readings, no accuracy for the stimulus, or a remote unit's ground line not read.
    """
    step = as_applied(step, readings)
    applied_v = applied_at_input(setup, step)
    name = tr(
        "deflection error of channel {channel}, {volts_per_div}/div",
        channel=step.view.channel,
        volts_per_div=show(step.view.volts_per_div, "V"),
    )
    if (length := on_lines(setup, step, readings)) is not None:
        return length_error(
            length,
            per_div=step.view.volts_per_div,
            applied_value=applied_v,
            applied=applied_lines(setup, step),
            definition=setup.job.error,
            quantity=name,
        )
    values = values_of(readings)
    nominal = not readings
    zero: Zero = "both edges"
    if quantity_of(step).from_ground:
        zero = "read" if ground or setup.unit.read == "remote" else "set"
    return deflection_error(
        values if values else [applied_v / step.view.volts_per_div],
        volts_per_div=step.view.volts_per_div,
        applied_v=applied_v,
        applied=applied_lines(setup, step),
        reader=reader_along(setup.unit),
        definition=setup.job.error,
        zero=zero,
        ground_div=values_of(ground) if ground or not nominal else [0.0],
        repeats=repeats if nominal else None,
        record_u_div=record_u(readings),
        ground_u_div=record_u(ground),
        quantity=name,
    )


def _ways(setup: Setup, step: Measure) -> Iterator[Way]:
    """A higher level that the calibrator has and the whole screen holds, and both edges of a square wave, by eye."""
    calibrator = setup.bench.calibrator
    if calibrator is None or setup.unit.read != "eye" or not isinstance(step.stimulus, Dc):
        return
    if (
        calibrator.driver == "manual"
        and calibrator.levels == "continuous"
        and step.expected
        and step.tune_to_div is None
    ):
        lines = replace(step, tune="level", tune_to_div=float(round(step.expected)))
        yield Way(sentence="turn the level until the trace is on its lines (to_line = true)", step=lines)
    per_div = step.view.volts_per_div * setup.bench.path(step.path).divides_by
    for level_v in (step.stimulus.level_v, *higher_levels(calibrator, step.stimulus.level_v, per_div, setup.unit)):
        shown_div = round_to(level_v / per_div, 6)
        first = tr(
            "apply {level_v} from the lowest graticule line, {shown_div:g} div",
            level_v=show(level_v, "V"),
            shown_div=shown_div,
        )
        more = level_v > step.stimulus.level_v
        if more:
            yield Way(sentence=first, step=replace(step, stimulus=Dc(level_v=level_v), expected=shown_div))
        if "square" in calibrator.functions:
            wave = Square(level_vpp=level_v, frequency_hz=calibrator.square_frequency)
            both = replace(step, stimulus=wave, quantity=PEAK_TO_PEAK.name, expected=shown_div)
            for n in (3, 5, 10):
                how = tr('read top and bottom of a square wave {n} times (signal = "square", repeats = {n})', n=n)
                yield Way(
                    sentence=tr("{first}, and {how}", first=first, how=how) if more else how, step=both, readings=n
                )


RATING: Final = Rating(
    name="deflection",
    is_error=True,
    axis="level",
    tolerance=lambda unit, step: rated(unit, Rated).deflection_at(
        unit, step.view.channel, step.view.volts_per_div, step.expected or 0.0
    ),
    per_kelvin=lambda unit: rated(unit, Rated).deflection_per_kelvin,
    budget=deflection_budget,
    ways=_ways,
    remedy="a better source, or a finer reading together with a higher level",
)


# --- from a record ------------------------------------------------------------------------------------------------


def _level(_step: Measure, volts: Samples, screen: Screenful, lsb: float | None) -> Reading:
    level = mean_level(volts, lsb=lsb)
    return in_div(level.value - screen.ground_v, level.u, screen)


def _height(step: Measure, volts: Samples, screen: Screenful, lsb: float | None) -> Reading:
    if not isinstance(step.stimulus, Sine):
        square = square_amplitude(volts, lsb=lsb)
        return in_div(square.value, square.u, screen)
    fit, trusted = _fit(step.stimulus.frequency_hz, volts, screen, lsb)
    flags = words(fit.flags) if trusted else (*words(fit.flags), tr("frequency fitted"))
    return in_div(
        fit.amplitude_pp, fit.u_amplitude_pp, screen, flags, noise_div=fit.residual_rms / screen.volts_per_div
    )


def _fit(frequency_hz: float, volts: Samples, screen: Screenful, lsb: float | None) -> tuple[SineFit, bool]:
    """Fit at the frequency that was set; where the record contradicts it (a time base of its own), fit that too."""
    rate_hz = 1 / screen.interval_s
    if frequency_hz * FEWEST_SAMPLES_A_PERIOD > rate_hz:
        raise Aliased(f"a record of {rate_hz:g} samples a second cannot show {frequency_hz:g} Hz: use a faster sweep")
    at = times(volts, screen)
    fit = fit_sine(at, volts, frequency_hz=frequency_hz, lsb=lsb)
    if fit.residual_rms <= SLIPPED_RESIDUAL * fit.amplitude or fit.cycles < 1.5:
        return fit, True
    try:
        return fit_sine_frequency(at, volts, frequency_hz=frequency_hz, lsb=lsb), False
    except AnalysisError:  # no sine stands out of the noise: the amplitude at the set frequency is what there is
        return fit, True


DEFLECTION: Final = Quantity(
    name="deflection",
    unit="div",
    axis="level",
    question="how many divisions from the ground line?",
    from_record=_level,
    own=lambda step: ("mean", step.view.volts_per_div),
    from_ground=True,
    signed=True,
    rating=RATING,
)

PEAK_TO_PEAK: Final = Quantity(
    name="peak_to_peak",
    unit="div",
    axis="level",
    question="how many divisions from bottom to top?",
    from_record=_height,
    own=lambda step: ("peak_to_peak" if isinstance(step.stimulus, Sine) else "amplitude", step.view.volts_per_div),
    amplitude=True,
    rating=RATING,
)
