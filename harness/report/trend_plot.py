"""The picture of one point over the years: results with uncertainty, limits, drift with its band.   [pure]"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Iterator
from typing import TYPE_CHECKING, Final

from harness.report import shown, svg, trends
from harness.report.plot_style import BAND, FAINT, LIMIT, NARROW, SERIES, Picture
from harness.words.clean import shortened
from harness.words.spelling import SIGN

if TYPE_CHECKING:
    from harness.years.history import Series, Track

_HEIGHT: Final = 169.2  # points, as every length below
_RIGHT: Final = 302.4  # of the axes, as the next
_TOP: Final = 7.2
_BOTTOM: Final = 146.2
_AHEAD_YEARS: Final = 3.0  # drawn beyond the last result, at the least one and a half
_STEPS: Final = 20
_YEAR: Final = dt.timedelta(days=365.25)
_LEGIBLE: Final = 16  # bars on one axis from which their marks shrink
_MOST_YEARS: Final = 8
_MONTHS_BELOW: Final = 3.0  # years
_LONGEST: Final = 60  # characters of the name of an axis


def trend_picture(track: Track, *, key: str) -> Picture:
    """Draw a track."""
    factor, unit = trends.scale(track)
    ends, (low, high) = _ends(track), _reach(track, factor)
    y = svg.Scale(low=low, high=high, start=_BOTTOM, end=_TOP)
    up = svg.ticks(y, 8)
    axes = svg.Axes(x=svg.Scale(low=_x(ends[0]), high=_x(ends[1]), start=svg.room_left(up), end=_RIGHT), y=y)
    name = shown.result_name(track).lower()
    drawn = (
        *svg.frame(axes, tuple(_year_ticks(axes.x.low, axes.x.high)), up),
        svg.line((axes.at(year, 0.0) for year in (axes.x.low, axes.x.high)), FAINT, 0.8) if low < 0.0 < high else "",
        svg.name_left(shortened(f"{name}, {unit}" if unit else "result", _LONGEST), axes),
        svg.within(axes, (
            *(_drift(axes, series, factor, _until(track, series, ends)) for series in track.series),
            *_limits(axes, track, factor, ends), *_results(axes, track, factor),
        )),
        *_signs(axes, track, factor),
    )  # fmt: skip
    return Picture(
        key=key, part=0, svg=svg.drawing(NARROW, _HEIGHT, drawn), caption=shown.capital(track.name),
        alt=trends.alt(track),
    )  # fmt: skip


def _ends(track: Track) -> tuple[dt.date, dt.date]:
    """The days that the axis spans: every result, and as far ahead as the drift reaches its limit or a few years."""
    first, last = track.entries[0].day, track.entries[-1].day
    drift = track.latest.drift
    ahead = 0.0 if drift is None else max(1.5, min(_AHEAD_YEARS, 0.5 * (last - first).days / 365.25))
    return first - _YEAR * 0.25, last + _YEAR * max(ahead, 0.25)


def _until(track: Track, series: Series, ends: tuple[dt.date, dt.date]) -> dt.date:
    """How far the drift of a series is drawn: the newest one's beyond its last result."""
    return ends[1] if series is track.latest else series.entries[-1].day


def _drift(axes: svg.Axes, series: Series, factor: float, until: dt.date) -> str:
    """The line with its band over the results, and dashed beyond them."""
    drift = series.drift
    if drift is None:
        return ""
    first, last = drift.results[0].day, drift.results[-1].day
    drawn = []
    for start, end, dashes in ((first, last, ""), (last, until, svg.DASHED)):
        if end <= start:
            continue
        found = [drift.predict(start + (end - start) * (n / _STEPS)) for n in range(_STEPS + 1)]
        upper = [axes.at(_x(p.day), (p.value + p.expanded) / factor) for p in found]
        lower = [axes.at(_x(p.day), (p.value - p.expanded) / factor) for p in reversed(found)]
        straight = [axes.at(_x(p.day), p.value / factor) for p in (found[0], found[-1])]
        drawn += [svg.area((*upper, *lower), BAND), svg.line(straight, SERIES[0], 1.2, dashes)]
    return "\n".join(drawn)


def _limits(axes: svg.Axes, track: Track, factor: float, ends: tuple[dt.date, dt.date]) -> Iterator[str]:
    """The limits as they held: each from its first result until the next other one."""
    for side in ("limit_low", "limit_high"):
        steps: list[tuple[dt.date, float]] = []
        for entry in track.entries:
            value = getattr(entry.row, side)
            if value is not None and (not steps or steps[-1][1] != value):
                steps.append((entry.day if steps else ends[0], value))
        for (start, value), end in zip(steps, [*(day for day, _ in steps[1:]), ends[1]], strict=False):
            yield svg.line([axes.at(_x(day), value / factor) for day in (start, end)], LIMIT, 1.3)


def _results(axes: svg.Axes, track: Track, factor: float) -> Iterator[str]:
    """Each result with the bar of its expanded uncertainty: filled as found, an open square as left."""
    size = 4.4 if len(track.entries) <= _LEGIBLE else 3.0
    for entry in track.entries:
        value, u, day = entry.row.result or 0.0, entry.row.expanded_u or 0.0, _x(entry.day)
        low, high = (axes.at(day, (value + side * u) / factor) for side in (-1.0, 1.0))
        mark = svg.mark("square" if entry.as_left else "round", axes.at(day, value / factor), size)
        said = f"{entry.day}: {trends.result_text(track, entry)}"
        yield svg.group(
            [svg.datum(mark + svg.bar(low, high), said)], SERIES[0], fill=None if entry.as_left else SERIES[0]
        )


def _signs(axes: svg.Axes, track: Track, factor: float) -> Iterator[str]:
    """A sign over the bar of a result that did not pass."""
    for entry in track.entries:
        row = entry.row
        if row.verdict not in ("pass", ""):
            x, y = axes.at(_x(entry.day), ((row.result or 0.0) + (row.expanded_u or 0.0)) / factor)
            yield svg.text(SIGN.get(row.verdict, ""), (x, y - 4.0), ink=LIMIT, size=10.0, anchor="middle", bold=True)


def _year_ticks(low: float, high: float) -> Iterator[tuple[float, str]]:
    """Years, or months where there are but a few."""
    if high - low < _MONTHS_BELOW:
        yield from ((x, f"{int(x)}-{1 + round(12 * (x % 1)):02d}") for x in _multiples(0.5, low, high))
        return
    step = next((every for every in (1, 2, 5, 10) if (high - low) / every <= _MOST_YEARS), 20)
    yield from ((x, f"{x:.0f}") for x in _multiples(step, low, high))


def _multiples(step: float, low: float, high: float) -> Iterator[float]:
    return (n * step for n in range(math.ceil(low / step), math.floor(high / step) + 1))


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
