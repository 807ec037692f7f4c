"""The pictures of a report: a response with its residuals, and errors by setting with tolerance and guard band."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from harness.report import shown
from harness.report.budget_plot import budget_picture
from harness.report.chosen import as_found, named, worst, worst_of_parts
from harness.report.plot_style import (
    BAND,
    FAINT,
    GUARD,
    LIMIT,
    MARKERS,
    SERIES,
    TEXT,
    ZONE,
    Picture,
    drawing,
    frequency_axis,
    to_svg,
)
from harness.report.screen_plot import screen_picture

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.axes import Axes

    from harness.report.model import Point, Report, Response

WIDE_IN: Final = 8.6
NARROW_IN: Final = 4.3
_NARROW_BELOW_IN: Final = 6.0
_LONGEST_SETTING: Final = 15
_LEAST_DECADES: Final = 0.6
_ROTATE_FROM: Final = 9  # settings on an axis


def pictures(report: Report, *, width_in: float = WIDE_IN, point: str = "") -> tuple[Picture, ...]:
    """Every picture of a report, in the order of its parts; `point` names the one that is looked at closely."""
    close = (named(report, point),) if point else worst_of_parts(report)
    budget = close[0] if point else worst(report)
    found: list[Picture] = []
    for n, part in enumerate(report.parts):
        for i, chosen in enumerate(each for each in close if each.part == n):
            screen = screen_picture(report, chosen, as_found(report, chosen.one), key=f"p{n}s{i}", width_in=width_in)
            found += [screen] if screen is not None else []
        found += [
            response_picture(report, one, key=f"p{n}r{i}", part=n, width_in=width_in)
            for i, one in enumerate(part.responses)
        ]
        for i, quantity in enumerate(dict.fromkeys(point.quantity for point in part.points)):
            points = [point for point in part.points if point.quantity == quantity]
            if _drawable(points):
                found.append(error_picture(report, points, key=f"p{n}e{i}", part=n, width_in=width_in))
        if budget is not None and budget.part == n:
            bars = budget_picture(report, budget, key=f"p{n}b0", width_in=width_in)
            found += [bars] if bars is not None else []
    return tuple(found)


def _drawable(points: Sequence[Point]) -> bool:
    """Errors in one unit, at more than one setting: else a table says it better."""
    units = {point.statement.unit for point in points if point.statement is not None}
    return len(units) == 1 and len({point.setting for point in points}) > 1


def response_picture(
    report: Report, response: Response, *, key: str, part: int = 0, width_in: float = WIDE_IN
) -> Picture:
    """The response with band, readings, half-power point and rating; below it the residuals."""
    narrow = width_in < _NARROW_BELOW_IN
    legend_in = 0.84 if narrow else 0.48
    with drawing(width_in, 3.8 + legend_in, margins_in=(0.6, 0.12, legend_in, 0.48)) as figure:
        upper, lower = figure.subplots(2, 1, sharex=True, height_ratios=(3.6, 1.0))
        _response_lines(upper, response)
        _residuals(lower, response)
        lower.set_xlim(*_span_hz(response))
        frequency_axis(lower)
        upper.set_ylabel("response, dB")
        lower.set_xlabel(f"frequency (reference: {shown.hertz(response.result.reference_hz)})")
        upper.legend(
            loc="lower left", bbox_to_anchor=(0.0, 1.0), ncols=2 if narrow else 4, handlelength=1.4, columnspacing=1.2
        )
        svg = to_svg(figure)
    place = f"channel {response.channel}, {shown.path_label(report, response.path)}"
    points = response.result.points
    span = (
        f" {len(points)} readings from {shown.hertz(points[0].frequency_hz)} to "
        f"{shown.hertz(points[-1].frequency_hz)}; below them, how far each lies from the fit."
        if points
        else " There are no readings."
    )
    return Picture(
        key=key,
        part=part,
        svg=svg,
        caption=f"Response of {place}, {response.setting}",
        alt=f"Response in decibels over frequency, {place}. {response.sentence}{span}",
    )


def _span_hz(response: Response) -> tuple[float, float]:
    """The frequency axis: every reading, the rating, and never so little that a slope looks like a plain."""
    some = [p.frequency_hz for p in response.result.points] + [response.rated_hz]
    if response.result.interval_hz is not None:
        some += response.result.interval_hz
    low, high = math.log10(min(some)), math.log10(max(some))
    spare = max(0.04 * (high - low), (_LEAST_DECADES - (high - low)) / 2.0)
    return 10.0 ** (low - spare), 10.0 ** (high + spare)


def _response_lines(axes: Axes, response: Response) -> None:
    result, band, colour = response.result, response.band, SERIES[0].light
    known = [
        (f, y, low, high)
        for f, y, low, high in zip(band.frequency_hz, band.response_db, band.low_db, band.high_db, strict=True)
        if y is not None and low is not None and high is not None
    ]
    values = [point.response_db for point in result.points] + [y for _, y, _, _ in known]
    bottom = max(min([*values, -result.drop_db]) - 1.0, -3.5 * result.drop_db)  # far below, the table says it better
    top = max([*values, 0.0]) + 0.8
    if known:
        f, y, low, high = zip(*known, strict=True)
        axes.fill_between(f, low, high, color=BAND.light, linewidth=0, label="95 % band")
        axes.plot(f, y, color=colour, label="fitted response")
    for used, face, label in ((True, colour, "readings"), (False, "none", "readings beyond the fit")):
        some = [point for point in result.points if point.used is used]
        if some:
            axes.errorbar(
                [p.frequency_hz for p in some], [p.response_db for p in some], [2.0 * p.u_db for p in some],
                fmt="o", markersize=4.2, markerfacecolor=face, markeredgecolor=colour, markeredgewidth=0.9,
                ecolor=colour, elinewidth=0.8, label=label,
            )  # fmt: skip
    axes.axhline(-result.drop_db, color=TEXT.light, linewidth=0.9, linestyle=(0, (5, 3)))
    axes.axvline(response.rated_hz, color=LIMIT.light, linewidth=1.1, label=f"rated {shown.hertz(response.rated_hz)}")
    if result.frequency_hz is not None and result.interval_hz is not None:
        low_hz, high_hz = result.interval_hz
        axes.errorbar(
            [result.frequency_hz], [-result.drop_db],
            xerr=[[result.frequency_hz - low_hz], [high_hz - result.frequency_hz]], fmt="D", markersize=6.5,
            markerfacecolor=SERIES[1].light, markeredgecolor=TEXT.light, markeredgewidth=0.8, color=TEXT.light,
            elinewidth=1.2, capsize=3.0, label=f"half power {shown.half_power_text(result).frequency}", zorder=5,
        )  # fmt: skip
    below = [point.frequency_hz for point in result.points if point.response_db < bottom]
    if below:
        axes.plot(
            below,
            [bottom] * len(below),
            "v",
            markersize=5.0,
            color=colour,
            clip_on=False,
            label="reading below the axis",
        )
    axes.set_ylim(bottom, top)
    axes.annotate(
        f"−{result.drop_db:.2f} dB", (0.0, -result.drop_db), xycoords=("axes fraction", "data"), xytext=(4, 3),
        textcoords="offset points", fontsize=8.5,
    )  # fmt: skip


def _residuals(axes: Axes, response: Response) -> None:
    some = [(p.frequency_hz, p.residual) for p in response.result.points if p.residual is not None]
    axes.axhspan(-2.0, 2.0, color=ZONE.light, linewidth=0)
    axes.axhline(0.0, color=FAINT.light, linewidth=0.8)
    if some:
        frequencies, residuals = zip(*some, strict=True)
        axes.plot(frequencies, residuals, "o", markersize=3.8, color=SERIES[0].light)
        reach = max(3.0, 1.15 * max(abs(r) for r in residuals))
    else:
        reach = 3.0
    axes.set_ylim(-reach, reach)
    axes.set_ylabel("residual / u")


@dataclass(frozen=True, slots=True, kw_only=True)
class _Slot:
    """A point's place on the axis: the points of one setting share its width."""

    x: float
    width: float
    point: Point


