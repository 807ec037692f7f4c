"""What a display is expected to show, as points in divisions, for whoever draws its graticule.   [pure]"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final, TypeAlias

from harness.measurement import quantity_of
from harness.steps import Measure, Sine, TimeMarks

Points: TypeAlias = Sequence[tuple[float, float]]
"""Divisions from the centre of the graticule, to the right and up."""

_SKETCHED_DIV: Final = 4.0  # a height that nothing is read from
_CURVED: Final = 24  # points a period, where the line between two is curved
_MOST_PERIODS: Final = 60  # more of them are a band to the eye


def trace(step: Measure, width_div: float) -> tuple[Points, ...]:
    """The trace of an ideal display, a little beyond its sides; two edges where its periods cannot be told apart."""
    ground, height = step.view.ground_line_div, _height_div(step)
    sine = isinstance(step.stimulus, Sine)
    low, high = (ground - height / 2, ground + height / 2) if sine else (ground, ground + height)
    rate_hz = step.stimulus.rate_hz
    left, right = -width_div / 2, width_div / 2
    if not rate_hz:
        return (((left, high), (right, high)),)
    period_div = step.view.magnifier / (rate_hz * step.view.s_per_div)
    if width_div / period_div > _MOST_PERIODS:
        return ((left, high), (right, high)), ((left, low), (right, low))
    shape = _sine if sine else _marks if isinstance(step.stimulus, TimeMarks) else _square
    first = _first_mark(step, period_div) if isinstance(step.stimulus, TimeMarks) else 0.0
    count = math.ceil(width_div / period_div) + 1
    start = first + period_div * math.floor((left - first) / period_div)
    points = [(start + (n + x) * period_div, low + y * (high - low)) for n in range(count + 1) for x, y in shape()]
    return (points,)


def _height_div(step: Measure) -> float:
    quantity = quantity_of(step)
    if quantity.unit == "div" and quantity.axis == "level":
        return step.expected or 0.0
    level_div = step.stimulus.level / step.view.volts_per_div
    return level_div if 1 <= level_div <= 6 else _SKETCHED_DIV


def _first_mark(step: Measure, period_div: float) -> float:
    """Where the span begins that is read: as far left of the centre as it ends to the right."""
    span = step.expected if step.expected is not None and quantity_of(step).unit == "div" else period_div
    return -span / 2


def _sine() -> Points:
    return [(n / _CURVED, 0.5 + 0.5 * math.sin(2 * math.pi * n / _CURVED)) for n in range(_CURVED)]


def _square() -> Points:
    return ((0.0, 0.0), (0.0, 1.0), (0.5, 1.0), (0.5, 0.0))


def _marks() -> Points:
    return ((0.0, 0.0), (0.0, 1.0), (0.04, 0.0))
