"""The pictures of a report: a response with its residuals, and errors by setting with tolerance and guard band."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

from harness.quantities import counted
from harness.report import shown
from harness.report.budget_plot import budget_picture
from harness.report.chosen import as_found, named, worst, worst_of_parts
from harness.report.error_plot import by_series, drawable, error_picture
from harness.report.model import Point
from harness.report.plot_style import (
    BAND,
    FAINT,
    LIMIT,
    NARROW_BELOW_IN,
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
    from collections.abc import Iterator

    from matplotlib.axes import Axes

    from harness.report.model import PartResult, Report, Response

WIDE_IN: Final = 8.6
NARROW_IN: Final = 4.3
_LEAST_DECADES: Final = 0.6


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
        found += _error_pictures(report, part, n, width_in)
        if budget is not None and budget.part == n:
            bars = budget_picture(report, budget, key=f"p{n}b0", width_in=width_in)
            found += [bars] if bars is not None else []
    return tuple(found)


def _error_pictures(report: Report, part: PartResult, n: int, width_in: float) -> Iterator[Picture]:
    """The errors of a part by quantity, a few channels and paths to a picture, with those found before if known."""
    for i, quantity in enumerate(dict.fromkeys(point.quantity for point in part.points)):
        for j, points in enumerate(by_series([point for point in part.points if point.quantity == quantity])):
            if drawable(points):
                found = [each for point in points if isinstance(each := as_found(report, point), Point)]
                yield error_picture(report, points, found, key=f"p{n}e{i}{j or ''}", part=n, width_in=width_in)


def response_picture(
    report: Report, response: Response, *, key: str, part: int = 0, width_in: float = WIDE_IN
) -> Picture:
    """The response with band, readings, half-power point and rating; below it the residuals."""
    narrow = width_in < NARROW_BELOW_IN
    legend_in = 0.84 if narrow else 0.48
    with drawing(width_in, 3.3 + legend_in, margins_in=(0.6, 0.12, legend_in, 0.48)) as figure:
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
        f" {counted(len(points), 'reading')} from {shown.hertz(points[0].frequency_hz)} to "
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
