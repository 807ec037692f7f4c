"""What is written to a store, inside the transaction of the caller: a run is whole here or not at all."""

from __future__ import annotations

import datetime as dt
import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from importlib import import_module
from typing import Any, Final

import sqlalchemy as sa

from harness.errors import RunRefused
from harness.years.records.packing import pack, unpack
from harness.years.records.rows import Derived, Outcome
from harness.years.records.schema import issued, journals, outbox, reports, results, runs, standards

_CHUNK: Final = 5_000  # identities in one statement


def held(connection: sa.Connection, run_ids: Sequence[str], *, lock: bool = False) -> Mapping[str, str]:
    """The checksum of the journal of each of these runs that is here; `lock` keeps others off these rows."""
    checksums: dict[str, str] = {}
    for begin in range(0, len(run_ids), _CHUNK):
        statement = sa.select(runs.c.id, runs.c.journal_sha256).where(runs.c.id.in_(run_ids[begin : begin + _CHUNK]))
        if lock:
            statement = statement.with_for_update()  # SQLite holds the whole file for the writer as it is
        checksums |= {row.id: row.journal_sha256 for row in connection.execute(statement)}
    return checksums


def place(connection: sa.Connection, derived: Derived, store: str) -> Outcome:
    """Put a run in its place, whoever else does so at the same moment."""
    run = derived.run
    new = connection.execute(
        _insert(connection, runs).values(asdict(run)).on_conflict_do_nothing().returning(runs.c.id)
    ).scalar_one_or_none()
    if new is not None:
        _write_the_rest(connection, derived)
        return "added"
    there = held(connection, (run.id,), lock=True)[run.id]
    name = f"{store}: run {run.number}"
    if there == run.journal_sha256:
        return _place_issued(connection, derived, name)
    packed = connection.execute(sa.select(journals.c.packed).where(journals.c.run_id == run.id)).scalar_one_or_none()
    old = unpacked(packed, there, name)
    if old.startswith(derived.journal):
        return "known"  # an older copy of the same journal
    if not derived.journal.startswith(old):
        raise RunRefused(
            f"{name}: another journal has the same identity {run.id}, and neither goes on from the other; the one "
            "that is here stays. One of the two files was changed: compare them."
        )
    _rewrite(connection, derived)
    return "replaced"


def _place_issued(connection: sa.Connection, derived: Derived, name: str) -> Outcome:
    """What became of the reports of a run that is here already: the longer file stands."""
    of_the_run = derived.run.id
    row = connection.execute(sa.select(issued).where(issued.c.run_id == of_the_run)).one_or_none()
    old = unpacked(row.packed, row.sha256, f"{name}: approvals") if row is not None else b""
    if old.startswith(derived.issued):
        return "known"
    if not derived.issued.startswith(old):
        raise RunRefused(
            f"{name}: other approvals are kept here than those in its folder, and neither go on from the other; those "
            "that are here stay. One of the two files was changed: compare them."
        )
    _rewrite(connection, derived)  # an amended report may name another customer of the run
    return "replaced"


def issued_digests(connection: sa.Connection) -> Mapping[str, str]:
    """The checksum of the approvals of each run that has some."""
    return {row.run_id: row.sha256 for row in connection.execute(sa.select(issued.c.run_id, issued.c.sha256))}


def _write_issued(connection: sa.Connection, derived: Derived) -> None:
    if derived.issued:
        packed, sha256 = pack(derived.issued), hashlib.sha256(derived.issued).hexdigest()
        connection.execute(sa.insert(issued), [{"run_id": derived.run.id, "sha256": sha256, "packed": packed}])
    _write_rows(connection, reports, derived.reports)


def rewrite(connection: sa.Connection, derived: Derived, *, only_if: str) -> None:
    """Write the rows of a run anew, if its journal is still the one they were worked out from."""
    if held(connection, (derived.run.id,), lock=True).get(derived.run.id) == only_if:
        _rewrite(connection, derived)


def forget(connection: sa.Connection, run_id: str) -> None:
    """Remove a run with everything that hangs on it; in a file nothing of it is left to be read."""
    if connection.dialect.name == "sqlite":
        connection.exec_driver_sql("PRAGMA secure_delete = ON")  # what is deleted is written over
    connection.execute(sa.delete(runs).where(runs.c.id == run_id))


def wait(connection: sa.Connection, run_id: str, server: str, since: dt.datetime) -> None:
    """Note that a run waits for a server."""
    entry = {"server": server, "run_id": run_id, "since": since}
    connection.execute(_insert(connection, outbox).values(entry).on_conflict_do_nothing())


def arrived(connection: sa.Connection, server: str, run_id: str, journal_sha256: str) -> None:
    """Strike a run that has arrived at a server, unless a longer journal of it was added since."""
    as_sent = sa.select(runs.c.id).where(runs.c.id == run_id, runs.c.journal_sha256 == journal_sha256)
    connection.execute(sa.delete(outbox).where(outbox.c.server == server, outbox.c.run_id.in_(as_sent)))


def unpacked(packed: bytes | None, sha256: str, name: str) -> bytes:
    """The journal's bytes, held against their checksum."""
    try:
        data = unpack(packed or b"")
    except ValueError:
        data = b""
    if hashlib.sha256(data).hexdigest() != sha256:
        raise RunRefused(
            f"{name}: the journal kept here is damaged or was changed; add it again from its run folder with "
            "'halfpower records rebuild FOLDER'."
        )
    return data


def _insert(connection: sa.Connection, table: sa.Table) -> Any:
    return import_module(f"sqlalchemy.dialects.{connection.dialect.name}").insert(table)


def _rewrite(connection: sa.Connection, derived: Derived) -> None:
    of_the_run = derived.run.id
    for table in (results, standards, journals, reports, issued):
        connection.execute(sa.delete(table).where(table.c.run_id == of_the_run))
    connection.execute(sa.update(runs).where(runs.c.id == of_the_run).values(asdict(derived.run)))
    _write_the_rest(connection, derived)


def _write_the_rest(connection: sa.Connection, derived: Derived) -> None:
    connection.execute(sa.insert(journals), [{"run_id": derived.run.id, "packed": pack(derived.journal)}])
    _write_rows(connection, results, derived.results)
    _write_rows(connection, standards, derived.standards)
    _write_issued(connection, derived)


def _write_rows(connection: sa.Connection, table: sa.Table, rows: Sequence[Any]) -> None:
    if rows:
        names = table.c.keys()
        connection.execute(sa.insert(table), [{name: getattr(row, name) for name in names} for row in rows])
