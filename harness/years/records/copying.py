"""A copy of a store, made while others write to it, and tried before it counts."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

from harness.errors import RecordsError
from harness.journal.atomic import make_file, sync, sync_folder
from harness.years.records.check import problems
from harness.years.records.rows import Selection
from harness.years.records.store import Store


def copy(store: Store, to: Path) -> int:
    """Copy a store, a server's too, into a new file; return how many runs it holds.

    It holds what stood in the store at one moment (of a server: every run whole). It is opened as a store and checked
    as `records check` does, and only then gets its name. Raises RecordsError; nothing is left behind then.
    """
    if to.exists():
        raise RecordsError(
            f"{to}: something stands there already, and a copy is never written over it. Name a new file."
        )
    part = to.with_name(f"{to.name}.part")
    try:
        part.unlink(missing_ok=True)
        make_file(part)
        if store.place.file is not None:
            backup(store.place.file, part)
        runs = _tried(store, part)
        with part.open("rb+") as written:
            sync(written.fileno())
        part.replace(to)
        sync_folder(to.parent)
    except (OSError, sqlite3.Error) as error:
        reason = getattr(error, "strerror", None) or error
        raise RecordsError(f"{to}: cannot be written: {reason}. The store is as it was; name another file.") from None
    finally:
        for each in (part, *(part.with_name(f"{part.name}{end}") for end in ("-wal", "-shm"))):
            each.unlink(missing_ok=True)
    return runs


def backup(file: Path, to: Path) -> None:
    """Copy an SQLite file as it is at one moment, whoever writes meanwhile."""
    with closing(sqlite3.connect(file)) as source, closing(sqlite3.connect(to)) as target:
        source.backup(target)


def _tried(store: Store, part: Path) -> int:
    with Store.open(str(part)) as there:
        if store.place.file is None:
            for run in store.runs(Selection(simulated=None, finished=None)):
                there.put(store.derived(run.id))
        if found := [problem.replace(f"{there.name}: ", "") for problem in problems(there)]:
            raise RecordsError(
                f"{store.name}: a copy of it is not sound, so none was made: {found[0]} 'halfpower records check' "
                "names all that is wrong with the store."
            )
        return len(there.runs(Selection(simulated=None, finished=None)))
