"""A copy of a store: made while others write, whole, tried before it counts, and good to go on with."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from harness.errors import RecordsError
from harness.years.records.copying import copy
from harness.years.records.rows import Selection
from harness.years.records.store import Store
from tests.helpers.demo_lab import halfpower
from tests.helpers.record_examples import told_again

EVERY = Selection(simulated=None, finished=None)


def filled(url: str, runs: Path) -> Store:
    store = Store.open(url)
    for n in (1, 2, 3):
        store.add(told_again(runs, n, simulated=n == 3))
    return store


def test_a_copy_holds_all_and_is_gone_on_with(store_url: str, tmp_path: Path) -> None:
    with filled(store_url, tmp_path / "runs") as store:
        assert copy(store, tmp_path / "copy.sqlite") == 3
        before = [store.derived(run.id) for run in store.runs(EVERY)]
    with Store.open(str(tmp_path / "copy.sqlite"), create=False) as restored:
        assert [restored.derived(run.id) for run in restored.runs(EVERY)] == before
        assert restored.add(told_again(tmp_path / "runs", 4)).outcome == "added"
    assert not list(tmp_path.glob("*.part*"))


def test_a_copy_is_of_one_moment_while_another_writes(tmp_path: Path) -> None:
    file = tmp_path / "records.sqlite"
    with filled(str(file), tmp_path / "runs") as store, closing(sqlite3.connect(file)) as other:
        other.execute("BEGIN IMMEDIATE")
        other.execute("DELETE FROM results")
        assert copy(store, tmp_path / "copy.sqlite") == 3
        other.commit()
    with Store.open(str(tmp_path / "copy.sqlite")) as restored:
        assert restored.results(EVERY)
    with closing(sqlite3.connect(file)) as after:
        assert after.execute("SELECT count(*) FROM results").fetchone() == (0,)


def test_what_is_not_sound_is_no_copy(tmp_path: Path) -> None:
    file = tmp_path / "records.sqlite"
    with filled(str(file), tmp_path / "runs") as store:
        with closing(sqlite3.connect(file)) as other:
            other.execute("UPDATE journals SET packed = zeroblob(20)")
            other.commit()
        with pytest.raises(RecordsError, match=r"a copy of it is not sound, so none was made: run .* is damaged"):
            copy(store, tmp_path / "copy.sqlite")
    assert not list(tmp_path.glob("copy*"))


def test_the_command_says_what_it_copied_and_never_writes_over_anything(tmp_path: Path) -> None:
    filled(str(tmp_path / "records.sqlite"), tmp_path / "runs").close()
    arguments = ("records", "copy", tmp_path / "copy.sqlite", "--store", tmp_path / "records.sqlite")
    assert f"copy.sqlite: 3 runs of {tmp_path / 'records.sqlite'}, sound" in halfpower(*arguments).output
    again = halfpower(*arguments)
    assert (again.exit_code, "never written over it" in again.output) == (RecordsError.exit_code, True)
    nowhere = halfpower(*arguments[:2], tmp_path / "no" / "copy.sqlite", *arguments[3:])
    assert (nowhere.exit_code, "cannot be written" in nowhere.output) == (RecordsError.exit_code, True)
    listed = halfpower("records", "list", "--store", tmp_path / "copy.sqlite").output
    assert "2 runs in" in listed
