"""A height read at the same edge of the trace, so that its width drops out; a trace brought onto lines."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Final

from harness.analysis.estimate import Contribution, triangular
from harness.analysis.graticule import ON_LINE_DIV
from harness.measurement import Quantity
from sequences.deflection import PEAK_TO_PEAK

LINE_TO_LINE: Final[Quantity] = replace(
    PEAK_TO_PEAK,
    name="line_to_line",
    question="with its bottom on a line, how many divisions to its top, at the same edge of the trace?",
    rating=None,
)


U_ON_LINE_DIV: Final = ON_LINE_DIV / math.sqrt(3)


def on_lines(name: str) -> Contribution:
    """The line of a length set to two lines, in div: two edges, each anywhere within ±ON_LINE_DIV of its own."""
    return triangular(name, half_width=2 * ON_LINE_DIV, unit="div")
