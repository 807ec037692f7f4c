"""Pictures as SVG: axes whose labels do not touch, lines, bands, marks with bars, a legend.   [pure]

Lengths are points from the upper left corner. It is written by hand since a plotting library takes a hundred times as
long over a picture and four times as many bytes. Text stays text: it is searchable and follows the page's own font.
Colours are the inks of `plot_style`, which a page switches. A mark says its values as its title, which a browser shows
to whoever points at it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from html import escape
from typing import Final, Literal, TypeAlias

from harness.report import shown
from harness.report.plot_style import FAINT, GRID, ROOT, TEXT, Ink
from harness.words.clean import clean
from harness.words.language import localised

SMALL: Final = 8.5  # text at ticks, in legends and beside marks
PLAIN: Final = 9.0  # names of axes
DASHED: Final = ' stroke-dasharray="4.5 2.7"'
DOTTED: Final = ' stroke-dasharray="1.1 2.2"'
RIGHT: Final = 8.6  # room to the right of axes, for half a label
LINE: Final = 13.0  # from one line of a legend to the next
_TICK: Final = 3.5
_APART: Final = 9.0  # between labels beside one another
_SYMBOL: Final = 16.0  # width of a symbol in a legend
_MOST: Final = 10  # ticks of an axis
_THIN: Final = frozenset(" .,:;'|!iljI/()-[]frt")
_BROAD: Final = frozenset("mwMW%−+×=±@")

Point: TypeAlias = tuple[float, float]
Ticks: TypeAlias = tuple[tuple[float, str], ...]
Shape: TypeAlias = Literal["round", "square", "up", "diamond", "down"]
SHAPES: Final[tuple[Shape, ...]] = ("round", "square", "up", "diamond")  # of series, in their order
_OUTLINE: Final[dict[str, tuple[Point, ...]]] = {
    "square": ((-0.9, -0.9), (0.9, -0.9), (0.9, 0.9), (-0.9, 0.9)), "up": ((-1.1, 0.9), (0.0, -1.1), (1.1, 0.9)),
    "diamond": ((0.0, -1.3), (1.3, 0.0), (0.0, 1.3), (-1.3, 0.0)), "down": ((-1.1, -0.9), (1.1, -0.9), (0.0, 1.1)),
}  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Scale:
    """From values to places along an axis."""

    low: float
    high: float
    start: float  # where `low` stands
    end: float
    decades: bool = False

    def at(self, value: float) -> float:
        """Where a value stands."""
        low, high = self.low, self.high
        if self.decades:
            low, high, value = math.log10(low), math.log10(high), math.log10(value)
        return self.start + (value - low) / ((high - low) or 1.0) * (self.end - self.start)


@dataclass(frozen=True, slots=True, kw_only=True)
class Axes:
    """Two scales at right angles."""

    x: Scale
    y: Scale

    def at(self, x: float, y: float) -> Point:
        """Where a pair of values stands."""
        return self.x.at(x), self.y.at(y)

    def box(self) -> tuple[float, float, float, float]:
        """Left, top, right and bottom."""
        return self.x.start, self.y.end, self.x.end, self.y.start


# --- ticks -------------------------------------------------------------------------------------------------------


def width_of(text: str, size: float = SMALL) -> float:
    """About how wide a text is, rather too much: the page chooses the font."""
    return size * sum(0.36 if c in _THIN else 0.97 if c in _BROAD or c > "\u2e80" else 0.65 for c in text)


def ticks(scale: Scale, most: int = _MOST) -> Ticks:
    """Round values along an axis, as many as have room, with the decimals that tell them apart."""
    return _fitting(scale, (tuple(_round_values(scale.low, scale.high, n)) for n in range(most, 0, -1)))


def decade_ticks(scale: Scale, name: Callable[[float], str]) -> Ticks:
    """Round values of an axis of decades, as many as have room."""

    def values(digits: Iterable[int], every: int = 1) -> Ticks:
        exponents = range(math.floor(math.log10(scale.low)), math.ceil(math.log10(scale.high)) + 1)
        found = (digit * 10.0**e for e in exponents if e % every == 0 for digit in digits)
        return tuple((value, name(value)) for value in found if scale.low <= value <= scale.high)

    whole = [values((1,), every) for every in (1, 2, 3, 6)]
    return _fitting(scale, [values((1, 2, 3, 5, 7)), values((1, 2, 5)), values((1, 3)), *whole])


def between_decades(scale: Scale) -> list[float]:
    """The values of an axis of decades that have a fine line of the grid."""
    exponents = range(math.floor(math.log10(scale.low)), math.ceil(math.log10(scale.high)) + 1)
    return [v for e in exponents for n in range(1, 10) if scale.low <= (v := n * 10.0**e) <= scale.high]


def _fitting(scale: Scale, offered: Iterable[Ticks]) -> Ticks:
    """The first of what is offered whose labels do not touch."""
    upright = scale.end < scale.start
    least: Ticks = ()
    for every in offered:
        found = tuple(t for t in every if upright or scale.at(t[0]) + width_of(t[1]) / 2.0 <= scale.end + RIGHT)
        wide = [1.5 * SMALL if upright else width_of(text) + _APART for _, text in found]
        places = [scale.at(value) for value, _ in found]
        if all(
            abs(b - a) >= (one + other) / 2.0
            for a, b, one, other in zip(places, places[1:], wide, wide[1:], strict=False)
        ):
            return found
        least = found[:1]
    return least


def _round_values(low: float, high: float, most: int) -> Iterator[tuple[float, str]]:
    span = (high - low) or 1.0
    decade = 10.0 ** math.floor(math.log10(span / most))
    step = next(nice * decade for nice in (1.0, 2.0, 2.5, 5.0, 10.0) if span / (nice * decade) <= most)
    decimals = next((n for n in range(8) if math.isclose(round(step, n), step)), 8)
    digits = 2 + max(math.ceil(math.log10(max(abs(low), abs(high), step) / step)), 0)
    for n in range(math.ceil(low / step), math.floor(high / step) + 1):
        plain = decimals < 8 and step < 1e5
        said = localised(f"{n * step:.{decimals}f}") if plain else shown.number(n * step, digits=digits)
        yield n * step, shown.minus(said)


def frame(axes: Axes, across: Ticks, up: Ticks, *, fine: Iterable[float] = (), named: bool = True) -> Iterator[str]:
    """The grid, the axes with their ticks, and the labels, those below them only if `named`."""
    left, top, right, bottom = axes.box()
    xs, ys = [axes.x.at(value) for value, _ in across], [axes.y.at(value) for value, _ in up]
    yield stroke("".join(f"M{axes.x.at(value):.1f} {top:.1f}V{bottom:.1f}" for value in fine), GRID, 0.3)
    lines = [f"M{x:.1f} {top:.1f}V{bottom:.1f}" for x in xs] + [f"M{left:.1f} {y:.1f}H{right:.1f}" for y in ys]
    yield stroke("".join(lines), GRID, 0.6)
    marks = [f"M{x:.1f} {bottom:.1f}v{_TICK}" for x in xs] + [f"M{left:.1f} {y:.1f}h-{_TICK}" for y in ys]
    yield stroke(f"M{left:.1f} {top:.1f}V{bottom:.1f}H{right:.1f}{''.join(marks)}", FAINT, 0.7)
    below = zip(xs, across, strict=True) if named else ()
    yield from (text(label, (x, bottom + 13.5), anchor="middle") for x, (_, label) in below)
    yield from (text(label, (left - 7.0, y + 3.0), anchor="end") for y, (_, label) in zip(ys, up, strict=True) if label)


def room_left(up: Ticks) -> float:
    """What the labels of an axis and its name take to its left."""
    return max(36.0, 22.0 + max((width_of(label) for _, label in up), default=0.0))


def name_left(name: str, axes: Axes) -> str:
    """The name of an axis, along it."""
    _, top, _, bottom = axes.box()
    return text(name, (9.0, (top + bottom) / 2.0), size=PLAIN, anchor="middle", angle=-90)


def name_below(name: str, axes: Axes) -> str:
    """The name of an axis, under its labels."""
    left, _, right, bottom = axes.box()
    return text(name, ((left + right) / 2.0, bottom + 27.0), size=PLAIN, anchor="middle")


# --- what is drawn -----------------------------------------------------------------------------------------------


def path(points: Iterable[Point]) -> str:
    """Straight from one point to the next."""
    return "M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in points)


def stroke(drawn: str, ink: Ink, width: float, more: str = "") -> str:
    """A path as a line."""
    return f'<path d="{drawn}" fill="none" stroke="{ink.light}" stroke-width="{width:g}"{more}/>' if drawn else ""


def line(points: Iterable[Point], ink: Ink, width: float, more: str = "") -> str:
    """A line through points."""
    return stroke(path(points), ink, width, more)


def area(points: Iterable[Point], ink: Ink) -> str:
    """What points enclose, filled."""
    return f'<path d="{path(points)}z" fill="{ink.light}"/>'


def box(one: Point, other: Point, ink: Ink) -> str:
    """A filled rectangle between two corners."""
    (left, right), (top, bottom) = (sorted((a, b)) for a, b in zip(one, other, strict=True))
    place = f'x="{left:.1f}" y="{top:.1f}" width="{right - left:.1f}" height="{bottom - top:.1f}"'
    return f'<rect {place} fill="{ink.light}"/>'


def mark(shape: Shape, at: Point, size: float) -> str:
    """A mark as a path; `size` is across."""
    (x, y), r = at, size / 2.0
    if shape == "round":
        return f"M{x - r:.1f} {y:.1f}a{r:g} {r:g} 0 1 0 {size:g} 0a{r:g} {r:g} 0 1 0 -{size:g} 0z"
    return path((x + r * dx, y + r * dy) for dx, dy in _OUTLINE[shape]) + "z"


def bar(one: Point, other: Point, cap: float = 2.0) -> str:
    """An interval as a path, upright or lying, with a stroke at both ends."""
    (x, y), (to_x, to_y) = one, other
    if x == to_x:
        ends = f"M{x - cap:.1f} {y:.1f}h{2 * cap:g}M{x - cap:.1f} {to_y:.1f}h{2 * cap:g}"
    else:
        ends = f"M{x:.1f} {y - cap:.1f}v{2 * cap:g}M{to_x:.1f} {to_y - cap:.1f}v{2 * cap:g}"
    return f"{ends}M{x:.1f} {y:.1f}L{to_x:.1f} {to_y:.1f}"


def arrows(one: Point, other: Point) -> str:
    """A line with an arrow at both ends, as a path."""
    long = math.dist(one, other) or 1.0
    dx, dy = ((b - a) / long for a, b in zip(one, other, strict=True))
    heads = (
        f"M{x + 4.0 * s * dx - 2.0 * dy:.1f} {y + 4.0 * s * dy + 2.0 * dx:.1f}L{x:.1f} {y:.1f}"
        f"L{x + 4.0 * s * dx + 2.0 * dy:.1f} {y + 4.0 * s * dy - 2.0 * dx:.1f}"
        for (x, y), s in ((one, 1.0), (other, -1.0))
    )
    return path((one, other)) + "".join(heads)


def datum(drawn: str, said: str) -> str:
    """A path that says what it stands for."""
    return f'<path d="{drawn}"><title>{escape(clean(said))}</title></path>'


def group(parts: Iterable[str], ink: Ink, *, fill: Ink | None, width: float = 1.0) -> str:
    """Paths in one colour, filled with another or with none."""
    inside = fill.light if fill is not None else "none"
    found = "\n".join(filter(None, parts))
    return f'<g stroke="{ink.light}" stroke-width="{width:g}" fill="{inside}">\n{found}\n</g>' if found else ""


def text(
    said: str, at: Point, *, ink: Ink = TEXT, size: float = SMALL, anchor: Literal["start", "middle", "end"] = "start",
    angle: float = 0.0, bold: bool = False,
) -> str:  # fmt: skip
    """Some words, at the foot of their letters."""
    x, y = at
    place = f'x="{x:.1f}" y="{y:.1f}" font-size="{size:.3g}px" fill="{ink.light}"'
    place += f' text-anchor="{anchor}"' * (anchor != "start") + ' font-weight="bold"' * bold
    place += f' transform="rotate({angle:g} {x:.1f} {y:.1f})"' if angle else ""
    return f"<text {place}>{escape(clean(said))}</text>"


def within(axes: Axes, parts: Iterable[str], key: str = "axes") -> str:
    """Parts of a picture, cut off at the axes; `key` is the axes' own within the picture."""
    left, top, right, bottom = axes.box()
    cut = f'<clipPath id="{key}"><path d="M{left:.1f} {top:.1f}H{right:.1f}V{bottom:.1f}H{left:.1f}z"/></clipPath>'
    found = "\n".join(filter(None, parts))
    return f'{cut}\n<g clip-path="url(#{key})">\n{found}\n</g>' if found else ""


