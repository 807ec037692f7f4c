"""The outcomes of a re-analysis, on disk: in memory only where each stands, so that many runs need little of it.

A run that lies there twice counts once, by its longer journal. They come out by date, whatever the folders are called;
what cannot be read comes last.
"""

from __future__ import annotations

import pickle
import tempfile
from collections.abc import Iterable, Iterator
from typing import TypeAlias

from harness.years.reanalysis import Outcome

_Place: TypeAlias = tuple[bool, str, str, int, int]  # unreadable, when it began, where; journal's length, offset


class Outcomes:
    """Outcomes that were put aside; they are gone over as often as one likes, inside a `with`."""

    def __init__(self, outcomes: Iterable[Outcome]) -> None:
        self._file = tempfile.TemporaryFile()  # noqa: SIM115 - it goes with this
        known: dict[str, _Place] = {}
        for outcome in outcomes:
            run = outcome.run
            key, length = (outcome.where, 0) if run is None else (run.id, run.journal_bytes)
            if key in known and known[key][3] >= length:
                continue
            began = "" if run is None else run.started.isoformat()
            known[key] = (run is None, began, outcome.where, length, self._file.tell())
            pickle.dump(outcome, self._file)
        self._places = [place[-1] for place in sorted(known.values())]

    def __enter__(self) -> Outcomes:
        return self

    def __exit__(self, *_: object) -> None:
        self._file.close()

    def __len__(self) -> int:
        return len(self._places)

    def __getitem__(self, n: int) -> Outcome:
        self._file.seek(self._places[n])
        outcome: Outcome = pickle.load(self._file)
        return outcome

    def __iter__(self) -> Iterator[Outcome]:
        return (self[n] for n in range(len(self)))
