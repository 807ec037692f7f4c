"""Gain, offset and departure from a straight line, each as a budget.   [pure]

Equations are numbered as in docs/dc_accuracy.md.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

from harness.analysis import estimate
from harness.analysis.estimate import COVERAGE, Budget, Contribution, coverage_factor
from harness.analysis.graticule import ASSUMED, Length
from harness.analysis.verdict import relative_error
from harness.assess import applied_at_input, applied_sum_lines, read_length, reader_along
from harness.errors import AnalysisError
from harness.models import Setup
from harness.quantities import show
from harness.steps import Measure, Reading
from harness.words.language import tr

_NONE: Final = 1e-12  # of a volt for each: what is common to all voltages drops out but for the binary dust


@dataclass(frozen=True, slots=True, kw_only=True)
class Level:
    """One voltage that was applied, and where the trace stood, in divisions from its zero line."""

    step: Measure
    applied_v: float
    shown: Length

    @property
    def shown_v(self) -> float:
        """What the screen says."""
        return self.shown.value_div * self.step.view.volts_per_div


def level(setup: Setup, step: Measure, readings: Sequence[Reading] = (), repeats: int = 1) -> Level:
    """A level with its readings; without any, what an ideal unit shows. AnalysisError where none has a value."""
    applied_v = applied_at_input(setup, step)
    shown = read_length(
        reader_along(setup.unit),
        readings,
        planned=applied_v / step.view.volts_per_div,
        repeats=repeats,
        edges="one",  # the zero line is the same for all levels
    )
    return Level(step=step, applied_v=applied_v, shown=shown)


def gain(setup: Setup, low: Level, high: Level) -> Budget:
    """Equations (1) and (3): the error of a difference of two voltages, in percent."""
    applied_v, shown_v = high.applied_v - low.applied_v, high.shown_v - low.shown_v
    if not shown_v > 0.0:
        raise AnalysisError(
            f"the trace moved by {show(shown_v, 'V')} where {show(applied_v, 'V')} were applied: "
            "check polarity, coupling and invert."
        )
    error = relative_error(shown_v, applied_v, setup.job.error)
    by_shown = (1 + error) / shown_v * (1.0 if setup.job.error == "indication" else -1.0)
    by_applied = -by_shown * shown_v / applied_v
    return Budget(
        quantity=tr("gain of {place}", place=_at(high)),
        unit="%",
        estimate=100.0 * error,
        contributions=_lines(
            setup, ((low, -1.0), (high, 1.0)), by_shown=100.0 * by_shown, by_applied=100.0 * by_applied
        ),
    )


def offset(setup: Setup, low: Level, high: Level) -> Budget:
    """Equations (2) and (4): by how much more the middle of two voltages is shown than was applied, in divisions."""
    per_div = high.step.view.volts_per_div
    return Budget(
        quantity=tr("offset of {place}", place=_at(high)),
        unit="div",
        estimate=(high.shown_v + low.shown_v - high.applied_v - low.applied_v) / 2 / per_div,
        contributions=_lines(setup, ((low, 0.5), (high, 0.5)), by_shown=1 / per_div, by_applied=-1 / per_div),
    )


def departure(setup: Setup, levels: Sequence[Level]) -> tuple[Budget, Level]:
    """Equation (5): the largest departure of a level from the straight line through all, in divisions."""
    if len(levels) < 3:
        raise AnalysisError("a straight line is tried by three levels or more.")
    per_div = levels[0].step.view.volts_per_div
    mean_v = math.fsum(each.applied_v for each in levels) / len(levels)
    about = [each.applied_v - mean_v for each in levels]
    square = math.fsum(v * v for v in about)

    def weights(at: int) -> list[float]:
        return [
            (1.0 if i == at else 0.0) - 1 / len(levels) - about[at] * v / square
            for i, v in enumerate(about)
        ]  # fmt: skip

    def amount(at: int) -> float:
        errors = (each.shown_v - each.applied_v for each in levels)  # a line through what was applied has no departure
        return math.fsum(w * e for w, e in zip(weights(at), errors, strict=True)) / per_div

    at = max(range(len(levels)), key=lambda place: abs(amount(place)))
    weighted = tuple(zip(levels, weights(at), strict=True))
    budget = Budget(
        quantity=tr("linearity of {place}", place=_at(levels[0])),
        unit="div",
        estimate=amount(at),
        contributions=_lines(setup, weighted, by_shown=1 / per_div, by_applied=-1 / per_div),
    )
    return _as_chosen(budget, len(levels)), levels[at]


def _as_chosen(budget: Budget, levels: int) -> Budget:
    """The largest is chosen after reading, equation (8); of three levels nothing is chosen."""
    free, dof = levels - 2, budget.dof_eff
    if free < 2:
        return budget
    wider = coverage_factor(1.0 - (1.0 - COVERAGE) / free, dof) / coverage_factor(COVERAGE, dof)
    line = estimate.normal(
        tr("largest of {levels} chosen", levels=levels), u=budget.u * math.sqrt(wider**2 - 1.0), dof=dof, unit="div"
    )
    return replace(budget, contributions=(*budget.contributions, replace(line, known_from=ASSUMED)))


def _lines(
    setup: Setup, weighted: Sequence[tuple[Level, float]], *, by_shown: float, by_applied: float
) -> tuple[Contribution, ...]:
    """The lines of a weighted sum of what was shown and of what was applied, each with its share."""
    applied = applied_sum_lines(setup, [(each.step, weight) for each, weight in weighted])
    return (
        *(
            replace(line, sensitivity=line.sensitivity * by_applied)
            for line in applied
            if abs(line.sensitivity) > _NONE
        ),
        *(
            replace(
                line,
                name=tr("at {applied}: {line}", applied=show(each.applied_v, "V"), line=line.name),
                sensitivity=line.sensitivity * weight * by_shown * each.step.view.volts_per_div,
            )
            for each, weight in weighted
            for line in each.shown.contributions
        ),
    )


def _at(one: Level) -> str:
    view = one.step.view
    return tr(
        "channel {channel}, {volts_per_div}/div", channel=view.channel, volts_per_div=show(view.volts_per_div, "V")
    )
