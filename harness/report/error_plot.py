"""A picture of errors by setting: each with U, between tolerance and guard band; as found beside as left."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Final

from harness.report import shown, svg
from harness.report.plot_style import FAINT, GRID, GUARD, LIMIT, SERIES, Picture
from harness.words.clean import shortened
from harness.words.language import tr
from harness.words.spelling import SIGN

if TYPE_CHECKING:
    from harness.analysis.estimate import Statement
    from harness.report.model import Report, Result

MOST_SERIES: Final = len(SERIES)  # of one picture: more would be told apart by nobody
_LONGEST_SETTING: Final = 15
_LONGEST_PATH: Final = 24
_TURNED: Final = 55  # degrees
_UPRIGHT_BELOW: Final = 14.0  # names that are turned by that need this from one to the next
_LEAST_NAME: Final = 6.0  # size of a name that can be read; with less room, some settings have none
_LEAST_MARK: Final = 2.6
_PANEL: Final = 173.0
_BETWEEN: Final = 29.0  # panels below one another
_LEFT: Final = 43.0
_TALLEST: Final = 720.0  # all panels of a picture, which has to stand on one page
_GAP: Final = 9.0  # panels beside one another
_LEAST_SLOT: Final = 5.0  # what a point needs from its neighbour
_LEAST_BESIDE: Final = 9.0  # what a setting needs, if panels are to stand beside one another
_TITLE: Final = 15.0


def drawable(points: Sequence[Result]) -> bool:
    """Errors in one unit, at more than one setting: else a table says it better."""
    units = {point.statement.unit for point in points if point.statement is not None}
    return len(units) == 1 and len({point.setting for point in points}) > 1


def by_series(points: Sequence[Result]) -> list[list[Result]]:
    """The points of a quantity in groups that one picture holds: a few channels and paths each."""
    series = list(dict.fromkeys((p.channel, p.path) for p in points))
    groups = [series[n : n + MOST_SERIES] for n in range(0, len(series), MOST_SERIES)]
    return [[p for p in points if (p.channel, p.path) in group] for group in groups]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Slot:
    """A point's place on the axis: the points of one setting share its width."""

    x: float
    width: float
    point: Result


def error_picture(
    report: Report, points: Sequence[Result], found: Sequence[Result] = (), *, key: str, part: int, width: float
) -> Picture:
    """Errors with U by setting, one marker a channel and path; those `found` before an adjustment in a panel before."""
    series = dict.fromkeys((p.channel, p.path) for p in (*found, *points))
    labels = {
        (c, path): tr("channel {c}, {report}", c=c, report=shortened(shown.path_label(report, path), _LONGEST_PATH))
        for c, path in series
    }
    panels = ((tr("as found"), found), (tr("as left"), points)) if found else (("", points),)
    name, is_error = shown.capital(tr(points[0].quantity)), points[0].is_error
    what, many = (tr("error"), tr("errors")) if is_error else (tr("result"), tr("results"))
    states = tr("As found: {found} As left: ", found=_in_words(found)) if found else ""
    return Picture(
        key=key, part=part, svg=_drawing(panels, labels, what, width),
        caption=tr(
            "{name}: {what} with U, tolerance and guard band{more}",
            name=name, what=many, more=tr(", as found and as left") if found else ""
        ),
        alt=tr(
            "{name} {what} by setting for {count} series of points. {states}{points}",
            name=name, what=many, count=len(series), states=states, points=_in_words(points)
        ),
    )  # fmt: skip


