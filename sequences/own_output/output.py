"""What the calibration output is read for, and what is stated of it.

Equations are numbered as in docs/inputs.md.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Final

from harness.analysis import estimate
from harness.analysis.estimate import Budget, Contribution
from harness.assess import instrument_for, source_contributions, true_level, true_period_ratio
from harness.errors import AnalysisError
from harness.measurement import Quantity, Rating
from harness.models import Setup, rated
from harness.steps import Measure, TimeMarks
from harness.words.language import tr
from sequences.comparing import Known, Readings, compared, length_of, scaled, unequal
from sequences.deflection import PEAK_TO_PEAK
from sequences.own_output import Rated
from sequences.own_output.known import known_step, periods
from sequences.pulse.parameters import RISE_TIME
from sequences.reading import edge_alone
from sequences.time_base.span import SPAN, time_factor_line, time_tolerance
from sequences.vertical import Rated as RatedDeflection

_NS_PER_S: Final = 1e9
_HIDDEN: Final = 1.2
"""A rise time that is no longer than so many of the unit's own says nothing of the output."""


def level_budget(
    setup: Setup,
    step: Measure,
    readings: Readings = (),
    _ground: Readings = (),
    repeats: int = 1,
    *,
    known: Known | None = None,
) -> Budget:
    """Return how far the output's level is from its nominal, in percent: equations (1) and (2)."""
    known = known or _planned(setup, step, readings)
    calibrator, stimulus = instrument_for(setup, known.step), known.step.stimulus
    given_v = true_level(setup, known.step)
    ratio, lines = compared(setup, step, readings, known, repeats)
    per_unit = 100.0 * ratio * given_v / step.stimulus.level  # of what is relative
    source = (
        replace(line, sensitivity=line.sensitivity / given_v) for line in source_contributions(calibrator, stimulus)
    )
    return Budget(
        quantity=tr("level of the output, on channel {channel}", channel=step.view.channel),
        unit="%",
        estimate=per_unit - 100.0,
        contributions=scaled(
            (*source, *lines, *unequal(ratio, rated(setup.unit, RatedDeflection).deflection, tr("deflections"))),
            per_unit,
        ),
    )


def frequency_budget(
    setup: Setup,
    step: Measure,
    readings: Readings = (),
    _ground: Readings = (),
    repeats: int = 1,
    *,
    known: Known | None = None,
) -> Budget:
    """Return how far the output's frequency is from its nominal, in percent: equations (3) and (4)."""
    nominal_hz = step.stimulus.rate_hz or math.nan
    if step.with_counter:
        true_hz, lines = _counted(setup, readings, nominal_hz)
    else:
        known = known or _planned(setup, step, readings)
        ratio, lines_of_both = compared(setup, step, readings, known, repeats)
        period_s = true_period_ratio(setup, known.step) / (known.step.stimulus.rate_hz or math.nan)
        true_hz = periods(step) / (periods(known.step) * period_s * ratio)
        source = source_contributions(instrument_for(setup, known.step), known.step.stimulus)
        not_equal = unequal(ratio, time_tolerance(setup.unit, step), tr("spans"))
        lines = scaled((*source, *lines_of_both, *not_equal), -1.0)
    per_unit = 100.0 * true_hz / nominal_hz
    return Budget(
        quantity=tr("frequency of the output"),
        unit="%",
        estimate=per_unit - 100.0,
        contributions=scaled(lines, per_unit),
    )


def rise_budget(
    setup: Setup, step: Measure, readings: Readings = (), _ground: Readings = (), repeats: int = 1
) -> Budget:
    """Return the output's rise time in ns, freed of the channel's as far as that is known: equations (5) and (6)."""
    s_per_div = step.view.s_per_div / step.view.magnifier
    length = length_of(setup, step, readings, repeats, in_one_div=s_per_div)
    measured_s = length.value_div * s_per_div
    own_s = setup.unit.own_rise_time
    if measured_s < _HIDDEN * own_s:
        raise AnalysisError("the unit's own rise time hides the output's: read it on a faster oscilloscope.")
    longest, shortest = measured_s, math.sqrt(measured_s**2 - own_s**2)
    rise_s = (longest + shortest) / 2
    lines = (
        *(replace(line, sensitivity=line.sensitivity * s_per_div) for line in length.contributions),
        time_factor_line(setup.unit, step, sensitivity=measured_s),
        estimate.rectangular(tr("rise time of the channel"), half_width=(longest - shortest) / 2, unit="s"),
    )
    return Budget(
        quantity=tr("rise time of the output"),
        unit="ns",
        estimate=rise_s * _NS_PER_S,
        contributions=scaled(lines, _NS_PER_S),
    )


def _planned(setup: Setup, step: Measure, readings: Readings) -> Known:
    """What a reading is to be compared with, where there are no readings yet."""
    step_of_known = known_step(setup, step)
    if readings or step_of_known is None:
        raise AnalysisError("the output was not compared: no known signal was read at its setting.")
    return Known(step=step_of_known)


def _counted(setup: Setup, readings: Readings, nominal_hz: float) -> tuple[float, tuple[Contribution, ...]]:
    """What the counter said, and how true it is."""
    counter = setup.bench.counter
    if counter is None:
        raise AnalysisError(f"bench {setup.bench.name!r} has no counter; add [counter], or leave `counter` out.")
    counted = [r.frequency_hz for r in readings if r.frequency_hz]
    if readings and not counted:
        raise AnalysisError("the counter was not read.")
    mean_hz = math.fsum(counted) / len(counted) if counted else nominal_hz
    lines = [*source_contributions(counter, TimeMarks(period_s=1.0 / mean_hz, level_vpp=1.0))]
    if len(counted) > 1:
        lines.append(estimate.repeated(tr("scatter of the mean of {count} counts", count=len(counted)), counted))
        lines[-1] = replace(lines[-1], sensitivity=1.0 / mean_hz, unit="Hz")
    return mean_hz, tuple(lines)


LEVEL: Final = Rating(
    name="output level",
    is_error=True,
    axis="level",
    tolerance=lambda unit, _step: rated(unit, Rated).output_level_within,
    budget=level_budget,
    remedy='a finer reading: more repeats, or display = "reference"',
)
FREQUENCY: Final = Rating(
    name="output frequency",
    is_error=True,
    axis="time",
    tolerance=lambda unit, _step: rated(unit, Rated).output_frequency_within,
    budget=frequency_budget,
    remedy="the counter (counter = true), or more repeats",
)
RISE: Final = Rating(
    name="output rise time",
    is_error=False,
    axis="time",
    tolerance=lambda unit, _step: rated(unit, Rated).output_rise_time,
    budget=rise_budget,
    remedy="a finer reading",
)

HEIGHT: Final = replace(PEAK_TO_PEAK, name="output_height", rating=LEVEL)
PERIODS: Final = replace(SPAN, name="output_periods", rating=FREQUENCY)
EDGE: Final = replace(
    edge_alone(RISE_TIME), name="output_edge", question="what is the output's rise time, 10 % to 90 %?", rating=RISE
)
QUANTITIES: Final[tuple[Quantity, ...]] = (HEIGHT, PERIODS, EDGE)
