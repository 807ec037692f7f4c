"""What the office asks of the store: the latest reports, and the standards and units that are due soon."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

from harness.errors import RecordsError
from harness.office.sight import Due, ReportSight
from harness.quantities import counted
from harness.report.shown import KIND
from harness.years.records.rows import Selection

if TYPE_CHECKING:
    from harness.years.history import UnitState
    from harness.years.records.rows import RunRow, StandardRow
    from harness.years.records.store import Store

MOST: Final = 15  # reports
RECENT: Final = dt.timedelta(days=60)
IN_USE: Final = dt.timedelta(days=1000)  # who was on no bench for so long is not asked for any more
DUE_EVERY_S: Final = 600.0  # what is due changes by the day, and with every run


@dataclass(frozen=True, slots=True, kw_only=True)
class InStore:
    """What the store says."""

    reports: tuple[ReportSight, ...] = ()
    ids: frozenset[str] = frozenset()  # of the runs that were looked at
    standards: tuple[Due, ...] = ()
    units: tuple[Due, ...] = ()
    problems: tuple[str, ...] = ()


@dataclass(slots=True, kw_only=True)
class Stored:
    """A store that is asked again and again; it is open only while it is asked."""

    opened: Callable[[], AbstractContextManager[Store]]
    simulated: bool
    within: dt.timedelta
    interval: str
    _last: InStore = InStore()
    _due_for: tuple[object, ...] = ()
    _due_at_s: float = 0.0

    def look(self, today: dt.date, now_s: float) -> InStore:
        """What it says now; where it cannot be asked, what it said last, and why it is old."""
        try:
            with self.opened() as store:
                recent = store.runs(Selection(since=today - RECENT, simulated=self.simulated))
                newest = (today, len(recent), *(run.id for run in recent[-1:]))
                if newest != self._due_for or now_s - self._due_at_s > DUE_EVERY_S:
                    standards, units = self._due(store, today)
                    self._due_for, self._due_at_s = newest, now_s
                else:
                    standards, units = self._last.standards, self._last.units
        except RecordsError as error:
            return replace(self._last, problems=(str(error),))
        reports = tuple(_report(run) for run in reversed(recent[-MOST:]))
        self._last = InStore(reports=reports, ids=frozenset(run.id for run in recent), standards=standards, units=units)
        return self._last

    def _due(self, store: Store, today: dt.date) -> tuple[tuple[Due, ...], tuple[Due, ...]]:
        from harness.years import history

        where = Selection(since=today - IN_USE, simulated=self.simulated)
        if not store.runs(where):
            return (), ()
        made = history.read(store, where, interval=self.interval, tracks=False)
        soon = today + self.within
        return tuple(_standards(made.standards, today, soon)), tuple(_units(made.units, today, soon))


def _report(run: RunRow) -> ReportSight:
    return ReportSight(
        run_id=run.id,
        number=run.number, unit=f"{run.maker} {run.model}, no. {run.serial}", bench=run.bench,
        at=run.ended.isoformat(timespec="seconds"), word=run.overall, kind=KIND.get(run.overall, "none"),
        folder=f"{run.host}: {run.folder}",
    )  # fmt: skip


def _standards(rows: tuple[StandardRow, ...], today: dt.date, soon: dt.date) -> Iterator[Due]:
    for row in rows:
        if row.due is not None and row.due <= soon:
            detail = f"certificate {row.certificate}" if row.certificate else ""
            yield due(row.label, detail, row.due, today, serial=row.serial)


def _units(units: tuple[UnitState, ...], today: dt.date, soon: dt.date) -> Iterator[Due]:
    some = sorted((unit.due, unit.serial, unit) for unit in units if unit.due is not None and unit.due <= soon)
    for day, _, unit in some:
        yield due(
            f"{unit.maker} {unit.model}, no. {unit.serial}", f"last verified {unit.last.started.date()}", day, today
        )


def due(what: str, detail: str, day: dt.date, today: dt.date, *, serial: str = "") -> Due:
    """Something that is due on a day, and how soon that is."""
    left = (day - today).days
    word = (
        f"overdue by {counted(-left, 'day')}" if left < 0 else "due today" if not left else f"in {counted(left, 'day')}"
    )
    return Due(what=what, detail=detail, day=str(day), word=word, kind="bad" if left < 0 else "open", serial=serial)
