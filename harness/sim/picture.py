"""A screen as rows of text: graticule, and the trace in Braille patterns, two by four dots a character.   [pure]"""

from __future__ import annotations

import numpy as np

from harness.sim.sweep import when
from harness.sim.world import SimulatedScreen, SimulatedTrace

_DOTS = ((0x01, 0x02, 0x04, 0x40), (0x08, 0x10, 0x20, 0x80))  # by column and row, Unicode block 2800


def points(
    trace: SimulatedTrace, screen: SimulatedScreen, *, time_error: float, count: int = 601
) -> list[tuple[float, float]]:
    """Points of the trace in divisions from the centre; those outside the screen are left out."""
    half_x, half_y = screen.horizontal_div / 2, screen.vertical_div / 2
    x = np.linspace(-half_x, half_x, count)
    time_s = when(screen, x * screen.s_per_div / screen.magnifier / (1 + time_error))
    y = trace.divisions(trace.seen.volts(time_s, 0.0))
    return [(float(a), float(b)) for a, b in zip(x, y, strict=True) if abs(b) <= half_y]


def rows(trace: SimulatedTrace, screen: SimulatedScreen, *, time_error: float, width: int, height: int) -> list[str]:
    """The picture, `height` rows of `width` characters."""
    cells = np.zeros((height, width), int)
    half_x, half_y = screen.horizontal_div / 2, screen.vertical_div / 2
    last: int | None = None
    for x, y in points(trace, screen, time_error=time_error, count=8 * width):
        column = min(2 * width - 1, int((x + half_x) / (2 * half_x) * 2 * width))
        row = min(4 * height - 1, int((half_y - y) / (2 * half_y) * 4 * height))
        first = row if last is None or abs(row - last) > 2 * height else last
        for dot in range(min(first, row), max(first, row) + 1):  # join what a beam would draw
            cells[dot // 4, column // 2] |= _DOTS[column % 2][dot % 4]
        last = row
    upright, level = _lines(width, screen.horizontal_div), _lines(height, screen.vertical_div)
    return [
        "".join(_cell(int(cells[r, c]), on_x=c in upright, on_y=r in level) for c in range(width))
        for r in range(height)
    ]


def _cell(dots: int, *, on_x: bool, on_y: bool) -> str:
    if dots:
        return chr(0x2800 + dots)
    return "┼" if on_x and on_y else "·" if on_x or on_y else " "


def _lines(size: int, divisions: float) -> set[int]:
    """The characters that a graticule line falls into."""
    count = round(divisions)
    return {round(line * (size - 1) / count) for line in range(count + 1)}
