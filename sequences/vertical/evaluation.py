"""What deflections say: each by itself, and together linearity, match of the channels, a divider's ratio.   [pure]"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from operator import attrgetter
from typing import Any

from harness.analysis.estimate import Budget, Contribution, coverage_factor, state
from harness.analysis.graticule import Length
from harness.analysis.joint import difference
from harness.analysis.rounding import format_value_u
from harness.assess import origin_of
from harness.models import Setup, Unit, rated
from harness.quantities import show
from harness.report import shown
from harness.report.checklist import count, heading, outside
from harness.report.model import Evaluated, Finding, Heading, PartResult, Result
from harness.report.points import evaluate_points
from harness.report.readings import Taken
from harness.steps import Dc, Square
from harness.words.language import tr, tr_count
from sequences.deflection import RATING
from sequences.vertical import Rated
from sequences.vertical.together import linearity, mean_ratio, probe_ratio

_u = attrgetter("u")


def evaluate(
    setup: Setup, entry: Mapping[str, Any], taken: Sequence[Taken], _earlier: Sequence[PartResult] = ()
) -> Evaluated:
    """The points of one part, and what they say together."""
    return evaluate_points(setup, entry, taken, together)


def specification(unit: Unit) -> Iterator[str]:
    """What the unit is held against."""
    stated = rated(unit, Rated)
    yield "; ".join(
        (
            tr("deflection factors ±{deflection}", deflection=shown.percent(stated.deflection)),
            *(line.in_words() for line in stated.deflection_by),
        )
    )
    if stated.deflection_per_kelvin:
        yield tr(
            "and {deflection_per_kelvin} of the deflection for each kelvin outside the maker's",
            deflection_per_kelvin=shown.percent(stated.deflection_per_kelvin),
        )


def headings(_setup: Setup, parts: Sequence[PartResult]) -> Iterator[Heading]:
    """What the calibration guide asks of the vertical deflection."""
    direct, square = (count(parts, RATING.name, signal=signal) for signal in (Dc, Square))
    yield heading(
        tr("Vertical deflection by direct voltage"),
        direct > 0,
        tr("{points} of deflection", points=tr_count(direct, "point")),
        tr("sequence vertical, signal = 'dc'"),
    )
    yield heading(
        tr("Vertical deflection by square wave or pulse"),
        square > 0,
        tr("{points} of deflection", points=tr_count(square, "point")),
        tr("sequence vertical, signal = 'square'"),
    )
    yield outside(
        tr("Vertical deflection by alternating voltage"),
        tr("it takes a calibrator of alternating voltage; the sine here is levelled, its volts are not stated"),
    )


def together(setup: Setup, points: Sequence[Result]) -> Iterator[Finding]:
    """Everything that the deflection points of one part say together."""
    read = [point for point in points if point.reading is not None and point.budget]
    yield from _linearities(setup, read)
    yield from _matches(setup, read)
    yield from _ratios(setup, read)


def _linearities(setup: Setup, points: Sequence[Result]) -> Iterator[Finding]:
    by_range: dict[tuple[int, str, str], list[Result]] = defaultdict(list)
    for point in points:
        by_range[point.channel, point.path, point.setting].append(point)
    for (channel, path, setting), levels in by_range.items():
        lines = (_length(point).contributions for point in levels)
        read = max((Budget(quantity="", unit="div", estimate=0.0, contributions=each) for each in lines), key=_u)
        if len(levels) < 3 or read.u <= 0:
            continue
        line = linearity(
            [p.applied_value or 0.0 for p in levels],
            [p.reading or 0.0 for p in levels],
            volts_per_div=levels[0].setting_value,
            u_reading_div=read.u,
            dof=read.dof_eff,
        )
        k = coverage_factor(setup.job.coverage, line.dof)
        departs = tr("no more than the readings scatter") if line.fits else tr("more than the readings scatter")
        yield Finding(
            name="linearity",
            channel=channel,
            path=path,
            value=line.div,
            u=k * line.u_div,
            k=k,
            unit="div",
            sentence=tr(
                "channel {channel}, {setting}: departs from a straight line by {div:+.2g} div at {at_v}, {departs}.",
                channel=channel,
                setting=setting,
                div=line.div,
                at_v=show(line.at_v, "V"),
                departs=departs,
            ),
        )


def _matches(setup: Setup, points: Sequence[Result]) -> Iterator[Finding]:
    """The clearest difference of channel 2 and up from channel 1, against its uncertainty, on one range and level."""
    at = {(p.channel, p.path, p.setting, p.applied): p for p in points}
    largest: dict[tuple[int, str], tuple[Budget, Result]] = {}
    for (channel, path, setting, applied), point in at.items():
        first = at.get((1, path, setting, applied))
        if channel == 1 or first is None or first.budget is None or point.budget is None:
            continue
        match = difference(point.budget, first.budget, shared=_sources(setup))
        kept = largest.get((channel, path))
        if kept is None or abs(match.estimate) * kept[0].u > abs(kept[0].estimate) * match.u:
            largest[channel, path] = match, point
    for (channel, path), (match, point) in largest.items():
        stated = state(match, setup.job.coverage)
        yield Finding(
            name="channel match",
            channel=channel,
            path=path,
            value=match.estimate,
            u=stated.expanded,
            k=stated.k,
            unit="%",
            sentence=tr(
                "channel {channel} against channel 1: clearest difference {estimate}, at {setting}.",
                channel=channel,
                estimate=format_value_u(match.estimate, stated.expanded, "%", signed=True),
                setting=point.setting,
            ),
        )


def _sources(setup: Setup) -> tuple[str, ...]:
    """The origins of errors that are the same whatever channel is read."""
    return () if setup.bench.calibrator is None else (origin_of(setup.bench.calibrator),)


def _source_lines(setup: Setup, result: Result) -> tuple[Contribution, ...]:
    """The lines of a budget that are the source's, in V at the source: `value` is the level there."""
    budget = result.budget
    return () if budget is None else tuple(line for line in budget.contributions if line.origin in _sources(setup))


