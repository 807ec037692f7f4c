"""Units over the years, from a store or a folder of runs: drift of points, what is due, what a standard touched.

Results are taken as they were recorded. What their uncertainties have in common, and which results rest on which
standard, is read from the journals (`harness.years.history_facts`).
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from operator import itemgetter
from typing import TYPE_CHECKING, Any, Final

from harness.analysis.drift import LEAST_RESULTS, DatedResult, Drift, fit_drift, series_of
from harness.analysis.verdict import Limits
from harness.errors import AnalysisError, RecordsError
from harness.measurement import axis_of, rating_names
from harness.words import moments
from harness.years.history_facts import JournalFacts, Shared, is_error_of, nothing_found, point_of, tried_by
from harness.years.records.folder import is_standard
from harness.years.records.rows import ResultRow, RunRow, Selection, StandardRow, newest, same_standard

if TYPE_CHECKING:
    import pandas as pd

    from harness.years.records.folder import Records

_NOT_TRACKED: Final = ("finding", "reading", "as found", "change")
_SAME_U: Final = 1e-6
_CHOOSE_POINTS: Final = ("condition", "overall", "verdict", "bench", "standard", "run_ids")


@dataclass(frozen=True, slots=True, kw_only=True)
class TrackEntry:
    """One result of a point, and of the run it belongs to."""

    row: ResultRow
    shared: Shared = ()

    @property
    def day(self) -> dt.date:
        """The day on which the run began."""
        return self.row.started.date()

    @property
    def as_left(self) -> bool:
        """Whether it is of the unit after an adjustment."""
        return self.row.condition == "as left"


@dataclass(frozen=True, slots=True, kw_only=True)
class Series:
    """The results of a point between two adjustments, and their drift, or why there is none."""

    entries: tuple[TrackEntry, ...]
    drift: Drift | None
    why_not: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Track:
    """One point of one unit over time."""

    maker: str
    model: str
    serial: str
    quantity: str
    channel: int | None
    path: str
    setting: str
    is_error: bool
    unit: str
    error_definition: str  # of an error; "" of other quantities
    detail: str  # what tells it from the other points of its setting: the level, the definition of error
    series: tuple[Series, ...]
    without_value: tuple[ResultRow, ...] = ()  # bounds, and points that were not measured

    @property
    def name(self) -> str:
        """What the point is called within its unit."""
        channel = "" if self.channel is None else f"channel {self.channel}"
        place = self.detail if self.quantity in rating_names() and axis_of(self.quantity) == "none" else self.place
        return ", ".join(part for part in (self.quantity, channel, self.path, place) if part)

    @property
    def place(self) -> str:
        """Its setting, and what tells it from other points there."""
        return ", ".join(part for part in (self.setting, self.detail) if part)

    @property
    def entries(self) -> tuple[TrackEntry, ...]:
        """Every result with a value, in the order of time."""
        return tuple(entry for series in self.series for entry in series.entries)

    @property
    def latest(self) -> Series:
        """The series since the last adjustment."""
        return self.series[-1]

    @property
    def limits(self) -> Limits | None:
        """The limits that held at the last result."""
        return limits_of(self.entries[-1].row)


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitState:
    """One unit: its runs, how the last one ended, and when it is due."""

    maker: str
    model: str
    serial: str
    runs: tuple[RunRow, ...]
    due: dt.date | None  # None: nobody has said

    @property
    def last(self) -> RunRow:
        """The newest run."""
        return self.runs[-1]


@dataclass(frozen=True, slots=True, kw_only=True)
class StandardUse:
    """A run that a standard was used in, and the words that rest on it."""

    run: RunRow
    standard: StandardRow
    results: tuple[ResultRow, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class History:
    """Everything that is said of a choice of runs."""

    source: str
    where: Selection
    units: tuple[UnitState, ...]
    tracks: tuple[Track, ...]
    standards: tuple[StandardRow, ...]  # each by the newest certificate that is known of it
    uses: tuple[StandardUse, ...]  # where the choice names a standard
    problems: tuple[str, ...] = ()
    unfinished: int = 0  # runs that would fit and were left out because they have no end

    @property
    def simulated(self) -> bool:
        """Whether these are simulated runs; they are never mixed with real ones."""
        return self.where.simulated is not False


def read(
    records: Records,
    where: Selection = Selection(),  # noqa: B008 - frozen
    *,
    interval: str = "",
    tracks: bool = True,
) -> History:
    """Work out the history of a choice of runs and results, from a store or a folder of runs.

    `interval` is the time until a unit is due again, where its last job does not say: "12 months"; `tracks` says
    whether every point is followed, or the units alone. Simulated and real runs are never taken together. Raises
    RecordsError where no run fits; the sentence names what comes near.
    """
    if where.simulated is None:
        raise RecordsError("Simulated and real runs are not taken together: ask for the ones or the others.")
    runs = records.runs(where)
    if not runs:
        raise RecordsError(nothing_found(records, where))
    facts = JournalFacts(records)
    units = tuple(_units(runs, facts, interval))
    followed = tuple(_followed(records, where, facts)) if tracks else ()
    uses = tuple(_uses(records, where, runs, facts)) if where.standard is not None else ()
    return History(
        source=records.name,
        where=where,
        units=units,
        tracks=followed,
        standards=tuple(_newest(records, where)),
        uses=uses,
        problems=tuple(facts.problems),
        unfinished=len(records.runs(replace(where, finished=False))) if where.finished else 0,
    )


def limits_of(row: ResultRow) -> Limits | None:
    """The limits of a result, in its own unit."""
    if row.limit_low is None and row.limit_high is None:
        return None
    return Limits(low=row.limit_low, high=row.limit_high)


# --- points over time --------------------------------------------------------------------------------------------


def _followed(records: Records, where: Selection, facts: JournalFacts) -> Iterator[Track]:
    """The points that have a result such as asked for, each through all its results of the period.

    A point followed through its fails alone, or past an adjustment that was made on another bench, would drift
    otherwise than the unit does.
    """
    whole = replace(where, **dict.fromkeys(_CHOOSE_POINTS))
    chosen = {point_of(row) for row in records.results(where)}
    definitions = {run.id: run.error_definition for run in records.runs(whole)}
    yield from _tracks([row for row in records.results(whole) if point_of(row) in chosen], facts, definitions)


def _tracks(rows: Sequence[ResultRow], facts: JournalFacts, definitions: Mapping[str, str]) -> Iterator[Track]:
    tried = tried_by(rows)
    gathered: dict[tuple[Any, ...], list[ResultRow]] = {}
    for row in rows:
        if row.kind not in _NOT_TRACKED:
            key = (row.maker, row.model, row.serial, row.quantity, row.path, row.channel or 0, row.setting_value or 0.0,
                   row.setting, tried[row.run_id, row.position],
                   definitions.get(row.run_id, "") if is_error_of(row) else "",
                   row.result_unit if row.result is not None else "")  # fmt: skip
            gathered.setdefault(key, []).append(row)
    without = {key[:-1]: results for key, results in gathered.items() if key[-1] == ""}
    valued = {key: results for key, results in gathered.items() if key[-1] != ""}
    ways: dict[tuple[Any, ...], tuple[set[Any], set[Any]]] = {}
    for key in valued:
        levels, defined = ways.setdefault(key[:8], (set(), set()))
        levels.add(key[8])
        defined.add(key[9])
    for key, results in sorted(valued.items(), key=itemgetter(0)):
        first, (levels, defined) = results[0], ways[key[:8]]
        level = results[-1].applied if len(levels) > 1 else ""
        definition = f"error as {key[9]}" if len(defined) > 1 else ""
        yield Track(
            maker=first.maker, model=first.model, serial=first.serial, quantity=first.quantity, channel=first.channel,
            path=first.path, setting=first.setting, is_error=is_error_of(first), unit=first.result_unit,
            error_definition=key[9],
            detail=", ".join(part for part in (level, definition) if part),
            series=tuple(_series(results, facts)), without_value=tuple(without.get(key[:-1], ())),
        )  # fmt: skip


def _series(rows: Sequence[ResultRow], facts: JournalFacts) -> Iterator[Series]:
    """Divide the results, which are in the order of time, at the adjustments, and fit each series."""
    divided = series_of(TrackEntry(row=row) for row in rows)
    enough = max(len(series) for series in divided) >= LEAST_RESULTS
    for part in divided:
        entries = tuple(replace(entry, shared=_shared(entry.row, facts)) for entry in part) if enough else part
        try:
            drift = fit_drift([_dated(entry) for entry in entries], limits_of(entries[-1].row))
        except AnalysisError as error:
            yield Series(entries=entries, drift=None, why_not=str(error))
        else:
            yield Series(entries=entries, drift=drift)


def _dated(entry: TrackEntry) -> DatedResult:
    row = entry.row
    return DatedResult(
        day=entry.day, value=row.result or 0.0, u=row.standard_u or 0.0, shared=entry.shared, as_left=entry.as_left
    )


def _shared(row: ResultRow, facts: JournalFacts) -> Shared:
    """The shared lines, where the journal still gives the uncertainty that was recorded."""
    of_run = facts.of(row.run_id)
    u = of_run.u.get(row.position, 0.0)
    if row.standard_u is None or not math.isclose(u, row.standard_u, rel_tol=_SAME_U):
        return ()
    return of_run.shared.get(row.position, ())


# --- units and standards -----------------------------------------------------------------------------------------


def _units(runs: Sequence[RunRow], facts: JournalFacts, interval: str) -> Iterator[UnitState]:
    gathered: dict[tuple[str, str, str], list[RunRow]] = {}
    for run in runs:
        gathered.setdefault((run.maker, run.model, run.serial), []).append(run)
    for (maker, model, serial), of_unit in sorted(gathered.items()):
        last = of_unit[-1]
        job = facts.job(last.id)
        text = (job.interval if job is not None else "") or interval
        due = job.next_due if job is not None else None
        if due is None and text:
            due = moments.interval(text).after(last.started.date())
        yield UnitState(maker=maker, model=model, serial=serial, runs=tuple(of_unit), due=due)


def _newest(records: Records, where: Selection) -> Iterator[StandardRow]:
    """Each standard of these runs by the newest certificate that is known of it anywhere, the first due first."""
    of_runs = {same_standard(row): row for row in records.standards(where)}
    known = newest(records.certificates(where.simulated))
    rows = (known.get(standard, row) for standard, row in of_runs.items())
    yield from sorted(rows, key=lambda row: (row.due or dt.date.max, row.label))


def _uses(records: Records, where: Selection, runs: Sequence[RunRow], facts: JournalFacts) -> Iterator[StandardUse]:
    """Every run with the standard, and the results of the parts in which a reading was taken with it."""
    rows = [row for row in records.standards(where) if row.used and is_standard(row, where.standard or "")]
    by_run: dict[str, list[ResultRow]] = {}
    for result in records.results(where):
        if result.verdict:
            by_run.setdefault(result.run_id, []).append(result)
    known = {run.id: run for run in runs}
    for row in rows:
        parts = facts.of(row.run_id).roles
        results = tuple(
            result for result in by_run.get(row.run_id, ()) if row.role in parts.get(result.part, frozenset({row.role}))
        )
        if row.run_id in known:
            yield StandardUse(run=known[row.run_id], standard=row, results=results)


# --- for notebooks -----------------------------------------------------------------------------------------------


def frame(history: History) -> pd.DataFrame:
    """
    Return every result of a history as a DataFrame, one row a result, with the drift of the series it belongs to.

    Parameters
    ----------
    history
        What `read` returned.

    Returns
    -------
    pandas.DataFrame
        One row a result, in the order of points and days: what it is of (`maker`, `model`, `serial`, `quantity`,
        `channel`, `path`, `setting`, `applied`, `error_definition`), where it comes from (`run_id`, `started`,
        `condition`, `bench`, `simulated`),
        the result (`result`, `standard_u`, `expanded_u`, `limit_low`, `limit_high` in `result_unit`; `verdict`), and
        the drift of its series (they count from 1; a new one begins at every adjustment): `drift_per_year` and
        `drift_expanded_u` in `result_unit` a year, `birge_ratio`, and `leaves_expected` and `leaves_earliest`, the
        days of leaving the limits if it goes on so. What is not there is NaN or NaT.

    Examples
    --------
    >>> from harness.years import history
    >>> from harness.years.records.store import Store
    >>> with Store.open("records.sqlite") as store:
    ...     table = history.frame(history.read(store))
    >>> drifting = table[abs(table["drift_per_year"]) > table["drift_expanded_u"]]
    >>> sorted(set(drifting["serial"]))
    ['Egret-3071']
    """
    import pandas as pd

    rows = [dict(zip(COLUMNS, row, strict=True)) for row in table(history)]
    made = pd.DataFrame(rows, columns=list(COLUMNS))
    for name in ("leaves_expected", "leaves_earliest"):
        made[name] = pd.to_datetime(made[name])
    return made.astype({"channel": "Int64", "series": "Int64"} | dict.fromkeys(_NUMBERS, "float64"))


COLUMNS: Final = (
    "maker", "model", "serial", "quantity", "channel", "path", "setting", "applied", "error_definition", "series",
    "run_id", "started", "condition", "bench", "simulated", "result", "result_unit", "standard_u", "expanded_u",
    "limit_low", "limit_high", "verdict", "drift_per_year", "drift_expanded_u", "birge_ratio", "leaves_expected",
    "leaves_earliest",
)  # fmt: skip
_NUMBERS: Final = (
    "result", "standard_u", "expanded_u", "limit_low", "limit_high", "drift_per_year", "drift_expanded_u",
    "birge_ratio",
)  # fmt: skip


def table(history: History) -> Iterator[tuple[Any, ...]]:
    """The rows of `frame`, as values."""
    for track in history.tracks:
        for number, series in enumerate(track.series, start=1):
            drift = series.drift
            leaving = drift.leaving if drift is not None else None
            of_drift = (drift.per_year, drift.expanded_per_year, drift.line.birge) if drift is not None else (None,) * 3
            of_leaving = (leaving.expected, leaving.earliest) if leaving is not None else (None, None)
            for entry in series.entries:
                row = entry.row
                yield (
                    row.maker, row.model, row.serial, row.quantity, row.channel, row.path, row.setting,
                    row.applied, track.error_definition, number,
                    row.run_id, row.started, row.condition, row.bench, row.simulated, row.result, row.result_unit,
                    row.standard_u, row.expanded_u, row.limit_low, row.limit_high, row.verdict, *of_drift, *of_leaving,
                )  # fmt: skip
