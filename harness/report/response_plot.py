"""A picture of a response: readings with band, half-power point and rating; below it how far each lies from the fit."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from harness.analysis.curve import Curve
from harness.report import shown, svg
from harness.report.plot_style import BAND, FAINT, LIMIT, SERIES, TEXT, WIDE, ZONE, Picture
from harness.words.language import localised, tr, tr_count

if TYPE_CHECKING:
    from harness.analysis.curve import CurvePoint
    from harness.report.model import Report, Result

_HEIGHT: Final = 196.0  # of the axes
_RESIDUALS: Final = 48.0  # of the lower ones, if there are two
_GAP: Final = 9.0
_BELOW: Final = 34.0
_LEAST_DECADES: Final = 0.6


@dataclass(frozen=True, slots=True, kw_only=True)
class _Layer:
    """Something in the picture, with what the legend says of it."""

    drawn: str
    symbol: str = ""
    label: str = ""


def response_picture(report: Report, result: Result, *, key: str, part: int = 0, width: float = WIDE) -> Picture:
    """The response with band, readings, half-power point and rating; below it the residuals."""
    curve = result.curve or Curve(status="failed", reference_hz=0.0)
    fitted = curve.drop_db is not None
    reference = shown.hertz(curve.reference_hz)
    relative = tr(" (reference: {reference_hz})", reference_hz=reference) if curve.reference_hz else ""
    place = tr("channel {channel}, {report}", channel=result.channel, report=shown.path_label(report, result.path))
    points = curve.points
    span = (
        tr(
            " {readings} from {frequency_hz} to {frequency_hz_2}{more}.",
            readings=tr_count(len(points), "reading"),
            frequency_hz=shown.hertz(points[0].frequency_hz),
            frequency_hz_2=shown.hertz(points[-1].frequency_hz),
            more=tr("; below them, how far each lies from the fit") if fitted else "",
        )
        if points
        else tr(" There are no readings.")
    )
    return Picture(
        key=key,
        part=part,
        svg=_drawing(result, curve, width, tr("frequency{relative}", relative=relative)),
        caption=tr("Response of {place}, {setting}", place=place, setting=result.setting),
        alt=tr(
            "Response in decibels over frequency, {place}. {sentence}{span}",
            place=place,
            sentence=result.sentence,
            span=span,
        ),
    )


def _drawing(result: Result, curve: Curve, width: float, name: str) -> str:
    fitted = curve.drop_db is not None
    tall = _HEIGHT - fitted * (_RESIDUALS + _GAP)
    (low_hz, high_hz), (low_db, high_db) = _span_hz(result, curve), _ends_db(curve)
    y = svg.Scale(low=low_db, high=high_db, start=tall, end=0.0)
    up = svg.ticks(y, 6)
    left = max(43.0, svg.room_left(up))
    x = svg.Scale(low=low_hz, high=high_hz, start=left, end=width - svg.RIGHT, decades=True)
    across, fine = svg.decade_ticks(x, lambda f: shown.hertz(f, 3)), svg.between_decades(x)
    axes = svg.Axes(x=x, y=y)
    layers = [*_band(axes, curve), *_readings(axes, curve), *_marked(axes, result, curve)]
    below = [*_below(axes, curve)]
    parts = [
        *svg.frame(axes, across, up, fine=fine, named=not fitted), svg.name_left(tr("response, dB"), axes),
        svg.within(axes, (layer.drawn for layer in layers)), *(layer.drawn for layer in below),
    ]  # fmt: skip
    if fitted:
        reach = max(3.0, *(1.15 * abs(p.residual or 0.0) for p in curve.points), 0.0)
        axes = svg.Axes(x=x, y=svg.Scale(low=-reach, high=reach, start=_HEIGHT, end=_HEIGHT - _RESIDUALS))
        parts += _residuals(axes, curve, across, fine)
    named = [(layer.symbol, layer.label) for layer in (*layers, *below) if layer.label]
    legend, top = svg.legend(named, left, width)
    parts += [svg.name_below(name, axes)]
    return svg.drawing(width, top + _HEIGHT + _BELOW, [legend, svg.moved((0.0, top), parts)])


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


def _fit(curve: Curve) -> list[tuple[float, float, float, float]]:
    """Frequency, response and the two edges of its band, as far as they are known."""
    band = curve.band
    return [
        (f, y, low, high)
        for f, y, low, high in zip(band.frequency_hz, band.response_db, band.low_db, band.high_db, strict=True)
        if y is not None and low is not None and high is not None
    ]


def _ends_db(curve: Curve) -> tuple[float, float]:
    """The axis of the response; one far below half power the table says better."""
    values = [point.response_db for point in curve.points] + [y for _, y, _, _ in _fit(curve)]
    if curve.drop_db is None:
        ends = [*values, *curve.limits_db] or [0.0]
        room = 0.25 * (max(ends) - min(ends)) or 1.0
        return min(ends) - room, max(ends) + room
    return max(min([*values, -curve.drop_db]) - 1.0, -3.5 * curve.drop_db), max([*values, 0.0]) + 0.8


def _band(axes: svg.Axes, curve: Curve) -> Iterator[_Layer]:
    if known := _fit(curve):
        edges = [axes.at(f, low) for f, _, low, _ in known] + [axes.at(f, high) for f, _, _, high in reversed(known)]
        yield _Layer(
            drawn=svg.area(edges, BAND), symbol=svg.box((-8.0, -3.5), (8.0, 3.5), BAND), label=tr("95 % band"),
        )  # fmt: skip
        curve_line = svg.line((axes.at(f, y) for f, y, _, _ in known), SERIES[0], 1.4)
        yield _Layer(drawn=curve_line, symbol=svg.line(((-8, 0), (8, 0)), SERIES[0], 1.4), label=tr("fitted response"))


def _readings(axes: svg.Axes, curve: Curve) -> Iterator[_Layer]:
    """Every reading with U: a filled mark where the fit rests on it."""
    for used, label in ((True, tr("readings")), (False, tr("readings beyond the fit"))):
        if some := [point for point in curve.points if point.used is used]:
            fill = SERIES[0] if used else None
            yield _Layer(
                drawn=svg.group((_reading(axes, point) for point in some), SERIES[0], fill=fill, width=0.9),
                symbol=svg.group([f'<path d="{svg.mark("round", (0, 0), 4.2)}"/>'], SERIES[0], fill=fill, width=0.9),
                label=label,
            )
    if curve.lowest:
        at = axes.at(curve.reference_hz, 0.0)
        drawn, symbol = (svg.mark("square", place, 5.0) for place in (at, (0.0, 0.0)))
        said = tr("{hertz}: reference", hertz=shown.hertz(curve.reference_hz))
        yield _Layer(
            drawn=svg.group([svg.datum(drawn, said)], TEXT, fill=TEXT),
            symbol=svg.group([f'<path d="{symbol}"/>'], TEXT, fill=TEXT), label=tr("reference"),
        )  # fmt: skip


def _reading(axes: svg.Axes, point: CurvePoint) -> str:
    f, y, u = point.frequency_hz, point.response_db, 2.0 * point.u_db
    drawn = svg.mark("round", axes.at(f, y), 4.2) + svg.bar(axes.at(f, y - u), axes.at(f, y + u), 0.0)
    return svg.datum(drawn, f"{shown.hertz(f)}: {shown.decibels(y)} ± {shown.decibels(u)}")


def _marked(axes: svg.Axes, result: Result, curve: Curve) -> Iterator[_Layer]:
    """Levels and frequencies that the result is compared with, and the result."""
    left, top, right, bottom = axes.box()
    for level_db in curve.limits_db if curve.drop_db is None else (-curve.drop_db,):
        y, ink = axes.y.at(level_db), LIMIT if curve.drop_db is None else TEXT
        said = svg.text(shown.minus(localised(f"{level_db:.2f} dB")), (left + 4.0, y - 3.0))
        yield _Layer(drawn=svg.line(((left, y), (right, y)), ink, 0.9, svg.DASHED) + said)
    for rated_hz in _rated(result, curve):
        x = axes.x.at(rated_hz)
        yield _Layer(
            drawn=svg.line(((x, top), (x, bottom)), LIMIT, 1.1),
            symbol=svg.line(((-8, 0), (8, 0)), LIMIT, 1.1),
            label=tr("rated {rated_hz}", rated_hz=shown.hertz(rated_hz)),
        )  # fmt: skip
    if (s := result.statement) is not None and curve.drop_db is not None:
        at, label = axes.at(s.estimate, -curve.drop_db), tr("half power {value}", value=shown.cells(result).value)
        span = svg.bar(axes.at(s.low, -curve.drop_db), axes.at(s.high, -curve.drop_db), 3.0)
        mark, symbol = (svg.mark("diamond", place, 6.5) for place in (at, (0.0, 0.0)))
        yield _Layer(
            drawn=svg.stroke(span, TEXT, 1.2)
            + svg.group([svg.datum(mark, f"{label} ± {shown.cells(result).u}")], TEXT, fill=SERIES[1], width=0.8),
            symbol=svg.group([f'<path d="{symbol}"/>'], TEXT, fill=SERIES[1], width=0.8), label=label,
        )  # fmt: skip


def _below(axes: svg.Axes, curve: Curve) -> Iterator[_Layer]:
    """Readings that lie below the axis, as marks upon it."""
    marks = [
        svg.datum(
            svg.mark("down", axes.at(p.frequency_hz, axes.y.low), 5.0),
            tr(
                "{hertz}: {decibels}, below the axis",
                hertz=shown.hertz(p.frequency_hz),
                decibels=shown.decibels(p.response_db),
            ),
        )
        for p in curve.points
        if p.response_db < axes.y.low
    ]
    if marks:
        symbol = f'<path d="{svg.mark("down", (0.0, 0.0), 5.0)}"/>'
        yield _Layer(
            drawn=svg.group(marks, SERIES[0], fill=SERIES[0]), symbol=svg.group([symbol], SERIES[0], fill=SERIES[0]),
            label=tr("reading below the axis"),
        )  # fmt: skip


def _residuals(axes: svg.Axes, curve: Curve, across: svg.Ticks, fine: list[float]) -> list[str]:
    left, _, right, _ = axes.box()
    marks = (
        svg.datum(
            svg.mark("round", axes.at(p.frequency_hz, p.residual), 3.8),
            f"{shown.hertz(p.frequency_hz)}: {shown.number(p.residual, digits=2)}",
        )
        for p in curve.points
        if p.residual is not None
    )
    return [
        svg.box((left, axes.y.at(-2.0)), (right, axes.y.at(2.0)), ZONE),
        *svg.frame(axes, across, svg.ticks(axes.y, 4), fine=fine),
        svg.line(((left, axes.y.at(0.0)), (right, axes.y.at(0.0))), FAINT, 0.8),
        svg.group(marks, SERIES[0], fill=SERIES[0], width=0.0),
        svg.name_left(tr("residual / u"), axes),
    ]  # fmt: skip
