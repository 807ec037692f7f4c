"""Whether a store is sound: the database itself, and every journal in it."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import sqlalchemy as sa

from harness.errors import HalfpowerError
from harness.journal import journal
from harness.years.records.database import told
from harness.years.records.rows import Selection
from harness.years.records.schema import METADATA, runs
from harness.years.records.store import Store


def problems(store: Store) -> Iterator[str]:
    """Everything that is not as it should be, a sentence each; nothing is changed."""
    with told(store.place):
        yield from _of_the_database(store)
    for run in store.runs(Selection(simulated=None, finished=None)):
        try:
            contents = journal.parse(store.journal(run.id), Path(f"{store.name}: run {run.number}"))
        except HalfpowerError as error:
            yield str(error)
            continue
        if contents.id != run.id or (contents.closed_at is not None) != run.finished:
            yield f"{store.name}: run {run.number}: its row and its journal disagree; 'halfpower records rebuild'."


def _of_the_database(store: Store) -> Iterator[str]:
    with store.connection() as connection:
        if connection.dialect.name == "sqlite":
            for (answer,) in connection.exec_driver_sql("PRAGMA integrity_check"):
                if answer != "ok":
                    yield f"{store.name}: the database says: {answer}"
        for table in METADATA.sorted_tables:
            if table is runs:
                continue
            orphans = sa.select(sa.func.count()).select_from(table).where(table.c.run_id.not_in(sa.select(runs.c.id)))
            if count := connection.execute(orphans).scalar_one():
                yield f"{store.name}: {count} rows of the table {table.name!r} belong to no run."
