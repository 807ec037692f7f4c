"""What several points say together: linearity of a range, match of the channels, ratio of a divider probe.   [pure]"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import replace

from harness.analysis import estimate
from harness.analysis.deflection import channel_match, linearity, mean_ratio, probe_ratio
from harness.analysis.graticule import Length, Reader, mean_length
from harness.analysis.rounding import format_pair, format_value_u
from harness.assess import applied_lines, budget_for, period_lines
from harness.assess.sources import source_line_names
from harness.errors import AnalysisError
from harness.measurement import axis_of
from harness.models import Setup, SignalPath
from harness.quantities import show
from harness.report.model import Finding, Point
from harness.report.readings import Return, setting_of
from harness.steps import TimeMarks

DRIFT = "drift over the run"
_K = 2.0


def findings(setup: Setup, points: Sequence[Point]) -> Iterator[Finding]:
    """Everything that the deflection points of one part say together."""
    read = [
        point
        for point in points
        if axis_of(point.quantity) == "vertical" and point.reading is not None and point.budget
    ]
    yield from _linearities(setup, read)
    yield from _matches(setup, read)
    yield from _ratios(setup, read)


def _linearities(setup: Setup, points: Sequence[Point]) -> Iterator[Finding]:
    by_range: dict[tuple[int, str, str], list[Point]] = defaultdict(list)
    for point in points:
        by_range[point.channel, point.path, point.setting].append(point)
    u_reading_div = math.hypot(setup.unit.scatter, setup.unit.resolution / math.sqrt(6.0))  # two rounded edges
    for (channel, path, setting), levels in by_range.items():
        if len(levels) < 3 or u_reading_div <= 0:
            continue
        line = linearity(
            [p.applied_value for p in levels],
            [p.reading or 0.0 for p in levels],
            volts_per_div=levels[0].setting_value,
            u_reading_div=u_reading_div,
            definition=setup.job.error,
        )
        departs = "no more than the readings scatter" if line.fits else "more than the readings scatter"
        yield Finding(
            name="linearity",
            channel=channel,
            path=path,
            value=line.departure_div,
            u=_K * line.u_departure_div,
            k=_K,
            unit="div",
            sentence=f"channel {channel}, {setting}: departs from a straight line by {line.departure_div:+.2g} div at "
            f"{show(line.departure_at_v, 'V')}, {departs}.",
        )


def _matches(setup: Setup, points: Sequence[Point]) -> Iterator[Finding]:
    """The clearest difference of channel 2 and up from channel 1, against its uncertainty, on one range and level."""
    at = {(p.channel, p.path, p.setting, p.applied): p for p in points}
    largest: dict[tuple[int, str], tuple[estimate.Budget, Point]] = {}
    for (channel, path, setting, applied), point in at.items():
        first = at.get((1, path, setting, applied))
        if channel == 1 or first is None or first.budget is None or point.budget is None:
            continue
        match = channel_match(point.budget, first.budget, shared=[line.name for line in _source_lines(setup, point)])
        kept = largest.get((channel, path))
        if kept is None or abs(match.estimate) * kept[0].u > abs(kept[0].estimate) * match.u:
            largest[channel, path] = match, point
    for (channel, path), (match, point) in largest.items():
        expanded = _K * match.u
        yield Finding(
            name="channel match",
            channel=channel,
            path=path,
            value=match.estimate,
            u=expanded,
            k=_K,
            unit="%",
            sentence=f"channel {channel} against channel 1: clearest difference "
            f"{format_value_u(match.estimate, expanded, '%', signed=True)}, at {point.setting}.",
        )


def _source_lines(setup: Setup, point: Point) -> tuple[estimate.Contribution, ...]:
    """The lines of a point's budget that are the source's, in V at the source: `value` is the level there."""
    calibrator = setup.bench.calibrator
    if calibrator is None or point.budget is None:
        return ()
    return tuple(line for line in point.budget.contributions if line.name in source_line_names(calibrator))


def _ratios(setup: Setup, points: Sequence[Point]) -> Iterator[Finding]:
    """The divider's ratio by channel, from every range read straight and divided."""
    points = _fullest(points)
    straight = {
        (p.channel, p.setting): p for p in points if setup.bench.paths.get(p.path, SignalPath()).divides_by == 1
    }
    pairs: dict[tuple[int, str], list[estimate.Budget]] = defaultdict(list)
    for point in points:
        divides_by = setup.bench.paths.get(point.path, SignalPath()).divides_by
        other = straight.get((point.channel, point.setting))
        if divides_by != 1 and other is not None and setup.bench.calibrator is not None:
            pairs[point.channel, point.path].append(_ratio(setup, other, point, divides_by))
    for (channel, path), ratios in pairs.items():
        mean = mean_ratio(ratios)
        expanded = _K * mean.u
        yield Finding(
            name="divider ratio",
            channel=channel,
            path=path,
            value=mean.estimate,
            u=expanded,
            k=_K,
            unit="",
            sentence=f"{path} on channel {channel}: 1 : {format_value_u(mean.estimate, expanded, '')}, from "
            f"{len(ratios)} ranges.",
        )


