"""What an output is compared with: a signal of the calibrator, of about the same size, at the same setting.   [pure]"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import replace
from typing import Final

from harness.measurement import quantity_of
from harness.models import Calibrator, Setup
from harness.quantities import round_to, stepped
from harness.steps import Measure, Square, TimeMarks, View
from sequences.time_base.marks import available_periods
from sequences.vertical.levels import available_levels

MOST_PERIODS: Final = 10
"""Across the screen; more are hard to count."""
_APART: Final = 0.25
"""Two lengths farther apart than this, relative, are not compared."""


def known_step(setup: Setup, step: Measure) -> Measure | None:
    """The calibrator's reading beside one of the output; None where it gives nothing near enough."""
    calibrator = setup.bench.calibrator
    if calibrator is None or not step.expected:
        return None
    of_time = quantity_of(step).axis == "time"
    return _marks(setup, calibrator, step) if of_time else _square(calibrator, step)


def shown_whole(setup: Setup, step: Measure, level_vpp: float) -> View | None:
    """The view with the range that shows most of a signal from 0 V up, about the centre of the screen."""
    unit, reference, of_unit = setup.unit, setup.bench.reference, step.display == "unit"
    ranges = unit.volts_per_div if of_unit or reference is None else reference.volts_per_div
    usable_div = unit.usable_div if of_unit or reference is None else max(reference.vertical_div - 2.0, 1.0)
    at_input_v = level_vpp / setup.bench.path(step.path).divides_by
    fitting = [v for v in ranges if at_input_v / v <= usable_div * (1 + 1e-9)]
    if not fitting:
        return None
    return replace(step.view, volts_per_div=min(fitting), ground_line_div=round(-at_input_v / min(fitting) / 2, 1))


def periods(step: Measure) -> int:
    """How many periods the expected span holds."""
    s_per_div = step.view.s_per_div / step.view.magnifier
    return max(1, round((step.expected or 0.0) * s_per_div * (step.stimulus.rate_hz or 0.0)))


def _square(calibrator: Calibrator, step: Measure) -> Measure | None:
    level = step.stimulus.level
    levels = available_levels(calibrator)
    if levels is None:
        levels = (round_to(level, calibrator.level_digits),)
    within = [each for each in levels if calibrator.level_low <= each <= calibrator.level_high]
    near = _nearest(within, level)
    if "square" not in calibrator.functions or near is None:
        return None
    wave = Square(level_vpp=near, frequency_hz=calibrator.square_frequency)
    return _instead(step, wave, near / level)


def _marks(setup: Setup, calibrator: Calibrator, step: Measure) -> Measure | None:
    """Marks of which a whole number spans about what the output's periods span."""
    span_s = (step.expected or 0.0) * step.view.s_per_div / step.view.magnifier
    given = available_periods(calibrator)
    if given is None:  # of any, the round ones
        given = tuple(stepped(calibrator.period_low, calibrator.period_high))
    spans = {count * period_s: period_s for count in range(MOST_PERIODS, 0, -1) for period_s in given}
    near = _nearest(spans, span_s)
    if "time_marks" not in calibrator.functions or near is None:
        return None
    marks = TimeMarks(period_s=spans[near], level_vpp=calibrator.mark_level)
    view = shown_whole(setup, step, marks.level_vpp)
    return None if view is None else _instead(replace(step, view=view), marks, near / span_s)


def _nearest(values: Iterable[float], wanted: float) -> float | None:
    near = min(values, key=lambda value: abs(math.log(value / wanted)), default=None)
    return near if near is not None and abs(near / wanted - 1.0) <= _APART else None


def _instead(step: Measure, stimulus: Square | TimeMarks, ratio: float) -> Measure:
    """The same reading of another signal, which is `ratio` times as long."""
    low, high = (
        None if bound is None else round(bound * ratio, 4) for bound in (step.expected_low, step.expected_high)
    )
    return replace(
        step,
        purpose="known signal",
        source="calibrator",
        stimulus=stimulus,
        with_counter=False,
        expected=round_to((step.expected or 0.0) * ratio, 9),
        expected_low=low,
        expected_high=high,
    )
