"""The picture of one point over the years: results with uncertainty, limits, drift with its band and what follows.

It is written as SVG by hand: a page holds one for each point of a unit, and a plotting library takes a hundred times as
long over one and four times as many bytes.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from html import escape
from typing import TYPE_CHECKING, Final

from harness.report import shown, trends
from harness.report.plot_style import BAND, FAINT, GRID, LIMIT, ROOT, SERIES, TEXT, Ink, Picture
from harness.words.clean import shortened
from harness.words.spelling import SIGN

if TYPE_CHECKING:
    from harness.years.history import Series, Track

_WIDTH: Final = 309.6  # points, as every length below
_HEIGHT: Final = 169.2
_LEFT: Final = 44.6  # of the axes, as the next
_RIGHT: Final = 302.4
_TOP: Final = 7.2
_BOTTOM: Final = 146.2
_TICK: Final = 3.5
_DIGIT: Final = 5.3  # width of a digit of a tick's label
_AHEAD_YEARS: Final = 3.0  # drawn beyond the last result, at the least one and a half
_STEPS: Final = 20
_YEAR: Final = dt.timedelta(days=365.25)
_LEGIBLE: Final = 16  # bars on one axis from which their marks shrink
_MOST_TICKS: Final = 8
_MONTHS_BELOW: Final = 3.0  # years

Point = tuple[float, float]
Ticks = tuple[tuple[float, str], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Axes:
    """Years and values on the page."""

    left: float
    years: Point
    values: Point

    def at(self, year: float, value: float) -> Point:
        """Where something stands."""
        along = (year - self.years[0]) / (self.years[1] - self.years[0])
        up = (value - self.values[0]) / (self.values[1] - self.values[0])
        return self.left + along * (_RIGHT - self.left), _BOTTOM - up * (_BOTTOM - _TOP)


def trend_picture(track: Track, *, key: str) -> Picture:
    """Draw a track."""
    factor, unit = trends.scale(track)
    ends, reach = _ends(track), _reach(track, factor)
    years, ticks = (_x(ends[0]), _x(ends[1])), tuple(_value_ticks(*reach))
    axes = _Axes(left=max(_LEFT, 18.0 + _DIGIT * max(len(text) for _, text in ticks)), years=years, values=reach)
    name = shown.result_name(track).lower()
    drawn = (
        f'<svg {ROOT} width="{_WIDTH}pt" height="{_HEIGHT}pt" viewBox="0 0 {_WIDTH} {_HEIGHT}">',
        f'<clipPath id="axes"><path d="M{axes.left:.1f} {_TOP}H{_RIGHT}V{_BOTTOM}H{axes.left:.1f}z"/></clipPath>',
        *_frame(axes, tuple(_year_ticks(*years)), ticks),
        _text(f"{name}, {unit}" if unit else "result", (9.0, (_TOP + _BOTTOM) / 2), TEXT, size=9.0, turned=True),
        '<g clip-path="url(#axes)" fill="none">',
        *(_drift(axes, series, factor, _until(track, series, ends)) for series in track.series),
        *_limits(axes, track, factor, ends),
        *_results(axes, track, factor),
        "</g>",
        *_signs(axes, track, factor),
        "</svg>",
    )
    caption = shown.capital(track.name)
    return Picture(key=key, part=0, svg="\n".join(filter(None, drawn)) + "\n", caption=caption, alt=trends.alt(track))


def _ends(track: Track) -> tuple[dt.date, dt.date]:
    """The days that the axis spans: every result, and as far ahead as the drift reaches its limit or a few years."""
    first, last = track.entries[0].day, track.entries[-1].day
    drift = track.latest.drift
    ahead = 0.0 if drift is None else max(1.5, min(_AHEAD_YEARS, 0.5 * (last - first).days / 365.25))
    return first - _YEAR * 0.25, last + _YEAR * max(ahead, 0.25)


def _until(track: Track, series: Series, ends: tuple[dt.date, dt.date]) -> dt.date:
    """How far the drift of a series is drawn: the newest one's beyond its last result."""
    return ends[1] if series is track.latest else series.entries[-1].day


def _drift(axes: _Axes, series: Series, factor: float, until: dt.date) -> str:
    """The line with its band over the results, and dashed beyond them."""
    drift = series.drift
    if drift is None:
        return ""
    first, last = drift.results[0].day, drift.results[-1].day
    drawn = []
    for start, end, dashes in ((first, last, ""), (last, until, ' stroke-dasharray="4.8 3"')):
        if end <= start:
            continue
        found = [drift.predict(start + (end - start) * (n / _STEPS)) for n in range(_STEPS + 1)]
        upper = [axes.at(_x(p.day), (p.value + p.expanded) / factor) for p in found]
        lower = [axes.at(_x(p.day), (p.value - p.expanded) / factor) for p in reversed(found)]
        straight = [axes.at(_x(p.day), p.value / factor) for p in (found[0], found[-1])]
        drawn += [
            f'<path d="{_path((*upper, *lower))}z" fill="{BAND.light}"/>',
            _line(straight, SERIES[0], 1.2, dashes),
        ]
    return "\n".join(drawn)