def _fullest(points: Sequence[Point]) -> list[Point]:
    """The largest deflection of every range: one reading is in one pair, so the ratios are independent."""
    largest: dict[tuple[int, str, str], Point] = {}
    for point in sorted(points, key=lambda p: abs(p.expected)):
        largest[point.channel, point.path, point.setting] = point
    return list(largest.values())


def _ratio(setup: Setup, straight: Point, divided: Point, divides_by: float) -> estimate.Budget:
    levels = straight.applied_value, divided.applied_value * divides_by
    lines = [
        replace(line, name=f"{name}: {line.name}", sensitivity=1.0 / line.value)
        for name, point in (("straight", straight), ("divided", divided))
        for line in _source_lines(setup, point)
    ]
    return probe_ratio(
        _length(setup, straight),
        _length(setup, divided),
        straight_v=levels[0],
        divided_v=levels[1],
        straight_volts_per_div=straight.setting_value,
        divided_volts_per_div=divided.setting_value,
        level_ratio=lines if levels[0] != levels[1] else (),
        quantity=f"divider ratio, {divided.setting}",
    )


def _length(setup: Setup, point: Point) -> Length:
    reader = Reader(resolution_div=setup.unit.resolution, scatter_div=setup.unit.scatter)
    by_eye = setup.unit.read == "eye"
    values = point.readings if by_eye else (point.reading or 0.0,)  # a remote unit's ground line is taken off
    return mean_length(values, reader, edges="set and read" if by_eye else "both read")


def drifts(setup: Setup, returned: Sequence[Return]) -> Iterator[Finding]:
    """How far each pass's first point had moved at its end, and whether that is within what its budget allows for."""
    for each in returned:
        step = each.first.step
        try:
            first, again = (
                replace(
                    budget_for(setup, step, group.readings, () if group.ground is None else (group.ground,)),
                    quantity=when,
                )
                for group, when in ((each.first, "first"), (each.again, "again"))
            )
            shared = period_lines(setup, step) if isinstance(step.stimulus, TimeMarks) else applied_lines(setup, step)
        except AnalysisError:
            continue  # one of the two was not read: there is nothing to compare
        moved = channel_match(again, first, shared=[line.name for line in shared])
        drift, expanded, allowed = moved.estimate, _K * moved.u, _K * first.u
        if abs(drift) <= expanded:
            judged = "no more than the two readings can tell"
        elif abs(drift) <= allowed:
            judged = f"within the ±{format_pair(first.estimate, allowed)[1]} % that the point's budget allows for"
        else:
            judged = (
                f"more than the ±{format_pair(first.estimate, allowed)[1]} % that the point's budget allows for: "
                "what was read in between may be off by as much; find out what moved, and take the channel again"
            )
        yield Finding(
            name=DRIFT,
            channel=step.view.channel,
            path=step.path,
            value=drift,
            u=expanded,
            k=_K,
            unit="%",
            sentence=f"channel {step.view.channel}, {setting_of(step)}: at the end of the pass "
            f"{format_value_u(drift, expanded, '%', signed=True)} from what was read first, {judged}.",
        )
