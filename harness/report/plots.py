"""The pictures of a report: a response with its residuals, and errors by setting with tolerance and guard band."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

from harness.analysis.curve import Curve
from harness.quantities import counted
from harness.report import shown
from harness.report.budget_plot import budget_picture
from harness.report.chosen import as_found, named, worst, worst_of_parts
from harness.report.error_plot import by_series, drawable, error_picture
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

    from harness.report.model import PartResult, Report, Result

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
        found += _responses(report, part, n, width_in)
        found += _error_pictures(report, part, n, width_in)
        if budget is not None and budget.part == n:
            bars = budget_picture(report, budget, key=f"p{n}b0", width_in=width_in)
            found += [bars] if bars is not None else []
    return tuple(found)


def response_pictures(report: Report, *, width_in: float) -> tuple[Picture, ...]:
    """The responses alone."""
    return tuple(each for n, part in enumerate(report.parts) for each in _responses(report, part, n, width_in))


def _responses(report: Report, part: PartResult, n: int, width_in: float) -> Iterator[Picture]:
    for i, result in enumerate(result for result in part.results if result.curve is not None):
        yield response_picture(report, result, key=f"p{n}r{i}", part=n, width_in=width_in)


def _error_pictures(report: Report, part: PartResult, n: int, width_in: float) -> Iterator[Picture]:
    """The errors of a part by quantity, a few channels and paths to a picture, with those found before if known."""
    settings = [result for result in part.results if result.curve is None]
    for i, quantity in enumerate(dict.fromkeys(result.quantity for result in settings)):
        for j, results in enumerate(by_series([result for result in settings if result.quantity == quantity])):
            if drawable(results):
                found = [before for result in results if (before := as_found(report, result)) is not None]
                yield error_picture(report, results, found, key=f"p{n}e{i}{j or ''}", part=n, width_in=width_in)


def response_picture(report: Report, result: Result, *, key: str, part: int = 0, width_in: float = WIDE_IN) -> Picture:
    """The response with band, readings, half-power point and rating; below it the residuals."""
    curve = result.curve or Curve(status="failed", reference_hz=0.0)
    narrow, fitted = width_in < NARROW_BELOW_IN, curve.drop_db is not None
    legend_in = 0.84 if narrow else 0.48
    with drawing(width_in, 3.3 + legend_in, margins_in=(0.6, 0.12, legend_in, 0.48)) as figure:
        upper, lower = (
            figure.subplots(2, 1, sharex=True, height_ratios=(3.6, 1.0)) if fitted else (figure.subplots(),) * 2
        )
        _response_lines(upper, result, curve)
        if fitted:
            _residuals(lower, curve)
        lower.set_xlim(*_span_hz(result, curve))
        frequency_axis(lower)
        upper.set_ylabel("response, dB")
        relative = f" (reference: {shown.hertz(curve.reference_hz)})" if curve.reference_hz else ""
        lower.set_xlabel(f"frequency{relative}")
        upper.legend(
            loc="lower left", bbox_to_anchor=(0.0, 1.0), ncols=2 if narrow else 4, handlelength=1.4, columnspacing=1.2
        )
        svg = to_svg(figure)
    place = f"channel {result.channel}, {shown.path_label(report, result.path)}"
    points = curve.points
    span = (
        f" {counted(len(points), 'reading')} from {shown.hertz(points[0].frequency_hz)} to "
        f"{shown.hertz(points[-1].frequency_hz)}{'; below them, how far each lies from the fit' if fitted else ''}."
        if points
        else " There are no readings."
    )
    return Picture(
        key=key,
        part=part,
        svg=svg,
        caption=f"Response of {place}, {result.setting}",
        alt=f"Response in decibels over frequency, {place}. {result.sentence}{span}",
    )


def _span_hz(result: Result, curve: Curve) -> tuple[float, float]:
    """The frequency axis: every reading, the rating, and never so little that a slope looks like a plain."""
    frequencies = [p.frequency_hz for p in curve.points] + _rated(result, curve) + [curve.reference_hz] * curve.lowest
    if result.statement is not None and curve.drop_db is not None:
        frequencies += [result.statement.low, result.statement.high]
    low, high = math.log10(min(frequencies)), math.log10(max(frequencies))
    spare = max(0.04 * (high - low), (_LEAST_DECADES - (high - low)) / 2.0)
    return 10.0 ** (low - spare), 10.0 ** (high + spare)


def _rated(result: Result, curve: Curve) -> list[float]:
    """The limits of a result: frequencies that the maker rates."""
    limits = result.limits if curve.drop_db is not None else None
    return [] if limits is None else [edge for edge in (limits.low, limits.high) if edge is not None]


def _response_lines(axes: Axes, result: Result, curve: Curve) -> None:
    band, colour = curve.band, SERIES[0].light
    known = [
        (f, y, low, high)
        for f, y, low, high in zip(band.frequency_hz, band.response_db, band.low_db, band.high_db, strict=True)
        if y is not None and low is not None and high is not None
    ]
    values = [point.response_db for point in curve.points] + [y for _, y, _, _ in known]
    bottom, top = _ends_db(values, curve)
    if known:
        f, y, low, high = zip(*known, strict=True)
        axes.fill_between(f, low, high, color=BAND.light, linewidth=0, label="95 % band")
        axes.plot(f, y, color=colour, label="fitted response")
    for used, face, label in ((True, colour, "readings"), (False, "none", "readings beyond the fit")):
        some = [point for point in curve.points if point.used is used]
        if some:
            axes.errorbar(
                [p.frequency_hz for p in some], [p.response_db for p in some], [2.0 * p.u_db for p in some],
                fmt="o", markersize=4.2, markerfacecolor=face, markeredgecolor=colour, markeredgewidth=0.9,
                ecolor=colour, elinewidth=0.8, label=label,
            )  # fmt: skip
    if curve.lowest:
        axes.plot([curve.reference_hz], [0.0], "s", markersize=4.6, color=TEXT.light, label="reference", zorder=5)
    for level_db in curve.limits_db if curve.drop_db is None else (-curve.drop_db,):
        _level(axes, level_db, LIMIT.light if curve.drop_db is None else TEXT.light)
    for rated_hz in _rated(result, curve):
        axes.axvline(rated_hz, color=LIMIT.light, linewidth=1.1, label=f"rated {shown.hertz(rated_hz)}")
    if (s := result.statement) is not None and curve.drop_db is not None:
        axes.errorbar(
            [s.estimate], [-curve.drop_db], xerr=[[s.estimate - s.low], [s.high - s.estimate]], fmt="D", markersize=6.5,
            markerfacecolor=SERIES[1].light, markeredgecolor=TEXT.light, markeredgewidth=0.8, color=TEXT.light,
            elinewidth=1.2, capsize=3.0, label=f"half power {shown.cells(result).value}", zorder=5,
        )  # fmt: skip
    below = [point.frequency_hz for point in curve.points if point.response_db < bottom]
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


def _level(axes: Axes, level_db: float, colour: str) -> None:
    axes.axhline(level_db, color=colour, linewidth=0.9, linestyle=(0, (5, 3)))
    axes.annotate(
        shown.minus(f"{level_db:.2f} dB"), (0.0, level_db), xycoords=("axes fraction", "data"), xytext=(4, 3),
        textcoords="offset points", fontsize=8.5,
    )  # fmt: skip


def _ends_db(values: list[float], curve: Curve) -> tuple[float, float]:
    """The axis of the response; one far below half power the table says better."""
    if curve.drop_db is None:
        ends = [*values, *curve.limits_db] or [0.0]
        room = 0.25 * (max(ends) - min(ends)) or 1.0
        return min(ends) - room, max(ends) + room
    return max(min([*values, -curve.drop_db]) - 1.0, -3.5 * curve.drop_db), max([*values, 0.0]) + 0.8


def _residuals(axes: Axes, curve: Curve) -> None:
    some = [(p.frequency_hz, p.residual) for p in curve.points if p.residual is not None]
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
