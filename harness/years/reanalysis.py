"""Years of runs worked out again from their journals: this version's method, another rule, or corrected standards.

What a worker does (`reanalyse`) is a function of a journal and the changes alone, so the numbers are the same to the
last bit whatever works them out: this process, all cores, or a cluster.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import json
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from difflib import get_close_matches
from pathlib import Path
from typing import Any, Final, TypeAlias

from pydantic import ValidationError

from harness.analysis.verdict import ErrorDefinition, Rule
from harness.errors import ConfigError, HalfpowerError
from harness.journal import journal
from harness.journal.journal import Contents
from harness.models import Setup, Unit
from harness.report.model import Report
from harness.report.summary import summarise
from harness.report.tables import PointRow
from harness.years.corrections import Corrections, corrected
from harness.years.records.derive import Origin, derive_read
from harness.years.records.folder import run_fits
from harness.years.records.rows import Derived, ResultRow, RunRow, Selection, StandardRow

_EVERY_RUN: Final = Selection(simulated=None, finished=None)
_ORIGIN: Final = Origin(host="", folder="", added=dt.datetime(1970, 1, 1, tzinfo=dt.UTC))


_AS_STATED: Final = (
    "{}: a measurement of the user's own; its numbers are as the run stated them, whatever was changed for the others."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Changes:
    """What is different this time; nothing at all asks what this version makes of the old readings."""

    corrections: Corrections | None = None
    rule: Rule | None = None
    error: ErrorDefinition | None = None
    tolerance: Mapping[str, Any] | None = None  # keys of the unit file's [tolerance], as they stand there
    where: Selection = _EVERY_RUN
    share: float = 0.1  # of its U by which a result has to move for its customer to be told


@dataclass(frozen=True, slots=True, kw_only=True)
class Task:
    """One journal, and what a store holds of its run, where it comes from one."""

    data: bytes
    where: str
    stored: Derived | None = None
    issued: bytes = b""  # the file beside the journal, of one that no store holds
    problem: str = ""  # why there are no data


@dataclass(frozen=True, slots=True, kw_only=True)
class VerdictChange:
    """A verdict that is another one now, or a result that is no longer there."""

    point: str
    before: str
    after: str
    result_before: float | None
    result_after: float | None
    unit: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Move:
    """A result whose customer is to be told: another verdict, or moved by more than the stated share of its U."""

    point: str
    verdict_before: str
    verdict_after: str
    result_before: float | None
    result_after: float | None
    expanded_u_before: float | None
    expanded_u_after: float | None
    unit: str
    share_of_u: float | None  # by how much it, or its U, moved, over the U that was stated; None: not to be said


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What became of one run."""

    where: str
    run: RunRow | None = None  # as it was recorded; None where the journal cannot be read
    overall_before: str = ""
    overall_after: str = ""
    results: tuple[ResultRow, ...] = ()  # as they are now
    changes: tuple[VerdictChange, ...] = ()
    moves: tuple[Move, ...] = ()
    standards: tuple[StandardRow, ...] = ()  # of a run that a correction concerns
    moved: int = 0  # results whose number or uncertainty is another one, whatever the verdict
    touched: tuple[int, ...] = ()  # corrections that concerned it
    problem: str = ""


Done: TypeAlias = Outcome | None
"""None: the run is not one of those asked for."""


def reanalyse(task: Task, changes: Changes) -> Done:
    """Work one run out again; whatever is wrong with its journal is an outcome too, so that the others go on."""
    if task.problem:
        return Outcome(where=task.where, problem=task.problem)
    try:
        contents = journal.parse(task.data, Path(task.where))
        before = task.stored or derive_read(contents, task.data, Path(task.where), _ORIGIN, task.issued)
        if task.stored is None and not run_fits(before, changes.where):
            return None  # a store has chosen already, by what it holds
        again, touched = changed(contents, before.standards, changes)
        same = again is contents and task.stored is None  # what is stored may be another version's word
        after = before if same else derive_read(again, task.data, Path(task.where), _ORIGIN)
    except HalfpowerError as error:
        return Outcome(where=task.where, problem=str(error))
    pairs = list(_pairs(before.results, after.results))
    return Outcome(
        where=task.where,
        run=before.run,
        overall_before=before.run.overall,
        overall_after=after.run.overall,
        results=after.results,
        changes=tuple(_verdict_changes(pairs)),
        moves=tuple(_moves(pairs, changes.share)),
        standards=before.standards if touched else (),
        moved=sum(
            1 for was, now in pairs if was and now and (was.result, was.expanded_u) != (now.result, now.expanded_u)
        ),
        touched=tuple(sorted(touched)),
    )


