"""Work spread over all cores, or over a cluster: the results in the order of the work, whoever did it.

A worker that dies takes nothing with it: what it was given is done again, alone. Work at which a worker dies once more
is given up and named, and the rest goes on.
"""

from __future__ import annotations

import hashlib
import os
import platform
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Mapping
from concurrent.futures import CancelledError, Executor, Future, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import AbstractContextManager, contextmanager, nullcontext
from itertools import islice
from pathlib import Path
from typing import Any, Final, Protocol, TypeVar

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


class _Workers:
    """Hands things out a few ahead, and gives the results back in their order.

    What was in hand when a worker died is done again, one at a time: over which of them it was cannot be told
    otherwise. Only what a worker dies of then is lost.
    """

    def __init__(self, count: int, died: type[Exception], executor: Callable[[int], AbstractContextManager[Executor]]):
        self.count, self._died, self._executor = count, died, executor

    def map(self, function: Callable[[T], R], things: Iterable[T], lost: Callable[[T], R]) -> Iterator[R]:
        """Yield the results in the order of the things; an executor that breaks is replaced."""
        left, in_hand = iter(things), deque[tuple[T, Future[R]]]()
        while True:
            with self._executor(self.count) as executor:
                yield from self._until_a_death(executor, function, left, in_hand)
            if not in_hand:
                return
            yield from self._alone(function, in_hand, lost)

    def _until_a_death(
        self, executor: Executor, function: Callable[[T], R], left: Iterator[T], in_hand: deque[tuple[T, Future[R]]]
    ) -> Iterator[R]:
        while True:
            for thing in islice(left, _AHEAD * self.count - len(in_hand)):
                in_hand.append((thing, _submitted(executor, function, thing)))
            if not in_hand:
                return
            try:
                result = in_hand[0][1].result()
            except self._died:
                wait([future for _, future in in_hand])
                return
            in_hand.popleft()
            yield result

    def _alone(
        self, function: Callable[[T], R], in_hand: deque[tuple[T, Future[R]]], lost: Callable[[T], R]
    ) -> Iterator[R]:
        deaths = 0
        while in_hand:
            with self._executor(1) as executor:
                try:
                    while in_hand:
                        thing, future = in_hand[0]
                        if isinstance(future.exception(), self._died):
                            future = executor.submit(function, thing)
                        yield future.result()
                        in_hand.popleft()
                        deaths = 0
                except self._died:
                    deaths += 1
            if deaths == _TRIES_ALONE:
                yield lost(in_hand.popleft()[0])
                deaths = 0


def _submitted(executor: Executor, function: Callable[[T], R], thing: T) -> Future[R]:
    try:
        return executor.submit(function, thing)
    except BrokenProcessPool as error:
        never: Future[R] = Future()
        never.set_exception(error)
        return never


class Processes(_Workers):
    """Processes of this machine."""

    def __init__(self, count: int) -> None:
        super().__init__(count, BrokenProcessPool, _pool)


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


class Cluster(_Workers):
    """A dask cluster by its client; it moves the work of a lost worker by itself, and gives up what was in hand at
    several deaths, whoever caused them."""

    def __init__(self, client: Any, given_up: type[Exception]) -> None:
        self.client = client
        count = max(1, len(client.scheduler_info(n_workers=-1)["workers"]))
        super().__init__(count, given_up, lambda _count: nullcontext(client.get_executor(pure=False)))

    def map(self, function: Callable[[T], R], things: Iterable[T], lost: Callable[[T], R]) -> Iterator[R]:
        """Yield the results in the order of the things."""
        try:
            yield from super().map(function, things, lost)
        except (CancelledError, OSError, TimeoutError) as error:
            raise HalfpowerError(
                f"The cluster at {self.client.scheduler.address} no longer answers ({type(error).__name__}). Start it "
                "again, or leave --cluster out."
            ) from None


@contextmanager
def cluster(address: str) -> Iterator[Cluster]:
    """Connect to a cluster whose workers run this very program; raises HalfpowerError with what to do otherwise."""
    try:
        from distributed import Client, KilledWorker
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
        yield Cluster(client, KilledWorker)
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
