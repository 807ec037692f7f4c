"""The pictures of a report, in the order of its parts.   [pure]"""

from __future__ import annotations

from typing import TYPE_CHECKING

from harness.report.budget_plot import budget_picture
from harness.report.chosen import as_found, named, worst, worst_of_parts
from harness.report.error_plot import by_series, drawable, error_picture
from harness.report.plot_style import WIDE, Picture
from harness.report.response_plot import response_picture
from harness.report.screen_plot import screen_picture

if TYPE_CHECKING:
    from collections.abc import Iterator

    from harness.report.model import PartResult, Report


def pictures(report: Report, *, width: float = WIDE, point: str = "") -> tuple[Picture, ...]:
    """Every picture of a report, in the order of its parts; `point` names the one that is looked at closely."""
    close = (named(report, point),) if point else worst_of_parts(report)
    budget = close[0] if point else worst(report)
    found: list[Picture] = []
    for n, part in enumerate(report.parts):
        for i, chosen in enumerate(each for each in close if each.part == n):
            screen = screen_picture(report, chosen, as_found(report, chosen.one), key=f"p{n}s{i}", width=width)
            found += [screen] if screen is not None else []
        found += _responses(report, part, n, width)
        found += _error_pictures(report, part, n, width)
        if budget is not None and budget.part == n:
            bars = budget_picture(report, budget, key=f"p{n}b0", width=width)
            found += [bars] if bars is not None else []
    return tuple(found)


def response_pictures(report: Report, *, width: float) -> tuple[Picture, ...]:
    """The responses alone."""
    return tuple(each for n, part in enumerate(report.parts) for each in _responses(report, part, n, width))


def _responses(report: Report, part: PartResult, n: int, width: float) -> Iterator[Picture]:
    for i, result in enumerate(result for result in part.results if result.curve is not None):
        yield response_picture(report, result, key=f"p{n}r{i}", part=n, width=width)


def _error_pictures(report: Report, part: PartResult, n: int, width: float) -> Iterator[Picture]:
    """The errors of a part by quantity, a few channels and paths to a picture, with those found before if known."""
    settings = [result for result in part.results if result.curve is None]
    for i, quantity in enumerate(dict.fromkeys(result.quantity for result in settings)):
        for j, results in enumerate(by_series([result for result in settings if result.quantity == quantity])):
            if drawable(results):
                found = [before for result in results if (before := as_found(report, result)) is not None]
                yield error_picture(report, results, found, key=f"p{n}e{i}{j or ''}", part=n, width=width)
