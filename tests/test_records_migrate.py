"""Layouts of the store: brought up to date once, whole or not at all, with a copy before; a newer one is refused.

The layout after the newest stands here, in a folder of the test's own.
"""

from __future__ import annotations

import datetime as dt
import json
import os
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import pytest
import sqlalchemy as sa

from harness.errors import RecordsError
from harness.years.records import database, queries
from harness.years.records.migrate import Layouts
from harness.years.records.rows import Selection
from harness.years.records.schema import LAYOUT, METADATA, VERSION_TABLE
from harness.years.records.store import Store
from tests.helpers.record_examples import told_again

posix = pytest.mark.skipif(not hasattr(os, "fork"), reason="processes are forked and killed as POSIX does")
ROOT = Path(__file__).resolve().parent.parent
SHIPPED = Layouts().folders

SECOND = """
import sqlalchemy as sa
from alembic import op

revision, down_revision, branch_labels, depends_on = "4", "3", None, None


def upgrade():
    op.create_table("shelves", sa.Column("run_id", sa.Text(), primary_key=True), sa.Column("shelf", sa.Integer()))
    op.add_column("runs", sa.Column("shelf", sa.Integer(), nullable=True))
    op.execute("UPDATE runs SET shelf = 3")
"""


@pytest.fixture
def second(tmp_path: Path) -> Layouts:
    folder = tmp_path / "layouts"
    folder.mkdir()
    (folder / "layout_4.py").write_text(SECOND, "utf-8")
    return Layouts(newest="4", folders=(*SHIPPED, folder))


def tables(url: str) -> set[str]:
    engine = database.connect(database.address(url))
    with engine.connect() as connection:
        found = set(sa.inspect(connection).get_table_names())
    engine.dispose()
    return found


def test_the_steps_lead_to_the_tables_that_the_program_uses(store_url: str) -> None:
    from alembic.autogenerate import compare_metadata
    from alembic.migration import MigrationContext

    with Store.open(store_url) as store, store._engine.connect() as connection:
        context = MigrationContext.configure(connection, opts={"version_table": VERSION_TABLE, "compare_type": True})
        assert compare_metadata(context, METADATA) == []
    assert tables(store_url) == {*METADATA.tables, VERSION_TABLE}


def test_a_store_is_brought_to_the_next_layout_with_its_runs(store_url: str, tmp_path: Path, second: Layouts) -> None:
    told: list[str] = []
    with Store.open(store_url, tell=told.append) as store:
        store.add(told_again(tmp_path / "runs"))
        before = store.derived(f"{1:032x}")
    assert told == []
    with Store.open(store_url, tell=told.append, layouts=second) as store:
        assert store.derived(f"{1:032x}") == before
        with store.connection() as connection:
            assert connection.exec_driver_sql("SELECT shelf FROM runs").scalars().all() == [3]
    with Store.open(store_url, tell=told.append, layouts=second):
        pass  # the second time there is nothing to do, and nothing to say
    assert len(told) == (0 if "postgresql" in store_url else 1)


def test_the_file_is_copied_before_and_the_copy_is_told(tmp_path: Path, second: Layouts) -> None:
    file = tmp_path / "records.sqlite"
    told: list[str] = []
    with Store.open(str(file)) as store:
        store.add(told_again(tmp_path / "runs"))
        before = store.derived(f"{1:032x}")
    Store.open(str(file), tell=told.append, layouts=second).close()
    (copy,) = tmp_path.glob("records-layout-3-20*.sqlite")
    assert told == [f"{file}: brought from layout 3 to 4; a copy as it was: {copy}"]
    with Store.open(str(copy)) as store:
        assert store.derived(f"{1:032x}") == before


def test_a_layout_of_a_newer_version_is_refused_and_left_alone(store_url: str, second: Layouts) -> None:
    Store.open(store_url, layouts=second).close()
    with pytest.raises(RecordsError, match="has layout 4, of a newer version of this program; this one knows layouts"):
        Store.open(store_url)
    assert "shelves" in tables(store_url)


