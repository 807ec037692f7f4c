"""From a journal to what the report says: the numbers, the verdicts, the words.   [pure]

Nothing but the journal is read: its header holds bench, unit, job and the options of every part.
"""

from __future__ import annotations

import datetime as dt
import re
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Any, Final

from harness.analysis.verdict import EQUALITY_TEXT, RULE_TEXT, Rule, overall
from harness.errors import AnalysisError, HalfpowerError, JournalError
from harness.journal.issues import Issue, changed, unissued
from harness.journal.journal import Contents
from harness.measurement import evaluation, knowing, quantity_of
from harness.models import Setup
from harness.quantities import show
from harness.report import adjusted, by_eye, particulars
from harness.report.checklist import checklist
from harness.report.model import KINDS, Evaluated, LookedAt, PartResult, Photograph, PlainReading, Report, Result
from harness.report.particulars import Identity, Worked
from harness.report.readings import Taken, missing, planned_place, taken_of
from harness.report.room import by_meter, metered, stays
from harness.report.scope import facts as of_scope
from harness.report.scope import within_scope
from harness.report.words import advice, deviations, next_step, sentence, standards
from harness.steps import Look, Measure, Reading, Seen, from_plain
from harness.words.language import tr
from harness.words.signals import describe

_PHOTOGRAPH: Final = "photograph"  # of the event
_KEPT: Final = re.compile(r"(\d{3}\.(?:jpg|png)) ([0-9a-f]{64}) (.+)")
_FURTHEST_WEST: Final = dt.timedelta(hours=12)  # a laboratory's own day may be that far behind UTC


def summarise(
    contents: Contents, *, issued: dt.date | None = None, found: Contents | None = None, issue: Issue | None = None
) -> Report:
    """
    Work out everything that a report says of a run, finished or not.

    Parameters
    ----------
    contents
        The journal; nothing else is read, no clock either.
    issued
        The day of issue; else it is the day on which the run ended, so that one journal gives one report.
    found
        The journal of the same unit as found, where `contents` is of the unit as left.
    issue
        Which report of the run, as `harness.journal.issues` reads them; else the one of which nothing is approved.

    Raises
    ------
    HalfpowerError
        If the day of issue lies before the end of the run, or the two runs are not one unit before and after.
    """
    left = _summary(contents, issued, issue)
    return left if found is None else beside(left, _summary(found, None, None), issued_stated=issued is not None)


def _summary(contents: Contents, issued: dt.date | None, issue: Issue | None) -> Report:
    issue = issue or unissued(contents)
    if issue.approval is not None:
        issued = dt.date.fromisoformat(issue.approval.issued)
    with knowing(contents.quantities):
        made = _worked_out(changed(contents, issue), issued)
    if issue.state == "unreviewed":
        return made
    made = replace(
        made,
        issue=issue,
        issued="" if issue.state == "draft" else made.issued,
        signatures=particulars.signatures(made.setup.job, issue),
    )
    return with_particulars(made, issued_stated=issued is not None)


