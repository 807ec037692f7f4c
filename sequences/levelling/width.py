"""The width of the trace itself, which an eye reads into every peak to peak, and an instrument its noise."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np

from harness.analysis.estimate import Contribution, rectangular
from harness.measurement import Quantity, Screenful
from harness.models import Setup
from harness.quantities import DB_PER_NEPER
from harness.steps import Measure, NoSignal, Reading, View
from harness.words.language import tr
from sequences.deflection import PEAK_TO_PEAK
from sequences.levelling.reading import THIN_DIV
from sequences.levelling.sine import Taken
from sequences.reading import gives_records, in_div

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


def reads_width(setup: Setup) -> bool:
    """Whether peaks are read with the trace's width in them: by eye, and by an instrument that sends no record.

    The amplitude that is fitted to a record has none: noise leaves it where it is.
    """
    return setup.unit.read == "eye" or not gives_records(setup)


def width_step(path: str, channel: int, volts_per_div: float) -> Measure:
    """The reading of it."""
    return Measure(
        purpose="trace width",
        path=path,
        source="generator",
        stimulus=NoSignal(),
        display="unit",
        view=View(channel=channel, volts_per_div=volts_per_div, s_per_div=1e-3),
        quantity=TRACE_WIDTH.name,
        expected=0.1,
        expected_high=0.5,
        expected_low=0.0,
    )


def trace_width(setup: Setup, shown: Sequence[Taken]) -> Contribution:
    """The width of the trace, taken off every peak to peak: known to half of itself, and as well as it was read.

    Where an eye reads peak to peak and nobody said how thick the trace is, it is taken for a thin one.
    """
    widths = [
        reading.value for step, reading in shown if step.quantity == TRACE_WIDTH.name and reading.value is not None
    ]
    if not widths:
        unread = setup.unit.read == "eye" and any(step.quantity == PEAK_TO_PEAK.name for step, _ in shown)
        return rectangular(tr("trace width"), half_width=THIN_DIV if unread else 0.0, unit="div")
    read_div = math.hypot(setup.unit.scatter, setup.unit.resolution / math.sqrt(12))
    half_width = widths[-1] / 2 + math.sqrt(3) * read_div
    return rectangular(tr("trace width"), half_width=half_width, value=widths[-1], unit="div")


def without_width(values_div: Sequence[float], width: Contribution) -> float:
    """The mean of peaks to peak without the width of the trace; 0 where there is nothing else."""
    return max(math.fsum(values_div) / len(values_div) - width.value, 0.0)


def width_lines(width: Contribution, shown_div: float, reference_div: float) -> tuple[Contribution, ...]:
    """An error of the width goes into both deflections of the ratio: w·(1/a − 1/A) of it stays."""
    if not width.u:
        return ()
    here, there = (1 / max(each_div, width.value, width.u) for each_div in (shown_div, reference_div))
    return (replace(width, sensitivity=DB_PER_NEPER * (here - there)),)
