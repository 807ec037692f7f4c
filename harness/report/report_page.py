"""A report as blocks, in the order of a page, of a terminal and of paper.   [pure]

The same blocks stand in all three. A page has the tables first and what stands behind them below; paper has each part
in one piece, and a terminal is read from its end.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Final

from harness.report import blocks as b
from harness.report import budgets, footnotes, parts, rest, shown
from harness.words.clean import shortened
from harness.words.language import day, tr, tr_later

if TYPE_CHECKING:
    from harness.report.model import Report

FIRST: Final = ((tr_later("Unit under test"), "Customer", "Work"), ("Laboratory", "Report", "Conditions"))  # of paper
_MARGIN_TEXT: Final = 45  # characters of a name in the margin of a page
_TITLE: Final = (120, 60)


def page(report: Report, figures: Sequence[b.Figure]) -> b.Page:
    """The report as one page."""
    unit, serial = report.setup.unit, report.setup.job.serial
    whole, short = _TITLE
    name = tr("{unit} no. {serial}", unit=f"{unit.maker} {unit.model}", serial=serial)
    in_full = shortened(name, len(name) - len(serial) + short)
    number = tr("Report {number}", number=report.number)
    return b.Page(
        title=f"{shortened(report.title, whole)} – {in_full} – {report.number}",
        heading=report.title,
        beside=tr("Report {number}, issued {value}", number=report.number, value=day(report.issued) or tr("not yet")),
        program=report.program,
        running=f"{shortened(name, _MARGIN_TEXT)} · {shortened(number, _MARGIN_TEXT)}",
        marks=shown.marks(report),
        blocks=tuple(_on_a_page(report, figures)),
        footer=rest.statements(report),
    )


def answer(report: Report) -> b.Answer:
    """The verdict in one sentence, and what to do next."""
    (overall,), found = b.word(report.overall), report.adjustment
    return b.Answer(
        title=tr("Report {number}", number=report.number),
        word=overall,
        said=(report.sentence,),
        next_step=b.paragraph(report.next_step),
        found=(*b.word(found.overall), b.Span(text=f" {found.sentence}")) if found is not None else (),
    )


def _on_a_page(report: Report, figures: Sequence[b.Figure]) -> Iterator[b.Block]:
    known = budgets.keys(report)
    more = [(n, part, tuple(parts.behind(part, _of_part(figures, n)))) for n, part in enumerate(report.parts)]
    sections = [
        *_adjustment(report),
        b.Section(title=tr("Results"), key="results", blocks=tuple(
            parts.part_section(part, f"part{n}", parts.results(report, part, known))
            for n, part in enumerate(report.parts)
        )),
        b.Section(title=tr("Responses, further results and pictures"), key="more", blocks=tuple(
            b.Section(title=part.title, key=f"more{n}", blocks=some) for n, part, some in more if some
        )),
        b.Section(title=tr("Particulars"), key="particulars", blocks=(
            *rest.groups(report.facts), *rest.not_stated(report),
        )),
        rest.standards(report), rest.method(report), rest.deviations(report), rest.checklist(report),
        budgets.in_full(report), rest.signatures(report),
    ]  # fmt: skip
    yield answer(report)
    yield _glance(report)
    yield b.Links(entries=tuple(
        (each.key, each.title) for section in sections
        for each in (section, *(section.blocks if section.key == "results" else ())) if isinstance(each, b.Section)
    ))  # fmt: skip
    yield parts.overview(report)
    yield from parts.by_eye(report)
    yield from parts.left_open(report)
    yield from sections


def on_terminal(report: Report) -> Iterator[b.Block]:
    """The report as a terminal is read: from its end."""
    overall = b.word(report.overall)
    yield b.paragraph((b.Span(text=tr("Report {number}: ", number=shortened(report.number, 60))), *overall))
    yield from rest.groups(report.facts)
    yield from rest.not_stated(report)
    yield from (rest.standards(report), rest.checklist(report), rest.named_statements(report), rest.signatures(report))
    for part in report.parts:
        yield parts.part_section(part, "", (*parts.results(report, part, {}), *parts.behind(part)))
    yield from _adjustment(report)
    yield from parts.by_eye(report)
    yield from parts.left_open(report)
    if report.deviations or report.notes:
        yield rest.deviations(report)
    yield answer(report)


def certificate(report: Report, opinion: str = "") -> Iterator[b.Block]:
    """What is signed, below what its first page says: results with U, conformity, traceability."""
    overview = replace(parts.overview(report), caption="")
    yield b.Section(title=tr("Overview"), blocks=(overview, *parts.by_eye(report), *parts.left_open(report)))
    yield from footnotes.gathered((
        *_adjustment(report),
        *(parts.part_section(part, "", (*parts.results(report, part, {}), *parts.in_words(part)))
          for part in report.parts),
    ))  # fmt: skip
    first = {title for titles in FIRST for title in titles}
    yield from rest.groups([group for group in report.facts if group.title not in first])
    yield from rest.not_stated(report)
    yield from (rest.standards(report), rest.deviations(report))
    if opinion:
        note = tr("of the laboratory, and no part of the statement of conformity")
        yield b.Section(title=tr("Opinion"), note=note, blocks=(b.paragraph(opinion),))
    yield rest.signatures(report)


def annex(report: Report, figures: Sequence[b.Figure]) -> Iterator[b.Block]:
    """What the results rest on: pictures, method, checklist, readings and budgets."""
    for n, part in enumerate(report.parts):
        if some := _of_part(figures, n):
            yield b.Section(title=part.title, note=tr("pictures"), blocks=tuple(some))
    yield from (rest.method(report), rest.checklist(report))
    yield from budgets.on_paper(report)


def _adjustment(report: Report) -> Iterator[b.Section]:
    if report.adjustment is not None:
        yield parts.adjustment(report, report.adjustment)


def _of_part(figures: Sequence[b.Figure], n: int) -> list[b.Figure]:
    return [figure for figure in figures if figure.picture.part == n]


def _glance(report: Report) -> b.Facts:
    """What the report is of, in a few lines."""
    job = report.setup.job
    said = [
        (
            tr("Unit under test"),
            shown.unit_named(report),
        )
    ]
    if job.customer or job.customer_reference:
        reference = f" ({job.customer_reference})" if job.customer_reference else ""
        said += [("Customer", f"{job.customer}{reference}")]
    by = tr(" by {operator}", operator=job.operator) if job.operator else ""
    said += [
        (
            "Measured",
            tr(
                "{started} to {ended}{by}",
                started=shown.moment(report.started),
                ended=shown.moment(report.ended),
                by=by,
            ),
        )
    ]
    return b.facts(said)