def error_picture(
    report: Report, points: Sequence[Point], *, key: str, part: int = 0, width_in: float = WIDE_IN
) -> Picture:
    """Errors with U by setting, one marker a channel and path, between tolerance and acceptance limits."""
    settings = list(dict.fromkeys(p.setting for p in sorted(points, key=lambda p: p.setting_value)))
    series = list(dict.fromkeys((p.channel, p.path) for p in points))
    unit = next(p.statement.unit for p in points if p.statement is not None)
    slots = [
        slot for x, setting in enumerate(settings) for slot in _slots(x, [p for p in points if p.setting == setting])
    ]
    narrow = width_in < _NARROW_BELOW_IN
    turned = narrow or len(settings) > _ROTATE_FROM
    columns = 1 if narrow else 3
    legend_in = 0.19 * math.ceil((len(series) + 2) / columns) + 0.1
    bottom_in = 0.95 if turned else 0.35
    with drawing(width_in, 2.4 + legend_in + bottom_in, margins_in=(0.6, 0.12, legend_in, bottom_in)) as figure:
        axes = figure.subplots()
        axes.axhline(0.0, color=FAINT.light, linewidth=0.8)
        for n, (channel, path) in enumerate(series):
            own = [s for s in slots if (s.point.channel, s.point.path) == (channel, path)]
            label = f"channel {channel}, {shown.shortened(shown.path_label(report, path), 24)}"
            _error_bars(axes, own, label=label, style=n)
        _zones(axes, slots)
        _signs(axes, slots)
        _setting_axis(axes, settings, turned=turned)
        axes.set_ylim(*_reach(points))
        axes.set_ylabel(f"error, {shown.shortened(unit, 12)}" if unit else "error")
        axes.legend(loc="lower left", bbox_to_anchor=(0.0, 1.0), ncols=columns, handlelength=1.4, columnspacing=1.4)
        svg = to_svg(figure)
    quantity = points[0].quantity
    return Picture(
        key=key,
        part=part,
        svg=svg,
        caption=f"{shown.capital(quantity)}: errors with U, tolerance and guard band",
        alt=f"{shown.capital(quantity)} errors by setting for {len(series)} series of points. {_in_words(points)}",
    )


