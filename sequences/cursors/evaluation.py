"""What the unit's own read-outs say: each by itself.   [pure]"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Any

from harness.models import Setup, Unit, rated
from harness.quantities import prefixed
from harness.report import shown
from harness.report.checklist import count, heading
from harness.report.model import Evaluated, Heading, PartResult, Result
from harness.report.points import evaluate_points, rated_apart
from harness.report.readings import Taken
from harness.words.language import tr, tr_count
from sequences.cursors import Rated
from sequences.cursors.steps import QUANTITIES

_SI = {"V": ("V", 1.0), "ns": ("s", 1e-9), "Hz": ("Hz", 1.0)}  # as a reading is shown, and what that is of its unit


def evaluate(
    setup: Setup, entry: Mapping[str, Any], taken: Sequence[Taken], _earlier: Sequence[PartResult] = ()
) -> Evaluated:
    """The points of one part, each with the prefix of what was applied."""
    made = evaluate_points(setup, entry, taken)
    return rated_apart(replace(made, results=tuple(_readable(result) for result in made.results)))


def _readable(result: Result) -> Result:
    """A result whose readings are in mV, µs or kHz, as the read-out says them."""
    unit, scale = _SI.get(result.unit, (result.unit, 1.0))
    if not result.expected or unit == result.unit == "div":
        return result
    shown_in, factor = prefixed(result.expected * scale, unit, 3)
    by = scale * factor
    return replace(
        result, unit=shown_in, expected=result.expected * by,
        reading=None if result.reading is None else result.reading * by,
        readings=tuple(value * by for value in result.readings),
    )  # fmt: skip


def specification(unit: Unit) -> Iterator[str]:
    """What the unit is held against."""
    stated = rated(unit, Rated)
    for name, limit in (("ΔV", stated.cursor_volts), ("Δt", stated.cursor_time), ("1/Δt", stated.cursor_rate)):
        if limit:
            yield tr("{name} read-out ±{limit}", name=name, limit=shown.percent(limit))


def headings(_setup: Setup, parts: Sequence[PartResult]) -> Iterator[Heading]:
    """The calibration guide's heading of its own."""
    read = count(parts, *(one.rating.name for one in QUANTITIES if one.rating))
    yield heading("Cursors", read > 0, tr_count(read, "read-out"), tr("sequence cursors"))
