"""What goes into the store and comes out of it, as values; nothing here knows a database.   [pure]

Times are UTC. A number that is not finite is None, as in the tables of a report.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final, Literal, TypeAlias

from harness.report.tables import PointRow


@dataclass(frozen=True, slots=True, kw_only=True)
class RunRow:
    """One run: what was verified, where, by whom, and how it ended."""

    id: str
    number: str
    started: dt.datetime
    ended: dt.datetime
    finished: bool  # False: the journal has no end; its points count, its overall word is open
    simulated: bool
    title: str
    maker: str
    model: str
    serial: str
    condition: str
    bench: str
    location: str
    laboratory: str
    customer: str
    customer_reference: str
    operator: str
    temperature_celsius: float | None
    humidity_ratio: float | None
    rule: str
    error_definition: str
    overall: str
    sentence: str
    program: str  # that measured
    derived_by: str  # the version that worked out the rows; another one may decide otherwise: `records rebuild`
    journal_sha256: str
    journal_bytes: int
    host: str
    folder: str  # on that host
    added: dt.datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class ResultRow(PointRow):
    """One result of a run, as the report's table has it, with what is needed to compare it with other runs."""

    run_id: str
    position: int
    at: dt.datetime | None  # of its last reading
    started: dt.datetime
    finished: bool
    simulated: bool
    maker: str
    model: str
    serial: str
    condition: str
    bench: str


@dataclass(frozen=True, slots=True, kw_only=True)
class StandardRow:
    """A standard on the bench of a run."""

    run_id: str
    role: str
    label: str
    maker: str
    model: str
    serial: str
    identity: str
    certificate: str
    certified: dt.date | None
    due: dt.date | None
    used: bool  # whether a reading that stands was taken with it, or levelled on it
    overdue: bool  # on the last day of the run
    started: dt.datetime
    finished: bool
    simulated: bool
    bench: str


def same_standard(row: StandardRow) -> tuple[str, ...]:
    """By what a standard is known again on another bench: its serial number, else how it is called."""
    return (row.maker, row.model, row.serial) if row.serial else ("", "", "", row.label)


def newest(rows: Iterable[StandardRow]) -> dict[tuple[str, ...], StandardRow]:
    """Each standard with the newest certificate that is known of it; `rows` are in the order of time.

    A bench file may still have an old certificate after another has the newer one.
    """
    known: dict[tuple[str, ...], StandardRow] = {}
    for row in rows:
        before = known.get(same_standard(row))
        older = before is not None and before.certified and row.certified and row.certified < before.certified
        if not older:
            known[same_standard(row)] = row
    return known


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportRow:
    """A report of a run that was approved or amended: `harness.journal.issues` says what the words mean."""

    run_id: str
    position: int
    number: str
    state: str
    replaces: str
    why: str
    replaced_by: str
    approved_by: str
    place: str
    issued: dt.date | None
    approved_at: dt.datetime | None
    key: str
    signature: str


RESULT_REPEATS: Final = ("started", "finished", "simulated", "maker", "model", "serial", "condition", "bench")
STANDARD_REPEATS: Final = ("started", "finished", "simulated", "bench")
"""What the row of a result, and that of a standard, say again of their run; a database holds it once, with the run."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Derived:
    """Everything that a store holds of one run; all of it follows from its two files."""

    run: RunRow
    results: tuple[ResultRow, ...]
    standards: tuple[StandardRow, ...]
    journal: bytes
    reports: tuple[ReportRow, ...] = ()
    issued: bytes = b""  # the file beside the journal that says what became of its reports


Outcome: TypeAlias = Literal["added", "known", "replaced"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Added:
    """What became of a journal that was offered: new, there already, or a longer one of a run that went on."""

    run_id: str
    number: str
    outcome: Outcome
    clashes: tuple[str, ...] = ()  # that another run has its number, a sentence each


@dataclass(frozen=True, slots=True, kw_only=True)
class Selection:
    """Which runs, results or standards are asked for; what is left None is not asked.

    A run is chosen by its own fields and by having a result or a standard that fits; a result or standard by its own
    and its run's. Simulated runs and runs without an end are left out unless asked for: neither may pass for a
    verification unnoticed. `simulated` and `finished` take None for both kinds.
    """

    serial: str | None = None
    maker: str | None = None
    model: str | None = None
    standard: str | None = None  # label, serial number, certificate or identity of a standard that was used
    bench: str | None = None
    customer: str | None = None
    since: dt.date | None = None  # first and last day on which a run began, UTC
    until: dt.date | None = None
    condition: str | None = None
    overall: str | None = None  # of the run: "meets", …
    quantity: str | None = None
    channel: int | None = None
    setting: str | None = None  # as the report writes it: "50 mV/div"
    path: str | None = None
    verdict: str | None = None  # of a result: "pass", …
    simulated: bool | None = False
    finished: bool | None = True
    run_ids: tuple[str, ...] | None = None


BY_RUN: Final = ("serial", "maker", "model", "bench", "customer", "condition", "overall", "simulated", "finished")
BY_RESULT: Final = ("quantity", "channel", "setting", "path", "verdict")
"""The fields of a selection that a run, or a result, has under the same name and must equal."""
BY_STANDARD: Final = ("label", "serial", "certificate", "identity")
"""The fields of a standard any of which may be the name that is asked for."""


def storable(text: str) -> str:
    """A text as both databases keep it: no NUL, no half of a surrogate pair."""
    return text.replace("\0", "\ufffd").encode("utf-8", "replace").decode()
