"""The store of finished runs, in SQLite or PostgreSQL: add journals, ask for runs, results and standards.

Whatever a run has here follows from its journal, which is kept too; one run is one transaction.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import socket
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path
from types import TracebackType
from typing import Any, Literal

import sqlalchemy as sa

from harness.errors import RecordsError, RunRefused
from harness.journal.atomic import make_file, make_folder
from harness.words.clean import shortened
from harness.words.clock import Clock, RealClock
from harness.years.records import database, migrate, queries, writing
from harness.years.records.asking import Questions, Row, Wording
from harness.years.records.rows import (
    Added,
    Derived,
    Outcome,
    ReportRow,
    ResultRow,
    RunRow,
    Selection,
    StandardRow,
    newest,
)
from harness.years.records.schema import runs


class Store:
    """A store, open; use it in a `with`."""

    def __init__(self, place: database.Address, engine: sa.Engine, clock: Clock) -> None:
        self.place, self.name, self._engine, self._clock = place, place.name, engine, clock
        # One SELECT sees one state of a server as it is; a transaction around it would be two more journeys.
        alone = {} if place.file is not None else {"isolation_level": "AUTOCOMMIT"}
        self._reading = engine.execution_options(reading=True, **alone)
        self._questions = Questions(engine.dialect)

    @classmethod
    def open(
        cls,
        url: str | None = None,
        *,
        create: bool = True,
        clock: Clock | None = None,
        tell: Callable[[str], None] = lambda _: None,
        layouts: migrate.Layouts | None = None,
    ) -> Store:
        """Open a store, made or brought to this version's layout where it has to be.

        `url` is a file, or postgresql://USER@HOST/DATABASE; None takes HALFPOWER_STORE, or the user's own store.
        Raises RecordsError.
        """
        clock = clock or RealClock()
        place = database.address(url)
        if place.file is not None:
            _make_room(place.file, create=create)
        engine = database.connect(place)
        try:
            migrate.settle(engine, place, clock=clock, tell=tell, layouts=layouts)
        except BaseException:
            engine.dispose()
            raise
        return cls(place, engine, clock)

    def __enter__(self) -> Store:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, traceback: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close every connection."""
        self._engine.dispose()

    # --- adding ------------------------------------------------------------------------------------------------------

    def add(self, journal_path: Path, *, for_server: str = "") -> Added:
        """Add the run of a journal or run folder: its rows and the journal itself, or nothing.

        A run that is there already stays, unless this journal is a longer one of the same run, which was resumed
        since. `for_server` notes in the same transaction that the run waits for that server.
        Raises JournalError for a damaged journal, RecordsError for another journal under the same identity.
        """
        from harness.journal import issues  # who only asks waits for none of these
        from harness.journal import journal as journals_of_runs
        from harness.years.records.derive import Origin, derive_read

        data = journals_of_runs.sound(journal_path)
        contents = journals_of_runs.parse(data, journal_path)
        folder = (journal_path if journal_path.is_dir() else journal_path.parent).resolve()
        issued = issues.sound(folder)
        same = self.held((contents.id,)).get(contents.id) == contents.digest
        if same and self.issued(contents.id) == issued:
            if for_server:
                now = self._clock.utc()
                self.transaction(lambda connection: writing.wait(connection, contents.id, for_server, now))
            return self._added(contents.id, str(contents.header["run"]), "known")
        origin = Origin(host=socket.gethostname(), folder=str(folder), added=self._clock.utc())
        return self.put(derive_read(contents, data, journal_path, origin, issued), for_server=for_server)

    def put(self, derived: Derived, *, for_server: str = "") -> Added:
        """Add a run that was worked out already, from another store say; as `add`."""

        def write(connection: sa.Connection) -> Outcome:
            outcome = writing.place(connection, derived, self.name)
            if for_server:
                writing.wait(connection, derived.run.id, for_server, self._clock.utc())
            return outcome

        outcome = self.transaction(write)
        return self._added(derived.run.id, derived.run.number, outcome)

    def _added(self, run_id: str, number: str, outcome: Outcome) -> Added:
        rows = self._ask(lambda connection: connection.execute(queries.same_number(number, run_id)).all())
        clashes = tuple(
            f"Report number {number} was given twice: run {run_id[:8]}, added now, has it, and run {row.id[:8]}, "
            f"begun {row.started:%Y-%m-%d %H:%M} UTC on {row.bench!r} (folder {row.folder}). Both are kept. Set "
            "'report_number' in the bench files, so that benches number apart."
            for row in rows
        )
        return Added(run_id=run_id, number=number, outcome=outcome, clashes=clashes)

    def rebuild(self, run_id: str, journal: bytes | None = None) -> Literal["equal", "changed"]:
        """Work a run out again from its journal; say whether anything else stood there.

        `journal` is the journal from the run's folder: it takes the place of one that was damaged in the store, and
        is left alone where it is none that the store has added.
        """
        from harness.years.records.derive import Origin, derive

        run = self._run(run_id)
        if journal is None or hashlib.sha256(journal).hexdigest() != run.journal_sha256:
            journal = self.journal(run_id)
        origin = Origin(host=run.host, folder=run.folder, added=run.added)
        after = derive(journal, Path(f"{self.name}: run {run.number}"), origin, self.issued(run_id))
        try:
            if after == self.derived(run_id):
                return "equal"
        except RunRefused:
            pass  # the journal here is damaged; what came from the folder is not
        # Else another program has put in a longer journal meanwhile, worked out afresh.
        self.transaction(lambda connection: writing.rewrite(connection, after, only_if=run.journal_sha256))
        return "changed"

    def forget(self, run_id: str) -> None:
        """Remove a run with its results, standards and journal; its folder is not touched."""
        self._run(run_id)
        self.transaction(lambda connection: writing.forget(connection, run_id))

    # --- asking ------------------------------------------------------------------------------------------------------

    def runs(self, where: Selection = Selection()) -> tuple[RunRow, ...]:  # noqa: B008 - frozen
        """The runs, by the moment they began."""
        return self._rows(RunRow, queries.runs, where)

    def names(self, where: Selection) -> tuple[tuple[str, str], ...]:
        """Identity and number of the same runs, of which many more fit into memory."""
        named = queries.runs(where).with_only_columns(runs.c.id, runs.c.number)
        return self._ask(  # type: ignore[no-any-return]
            lambda connection: tuple((row.id, row.number) for row in connection.execute(named, queries.values(where)))
        )

    def results(self, where: Selection = Selection()) -> tuple[ResultRow, ...]:  # noqa: B008 - frozen
        """The results, by the moment their run began and their place in its report."""
        return self._rows(ResultRow, queries.results, where)

    def standards(self, where: Selection = Selection()) -> tuple[StandardRow, ...]:  # noqa: B008 - frozen
        """The standards, one row a run and role, by the moment the run began."""
        return self._rows(StandardRow, queries.standards, where)

    def due(self, until: dt.date) -> tuple[StandardRow, ...]:
        """The standards whose newest certificate runs out by a day, of real runs; the earliest first."""
        rows = [row for row in newest(self.certificates(False)).values() if row.due is not None and row.due <= until]
        return tuple(sorted(rows, key=lambda row: (row.due or until, row.label, row.run_id, row.role)))

    def certificates(self, simulated: bool | None) -> tuple[StandardRow, ...]:
        """Each certificate of each standard once, as the last run with it had it, by the moment that run began."""
        return self._rows(StandardRow, queries.certificates, Selection(simulated=simulated))

    def journal(self, run_id: str) -> bytes:
        """The journal of a run, as it was added; raises RecordsError where it is not what was added."""
        row = self._ask(lambda connection: connection.execute(queries.journal(run_id)).one_or_none())
        if row is None:
            raise self._no_run(run_id)
        return writing.unpacked(row.packed, row.journal_sha256, f"{self.name}: run {row.number}")

    def derived(self, run_id: str) -> Derived:
        """Everything the store holds of a run."""
        where = Selection(run_ids=(run_id,), simulated=None, finished=None)
        run, data = self._run(run_id), self.journal(run_id)
        return Derived(
            run=run, results=self.results(where), standards=self.standards(where), journal=data,
            reports=self.reports(run_id), issued=self.issued(run_id),
        )  # fmt: skip

    def reports(self, run_id: str | None = None) -> tuple[ReportRow, ...]:
        """The reports of a run that were approved or amended, in their order; of every run where none is named."""
        rows = self._ask(lambda connection: connection.execute(queries.reports(run_id)).mappings().all())
        return tuple(ReportRow(**row) for row in rows)

    def issued(self, run_id: str) -> bytes:
        """The file that says what became of the reports of a run; empty where nothing did."""
        row = self._ask(lambda connection: connection.execute(queries.issued(run_id)).one_or_none())
        return b"" if row is None else writing.unpacked(row.packed, row.sha256, f"{self.name}: approvals of {run_id}")

    def issued_digests(self) -> Mapping[str, str]:
        """The checksum of that file, of each run that has one."""
        digests: Mapping[str, str] = self._ask(writing.issued_digests)
        return digests

    def numbers(self) -> frozenset[tuple[str, str]]:
        """Every number that was given, simulated and unfinished runs' too, with the run that has it."""
        return frozenset(self._ask(lambda connection: [tuple(row) for row in connection.execute(queries.NUMBERS)]))

    # --- waiting for a server ----------------------------------------------------------------------------------------

    def held(self, run_ids: Iterable[str]) -> Mapping[str, str]:
        """The checksum of the journal of each of these runs that is here."""
        checksums: Mapping[str, str] = self._ask(lambda connection: writing.held(connection, tuple(run_ids)))
        return checksums

    def waiting(self, server: str) -> tuple[str, ...]:
        """The runs that wait for a server, those that waited longest first."""
        return tuple(self._ask(lambda connection: connection.execute(queries.waiting(server)).scalars().all()))

    def arrived(self, server: str, run_id: str, journal_sha256: str) -> None:
        """Strike a run that has arrived, unless a longer journal of it was added since."""
        self.transaction(lambda connection: writing.arrived(connection, server, run_id, journal_sha256))

    def _run(self, run_id: str) -> RunRow:
        runs = self.runs(Selection(run_ids=(run_id,), simulated=None, finished=None))
        if not runs:
            raise self._no_run(run_id)
        return runs[0]

    def _no_run(self, run_id: str) -> RecordsError:
        return RecordsError(f"{self.name}: holds no run {run_id!r}; 'halfpower records list' shows what it holds.")

    # --- what they share ---------------------------------------------------------------------------------------------

    def _rows(self, row: type[Row], wording: Wording, where: Selection) -> tuple[Row, ...]:
        question = self._questions.of(row, wording, where)
        rows: tuple[Row, ...] = self._ask(lambda connection: question.ask(connection, where))
        return rows

    @contextmanager
    def connection(self) -> Iterator[sa.Connection]:
        """A connection for questions that are not among these."""
        with database.told(self.place), self._reading.connect() as connection:
            yield connection

    def _ask(self, question: Callable[[sa.Connection], Any]) -> Any:
        with self.connection() as connection:
            try:
                return question(connection)
            except (ValueError, TypeError, OverflowError) as error:
                raise RecordsError(
                    f"{self.name}: holds a value that cannot be read ({shortened(str(error), 80)}): it is damaged, and "
                    "'halfpower records rebuild FOLDER' makes a new store from the runs."
                ) from error

    def transaction(self, work: Callable[[sa.Connection], Any]) -> Any:
        """Do work that writes, all of it or nothing."""
        with database.told(self.place), self._engine.begin() as connection:
            return work(connection)


def _make_room(file: Path, *, create: bool) -> None:
    if file.exists():
        return
    if not create:
        raise RecordsError(f"{file}: there is no store here yet; 'halfpower records add RUN_FOLDER' makes one.")
    try:
        make_folder(file.parent)
    except OSError as error:
        raise RecordsError(f"{file.parent}: cannot be made: {error.strerror}. Name another store.") from None
    with suppress(OSError):  # the database says in its own words why it cannot
        make_file(file)
