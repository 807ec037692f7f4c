"""From a journal to the rows of the store, checked before any database sees them.   [pure but for its arguments]"""

from __future__ import annotations

import datetime as dt
import math
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, fields, replace
from pathlib import Path
from typing import Any, Final, TypeVar

from harness.errors import HalfpowerError, RunRefused
from harness.journal import issues, journal
from harness.journal.issues import Issue
from harness.journal.journal import Contents
from harness.measurement import knowing
from harness.report.model import PartResult, Report
from harness.report.readings import name_of
from harness.report.summary import summarise
from harness.report.tables import point_rows
from harness.report.words import standards
from harness.steps import RETURN, Measure, Reading
from harness.words.moments import in_utc
from harness.words.version import program_version
from harness.years.records.rows import (
    RESULT_REPEATS,
    STANDARD_REPEATS,
    Derived,
    ReportRow,
    ResultRow,
    RunRow,
    StandardRow,
    storable,
)

# What one may search by is indexed, and PostgreSQL refuses an index entry beyond 2.7 kB: 4 bytes a character at most.
SHORT: Final = 300
LONG: Final = 100_000
_SEARCHED: Final = frozenset({
    "number", "maker", "model", "serial", "condition", "bench", "label", "identity", "certificate", "role", "quantity",
    "setting", "path", "verdict",
})  # fmt: skip
_ID: Final = re.compile(r"[0-9A-Za-z_-]{1,64}")
_INTEGER: Final = 2**31
_AMENDED: Final = ("title", "laboratory", "customer", "customer_reference")
"""What a row says of a run that an amended report may say otherwise."""

Row = TypeVar("Row", RunRow, ResultRow, StandardRow, ReportRow)


@dataclass(frozen=True, slots=True, kw_only=True)
class Origin:
    """Where a journal came from, and when it was added: what does not stand in it."""

    host: str
    folder: str
    added: dt.datetime


def derive(data: bytes, where: Path, origin: Origin, issued: bytes = b"") -> Derived:
    """Work out everything that the store holds of a run; `data` is its journal, `where` names it in an error, and
    `issued` is the file beside the journal, if there is one.

    Raises
    ------
    JournalError
        The journal is damaged, or of an unknown format.
    RunRefused
        It holds what no record can hold; the sentence names it.
    """
    return derive_read(journal.parse(data, where), data, where, origin, issued)


def derive_read(contents: Contents, data: bytes, where: Path, origin: Origin, issued: bytes = b"") -> Derived:
    """Work out the same of a journal that was read, `contents`, from its bytes `data`; RecordsError as `derive`."""
    if not _ID.fullmatch(contents.id):
        raise RunRefused(f"{where}: its 'id' is none that this program gives: 1 to 64 letters and digits.")
    try:
        made = summarise(contents)
        for at in (made.started, made.ended, *(record.at for record in contents.records)):
            in_utc(at)
    except HalfpowerError:
        raise
    except (KeyError, ValueError, TypeError, AttributeError) as error:
        raise RunRefused(
            f"{where}: no report can be made from this journal ({type(error).__name__}); it is not added. It was "
            f"written by version {contents.header.get('program')!r}, and this is {program_version()!r}."
        ) from error
    known = issues.parse(issued, where / issues.NAME, contents) if issued else ()
    run = _as_amended(_run(made, contents, data, origin), known)
    with knowing(contents.quantities):
        rows = tuple(_results(made, contents, run))
    standards = tuple(_standards(made, contents, run))
    return Derived(
        run=_checked(run, where),
        results=tuple(_checked(row, where) for row in rows),
        standards=tuple(_checked(row, where) for row in standards),
        journal=data,
        reports=tuple(_checked(row, where) for row in _reports(contents, known)),
        issued=issued,
    )


def _as_amended(run: RunRow, known: Sequence[Issue]) -> RunRow:
    """With the particulars of the report that is in force: whose it is, the last approved one says."""
    changes = next((issue.changes for issue in reversed(known) if issue.approval is not None), {})
    amended: dict[str, Any] = {key: value for key, value in changes.items() if key in _AMENDED}
    return replace(run, **amended)


def _reports(contents: Contents, known: Sequence[Issue]) -> Iterator[ReportRow]:
    for position, issue in enumerate(known):
        approval = issue.approval
        yield ReportRow(
            run_id=contents.id, position=position, number=issue.number, state=issue.state, replaces=issue.replaces,
            why=issue.why, replaced_by=issue.replaced_by, approved_by=approval.by if approval else "",
            place=approval.place if approval else "", issued=_day(approval.issued) if approval else None,
            approved_at=in_utc(approval.at) if approval else None, key=approval.key if approval else "",
            signature=approval.signature if approval else "",
        )  # fmt: skip