def _ratios(setup: Setup, points: Sequence[Result]) -> Iterator[Finding]:
    """The divider's ratio by channel, from every range read straight and divided."""
    points = _fullest(points)
    straight = {(p.channel, p.setting): p for p in points if setup.bench.path(p.path).divides_by == 1}
    pairs: dict[tuple[int, str], list[Budget]] = defaultdict(list)
    for point in points:
        divides_by = setup.bench.path(point.path).divides_by
        other = straight.get((point.channel, point.setting))
        if divides_by != 1 and other is not None and setup.bench.calibrator is not None:
            pairs[point.channel, point.path].append(_ratio(setup, other, point, divides_by))
    for (channel, path), ratios in pairs.items():
        stated = state(mean_ratio(ratios), setup.job.coverage)
        yield Finding(
            name="divider ratio",
            channel=channel,
            path=path,
            value=stated.estimate,
            u=stated.expanded,
            k=stated.k,
            unit="",
            sentence=tr(
                "{path} on channel {channel}: 1 : {estimate}, from {count} ranges.",
                path=path,
                channel=channel,
                estimate=format_value_u(stated.estimate, stated.expanded, ""),
                count=len(ratios),
            ),
        )


def _fullest(points: Sequence[Result]) -> list[Result]:
    """The largest deflection of every range: one reading is in one pair, so the ratios are independent."""
    largest: dict[tuple[int, str, str], Result] = {}
    for point in sorted(points, key=lambda p: abs(p.expected or 0.0)):
        largest[point.channel, point.path, point.setting] = point
    return list(largest.values())


def _ratio(setup: Setup, straight: Result, divided: Result, divides_by: float) -> Budget:
    levels = straight.applied_value or 0.0, (divided.applied_value or 0.0) * divides_by
    lines = [
        replace(line, name=f"{name}: {line.name}", sensitivity=1.0 / line.value)
        for name, point in ((tr("straight"), straight), (tr("divided"), divided))
        for line in _source_lines(setup, point)
    ]
    return probe_ratio(
        _length(straight),
        _length(divided),
        straight_v=levels[0],
        divided_v=levels[1],
        level_ratio=lines if levels[0] != levels[1] else (),
        quantity=tr("divider ratio, {setting}", setting=divided.setting),
    )


def _length(point: Result) -> Length:
    """The deflection with the lines of its budget that are the reading's, in div: those of a ground line as well."""
    lines = () if point.budget is None else point.budget.contributions
    of_reading = tuple(replace(line, sensitivity=1.0) for line in lines if line.unit == "div")
    return Length(value_div=point.reading or 0.0, contributions=of_reading)
