"""The headings of a calibration guide for oscilloscopes, and how a run stands to each.   [pure]

The headings follow EURAMET calibration guide No. 7 (cg-7, "Calibration of measuring devices for electrical
quantities: oscilloscopes", 2011), as noted from the table of contents of its draft; the input impedance is added from
memory. They are a list against forgetting: check the guide itself before citing it.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Final

from harness.measurement import evaluations
from harness.report.model import Coverage, Heading, PartResult
from harness.words.language import tr, tr_count, tr_later

if TYPE_CHECKING:
    from harness.models import Setup

SOURCE: Final = tr_later("After the headings of EURAMET calibration guide No. 7 (cg-7).")
SIGN: Final[dict[Coverage, str]] = {"covered": "✓", "not in this job": "–", "out of scope": "·"}


def checklist(setup: Setup, parts: Sequence[PartResult]) -> tuple[Heading, ...]:
    """Every heading with what covers it: results with a reading, never a point that was only planned or skipped."""
    asked = (heading for module in evaluations() for heading in module.headings(setup, parts))
    own = (heading for part in parts for heading in part.headings)
    return (_before(setup, parts), *asked, *own, *_rest(parts))


def heading(title: str, covered: bool, by: str, could: str) -> Heading:
    """What is covered by something, or could be."""
    coverage: Coverage = "covered" if covered else "not in this job"
    return Heading(title=title, coverage=coverage, by=by if covered else could)


def outside(title: str, why: str) -> Heading:
    """What this tool does not do."""
    return Heading(title=title, coverage="out of scope", by=why)


def _before(setup: Setup, parts: Sequence[PartResult]) -> Heading:
    title, seen = tr("Visual and preliminary checks"), setup.job.item_condition
    stated = tr("; condition as stated: {seen}", seen=seen) if seen else ""
    if looks := sum(len(part.looks) for part in parts):
        return heading(
            title, True, tr("{checks} by looking{stated}", checks=tr_count(looks, "check"), stated=stated), ""
        )
    return outside(title, tr("the person's, before the run") + (stated or tr("; the job can state it")))


def count(parts: Sequence[PartResult], *quantities: str, signal: type | None = None) -> int:
    """How many results of these quantities were read; what is stated and not rated counts as well."""
    unrated = sum(finding.name in quantities for part in parts for finding in part.findings) if signal is None else 0
    return unrated + sum(
        result.quantity in quantities and result.reading is not None
        and (signal is None or isinstance(result.stimulus, signal))
        for part in parts for result in part.results
    )  # fmt: skip


def _rest(parts: Sequence[PartResult]) -> Iterator[Heading]:
    judged = any(result.budget is not None for part in parts for result in part.results)
    yield heading(
        "Uncertainties", judged, tr("a budget for every judged result"), tr("there is no result with a budget")
    )
    yield Heading(title=tr("Documentation"), coverage="covered", by=tr("this report, and the record of the run"))