def _limits(axes: _Axes, track: Track, factor: float, ends: tuple[dt.date, dt.date]) -> Iterator[str]:
    """The limits as they held: each from its first result until the next other one."""
    for side in ("limit_low", "limit_high"):
        steps: list[tuple[dt.date, float]] = []
        for entry in track.entries:
            value = getattr(entry.row, side)
            if value is not None and (not steps or steps[-1][1] != value):
                steps.append((entry.day if steps else ends[0], value))
        for (start, value), end in zip(steps, [*(day for day, _ in steps[1:]), ends[1]], strict=False):
            yield _line([axes.at(_x(day), value / factor) for day in (start, end)], LIMIT, 1.3)


def _results(axes: _Axes, track: Track, factor: float) -> Iterator[str]:
    """Each result with the bar of its expanded uncertainty: filled as found, an open square as left."""
    size, ink = 4.4 if len(track.entries) <= _LEGIBLE else 3.0, SERIES[0].light
    for entry in track.entries:
        value, u = entry.row.result or 0.0, entry.row.expanded_u or 0.0
        (x, y), (_, top), (_, low) = (axes.at(_x(entry.day), v / factor) for v in (value, value + u, value - u))
        bar = f"M{x - 2:.1f} {top:.1f}h4M{x - 2:.1f} {low:.1f}h4M{x:.1f} {top:.1f}V{low:.1f}"
        if entry.as_left:
            mark = f'<rect x="{x - size / 2:.1f}" y="{y - size / 2:.1f}" width="{size}" height="{size}"/>'
        else:
            mark = f'<circle cx="{x:.1f}" cy="{y:.1f}" r="{size / 2}" fill="{ink}"/>'
        yield f'<g stroke="{ink}"><path d="{bar}"/>{mark}</g>'


def _signs(axes: _Axes, track: Track, factor: float) -> Iterator[str]:
    """A sign over the bar of a result that did not pass."""
    for entry in track.entries:
        row = entry.row
        if row.verdict not in ("pass", ""):
            x, y = axes.at(_x(entry.day), ((row.result or 0.0) + (row.expanded_u or 0.0)) / factor)
            yield _text(SIGN.get(row.verdict, ""), (x, y - 4.0), LIMIT, size=10.0, more=' font-weight="bold"')


# --- the axes ----------------------------------------------------------------------------------------------------


def _frame(axes: _Axes, years: Ticks, values: Ticks) -> Iterator[str]:
    left, low = axes.left, axes.values[0]
    across = [(axes.at(year, low)[0], text) for year, text in years]
    up = [(axes.at(axes.years[0], value)[1], text) for value, text in values]
    grid = [f"M{x:.1f} {_TOP}V{_BOTTOM}" for x, _ in across] + [f"M{left:.1f} {y:.1f}H{_RIGHT}" for y, _ in up]
    yield f'<path d="{"".join(grid)}" stroke="{GRID.light}" stroke-width="0.6"/>'
    if low < 0.0 < axes.values[1]:
        yield _line([axes.at(year, 0.0) for year in axes.years], FAINT, 0.8)
    marks = [f"M{x:.1f} {_BOTTOM}v{_TICK}" for x, _ in across] + [f"M{left:.1f} {y:.1f}h-{_TICK}" for y, _ in up]
    yield (
        f'<path d="M{left:.1f} {_TOP}V{_BOTTOM}H{_RIGHT}{"".join(marks)}" fill="none" stroke="{FAINT.light}" '
        'stroke-width="0.7"/>'
    )
    yield from (_text(text, (x, _BOTTOM + 13.5), TEXT, size=8.5) for x, text in across)
    yield from (_text(text, (left - 7.0, y + 3.0), TEXT, size=8.5, anchor="end") for y, text in up)


def _year_ticks(low: float, high: float) -> Iterator[tuple[float, str]]:
    """Years, or months where there are but a few."""
    if high - low < _MONTHS_BELOW:
        yield from ((x, f"{int(x)}-{1 + round(12 * (x % 1)):02d}") for x in _multiples(0.5, low, high))
        return
    step = next((every for every in (1, 2, 5, 10) if (high - low) / every <= _MOST_TICKS), 20)
    yield from ((x, f"{x:.0f}") for x in _multiples(step, low, high))


def _value_ticks(low: float, high: float) -> Iterator[tuple[float, str]]:
    """Round values, with the decimals that tell them apart."""
    decade = 10.0 ** math.floor(math.log10((high - low) / _MOST_TICKS))
    step = next(nice * decade for nice in (1.0, 2.0, 2.5, 5.0, 10.0) if (high - low) / (nice * decade) <= _MOST_TICKS)
    decimals = next((n for n in range(13) if math.isclose(round(step, n), step)), 13)
    yield from ((value, shown.minus(f"{value:.{decimals}f}")) for value in _multiples(step, low, high))


def _multiples(step: float, low: float, high: float) -> Iterator[float]:
    return (n * step for n in range(math.ceil(low / step), math.floor(high / step) + 1))


# --- what is written ---------------------------------------------------------------------------------------------


def _path(points: Iterable[Point]) -> str:
    return "M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in points)


def _line(points: Iterable[Point], ink: Ink, width: float, more: str = "") -> str:
    return f'<path d="{_path(points)}" fill="none" stroke="{ink.light}" stroke-width="{width}"{more}/>'


def _text(
    text: str, at: Point, ink: Ink, *, size: float, anchor: str = "middle", turned: bool = False, more: str = ""
) -> str:
    x, y = at
    turn = f' transform="rotate(-90 {x:.1f} {y:.1f})"' if turned else ""
    place = f'x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" font-size="{size}px" fill="{ink.light}"'
    return f"<text {place}{turn}{more}>{escape(shortened(text, 60))}</text>"


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