def _run(made: Report, contents: Contents, data: bytes, origin: Origin) -> RunRow:
    job, unit, bench = made.setup.job, made.setup.unit, made.setup.bench
    return RunRow(
        id=contents.id, number=made.number, started=in_utc(made.started), ended=in_utc(made.ended),
        finished=made.finished, simulated=made.simulated, title=made.title, maker=unit.maker, model=unit.model,
        serial=job.serial, condition=job.condition, bench=bench.name, location=bench.location,
        laboratory=job.laboratory, customer=job.customer, customer_reference=job.customer_reference,
        operator=job.operator, temperature_celsius=job.environment.temperature,
        humidity_ratio=job.environment.humidity, rule=job.rule, error_definition=job.error, overall=made.overall,
        sentence=made.sentence, program=str(contents.header["program"]), derived_by=program_version(),
        journal_sha256=contents.digest, journal_bytes=len(data), host=origin.host,
        folder=origin.folder, added=origin.added,
    )  # fmt: skip


def _results(made: Report, contents: Contents, run: RunRow) -> Iterator[ResultRow]:
    times = [at for part in made.parts for at in _times(part, contents)]
    shared: dict[str, Any] = {"run_id": run.id, **{name: getattr(run, name) for name in RESULT_REPEATS}}
    for position, (row, at) in enumerate(zip(point_rows(made), times, strict=True)):
        said = {field.name: getattr(row, field.name) for field in fields(row)}
        yield ResultRow(**said, position=position, at=at, **shared)


def _times(part: PartResult, contents: Contents) -> Iterator[dt.datetime | None]:
    """When the last reading of each result was taken, in the order of `point_rows`; a finding has no such time."""
    taken = [
        (record.step, in_utc(record.at))
        for record in contents.replies(part.name)
        if isinstance(record.step, Measure) and isinstance(record.reply, Reading)
    ]
    of_point: dict[object, dt.datetime] = {
        (name_of(step), step.path, step.view, step.stimulus): at for step, at in taken if step.purpose != RETURN
    }
    of_channel = {step.view.channel: at for step, at in taken if step.display == "unit"}
    for result in part.results:
        point = result.quantity, result.path, result.view, result.stimulus
        yield of_point.get(point, of_channel.get(result.channel))
    yield from (None for _ in part.findings)
    listed = len(part.plain) == len(taken)  # a row a reading, in their order; else what an evaluation chose
    yield from (at for _, at in taken) if listed else (None for _ in part.plain)


# --- standards ---------------------------------------------------------------------------------------------------


def _standards(made: Report, contents: Contents, run: RunRow) -> Iterator[StandardRow]:
    used = contents.roles()
    every = standards(made.setup, dt.date.fromisoformat(made.ended[:10]), contents)
    repeated: dict[str, Any] = {name: getattr(run, name) for name in STANDARD_REPEATS}
    for standard in sorted(every, key=lambda row: row.role):
        written = getattr(made.setup.bench, standard.role)
        answered = _identified(standard.identity)
        yield StandardRow(
            run_id=run.id, role=standard.role, label=standard.label, maker=written.maker or answered[0],
            model=written.model or answered[1], serial=written.serial or answered[2], identity=standard.identity,
            certificate=standard.certificate, certified=_day(standard.certified), due=_day(standard.due),
            used=standard.role in used, overdue=standard.overdue, **repeated,
        )  # fmt: skip


def _identified(identity: str) -> tuple[str, str, str]:
    """Maker, model and serial number of an answer to *IDN?; "0" is what is not known. IEEE 488.2-1992, 10.14."""
    parts = [part.strip() for part in identity.split(",")]
    if len(parts) != 4:
        return "", "", ""
    maker, model, serial = (part if part != "0" else "" for part in parts[:3])
    return maker, model, serial


def _day(text: str) -> dt.date | None:
    return dt.date.fromisoformat(text) if text else None


# --- what a database may be given --------------------------------------------------------------------------------


def _checked(row: Row, where: Path) -> Row:
    """The row with every number finite or None and every text fit for both databases; refuse what is too long."""
    return replace(row, **{f.name: _fit(f.name, getattr(row, f.name), where) for f in fields(row)})


def _fit(name: str, value: Any, where: Path) -> Any:
    match value:
        case bool():
            return value
        case float():
            return value + 0.0 if math.isfinite(value) else None  # the minus of −0 is lost in SQLite
        case int() if not -_INTEGER <= value < _INTEGER:
            raise RunRefused(f"{where}: {name} is {value}, which no record holds; the run is not added.")
        case str():
            longest = SHORT if name in _SEARCHED else LONG
            if len(value) > longest:
                raise RunRefused(
                    f"{where}: {name} has {len(value)} characters, and a record holds {longest}; the run is not "
                    "added. Its report is made as before."
                )
            return storable(value)
        case _:
            return value