def _reach(points: Sequence[Point]) -> tuple[float, float]:
    """The error axis: every limit and every interval, with some room."""
    ends = [0.0]
    for p in points:
        ends += [] if p.statement is None else [p.statement.low, p.statement.high]
        ends += [] if p.limits is None else [e for e in (p.limits.low, p.limits.high) if e is not None]
    room = 0.1 * (max(ends) - min(ends)) or 1.0
    return min(ends) - room, max(ends) + room


def _slots(x: int, points: Sequence[Point]) -> list[_Slot]:
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
            axes.annotate(shown.SIGN[word], (slot.x, 0.0), ha="center", va="center", fontsize=10, color=FAINT.light)
        elif word != "pass":
            axes.annotate(
                shown.SIGN[word], (slot.x, s.high), xytext=(0, 3), textcoords="offset points", ha="center",
                fontsize=10, color=LIMIT.light, fontweight="bold", annotation_clip=False,
            )  # fmt: skip


def _setting_axis(axes: Axes, settings: Sequence[str], *, turned: bool) -> None:
    axes.set_xticks(
        range(len(settings)), [shown.shortened(s, _LONGEST_SETTING) for s in settings], rotation=55 if turned else 0,
        ha="right" if turned else "center", rotation_mode="anchor",
    )  # fmt: skip
    axes.set_xticks([x - 0.5 for x in range(1, len(settings))], minor=True)
    axes.tick_params(axis="x", which="both", length=0)
    axes.grid(visible=False, axis="x")
    axes.grid(visible=True, which="minor", axis="x")
    axes.set_xlim(-0.5, len(settings) - 0.5)


def _in_words(points: Sequence[Point]) -> str:
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
