"""A picture of a point's screens: the graticule as it should look, beside what was read, and the error on its scale."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from typing import TYPE_CHECKING, Final

from harness.report import shown, svg
from harness.report.chosen import name_of
from harness.report.plot_style import BAND, FAINT, GUARD, LIMIT, ROOMY, SERIES, TEXT, Picture
from harness.report.screens import Screen, Trace, screen_of
from harness.words.clean import shortened
from harness.words.language import tr

if TYPE_CHECKING:
    from harness.report.chosen import Chosen
    from harness.report.model import Report, Result

_WIDEST: Final = 223.0  # a screen
_GAUGE: Final = 83.0  # width of the error's scale with its numbers
_BELOW: Final = 32.0  # for what a screen says
_TITLE: Final = 21.6
_GAP: Final = 16.0
_LINE: Final = 10.5  # from one line of text to the next
_EDGE: Final = 3.6
_LEAST_PERIOD_DIV: Final = 0.35  # closer marks run into one another
_EDGE_10_90: Final = 2.5631  # standard deviations from 10 % to 90 % of a Gaussian edge
_PLOTTED_DIV: Final = 0.05  # from one point of a drawn wave to the next


def screen_picture(report: Report, chosen: Chosen, found: Result | None, *, key: str, width: float) -> Picture | None:
    """Draw the screens of a result; None where a drawing would show nothing."""
    screen = screen_of(report, chosen.one, found)
    if screen is None:
        return None
    name = name_of(report, chosen.one)
    name += f", {chosen.one.applied}" if chosen.one.applied else ""
    return Picture(
        key=key, part=chosen.part, svg=_drawing(screen, chosen.one, found, width),
        caption=tr("On the screen: {name}", name=name),
        alt=tr("Drawing of the screen at {name}. ", name=name)
        + " ".join(f"{t.title}: {t.text}." for t in screen.traces) + f" {_verdict(chosen.one)}",
    )  # fmt: skip


def _drawing(screen: Screen, one: Result, found: Result | None, width: float) -> str:
    """The screens beside one another; the error's scale beside them, or below them where there is no room for that."""
    narrow, count = width < ROOMY, len(screen.traces)
    across = (width - 2.0 * _EDGE - (0.0 if narrow else _GAUGE) - (count - 1) * _GAP) / count
    across = min(across, _WIDEST)
    tall = across * screen.height_div / screen.width_div
    titles = [_wrapped(trace.title, across) for trace in screen.traces]
    top = _TITLE + _LINE * (max(map(len, titles)) - 1)
    height = top + tall + _BELOW + _EDGE + (79.0 if narrow else 0.0)
    drawn: list[str] = []
    for n, trace in enumerate(screen.traces):
        left = _EDGE + n * (across + _GAP)
        axes = svg.Axes(
            x=svg.Scale(low=-screen.width_div / 2.0, high=screen.width_div / 2.0, start=left, end=left + across),
            y=svg.Scale(low=-screen.height_div / 2.0, high=screen.height_div / 2.0, start=top + tall, end=top),
        )
        drawn += [*_lines(titles[n], (left, top - 5.0 - _LINE * (len(titles[n]) - 1))), *_graticule(axes, screen, n)]
        drawn += _lines(_wrapped(trace.text, across), (left, top + tall + 12.5))
    if narrow:
        drawn += _gauge((25.2, width - 10.8), (height - 66.0, height - 30.0), one, found, upright=False)
    else:
        left = _EDGE + count * (across + _GAP) - _GAP + _GAUGE - 46.0
        drawn += _gauge((left, left + 44.0), (top, top + tall), one, found, upright=True)
    return svg.drawing(width, height, drawn)


def _lines(lines: Sequence[str], at: svg.Point) -> Iterator[str]:
    """Words below one another."""
    return (svg.text(line, (at[0], at[1] + _LINE * n)) for n, line in enumerate(lines))


def _verdict(one: Result) -> str:
    if one.sentence:
        return shown.minus(one.sentence)
    if one.statement is None:
        return f"{tr(one.word)}."
    limits = shown.limits_text(one.limits, one.statement.unit)
    name = shown.result_name(one)
    return tr(
        "{name}: {text}, limits {limits}: {word}.",
        name=name, text=shown.minus(one.statement.text(signed=one.is_error)), limits=limits, word=one.word
    )  # fmt: skip


