"""What the store costs at 10,000 runs: `python -m tests.benchmarks.records [RUNS]`.

Beside each question through `Store`, in the same run, the same question as plain SQL through the database's own
driver: ratios count, the machine's speed does not. The first runs are added from journals, whole; the others are the
rows of one demo run told again with other units, dates, certificates and values, and put in a transaction a run, since
a report a run, and a journal packed for each, would take longer than all that is asked here. PostgreSQL is tried where
its server is installed, which then does not wait for the disk; SQLite does.
"""

from __future__ import annotations

import datetime as dt
import random
import sqlite3
import statistics
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

import sqlalchemy as sa

from harness import runs as opening
from harness.commands.demo import unpack
from harness.journal import journal
from harness.years.records import queries
from harness.years.records.derive import Origin, derive
from harness.years.records.packing import pack
from harness.years.records.rows import Derived, Selection
from harness.years.records.store import Store
from tests.helpers import postgres

ADDED = 20
UNITS = 400
CERTIFICATES = 40  # of each standard
FIRST, HOURS = dt.datetime(2021, 1, 4, 8, 0, tzinfo=dt.UTC), 43_800
TIMES = 15
HISTORY = Selection(serial="S-0123", quantity="deflection", channel=2, setting="50 mV/div", path="lead")
OF_A_STANDARD = Selection(standard="BW-C-1001")
A_MONTH = Selection(since=dt.date(2024, 5, 1), until=dt.date(2024, 5, 31))
FAILED = Selection(serial="S-0123", verdict="fail")
DUE = dt.date(2027, 6, 1)

JOINED = (
    "SELECT results.*, runs.started, runs.serial, runs.condition, runs.bench FROM runs JOIN results "
    "ON results.run_id = runs.id WHERE NOT runs.simulated AND runs.finished AND "
)
POINT = JOINED + "serial = ? AND quantity = ? AND channel = ? AND setting = ? AND path = ? ORDER BY started"
POINT_VALUES = ["S-0123", "deflection", 2, "50 mV/div", "lead"]
FAILS = JOINED + "serial = ? AND verdict = ? ORDER BY started"
USED = (
    "SELECT * FROM runs WHERE NOT simulated AND finished AND id IN (SELECT run_id FROM standards WHERE used AND "
    "(certificate = ? OR serial = ? OR label = ? OR identity = ?)) ORDER BY started"
)
MONTH = "SELECT * FROM runs WHERE NOT simulated AND finished AND started BETWEEN ? AND ? ORDER BY started"
OUT = (
    "SELECT * FROM (SELECT s.*, r.started, row_number() OVER (PARTITION BY s.maker, s.model, s.serial, s.label "
    "ORDER BY r.started DESC) AS age FROM standards s JOIN runs r ON s.run_id = r.id WHERE NOT r.simulated) AS newest "
    "WHERE age = 1 AND due <= ?"
)
EVERY = "SELECT * FROM runs WHERE NOT simulated AND finished ORDER BY started"

Plain = Callable[[str, list[Any]], list[Any]]


def main() -> None:
    """Print the tables."""
    runs = int(sys.argv[1]) if len(sys.argv) > 1 else 10_000
    with tempfile.TemporaryDirectory() as folder:
        demo = a_run(Path(folder))
        file = Path(folder) / "records.sqlite"
        measured("SQLite", str(file), demo, runs, lambda: closing(sqlite3.connect(file)))
        packed = len(pack(journal.sound(demo)))
        print(f"  the file: {file.stat().st_size / 1e6:.0f} MB, and {packed / 1e3:.1f} kB more for each whole journal")
        if reason := postgres.why_not():
            print(f"PostgreSQL: not tried, {reason}")
            return
        import psycopg

        with postgres.started() as server:
            url = server.new()
            measured("PostgreSQL", url, demo, runs, lambda: psycopg.connect(url))


def a_run(folder: Path) -> Path:
    """The demo's digital run, as if its bench were real."""
    unpack(folder / "demo")
    return opening.start(folder / "demo" / "digital.toml", folder / "runs").folder


def told_again(demo: Path, runs: int) -> Iterator[Derived]:
    """The demo's rows under other names, dates and values."""
    chance = random.Random(1)
    origin = Origin(host="bench", folder="runs", added=dt.datetime(2026, 1, 1, tzinfo=dt.UTC))
    first = derive(journal.sound(demo), demo, origin)
    for n in range(runs):
        began = FIRST + dt.timedelta(hours=n * HOURS / runs)
        shared = {"started": began, "simulated": False, "bench": f"Bench {n % 5}"}
        period = n * CERTIFICATES // runs
        due = FIRST.date() + dt.timedelta(hours=period * HOURS / CERTIFICATES, days=365)
        unit = {"serial": f"S-{n % UNITS:04d}"}
        run = replace(
            first.run, id=f"{n:032x}", number=f"run {n}", ended=began + dt.timedelta(minutes=9), **shared, **unit
        )
        results = tuple(
            replace(
                row, run_id=run.id, result=row.result + chance.gauss(0, 0.1) if row.result is not None else None,
                **shared, **unit,
            )
            for row in first.results
        )  # fmt: skip
        standards = tuple(
            replace(row, run_id=run.id, certificate=f"BW-C-{1000 + period + 100 * place}", due=due, **shared)
            for place, row in enumerate(first.standards)
        )  # fmt: skip
        kept = first.journal if n < ADDED else b""
        yield Derived(run=run, results=results, standards=standards, journal=kept)


