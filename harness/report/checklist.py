"""The headings of a calibration guide for oscilloscopes, and how a run stands to each.   [pure]

The headings follow EURAMET calibration guide No. 7 (cg-7, "Calibration of measuring devices for electrical
quantities: oscilloscopes", 2011), as noted from the table of contents of its draft; the input impedance is added from
memory. They are a list against forgetting: check the guide itself before citing it.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from typing import TYPE_CHECKING, Final

from harness.report.model import Coverage, Heading, PartResult

if TYPE_CHECKING:
    from harness.models import Setup

SOURCE: Final = (
    "After the headings of EURAMET calibration guide No. 7 (cg-7), noted from the contents of its draft of 2011; "
    "check the guide itself."
)
SIGN: Final[dict[Coverage, str]] = {"covered": "✓", "not in this job": "–", "out of scope": "·"}
_FIFTY_OHM: Final = (45.0, 55.0)


def checklist(setup: Setup, parts: Sequence[PartResult], signals: Collection[str]) -> tuple[Heading, ...]:
    """Every heading with what covers it; `signals` names the kinds of stimulus that deflections were read of."""
    return (*_before(setup), *_deflection(parts, signals), *_frequency(setup, parts), *_rest())


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


def _points(parts: Sequence[PartResult], *quantities: str) -> int:
    return sum(point.quantity in quantities and point.reading is not None for part in parts for point in part.points)


def _deflection(parts: Sequence[PartResult], signals: Collection[str]) -> Iterator[Heading]:
    count = _points(parts, "deflection")
    yield _heading(
        "Vertical deflection by direct voltage", "Dc" in signals, f"{count} points of deflection",
        "sequence vertical, signal = 'dc'",
    )  # fmt: skip
    yield _heading(
        "Vertical deflection by square wave or pulse", "Square" in signals, f"{count} points of deflection",
        "sequence vertical, signal = 'square'",
    )  # fmt: skip
    yield _outside(
        "Vertical deflection by alternating voltage",
        "a sine serves as the reference of the response alone; its level is not stated as a deflection factor",
    )
    times = _points(parts, "time factor")
    yield _heading("Horizontal deflection", times > 0, f"{times} time factors", "sequence time_base")


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


def _rest() -> Iterator[Heading]:
    yield _outside("Trigger bandwidth", "not measured by this tool")
    yield _outside("Trigger sensitivity", "not measured by this tool")
    yield _outside("Internal calibration signals", "not measured by this tool")
    yield _outside(
        "Cursors", "not measured by this tool: readings are of the trace against the graticule, or its record"
    )
    yield _outside("Input resistance and capacitance", "taken from the unit file, not measured")
    yield Heading(title="Uncertainties", coverage="covered", by="a budget for every judged result")
    yield Heading(title="Documentation", coverage="covered", by="this report, and the record of the run")