def _wrapped(text: str, width: float) -> list[str]:
    """Two lines or so of what fits above or below a screen."""
    longest = max(int(width / 4.9), 12)
    words, lines = shortened(text, 2 * longest).split(" "), [""]
    for word in words:
        if lines[-1] and len(lines[-1]) + 1 + len(word) > longest:
            lines.append(word)
        else:
            lines[-1] = f"{lines[-1]} {word}".strip()
    return lines


# --- a screen ----------------------------------------------------------------------------------------------------


def _graticule(axes: svg.Axes, screen: Screen, n: int) -> Iterator[str]:
    """Lines of the graticule, the trace, and what is measured as a line with arrows."""
    left, top, right, bottom = axes.box()
    half_w, half_h = screen.width_div / 2.0, screen.height_div / 2.0
    yield svg.stroke(_upright(axes, _ticks(half_w), half_h) + _level(axes, _ticks(half_h), half_w), BAND, 0.6)
    fifths_x = [x / 5.0 for x in range(int(-half_w * 5) + 1, int(half_w * 5))]
    fifths_y = [y / 5.0 for y in range(int(-half_h * 5) + 1, int(half_h * 5))]
    yield svg.stroke(_upright(axes, fifths_x, 0.08) + _level(axes, fifths_y, 0.08), FAINT, 0.4)
    yield svg.stroke(_upright(axes, [0.0], half_h) + _level(axes, [0.0], half_w), FAINT, 0.6)
    yield svg.stroke(f"M{left:.1f} {top:.1f}H{right:.1f}V{bottom:.1f}H{left:.1f}z", FAINT, 0.7)
    ideal, trace = screen.traces[0], screen.traces[n]
    inside = [*_trace(axes, screen, ideal, ghost=True)] if n > 0 else []
    if trace.size_div is None:
        said = shortened(trace.text, 34)
        middle = ((left + right) / 2.0, axes.y.at(half_h - 1.0) + 3.0)
        inside += [svg.text(said, middle, ink=LIMIT, size=svg.PLAIN, anchor="middle")]
    else:
        inside += [*_trace(axes, screen, trace, ghost=False), *_dimension(axes, screen, trace.size_div)]
    yield svg.within(axes, inside, f"screen{n}")


def _upright(axes: svg.Axes, xs: Iterable[float], reach: float) -> str:
    """Lines from `reach` below the centre to the same above it."""
    return "".join(f"M{axes.x.at(x):.1f} {axes.y.at(-reach):.1f}V{axes.y.at(reach):.1f}" for x in xs)


def _level(axes: svg.Axes, ys: Iterable[float], reach: float) -> str:
    return "".join(f"M{axes.x.at(-reach):.1f} {axes.y.at(y):.1f}H{axes.x.at(reach):.1f}" for y in ys)


def _ticks(half: float) -> list[float]:
    return [float(x) for x in range(math.ceil(-half), math.floor(half) + 1)]


def _trace(axes: svg.Axes, screen: Screen, trace: Trace, *, ghost: bool) -> Iterator[str]:
    """The trace as it stands on the screen; the ideal one thin and dashed behind what was read."""
    size, foot = trace.size_div or 0.0, screen.ground_div
    half_w, half_h = screen.width_div / 2.0, screen.height_div / 2.0
    if ghost and screen.kind != "edge":
        ys = {"level": [foot + size], "square": [foot, foot + size]}.get(screen.kind, [-size / 2.0, size / 2.0])
        ideal = _upright(axes, ys, half_h) if screen.kind == "marks" else _level(axes, ys, half_w)
        yield svg.stroke(ideal, TEXT, 0.9, svg.DASHED)
        return
    match screen.kind:
        case "level":
            xs, ys = [-half_w, half_w], [foot + size] * 2
            yield svg.stroke(_level(axes, [foot], half_w), FAINT, 1.1, svg.DOTTED)
            yield svg.text(tr("ground line"), axes.at(-half_w + 0.15, foot + 0.14), ink=FAINT, size=7.5)
        case "square":
            xs, ys = _square(screen, size)
        case "sine":
            period = screen.period_div if 0.8 <= screen.period_div <= screen.width_div else 2.0
            xs = _along(half_w)
            ys = [size / 2.0 * math.sin(2.0 * math.pi * x / period) for x in xs]
        case "marks":
            xs, ys = _marks(screen, size)
        case "edge":
            sigma = (size or 1e-9) / _EDGE_10_90
            xs = _along(half_w)
            ys = [foot - 2.0 * foot * 0.5 * (1.0 + math.erf(x / sigma / math.sqrt(2.0))) for x in xs]
    points = map(axes.at, xs, ys)
    yield svg.line(points, TEXT, 0.9, svg.DASHED) if ghost else svg.line(points, SERIES[0], 2.0)


