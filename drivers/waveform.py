"""From a digitised record to a reading: whether it can be trusted, and then as its quantity is read.   [pure]"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from harness.analysis.record import is_clipped
from harness.errors import AnalysisError
from harness.link.replies import NO_VALUE
from harness.measurement import Screenful, quantity_of
from harness.steps import Measure, Reading

if TYPE_CHECKING:
    from harness.measurement import Samples

FEWEST_SAMPLES: Final = 8

EDGE: Final = 1 / 250
"""Part of the screen at each edge that is never trusted: a record that rests on its end code shows one level, which
does not tell the converter's step; eight bits are the coarsest."""


def read_record(step: Measure, volts: Samples, screen: Screenful, second: Samples | None = None) -> Reading:
    """Read the step's quantity; off the screen if a trace touches an edge. Raises AnalysisError."""
    if volts.size < FEWEST_SAMPLES:
        raise AnalysisError(f"a record of {volts.size} samples shows nothing: look at its length and its format")
    span_v, full_scale = screen.high_v - screen.low_v, (screen.low_v, screen.high_v)
    lsb = quantising_step(volts, span_v=span_v)
    for record in (volts,) if second is None else (volts, second):
        if not (np.abs(record) < NO_VALUE).all():
            return Reading(status="off_screen", flags=("clipped",))
        if is_clipped(record, full_scale=full_scale, lsb=max(lsb or 0.0, EDGE * span_v)):
            return Reading(status="off_screen", flags=("clipped",))
    quantity = quantity_of(step)
    if second is not None and quantity.from_two is not None:
        return quantity.from_two(step, volts, second, screen, lsb)
    return quantity.from_record(step, volts, screen, lsb)


def quantising_step(volts: Samples, *, span_v: float) -> float | None:
    """Return the converter's step as the record shows it, or None where it shows too few levels or too many."""
    levels = np.unique(volts[np.isfinite(volts)])
    steps = np.diff(levels)
    steps = steps[steps > 1e-6 * span_v]  # neighbours in the last bit of a float are one level
    if not 1 <= steps.size <= 4096:
        return None
    step = float(steps.min())
    # Codes lie on a grid; volts that do not are no raw codes but averaged or interpolated.
    on_grid = np.abs(steps / step - np.round(steps / step)) < 0.05
    return step if step < span_v / 16 and bool(on_grid.all()) else None
