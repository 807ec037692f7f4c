"""The headings of a calibration guide for oscilloscopes, and how a run stands to each.   [pure]

The headings follow EURAMET calibration guide No. 7 (cg-7, "Calibration of measuring devices for electrical
quantities: oscilloscopes", 2011), as noted from the table of contents of its draft; the input impedance is added from
memory. They are a list against forgetting: check the guide itself before citing it.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Final

from harness.quantities import counted
from harness.report.model import Coverage, Heading, PartResult
from harness.steps import Dc, Square

if TYPE_CHECKING:
    from harness.models import Setup

SOURCE: Final = (
    "After the headings of EURAMET calibration guide No. 7 (cg-7), noted from the contents of its draft of 2011; "
    "check the guide itself."
)
SIGN: Final[dict[Coverage, str]] = {"covered": "✓", "not in this job": "–", "out of scope": "·"}
_FIFTY_OHM: Final = (45.0, 55.0)


def checklist(setup: Setup, parts: Sequence[PartResult]) -> tuple[Heading, ...]:
    """Every heading with what covers it: results with a reading, never a point that was only planned or skipped."""
    return (*_before(setup), *_deflection(parts), *_frequency(setup, parts), *_rest(parts))


def _heading(title: str, covered: bool, by: str, could: str) -> Heading:
    coverage: Coverage = "covered" if covered else "not in this job"
    return Heading(title=title, coverage=coverage, by=by if covered else could)


def _outside(title: str, why: str) -> Heading:
    return Heading(title=title, coverage="out of scope", by=why)


def _before(setup: Setup) -> Iterator[Heading]:
    seen = setup.job.item_condition
    yield _outside(
        "Visual and preliminary checks",
        "the person's, before the run" + (f"; condition as stated: {seen}" if seen else "; the job can state it"),
    )


def _points(parts: Sequence[PartResult], *quantities: str, signal: type | None = None) -> int:
    return sum(
        point.quantity in quantities and point.reading is not None
        and (signal is None or isinstance(point.stimulus, signal))
        for part in parts for point in part.points
    )  # fmt: skip


def _deflection(parts: Sequence[PartResult]) -> Iterator[Heading]:
    direct, square = (_points(parts, "deflection", signal=signal) for signal in (Dc, Square))
    yield _heading(
        "Vertical deflection by direct voltage", direct > 0, f"{counted(direct, 'point')} of deflection",
        "sequence vertical, signal = 'dc'",
    )  # fmt: skip
    yield _heading(
        "Vertical deflection by square wave or pulse", square > 0, f"{counted(square, 'point')} of deflection",
        "sequence vertical, signal = 'square'",
    )  # fmt: skip
    yield _outside(
        "Vertical deflection by alternating voltage",
        "a sine serves as the reference of the response alone; its level is not stated as a deflection factor",
    )
    times = _points(parts, "time factor")
    yield _heading("Horizontal deflection", times > 0, counted(times, "time factor"), "sequence time_base")


def _frequency(setup: Setup, parts: Sequence[PartResult]) -> Iterator[Heading]:
    low, high = _FIFTY_OHM
    fifty = low <= setup.unit.input.resistance <= high
    responses = [response for part in parts for response in part.responses if response.result.points]
    by = f"{len(responses)} half-power frequencies"
    yield _heading(
        "Bandwidth, high-impedance input", bool(responses) and not fifty, by,
        "sequence bandwidth, with a feed-through termination",
    )  # fmt: skip
    yield _heading(
        "Bandwidth, 50 Ω input", bool(responses) and fifty, by,
        "sequence bandwidth, in a job whose unit file states an input resistance of 50 ohm",
    )  # fmt: skip
    yield _outside("Harmonic distortion of the source", "a property of the generator: its certificate's")
    yield _heading(
        "Flatness below the bandwidth", bool(responses), "the response as read and fitted; reported, not judged",
        "sequence bandwidth",
    )  # fmt: skip
    edges = _points(parts, "rise time", "overshoot", "top aberration")
    yield _heading("Rise time and pulse response", edges > 0, f"{edges} results of the fast edge", "sequence pulse")


def _rest(parts: Sequence[PartResult]) -> Iterator[Heading]:
    yield _outside("Trigger bandwidth", "not measured by this tool")
    yield _outside("Trigger sensitivity", "not measured by this tool")
    yield _outside("Internal calibration signals", "not measured by this tool")
    yield _outside(
        "Cursors", "not measured by this tool: readings are of the trace against the graticule, or its record"
    )
    yield _outside("Input resistance and capacitance", "taken from the unit file, not measured")
    judged = any(point.budget is not None for part in parts for point in part.points)
    judged = judged or any(response.result.budget for part in parts for response in part.responses)
    yield _heading("Uncertainties", judged, "a budget for every judged result", "there is no result with a budget")
    yield Heading(title="Documentation", coverage="covered", by="this report, and the record of the run")
