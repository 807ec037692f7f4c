"""The later pages of a printed report: conformity, standards, method, signatures, uncertainty.   [pure]"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from string import ascii_lowercase
from typing import TYPE_CHECKING

from harness.measurement import is_error
from harness.report import shown
from harness.report.checklist import SIGN, SOURCE
from harness.report.sheet_blocks import (
    Block,
    Bullets,
    Cell,
    Facts,
    Group,
    Heading,
    Paragraph,
    Row,
    Signatures,
    Table,
    columns,
    row,
)

if TYPE_CHECKING:
    from harness.report.model import PartResult, Point, Report, Response


def conformity(groups: Sequence[Group], not_stated: Sequence[str]) -> Iterator[Block]:
    """What the verdicts are of and how they were made: the particulars that have no room on the first page."""
    for group in groups:
        yield Heading(text=group.title)
        yield Facts(entries=group.entries)
    if not_stated:
        yield Paragraph(text=f"Not stated: {', '.join(not_stated)}.", small=True)


def rest(report: Report) -> Iterator[Block]:
    """Everything below the results."""
    yield from _standards(report)
    yield from _method(report)
    yield from _deviations(report)
    yield from _checklist(report)
    yield Heading(text="Signatures")
    yield Signatures(lines=tuple((s.role, ", ".join(filter(None, (s.name, s.function)))) for s in report.signatures))
    yield from _uncertainty(report)


def _standards(report: Report) -> Iterator[Block]:
    yield Heading(text="Standards used")
    if not report.standards:
        yield Paragraph(text="None.")
        return
    yield Table(
        columns=columns(
            ("Role", 1.0), ("Instrument", 1.9), ("Identity", 3.0), ("Certificate", 1.3), ("Issued by", 1.8),
            ("Certified", 1.0), ("Due", 1.0),
        ),
        rows=tuple(
            row(
                Cell(text=s.role, strong=True), s.label, s.identity, s.certificate or "none given",
                s.certificate_by or "–", s.certified or "–",
                Cell(text=f"{s.due}, overdue", sign="✗", kind="bad") if s.overdue else s.due or "–",
                kind="bad" if s.overdue else "",
            )
            for s in report.standards
        ),
    )  # fmt: skip


def _deviations(report: Report) -> Iterator[Block]:
    yield Heading(text="Deviations and notes")
    for title, texts in (("Deviations from the plan", report.deviations), ("Notes of the operator", report.notes)):
        yield Heading(text=title, level=2)
        yield Bullets(entries=tuple(Cell(text=text) for text in texts)) if texts else Paragraph(text="None.")


def _method(report: Report) -> Iterator[Block]:
    yield Heading(text="Method")
    yield Table(
        columns=columns(("Sequence", 1.0), ("Options of the job file", 4.0)),
        rows=tuple(
            row(
                Cell(text=use.use, strong=True),
                "; ".join(f"{key} = {given}" for key, given in use.options.items()) or "none",
            )
            for use in report.setup.job.sequence
        ),
    )
    if paths := report.setup.bench.paths:
        yield Table(
            columns=columns(
                ("Path", 1.0), ("What it is", 2.4), (">Divides by", 1.2), (">Termination", 1.2),
                (">Largest voltage", 1.2),
            ),
            rows=tuple(
                row(
                    Cell(text=name, strong=True), path.label or "–",
                    shown.with_tolerance(shown.number(path.divides_by), path.tolerance),
                    shown.with_tolerance(shown.quantity(path.termination, "Ω"), path.termination_tolerance),
                    shown.quantity(path.maximum, "V"),
                )
                for name, path in paths.items()
            ),
        )  # fmt: skip
    yield Paragraph(text=shown.rated_input(report.setup.unit.input), small=True)


def _checklist(report: Report) -> Iterator[Block]:
    yield Heading(text="Checklist", note="what a calibration of an oscilloscope may cover, and what this run did")
    yield Table(
        columns=columns(("Heading", 3.0), ("This run", 1.5), ("By", 4.5)),
        rows=tuple(
            row(Cell(text=h.title, strong=True), Cell(text=h.coverage, sign=SIGN[h.coverage]), h.by)
            for h in report.checklist
        ),
        small=True,
    )
    yield Paragraph(text=SOURCE, small=True)


# --- readings and uncertainty ------------------------------------------------------------------------------------


def _uncertainty(report: Report) -> Iterator[Block]:
    if not any(part.responses or part.points for part in report.parts):
        return
    yield Heading(text="Readings and uncertainty")
    yield Paragraph(
        text="Every line of every budget, with half-widths, distributions, divisors, sensitivities and degrees of "
        "freedom, is in the results attached to this file.",
        small=True,
    )
    for part in report.parts:
        for n, response in enumerate(part.responses):
            yield from _response_readings(report, response)
            before = next((r for r in part.responses[:n] if r.level == response.level), None)
            yield from _levels(report, response, before)
            yield from _half_power_budget(report, response)
        yield from _budgets(report, part)


def _place(report: Report, r: Response) -> str:
    return f"channel {r.channel}, {shown.path_label(report, r.path)}"


def _response_readings(report: Report, r: Response) -> Iterator[Block]:
    height = r.result.reference_div
    yield Heading(
        text=f"Response readings, {_place(report, r)}", level=2,
        note=f"relative to {shown.hertz(r.result.reference_hz)}"
        + (f", reference deflection {shown.number(height, 'div')}" if height is not None else ""),
    )  # fmt: skip
    yield Table(
        columns=columns(
            (">Frequency", 1.0), (">Response", 1.0), (">u", 1.0), (">Fitted", 1.0), (">Residual / u", 1.0),
            ("Purpose", 3.0),
        ),
        rows=tuple(
            row(
                shown.hertz(p.frequency_hz), shown.decibels(p.response_db), shown.decibels(p.u_db),
                shown.decibels(p.fitted_db), shown.number(p.residual, "", 2), p.purpose,
            )
            for p in r.result.points
        ),
        small=True,
    )  # fmt: skip


def _levels(report: Report, r: Response, before: Response | None) -> Iterator[Block]:
    """The level at each frequency, once where several channels share it."""
    yield Heading(text=f"Levels, {_place(report, r)}", level=2)
    if before is not None and r.level:
        yield Paragraph(text=f"As for {_place(report, before)}.", small=True)
        return
    if r.level_method:
        yield Paragraph(text=r.level_method, small=True)
    if r.level:
        yield Table(
            columns=columns((">Frequency", 1.0), (">Level", 1.0), (">u", 1.0), ("", 5.0)),
            rows=tuple(
                row(shown.hertz(x.frequency_hz), shown.decibels(x.level_db), shown.decibels(x.u_db), "")
                for x in r.level
            ),
            small=True,
        )
    else:
        yield Paragraph(text="No levels were recorded.", small=True)


def _half_power_budget(report: Report, r: Response) -> Iterator[Block]:
    if not r.result.budget:
        return
    slope = shown.number(r.result.slope_db_per_ln, "dB per unit of ln f", 3)
    yield Heading(text=f"Budget: half-power frequency, {_place(report, r)}", level=2, note=f"slope {slope}")
    lines = [
        row(
            line.name, shown.number(line.u_db, "dB", 2), shown.percent(line.u_rel, 2),
            shown.number(line.degrees_of_freedom),
        )
        for line in r.result.budget
    ]  # fmt: skip
    total = row(f"Combined; k = {r.result.k:.2f}", "", shown.percent(r.result.u_rel, 2), "", total=True)
    yield Table(
        columns=columns(
            ("Contribution", 2.4), (">u, level", 1.0), (">u, frequency", 1.0), (">Degrees of freedom", 1.2)
        ),
        rows=(*lines, total), small=True,
    )  # fmt: skip


def _budgets(report: Report, part: PartResult) -> Iterator[Block]:
    """One table a group of points: a row a point, a column a contribution, named by a letter below."""
    for group in shown.point_groups(part):
        known = [point for point in group.points if point.budget is not None and point.statement is not None]
        if not known:
            continue
        names = list(dict.fromkeys(c.name for p in known if p.budget is not None for c in p.budget.contributions))
        letters = dict(zip(names, _letters(), strict=False))
        yield Heading(
            text=f"Uncertainty: {shown.group_title(report, group)}", level=2,
            note="what each source contributes",
        )  # fmt: skip
        yield Table(
            columns=columns(
                ("Setting", 1.6),
                ("Readings", 2.4),
                *((f">{letters[name]}", 0.9) for name in names),
                (">u", 1.0),
                (">k", 0.7),
                (">U", 1.0),
                (">TUR", 0.7),
            ),
            rows=tuple(_budget_row(point, names) for point in known),
            small=True,
        )
        yield Paragraph(text="; ".join(f"{letters[name]}: {name}" for name in names) + ".", small=True)


def _letters() -> Iterator[str]:
    yield from ascii_lowercase
    for n in range(1, 1000):
        yield from (f"{letter}{n}" for letter in ascii_lowercase)


def _budget_row(p: Point, names: list[str]) -> Row:
    assert p.budget is not None
    assert p.statement is not None
    given = {c.name: c for c in p.budget.contributions}
    s = p.statement
    unit = f" {s.unit}" if s.unit else ""
    return row(
        Cell(text=p.setting, strong=True), shown.readings_text(p),
        *("–" if name not in given else shown.number(abs(given[name].contribution), "", 2) for name in names),
        Cell(text=shown.number(s.u, s.unit, 2), strong=True), f"{s.k:.2f}",
        shown.error_pair(s, with_sign=is_error(p.quantity))[1] + unit,
        shown.number(p.verdict.tur if p.verdict is not None else None, "", 2),
    )  # fmt: skip
