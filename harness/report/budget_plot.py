"""A picture of a budget: what each source contributes to the uncertainty of one result, and what they make together."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from harness.report import shown, svg
from harness.report.chosen import name_of
from harness.report.plot_style import FAINT, LIMIT, SERIES, TEXT, Picture
from harness.words.clean import shortened
from harness.words.language import tr

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from harness.report.chosen import Chosen
    from harness.report.model import Report, Result

_LINE: Final = 25.9  # a bar with its name above it
_BAR: Final = 9.0
_TOP: Final = 17.3
_BELOW: Final = 33.1
_LEFT: Final = 14.4
_RIGHT: Final = 50.4  # for the value of the longest bar
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
        lines=_sorted((tr(line.name), abs(line.contribution) / scale) for line in budget.contributions),
        combined=s.u / scale, expanded=s.expanded / scale, k=s.k,
        half_width=None if half_width is None else half_width / scale, unit=unit,
    )  # fmt: skip


def _sorted(lines: Iterable[tuple[str, float]]) -> tuple[tuple[str, float], ...]:
    return tuple(sorted(lines, key=lambda line: -line[1]))


def budget_picture(report: Report, chosen: Chosen, *, key: str, width: float) -> Picture | None:
    """Draw the budget of a result as bars; None where it has none."""
    bars = bars_of(chosen.one)
    if bars is None:
        return None
    kept = [line for line in bars.lines if line[1] > _NEGLIGIBLE * bars.combined]
    kept, dropped = kept[:_MOST_LINES], len(bars.lines) - len(kept[:_MOST_LINES])
    name = name_of(report, chosen.one)
    said = [f"{line}: {_amount(value, bars)}" for line, value in kept]
    rest = tr(" {dropped} further lines are smaller.", dropped=dropped) if dropped else ""
    return Picture(
        key=key, part=chosen.part, svg=_drawing(bars, kept, width), caption=tr("Budget: {name}", name=name),
        alt=tr(
            "Bars of what each source contributes to the uncertainty of {name}. {said}. Combined: "
            "{combined}; expanded with k = {k:.2f}: {expanded}.{rest}",
            name=name, said="; ".join(said), combined=_amount(bars.combined, bars), k=bars.k,
            expanded=_amount(bars.expanded, bars), rest=rest
        ),
    )  # fmt: skip


def _drawing(bars: Bars, kept: Sequence[tuple[str, float]], width: float) -> str:
    far = bars.half_width is not None and bars.half_width > _FAR * bars.expanded
    most = max(bars.expanded, 0.0 if far else bars.half_width or 0.0, *(value for _, value in kept), 0.0)
    bottom = _TOP + _LINE * (len(kept) + 2)
    axes = svg.Axes(
        x=svg.Scale(low=0.0, high=1.02 * most or 1.0, start=_LEFT, end=width - _RIGHT),
        y=svg.Scale(low=len(kept) + 2.0, high=0.0, start=bottom, end=_TOP),
    )
    unit, between = shortened(bars.unit, 12), axes.y.at(len(kept))
    return svg.drawing(width, bottom + _BELOW, [
        *svg.frame(axes, svg.ticks(axes.x, 6), ()),
        svg.line(((_LEFT, between), (axes.x.end, between)), FAINT, 0.6),
        *_bars(axes, bars, kept, int((width - 22.0) / 4.75)),
        *_tolerance(axes, bars, at=most if far else bars.half_width, far=far),
        svg.name_below(tr("uncertainty, {unit}", unit=unit) if unit else tr("uncertainty"), axes),
    ])  # fmt: skip


def _bars(axes: svg.Axes, bars: Bars, kept: Sequence[tuple[str, float]], longest: int) -> Iterator[str]:
    """Each with its name above and its value at its end; the sums below the lines."""
    sums = ((tr("combined, u"), bars.combined), (tr("expanded, U = k·u with k = {k:.2f}", k=bars.k), bars.expanded))
    inks = [SERIES[0]] * len(kept) + [FAINT, TEXT]
    for n, ((name, value), ink) in enumerate(zip((*kept, *sums), inks, strict=True)):
        x, y = axes.at(value, n + 1.0)
        yield svg.box((_LEFT, y - 2.0 - _BAR), (x, y - 2.0), ink)
        yield svg.text(shortened(name, longest), (_LEFT + 3.0, y - _BAR - 5.5))
        yield svg.text(_amount(value, bars), (x + 4.0, y - 3.5))


def _tolerance(axes: svg.Axes, bars: Bars, *, at: float | None, far: bool) -> Iterator[str]:
    """The tolerance as a line, or in words where it lies far beyond the bars."""
    if at is None:
        return
    x, said = axes.x.at(at), tr("tolerance {half_width}", half_width=shown.number(bars.half_width, bars.unit))
    if far:
        yield svg.text(said + tr(", beyond this axis →"), (x, _TOP - 4.0), ink=LIMIT, anchor="end")
    else:
        yield svg.line(((x, _TOP), (x, axes.y.start)), LIMIT, 1.3)
        half = svg.width_of(said) / 2.0
        x = max(min(x, axes.x.end + _RIGHT - half), half)
        yield svg.text(said, (x, _TOP - 4.0), ink=LIMIT, anchor="middle")


def _amount(value: float, bars: Bars) -> str:
    return shown.rounded(value, bars.unit)