def changed(contents: Contents, standards: Iterable[StandardRow], changes: Changes) -> tuple[Contents, frozenset[int]]:
    """Return the journal with the changes in its header, itself where none concerns it, and which corrections did."""
    setup = Setup.from_header(contents.header["setup"])
    touched: frozenset[int] = frozenset()
    if changes.corrections is not None:
        setup, touched = corrected(setup, standards, changes.corrections)
    wanted = {"rule": changes.rule, "error": changes.error}
    update: dict[str, Any] = {k: value for k, value in wanted.items() if value not in (None, getattr(setup.job, k))}
    if "rule" in update:
        update["rule_agreed"] = ""  # the customer agreed to the other one
    if not touched and not update and not changes.tolerance:
        return contents, touched
    again = replace(
        setup, job=setup.job.model_copy(update=update), unit=_tolerating(setup.unit, changes.tolerance or {})
    )
    return replace(contents, header={**contents.header, "setup": again.to_header()}), touched


def _tolerating(unit: Unit, wanted: Mapping[str, Any]) -> Unit:
    """The unit with other tolerances, written as in its file."""
    rated = type(unit.tolerance)
    if own := [key for key in wanted if key in (unit.tolerance.model_extra or {})]:
        raise ConfigError(f"{own[0]!r} is of a measurement of your own, whose limits stay as its run states them.")
    if strange := [key for key in wanted if key not in rated.model_fields]:
        near = "".join(f" {key!r} may be meant." for key in get_close_matches(strange[0], rated.model_fields, n=1))
        raise ConfigError(f"A unit file rates no {strange[0]!r}.{near} docs/files.md lists what it rates.")
    given = rated.model_validate(wanted)
    update = {key: getattr(given, key) for key in given.model_fields_set}
    return unit.model_copy(update={"tolerance": unit.tolerance.model_copy(update=update)})


def page(again: tuple[Task, Outcome], changes: Changes, remark: str, issued: dt.datetime) -> str:
    """Return the report of a run with the changes, issued anew and marked on every page as re-analysed."""
    from harness.report.html import html_page

    task, outcome = again
    read = journal.parse(task.data, Path(task.where))
    day = issued.date() if outcome.run is None else max(issued.date(), outcome.run.ended.date())  # a clock of its own
    contents, _ = changed(read, outcome.standards, changes)
    made = summarise(_issued_anew(contents, f"{day} {issued:%H:%M:%S}"), issued=day)
    told = (remark, *(_AS_STATED.format(part.title) for part in made.parts if part.name in contents.results))
    return html_page(replace(made, reanalysed=remark, deviations=(*told, *made.deviations)))


def otherwise(run_folder: Path, changes: Changes) -> Report:
    """The report of a run as it would be with the changes; it says that it is that, and is never issued."""
    contents = journal.read(run_folder)
    told = ", ".join(
        f"{name} {value!r}"
        for name, value in (("rule", changes.rule), ("error", changes.error), ("tolerance", changes.tolerance))
        if value is not None
    )
    try:
        made = summarise(changed(contents, (), changes)[0])
    except ValidationError as error:
        first = error.errors()[0]
        raise ConfigError(f"{first['loc'][-1]} = {first['input']!r} cannot be: {first['msg']}.") from None
    return replace(made, reanalysed=f"Worked out otherwise than the job says: {told}.")


def _issued_anew(contents: Contents, when: str) -> Contents:
    """A number of its own (ISO/IEC 17025:2017, 7.8.8, from memory), and no name where it is yet to be authorised.

    Two may be made on one day: the number has the second, of UTC.
    """
    setup = Setup.from_header(contents.header["setup"])
    job = setup.job.model_copy(update={"authorised_by": "", "authorised_function": ""})
    number = f"{contents.header['run']}, re-analysed {when}"
    return replace(contents, header={**contents.header, "run": number, "setup": replace(setup, job=job).to_header()})


def digest(outcomes: Iterable[Outcome]) -> str:
    """Return a checksum of every number and word of the outcomes: equal where they are equal to the last bit."""
    seal = hashlib.sha256()
    for outcome in outcomes:
        rows = [repr(row) for row in outcome.results]
        run = outcome.run.id if outcome.run else outcome.where
        plain = [run, outcome.overall_before, outcome.overall_after, rows, repr(outcome.changes)]
        seal.update(json.dumps(plain, ensure_ascii=False).encode())
    return seal.hexdigest()


# --- before and after --------------------------------------------------------------------------------------------


Pair: TypeAlias = tuple[PointRow | None, PointRow | None]


