"""Work spread over all cores, or over a cluster: the results in the order of the work, whoever did it.

A worker that dies takes nothing with it: what it was given is done again, alone. Work at which a worker dies once more
is given up and named, and the rest goes on.
"""

from __future__ import annotations

import hashlib
import os
import platform
from collections.abc import Callable, Iterable, Iterator, Mapping
from concurrent.futures import FIRST_COMPLETED, CancelledError, Executor, Future, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Final, Generic, Protocol, TypeVar

from harness.errors import HalfpowerError

_AHEAD: Final = 4  # tasks a worker that are handed out before they are needed
_CONNECT_S: Final = 10.0
_TRIES_ALONE: Final = 2

T = TypeVar("T")
R = TypeVar("R")
R_co = TypeVar("R_co", covariant=True)


class Spread(Protocol):
    """Applies a function to many things."""

    def map(self, function: Callable[[T], R], things: Iterable[T], lost: Callable[[T], R]) -> Iterator[R]:
        """Yield the results in the order of the things; `lost` makes that of one at which workers die."""


def cores() -> int:
    """How many processes this machine can run at once, as far as this one may use it."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


class Serial:
    """This process, one after the other."""

    def map(self, function: Callable[[T], R], things: Iterable[T], lost: Callable[[T], R]) -> Iterator[R]:  # noqa: ARG002 - nothing is lost here
        """Yield the results in the order of the things."""
        return map(function, things)


class Processes:
    """Processes of this machine."""

    def __init__(self, count: int) -> None:
        self.count = count

    def map(self, function: Callable[[T], R], things: Iterable[T], lost: Callable[[T], R]) -> Iterator[R]:
        """Yield the results in the order of the things; a pool that breaks is replaced."""
        window = _Window(function, things, ahead=_AHEAD * self.count)
        while not window.done:
            with _pool(self.count) as pool:
                yield from window.through(pool)
            window.results |= self._alone(function, window.take_back(), lost)

    def _alone(self, function: Callable[[T], R], things: Mapping[int, T], lost: Callable[[T], R]) -> dict[int, R]:
        """What was in hand when a worker died, one at a time: over which of them it was cannot be told otherwise."""
        waiting = [(number, thing, _TRIES_ALONE) for number, thing in things.items()]
        results: dict[int, R] = {}
        while waiting:
            with _pool(1) as pool:
                while waiting:
                    number, thing, tries = waiting.pop()
                    try:
                        results[number] = pool.submit(function, thing).result()
                    except BrokenProcessPool:
                        if tries > 1:
                            waiting.append((number, thing, tries - 1))
                        else:
                            results[number] = lost(thing)
                        break
        return results


class Cluster:
    """A dask cluster by the address of its scheduler; it moves the work of a lost worker by itself.

    It gives work up that was in hand at several deaths, whoever caused them: that is done again, alone, and only what a
    worker dies of then is lost.
    """

    def __init__(self, client: Any) -> None:
        self.client = client

    def map(self, function: Callable[[T], R], things: Iterable[T], lost: Callable[[T], R]) -> Iterator[R]:
        """Yield the results in the order of the things."""
        from distributed import KilledWorker

        workers = max(1, len(self.client.scheduler_info(n_workers=-1)["workers"]))
        window = _Window(function, things, ahead=_AHEAD * workers, given_up=(KilledWorker,), lost=lost)
        executor = self.client.get_executor(pure=False)
        try:
            yield from window.through(executor)
        except (CancelledError, OSError, TimeoutError) as error:
            raise HalfpowerError(
                f"The cluster at {self.client.scheduler.address} no longer answers ({type(error).__name__}). Start it "
                "again, or leave --cluster out."
            ) from None


class _Window(Generic[T, R]):
    """Things handed out a few ahead, and their results put back in order."""

    def __init__(
        self,
        function: Callable[[T], R],
        things: Iterable[T],
        *,
        ahead: int,
        given_up: tuple[type[BaseException], ...] = (),
        lost: Callable[[T], R] | None = None,
    ) -> None:
        self.function, self.ahead, self.given_up, self.lost = function, ahead, given_up, lost
        self._things = enumerate(things)
        self.given: dict[int, T] = {}
        self.results: dict[int, R] = {}
        self._suspects: list[int] = []
        self.done = False
        self._next = 0

    def through(self, executor: Executor) -> Iterator[R]:
        """Work until everything is done or the executor breaks."""
        running: dict[Future[R], int] = {}
        while True:
            yield from self._in_order()
            while len(self.given) + len(self.results) < self.ahead and (item := next(self._things, None)) is not None:
                number, thing = item
                self.given[number] = thing
                try:
                    running[executor.submit(self.function, thing)] = number
                except BrokenProcessPool:
                    return
            if not running and self._suspects:
                self._alone(executor)
                continue
            if not running:
                self.done = not self.given
                return
            finished, _ = wait(running, return_when=FIRST_COMPLETED)
            if not all(self._take(future, running.pop(future)) for future in finished):
                return

    def take_back(self) -> dict[int, T]:
        """What was in hand when the executor broke; none of it is handed out again."""
        taken, self.given = self.given, {}
        return taken

    def _take(self, future: Future[R], number: int) -> bool:
        try:
            self.results[number] = future.result()
        except BrokenProcessPool:
            return False
        except self.given_up:
            self._suspects.append(number)
            return True
        del self.given[number]
        return True

    def _alone(self, executor: Executor) -> None:
        """What was given up, one at a time: over which of them a worker died cannot be told otherwise."""
        while self._suspects:
            number = self._suspects.pop()
            try:
                self.results[number] = executor.submit(self.function, self.given[number]).result()
            except self.given_up:
                if self.lost is None:
                    raise
                self.results[number] = self.lost(self.given[number])
            del self.given[number]

    def _in_order(self) -> Iterator[R]:
        while self._next in self.results:
            yield self.results.pop(self._next)
            self._next += 1


@contextmanager
def _pool(count: int) -> Iterator[Executor]:
    """A pool of fresh processes: a fork would copy the locks of whatever threads are running here."""
    import multiprocessing
    from concurrent.futures import ProcessPoolExecutor

    pool = ProcessPoolExecutor(count, mp_context=multiprocessing.get_context("spawn"))
    try:
        yield pool
    finally:
        pool.shutdown(wait=True, cancel_futures=True)


# --- a cluster ---------------------------------------------------------------------------------------------------


@contextmanager
def cluster(address: str) -> Iterator[Cluster]:
    """Connect to a cluster whose workers run this very program; raises HalfpowerError with what to do otherwise."""
    try:
        from distributed import Client
    except ImportError:
        raise HalfpowerError(
            'A cluster needs the package dask.distributed: install it with pip install "halfpower[cluster]".'
        ) from None
    try:
        client: Any = Client(address, timeout=_CONNECT_S, set_as_default=False)  # type: ignore[no-untyped-call]
    except (OSError, TimeoutError, ValueError) as error:
        raise HalfpowerError(
            f"{address}: no dask scheduler answers there ({type(error).__name__}). Give the address that the scheduler "
            "printed when it started, such as tcp://192.0.2.5:8786."
        ) from None
    try:
        _check(client, address)
        yield Cluster(client)
    finally:
        client.close()


def _check(client: Any, address: str) -> None:
    """Every worker must give the numbers that this process would."""
    try:
        workers: Mapping[str, Any] = client.run(fingerprint)
    except Exception as error:  # noqa: BLE001 - what a worker lacks comes back as whatever it raised there
        raise HalfpowerError(
            f"{address}: its workers cannot run this program ({type(error).__name__}: {error}). Install the same "
            "version of Halfpower there."
        ) from None
    if not workers:
        raise HalfpowerError(f"{address}: the cluster has no worker yet. Start some, then try again.")
    own = fingerprint()
    for name, theirs in sorted(workers.items()):
        if differences := apart(theirs, own):
            raise HalfpowerError(
                f"{address}: worker {name} has {', '.join(differences)}. The numbers could differ; install the same "
                "there."
            )


def apart(theirs: Mapping[str, str], own: Mapping[str, str]) -> list[str]:
    """What differs between two fingerprints, in words."""
    return [f"{key} {theirs.get(key)} (here {value})" for key, value in own.items() if theirs.get(key) != value]


def fingerprint() -> dict[str, str]:
    """Return what the last bit of a result may depend on: versions, and this program's own sources."""
    import numpy as np
    import scipy

    from harness.words.version import program_version

    seal = hashlib.sha256()
    for file in sorted(Path(__file__).parent.parent.rglob("*.py")):
        seal.update(file.read_bytes())
    return {
        "Halfpower": program_version(),
        "sources": seal.hexdigest()[:12],
        "Python": platform.python_version(),
        "numpy": np.__version__,
        "scipy": scipy.__version__,
    }
