"""What records without a signal say: noise of every range by itself, and how far the line has moved.   [pure]"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Any, Final

from harness.models import Setup, Unit, rated
from harness.quantities import duration
from harness.report import shown
from harness.report.checklist import count, heading
from harness.report.model import Evaluated, Finding, Heading, PartResult, Result
from harness.report.points import evaluate_points, rated_apart
from harness.report.readings import Taken
from harness.words.language import tr, tr_count
from sequences.noise import Rated
from sequences.noise.statistics import HIDDEN
from sequences.noise.steps import HEIGHT, LINE, RMS

_HIDDEN: Final = f"hidden in the converter's step: below {HIDDEN:g} of it, and no more is known"


def evaluate(
    setup: Setup, entry: Mapping[str, Any], taken: Sequence[Taken], _earlier: Sequence[PartResult] = ()
) -> Evaluated:
    """The points of one part; the readings of one line are one point."""
    made = evaluate_points(setup, entry, [(replace(step, wait_s=0.0), reading) for step, reading in taken])
    lines = list(_lines(taken))
    results = tuple(_said(result, lines) for result in made.results)
    return rated_apart(replace(made, results=results, findings=(*made.findings, *_on_the_way(lines))))


def specification(unit: Unit) -> Iterator[str]:
    """What the unit is held against."""
    stated = rated(unit, Rated)
    of_both = (
        (tr("noise, rms,"), stated.noise_rms, stated.noise_rms_volts),
        (tr("noise, peak to peak,"), stated.noise_peak_to_peak, stated.noise_peak_to_peak_volts),
    )
    for what, div, volts in of_both:
        said = [shown.number(div, "div")] if div else []
        said += [shown.quantity(volts, "V")] if volts else []
        if said:
            yield tr("{what} at most {said}", what=what, said=tr(" or ").join(said))
    if stated.line_drift:
        yield tr("drift of the line ±{line_drift}", line_drift=shown.number(stated.line_drift, "div"))


def headings(_setup: Setup, parts: Sequence[PartResult]) -> Iterator[Heading]:
    """What belongs to the vertical deflection beside its factor."""
    read = count(parts, *(one.rating.name for one in (RMS, HEIGHT, LINE) if one.rating))
    yield heading(tr("Noise, and drift of the line"), read > 0, tr_count(read, "result"), tr("sequence noise"))


def _lines(taken: Sequence[Taken]) -> Iterator[list[Taken]]:
    """The readings of each line in their order."""
    places: dict[int, list[Taken]] = defaultdict(list)
    for step, reading in taken:
        if step.quantity == LINE.name:
            places[step.view.channel].append((step, reading))
    yield from places.values()


def _over_s(line: Sequence[Taken]) -> float:
    return sum(step.wait_s for step, _ in line)


def _said(result: Result, lines: Sequence[Sequence[Taken]]) -> Result:
    """A result with what its table would not say: over which time, and that the converter hides the noise."""
    if LINE.rating is not None and result.quantity == LINE.rating.name:
        line = next(each for each in lines if each[0][0].view.channel == result.channel)
        moved = None if result.statement is None else result.statement.estimate
        return replace(
            result, applied=tr("nothing for {over}", over=duration(_over_s(line))), expected=0.0, reading=moved
        )
    hidden = result.budget is not None and any("hidden" in each.name for each in result.budget.contributions)
    remarks = (*result.remarks, _HIDDEN) if hidden else result.remarks
    return replace(result, expected=None, remarks=remarks)  # a quiet input has no ideal but none


def _on_the_way(lines: Sequence[Sequence[Taken]]) -> Iterator[Finding]:
    """How far each line was from its first place at most, and when."""
    for line in lines:
        first = line[0][1].value
        at_s, found = 0.0, [(0.0, 0.0)]
        for step, reading in line[1:]:
            at_s += step.wait_s
            if first is not None and reading.status == "read" and reading.value is not None:
                found.append((reading.value - first, at_s))
        moved, when_s = max(found, key=lambda each: abs(each[0]))
        if len(found) > 2 and moved:
            step = line[0][0]
            yield Finding(
                name="line on the way",
                channel=step.view.channel,
                path=step.path,
                value=moved,
                u=None,
                unit="div",
                sentence=tr(
                    "channel {channel}: {moved:+.3g} div from its first place after {when_s}, the most in {line}.",
                    channel=step.view.channel,
                    moved=moved,
                    when_s=duration(when_s),
                    line=duration(_over_s(line)),
                ),
            )