def measured(name: str, url: str, demo: Path, runs: int, connect: Callable[[], Any]) -> None:
    """Fill a store and ask it."""
    print(f"{name}, {runs} runs")
    sqlite = name == "SQLite"
    with Store.open(url) as store:
        adding(store, demo, runs)
        with connect() as connection:
            if not sqlite:  # the server's own housekeeping does so within a minute
                connection.execute("ANALYZE")
                connection.commit()

            def plain(sql: str, values: list[Any]) -> list[Any]:
                found: list[Any] = connection.execute(sql if sqlite else sql.replace("?", "%s"), values).fetchall()
                return found

            asked(store, plain, sqlite)
        plans(store, sqlite)


def adding(store: Store, demo: Path, runs: int) -> None:
    """The cost of adding a run: from its journal, and its rows alone."""
    whole, known = [], []
    for n in range(ADDED):
        folder = demo.parent / f"copy-{n}"
        if not folder.exists():
            retold(demo, folder, n)
        whole.append(seconds(partial(store.add, folder)))
        known.append(seconds(partial(store.add, folder)))
    puts = [seconds(partial(store.put, derived)) for derived in told_again(demo, runs)]
    again = [seconds(partial(store.rebuild, f"{n:032x}")) for n in range(ADDED)]
    for what, times in (
        ("add a run from its journal", whole),
        ("put a run that is worked out", puts),
        ("  the last thousand of these", puts[-1000:]),
        ("add a run that is there already", known),
        ("rebuild a run", again),
    ):
        print(f"  {what:<34}{1e3 * statistics.median(times):>8.1f} ms (median)")


def retold(demo: Path, folder: Path, n: int) -> None:
    """The demo's journal under another identity."""
    contents = journal.read(demo)
    head = {key: value for key, value in contents.header.items() if key not in ("kind", "format", "at")}
    made = journal.Journal.create(folder, {**head, "id": f"copy{n}"}, lambda: str(head["started"]))
    for record in contents.records:
        made.reply(record.part, record.n, record.step, record.reply)
    made.end()
    made.close()


def asked(store: Store, plain: Plain, sqlite: bool) -> None:
    """Each question through the store, and as plain SQL."""
    month = [dt.datetime(2024, 5, 1, tzinfo=dt.UTC), dt.datetime(2024, 5, 31, 23, 59, 59, 999999, tzinfo=dt.UTC)]
    days: list[Any] = [day.isoformat(timespec="microseconds") for day in month] if sqlite else month
    until = DUE.isoformat() if sqlite else DUE
    questions: tuple[tuple[str, Callable[[], Any], str, list[Any]], ...] = (
        ("a unit's history of one point", partial(store.results, HISTORY), POINT, POINT_VALUES),
        ("a unit's failed points", partial(store.results, FAILED), FAILS, ["S-0123", "fail"]),
        ("runs that used a standard", partial(store.runs, OF_A_STANDARD), USED, ["BW-C-1001"] * 4),
        ("the runs of a month", partial(store.runs, A_MONTH), MONTH, days),
        ("which standards are due", partial(store.due, DUE), OUT, [until]),
        ("every run", store.runs, EVERY, []),
    )
    print(f"  {'asked (medians)':<34}{'rows':>7}{'Store, ms':>11}{'plain, ms':>11}{'over plain':>12}")
    for what, question, sql, values in questions:
        ours, bare = question(), plain(sql, values)
        assert len(ours) == len(bare) > 0, (what, len(ours), len(bare))
        taken = statistics.median(seconds(question) for _ in range(TIMES))
        alone = statistics.median(seconds(partial(plain, sql, values)) for _ in range(TIMES))
        print(f"  {what:<34}{len(ours):>7}{1e3 * taken:>11.2f}{1e3 * alone:>11.2f}{taken / alone:>11.1f}×")


def plans(store: Store, sqlite: bool) -> None:
    """How the database goes about the store's own statements."""
    explain = "EXPLAIN QUERY PLAN " if sqlite else "EXPLAIN "
    for what, wording, where in (
        ("history", queries.results, HISTORY),
        ("standard", queries.runs, OF_A_STANDARD),
        ("month", queries.runs, A_MONTH),
        ("due", queries.certificates, Selection()),
    ):
        with store.connection() as connection:
            sa.event.listen(
                connection, "before_cursor_execute", lambda _c, _k, sql, values, *_: (explain + sql, values),
                retval=True,
            )  # fmt: skip
            result = connection.execute(wording(where), queries.values(where))
            rows = result.cursor.fetchall()  # type: ignore[union-attr]
        print(f"  plan of {what}: " + "; ".join(" ".join(str(row[-1]).split()) for row in rows)[:500])


def seconds(action: Callable[[], Any]) -> float:
    """How long an action takes."""
    began = time.process_time()
    action()
    return time.process_time() - began


if __name__ == "__main__":
    main()
