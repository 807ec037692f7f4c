"""The width of the trace itself, which an eye reads into every peak to peak."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from harness.measurement import Quantity, Screenful
from harness.steps import Measure, Reading
from sequences.reading import in_div

if TYPE_CHECKING:
    from harness.measurement import Samples


def _width(_step: Measure, volts: Samples, screen: Screenful, _lsb: float | None) -> Reading:
    return in_div(float(np.ptp(volts)), None, screen)


TRACE_WIDTH: Final = Quantity(
    name="trace_width",
    unit="div",
    axis="level",
    question="how thick is the trace, in divisions?",
    from_record=_width,
    own=lambda step: ("peak_to_peak", step.view.volts_per_div),
)
