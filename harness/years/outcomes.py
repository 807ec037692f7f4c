"""The outcomes of a re-analysis, put aside in a database of their own on disk, so that many runs need no more memory.

A run that lies there twice counts once, by its longer journal. They come out by date, whatever the folders are called;
what cannot be read comes last.
"""

from __future__ import annotations

import pickle
import sqlite3
from collections.abc import Iterable, Iterator
from typing import Final

from harness.years.reanalysis import Outcome

_TABLES: Final = """
    CREATE TABLE outcomes (key TEXT PRIMARY KEY, unreadable, began, whence, length, outcome BLOB);
    CREATE TABLE places (n INTEGER PRIMARY KEY, at INTEGER);
"""
_KEEP: Final = """
    INSERT INTO outcomes VALUES (?, ?, ?, ?, ?, ?) ON CONFLICT (key) DO UPDATE SET began = excluded.began,
    whence = excluded.whence, length = excluded.length, outcome = excluded.outcome WHERE excluded.length > length
"""
_IN_ORDER: Final = "INSERT INTO places (at) SELECT rowid FROM outcomes ORDER BY unreadable, began, whence"
_KEPT: Final = "SELECT outcome FROM places JOIN outcomes ON outcomes.rowid = at"


class Outcomes:
    """Outcomes that were put aside; they are gone over as often as one likes, inside a `with`."""

    def __init__(self, outcomes: Iterable[Outcome]) -> None:
        self._kept = sqlite3.connect("")  # a file that goes with this
        self._kept.executescript(_TABLES)
        self._kept.executemany(_KEEP, map(_row, outcomes))
        self._count = self._kept.execute(_IN_ORDER).rowcount

    def __enter__(self) -> Outcomes:
        return self

    def __exit__(self, *_: object) -> None:
        self._kept.close()

    def __len__(self) -> int:
        return self._count

    def __getitem__(self, n: int) -> Outcome:
        return _outcome(self._kept.execute(f"{_KEPT} WHERE n = ?", [n + 1]).fetchone())

    def __iter__(self) -> Iterator[Outcome]:
        return map(_outcome, self._kept.execute(f"{_KEPT} ORDER BY n"))


def _row(outcome: Outcome) -> tuple[str, bool, str, str, int, bytes]:
    run = outcome.run
    key, began, length = (outcome.where, "", 0) if run is None else (run.id, run.started.isoformat(), run.journal_bytes)
    return key, run is None, began, outcome.where, length, pickle.dumps(outcome)


def _outcome(row: tuple[bytes]) -> Outcome:
    outcome: Outcome = pickle.loads(row[0])
    return outcome
