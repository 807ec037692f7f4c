"""How even a sweep is: its marks against a straight line, and the magnified time factor at both of its ends."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np

from harness.analysis.estimate import Budget
from harness.assess import read_length, reader_along
from harness.errors import AnalysisError
from harness.measurement import Quantity, Rating, Screenful
from harness.models import Setup, rated
from harness.quantities import show
from harness.steps import Measure, Reading
from harness.words.language import tr
from sequences.reading import times
from sequences.time_base import Rated
from sequences.time_base.span import SPAN, rising

if TYPE_CHECKING:
    from harness.analysis.graticule import Edges
    from harness.measurement import Samples

CENTRE_DIV: Final = 8.0  # the outer division at either side is left out: common practice


def departure_budget(
    setup: Setup,
    step: Measure,
    readings: Sequence[Reading] = (),
    _ground: Sequence[Reading] = (),
    repeats: int = 1,
) -> Budget:
    """Return the largest departure of a mark in percent of the centre eight divisions; parameters as elsewhere.

    References
    ----------
    docs/deflection.md, equation (29).
    """
    edges: Edges = "both read" if setup.unit.read == "remote" else "set and read"
    length = read_length(reader_along(setup.unit, "time"), readings, planned=0.0, repeats=repeats, edges=edges)
    per_div = 100.0 / CENTRE_DIV
    return Budget(
        quantity=tr("linearity of the sweep at {s_per_div}/div", s_per_div=show(step.view.s_per_div, "s")),
        unit="%",
        estimate=length.value_div * per_div,
        contributions=tuple(replace(line, sensitivity=line.sensitivity * per_div) for line in length.contributions),
    )


def _departure(_step: Measure, volts: Samples, screen: Screenful, lsb: float | None) -> Reading:
    """The mark that stands farthest from the straight line through the first and the last of the centre divisions."""
    at = times(volts, screen)
    marks = (rising(at, volts, lsb) - at.mean()) / screen.s_per_div
    marks = marks[np.abs(marks) <= CENTRE_DIV / 2 + 0.5]
    if marks.size < 3:
        raise AnalysisError(
            f"the record holds {marks.size} time marks in its centre, and evenness takes three: check period and sweep"
        )
    number = np.arange(marks.size)
    straight = marks[0] + (marks[-1] - marks[0]) * number / number[-1]
    departure = marks - straight
    return Reading(
        value=float(departure[np.abs(departure).argmax()]),
        scatter=screen.interval_s / screen.s_per_div / np.sqrt(12.0),
        more={"marks": float(marks.size)},
    )


LINEARITY: Final = Rating(
    name="linearity of the sweep",
    is_error=True,
    axis="time",
    tolerance=lambda unit, _step: rated(unit, Rated).time_linearity,
    budget=departure_budget,
    remedy="a finer reading",
)

DEPARTURE: Final = Quantity(
    name="departure",
    unit="div",
    axis="time",
    question="outer marks on their lines: worst off by (left -)?",
    from_record=_departure,
    signed=True,
    rating=LINEARITY,
)

assert SPAN.rating is not None
SPAN_AT_START: Final = replace(
    SPAN, name="span_at_start", rating=replace(SPAN.rating, name="time factor, start of the sweep")
)
SPAN_AT_END: Final = replace(
    SPAN, name="span_at_end", rating=replace(SPAN.rating, name="time factor, end of the sweep")
)
