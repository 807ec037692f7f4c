"""Several benches and one server: waiting while it is away, pushing that may be cut off anywhere, many at once."""

from __future__ import annotations

import json
import os
import socket
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from pathlib import Path
from typing import Any

import pytest

from harness.errors import RecordsError
from harness.years.records import database
from harness.years.records.push import push, remember
from harness.years.records.rows import Selection
from harness.years.records.store import Store
from tests.helpers import postgres
from tests.helpers.record_examples import resumed, told_again

ROOT = Path(__file__).resolve().parent.parent
EVERYTHING = Selection(simulated=None, finished=None)

posix = pytest.mark.skipif(not hasattr(os, "fork"), reason="processes are forked and killed as POSIX does")


@pytest.fixture
def own(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    """The user's own store, empty."""
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    monkeypatch.delenv(database.VARIABLE, raising=False)
    return str(tmp_path / "data" / "halfpower" / "records.sqlite")


def worker(*arguments: object) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-W", "error", "-m", "tests.helpers.record_workers", *map(str, arguments)],
        cwd=ROOT, text=True, stdout=subprocess.PIPE, stderr=subprocess.PIPE, encoding="utf-8",
        env={**os.environ, "OPENBLAS_NUM_THREADS": "1"},
    )  # fmt: skip


def said(process: subprocess.Popen[str]) -> Any:
    out, err = process.communicate(timeout=100)
    assert process.returncode == 0, err
    return json.loads(out)


def numbers(url: str, where: Selection = Selection()) -> list[int]:  # noqa: B008 - frozen
    with Store.open(url) as store:
        return [int(run.id, 16) for run in store.runs(where)]


# --- what a run does by itself -----------------------------------------------------------------------------------


def test_a_finished_run_is_remembered_without_asking(own: str, tmp_path: Path) -> None:
    assert remember(told_again(tmp_path / "runs")) == ()
    assert remember(told_again(tmp_path / "others", records=9)) == (), "without an end: nothing is said, nothing kept"
    assert numbers(own, EVERYTHING) == [1]


