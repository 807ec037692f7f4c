"""The divisions between two time marks: how they are read, and what is stated of the time factor."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

import numpy as np

from harness.analysis.amplitude import state_levels
from harness.analysis.estimate import Budget
from harness.analysis.graticule import Reader
from harness.analysis.pulse import crossings_s
from harness.analysis.time_base import time_base_error
from harness.assess.points import ideal, record_u, values_of
from harness.assess.sources import period_lines
from harness.errors import AnalysisError
from harness.measurement import Quantity, Rating, Screenful
from harness.models import Setup, Unit, rated
from harness.quantities import show
from harness.steps import Measure, Reading, TimeMarks
from sequences.reading import times
from sequences.time_base import Rated

if TYPE_CHECKING:
    from harness.measurement import Samples


def time_base_budget(
    setup: Setup,
    step: Measure,
    readings: Sequence[Reading] = (),
    _ground: Sequence[Reading] = (),
    repeats: int = 1,
) -> Budget:
    """Return the error of a time factor in percent; the parameters are those of `deflection_budget`."""
    if step.expected is None:
        raise AnalysisError("a span without the span expected cannot be judged.")
    values = values_of(readings)
    expected_div = ideal(setup, step)
    return time_base_error(
        values if values else [expected_div],
        expected_div=expected_div,
        period=period_lines(setup, step),
        reader=Reader(resolution_div=setup.unit.time_resolution, scatter_div=setup.unit.scatter),
        definition=setup.job.error,
        repeats=None if readings else repeats,
        record_u_div=record_u(readings),
        both_read=setup.unit.read == "remote",
        quantity=f"time factor error of {show(step.view.s_per_div, 's')}/div"
        + (f" ×{step.view.magnifier:g}" if step.view.magnifier != 1.0 else ""),
    )


def time_tolerance(unit: Unit, step: Measure) -> float:
    """The tolerance of the time factor in use, a ratio."""
    return rated(unit, Rated).at(step.view.magnifier)


def _periods(step: Measure, s_per_div: float) -> int:
    """How many periods lie between the marks that should be `expected` divisions apart."""
    if not isinstance(step.stimulus, TimeMarks) or step.expected is None:
        raise AnalysisError("a span is read from time marks, with the divisions that they should be apart")
    return max(1, round(step.expected * s_per_div / step.stimulus.period_s))


def _own(step: Measure) -> tuple[str, float]:
    s_per_div = step.view.s_per_div / step.view.magnifier
    return "period", s_per_div / _periods(step, s_per_div)


def _span(step: Measure, volts: Samples, screen: Screenful, lsb: float | None) -> Reading:
    """Time between the marks that should be `expected` divisions apart, about the centre of the screen."""
    periods = _periods(step, screen.s_per_div)
    at = times(volts, screen)
    marks = _rising(at, volts, lsb)
    first = np.arange(marks.size - periods)
    if first.size == 0:
        raise AnalysisError(
            f"the record holds {marks.size} time marks, but {periods + 1} were expected across the screen: "
            "check the marks' period and the sweep"
        )
    middles = (marks[first] + marks[first + periods]) / 2
    start = int(first[np.abs(middles - at.mean()).argmin()])
    period_s, u_period_s = _slope(marks[start : start + periods + 1])
    u_end_s = screen.interval_s * math.sqrt(2) / math.sqrt(12) if u_period_s is None else u_period_s * periods
    return Reading(
        value=period_s * periods / screen.s_per_div,
        scatter=u_end_s / screen.s_per_div,
        more={"period_s": period_s, "periods": float(periods)},
    )


def _rising(at: Samples, volts: Samples, lsb: float | None) -> Samples:
    """One crossing a mark: half way up, taken again only after the trace has been down a quarter."""
    states = state_levels(volts, lsb=lsb) if _dwells(volts) else None
    low, high = (states.low, states.high) if states else (float(volts.min()), float(volts.max()))
    middle, armed_below = (low + high) / 2, low + 0.25 * (high - low)
    marks: list[float] = []
    crossing = np.flatnonzero((volts[1:] >= middle) & (volts[:-1] < middle))
    last = 0
    for index in crossing.tolist():
        if volts[last : index + 1].min() < armed_below:
            marks.append(float(crossings_s(at[index : index + 2], volts[index : index + 2], middle)[0]))
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


RATING: Final = Rating(
    name="time factor", is_error=True, axis="time", tolerance=time_tolerance, budget=time_base_budget
)

SPAN: Final = Quantity(
    name="span",
    unit="div",
    axis="time",
    question="how many divisions between the two marks?",
    from_record=_span,
    own=_own,
    rating=RATING,
)
