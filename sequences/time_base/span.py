"""The divisions between two time marks: how they are read, and what is stated of the time factor."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np

from harness.analysis.amplitude import state_levels
from harness.analysis.deflection import length_error
from harness.analysis.estimate import Budget, Contribution, rectangular
from harness.analysis.graticule import Length, Reader, mean_length
from harness.analysis.pulse import crossings_s
from harness.assess import as_applied, ideal, on_lines, period_lines, reader_along, record_u, values_of
from harness.errors import AnalysisError
from harness.measurement import Quantity, Rating, Screenful
from harness.models import Setup, Unit, rated
from harness.quantities import show
from harness.steps import Measure, Reading
from harness.words.language import tr
from sequences.reading import times
from sequences.time_base import Rated

TIME_FACTOR: Final = "time factor within its tolerance"
"""The line of a time, which the evaluation of a rise time replaces where an earlier part has read the time factor."""
_MANY_MARKS: Final = 8  # whose scatter about a line says enough of itself
_FEWEST_ON_EDGE: Final = 5  # samples from a quarter to three quarters of its height, for a scatter about its line

if TYPE_CHECKING:
    from harness.analysis.verdict import ErrorDefinition
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
    step = as_applied(step, readings)
    expected_div, period = ideal(setup, step), period_lines(setup, step)
    magnified = f" ×{step.view.magnifier:g}" if step.view.magnifier != 1.0 else ""
    part = step.quantity.removeprefix(SPAN.name).replace("_", " ")  # of the sweep: " at start"
    name = tr(
        "time factor error of {s_per_div}/div{magnified}{part}",
        s_per_div=show(step.view.s_per_div, "s"),
        magnified=magnified,
        part=part and tr(part),
    )
    if (length := on_lines(setup, step, readings)) is not None:
        return _against(length, expected_div, period, setup.job.error, name)
    values = values_of(readings)
    return time_base_error(
        values if values else [expected_div],
        expected_div=expected_div,
        period=period,
        reader=reader_along(setup.unit, "time"),
        definition=setup.job.error,
        repeats=None if readings else repeats,
        record_u_div=record_u(readings),
        both_read=setup.unit.read == "remote",
        quantity=name,
    )


def time_base_error(
    spans_div: Sequence[float],
    *,
    expected_div: float,
    period: Sequence[Contribution],
    reader: Reader,
    definition: ErrorDefinition,
    repeats: int | None = None,
    record_u_div: float = 0.0,
    both_read: bool = False,
    quantity: str = "time factor error",
) -> Budget:
    """
    Return the error of a time factor (magnified or not) as a budget in percent.

    Parameters
    ----------
    spans_div
        Repeated readings of the span between two marks, div.
    expected_div
        Span that an ideal unit would show: the marks' true distance over the time factor set, magnifier included.
    period
        Relative lines of the marks' period (0.001 for 0.1 %).
    reader
        How divisions are read along the time axis.
    definition
        "indication": (shown − true)/true, positive where the span is too long. "deflection factor": of the time factor
        itself, positive where the span is too short.
    repeats
        Number of repeats planned, where `spans_div` holds the one span expected.
    record_u_div
        Standard uncertainty of one span as its record shows it, div.
    both_read
        Both marks are read; False where the first is set on a graticule line and the last is read.

    Raises
    ------
    AnalysisError
        Without a span, or with one that is not above zero.

    References
    ----------
    docs/deflection.md, equation (16).
    """
    if not expected_div > 0.0:
        raise AnalysisError(f"{quantity}: the expected span is above zero, not {expected_div:g} div.")
    span = mean_length(
        spans_div,
        reader,
        edges="both read" if both_read else "set and read",
        repeats=repeats,
        record_u_div=record_u_div,
    )
    return _against(span, expected_div, period, definition, quantity)


def _against(
    span: Length, expected_div: float, period: Sequence[Contribution], definition: ErrorDefinition, quantity: str
) -> Budget:
    """A span against the one that an ideal unit would show."""
    scaled = [replace(line, sensitivity=line.sensitivity * expected_div) for line in period]
    return length_error(
        span, per_div=1.0, applied_value=expected_div, applied=scaled, definition=definition, quantity=quantity
    )


def time_per_kelvin(unit: Unit) -> float:
    """What the tolerance grows by outside the maker's temperatures."""
    return rated(unit, Rated).time_per_kelvin


