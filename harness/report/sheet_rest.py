"""The later pages of a printed report: conformity, standards, method, signatures, uncertainty.   [pure]"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from string import ascii_lowercase
from typing import TYPE_CHECKING

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
    from harness.analysis.curve import Curve
    from harness.report.model import PartResult, Report, Result


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
    if not any(part.results for part in report.parts):
        return
    yield Heading(text="Readings and uncertainty")
    yield Paragraph(
        text="Every line of every budget, with half-widths, distributions, divisors, sensitivities and degrees of "
        "freedom, is in the results attached to this file.",
        small=True,
    )
    for part in report.parts:
        before: list[tuple[Result, Curve]] = []
        for result in part.results:
            if (curve := result.curve) is not None:
                yield from _response_readings(report, result, curve)
                same = next((earlier for earlier, its in before if its.level == curve.level), None)
                yield from _levels(report, result, curve, same)
                before.append((result, curve))
        yield from _budgets(report, part)


def _place(report: Report, r: Result) -> str:
    return f"channel {r.channel}, {shown.path_label(report, r.path)}"


def _response_readings(report: Report, r: Result, curve: Curve) -> Iterator[Block]:
    height = curve.reference_div
    yield Heading(
        text=f"Response readings, {_place(report, r)}", level=2,
        note=f"relative to {shown.hertz(curve.reference_hz)}"
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
            for p in curve.points
        ),
        small=True,
    )  # fmt: skip


def _levels(report: Report, r: Result, curve: Curve, before: Result | None) -> Iterator[Block]:
    """The level at each frequency, once where several channels share it."""
    yield Heading(text=f"Levels, {_place(report, r)}", level=2)
    if before is not None and curve.level:
        yield Paragraph(text=f"As for {_place(report, before)}.", small=True)
        return
    if curve.level_method:
        yield Paragraph(text=curve.level_method, small=True)
    if curve.level:
        yield Table(
            columns=columns((">Frequency", 1.0), (">Level", 1.0), (">u", 1.0), ("", 5.0)),
            rows=tuple(
                row(shown.hertz(x.frequency_hz), shown.decibels(x.level_db), shown.decibels(x.u_db), "")
                for x in curve.level
            ),
            small=True,
        )
    else:
        yield Paragraph(text="No levels were recorded.", small=True)


def _budgets(report: Report, part: PartResult) -> Iterator[Block]:
    """One table a group of points: a row a point, a column a contribution, named by a letter below."""
    for group in shown.result_groups(part):
        known = [result for result in group.results if result.budget is not None and result.statement is not None]
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


def _budget_row(r: Result, names: list[str]) -> Row:
    assert r.budget is not None
    assert r.statement is not None
    given = {c.name: c for c in r.budget.contributions}
    s, said = r.statement, shown.cells(r)
    scale, unit = shown.scale_of(s.unit, s.estimate)
    return row(
        Cell(text=r.setting if r.curve is None else f"channel {r.channel}", strong=True), shown.readings_text(r),
        *("–" if name not in given else shown.number(abs(given[name].contribution) / scale, "", 2) for name in names),
        Cell(text=shown.number(s.u / scale, unit, 2), strong=True), said.k, said.u,
        shown.number(r.verdict.tur if r.verdict is not None else None, "", 2),
    )  # fmt: skip
