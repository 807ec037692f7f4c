"""A response as a chart of characters: readings, fitted curve, half-power line; braille dots, or ASCII.

It is used while the response builds up as well as at the end, so it draws whatever there is.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Final

from rich.text import Text

from harness.quantities import HALF_POWER_DB, show
from harness.words.spelling import carries, spelt

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from rich.console import Console, ConsoleOptions, RenderResult

_DOTS: Final = ((0x01, 0x02, 0x04, 0x40), (0x08, 0x10, 0x20, 0x80))  # of a braille cell: column, row (Unicode 2800)
_BRAILLE: Final = 0x2800
_OF_THE_CURVE: Final = 0x100
_LABEL: Final = 7  # characters left of the axis
_FLOOR_DB: Final = -9.0
_NARROWEST: Final = 24
_LOWEST: Final = 5
_LEAST_DECADES: Final = 0.7


@dataclass(frozen=True, slots=True, kw_only=True)
class ResponseChart:
    """A chart that fits itself to the console it is shown on; readings and fitted curve are pairs of Hz and dB."""

    readings: tuple[tuple[float, float], ...]
    fitted: tuple[tuple[float, float], ...] = ()
    half_power_hz: float | None = None
    rated_hz: float | None = None
    drop_db: float = HALF_POWER_DB
    width: int | None = None
    height: int = 12

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        """Draw in the width and the characters that the console has."""
        width = min(self.width or options.max_width, options.max_width)
        yield from self.lines(width=width, encoding=options.encoding)

    def lines(self, *, width: int, encoding: str = "utf-8") -> tuple[Text, ...]:
        """The chart as lines of text, none longer than `width`."""
        points = list(_real(self.readings))
        if not points or width < _NARROWEST:
            return (Text("no response yet" if not points else "too narrow for a chart"),)
        return _Drawing.of(self, points, width=width, braille=carries("⣿", encoding), encoding=encoding).lines()


def _real(pairs: Iterable[tuple[float, float]]) -> Iterator[tuple[float, float]]:
    return ((f, y) for f, y in pairs if f > 0 and math.isfinite(f) and math.isfinite(y))


@dataclass(slots=True, kw_only=True)
class _Drawing:
    """The chart being drawn: dots under characters, and the scales that place them."""

    chart: ResponseChart
    points: list[tuple[float, float]]
    columns: int
    rows: int
    log_low: float
    log_high: float
    bottom_db: float
    top_db: float
    braille: bool
    encoding: str

    @classmethod
    def of(
        cls, chart: ResponseChart, points: list[tuple[float, float]], *, width: int, braille: bool, encoding: str
    ) -> _Drawing:
        """Choose the scales from what there is to draw."""
        logs = [math.log10(f) for f in [*(f for f, _ in points), *([chart.rated_hz] if chart.rated_hz else [])]]
        spare = max(0.0, (_LEAST_DECADES - (max(logs) - min(logs))) / 2.0)
        levels = [y for _, y in points]
        return cls(
            chart=chart, points=points, columns=width - _LABEL - 2, rows=max(chart.height, _LOWEST) - 2,
            log_low=min(logs) - spare, log_high=max(logs) + spare, top_db=max(*levels, 0.0, 0.0) + 0.5,
            bottom_db=max(min(*levels, -chart.drop_db - 1.0), _FLOOR_DB) - 0.5, braille=braille, encoding=encoding,
        )  # fmt: skip

    def x(self, frequency_hz: float) -> float:
        """Place of a frequency, 0 at the left to 1 at the right."""
        return (math.log10(frequency_hz) - self.log_low) / (self.log_high - self.log_low)

    def y(self, level_db: float) -> float:
        """Place of a level, 0 at the top to 1 at the bottom."""
        return (self.top_db - level_db) / (self.top_db - self.bottom_db)

    def cell(self, frequency_hz: float, level_db: float) -> tuple[int, int]:
        """Column and row of a reading; below the chart is the bottom row."""
        column = round(self.x(frequency_hz) * (self.columns - 1))
        return column, min(max(int(self.y(level_db) * self.rows), 0), self.rows - 1)

    def lines(self) -> tuple[Text, ...]:
        """Every line of the chart, the axis last."""
        lines = self._canvas()
        top_db = self.top_db - 0.5
        labels = {self.cell(10**self.log_low, top_db)[1]: f"{top_db:.1f} dB"} if top_db >= 0.1 else {}
        labels[self.cell(10**self.log_low, 0.0)[1]] = "0 dB"
        labels[self.cell(10**self.log_low, -self.chart.drop_db)[1]] = f"−{self.chart.drop_db:.2f}"
        labels.setdefault(self.rows - 1, f"−{-self.bottom_db:.3g}")
        drawn = []
        for row, line in enumerate(lines):
            label = spelt(labels.get(row, "").rjust(_LABEL), self.encoding)[-_LABEL:]
            drawn.append(Text.assemble((label, "dim"), (self._sign(" │", " |"), "dim"), line))
        corner = self._sign("└" + "─" * self.columns, "+" + "-" * self.columns)
        drawn.append(Text(" " * (_LABEL + 1) + corner, style="dim"))
        drawn.append(Text(" " * (_LABEL + 2) + self._frequencies(), style="dim"))
        return tuple(drawn)

    def _canvas(self) -> list[Text]:
        dots = self._dots()
        marks = self._marks()
        lines = []
        for row in range(self.rows):
            line = Text()
            for column in range(self.columns):
                if (column, row) in marks:
                    line.append(*marks[column, row])
                else:
                    line.append(self._of_dots(dots.get((column, row), 0)), "cyan")
            lines.append(line)
        return lines

    def _marks(self) -> dict[tuple[int, int], tuple[str, str]]:
        """The rating, then readings, the last one bold, and the half-power point."""
        marks: dict[tuple[int, int], tuple[str, str]] = {}
        if self.chart.rated_hz is not None:
            column, _ = self.cell(self.chart.rated_hz, 0.0)
            marks = {(column, row): (self._sign("┊", ":"), "dim") for row in range(self.rows)}
        for n, (f, level_db) in enumerate(self.points):
            below = level_db < self.bottom_db
            sign = self._sign("▾", "v") if below else self._sign("●", "o")
            marks[self.cell(f, level_db)] = (sign, "bold yellow" if n == len(self.points) - 1 else "bold")
        half = self.chart.half_power_hz
        if half is not None and 0.0 <= self.x(half) <= 1.0:
            marks[self.cell(half, -self.chart.drop_db)] = (self._sign("◆", "X"), "bold magenta")
        return marks

    def _dots(self) -> dict[tuple[int, int], int]:
        """The half-power line, dotted, and the fitted curve as braille bits."""
        bits: dict[tuple[int, int], int] = {}
        for mark, dots in ((0, self._line()), (_OF_THE_CURVE, self._curve())):
            for x, y in dots:
                bits[x // 2, y // 4] = bits.get((x // 2, y // 4), 0) | _DOTS[x % 2][y % 4] | mark
        return bits

    def _line(self) -> Iterator[tuple[int, int]]:
        y = int(self.y(-self.chart.drop_db) * self.rows * 4)
        return ((x, y) for x in range(0, self.columns * 2, 3))

    def _curve(self) -> Iterator[tuple[int, int]]:
        wide, tall = self.columns * 2, self.rows * 4
        inside = [
            (self.x(f) * (wide - 1), self.y(db) * tall) for f, db in _real(self.chart.fitted) if 0 <= self.x(f) <= 1
        ]
        for (x0, y0), (x1, y1) in pairwise(inside):
            steps = max(1, round(max(abs(x1 - x0), abs(y1 - y0))))
            for n in range(steps + 1):
                x, y = x0 + (x1 - x0) * n / steps, y0 + (y1 - y0) * n / steps
                if 0 <= y < tall:
                    yield round(x), int(y)

    def _of_dots(self, bits: int) -> str:
        if self.braille:
            return chr(_BRAILLE + (bits & 0xFF)) if bits else " "
        return "." if bits & _OF_THE_CURVE else "-" if bits else " "

    def _sign(self, best: str, plain: str) -> str:
        return best if carries(best, self.encoding) else plain

    def _frequencies(self) -> str:
        """Labels of the frequency axis, none over another: the rating, whole decades, 2 and 5, then what fits."""
        taken = [" "] * self.columns
        decades = range(math.floor(self.log_low), math.ceil(self.log_high) + 1)
        ticks = [m * 10.0**d for m in (1, 2, 5, 3, 7, 1.5, 4, 6, 8) for d in decades]
        for f in ([self.chart.rated_hz] if self.chart.rated_hz else []) + ticks:
            if not 0.0 <= self.x(f) <= 1.0:
                continue
            label = spelt(show(f, "Hz", 3), self.encoding)
            start = min(max(round(self.x(f) * (self.columns - 1)) - len(label) // 2, 0), self.columns - len(label))
            around = taken[max(start - 2, 0) : start + len(label) + 2]
            if start >= 0 and all(c == " " for c in around):
                taken[start : start + len(label)] = label
        return "".join(taken).rstrip()
