"""A picture of a point's screens: the graticule as it should look, beside what was read, and the error on its scale."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, Final

from harness.report import shown
from harness.report.chosen import name_of
from harness.report.plot_style import BAND, FAINT, GUARD, LIMIT, NARROW_BELOW_IN, SERIES, TEXT, Picture, drawing, to_svg
from harness.report.screens import Screen, Trace, screen_of
from harness.words.clean import shortened

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from harness.report.chosen import Chosen
    from harness.report.model import Report, Result

_WIDEST_IN: Final = 3.1  # a screen
_GAUGE_IN: Final = 1.15  # width of the error's scale with its numbers
_TEXT_IN: Final = 0.45  # below a screen
_TITLE_IN: Final = 0.3
_GAP_IN: Final = 0.22
_LEAST_PERIOD_DIV: Final = 0.35  # closer marks run into one another
_LINE: Final = 2.0
_EDGE_10_90: Final = 2.5631  # standard deviations from 10 % to 90 % of a Gaussian edge


def screen_picture(
    report: Report, chosen: Chosen, found: Result | None, *, key: str, width_in: float
) -> Picture | None:
    """Draw the screens of a result; None where a drawing would show nothing."""
    screen = screen_of(report, chosen.one, found)
    if screen is None:
        return None
    narrow = width_in < NARROW_BELOW_IN
    count = len(screen.traces)
    across = (width_in - 0.1 - (0.0 if narrow else _GAUGE_IN) - (count - 1) * _GAP_IN) / count
    across = min(across, _WIDEST_IN)
    tall = across * screen.height_div / screen.width_div
    height_in = tall + _TITLE_IN + _TEXT_IN + 0.05 + (1.1 if narrow else 0.0)
    with drawing(width_in, height_in, margins_in=(0.0, 0.0, 0.0, 0.0)) as figure:
        for n, trace in enumerate(screen.traces):
            left = 0.05 + n * (across + _GAP_IN)
            axes = figure.add_axes(
                (left / width_in, 1.0 - (tall + _TITLE_IN) / height_in, across / width_in, tall / height_in)
            )
            _graticule(axes, screen, n)
            axes.set_title(shortened(trace.title, 40), fontsize=8.5, pad=4.0)
            axes.text(
                0.0, -0.04, _wrapped(trace.text, across), transform=axes.transAxes, va="top", fontsize=8.5,
                color=TEXT.light,
            )  # fmt: skip
        if narrow:
            box = (0.35 / width_in, 0.42 / height_in, 1.0 - 0.5 / width_in, 0.5 / height_in)
        else:
            left = 0.05 + count * (across + _GAP_IN) - _GAP_IN + _GAUGE_IN - 0.67
            box = (left / width_in, 1.0 - (tall + _TITLE_IN) / height_in, 0.62 / width_in, tall / height_in)
        _gauge(figure.add_axes(box), chosen.one, found, upright=not narrow)
        svg = to_svg(figure)
    name = name_of(report, chosen.one)
    name += f", {chosen.one.applied}" if chosen.one.applied else ""
    return Picture(
        key=key, part=chosen.part, svg=svg, caption=f"On the screen: {name}",
        alt=f"Drawing of the screen at {name}. " + " ".join(f"{t.title}: {t.text}." for t in screen.traces)
        + f" {_verdict(chosen.one)}",
    )  # fmt: skip


def _verdict(one: Result) -> str:
    if one.sentence:
        return shown.minus(one.sentence)
    if one.statement is None:
        return f"{one.word}."
    limits = shown.limits_text(one.limits, one.statement.unit)
    name = shown.result_name(one)
    return f"{name}: {shown.minus(one.statement.text(signed=one.is_error))}, limits {limits}: {one.word}."


def _wrapped(text: str, width_in: float) -> str:
    """At most two lines of what fits below a screen."""
    line = max(int(width_in / 0.068), 12)
    words, lines = shortened(text, 2 * line).split(" "), [""]
    for word in words:
        if lines[-1] and len(lines[-1]) + 1 + len(word) > line:
            lines.append(word)
        else:
            lines[-1] = f"{lines[-1]} {word}".strip()
    return "\n".join(lines)


# --- a screen ----------------------------------------------------------------------------------------------------


def _graticule(axes: Axes, screen: Screen, n: int) -> None:
    """Lines of the graticule, the trace, and what is measured as a line with arrows."""
    half_w, half_h = screen.width_div / 2.0, screen.height_div / 2.0
    axes.set_xlim(-half_w, half_w)
    axes.set_ylim(-half_h, half_h)
    axes.set_xticks([])
    axes.set_yticks([])
    axes.grid(visible=False)
    for spine in axes.spines.values():
        spine.set_visible(True)
    axes.vlines(_ticks(half_w), -half_h, half_h, color=BAND.light, linewidth=0.6)
    axes.hlines(_ticks(half_h), -half_w, half_w, color=BAND.light, linewidth=0.6)
    axes.vlines(0.0, -half_h, half_h, color=FAINT.light, linewidth=0.6)
    axes.hlines(0.0, -half_w, half_w, color=FAINT.light, linewidth=0.6)
    fifths = [x / 5.0 for x in range(int(-half_w * 5) + 1, int(half_w * 5))]
    axes.vlines(fifths, -0.08, 0.08, color=FAINT.light, linewidth=0.4)
    fifths = [y / 5.0 for y in range(int(-half_h * 5) + 1, int(half_h * 5))]
    axes.hlines(fifths, -0.08, 0.08, color=FAINT.light, linewidth=0.4)
    ideal, trace = screen.traces[0], screen.traces[n]
    if n > 0:
        _trace(axes, screen, ideal, ghost=True)
    if trace.size_div is None:
        said = shortened(trace.text, 34)
        axes.text(0.0, half_h - 1.0, said, ha="center", va="center", fontsize=9.0, color=LIMIT.light)
        return
    _trace(axes, screen, trace, ghost=False)
    _dimension(axes, screen, trace.size_div)


def _ticks(half: float) -> list[float]:
    return [float(x) for x in range(math.ceil(-half), math.floor(half) + 1)]


def _trace(axes: Axes, screen: Screen, trace: Trace, *, ghost: bool) -> None:
    """The trace as it stands on the screen; the ideal one thin and dashed behind what was read."""
    size, half_w = trace.size_div or 0.0, screen.width_div / 2.0
    style: dict[str, Any] = {"color": SERIES[0].light, "linewidth": _LINE}
    if ghost:
        style = {"color": TEXT.light, "linewidth": 0.9, "linestyle": (0, (4, 3))}
    foot = screen.ground_div
    match screen.kind:
        case "level":
            axes.plot([-half_w, half_w], [foot + size] * 2, **style)
            if not ghost:
                axes.plot([-half_w, half_w], [foot] * 2, color=FAINT.light, linewidth=1.1, linestyle=(0, (1, 2)))
                axes.text(-half_w + 0.15, foot + 0.14, "ground line", fontsize=7.5, color=FAINT.light)
        case "square" if ghost:
            axes.hlines([foot, foot + size], -half_w, half_w, **style)
        case "square":
            axes.plot(*_square(screen, size), **style)
        case "sine":
            period = screen.period_div if 0.8 <= screen.period_div <= screen.width_div else 2.0
            if ghost:
                axes.hlines([-size / 2.0, size / 2.0], -half_w, half_w, **style)
            else:
                xs = [-half_w + n * 0.02 for n in range(int(screen.width_div / 0.02) + 1)]
                axes.plot(xs, [size / 2.0 * math.sin(2.0 * math.pi * x / period) for x in xs], **style)
        case "marks" if ghost:
            axes.vlines([-size / 2.0, size / 2.0], -screen.height_div / 2.0, screen.height_div / 2.0, **style)
        case "marks":
            axes.plot(*_marks(screen, size), **style)
        case "edge":
            sigma = size / _EDGE_10_90
            xs = [-half_w + n * 0.02 for n in range(int(screen.width_div / 0.02) + 1)]
            ys = [foot - 2.0 * foot * 0.5 * (1.0 + math.erf(x / sigma / math.sqrt(2.0))) for x in xs]
            axes.plot(xs, ys, **style)


def _square(screen: Screen, size: float) -> tuple[list[float], list[float]]:
    """A square wave from the ground line up; two periods where its own would not show."""
    period = screen.period_div if 0.8 <= screen.period_div <= screen.width_div else screen.width_div / 2.0
    half_w, foot = screen.width_div / 2.0, screen.ground_div
    xs, ys, x, high = [-half_w], [foot], -half_w + period / 4.0, False
    while x < half_w:
        xs += [x, x]
        ys += [foot + size * high, foot + size * (not high)]
        high, x = not high, x + period / 2.0
    return [*xs, half_w], [*ys, foot + size * high]


def _marks(screen: Screen, size: float) -> tuple[list[float], list[float]]:
    """Time marks, the first on the line where the count begins; `size` is from the first to the last."""
    ideal = screen.traces[0].size_div or size
    intervals = max(round(ideal / screen.period_div), 1) if screen.period_div else 1
    if ideal / intervals < _LEAST_PERIOD_DIV:
        intervals = 1
    start, spacing, foot = -ideal / 2.0, size / intervals, screen.ground_div
    half_w = screen.width_div / 2.0
    xs, ys = [-half_w], [foot]
    for n in range(-int((start + half_w) / spacing), int((half_w - start) / spacing) + 1):
        at = start + n * spacing
        xs += [at - 0.05, at, at + 0.05]
        ys += [foot, foot + (4.5 if n in (0, intervals) else 3.0), foot]
    return [*xs, half_w], [*ys, foot]


def _dimension(axes: Axes, screen: Screen, size: float) -> None:
    """What is measured, as a line with arrows at both ends; only so far as the screen goes."""
    half_w, half_h = screen.width_div / 2.0, screen.height_div / 2.0
    arrow = {"arrowstyle": "<->", "color": TEXT.light, "linewidth": 0.9, "shrinkA": 0.0, "shrinkB": 0.0}
    match screen.kind:
        case "marks":
            start = -(screen.traces[0].size_div or size) / 2.0
            ends = (start, screen.ground_div - 0.45), (min(start + size, half_w), screen.ground_div - 0.45)
        case "edge":
            ends = (-size / 2.0, half_h - 0.5), (size / 2.0, half_h - 0.5)
            axes.vlines([-size / 2.0, size / 2.0], -half_h, half_h, color=TEXT.light, linewidth=0.5)
            axes.hlines(
                [screen.ground_div * 0.8, -screen.ground_div * 0.8], -half_w, half_w, color=FAINT.light, linewidth=0.6,
                linestyle=(0, (1, 2)),
            )  # fmt: skip
        case _:
            foot = -size / 2.0 if screen.kind == "sine" else screen.ground_div
            ends = (half_w - 0.8, foot), (half_w - 0.8, max(min(foot + size, half_h), -half_h))
    axes.annotate("", ends[1], ends[0], arrowprops=arrow)


# --- the error on its scale ---------------------------------------------------------------------------------------


def _gauge(axes: Axes, one: Result, found: Result | None, *, upright: bool) -> None:
    """The result with U between its limits and guard bands: a filled mark, the one as found an open one."""
    low, high, inner_low, inner_high, scale, unit = _edges(one)
    known: list[tuple[float, float, str]] = []
    for result, face in ((found, "none"), (one, SERIES[1].light)):
        s = None if result is None else result.statement
        known += [] if s is None else [(s.estimate / scale, s.expanded / scale, face)]
    ends = [e for v, u, _ in known for e in (v - u, v + u)] + [e for e in (low, high) if e is not None]
    if not known or not ends:
        axes.set_visible(False)
        return
    ends += [0.0] if one.is_error else []
    room = 0.15 * (max(ends) - min(ends)) or 1.0
    along = axes.axhline if upright else axes.axvline
    between = axes.axhspan if upright else axes.axvspan
    for edge, inner in ((low, inner_low), (high, inner_high)):
        if edge is not None:
            if inner is not None:
                between(min(edge, inner), max(edge, inner), color=GUARD.light, linewidth=0)
            along(edge, color=LIMIT.light, linewidth=1.3)
    if min(ends) <= 0.0 <= max(ends):
        along(0.0, color=TEXT.light, linewidth=0.9, linestyle=(0, (4, 3)))
    for n, (estimate, u, face) in enumerate(known):
        place = (n + 1.0) / (len(known) + 1.0)
        x, y = (place, estimate) if upright else (estimate, place)
        bars: Any = {"yerr" if upright else "xerr": [u]}
        axes.errorbar(
            [x], [y], fmt="D", markersize=6.0, markerfacecolor=face, markeredgecolor=TEXT.light, color=TEXT.light,
            elinewidth=1.2, capsize=3.0, **bars,
        )  # fmt: skip
    name = "error" if one.is_error else "result"
    label = f"{name}, {shortened(unit, 8)}" if unit else name
    if upright:
        axes.set(xlim=(0.0, 1.0), ylim=(min(ends) - room, max(ends) + room), xticks=[])
        axes.set_title(label, fontsize=9.0, pad=4.0, loc="right")
    else:
        axes.set(ylim=(0.0, 1.0), xlim=(min(ends) - room, max(ends) + room), yticks=[])
        axes.set_xlabel(label)
    axes.grid(visible=False)


def _edges(one: Result) -> tuple[float | None, float | None, float | None, float | None, float, str]:
    """Limits and acceptance limits on the gauge, what they were divided by, and its unit."""
    accepted = one.verdict.acceptance if one.verdict is not None else None
    low, high = (None, None) if one.limits is None else (one.limits.low, one.limits.high)
    scale, unit = shown.scale_of(one.result_unit, high or low or 0.0)
    inner_low, inner_high = (None, None) if accepted is None else (accepted.low, accepted.high)
    low, high, inner_low, inner_high = (
        None if edge is None else edge / scale for edge in (low, high, inner_low, inner_high)
    )
    return low, high, inner_low, inner_high, scale, unit
