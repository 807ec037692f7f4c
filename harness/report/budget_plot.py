"""A picture of a budget: what each source contributes to the uncertainty of one result, and what they make together."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from harness.report import shown
from harness.report.chosen import name_of
from harness.report.plot_style import FAINT, LIMIT, SERIES, TEXT, Picture, drawing, to_svg
from harness.words.clean import shortened

if TYPE_CHECKING:
    from collections.abc import Iterable

    from matplotlib.axes import Axes

    from harness.report.chosen import Chosen
    from harness.report.model import Report, Result

_LINE_IN: Final = 0.36  # a bar with its name above it
_MOST_LINES: Final = 14
_FAR: Final = 2.5  # expanded uncertainties at which a tolerance is told in words, for it would leave the bars no room
_NEGLIGIBLE: Final = 1e-3  # of the combined uncertainty


@dataclass(frozen=True, slots=True, kw_only=True)
class Bars:
    """The lines of a budget in the unit of its result, largest first, and their sum with its coverage factor."""

    lines: tuple[tuple[str, float], ...]
    combined: float
    expanded: float
    k: float
    half_width: float | None  # of the limits, if they have two sides
    unit: str


def bars_of(result: Result) -> Bars | None:
    """The budget of a result; None where it has none."""
    s, budget = result.statement, result.budget
    if s is None or budget is None:
        return None
    scale, unit = shown.scale_of(s.unit, s.estimate)
    half_width = None if result.limits is None else result.limits.half_width
    return Bars(
        lines=_sorted((line.name, abs(line.contribution) / scale) for line in budget.contributions),
        combined=s.u / scale, expanded=s.expanded / scale, k=s.k,
        half_width=None if half_width is None else half_width / scale, unit=unit,
    )  # fmt: skip


def _sorted(lines: Iterable[tuple[str, float]]) -> tuple[tuple[str, float], ...]:
    return tuple(sorted(lines, key=lambda line: -line[1]))


def budget_picture(report: Report, chosen: Chosen, *, key: str, width_in: float) -> Picture | None:
    """Draw the budget of a result as bars; None where it has none."""
    bars = bars_of(chosen.one)
    if bars is None:
        return None
    kept = [line for line in bars.lines if line[1] > _NEGLIGIBLE * bars.combined]
    kept, dropped = kept[:_MOST_LINES], len(bars.lines) - len(kept[:_MOST_LINES])
    rows = len(kept) + 2
    with drawing(width_in, _LINE_IN * rows + 0.72, margins_in=(0.2, 0.7, 0.24, 0.46)) as figure:
        axes = figure.subplots()
        sums = (("combined, u", bars.combined), (f"expanded, U = k·u with k = {bars.k:.2f}", bars.expanded))
        colours = [SERIES[0].light] * len(kept) + [FAINT.light, TEXT.light]
        longest = int((width_in - 0.3) / 0.066)
        for n, ((name, value), colour) in enumerate(zip((*kept, *sums), colours, strict=True)):
            _bar(axes, n, (shortened(name, longest), value, _amount(value, bars)), colour)
        axes.axhline(len(kept) - 0.66, color=FAINT.light, linewidth=0.6)
        most = max(bars.expanded, *(value for _, value in kept))
        if bars.half_width is not None:
            far = bars.half_width > _FAR * bars.expanded
            most = most if far else max(most, bars.half_width)
            _tolerance(axes, bars, at=most if far else bars.half_width, far=far)
        axes.set(ylim=(rows - 0.4, -0.75), xlim=(0.0, 1.02 * most or 1.0), yticks=[])
        axes.spines["left"].set_visible(True)
        axes.grid(visible=False, axis="y")
        unit = shortened(bars.unit, 12)
        axes.set_xlabel(f"uncertainty, {unit}" if unit else "uncertainty")
        svg = to_svg(figure)
    name = name_of(report, chosen.one)
    said = [f"{line}: {_amount(value, bars)}" for line, value in kept]
    rest = f" {dropped} further lines are smaller." if dropped else ""
    return Picture(
        key=key, part=chosen.part, svg=svg, caption=f"Budget: {name}",
        alt=f"Bars of what each source contributes to the uncertainty of {name}. {'; '.join(said)}. Combined: "
        f"{_amount(bars.combined, bars)}; expanded with k = {bars.k:.2f}: {_amount(bars.expanded, bars)}.{rest}",
    )  # fmt: skip


def _tolerance(axes: Axes, bars: Bars, *, at: float, far: bool) -> None:
    """The tolerance as a line, or in words where it lies far beyond the bars."""
    if not far:
        axes.axvline(at, color=LIMIT.light, linewidth=1.3)
    axes.annotate(
        f"tolerance {shown.number(bars.half_width, bars.unit)}" + (", beyond this axis →" if far else ""), (at, -0.75),
        xytext=(0, 2), textcoords="offset points", ha="right" if far else "center", va="bottom", fontsize=8.5,
        color=LIMIT.light,
    )  # fmt: skip


def _amount(value: float, bars: Bars) -> str:
    return shown.rounded(value, bars.unit)


def _bar(axes: Axes, n: int, said: tuple[str, float, str], colour: str) -> None:
    """A bar with its name above and its value at its end."""
    name, value, amount = said
    axes.barh([n + 0.1], [value], height=0.34, color=colour, linewidth=0)
    offset: Any = {"textcoords": "offset points", "fontsize": 8.5, "annotation_clip": False}
    axes.annotate(name, (0.0, n - 0.14), xytext=(3, 0), va="bottom", **offset)
    axes.annotate(amount, (value, n + 0.1), xytext=(4, 0), va="center", **offset)
