"""What a report says besides its results: particulars, standards, method, deviations, signatures.   [pure]"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from harness.report import shown
from harness.report.blocks import (
    Block,
    Fact,
    Facts,
    Paragraph,
    Section,
    Signatures,
    Span,
    Table,
    bullets,
    due,
    facts,
    line,
    number,
    paragraph,
    row,
    text,
)
from harness.report.checklist import SIGN, SOURCE

if TYPE_CHECKING:
    from harness.report.model import FactGroup, Report


def groups(some: Sequence[FactGroup]) -> tuple[Section, ...]:
    """Particulars, a heading a group."""
    return tuple(
        Section(
            title=group.title,
            blocks=(Facts(entries=tuple(Fact(name=f.name, said=line(f.text), clause=f.clause) for f in group.facts)),),
        )
        for group in some
    )


def not_stated(report: Report) -> Iterator[Block]:
    """The particulars that the files left open."""
    if report.not_stated:
        yield paragraph(f"Not stated: {', '.join(report.not_stated)}.")


def standards(report: Report) -> Section:
    """The instruments that a reading was taken with."""
    table = Table(
        listed=True,
        columns=(
            text("Role"), text("Instrument", 1.9, wraps=True), text("Identity", 3.0, wraps=True),
            text("Certificate", 1.3, wraps=True), text("Issued by", 1.8, wraps=True), text("Certified"), text("Due"),
        ),
        rows=tuple(
            row(
                s.role, s.label, s.identity, s.certificate or "none given", s.certificate_by or "–",
                s.certified or "–", due(s.due or "–", overdue=s.overdue), kind="bad" if s.overdue else "",
            )
            for s in report.standards
        ),
    )  # fmt: skip
    return Section(
        title="Standards used", note="instruments that the results rest on", key="standards",
        blocks=(table if report.standards else paragraph("None."),),
    )  # fmt: skip


def method(report: Report) -> Section:
    """The sequences with their options, and the paths of the signals."""
    sequences = Table(
        caption="Sequences and their options", listed=True,
        columns=(text("Sequence", wraps=True), text("Options of the job file", 4.0, wraps=True)),
        rows=tuple(
            row(use.use, "; ".join(f"{key} = {given}" for key, given in use.options.items()) or "none")
            for use in report.setup.job.sequence
        ),
    )  # fmt: skip
    paths = Table(
        caption="Signal paths", listed=True,
        columns=(
            text("Path", wraps=True), text("What it is", 2.4, wraps=True), number("Divides by", 1.2),
            number("Termination", 1.2), number("Largest voltage", 1.2),
        ),
        rows=tuple(
            row(
                name, path.label or "–", shown.with_tolerance(shown.number(path.divides_by), path.tolerance),
                shown.with_tolerance(shown.quantity(path.termination, "Ω"), path.termination_tolerance),
                shown.quantity(path.maximum, "V"),
            )
            for name, path in report.setup.bench.paths.items()
        ),
    )  # fmt: skip
    rated = paragraph(shown.rated_input(report.setup.unit.input), small=True)
    return Section(title="Method", key="method", blocks=(sequences, *([paths] if paths.rows else []), rated))


def deviations(report: Report) -> Section:
    """What departed from the plan, and what the operator noted."""
    named = (("Deviations from the plan", report.deviations), ("Notes of the operator", report.notes))
    return Section(
        title="Deviations and notes", key="deviations",
        blocks=tuple(
            Section(title=title, blocks=(bullets(some, brief=True) if some else paragraph("None."),))
            for title, some in named
        ),
    )  # fmt: skip


def checklist(report: Report) -> Section:
    """How the run stands to the headings of a calibration guide."""
    table = Table(
        small=True, listed=True,
        columns=(text("Heading", 3.0, wraps=True), text("This run", 1.5), text("By", 4.5, wraps=True)),
        rows=tuple(row(h.title, Span(text=h.coverage, sign=SIGN[h.coverage]), h.by) for h in report.checklist),
    )  # fmt: skip
    return Section(
        title="Checklist", note="what a calibration of an oscilloscope may cover, and what this run did",
        key="checklist", blocks=(table, paragraph(SOURCE, small=True)),
    )  # fmt: skip


def statements(report: Report) -> tuple[Paragraph, ...]:
    """What a report must say about itself, the last one its end."""
    return tuple(Paragraph(said=line(fact.text), clause=fact.clause) for fact in report.statements)


def named_statements(report: Report) -> Section:
    """The same where they stand among other things, each with its name."""
    return Section(title="Statements", blocks=(facts((fact.name, fact.text) for fact in report.statements),))


def signatures(report: Report) -> Section:
    """Lines to sign on."""
    lines = tuple((s.role, s.name, s.function) for s in report.signatures)
    return Section(title="Signatures", key="signatures", blocks=(Signatures(lines=lines),))
