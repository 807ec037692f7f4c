"""What a report says besides its results: particulars, standards, method, deviations, signatures.   [pure]"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import TYPE_CHECKING

from harness.report import blocks as b
from harness.report import shown
from harness.report.checklist import SIGN, SOURCE
from harness.words.language import day, tr

if TYPE_CHECKING:
    from harness.report.model import FactGroup, Report


def groups(some: Sequence[FactGroup]) -> Iterator[b.Section]:
    """Particulars, a heading a group."""
    for group in some:
        facts = (b.Fact(name=tr(fact.name), said=b.line(fact.text), clause=fact.clause) for fact in group.facts)
        yield b.Section(title=tr(group.title), blocks=(b.Facts(entries=tuple(facts)),))


def not_stated(report: Report) -> Iterator[b.Block]:
    """The particulars that the files left open."""
    if report.not_stated:
        yield b.paragraph(tr("Not stated: {not_stated}.", not_stated=", ".join(report.not_stated)))


def standards(report: Report) -> b.Section:
    """The instruments that a reading was taken with."""
    table = b.table(
        ("Role", "Instrument", "Identity", "Certificate", "Issued by", "Certified", "Due"),
        (
            b.row(
                tr(s.role), s.label, s.identity, s.certificate or tr("none given"), s.certificate_by or "–",
                day(s.certified) or "–", b.due(day(s.due) or "–", overdue=s.overdue), kind="bad" if s.overdue else "",
            )
            for s in report.standards
        ),
        listed=True,
    )  # fmt: skip
    return b.Section(
        title=tr("Standards used"), note=tr("instruments that the results rest on"), key="standards",
        blocks=(table if report.standards else b.paragraph("None."),),
    )  # fmt: skip


def method(report: Report) -> b.Section:
    """The sequences with their options, and the paths of the signals."""
    sequences = b.table(
        ("Sequence", "Options of the job file"),
        (
            b.row(
                use.use,
                "; ".join(f"{key.replace('_', ' ')}: {shown.option(given)}" for key, given in use.options.items())
                or "none",
            )
            for use in report.setup.job.sequence
        ),
        caption=tr("Sequences and their options"),
    )
    paths = b.table(
        ("Path", "What it is", ">Divides by", ">Termination", ">Largest voltage"),
        (
            b.row(
                name, path.label or "–", shown.with_tolerance(shown.number(path.divides_by), path.tolerance),
                shown.with_tolerance(shown.quantity(path.termination, "Ω"), path.termination_tolerance),
                shown.quantity(path.maximum, "V"),
            )
            for name, path in report.setup.bench.paths.items()
        ),
        caption=tr("Signal paths"),
    )  # fmt: skip
    rated = b.paragraph(shown.rated_input(report.setup.unit.input), small=True)
    return b.Section(title=tr("Method"), key="method", blocks=(sequences, *([paths] if paths.rows else []), rated))


def deviations(report: Report) -> b.Section:
    """What departed from the plan, and what the operator noted."""
    named = ((tr("Deviations from the plan"), report.deviations), (tr("Notes of the operator"), report.notes))
    lists = [b.Section(title=title, blocks=(b.bullets(some, brief=True),)) for title, some in named if some]
    return b.Section(title=tr("Deviations and notes"), key="deviations", blocks=(*lists, *_none_of(named)))


def _none_of(named: Iterable[tuple[str, Sequence[str]]]) -> Iterator[b.Paragraph]:
    """What there is none of, in one line."""
    if none := [title for title, some in named if not some]:
        yield b.paragraph(tr("{none}: none.", none="; ".join(none)))


def checklist(report: Report) -> b.Section:
    """How the run stands to the headings of a calibration guide."""
    table = b.table(
        ("Heading", "This run", "By"),
        (b.row(tr(h.title), b.Span(text=tr(h.coverage), sign=SIGN[h.coverage]), tr(h.by)) for h in report.checklist),
        small=True, listed=True,
    )  # fmt: skip
    return b.Section(
        title=tr("Checklist"), note=tr("what a calibration of an oscilloscope may cover, and what this run did"),
        key="checklist", blocks=(table, b.paragraph(tr(SOURCE), small=True)),
    )  # fmt: skip


def statements(report: Report) -> tuple[b.Paragraph, ...]:
    """What a report must say about itself, the last one its end."""
    return tuple(b.Paragraph(said=b.line(fact.text), clause=fact.clause) for fact in report.statements)


def named_statements(report: Report) -> b.Section:
    """The same where they stand among other things, each with its name."""
    return b.Section(title=tr("Statements"), blocks=(b.facts((fact.name, fact.text) for fact in report.statements),))


def signatures(report: Report) -> b.Section:
    """Lines to sign on."""
    lines = tuple((tr(s.role), s.name, s.function) for s in report.signatures)
    return b.Section(title=tr("Signatures"), key="signatures", blocks=(b.Signatures(lines=lines),))