def _along(half_w: float) -> list[float]:
    return [-half_w + n * _PLOTTED_DIV for n in range(round(2.0 * half_w / _PLOTTED_DIV) + 1)]


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


def _dimension(axes: svg.Axes, screen: Screen, size: float) -> Iterator[str]:
    """What is measured, as a line with arrows at both ends; only so far as the screen goes."""
    half_w, half_h = screen.width_div / 2.0, screen.height_div / 2.0
    match screen.kind:
        case "marks":
            start, foot = -(screen.traces[0].size_div or size) / 2.0, screen.ground_div - 0.45
            ends = (start, foot), (min(start + size, half_w), foot)
        case "edge":
            ends = (-size / 2.0, half_h - 0.5), (size / 2.0, half_h - 0.5)
            yield svg.stroke(_upright(axes, [-size / 2.0, size / 2.0], half_h), TEXT, 0.5)
            tenths = [screen.ground_div * 0.8, -screen.ground_div * 0.8]
            yield svg.stroke(_level(axes, tenths, half_w), FAINT, 0.6, svg.DOTTED)
        case _:
            foot = -size / 2.0 if screen.kind == "sine" else screen.ground_div
            ends = (half_w - 0.8, foot), (half_w - 0.8, max(min(foot + size, half_h), -half_h))
    one, other = (axes.at(*end) for end in ends)
    yield svg.stroke(svg.arrows(one, other), TEXT, 0.9)


# --- the error on its scale ---------------------------------------------------------------------------------------


def _gauge(
    xs: tuple[float, float], ys: tuple[float, float], one: Result, found: Result | None, *, upright: bool
) -> list[str]:
    """The result with U between its limits and guard bands: a filled mark, the one as found an open one."""
    low, high, inner_low, inner_high, scale, unit = _edges(one)
    known = [(r.statement, ink) for r, ink in ((found, None), (one, SERIES[1])) if r and r.statement is not None]
    spans = [(s.estimate / scale, s.expanded / scale) for s, _ in known]
    ends = [v + side * u for v, u in spans for side in (-1.0, 1.0)] + [e for e in (low, high) if e is not None]
    if not known:
        return []
    ends += [0.0] if one.is_error else []
    room = 0.15 * (max(ends) - min(ends)) or 1.0
    reach, places = (min(ends) - room, max(ends) + room), (0.0, 1.0)
    (x_low, x_high), (y_low, y_high) = (places, reach) if upright else (reach, places)
    axes = svg.Axes(
        x=svg.Scale(low=x_low, high=x_high, start=xs[0], end=xs[1]),
        y=svg.Scale(low=y_low, high=y_high, start=ys[1], end=ys[0]),
    )

    def at(value: float, place: float) -> svg.Point:
        return axes.at(place, value) if upright else axes.at(value, place)

    drawn = []
    for edge, inner in ((low, inner_low), (high, inner_high)):
        if edge is not None:
            drawn += [svg.box(at(edge, 0.0), at(inner, 1.0), GUARD)] if inner is not None else []
            drawn += [svg.line((at(edge, 0.0), at(edge, 1.0)), LIMIT, 1.3)]
    if min(ends) <= 0.0 <= max(ends):
        drawn += [svg.line((at(0.0, 0.0), at(0.0, 1.0)), TEXT, 0.9, svg.DASHED)]
    for n, ((estimate, u), (s, ink)) in enumerate(zip(spans, known, strict=True)):
        place = (n + 1.0) / (len(known) + 1.0)
        drawn += [svg.stroke(svg.bar(at(estimate - u, place), at(estimate + u, place), 3.0), TEXT, 1.2)]
        said = svg.datum(svg.mark("diamond", at(estimate, place), 6.0), shown.minus(s.text(signed=one.is_error)))
        drawn += [svg.group([said], TEXT, fill=ink)]
    return [*_gauge_frame(axes, one, unit, upright=upright), svg.within(axes, drawn, "gauge")]


def _gauge_frame(axes: svg.Axes, one: Result, unit: str, *, upright: bool) -> list[str]:
    name = tr("error") if one.is_error else tr("result")
    label = f"{name}, {shortened(unit, 8)}" if unit else name
    if upright:
        said = svg.text(label, (axes.x.end, axes.y.end - 5.0), size=svg.PLAIN, anchor="end")
        return [*svg.frame(axes, (), svg.ticks(axes.y)), said]
    return [*svg.frame(axes, svg.ticks(axes.x), ()), svg.name_below(label, axes)]


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