def _key(row: PointRow) -> tuple[Any, ...]:
    return row.part, row.kind, row.quantity, row.channel, row.path, row.setting, row.applied


def _pairs(before: Iterable[PointRow], after: Iterable[PointRow]) -> Iterator[Pair]:
    """Each result beside what it was; one that stands alone has None beside it."""
    waiting: dict[tuple[Any, ...], list[PointRow]] = {}
    for row in before:
        waiting.setdefault(_key(row), []).append(row)
    for row in after:
        same = waiting.get(_key(row))
        yield (same.pop(0) if same else None), row
    for rows in waiting.values():
        yield from ((row, None) for row in rows)


def _verdict_changes(pairs: Iterable[Pair]) -> Iterator[VerdictChange]:
    for was, now in pairs:
        before, after, row = _word(was), _word(now), now or was
        if row is not None and before != after:
            yield VerdictChange(
                point=point_name(row),
                before=before,
                after=after,
                result_before=was.result if was else None,
                result_after=now.result if now else None,
                unit=row.result_unit,
            )


def _moves(pairs: Iterable[Pair], share: float) -> Iterator[Move]:
    for was, now in pairs:
        moved = _share(was, now)
        before, after, row = _word(was), _word(now), now or was
        if row is not None and (before != after or (moved is not None and moved > share)):
            yield Move(
                point=point_name(row), verdict_before=before, verdict_after=after,
                result_before=was.result if was else None, result_after=now.result if now else None,
                expanded_u_before=was.expanded_u if was else None, expanded_u_after=now.expanded_u if now else None,
                unit=row.result_unit, share_of_u=moved,
            )  # fmt: skip


def _word(row: PointRow | None) -> str:
    return "not there" if row is None else row.verdict


def _share(was: PointRow | None, now: PointRow | None) -> float | None:
    """By how much a result, or its U, moved, over the U that was stated."""
    if was is None or now is None or not was.expanded_u or was.result is None or now.result is None:
        return None
    return max(abs(now.result - was.result), abs((now.expanded_u or 0.0) - was.expanded_u)) / was.expanded_u


def point_name(row: PointRow) -> str:
    """What a point is called in a list: quantity, channel, path, setting."""
    channel = "" if row.channel is None else f"channel {row.channel}"
    return ", ".join(part for part in (row.quantity, channel, row.path, row.setting) if part)


# --- totals ------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Totals:
    """A re-analysis in numbers."""

    runs: int
    unreadable: int
    changed_runs: int  # with at least one verdict that is another one
    changed_overall: int
    moved_results: int
    verdicts: Mapping[tuple[str, str], int]  # before → after, and how often
    overall: Mapping[tuple[str, str], int]
    touched: Mapping[int, int]  # runs that each correction concerned


def totals(outcomes: Iterable[Outcome]) -> Totals:
    """Count."""
    runs = unreadable = changed_runs = moved_results = 0
    verdicts, overall = Counter[tuple[str, str]](), Counter[tuple[str, str]]()
    touched = Counter[int]()
    for outcome in outcomes:
        if outcome.run is None:
            unreadable += 1
            continue
        runs += 1
        changed_runs += bool(outcome.changes)
        moved_results += outcome.moved
        verdicts.update((change.before, change.after) for change in outcome.changes)
        overall.update([(outcome.overall_before, outcome.overall_after)])
        touched.update(outcome.touched)
    overall = Counter({pair: times for pair, times in overall.items() if pair[0] != pair[1]})
    return Totals(
        runs=runs, unreadable=unreadable, changed_runs=changed_runs, changed_overall=overall.total(),
        moved_results=moved_results, verdicts=verdicts, overall=overall, touched=touched,
    )  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Concerned:
    """A customer with results that moved."""

    customer: str
    runs: int
    results: int
    furthest: float | None  # share of U; None where no number can be compared


def concerned(outcomes: Iterable[Outcome]) -> tuple[Concerned, ...]:
    """Every customer who is to be told, by name."""
    found: dict[str, Concerned] = {}
    for outcome in outcomes:
        if outcome.run is None or not outcome.moves:
            continue
        name = outcome.run.customer
        known = found.get(name) or Concerned(customer=name, runs=0, results=0, furthest=None)
        shares = [share for each in (known.furthest, *(move.share_of_u for move in outcome.moves)) if (share := each)]
        found[name] = Concerned(
            customer=name, runs=known.runs + 1, results=known.results + len(outcome.moves),
            furthest=max(shares, default=None),
        )  # fmt: skip
    return tuple(found[name] for name in sorted(found))
