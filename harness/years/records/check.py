"""Whether a store is sound: the database itself, every journal in it, and the rows that follow from each."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import fields
from pathlib import Path
from typing import TYPE_CHECKING, Final

import sqlalchemy as sa

from harness.errors import HalfpowerError
from harness.quantities import counted
from harness.words.clean import shortened
from harness.words.version import program_version
from harness.years.records.database import told
from harness.years.records.derive import Origin, derive
from harness.years.records.rows import RunRow, Selection
from harness.years.records.schema import METADATA, runs
from harness.years.records.store import Store

if TYPE_CHECKING:
    from _typeshed import DataclassInstance


_ARITHMETIC: Final = 1e-9  # of a number: a verdict is compared with its limit no more closely


def problems(store: Store) -> Iterator[str]:
    """Everything that is not as it should be, a sentence each; nothing is changed.

    Every run is worked out again from its journal, so that rows are found that somebody has changed in the database.
    """
    with told(store.place):
        yield from _of_the_database(store)
    runs_ = store.runs(Selection(simulated=None, finished=None))
    for run in runs_:
        try:
            yield from _of_the_run(store, run)
        except HalfpowerError as error:
            yield str(error)
    for number, count in Counter(run.number for run in runs_).items():
        if count > 1:
            yield f"{store.name}: {count} runs carry the report number {number}; it should have been given once."


def _of_the_run(store: Store, run: RunRow) -> Iterator[str]:
    """What stands in the store of a run, held against its journal."""
    name = f"{store.name}: run {run.number}"
    kept = store.derived(run.id)
    made = derive(kept.journal, Path(name), Origin(host=run.host, folder=run.folder, added=run.added), kept.issued)
    changed = [
        *_changed("", kept.run, made.run),
        *_changed_rows("result", kept.results, made.results),
        *_changed_rows("standard", kept.standards, made.standards),
        *_changed_rows("report", kept.reports, made.reports),
    ]
    if not changed:
        return
    more = f", and {len(changed) - 1} more" if len(changed) > 1 else ""
    why = (
        f"They were worked out by version {run.derived_by}, and this is {program_version()}"
        if run.derived_by != program_version()
        else "Somebody changed the store, or it is damaged"
    )
    yield f"{name}: is not what its journal says: {changed[0]}{more}. {why}; 'halfpower records rebuild' mends it."


def _changed_rows(what: str, kept: Sequence[DataclassInstance], made: Sequence[DataclassInstance]) -> Iterator[str]:
    if len(kept) != len(made):
        yield f"{counted(len(kept), what)} here and {len(made)} in the journal"
        return
    for place, (one, other) in enumerate(zip(kept, made, strict=True), 1):
        yield from _changed(f"{what} {place}, ", one, other)


def _changed(place: str, kept: DataclassInstance, made: DataclassInstance) -> Iterator[str]:
    for field in fields(kept):
        here, there = getattr(kept, field.name), getattr(made, field.name)
        if not _same(here, there) and field.name != "derived_by":
            yield f"{place}{field.name} is {shortened(str(here), 60)!r}, by the journal {shortened(str(there), 60)!r}"


def _same(kept: object, made: object) -> bool:
    """Whether they are equal; numbers to what another computer's arithmetic leaves of them."""
    if isinstance(kept, float) and isinstance(made, float):
        return math.isclose(kept, made, rel_tol=_ARITHMETIC)
    return kept == made


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
