"""The delay from the trigger to what is shown: where a mark stands that comes so long after it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np

from harness.analysis import estimate
from harness.analysis.estimate import Budget
from harness.analysis.graticule import Length
from harness.analysis.verdict import relative_error
from harness.assess import PER_RATIO, period_lines, read_length, reader_along, true_period_ratio, values_of
from harness.errors import AnalysisError
from harness.measurement import Quantity, Rating, Screenful
from harness.models import Setup, rated
from harness.quantities import show
from harness.steps import Measure, Reading
from harness.words.language import tr
from sequences.reading import times
from sequences.time_base import Rated
from sequences.time_base.span import TIME_FACTOR, rising, time_tolerance

if TYPE_CHECKING:
    from harness.measurement import Samples

HALF_SAMPLE: Final = "half_sample_div"


def delay_budget(
    setup: Setup,
    step: Measure,
    readings: Sequence[Reading] = (),
    zero: Sequence[Reading] = (),
    repeats: int = 1,
) -> Budget:
    """
    Return the error of a delay from where its mark stands; `zero`: where one stood without delay.

    The unit is percent, or ppm where the delay is rated by a clock. The other parameters are those of
    `deflection_budget`.

    References
    ----------
    docs/deflection.md, equations (30) and (31).
    """
    delay_s = step.view.delay_s
    if not delay_s > 0.0:
        raise AnalysisError("the place of a mark without a delay is read for another's sake, and not judged.")
    if readings and not values_of(zero):
        raise AnalysisError("where the mark stands without delay was not read, so its shift is not known.")
    there, before = _place(setup, readings, repeats), _place(setup, zero, repeats)
    mark_s = delay_s * true_period_ratio(setup, step)
    true_s = mark_s - (there.value_div - before.value_div) * step.view.s_per_div
    scale = PER_RATIO[RATING.error_in]
    per_s = -scale * delay_s / true_s**2 if setup.job.error == "indication" else scale / delay_s
    per_div = -per_s * step.view.s_per_div
    lines = [*there.contributions]
    shift_div = there.value_div - before.value_div
    lines += [
        estimate.rectangular(TIME_FACTOR, half_width=abs(shift_div) * time_tolerance(setup.unit, step), unit="div")
    ]
    lines += [
        replace(line, name=tr("without delay: {line}", line=line.name), sensitivity=-1.0)
        for line in before.contributions
    ]
    return Budget(
        quantity=tr("delay of {delay}", delay=show(delay_s, "s")),
        unit=RATING.error_in,
        estimate=scale * relative_error(delay_s, true_s, setup.job.error),
        contributions=(
            *(replace(line, sensitivity=line.sensitivity * mark_s * per_s) for line in period_lines(setup, step)),
            *(replace(line, sensitivity=line.sensitivity * per_div) for line in lines),
        ),
    )


def _place(setup: Setup, readings: Sequence[Reading], repeats: int) -> Length:
    """Where a mark stands; of a record, what its trigger may be off by within a sample goes with it."""
    length = read_length(reader_along(setup.unit, "time"), readings, planned=0.0, repeats=repeats, edges="one")
    half_div = max((reading.more.get(HALF_SAMPLE, 0.0) for reading in readings), default=0.0)
    if not half_div:
        return length
    trigger = estimate.rectangular(tr("trigger between two samples"), half_width=half_div, unit="div")
    return replace(length, contributions=(*length.contributions, trigger))


def _nearest(_step: Measure, volts: Samples, screen: Screenful, lsb: float | None) -> Reading:
    """Where the mark nearest to the middle of the record stands."""
    at = times(volts, screen)
    marks = rising(at, volts, lsb) - screen.interval_s * volts.size / 2
    if marks.size == 0:
        raise AnalysisError("the record holds no time mark: check their period, the delay and the sweep")
    return Reading(
        value=float(marks[np.abs(marks).argmin()]) / screen.s_per_div,
        scatter=screen.interval_s / screen.s_per_div / math.sqrt(12.0),
        more={HALF_SAMPLE: screen.interval_s / screen.s_per_div / 2},
    )


RATING: Final = Rating(
    name="delay time",
    is_error=True,
    axis="time",
    tolerance=lambda unit, _step: rated(unit, Rated).delay,
    budget=delay_budget,
    remedy="a longer delay, or a faster sweep",
)

MARK_AT_ZERO: Final = Quantity(
    name="mark_at_zero",
    unit="div",
    axis="time",
    question="mark brought to the centre: off still by (left -)?",
    from_record=_nearest,
    signed=True,
)

MARK_SHIFT: Final = Quantity(
    name="mark_shift",
    unit="div",
    axis="time",
    question="position left alone, how far off centre now (left -)?",
    from_record=_nearest,
    signed=True,
    rating=RATING,
)
