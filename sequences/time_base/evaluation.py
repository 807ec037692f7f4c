"""What the time marks say: each time factor by itself.   [pure]"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from harness.models import Setup, Unit, rated
from harness.quantities import counted
from harness.report import shown
from harness.report.checklist import count, heading
from harness.report.model import Evaluated, Heading, PartResult
from harness.report.points import evaluate_points
from harness.report.readings import Taken
from sequences.time_base import Rated
from sequences.time_base.span import RATING


def evaluate(
    setup: Setup, entry: Mapping[str, Any], taken: Sequence[Taken], _earlier: Sequence[PartResult] = ()
) -> Evaluated:
    """The points of one part."""
    return evaluate_points(setup, entry, taken)


def specification(unit: Unit) -> Iterator[str]:
    """What the unit is held against."""
    stated = rated(unit, Rated)
    if unit.s_per_div:
        yield f"time factors ±{shown.percent(stated.time)}"
    if stated.time_magnified:
        yield f"magnified ±{shown.percent(stated.time_magnified)}"


def headings(_setup: Setup, parts: Sequence[PartResult]) -> Iterator[Heading]:
    """What the calibration guide asks of the time base."""
    read = count(parts, RATING.name)
    yield heading("Horizontal deflection", read > 0, counted(read, RATING.name), "sequence time_base")
