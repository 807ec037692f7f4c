"""A length against a known one that was read at the same setting: their ratio and its lines.   [pure]

What a display makes of both falls out, so that more than one measurement compares like this.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

from harness.analysis import estimate
from harness.analysis.estimate import Contribution
from harness.analysis.graticule import Length, Reader
from harness.assess import read_length, reader_along
from harness.errors import AnalysisError
from harness.measurement import quantity_of
from harness.models import Setup
from harness.steps import Measure, Reading
from harness.words.language import tr

Readings = Sequence[Reading]
CUSTOMARY: Final = 0.03  # what factors of a display are within that nobody states; common practice


@dataclass(frozen=True, slots=True, kw_only=True)
class Known:
    """A known signal of about the same size, read at the same setting."""

    step: Measure
    readings: Readings = ()


def compared(
    setup: Setup, step: Measure, readings: Readings, known: Known, repeats: int
) -> tuple[float, tuple[Contribution, ...]]:
    """How a length stands to a known one, and the lines of both, relative."""
    own = length_of(setup, step, readings, repeats)
    other = length_of(setup, known.step, known.readings, repeats)
    if not (own.value_div > 0.0 and other.value_div > 0.0):
        raise AnalysisError("a length of nothing cannot be compared: check connection, coupling and ground line.")
    lines = [
        replace(line, name=f"{name}: {line.name}", sensitivity=sign / length.value_div)
        for name, length, sign in ((step.purpose, own, 1.0), (known.step.purpose, other, -1.0))
        for line in length.contributions
    ]
    return own.value_div / other.value_div, tuple(lines)


def length_of(setup: Setup, step: Measure, readings: Readings, repeats: int, *, in_one_div: float = 1.0) -> Length:
    """The mean of what was read, or of what is planned, in div."""
    planned, reader = step.expected or 0.0, _reader(setup, step)
    return read_length(reader, readings, planned=planned, repeats=repeats, in_one_div=in_one_div)


def _reader(setup: Setup, step: Measure) -> Reader:
    reference = setup.bench.reference
    if step.display == "reference" and reference is not None:
        return Reader(resolution_div=reference.step_div, scatter_div=reference.scatter_div)
    return reader_along(setup.unit, quantity_of(step).axis)


def unequal(ratio: float, within: float, what: str) -> tuple[Contribution, ...]:
    """What a display may make of two lengths that are not the same: no more than its factor may be out."""
    apart = abs(ratio - 1.0)
    width = max(within, CUSTOMARY) * apart
    return (estimate.rectangular(tr("{what} not equal", what=what), half_width=width),) if apart > 1e-9 else ()


def scaled(lines: Sequence[Contribution], by: float) -> tuple[Contribution, ...]:
    """The same lines, their sensitivities times a factor."""
    return tuple(replace(line, sensitivity=line.sensitivity * by) for line in lines)
