"""Folders of runs, read as a store is: everything worked out of the journals at once, nothing kept on disk."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from functools import cached_property
from pathlib import Path
from typing import Final, Protocol

from harness.errors import HalfpowerError, RecordsError
from harness.journal import issues
from harness.journal import journal as journals
from harness.years.records.derive import Origin, derive
from harness.years.records.rows import (
    BY_RESULT,
    BY_RUN,
    BY_STANDARD,
    Derived,
    ResultRow,
    RunRow,
    Selection,
    StandardRow,
)

_EPOCH: Final = dt.datetime(1970, 1, 1, tzinfo=dt.UTC)  # nothing was added anywhere


class Records(Protocol):
    """What a store and a folder of runs are asked alike."""

    @property
    def name(self) -> str:
        """What it is called in messages."""

    def runs(self, where: Selection) -> tuple[RunRow, ...]:
        """The runs, by the moment they began."""

    def results(self, where: Selection) -> tuple[ResultRow, ...]:
        """The results, by the moment their run began and their place in its report."""

    def standards(self, where: Selection) -> tuple[StandardRow, ...]:
        """The standards, one row a run and role, by the moment the run began."""

    def certificates(self, simulated: bool | None) -> tuple[StandardRow, ...]:
        """Each certificate of each standard once, as the last run with it had it, by the moment that run began."""

    def journal(self, run_id: str) -> bytes:
        """The journal of a run."""


def journal_files(root: Path) -> tuple[str, ...]:
    """The path of every journal below a folder, as text, of which many fit into memory, and in their order.

    Raises RecordsError where there is none.
    """
    if not root.is_dir():
        raise RecordsError(f"{root}: there is no such folder. Name the folder that holds the runs' folders.")
    files = tuple(sorted(map(str, root.rglob(journals.NAME))))
    if not files:
        raise RecordsError(f"{root}: holds no run: there is no {journals.NAME} in it or below it.")
    return files


class RunFolders:
    """Every run below a folder. A journal that cannot be read is named in `problems`, and the others count."""

    def __init__(self, root: Path) -> None:
        self.root, self.name = root, str(root)
        self.problems: list[str] = []
        self._files = journal_files(root)

    def runs(self, where: Selection) -> tuple[RunRow, ...]:
        """The runs, by the moment they began."""
        return tuple(derived.run for derived in self._fitting(where))

    def results(self, where: Selection) -> tuple[ResultRow, ...]:
        """The results, by the moment their run began and their place in its report."""
        return tuple(row for derived in self._fitting(where) for row in _results(derived, where))

    def standards(self, where: Selection) -> tuple[StandardRow, ...]:
        """The standards, one row a run and role, by the moment the run began."""
        return tuple(
            row
            for derived in self._fitting(where)
            for row in derived.standards
            if where.standard is None or is_standard(row, where.standard)
        )

    def certificates(self, simulated: bool | None) -> tuple[StandardRow, ...]:
        """Every certificate of every standard, by the moment its run began."""
        return self.standards(Selection(simulated=simulated, finished=None))

    def journal(self, run_id: str) -> bytes:
        """The journal of a run."""
        derived = next((derived for derived in self._derived if derived.run.id == run_id), None)
        if derived is None:
            raise RecordsError(f"{self.root}: holds no run {run_id!r}.")
        return derived.journal

    def _fitting(self, where: Selection) -> Iterator[Derived]:
        return (derived for derived in self._derived if run_fits(derived, where))

    @cached_property
    def _derived(self) -> tuple[Derived, ...]:
        by_id: dict[str, Derived] = {}
        for file in map(Path, self._files):
            try:
                origin = Origin(host="", folder=str(file.parent), added=_EPOCH)
                derived = derive(journals.sound(file), file, origin, issues.sound(file.parent))
            except HalfpowerError as error:
                self.problems.append(str(error))
            else:
                kept = by_id.setdefault(derived.run.id, derived)
                if kept.run.journal_bytes < derived.run.journal_bytes:
                    by_id[derived.run.id] = derived  # the longer journal of a run that was copied, then resumed
        return tuple(sorted(by_id.values(), key=lambda derived: (derived.run.started, derived.run.id)))


def is_standard(row: StandardRow, name: str) -> bool:
    """Whether a name is that of a standard: its label, serial number, certificate or identity."""
    return name in (getattr(row, field) for field in BY_STANDARD)


def run_fits(derived: Derived, where: Selection) -> bool:
    """Whether a run is one of those asked for: by its own fields, and by having a result and a standard that fit."""
    run = derived.run
    day = run.started.date()
    return (
        all(getattr(where, name) in (None, getattr(run, name)) for name in BY_RUN)
        and (where.since is None or day >= where.since)
        and (where.until is None or day <= where.until)
        and (where.run_ids is None or run.id in where.run_ids)
        and (_asks_for_results(where) <= bool(_results(derived, where)))
        and (where.standard is None or any(row.used and is_standard(row, where.standard) for row in derived.standards))
    )


def _asks_for_results(where: Selection) -> bool:
    return any(getattr(where, name) is not None for name in BY_RESULT)


def _results(derived: Derived, where: Selection) -> tuple[ResultRow, ...]:
    return tuple(
        row for row in derived.results if all(getattr(where, name) in (None, getattr(row, name)) for name in BY_RESULT)
    )