def _worked_out(contents: Contents, issued: dt.date | None) -> Report:
    header = contents.header
    setup = Setup.from_header(header["setup"])
    parts = _parts(setup, contents)
    finished = contents.closed_at is not None
    ended = contents.closed_at or (contents.records[-1].at if contents.records else str(header["started"]))
    last_day = dt.date.fromisoformat(ended[:10])
    if issued is not None and issued < (dt.datetime.fromisoformat(ended) - _FURTHEST_WEST).date():
        raise HalfpowerError(
            f"A report issued on {issued} cannot hold a run that ended on {last_day} (UTC). State a later day."
        )
    roles = contents.roles() | ({"meter"} if metered(contents) else frozenset())
    used = tuple(standard for standard in standards(setup, last_day, contents) if standard.role in roles)
    words = [result.word for part in parts for result in part.results]
    whole = overall([word if word != "not measured" else "undecided" for word in words])
    if not finished and whole in ("meets", "conditionally meets"):
        whole = "cannot be decided"
    seen = tuple(by_eye.agreements(setup.unit, parts))
    report = Report(
        number=str(header["run"]),
        id=contents.id,
        journal_sha256=contents.digest,
        issued=(issued or last_day).isoformat(),
        title=setup.job.title
        or tr(
            "Verification of {maker} {unit_model}, no. {serial}",
            maker=setup.unit.maker,
            unit_model=setup.unit.model,
            serial=setup.job.serial,
        ),
        setup=setup,
        program=tr("Halfpower {header}", header=header["program"]),
        started=str(header["started"]),
        ended=ended,
        finished=finished,
        may_be_on=bool(contents.may_be_on),
        simulated=setup.bench.simulation is not None,
        overall=whole,
        sentence=sentence(setup, whole, parts, seen, finished=finished),
        next_step=next_step(setup, whole, parts, finished=finished),
        rule_text=tr(RULE_TEXT[setup.job.rule]),
        equality_text=tr(EQUALITY_TEXT),
        error_text=tr(particulars.ERROR_TEXT[setup.job.error]),
        parts=parts,
        standards=used,
        deviations=tuple(deviations(setup, contents, parts, used)),
        notes=tuple(event.text for event in contents.events if event.what == "note"),
        facts=(),
        not_stated=(),
        statements=(),
        signatures=particulars.signatures(setup.job),
        checklist=checklist(setup, parts),
        by_eye=seen,
        advice=advice(whole, finished=finished),
        photographs=tuple(_photographs(contents)),
    )
    return by_meter(with_particulars(report, issued_stated=issued is not None), contents)


def with_particulars(report: Report, *, issued_stated: bool = False, found: Report | None = None) -> Report:
    """The report with what it must say besides its numbers."""
    identity = Identity(
        number=report.number,
        id=report.id,
        journal_sha256=report.journal_sha256,
        program=report.program,
        started=report.started,
        ended=report.ended,
        issued=report.issued,
        issued_stated=issued_stated,
        issue=report.issue,
    )
    shown_results = [result for part in report.parts for result in part.results]
    worked = Worked(setup=report.setup, parts=report.parts, standards=report.standards, found=found)
    return replace(
        report,
        facts=stays(particulars.facts(identity, worked), report.facts),
        not_stated=particulars.not_stated(report.setup, report.standards, report.issue),
        statements=(*of_scope(report.setup, shown_results), *particulars.statements(identity, report.setup.job)),
    )


def beside(left: Report, found: Report, *, issued_stated: bool = False) -> Report:
    """The unit as left, with what was found beside it, and what was not as planned in either run."""
    adjusted.check_pair(found, left)
    both = replace(
        left,
        simulated=left.simulated or found.simulated,
        standards=adjusted.both_standards(found, left.standards),
        deviations=adjusted.both_lists(found.deviations, left.deviations),
        notes=adjusted.both_lists(found.notes, left.notes),
        adjustment=adjusted.adjustment(found, left),
    )
    return with_particulars(both, issued_stated=issued_stated, found=found)


# --- parts -------------------------------------------------------------------------------------------------------


def parts_of(contents: Contents) -> tuple[PartResult, ...]:
    """The parts of a run with their results, and nothing of what a page says of them."""
    with knowing(contents.quantities):
        return _parts(Setup.from_header(contents.header["setup"]), contents)


def _parts(setup: Setup, contents: Contents) -> tuple[PartResult, ...]:
    parts: tuple[PartResult, ...] = ()
    alike: Counter[tuple[str, str]] = Counter()
    for entry in contents.header["parts"]:
        part = _part(setup, entry, contents, parts)
        alike[part.use, part.title] += 1
        nth = alike[part.use, part.title]
        parts += (part if nth == 1 else replace(part, title=f"{part.title} ({nth})"),)
    return parts