def _drawing(
    panels: Sequence[tuple[str, Sequence[Result]]], labels: Mapping[tuple[int, str], str], what: str, width: float
) -> str:
    """The panels beside one another, or below one another where there is no room for that."""
    every = [point for _, points in panels for point in points]
    settings = list(dict.fromkeys(p.setting for p in sorted(every, key=lambda p: p.setting_value)))
    unit = shortened(next(p.statement.unit for p in every if p.statement is not None), 12)
    low, high = _reach(every)
    panels, beside = _laid_out(panels, labels, (width - _LEFT - svg.RIGHT) / len(settings))
    rows = len(panels) // beside
    tall = min(_PANEL, _TALLEST / rows - _BETWEEN)
    up = svg.ticks(svg.Scale(low=low, high=high, start=tall, end=0.0))
    left = max(_LEFT, svg.room_left(up))
    wide = (width - left - svg.RIGHT - _GAP * (beside - 1)) / beside
    names = [svg.width_of(shortened(setting, _LONGEST_SETTING)) + 6.0 for setting in settings]
    turned = any(one + other > 2.0 * wide / len(settings) for one, other in pairwise(names))
    legend, top = svg.legend([*_legend(every, labels)], left, width)
    top, drawn = top + _TITLE * (len(panels) > 1), [legend]
    for n, (title, points) in enumerate(panels):
        row, column = divmod(n, beside)
        x, y = left + column * (wide + _GAP), top + row * (tall + _BETWEEN)
        axes = svg.Axes(
            x=svg.Scale(low=-0.5, high=len(settings) - 0.5, start=x, end=x + wide),
            y=svg.Scale(low=low, high=high, start=y + tall, end=y),
        )
        drawn += _frame(axes, len(settings), up if column == 0 else tuple((value, "") for value, _ in up))
        drawn += _panel(axes, points, settings, list(labels))
        drawn += [svg.text(title, (x, y - 5.0), size=9.5)] if title else []
        drawn += [*_settings(axes, settings, turned=turned)] if n >= len(panels) - beside else []
        drawn += [svg.name_left(f"{what}, {unit}" if unit else what, axes)] if column == 0 else []
    height = top + rows * (tall + _BETWEEN) - _BETWEEN
    return svg.drawing(width, height + (68.0 if turned else 23.0), drawn)


def _laid_out(
    panels: Sequence[tuple[str, Sequence[Result]]], labels: Mapping[tuple[int, str], str], room: float
) -> tuple[Sequence[tuple[str, Sequence[Result]]], int]:
    """The panels, and how many stand beside one another; one for each series where all would not be told apart.

    `room` is that of one setting, if one panel has the whole width.
    """
    least = _LEAST_SLOT * len(labels)
    beside = len(panels) if room / len(panels) >= max(least, _LEAST_BESIDE) else 1
    if room / beside >= least or len(labels) == 1:
        return panels, beside
    return [
        (", ".join(filter(None, (title, label))), some)
        for place, label in labels.items()
        for title, points in panels
        for some in [[point for point in points if (point.channel, point.path) == place]]
    ], len(panels) if room / len(panels) >= _LEAST_SLOT else 1


def _legend(every: Sequence[Result], labels: Mapping[tuple[int, str], str]) -> Iterator[tuple[str, str]]:
    for n, label in enumerate(labels.values()):
        at = svg.mark(svg.SHAPES[n], (0.0, 0.0), 4.4) + svg.bar((0.0, -5.0), (0.0, 5.0))
        yield svg.group([f'<path d="{at}"/>'], SERIES[n], fill=SERIES[n]), label
    edges = [edge for p in every for edge in _edges(p)]
    if edges:
        yield svg.line(((-8.0, 0.0), (8.0, 0.0)), LIMIT, 1.3), tr("tolerance")
    if any(inner not in (None, edge) for edge, inner in edges):
        yield svg.box((-8.0, -3.5), (8.0, 3.5), GUARD), tr("guard band")


def _frame(axes: svg.Axes, settings: int, up: svg.Ticks) -> Iterator[str]:
    """Lines of the grid stand between the settings, across which there are no values."""
    left, top, right, bottom = axes.box()
    between = "".join(f"M{axes.x.at(n - 0.5):.1f} {top:.1f}V{bottom:.1f}" for n in range(1, settings))
    yield svg.stroke(between, GRID, 0.6)
    yield from svg.frame(axes, (), up)
    yield svg.line(((left, axes.y.at(0.0)), (right, axes.y.at(0.0))), FAINT, 0.8)


def _panel(
    axes: svg.Axes, points: Sequence[Result], settings: Sequence[str], series: Sequence[tuple[int, str]]
) -> Iterator[str]:
    """The errors of one state of the unit."""
    by_setting: dict[str, list[Result]] = {setting: [] for setting in settings}
    for point in points:
        by_setting[point.setting].append(point)
    slots = [slot for x, some in enumerate(by_setting.values()) for slot in _slots(x, some)]
    yield from _zones(axes, slots)
    for n, place in enumerate(series):
        some = (_error_bar(axes, s, n) for s in slots if (s.point.channel, s.point.path) == place)
        yield svg.group(some, SERIES[n], fill=SERIES[n])
    yield from _signs(axes, slots)


def _reach(points: Sequence[Result]) -> tuple[float, float]:
    """The error axis: every limit and every interval, with some room."""
    ends = [0.0]
    for p in points:
        ends += [] if p.statement is None else [p.statement.low, p.statement.high]
        ends += [] if p.limits is None else [e for e in (p.limits.low, p.limits.high) if e is not None]
    room = 0.1 * (max(ends) - min(ends)) or 1.0
    return min(ends) - room, max(ends) + room


