"""The report as it is printed: plain words first, then the unit, then the tables a technician wants.   [pure]"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Final

from harness.report import shown
from harness.report.blocks import (
    Block,
    Bullets,
    Cell,
    Figure,
    Heading,
    Paragraph,
    Row,
    Sheet,
    Table,
    columns,
    row,
    word_cell,
)
from harness.report.sheet_rest import rest

if TYPE_CHECKING:
    from harness.report.model import PartResult, Point, Report, Response
    from harness.report.plot_style import Picture

_MARGIN_TEXT: Final = 52  # characters of a name in the margin of a page


def sheet(report: Report, pictures: Sequence[Picture] = ()) -> Sheet:
    """Lay a report out; the pictures come under the part that they belong to."""
    unit, job = report.setup.unit, report.setup.job
    return Sheet(
        title=report.title,
        subject=f"{unit.maker} {unit.model}, no. {job.serial}",
        laboratory=job.laboratory,
        number=report.number,
        made=shown.moment(report.ended),
        overall=word_cell(report.overall),
        sentence=report.sentence,
        next_step=report.next_step,
        running=f"{shown.shortened(f'{unit.maker} {unit.model}', _MARGIN_TEXT)}, "
        f"no. {shown.shortened(job.serial, _MARGIN_TEXT)}",
        marks=shown.marks(report),
        identification=tuple(_identification(report)),
        blocks=tuple(_blocks(report, pictures)),
        ending=(shown.NOT_ACCREDITED, shown.made_by(report)),
    )


def _identification(report: Report) -> Iterator[tuple[str, str]]:
    unit, job, bench = report.setup.unit, report.setup.job, report.setup.bench
    yield "Unit under test", f"{unit.maker} {unit.model}"
    yield "Serial number", job.serial
    yield "Condition", job.condition
    if job.customer or job.customer_reference:
        reference = f" ({job.customer_reference})" if job.customer_reference else ""
        yield "Customer", f"{job.customer}{reference}".strip()
    yield "Measured", f"{shown.moment(report.started)} to {shown.moment(report.ended)}"
    if job.operator:
        yield "By", job.operator
    yield "Bench", f"{bench.name}{f', {bench.location}' if bench.location else ''}"
    yield "Decision rule", job.rule


def _blocks(report: Report, pictures: Sequence[Picture]) -> Iterator[Block]:
    yield from _overview(report)
    for n, part in enumerate(report.parts):
        yield from _part(report, part, [picture for picture in pictures if picture.part == n])
    yield from rest(report)


# --- at a glance -------------------------------------------------------------------------------------------------


def _overview(report: Report) -> Iterator[Block]:
    yield Heading(text="Overview")
    yield Table(
        columns=columns(("Part", 2.0), ("Half power", 3.4), ("Verdicts", 2.4), ("Finished", 0.8)),
        rows=tuple(
            row(
                Cell(text=part.title, strong=True),
                "; ".join(_half_power(r) for r in part.responses) or "–",
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


def _half_power(response: Response) -> str:
    text = shown.half_power_text(response.result)
    u = f" ± {text.u}" if text.u != "–" else ""
    return f"channel {response.channel}: {text.frequency}{u}"


# --- parts -------------------------------------------------------------------------------------------------------


def _part(report: Report, part: PartResult, pictures: Sequence[Picture]) -> Iterator[Block]:
    yield Heading(text=part.title)
    if not part.finished:
        yield Paragraph(text="Not finished: the run ended before the end of this part.")
    if part.responses:
        yield from _responses(report, part.responses)
    for group in shown.point_groups(part):
        yield from _points(report, group)
    if part.findings:
        yield Heading(text="Further results", level=2)
        yield Bullets(entries=tuple(Cell(text=shown.finding_text(f)) for f in part.findings))
    yield from (Figure(picture=picture) for picture in pictures)
    if part.plain:
        yield from _plain(report, part)
    if part.left_out:
        yield Heading(text="Left out, said before the run", level=2)
        yield Bullets(entries=tuple(Cell(text=text) for text in part.left_out))


def _points(report: Report, group: shown.PointGroup) -> Iterator[Block]:
    yield Heading(text=shown.group_title(report, group), level=2)
    yield Table(
        columns=columns(
            ("Setting", 1.3), (">Applied", 1.5), (">Ideal", 0.8), (">Reading", 1.2),
            (f">{shown.result_name(group.quantity)}", 1.0), (">U", 1.0), (">k", 0.6), (">Limits", 1.3),
            ("Verdict", 2.0),
        ),
        rows=tuple(_point_row(point) for point in group.points),
    )  # fmt: skip


def _point_row(p: Point) -> Row:
    s = p.statement
    value, u = shown.error_pair(s, p.quantity) if s is not None else ("–", "–")
    unit = f" {s.unit}" if s is not None and s.unit else ""
    return row(
        Cell(text=p.setting, strong=True), p.applied, shown.number(p.expected, p.unit), shown.reading_text(p),
        Cell(text=value + unit, strong=p.word != "pass"), u + unit, "–" if s is None else f"{s.k:.2f}",
        shown.limits_text(p.limits, shown.error_unit(p)), word_cell(p.word, p.remarks), kind=shown.KIND[p.word],
    )  # fmt: skip


def _responses(report: Report, responses: Sequence[Response]) -> Iterator[Block]:
    yield Heading(text="Half-power frequency", level=2, note="against the rated bandwidth")
    rows = []
    for r in responses:
        text = shown.half_power_text(r.result)
        rows.append(
            row(
                Cell(text=str(r.channel), strong=True), shown.path_label(report, r.path), r.setting,
                Cell(text=text.frequency, strong=True), text.u, text.relative, text.interval, shown.hertz(r.rated_hz),
                word_cell(r.word, shown.own_remarks(r)), kind=shown.KIND[r.word],
            )
        )  # fmt: skip
    yield Table(
        columns=columns(
            ("Ch.", 0.5),
            ("Path", 2.2),
            ("Setting", 1.2),
            (">Half power at", 1.4),
            (">U", 1.1),
            (">U, rel.", 0.9),
            (">Interval", 2.2),
            (">Rated", 1.1),
            ("Verdict", 1.6),
        ),
        rows=tuple(rows),
    )
    for r in responses:
        yield Paragraph(text=" ".join((shown.minus(r.sentence), *(flag.sentence for flag in r.result.flags))))
    yield Paragraph(
        text=f"{shown.DEFINITION_OF_BANDWIDTH} U is the expanded uncertainty, k = {responses[0].result.k:.2g}; the "
        "interval is that of 95 %.",
        small=True,
    )


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
