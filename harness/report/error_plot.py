"""A picture of errors by setting: each with U, between tolerance and guard band; as found beside as left."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from harness.report import shown
from harness.report.plot_style import (
    FAINT,
    GUARD,
    LIMIT,
    MARKERS,
    NARROW_BELOW_IN,
    SERIES,
    Picture,
    drawing,
    to_svg,
)
from harness.words.clean import shortened
from harness.words.spelling import SIGN

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from harness.report.model import Report, Result

MOST_SERIES: Final = len(SERIES)  # of one picture: more would be told apart by nobody
_LONGEST_SETTING: Final = 15
_LONGEST_PATH: Final = 24
_NAME_PT: Final = 8.5  # of a setting
_UPRIGHT_BELOW_PT: Final = 14.0  # names that are turned by 55° need this from one to the next
_ROTATE_FROM: Final = 9  # settings on an axis
_PANEL_IN: Final = 2.4


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


@dataclass(frozen=True, slots=True, kw_only=True)
class _Axis:
    """The settings along the axis, and whether their names are turned for want of room."""

    settings: Sequence[str]
    turned: bool


def error_picture(
    report: Report, points: Sequence[Result], found: Sequence[Result] = (), *, key: str, part: int, width_in: float
) -> Picture:
    """Errors with U by setting, one marker a channel and path; those `found` before an adjustment in a panel before."""
    every = (*found, *points)
    settings = list(dict.fromkeys(p.setting for p in sorted(every, key=lambda p: p.setting_value)))
    series = list(dict.fromkeys((p.channel, p.path) for p in every))
    labels = [f"channel {c}, {shortened(shown.path_label(report, path), _LONGEST_PATH)}" for c, path in series]
    unit = next(p.statement.unit for p in every if p.statement is not None)
    narrow, what = width_in < NARROW_BELOW_IN, shown.result_name(points[0]).lower()
    panels = (("as found", found), ("as left", points)) if found else (("", points),)
    rows, across = (len(panels), 1) if narrow else (1, len(panels))
    turned = narrow or len(settings) * across > _ROTATE_FROM
    columns = 1 if narrow else 3
    legend_in = 0.19 * math.ceil((len(series) + 2) / columns) + 0.1 + (0.25 if found else 0.0)
    bottom_in = 0.95 if turned else 0.35
    height_in = _PANEL_IN * rows + 0.4 * (rows - 1) + legend_in + bottom_in
    with drawing(width_in, height_in, margins_in=(0.6, 0.12, legend_in, bottom_in)) as figure:
        grid = figure.subplots(rows, across, sharex=True, sharey=True, squeeze=False).flat
        figure.subplots_adjust(hspace=0.4 / _PANEL_IN, wspace=0.06)
        for axes, (title, some) in zip(grid, panels, strict=True):
            _panel(axes, some, _Axis(settings=settings, turned=turned), dict(zip(series, labels, strict=True)))
            axes.set_title(title)
        grid[0].set_ylim(*_reach(every))
        grid[0].set_ylabel(f"{what}, {shortened(unit, 12)}" if unit else what)
        figure.legend(
            *_legend(grid), loc="upper left", bbox_to_anchor=(0.55 / width_in, 1.0), ncols=columns, handlelength=1.4,
            columnspacing=1.4,
        )  # fmt: skip
        svg = to_svg(figure)
    name = shown.capital(points[0].quantity)
    states = f"As found: {_in_words(found)} As left: " if found else ""
    return Picture(
        key=key, part=part, svg=svg,
        caption=f"{name}: {what}s with U, tolerance and guard band{', as found and as left' if found else ''}",
        alt=f"{name} {what}s by setting for {len(series)} series of points. {states}{_in_words(points)}",
    )  # fmt: skip


def _panel(axes: Axes, points: Sequence[Result], along: _Axis, labels: Mapping[tuple[int, str], str]) -> None:
    """The errors of one state of the unit."""
    slots = [
        slot
        for x, setting in enumerate(along.settings)
        for slot in _slots(x, [p for p in points if p.setting == setting])
    ]
    axes.axhline(0.0, color=FAINT.light, linewidth=0.8)
    for n, (place, label) in enumerate(labels.items()):
        _error_bars(axes, [s for s in slots if (s.point.channel, s.point.path) == place], label=label, style=n)
    _zones(axes, slots)
    _signs(axes, slots)
    _setting_axis(axes, along)


def _legend(grid: Iterable[Axes]) -> tuple[list[Any], list[str]]:
    """What the panels name, each once."""
    named: dict[str, Any] = {}
    for axes in grid:
        for handle, label in zip(*axes.get_legend_handles_labels(), strict=True):
            named.setdefault(label, handle)
    return list(named.values()), list(named)


def _reach(points: Sequence[Result]) -> tuple[float, float]:
    """The error axis: every limit and every interval, with some room."""
    ends = [0.0]
    for p in points:
        ends += [] if p.statement is None else [p.statement.low, p.statement.high]
        ends += [] if p.limits is None else [e for e in (p.limits.low, p.limits.high) if e is not None]
    room = 0.1 * (max(ends) - min(ends)) or 1.0
    return min(ends) - room, max(ends) + room


def _slots(x: int, points: Sequence[Result]) -> list[_Slot]:
    width = 1.0 / len(points)
    return [_Slot(x=x + (n - (len(points) - 1) / 2.0) * width, width=width, point=p) for n, p in enumerate(points)]


def _error_bars(axes: Axes, slots: Sequence[_Slot], *, label: str, style: int) -> None:
    known = [(s.x, s.point.statement) for s in slots if s.point.statement is not None]
    axes.errorbar(
        [x for x, _ in known], [s.estimate for _, s in known], [s.expanded for _, s in known],
        fmt=MARKERS[style % len(MARKERS)], markersize=4.4, color=SERIES[style % len(SERIES)].light, elinewidth=1.0,
        capsize=2.0, label=label,
    )  # fmt: skip


def _zones(axes: Axes, slots: Sequence[_Slot]) -> None:
    """Draw the tolerance of every point, and the guard band that its own uncertainty draws inside it."""
    edges: list[tuple[_Slot, float, float | None]] = []
    for slot in slots:
        limits, verdict = slot.point.limits, slot.point.verdict
        accepted = verdict.acceptance if verdict is not None else None
        if limits is not None and limits.low is not None:
            edges.append((slot, limits.low, None if accepted is None else accepted.low))
        if limits is not None and limits.high is not None:
            edges.append((slot, limits.high, None if accepted is None else accepted.high))
    if edges:
        axes.hlines(
            [edge for _, edge, _ in edges], [s.x - s.width / 2.0 for s, _, _ in edges],
            [s.x + s.width / 2.0 for s, _, _ in edges], color=LIMIT.light, linewidth=1.3, label="tolerance",
        )  # fmt: skip
    guarded = [(s, edge, inner) for s, edge, inner in edges if inner is not None and inner != edge]
    if guarded:
        axes.bar(
            [s.x for s, _, _ in guarded], [inner - edge for _, edge, inner in guarded],
            [s.width for s, _, _ in guarded], [edge for _, edge, _ in guarded], color=GUARD.light,
            edgecolor=GUARD.light, linewidth=0.4, zorder=0.6, label="guard band",
        )  # fmt: skip


def _signs(axes: Axes, slots: Sequence[_Slot]) -> None:
    """Put the sign of every word but "pass" at its point."""
    for slot in slots:
        s, word = slot.point.statement, slot.point.word
        if s is None:
            axes.annotate(SIGN[word], (slot.x, 0.0), ha="center", va="center", fontsize=10, color=FAINT.light)
        elif word != "pass":
            axes.annotate(
                SIGN[word], (slot.x, s.high), xytext=(0, 3), textcoords="offset points", ha="center",
                fontsize=10, color=LIMIT.light, fontweight="bold", annotation_clip=False,
            )  # fmt: skip


def _setting_axis(axes: Axes, along: _Axis) -> None:
    settings, turned = along.settings, along.turned
    room_pt = 72.0 * axes.bbox.width / axes.figure.dpi / len(settings)  # for one name
    upright = turned and room_pt < _UPRIGHT_BELOW_PT
    size_pt = min(_NAME_PT, room_pt) if upright else _NAME_PT
    axes.set_xticks(
        range(len(settings)), [shortened(s, _LONGEST_SETTING) for s in settings], fontsize=size_pt,
        rotation=90 if upright else 55 if turned else 0, ha="right" if turned else "center",
        va="center" if upright else "top", rotation_mode="anchor",
    )  # fmt: skip
    axes.set_xticks([x - 0.5 for x in range(1, len(settings))], minor=True)
    axes.tick_params(axis="x", which="both", length=0)
    axes.grid(visible=False, axis="x")
    axes.grid(visible=True, which="minor", axis="x")
    axes.set_xlim(-0.5, len(settings) - 0.5)


def _in_words(points: Sequence[Result]) -> str:
    """Say for a listener what the picture shows."""
    sentences = [
        f"{p.setting}, channel {p.channel}: {shown.minus(p.statement.text(signed=True))}, {p.word}."
        for p in points
        if p.statement is not None and p.word != "pass"
    ]
    missing = sum(p.statement is None for p in points)
    passed = sum(p.word == "pass" for p in points)
    said = [f"{passed} of {len(points)} pass.", *sentences[:12]]
    if missing:
        said.append(f"{missing} not measured.")
    return " ".join(said)