def moved(by: Point, parts: Iterable[str]) -> str:
    """Parts of a picture, drawn about the origin, elsewhere."""
    return "\n".join((f'<g transform="translate({by[0]:.1f} {by[1]:.1f})">', *filter(None, parts), "</g>"))


def legend(entries: Sequence[tuple[str, str]], left: float, right: float) -> tuple[str, float]:
    """Symbols, drawn about the origin, with their names, line by line from the top; and the height that they take."""
    x, y, drawn = left, LINE / 2.0, []
    for symbol, label in entries:
        wide = _SYMBOL + 5.0 + width_of(label)
        if x > left and x + wide > right:
            x, y = left, y + LINE
        drawn += [moved((x + _SYMBOL / 2.0, y), [symbol]), text(label, (x + _SYMBOL + 5.0, y + 3.0))]
        x += wide + 12.0
    return "\n".join(drawn), (y + LINE / 2.0 if entries else 0.0) + 5.0


def drawing(width: float, height: float, parts: Iterable[str]) -> str:
    """A picture of its own."""
    size = f'width="{width:.1f}pt" height="{height:.1f}pt" viewBox="0 0 {width:.1f} {height:.1f}"'
    return "\n".join((f"<svg {ROOT} {size}>", *filter(None, parts), "</svg>\n"))