@pytest.mark.parametrize(
    "ending",
    ["\n    raise RuntimeError", pytest.param("\n    import os, signal\n    os.kill(os.getpid(), 9)", marks=posix)],
)
def test_a_step_that_breaks_half_way_changes_nothing(
    store_url: str, tmp_path: Path, second: Layouts, ending: str
) -> None:
    step = second.folders[-1] / "layout_4.py"
    step.write_text(SECOND.rstrip() + ending + "\n", "utf-8")
    with Store.open(store_url) as store:
        store.add(told_again(tmp_path / "runs"))
        before = store.derived(f"{1:032x}")
    if "RuntimeError" in ending:
        with pytest.raises(RuntimeError):
            Store.open(store_url, layouts=second)
    else:
        process = opener(store_url, second)  # four at once, and each is killed when its turn comes
        process.communicate(timeout=100)
    with Store.open(store_url) as store:
        assert store.derived(f"{1:032x}") == before
    assert tables(store_url) == {*METADATA.tables, VERSION_TABLE}
    step.write_text(SECOND, "utf-8")
    with Store.open(store_url, layouts=second) as store:
        assert store.derived(f"{1:032x}") == before


def opener(url: str, layouts: Layouts) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-m", "tests.helpers.record_workers", "open", url, layouts.newest, *map(str, layouts.folders)],
        cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, encoding="utf-8",
        env={**os.environ, "OPENBLAS_NUM_THREADS": "1"},
    )  # fmt: skip


@posix
@pytest.mark.parametrize("there", ["nothing", "layout 3"])
def test_many_that_open_a_store_at_once_bring_it_up_to_date_once(
    store_url: str, tmp_path: Path, second: Layouts, there: str
) -> None:
    if there == "layout 3":
        Store.open(store_url).close()
    process = opener(store_url, second)
    out, err = process.communicate(timeout=100)
    assert process.returncode == 0, err
    told = [sentence for each in json.loads(out) for sentence in each]
    brought = there == "layout 3" and "postgresql" not in store_url
    assert len(told) == (1 if brought else 0)
    copies = [] if "postgresql" in store_url else list(Path(store_url).parent.glob("*layout-3*"))
    assert len(copies) == len(told)
    Store.open(store_url, layouts=second).close()


def test_a_file_of_another_program_is_not_taken_over(tmp_path: Path) -> None:
    file = tmp_path / "albums.sqlite"
    with closing(sqlite3.connect(file)) as connection:
        connection.execute("CREATE TABLE albums (title TEXT)")
    with pytest.raises(RecordsError, match="is another program's database; name another store"):
        Store.open(str(file))
    with closing(sqlite3.connect(file)) as connection:
        assert connection.execute("SELECT name FROM sqlite_master").fetchall() == [("albums",)]


AS_BEFORE_3 = """
    DROP INDEX runs_by_serial; CREATE INDEX runs_by_serial ON runs (serial, started);
    DROP INDEX runs_by_start; CREATE INDEX runs_by_start ON runs (started);
"""


@pytest.mark.parametrize(
    ("layout", "as_it_was"), [("1", AS_BEFORE_3 + "DROP TABLE reports; DROP TABLE issued;"), ("2", AS_BEFORE_3)]
)
def test_a_store_of_an_older_layout_is_brought_to_the_newest_with_its_runs(
    tmp_path: Path, layout: str, as_it_was: str
) -> None:
    file, told = tmp_path / "records.sqlite", []
    with Store.open(str(file)) as store:
        store.add(told_again(tmp_path / "runs"))
        before = store.derived(f"{1:032x}")
    with closing(sqlite3.connect(file)) as database_:
        database_.executescript(as_it_was)
        database_.execute(f"UPDATE {VERSION_TABLE} SET version_num = ?", [layout])
        database_.commit()
    with Store.open(str(file), tell=told.append) as store:
        assert store.derived(f"{1:032x}") == before
        assert not sorted_in(store, Selection(serial="Egret-3071"))
        assert not sorted_in(store, Selection(since=dt.date(2026, 1, 1)))
    assert f"brought from layout {layout} to {LAYOUT}" in told[0]


def sorted_in(store: Store, where: Selection) -> bool:
    """Whether the database sorts the runs that are asked for, which it need not where an index has them in order."""
    with store.connection() as connection:
        asked = queries.runs(where).compile(connection.engine)
        given = queries.values(where)
        plan = connection.exec_driver_sql(
            f"EXPLAIN QUERY PLAN {asked.string}", tuple(str(given.get(name, 0)) for name in asked.positiontup)
        )
        return any("TEMP B-TREE" in row[-1] for row in plan)
