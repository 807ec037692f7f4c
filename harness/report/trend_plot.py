"""The picture of one point over the years: results with uncertainty, limits, drift with its band and what follows."""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING, Final

from harness.report import shown, trends
from harness.report.plot_style import BAND, FAINT, LIMIT, SERIES, Picture, drawing, to_svg
from harness.words.spelling import SIGN

if TYPE_CHECKING:
    from collections.abc import Iterator

    from matplotlib.axes import Axes

    from harness.years.history import Series, Track

WIDTH_IN: Final = 4.3
HEIGHT_IN: Final = 2.35
_AHEAD_YEARS: Final = 3.0  # drawn beyond the last result, at the least one and a half
_STEPS: Final = 40
_YEAR: Final = dt.timedelta(days=365.25)
_LEGIBLE: Final = 16  # bars on one axis from which their marks shrink
_MOST_TICKS: Final = 8
_MONTHS_BELOW: Final = 3.0  # years


def trend_picture(track: Track, *, key: str) -> Picture:
    """Draw a track."""
    factor, unit = trends.scale(track)
    ends = _ends(track)
    with drawing(WIDTH_IN, HEIGHT_IN, margins_in=(0.62, 0.1, 0.1, 0.32)) as figure:
        axes = figure.subplots()
        for n, series in enumerate(track.series):
            _drift(axes, series, factor, until=ends[1] if n == len(track.series) - 1 else series.entries[-1].day)
        _limits(axes, track, factor, ends)
        _results(axes, track, factor)
        _time_axis(axes, ends)
        low, high = _reach(track, factor)
        axes.set_ylim(low, high)
        if low < 0.0 < high:
            axes.axhline(0.0, color=FAINT.light, linewidth=0.8, zorder=0.5)
        axes.set_ylabel(f"{shown.result_name(track).lower()}, {unit}" if unit else "result")
        svg = to_svg(figure)
    return Picture(key=key, part=0, svg=svg, caption=shown.capital(track.name), alt=trends.alt(track))


def _ends(track: Track) -> tuple[dt.date, dt.date]:
    """The days that the axis spans: every result, and as far ahead as the drift reaches its limit or a few years."""
    first, last = track.entries[0].day, track.entries[-1].day
    drift = track.latest.drift
    ahead = 0.0 if drift is None else max(1.5, min(_AHEAD_YEARS, 0.5 * (last - first).days / 365.25))
    return first - _YEAR * 0.25, last + _YEAR * max(ahead, 0.25)


def _drift(axes: Axes, series: Series, factor: float, *, until: dt.date) -> None:
    """The line with its band over the results, and dashed beyond them."""
    drift = series.drift
    if drift is None:
        return
    first, last = drift.results[0].day, drift.results[-1].day
    for start, end, style in ((first, last, "-"), (last, until, (0, (4, 2.5)))):
        if end <= start:
            continue
        days = [start + (end - start) * (n / _STEPS) for n in range(_STEPS + 1)]
        found = [drift.predict(day) for day in days]
        x = [_x(day) for day in days]
        axes.fill_between(
            x, [(p.value - p.expanded) / factor for p in found], [(p.value + p.expanded) / factor for p in found],
            color=BAND.light, linewidth=0,
        )  # fmt: skip
        axes.plot(x, [p.value / factor for p in found], color=SERIES[0].light, linestyle=style, linewidth=1.2)


def _limits(axes: Axes, track: Track, factor: float, ends: tuple[dt.date, dt.date]) -> None:
    """The limits as they held: each from its first result until the next other one."""
    entries = track.entries
    for side in ("limit_low", "limit_high"):
        steps: list[tuple[dt.date, float]] = []
        for entry in entries:
            value = getattr(entry.row, side)
            if value is not None and (not steps or steps[-1][1] != value):
                steps.append((entry.day if steps else ends[0], value))
        for (start, value), end in zip(steps, [*(day for day, _ in steps[1:]), ends[1]], strict=False):
            axes.plot([_x(start), _x(end)], [value / factor] * 2, color=LIMIT.light, linewidth=1.3)


def _results(axes: Axes, track: Track, factor: float) -> None:
    size = 4.4 if len(track.entries) <= _LEGIBLE else 3.0
    for as_left, marker, face in ((False, "o", SERIES[0].light), (True, "s", "none")):
        some = [entry for entry in track.entries if entry.as_left is as_left]
        if some:
            axes.errorbar(
                [_x(entry.day) for entry in some], [(entry.row.result or 0.0) / factor for entry in some],
                [(entry.row.expanded_u or 0.0) / factor for entry in some], fmt=marker, markersize=size,
                color=SERIES[0].light, markerfacecolor=face, markeredgecolor=SERIES[0].light, elinewidth=1.0,
                capsize=2.0,
            )  # fmt: skip
    for entry in track.entries:
        if entry.row.verdict not in ("pass", ""):
            axes.annotate(
                SIGN.get(entry.row.verdict, ""),
                (_x(entry.day), ((entry.row.result or 0.0) + (entry.row.expanded_u or 0.0)) / factor), xytext=(0, 3),
                textcoords="offset points", ha="center", fontsize=10, fontweight="bold", color=LIMIT.light,
                annotation_clip=False,
            )  # fmt: skip


def _time_axis(axes: Axes, ends: tuple[dt.date, dt.date]) -> None:
    """Years, or months where there are but a few; and the line of no error where it is in sight."""
    from matplotlib.ticker import FuncFormatter, MultipleLocator

    low, high = _x(ends[0]), _x(ends[1])
    axes.set_xlim(low, high)
    step = next((every for every in (1, 2, 5, 10) if (high - low) / every <= _MOST_TICKS), 20)
    if high - low < _MONTHS_BELOW:
        axes.xaxis.set_major_locator(MultipleLocator(0.5))
        axes.xaxis.set_major_formatter(FuncFormatter(lambda x, _: f"{int(x)}-{1 + round(12 * (x % 1)):02d}"))
    else:
        axes.xaxis.set_major_locator(MultipleLocator(step))
        axes.xaxis.set_major_formatter(FuncFormatter(lambda x, _: f"{x:.0f}"))


def _x(day: dt.date) -> float:
    """A day on the axis, in years."""
    start = dt.date(day.year, 1, 1)
    return day.year + (day - start).days / (dt.date(day.year + 1, 1, 1) - start).days


def _reach(track: Track, factor: float) -> tuple[float, float]:
    """The value axis: every limit, every interval, with some room."""
    ends = list(_values(track))
    room = 0.1 * (max(ends) - min(ends)) or 1.0
    return (min(ends) - room) / factor, (max(ends) + room) / factor


def _values(track: Track) -> Iterator[float]:
    for entry in track.entries:
        row = entry.row
        value, u = row.result or 0.0, row.expanded_u or 0.0
        yield from (value - u, value + u)
        yield from (limit for limit in (row.limit_low, row.limit_high) if limit is not None)