def _part(setup: Setup, entry: Mapping[str, Any], contents: Contents, earlier: Sequence[PartResult]) -> PartResult:
    """A part, for which its measurement may look at what earlier ones found."""
    name, use = str(entry["name"]), str(entry["use"])
    taken = taken_of(contents, name)
    judged = evaluation(str(entry.get("evaluate", use)))
    if name in contents.results:  # of a user's own, worked out when the part ended
        results = _kept(setup, contents.results[name], name)
    else:
        results = _listed(entry, taken) if judged is None else judged.evaluate(setup, entry, taken, earlier)
    results = replace(results, results=within_scope(setup, results.results))
    made = part_result(entry, results, finished=contents.parts.get(name) == "finished")
    return replace(made, looks=tuple(_looks(contents, name)))


def _looks(contents: Contents, part: str) -> Iterator[LookedAt]:
    for record in contents.replies(part):
        if isinstance(record.step, Look) and isinstance(record.reply, Seen):
            step, seen = record.step, record.reply
            answer = {"remark": "", "skipped": "left out"}.get(seen.answer, seen.answer)
            remark = "" if seen.answer == "skipped" else seen.remark
            yield LookedAt(what=step.what, question=step.question, answer=answer, remark=remark)


def _kept(setup: Setup, plain: Any, part: str) -> Evaluated:
    """The results of a part as a journal keeps them, their words by the rule that the job has now."""
    try:
        made: Evaluated = from_plain(plain, KINDS)
        return replace(made, results=tuple(_by_rule(result, setup.job.rule) for result in made.results))
    except (AttributeError, KeyError, TypeError, ValueError, AnalysisError) as error:
        raise JournalError(f"The journal's results of part {part!r} cannot be read: {error}") from None


def _by_rule(result: Result, rule: Rule) -> Result:
    return result if result.verdict is None or result.verdict.rule == rule else result.decided(rule)


def part_result(entry: Mapping[str, Any], results: Evaluated, *, finished: bool) -> PartResult:
    """The results of a part, with what was known of it beforehand."""
    name = str(entry["name"])
    return PartResult(
        name=name,
        use=str(entry["use"]),
        title=tr(str(entry.get("title", name))),
        finished=finished,
        results=results.results,
        findings=results.findings,
        plain=results.plain,
        left_out=tuple(entry.get("left_out", ())),
        missing=() if finished else results.missing,
        headings=results.headings,
    )


def _listed(entry: Mapping[str, Any], taken: Sequence[Taken]) -> Evaluated:
    """The readings of a part that nobody here can judge, as they are."""
    return Evaluated(
        plain=tuple(_plain(step, reading) for step, reading in taken),
        missing=tuple(missing(entry, (planned_place(step) for step, _ in taken if not step.repeat))),
    )


def _plain(step: Measure, reading: Reading) -> PlainReading:
    unit = quantity_of(step).unit
    return PlainReading(
        purpose=step.purpose,
        channel=step.view.channel,
        path=step.path,
        applied=describe(step.stimulus),
        setting=f"{show(step.view.volts_per_div, 'V')}/div",
        quantity=step.quantity,
        expected=step.expected,
        value=reading.value,
        unit="" if unit == "ratio" else unit,
        status=reading.status,
    )


def _photographs(contents: Contents) -> Iterator[Photograph]:
    """The photographs that a run has kept, each with the part whose reading came next."""
    parts = [str(entry["name"]) for entry in contents.header["parts"]]
    for event in contents.events:
        if event.what == _PHOTOGRAPH and (told := _KEPT.fullmatch(event.text)):
            after = [record.part for record in contents.records if record.line > event.line]
            before = [record.part for record in contents.records if record.line < event.line]
            part = (after or before[::-1] or parts)[0]
            yield Photograph(name=told[1], sha256=told[2], at=told[3], part=parts.index(part))