def _slots(x: int, points: Sequence[Result]) -> list[_Slot]:
    width = 1.0 / max(len(points), 1)
    return [_Slot(x=x + (n - (len(points) - 1) / 2.0) * width, width=width, point=p) for n, p in enumerate(points)]


def _error_bar(axes: svg.Axes, slot: _Slot, style: int) -> str:
    """A point with its expanded uncertainty."""
    point = slot.point
    s = point.statement
    if s is None:
        return ""
    low, high = (axes.at(slot.x, s.estimate + side * s.expanded) for side in (-1.0, 1.0))
    room = axes.x.at(slot.x + slot.width) - axes.x.at(slot.x)
    size, cap = max(min(4.4, 0.9 * room), _LEAST_MARK), min(2.0, 0.4 * room)
    drawn = svg.mark(svg.SHAPES[style], axes.at(slot.x, s.estimate), size) + svg.bar(low, high, cap)
    said = _said(point, s)
    return svg.datum(drawn, said)


def _edges(point: Result) -> Iterator[tuple[float, float | None]]:
    """The limits of a point, each with the edge of the guard band that its own uncertainty draws inside it."""
    limits, accepted = point.limits, point.verdict.acceptance if point.verdict is not None else None
    if limits is not None and limits.low is not None:
        yield limits.low, None if accepted is None else accepted.low
    if limits is not None and limits.high is not None:
        yield limits.high, None if accepted is None else accepted.high


def _zones(axes: svg.Axes, slots: Sequence[_Slot]) -> Iterator[str]:
    """The tolerance of every point and its guard band."""
    tolerance = guarded = ""
    for slot in slots:
        left, right = (axes.x.at(slot.x + side * slot.width / 2.0) for side in (-1.0, 1.0))
        for edge, inner in _edges(slot.point):
            tolerance += f"M{left:.1f} {axes.y.at(edge):.1f}H{right:.1f}"
            if inner is not None and inner != edge:
                y, inside = axes.y.at(edge), axes.y.at(inner)
                guarded += f"M{left:.1f} {y:.1f}H{right:.1f}V{inside:.1f}H{left:.1f}z"
    yield svg.group([f'<path d="{guarded}"/>'] if guarded else [], GUARD, fill=GUARD, width=0.4)  # no seams between
    yield svg.stroke(tolerance, LIMIT, 1.3)


def _signs(axes: svg.Axes, slots: Sequence[_Slot]) -> Iterator[str]:
    """The sign of every word but "pass" at its point."""
    for slot in slots:
        s, word = slot.point.statement, slot.point.word
        x, y = axes.at(slot.x, 0.0 if s is None else s.high)
        if s is None:
            yield svg.text(SIGN[word], (x, y + 3.5), ink=FAINT, size=10.0, anchor="middle")
        elif word != "pass":
            yield svg.text(SIGN[word], (x, y - 4.0), ink=LIMIT, size=10.0, anchor="middle", bold=True)


def _settings(axes: svg.Axes, settings: Sequence[str], *, turned: bool) -> Iterator[str]:
    """The names of the settings: turned where they are many, upright where they are more, every second beyond that."""
    left, _, right, bottom = axes.box()
    room = (right - left) / len(settings)
    upright = turned and room < _UPRIGHT_BELOW
    every = math.ceil(_LEAST_NAME / room) if upright else 1
    size = min(svg.SMALL, every * room) if upright else svg.SMALL
    angle = -90.0 if upright else -_TURNED if turned else 0.0
    dx, dy = (0.35 * size, 5.0) if upright else (3.0, 9.0) if turned else (0.0, 13.5)
    for x, setting in list(enumerate(settings))[::every]:
        said, at = shortened(setting, _LONGEST_SETTING), (axes.x.at(x) + dx, bottom + dy)
        yield svg.text(said, at, size=size, anchor="end" if turned else "middle", angle=angle)


def _said(point: Result, statement: Statement) -> str:
    """A point in words, for who points at it."""
    return tr(
        "{setting}, channel {channel}: {text}, {word}",
        setting=point.setting, channel=point.channel,
        text=shown.minus(statement.text(signed=point.is_error)), word=point.word
    )  # fmt: skip


def _in_words(points: Sequence[Result]) -> str:
    """Say for a listener what the picture shows."""
    sentences = [f"{_said(p, p.statement)}." for p in points if p.statement is not None and p.word != "pass"]
    missing = sum(p.statement is None for p in points)
    passed = sum(p.word == "pass" for p in points)
    said = [tr("{passed} of {count} pass.", passed=passed, count=len(points)), *sentences[:12]]
    if missing:
        said.append(tr("{missing} not measured.", missing=missing))
    return " ".join(said)
