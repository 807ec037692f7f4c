"""What a screen should have shown at a point, and what was read on it: in divisions, for a drawing.   [pure]"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal, TypeAlias

from harness.quantities import HALF_POWER_RATIO, is_half_power
from harness.report import shown
from harness.steps import Dc, FastEdge, Sine, Square, TimeMarks
from harness.words.language import tr

if TYPE_CHECKING:
    from collections.abc import Callable

    from harness.analysis.curve import Curve
    from harness.report.model import Report, Result

Kind: TypeAlias = Literal["level", "square", "sine", "marks", "edge"]

_SINE_DIV: Final = 2.0  # a period, where nothing says how the sweep was set


@dataclass(frozen=True, slots=True, kw_only=True)
class Trace:
    """One screen: how large what is measured stands on it, in divisions, and that in words."""

    title: str
    size_div: float | None  # None: nothing could be read
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Screen:
    """The screens of one point: as it should be, and as it was read, once or as found and as left."""

    kind: Kind
    width_div: float
    height_div: float
    ground_div: float  # of the ground line or the foot of the trace, from the centre
    period_div: float  # of what repeats
    traces: tuple[Trace, ...]  # the first is the ideal


def screen_of(report: Report, result: Result, found: Result | None = None) -> Screen | None:
    """The screens of a result, with those of the unit as found if known; None where a drawing would show nothing."""
    if result.curve is not None:
        return _response(report, result, result.curve, found)
    if result.word == "not measured" and not result.remarks:
        return None
    return _point(report, result, found)


def _point(report: Report, point: Result, found: Result | None) -> Screen | None:
    view, unit = point.view, report.setup.unit
    if view is None:
        return None
    sweep_s = view.s_per_div / view.magnifier
    kind: Kind
    match point.stimulus:
        case Dc():
            kind, period_div, in_div = "level", 0.0, 1.0
        case Square(frequency_hz=frequency_hz):
            kind, period_div, in_div = "square", 1.0 / frequency_hz / sweep_s, 1.0
        case Sine(frequency_hz=frequency_hz):
            kind, period_div, in_div = "sine", 1.0 / frequency_hz / sweep_s, 1.0
        case TimeMarks(period_s=period_s):
            kind, period_div, in_div = "marks", period_s / sweep_s, 1.0
        case FastEdge() if point.unit == "ns":
            kind, period_div, in_div = "edge", 0.0, 1e-9 / sweep_s
        case _:
            return None
    if not point.expected or (kind != "edge" and point.unit != "div"):
        return None  # no length to draw
    if kind in ("level", "square", "sine") and point.setting_unit == "s/div":
        return None  # a length along the other axis

    def trace(title: str, of: Result) -> Trace:
        if of.reading is None:
            return Trace(title=title, size_div=None, text="; ".join(of.remarks) or tr(of.word))
        return Trace(title=title, size_div=of.reading * in_div, text=tr("read: {of}", of=shown.reading_text(of)))

    ideal = Trace(
        title=tr("as it should be"), size_div=(point.expected or 0.0) * in_div,
        text=f"{tr('ideal') if kind != 'edge' else tr('rated, with the edge of the source')}: "
        f"{shown.number(point.expected, point.unit)}",
    )  # fmt: skip
    return Screen(
        kind=kind, width_div=unit.horizontal_div, height_div=unit.vertical_div, ground_div=view.ground_line_div,
        period_div=period_div, traces=(ideal, *_read(trace, point, found)),
    )  # fmt: skip


def _read(trace: Callable[[str, Result], Trace], one: Result, found: Result | None) -> tuple[Trace, ...]:
    if found is None:
        return (trace(tr("as it was read"), one),)
    return trace(tr("as found"), found), trace(tr("as left"), one)


def _response(report: Report, result: Result, curve: Curve, found: Result | None) -> Screen | None:
    """The height of the sine at the rating: 1/√2 of the reference at least, beside what was read nearest to it."""
    unit, rated_hz = report.setup.unit, None if result.limits is None else result.limits.low
    if rated_hz is None or curve.reference_div is None or not curve.points:
        return None
    if curve.drop_db is None or not is_half_power(curve.drop_db):
        return None

    def trace(title: str, of: Result) -> Trace:
        if of.curve is None or of.curve.reference_div is None or not of.curve.points:
            return Trace(title=title, size_div=None, text=tr("no value"))
        nearest = min(of.curve.points, key=lambda p: abs(math.log(p.frequency_hz / rated_hz)))
        height_div = of.curve.reference_div * 10.0 ** (nearest.response_db / 20.0)
        at = shown.hertz(nearest.frequency_hz)
        return Trace(
            title=title,
            size_div=height_div,
            text=tr("read at {at}: {height_div}", at=at, height_div=shown.number(height_div, "div", 3)),
        )

    least_div = curve.reference_div * HALF_POWER_RATIO
    ideal = Trace(
        title=tr("at least half power"),
        size_div=least_div,
        text=tr(
            "rated {rated_hz}: {least_div} of {reference_div}",
            rated_hz=shown.hertz(rated_hz),
            least_div=shown.number(least_div, "div", 3),
            reference_div=shown.number(curve.reference_div, "div", 3),
        ),
    )
    return Screen(
        kind="sine", width_div=unit.horizontal_div, height_div=unit.vertical_div, ground_div=0.0,
        period_div=_SINE_DIV, traces=(ideal, *_read(trace, result, found)),
    )  # fmt: skip