def test_a_simulated_run_is_remembered_only_where_its_store_is_named(
    own: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = told_again(tmp_path / "runs", simulated=True)
    assert remember(folder) == ()
    monkeypatch.setenv(database.VARIABLE, str(tmp_path / "real.sqlite"))
    assert remember(folder) == ()
    assert not Path(own).exists()
    assert not (tmp_path / "real.sqlite").exists()
    assert remember(folder, str(tmp_path / "trial.sqlite")) == ()
    assert numbers(str(tmp_path / "trial.sqlite"), Selection(simulated=True)) == [1]


def test_none_is_no_store(own: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    folder = told_again(tmp_path / "runs")
    assert remember(folder, "none") == ()
    monkeypatch.setenv(database.VARIABLE, "none")
    assert remember(folder) == ()
    assert not Path(own).exists()


def test_a_store_that_fails_is_one_sentence_and_nothing_else(own: str, tmp_path: Path) -> None:
    folder = told_again(tmp_path / "runs")
    Path(own).parent.mkdir(parents=True)
    Path(own).write_text("no database at all, but text that is long enough to be taken for one" * 20, "utf-8")
    (sentence,) = remember(folder)
    assert sentence == (
        f"{own}: is no database; name another file, and look what this one is. "
        f"The run is not among the records; add it later: halfpower records add {folder}"
    )


@pytest.mark.postgresql
def test_a_run_waits_for_a_server_that_is_away(
    own: str, tmp_path: Path, postgresql: postgres.Server, monkeypatch: pytest.MonkeyPatch
) -> None:
    url = postgresql.new()
    with proxied(postgresql.port) as (port, let_through):
        monkeypatch.setenv(database.VARIABLE, url.replace(f":{postgresql.port}/", f":{port}/"))
        let_through[0] = 0
        for n in (1, 2):
            (sentence,) = remember(told_again(tmp_path / "runs", n))
            assert "the server does not answer" in sentence or "was lost" in sentence
            assert sentence.endswith(
                f"{n} run{'' if n == 1 else 's'} wait{'s' if n == 1 else ''} for it in {own}; the next finished run "
                "takes them along, or 'halfpower records push'."
            )
            assert postgres.PASSWORD not in sentence
            assert postgres.QUOTED not in sentence
        assert numbers(own) == [1, 2]
        let_through[0] = 10**9
        assert remember(told_again(tmp_path / "runs", 3)) == ()
        assert numbers(url) == [1, 2, 3]
        with Store.open(own) as local:
            assert local.waiting(database.address().name) == ()


def test_a_server_that_takes_a_question_and_never_answers_holds_nobody_up(
    own: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with socket.create_server(("127.0.0.1", 0)) as silent:
        port = silent.getsockname()[1]
        monkeypatch.setenv(database.VARIABLE, f"postgresql://bench@127.0.0.1:{port}/records")
        (sentence,) = remember(told_again(tmp_path / "runs"), patience_s=0.2)
    assert sentence == (
        f"postgresql://127.0.0.1:{port}/records: does not answer in 0.2 s; what waits for it is sent after the next "
        "finished run, or by 'halfpower records push'."
    )
    assert numbers(own) == [1]


@pytest.mark.postgresql
def test_a_run_goes_straight_to_the_server_where_the_own_store_fails(
    own: str, tmp_path: Path, postgresql: postgres.Server, monkeypatch: pytest.MonkeyPatch
) -> None:
    url = postgresql.new()
    monkeypatch.setenv(database.VARIABLE, url)
    Path(own).mkdir(parents=True)
    assert remember(told_again(tmp_path / "runs")) == (f"{own}: is a folder; name a file.",)
    assert numbers(url) == [1]


# --- pushing -----------------------------------------------------------------------------------------------------


def filled(url: str, runs: Path, server: str, count: int = 3) -> tuple[str, ...]:
    with Store.open(url) as local:
        return tuple(local.add(told_again(runs, n), for_server=server).run_id for n in range(1, count + 1))


def test_a_push_sends_what_is_missing_and_says_so(tmp_path: Path, store_url: str) -> None:
    run_ids = filled(str(tmp_path / "local.sqlite"), tmp_path / "runs", "")
    with Store.open(str(tmp_path / "local.sqlite")) as local, Store.open(store_url) as server:
        server.put(local.derived(run_ids[1]))
        done = push(local, server, (*run_ids, "gone"))
        assert [added.run_id for added in done.sent] == [run_ids[0], run_ids[2]]
        assert (done.known, done.refused) == (1, ())
        assert [server.derived(run_id) for run_id in run_ids] == [local.derived(run_id) for run_id in run_ids]
        assert push(local, server, run_ids).known == 3


def test_one_run_that_is_refused_keeps_no_other_back(tmp_path: Path, store_url: str) -> None:
    run_ids = filled(str(tmp_path / "local.sqlite"), tmp_path / "runs", "")
    with Store.open(str(tmp_path / "local.sqlite")) as local, Store.open(store_url) as server:
        server.add(told_again(tmp_path / "others", 2, serial="Egret-9"))
        done = push(local, server, run_ids)
        assert [added.run_id for added in done.sent] == [run_ids[0], run_ids[2]]
        assert len(done.refused) == 1
        assert "another journal has the same identity" in done.refused[0]


def test_a_run_that_went_on_while_it_was_sent_keeps_waiting(tmp_path: Path) -> None:
    whole = told_again(tmp_path / "runs")
    with Store.open(str(tmp_path / "local.sqlite")) as local:
        half = local.add(resumed(whole, tmp_path / "half"), for_server="s")
        sha = local.held((half.run_id,))[half.run_id]
        local.add(whole, for_server="s")
        local.arrived("s", half.run_id, sha)
        assert local.waiting("s") == (half.run_id,)


@posix
@pytest.mark.soak
def test_a_push_killed_at_any_statement_is_repeated_without_doubles(tmp_path: Path, store_url: str) -> None:
    local = str(tmp_path / "local.sqlite")
    filled(local, tmp_path / "runs", database.address(store_url).name, count=2)
    statements = said(worker("killed-pushes", local, store_url))
    assert isinstance(statements, int)
    assert statements > 20


@posix
def test_an_add_killed_at_any_statement_leaves_the_run_as_it_was_or_as_it_should_be(
    tmp_path: Path, store_url: str
) -> None:
    whole = told_again(tmp_path / "runs").rename(tmp_path / "whole")
    resumed(whole, tmp_path / "half")
    statements = said(worker("killed-adds", store_url, tmp_path))
    assert isinstance(statements, int)
    assert statements > 8


@posix
def test_a_repacking_killed_at_any_statement_loses_nothing_and_is_gone_on_with(tmp_path: Path, store_url: str) -> None:
    with Store.open(store_url) as store:
        for n in (1, 2):
            store.add(told_again(tmp_path / "runs", n))
    statements = said(worker("killed-repacks", store_url))
    assert isinstance(statements, int)
    assert statements > 6


@contextmanager
def proxied(port: int) -> Iterator[tuple[int, list[int]]]:
    """A door to the server that shuts after so many bytes have gone in; yields its port, and the number to set."""
    let_through = [10**9]
    door = socket.create_server(("127.0.0.1", 0))

    def carry(source: socket.socket, target: socket.socket, counted: bool) -> None:
        with suppress(OSError), closing(source), closing(target):
            while data := source.recv(1024):
                if counted:
                    let_through[0] -= len(data)
                    if let_through[0] < 0:
                        break
                target.sendall(data)
            for each in (source, target):
                each.shutdown(socket.SHUT_RDWR)

    def serve() -> None:
        with suppress(OSError):
            while True:
                inside, _ = door.accept()
                outside = socket.create_connection(("127.0.0.1", port))
                threading.Thread(target=carry, args=(inside, outside, True), daemon=True).start()
                threading.Thread(target=carry, args=(outside, inside, False), daemon=True).start()

    serving = threading.Thread(target=serve, daemon=True)
    serving.start()
    try:
        yield int(door.getsockname()[1]), let_through
    finally:
        door.shutdown(socket.SHUT_RDWR)
        door.close()
        serving.join(10)


@pytest.mark.postgresql
def test_a_server_that_vanishes_at_any_byte_of_a_push_costs_nothing(
    tmp_path: Path, postgresql: postgres.Server
) -> None:
    url = postgresql.new()
    Store.open(url).close()
    with proxied(postgresql.port) as (port, let_through):
        through = url.replace(f":{postgresql.port}/", f":{port}/")
        name = database.address(through).name
        run_ids = filled(str(tmp_path / "local.sqlite"), tmp_path / "runs", name, count=2)
        cut = arrived = 0
        with Store.open(str(tmp_path / "local.sqlite")) as local:
            while len(there := numbers(url)) < 2:
                assert len(there) >= arrived
                arrived = len(there)
                let_through[0] = cut = cut + 1500
                with suppress(RecordsError), Store.open(through) as server:
                    push(local, server, local.waiting(name))
            assert cut > 15_000, "it was cut off many times"
            let_through[0] = 10**9
            with Store.open(through) as server:
                push(local, server, local.waiting(name))
                assert [server.derived(run_id) for run_id in run_ids] == [local.derived(run_id) for run_id in run_ids]
            assert local.waiting(name) == ()


# --- many at once ------------------------------------------------------------------------------------------------


@posix
def test_many_processes_add_the_same_runs_at_once(tmp_path: Path, store_url: str) -> None:
    folders = [told_again(tmp_path / "runs", n) for n in range(1, 7)]
    outcomes = said(worker("add", store_url, *folders))
    assert sorted(outcome for each in outcomes for outcome in each) == ["added"] * 6 + ["known"] * 12
    assert numbers(store_url) == [1, 2, 3, 4, 5, 6]
    with Store.open(store_url) as store:
        assert {store.rebuild(run.id) for run in store.runs()} == {"equal"}
