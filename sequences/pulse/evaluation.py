"""What a fast edge says: each parameter by itself.   [pure]"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from harness.models import Setup, Unit, rated
from harness.report import shown
from harness.report.checklist import count, heading
from harness.report.model import Evaluated, Heading, PartResult
from harness.report.points import evaluate_points
from harness.report.readings import Taken
from sequences.pulse import Rated
from sequences.pulse.steps import QUANTITIES


def evaluate(
    setup: Setup, entry: Mapping[str, Any], taken: Sequence[Taken], _earlier: Sequence[PartResult] = ()
) -> Evaluated:
    """The points of one part."""
    return evaluate_points(setup, entry, taken)


def specification(unit: Unit) -> Iterator[str]:
    """What the unit is held against."""
    stated = rated(unit, Rated)
    if unit.rise_time:
        yield f"rise time at most {shown.quantity(unit.rise_time, 's')}"
    if stated.overshoot:
        yield f"overshoot at most {shown.percent(stated.overshoot)}"
    if stated.top_aberration:
        yield f"aberration of the top at most {shown.percent(stated.top_aberration)}"


def headings(_setup: Setup, parts: Sequence[PartResult]) -> Iterator[Heading]:
    """What the calibration guide asks of the pulse response."""
    read = count(parts, *(quantity.rating.name for quantity in QUANTITIES if quantity.rating))
    yield heading("Rise time and pulse response", read > 0, f"{read} results of the fast edge", "sequence pulse")
