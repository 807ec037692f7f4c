"""The report as one HTML page: nothing outside the file, no script, every text escaped."""

from __future__ import annotations

import re
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from harness.quantities import counted
from harness.report import checklist, pairs, shown
from harness.report.plot_style import INKS, themed
from harness.report.plots import NARROW_IN, pictures
from harness.words.clean import clean, shortened

if TYPE_CHECKING:
    from collections.abc import Mapping

    from harness.report.model import Report

TEMPLATES: Final = Path(__file__).parent / "templates"
_MARGIN_TEXT: Final = 90  # characters that one line of a page's margin holds


def html_page(report: Report, *, point: str = "") -> str:
    """Render a report; the same report gives the same bytes. `point` names the result that is drawn closely."""
    return (
        environment()
        .get_template("report.html.j2")
        .render(
            report=report,
            setup=report.setup,
            job=report.setup.job,
            unit=report.setup.unit,
            bench=report.setup.bench,
            marks=shown.marks(report),
            plots=_plots(report, point),
            budget_ids=_budget_ids(report),
            css=_css(report),
        )
    )


@cache
def environment() -> Environment:
    """The templates, escaping everything that is no markup of theirs."""
    environment = Environment(
        loader=FileSystemLoader(TEMPLATES), autoescape=True, undefined=StrictUndefined, trim_blocks=True,
        lstrip_blocks=True, keep_trailing_newline=True, finalize=_finalize,
    )  # fmt: skip
    environment.globals.update(
        shown=shown, pairs=pairs, checklist=checklist, counted=counted, budget_key=id, shortened=shortened
    )
    return environment


def _finalize(value: Any) -> Any:
    return clean(value) if isinstance(value, str) and not isinstance(value, Markup) else value


def _plots(report: Report, point: str) -> Mapping[str, tuple[Mapping[str, Any], ...]]:
    """Every picture twice, for wide and narrow screens, by the part it belongs to."""
    found: dict[str, list[Mapping[str, Any]]] = {}
    for wide, narrow in zip(
        pictures(report, point=point), pictures(report, width_in=NARROW_IN, point=point), strict=True
    ):
        found.setdefault(f"p{wide.part}", []).append(
            {
                "key": wide.key, "caption": wide.caption, "alt": wide.alt,
                "wide": inline(wide.svg, f"{wide.key}w"), "narrow": inline(narrow.svg, f"{narrow.key}n"),
            }
        )  # fmt: skip
    return {part: tuple(some) for part, some in found.items()}


def inline(svg: str, prefix: str) -> Markup:
    """Make a drawing part of the page: sized by the page, hidden from listeners, who get its words instead."""
    drawing = re.sub(r' (?:width|height)="[0-9.]+pt"', "", themed(svg, prefix), count=2)
    return Markup(drawing)  # matplotlib has escaped the texts in it


def _budget_ids(report: Report) -> Mapping[int, str]:
    """An anchor for every budget, in the order of the report."""
    results = [result for part in report.parts for result in part.results if result.budget is not None]
    return {id(result): f"b{n}" for n, result in enumerate(results, start=1)}


def css_string(text: str) -> str:
    """Write any text as a CSS string: only plain letters and digits stay, the rest as code points."""
    body = "".join(c if c.isascii() and c.isalnum() else f"\\{ord(c):06x}" for c in clean(text))
    return f'"{body}"'


def _css(report: Report) -> Markup:
    unit = report.setup.unit
    header = (
        shortened(f"{unit.maker} {unit.model} no. {report.setup.job.serial}", _MARGIN_TEXT // 2)
        + " · "
        + shortened(f"Report {report.number}", _MARGIN_TEXT // 2)
    )
    return style_sheet(header=header, marks=" · ".join(shown.marks(report)).upper())


def style_sheet(*, header: str, marks: str) -> Markup:
    """The style sheet, the plots' colours, and what stands in the margins of every page; data only by `css_string`."""
    light = "".join(f"--{ink.name}:{ink.light};" for ink in INKS)
    dark = "".join(f"--{ink.name}:{ink.dark};" for ink in INKS)
    css = (TEMPLATES / "report.css").read_text(encoding="utf-8")
    css = css.replace("/*LIGHT*/", light).replace("/*DARK*/", dark)
    for name, text in (("HEADER", shortened(header, _MARGIN_TEXT + 3)), ("MARKS", marks)):
        css = css.replace(f'"{name}"', css_string(text))
    return Markup(css)