def time_tolerance(unit: Unit, step: Measure) -> float:
    """The tolerance of the time factor in use, a ratio."""
    return rated(unit, Rated).at(step.view.magnifier)


def time_factor_line(unit: Unit, step: Measure, *, sensitivity: float = 1.0) -> Contribution:
    """What the tolerance of the time factor makes of a time that was read by it."""
    return rectangular(TIME_FACTOR, half_width=time_tolerance(unit, step), sensitivity=sensitivity)


def _periods(step: Measure, s_per_div: float) -> int:
    """How many periods lie between the marks that should be `expected` divisions apart."""
    if step.stimulus.rate_hz is None or step.expected is None:
        raise AnalysisError("a span is read from time marks or a wave, with the divisions that it should be")
    return max(1, round(step.expected * s_per_div * step.stimulus.rate_hz))


def _own(step: Measure) -> tuple[str, float]:
    s_per_div = step.view.s_per_div / step.view.magnifier
    return "period", s_per_div / _periods(step, s_per_div)


def _span(step: Measure, volts: Samples, screen: Screenful, lsb: float | None) -> Reading:
    """Time between the marks that should be `expected` divisions apart, about the centre of the screen."""
    periods = _periods(step, screen.s_per_div)
    at = times(volts, screen)
    marks = rising(at, volts, lsb)
    first = np.arange(marks.size - periods)
    if first.size == 0:
        raise AnalysisError(
            f"the record holds {marks.size} time marks, but {periods + 1} were expected across the screen: "
            "check the marks' period and the sweep"
        )
    middles = (marks[first] + marks[first + periods]) / 2
    start = int(first[np.abs(middles - at.mean()).argmin()])
    chosen = marks[start : start + periods + 1]
    u_mark_s = math.hypot(*(_u_crossing_s(at, volts, mark) for mark in (chosen[0], chosen[-1]))) / math.sqrt(2)
    period_s, u_period_s = _slope(chosen, u_mark_s)
    return Reading(
        value=period_s * periods / screen.s_per_div,
        scatter=u_period_s * periods / screen.s_per_div,
        more={"period_s": period_s, "periods": float(periods)},
    )


def rising(at: Samples, volts: Samples, lsb: float | None) -> Samples:
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


def _u_crossing_s(at: Samples, volts: Samples, mark_s: float) -> float:
    """
    Return how uncertain one crossing is.

    An edge between two samples lies anywhere there. Of a slower one the samples scatter about a straight line; the
    crossing is drawn between two of them at any part f of their distance, and f² + (1 − f)² is 2/3 in the mean.
    """
    low, high = float(volts.min()), float(volts.max())
    outside = np.abs(volts - (low + high) / 2) > (high - low) / 4
    crossing = int(np.searchsorted(at, mark_s))
    first = int(np.flatnonzero(outside[:crossing])[-1]) + 1 if outside[:crossing].any() else 0
    edge = slice(first, crossing + int(np.argmax(outside[crossing:])))
    if edge.stop - edge.start < _FEWEST_ON_EDGE:
        return float(at[1] - at[0]) / math.sqrt(12)
    slope, start = np.polyfit(at[edge] - mark_s, volts[edge], 1)
    rest = volts[edge] - start - slope * (at[edge] - mark_s)
    return math.sqrt(2 / 3 * float(rest @ rest) / (rest.size - 2)) / abs(float(slope))


def _dwells(volts: Samples) -> bool:
    """Whether both halves of the range hold enough samples to call them states."""
    upper = int(np.count_nonzero(volts > (volts.min() + volts.max()) / 2))
    return min(upper, volts.size - upper) >= 8


def _slope(marks: Samples, u_mark_s: float) -> tuple[float, float]:
    """Period from a straight line through the marks, and its standard uncertainty, by their scatter or their edges."""
    number = np.arange(marks.size) - (marks.size - 1) / 2
    power = float(number @ number)
    period_s = float(number @ marks) / power
    if marks.size < 3:
        return period_s, u_mark_s / math.sqrt(power)
    rest = marks - marks.mean() - period_s * number
    scatter_s = math.sqrt(float(rest @ rest) / (marks.size - 2))
    if marks.size < _MANY_MARKS:  # a few may lie on a line by chance
        scatter_s = max(scatter_s, u_mark_s)
    return period_s, scatter_s / math.sqrt(power)


RATING: Final = Rating(
    name="time factor",
    is_error=True,
    axis="time",
    tolerance=time_tolerance,
    per_kelvin=time_per_kelvin,
    budget=time_base_budget,
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
