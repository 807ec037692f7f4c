"""What a fast edge says: each parameter by itself.   [pure]"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Any

from harness.models import Setup, Unit, rated
from harness.quantities import show
from harness.report import shown
from harness.report.checklist import count, heading
from harness.report.model import Evaluated, Heading, PartResult, Result
from harness.report.points import evaluate_points
from harness.report.readings import Taken
from sequences.pulse import Rated
from sequences.pulse.steps import QUANTITIES


def evaluate(
    setup: Setup, entry: Mapping[str, Any], taken: Sequence[Taken], _earlier: Sequence[PartResult] = ()
) -> Evaluated:
    """The points of one part; of several ranges each with its own in its setting."""
    evaluated = evaluate_points(setup, entry, taken)
    ranges = {result.view.volts_per_div for result in evaluated.results if result.view is not None}
    return replace(evaluated, results=tuple(map(_with_range, evaluated.results))) if len(ranges) > 1 else evaluated


def _with_range(result: Result) -> Result:
    view = result.view
    return result if view is None else replace(result, setting=f"{show(view.volts_per_div, 'V')}/div, {result.setting}")


def specification(unit: Unit) -> Iterator[str]:
    """What the unit is held against."""
    stated = rated(unit, Rated)
    if unit.rise_time:
        yield f"rise time at most {shown.quantity(unit.rise_time, 's')}"
    if stated.overshoot:
        yield f"overshoot at most {shown.percent(stated.overshoot)}"
    if stated.top_aberration:
        yield f"aberration of the top at most {shown.percent(stated.top_aberration)}"
    if stated.settling_time:
        band = shown.percent(stated.band)
        yield f"settled to ±{band} in {shown.quantity(stated.settling_time, 's')}"
    if stated.sag:
        yield f"sag at most {shown.percent(stated.sag)} at {shown.hertz(stated.sag_hz)}"


def headings(_setup: Setup, parts: Sequence[PartResult]) -> Iterator[Heading]:
    """What the calibration guide asks of the pulse response."""
    read = count(parts, *(quantity.rating.name for quantity in QUANTITIES if quantity.rating))
    yield heading("Rise time and pulse response", read > 0, f"{read} results of the fast edge", "sequence pulse")
