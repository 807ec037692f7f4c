"""What the tests of the store do in processes of their own: `python -m tests.helpers.record_workers WHAT ARGUMENTS...`.

Several of them work on one store at once, or end by SIGKILL at every statement that the database is sent.
"""

from __future__ import annotations

import json
import os
import signal
import sys
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import sqlalchemy as sa

from harness.errors import RecordsError
from harness.years.records.migrate import Layouts
from harness.years.records.packing import ZLIB
from harness.years.records.push import push
from harness.years.records.repacking import repack
from harness.years.records.rows import Selection
from harness.years.records.schema import journals
from harness.years.records.store import Store

NOBODY = 65534
EVERYTHING = Selection(simulated=None, finished=None)


def add(url: str, *folders: str) -> list[list[str]]:
    """Add every run in three processes at once, each in another order; say what became of each."""

    def work(n: int) -> list[str]:
        turned = (*folders[2 * n :], *folders[: 2 * n])
        with Store.open(url) as store:
            return [store.add(Path(folder)).outcome for folder in turned]

    return at_once(3, work)


def open_(url: str, newest: str, *folders: str) -> list[list[str]]:
    """Open a store with these layouts in four processes at once; say what each was told."""

    def work(_: int) -> list[str]:
        told: list[str] = []
        Store.open(url, tell=told.append, layouts=Layouts(newest=newest, folders=tuple(map(Path, folders)))).close()
        return told

    return at_once(4, work)


def at_once(count: int, work: Callable[[int], Any]) -> list[Any]:
    """What each of so many processes answers that begin together."""
    go, begin = os.pipe()
    answers = []
    for n in range(count):
        answer, give = os.pipe()
        if os.fork() == 0:
            os.close(begin)
            os.read(go, 1)  # returns when the last one has closed the other end
            try:
                os.write(give, json.dumps(work(n)).encode())
            except BaseException as error:  # noqa: BLE001 - told to the parent
                os.write(give, json.dumps(repr(error)).encode())
            os._exit(0)
        os.close(give)
        answers.append(answer)
    os.close(begin)
    found = [json.loads(os.read(answer, 65_536)) for answer in answers]
    for _ in range(count):
        os.wait()
    return found


def refused(url: str, folder: str, trial: str) -> str:
    """Add a run as a user whom the folder's permissions bind; say why that failed."""
    added(trial, Path(folder))  # whatever is imported is, before this user can read no more

    def work(_: int) -> str:
        if os.geteuid() == 0:
            os.setgroups([])
            os.setgid(NOBODY)
            os.setuid(NOBODY)
        try:
            added(url, Path(folder))
        except RecordsError as error:
            return str(error)
        return "added"

    return at_once(1, work)[0]


def killed_pushes(local_url: str, server_url: str) -> int:
    """Push, killed at the first statement or commit, then the second, and so on until one is not killed.

    After each: what is on the server is whole, and pushing again brings the rest and doubles nothing.
    """
    whole = contents(local_url)
    n, killed = 0, True
    while killed:
        n += 1
        killed = in_a_process_killed_at(n, lambda: send(local_url, server_url))
        there = contents(server_url)
        assert all(whole[run_id] == derived for run_id, derived in there.items()), n
        send(local_url, server_url)
        assert contents(server_url) == whole, n
        with Store.open(local_url) as local, Store.open(server_url) as server:
            assert local.waiting(server.name) == (), n
            server.transaction(lambda connection: connection.exec_driver_sql("DELETE FROM runs"))
            for run_id in whole:
                local.put(whole[run_id], for_server=server.name)
    return n


def killed_adds(url: str, folder: str) -> int:
    """Add a run that is there half, killed at each statement: afterwards it is as it was, or as it should be."""
    half, finished = Path(folder, "half"), Path(folder, "whole")
    with Store.open(url) as store:
        run_id = store.add(half).run_id
        before = store.derived(run_id)
    seen = set()
    n, killed = 0, True
    while killed:
        n += 1
        killed = in_a_process_killed_at(n, lambda: added(url, finished))
        with Store.open(url) as store:
            after = store.derived(run_id)
            seen.add(after == before)
            assert after == before or after.run.finished, n
            store.transaction(lambda connection: connection.exec_driver_sql("DELETE FROM runs"))
            store.put(before)
    assert seen == {True, False}
    return n


def killed_repacks(url: str) -> int:
    """Pack journals anew, killed at each statement: every journal comes back, and the next time brings the rest."""
    with Store.open(url) as store:
        before = contents(url)
        packed_before(store)
    n, killed = 0, True
    while killed:
        n += 1
        killed = in_a_process_killed_at(n, lambda: repacked(url))
        assert contents(url) == before, n
        with Store.open(url) as store:
            repack(store)
            assert not packed_as_before(store), n
            assert contents(url) == before, n
            packed_before(store)
    return n


def packed_before(store: Store) -> None:
    """Pack every journal of a store as older versions did."""
    for run in store.runs(EVERYTHING):
        old = zlib.compress(store.journal(run.id), 9)
        to_old = sa.update(journals).where(journals.c.run_id == run.id).values(packed=old)
        store.transaction(lambda connection, to_old=to_old: connection.execute(to_old))


def packed_as_before(store: Store) -> list[str]:
    """The runs whose journal is packed so."""
    with store.connection() as connection:
        return [row.run_id for row in connection.execute(sa.select(journals)) if row.packed[:1] == ZLIB]


def repacked(url: str) -> None:
    with Store.open(url) as store:
        repack(store)


def added(url: str, folder: Path) -> None:
    with Store.open(url) as store:
        store.add(folder)


def send(local_url: str, server_url: str) -> None:
    with Store.open(local_url) as local, Store.open(server_url) as server:
        push(local, server, local.waiting(server.name))


def contents(url: str) -> dict[str, Any]:
    with Store.open(url) as store:
        return {run.id: store.derived(run.id) for run in store.runs(EVERYTHING)}


def in_a_process_killed_at(n: int, work: Any) -> bool:
    """Do it in a process that ends itself at the n-th statement or commit; whether that came to pass."""
    child = os.fork()
    if child == 0:
        left = [n]

        def count_down(*_: object, **__: object) -> None:
            left[0] -= 1
            if left[0] == 0:
                os.kill(os.getpid(), signal.SIGKILL)

        sa.event.listen(sa.Engine, "before_cursor_execute", count_down)
        sa.event.listen(sa.Engine, "commit", count_down)
        try:
            work()
        except BaseException:  # noqa: BLE001 - told by the exit code
            os._exit(1)
        os._exit(0)
    _, status = os.waitpid(child, 0)
    if os.WIFSIGNALED(status):
        return True
    assert os.WEXITSTATUS(status) == 0
    return False


if __name__ == "__main__":
    what, *arguments = sys.argv[1:]
    known = {
        "add": add, "open": open_, "refused": refused, "killed-pushes": killed_pushes, "killed-adds": killed_adds,
        "killed-repacks": killed_repacks,
    }  # fmt: skip
    sys.stdout.write(json.dumps(known[what](*arguments)))
