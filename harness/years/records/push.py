"""From one store to another: what a bench measured, to the server of the laboratory.

A run is one transaction there, and is struck from the outbox here afterwards: whatever ends a push, doing it again
sends what is missing and doubles nothing.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from queue import Empty, SimpleQueue
from threading import Thread
from typing import Final

from harness.errors import HalfpowerError, RecordsError, RunRefused, shell_word
from harness.journal import journal
from harness.years.records import database
from harness.years.records.rows import Added, Selection
from harness.years.records.store import Store

PATIENCE_S: Final = 60.0
NUMBERS_S: Final = 10.0  # the longest that a run waits for the numbers that were given


@dataclass(frozen=True, slots=True, kw_only=True)
class Pushed:
    """What a push did: the runs that went over, how many the server had, and why others were refused."""

    sent: tuple[Added, ...]
    known: int
    refused: tuple[str, ...]


def push(
    local: Store, server: Store, run_ids: Sequence[str], watch: Callable[[Added], None] = lambda _: None
) -> Pushed:
    """Send runs from one store to another; raises RecordsError where the server, or the store here, fails."""
    sent, known, refused = [], 0, []
    here, there = local.held(run_ids), server.held(run_ids)
    issued, issued_there = local.issued_digests(), server.issued_digests()
    for run_id in run_ids:
        if run_id not in here:
            continue  # gone from the store since
        if there.get(run_id) == here[run_id] and issued.get(run_id) in (None, issued_there.get(run_id)):
            known += 1
        else:
            try:
                added = server.put(local.derived(run_id))
            except RunRefused as error:
                refused.append(str(error))
                continue
            sent.append(added)
            watch(added)
        local.arrived(server.name, run_id, here[run_id])
    return Pushed(sent=tuple(sent), known=known, refused=tuple(refused))


def remember(run_folder: Path, url: str | None = None, *, patience_s: float = PATIENCE_S) -> tuple[str, ...]:
    """Add the finished run of a folder to the store that is set up; returns what went wrong, a sentence each.

    Never raises: the run is on disk, and a store can be filled again from it. With a server set up, the run goes into
    the user's own store first and waits there until the server has it. A simulated run is kept only where `url`
    names the store for this very run. A server is waited for `patience_s` at most.
    """
    later = f"The run is not among the records; add it later: halfpower records add {shell_word(run_folder)}"
    try:
        contents = journal.read(run_folder)
        simulated = contents.header["setup"]["bench"].get("simulation") is not None
        if contents.closed_at is None or (simulated and url is None):
            return ()
        return _remembered(run_folder, url, patience_s)
    except HalfpowerError as error:
        return (f"{error} {later}",)
    except Exception as bug:  # noqa: BLE001 - a mistake of ours here must not cost a night's run its good end
        return (f"The store of records failed unexpectedly ({type(bug).__name__}: {bug}). {later}",)


def _remembered(run_folder: Path, url: str | None, patience_s: float) -> tuple[str, ...]:
    if url == database.NONE or (url is None and os.environ.get(database.VARIABLE) == database.NONE):
        return ()
    place = database.address(url)
    told: list[str] = []
    if place.file is not None:
        with Store.open(url, tell=told.append) as store:
            told += store.add(run_folder).clashes
        return tuple(told)
    try:
        with Store.open(database.local_url(), tell=told.append) as local:
            told += local.add(run_folder, for_server=place.name).clashes
    except RecordsError as error:
        return (str(error), *_in_time(lambda: _straight(run_folder, url), place.name, patience_s))
    return (*told, *_in_time(lambda: _sent(url, place.name), place.name, patience_s))


def _straight(run_folder: Path, url: str | None) -> tuple[str, ...]:
    with Store.open(url) as server:
        return server.add(run_folder).clashes


def _sent(url: str | None, server_name: str) -> tuple[str, ...]:
    with Store.open(database.local_url()) as local:
        try:
            with Store.open(url) as server:
                done = push(local, server, local.waiting(server_name))
                return (*done.refused, *(clash for added in done.sent for clash in added.clashes))
        except RecordsError as error:
            count = len(local.waiting(server_name))
            runs = f"{count} {'run waits' if count == 1 else 'runs wait'} for it in {local.name}"
            return (f"{error} {runs}; the next finished run takes them along, or 'halfpower records push'.",)


def numbers_given(url: str | None = None) -> frozenset[str]:
    """The numbers of all reports in the store that is set up, as `given` has them."""
    return frozenset(number for number, _ in given(url))


def given(url: str | None = None, *, patience_s: float = NUMBERS_S) -> frozenset[tuple[str, str]]:
    """Every number in the store that is set up, with its run. None where there is no store, or it does not answer: that
    must keep no run from beginning, and a number that was given twice is told when the run is added.
    """
    answers: SimpleQueue[frozenset[tuple[str, str]]] = SimpleQueue()

    def ask() -> None:
        found: frozenset[tuple[str, str]] = frozenset()
        with suppress(Exception), Store.open(url, create=False) as store:
            found = store.numbers()
        answers.put(found)

    if url != database.NONE:
        Thread(target=ask, daemon=True).start()
        with suppress(Empty):
            return answers.get(timeout=patience_s)
    return frozenset()


def _in_time(work: Callable[[], tuple[str, ...]], server_name: str, patience_s: float) -> tuple[str, ...]:
    """What the work says, or that it takes too long: a server that takes a question and never answers must not hold
    a night's next job up. The work goes on behind, and may be cut off anywhere.
    """
    answers: SimpleQueue[tuple[str, ...]] = SimpleQueue()

    def do() -> None:
        try:
            answers.put(work())
        except HalfpowerError as error:
            answers.put((str(error),))
        except Exception as bug:  # noqa: BLE001 - as in `remember`
            answers.put((f"The store of records failed unexpectedly ({type(bug).__name__}: {bug}).",))

    Thread(target=do, daemon=True).start()
    try:
        return answers.get(timeout=patience_s)
    except Empty:
        late = f"{server_name}: does not answer in {patience_s:g} s; what waits for it is sent after the next finished"
        return (f"{late} run, or by 'halfpower records push'.",)


def everything(store: Store, *, simulated: bool) -> tuple[str, ...]:
    """The finished runs of a store, oldest first; real ones, or simulated ones too."""
    return tuple(run.id for run in store.runs(Selection(simulated=None if simulated else False)))
