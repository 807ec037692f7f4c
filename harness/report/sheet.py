"""The report as it is printed: plain words first, then the unit, then the tables a technician wants.   [pure]"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Final

from harness.report import shown
from harness.report.pairs import change_text, pair_groups, pair_name
from harness.report.sheet_blocks import (
    Block,
    Bullets,
    Cell,
    Figure,
    Group,
    Heading,
    Paragraph,
    Row,
    Sheet,
    Table,
    columns,
    row,
    word_cell,
)
from harness.report.sheet_rest import conformity, rest
from harness.words.clean import shortened

if TYPE_CHECKING:
    from harness.report.model import Adjustment, FactGroup, Pair, PartResult, Report, Result
    from harness.report.plot_style import Picture

_MARGIN_TEXT: Final = 52  # characters of a name in the margin of a page
_FIRST_PAGE: Final = (("Unit under test", "Customer", "Work"), ("Laboratory", "Report", "Conditions"))


def sheet(report: Report, pictures: Sequence[Picture] = ()) -> Sheet:
    """Lay a report out; the pictures come under the part that they belong to."""
    unit, job = report.setup.unit, report.setup.job
    return Sheet(
        title=report.title,
        subject=f"{unit.maker} {unit.model}, no. {job.serial}",
        laboratory=job.laboratory,
        number=report.number,
        issued=report.issued,
        overall=word_cell(report.overall),
        sentence=report.sentence,
        next_step=report.next_step,
        found=report.adjustment.sentence if report.adjustment is not None else "",
        running=f"{shortened(f'{unit.maker} {unit.model}', _MARGIN_TEXT)}, no. {shortened(job.serial, _MARGIN_TEXT)}",
        marks=shown.marks(report),
        groups=tuple(
            tuple(_group(group) for title in titles for group in report.facts if group.title == title)
            for titles in _FIRST_PAGE
        ),
        blocks=tuple(_blocks(report, pictures)),
        statements=tuple(statement.text for statement in report.statements),
    )


def _group(group: FactGroup) -> Group:
    return Group(title=group.title, entries=tuple((fact.name, fact.text) for fact in group.facts))


def _blocks(report: Report, pictures: Sequence[Picture]) -> Iterator[Block]:
    yield from _overview(report)
    if report.adjustment is not None:
        yield from _adjustment(report, report.adjustment)
    for n, part in enumerate(report.parts):
        yield from _part(report, part, [picture for picture in pictures if picture.part == n])
    on_first = {title for titles in _FIRST_PAGE for title in titles}
    yield from conformity([_group(group) for group in report.facts if group.title not in on_first], report.not_stated)
    yield from rest(report)


# --- at a glance -------------------------------------------------------------------------------------------------


def _overview(report: Report) -> Iterator[Block]:
    yield Heading(text="Overview")
    yield Table(
        columns=columns(("Part", 2.0), ("Results", 3.4), ("Verdicts", 2.4), ("Finished", 0.8)),
        rows=tuple(
            row(
                Cell(text=part.title, strong=True),
                "; ".join(shown.overview(part)) or "–",
                ", ".join(f"{n} {shown.SIGN[word]} {word}" for word, n in shown.tally(part)) or "nothing to judge",
                "yes" if part.finished else "no",
            )
            for part in report.parts
        ),
    )
    if not_passed := shown.not_passed(report):
        yield Heading(text="What did not pass", level=2)
        yield Bullets(entries=tuple(_said(word, text) for word, text in not_passed))
    if missing := shown.not_measured(report):
        yield Heading(text="What was not measured", level=2)
        yield Bullets(entries=tuple(Cell(text=text) for text in missing))


def _said(word: str, text: str) -> Cell:
    return Cell(text=text, sign=f"{shown.SIGN[word]} {word}", kind=shown.KIND[word])


# --- as found and as left ----------------------------------------------------------------------------------------


def _adjustment(report: Report, adjustment: Adjustment) -> Iterator[Block]:
    yield Heading(text="As found and as left")
    yield Paragraph(text=adjustment.summary)
    for group in pair_groups(adjustment):
        yield Heading(text=shown.group_title(report, group), level=2, note="as found and as left")
        yield _pairs("Setting", [_pair(pair_name(group, pair), pair) for pair in group.pairs])


def _pairs(place: str, rows: Sequence[Row]) -> Table:
    return Table(
        columns=columns(
            (place, 1.3), (">As found", 2.0), ("Verdict", 1.2), (">As left", 2.0), ("Verdict", 1.2), (">Limits", 1.5),
            (">Change", 1.8), ("Changed", 1.8),
        ),
        rows=tuple(rows),
    )  # fmt: skip


def _pair(name: str, pair: Pair) -> Row:
    result = pair.either
    return row(
        Cell(text=name, strong=True), shown.stated_text(pair.found), _word_of(pair.found),
        shown.stated_text(pair.left), _word_of(pair.left), shown.limits_text(result.limits, result.result_unit),
        change_text(pair), pair.word,
    )  # fmt: skip


def _word_of(result: Result | None) -> Cell | str:
    return "–" if result is None else word_cell(result.word)


# --- parts -------------------------------------------------------------------------------------------------------


def _part(report: Report, part: PartResult, pictures: Sequence[Picture]) -> Iterator[Block]:
    yield Heading(text=part.title)
    if not part.finished:
        yield Paragraph(text="Not finished: the run ended before the end of this part.")
    for group in shown.result_groups(part):
        yield Heading(text=shown.group_title(report, group), level=2)
        yield _by_channel(report, group) if group.channel is None else _by_setting(group)
        yield from (Paragraph(text=words) for result in group.results if (words := shown.in_words(result)))
    if part.findings:
        yield Heading(text="Further results", level=2)
        yield Bullets(entries=tuple(Cell(text=shown.finding_text(f)) for f in part.findings))
    yield from (Figure(picture=picture) for picture in pictures)
    if part.plain:
        yield from _plain(report, part)
    if part.left_out:
        yield Heading(text="Left out, said before the run", level=2)
        yield Bullets(entries=tuple(Cell(text=text) for text in part.left_out))


def _by_setting(group: shown.ResultGroup) -> Table:
    return Table(
        columns=columns(
            ("Setting", 1.3), (">Applied", 2.1), (">Ideal", 0.9), (">Reading", 1.1),
            (f">{shown.result_name(group.results[0])}", 1.0), (">U", 0.9), (">k", 0.6), (">Limits", 1.2),
            ("Verdict", 1.9),
        ),
        rows=tuple(_setting_row(result) for result in group.results),
    )  # fmt: skip


def _setting_row(r: Result) -> Row:
    said = shown.cells(r)
    return row(
        Cell(text=r.setting, strong=True), r.applied, shown.number(r.expected, r.unit), shown.reading_text(r),
        Cell(text=said.value, strong=r.word != "pass"), said.u, said.k,
        shown.limits_text(r.limits, r.result_unit), word_cell(r.word, r.remarks), kind=shown.KIND[r.word],
    )  # fmt: skip


def _by_channel(report: Report, group: shown.ResultGroup) -> Table:
    rows = []
    for r in group.results:
        said = shown.cells(r)
        rows.append(
            row(
                Cell(text=str(r.channel), strong=True), shown.path_label(report, r.path), r.setting,
                Cell(text=said.value, strong=True), said.u, said.relative, said.k, said.interval,
                shown.limits_text(r.limits, r.result_unit), word_cell(r.word, shown.own_remarks(r)),
                kind=shown.KIND[r.word],
            )
        )  # fmt: skip
    return Table(
        columns=columns(
            ("Ch.", 0.5), ("Path", 2.2), ("Setting", 1.2), (">Result", 1.4), (">U", 1.1), (">U, rel.", 0.9),
            (">k", 0.6), (">Interval", 2.2), (">Limits", 1.3), ("Verdict", 1.6),
        ),
        rows=tuple(rows),
    )  # fmt: skip


def _plain(report: Report, part: PartResult) -> Iterator[Block]:
    yield Heading(text="Readings", level=2, note="without a judgement")
    yield Table(
        columns=columns(
            ("Purpose", 1.5), ("Ch.", 0.5), ("Path", 1.8), ("Applied", 1.6), ("Setting", 1.2), ("Quantity", 1.3),
            (">Ideal", 1.0), (">Reading", 1.2), ("Status", 1.1),
        ),
        rows=tuple(
            row(
                p.purpose, str(p.channel), shown.path_label(report, p.path), p.applied, p.setting, p.quantity,
                shown.number(p.expected, p.unit if p.expected is not None else ""),
                shown.number(p.value, p.unit if p.value is not None else ""), p.status,
            )
            for p in part.plain
        ),
    )  # fmt: skip
