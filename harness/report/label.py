"""A label for the unit: which, when, until when, verdict, and the number of its report as text and as a code.

References
----------
ISO/IEC 17025:2017, clause 7.8.4.3 (a label recommends no interval, unless the customer agreed to one; from memory).
ISO/IEC 18004 (the code, with its margin of four modules).
"""

from __future__ import annotations

import io
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from harness.errors import HalfpowerError
from harness.report.pdf import typeset
from harness.words.clean import shortened
from harness.words.language import day, tr
from harness.words.spelling import SIGN

if TYPE_CHECKING:
    from harness.report.model import Report

TEMPLATE: Final = Path(__file__).parent / "templates" / "label.typ"
SMALLEST_MM: Final = (30.0, 15.0)
LARGEST_MM: Final = (200.0, 100.0)
_LONGEST: Final = 40
_MARGIN_MODULES: Final = 4


def label(report: Report, *, width_mm: float, height_mm: float, link: str = "", fonts: Path | None = None) -> bytes:
    """
    Render the label of a finished run as a PDF file of one page of that size; the same report gives the same bytes.

    Parameters
    ----------
    link
        What the code says before the report's number: where reports are found. Left out: the number alone.

    Raises
    ------
    HalfpowerError
        The run is not finished, the size is none of a label, or the type-setter is missing.
    """
    if not report.finished:
        raise HalfpowerError("The run is not finished, so there is no label yet. Resume it first.")
    least, most = SMALLEST_MM, LARGEST_MM
    if not (least[0] <= width_mm <= most[0] and least[1] <= height_mm <= min(most[1], width_mm)):
        raise HalfpowerError(
            f"A label of {width_mm:g} × {height_mm:g} mm cannot be read or is none: from {least[0]:g} × {least[1]:g} "
            f"to {most[0]:g} × {most[1]:g} mm, and not higher than wide."
        )
    document = says(report) | {"width": width_mm, "height": height_mm, "code": code(f"{link}{report.number}")}
    return typeset(TEMPLATE, document, report, fonts=fonts)


def says(report: Report) -> dict[str, Any]:
    """What stands on it."""
    unit, job = report.setup.unit, report.setup.job
    return {
        "title": tr("Label of report {number}", number=report.number),
        "unit": shortened(f"{unit.maker} {unit.model}", _LONGEST),
        "serial": tr("no. {serial}", serial=shortened(job.serial, _LONGEST)),
        "sign": SIGN[report.overall],
        "verdict": tr("meets its rating") if report.overall == "meets" else tr(report.overall),
        "checked": tr("checked {day}", day=day(report.ended[:10])),
        "next": tr("next {day}", day=day(job.next_due)) if job.next_due else "",
        "number": shortened(report.number, _LONGEST),
        "mark": tr("SIMULATED") if report.simulated else "",
    }


def code(text: str) -> str:
    """A text as a square code, drawn."""
    import segno

    drawn = io.BytesIO()
    segno.make(text, error="m", micro=False).save(drawn, kind="svg", border=_MARGIN_MODULES, xmldecl=False)
    return drawn.getvalue().decode("ascii")
