"""Journals that stand in a store as an older version packed them, packed as this one does: each whole, or as it was.

Each is a transaction of its own, held against its checksum before it is written, so that whatever ends it, what is left
is done the next time; a run that another program changes meanwhile is left to that program.
"""

from __future__ import annotations

import sqlite3
from contextlib import closing
from dataclasses import dataclass
from typing import Any

import sqlalchemy as sa

from harness.errors import HalfpowerError, RecordsError
from harness.years.records import database
from harness.years.records.packing import ZLIB, pack, unpack
from harness.years.records.schema import issued, journals, runs
from harness.years.records.store import Store
from harness.years.records.writing import unpacked


@dataclass(frozen=True, slots=True, kw_only=True)
class Repacked:
    """What became of a store's journals."""

    journals: int
    bytes_before: int
    bytes_after: int
    problems: tuple[str, ...]  # a damaged one stays as it is


def repack(store: Store) -> Repacked:
    """Pack every journal anew that an older version packed, then give the room back."""
    done = before = after = 0
    problems = []
    of_runs = sa.select(runs.c.id, runs.c.journal_sha256)
    of_issues = sa.select(issued.c.run_id, issued.c.sha256)
    for table, checksums in ((journals, of_runs), (issued, of_issues)):
        for run_id, sha256 in _left(store, table, checksums):
            try:
                was, now = _one(store, table, run_id, sha256)
            except HalfpowerError as error:
                problems.append(str(error))
            else:
                done, before, after = done + 1, before + was, after + now
    _give_back(store)
    return Repacked(journals=done, bytes_before=before, bytes_after=after, problems=tuple(problems))


def _left(store: Store, table: sa.Table, checksums: sa.Select[Any]) -> list[tuple[str, str]]:
    """The runs whose journal is as an older version packed it, each with the journal's checksum."""
    first = sa.func.substr(table.c.packed, 1, 1, type_=sa.LargeBinary())
    key = checksums.selected_columns[0]
    old = checksums.where(key.in_(sa.select(table.c.run_id).where(first == ZLIB))).order_by(key)
    with store.connection() as connection:
        return [(row[0], row[1]) for row in connection.execute(old)]


def _one(store: Store, table: sa.Table, run_id: str, sha256: str) -> tuple[int, int]:
    """Pack one anew; return how many bytes it took and takes."""
    with store.connection() as connection:
        old = connection.execute(sa.select(table.c.packed).where(table.c.run_id == run_id)).scalar_one_or_none()
    data = unpacked(old, sha256, f"{store.name}: run {run_id}")
    new = pack(data)
    if unpack(new) != data:
        raise RecordsError(f"{store.name}: run {run_id}: does not come back as it was when packed anew; it stays.")
    as_it_was = sa.update(table).where(table.c.run_id == run_id, table.c.packed == old)
    store.transaction(lambda connection: connection.execute(as_it_was.values(packed=new)))
    return len(old or b""), len(new)


def _give_back(store: Store) -> None:
    """Make the file as small as what it holds; a server does so by itself."""
    if store.place.file is not None:
        with database.told(store.place), closing(sqlite3.connect(store.place.file, timeout=database.BUSY_S)) as file:
            file.execute("VACUUM")
            file.execute("PRAGMA wal_checkpoint(TRUNCATE)")
