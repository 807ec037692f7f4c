"""The report as an HTML page."""

from __future__ import annotations

from typing import TYPE_CHECKING

from harness.report import short
from harness.report.blocks import Figure, Page
from harness.report.markup import html
from harness.report.pages import pages
from harness.report.photographs import figures
from harness.report.plot_style import NARROW
from harness.report.plots import pictures, response_pictures
from harness.report.report_page import page

if TYPE_CHECKING:
    from collections.abc import Mapping

    from harness.report.model import Report


def short_page(report: Report) -> str:
    """The short form, with the responses as its only pictures."""
    return html(short.page(report, [Figure(picture=one) for one in response_pictures(report, width=NARROW)]))


def html_page(report: Report, *, point: str = "", photographs: Mapping[str, bytes] | None = None) -> str:
    """
    Render a report; the same report gives the same bytes.

    `point` names the result that is drawn closely; `photographs` are the files in the run's folder, by their names.
    """
    return html(_page(report, point, photographs or {}))


def html_pages(
    report: Report, name: str, *, point: str = "", photographs: Mapping[str, bytes] | None = None
) -> dict[str, str]:
    """The same as files by their names, the first of which is `name`: a large report is several."""
    return pages(_page(report, point, photographs or {}), name)


def _page(report: Report, point: str, photographs: Mapping[str, bytes]) -> Page:
    wide, narrow = pictures(report, point=point), pictures(report, width=NARROW, point=point)
    drawn = [Figure(picture=w, narrow=n) for w, n in zip(wide, narrow, strict=True)]
    return page(report, [*drawn, *figures(report, photographs)])
