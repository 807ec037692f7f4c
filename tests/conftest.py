"""Settings of every test."""

from __future__ import annotations

import gc
import os
import signal
import threading
from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING

import pytest
from hypothesis import settings

from tests.helpers import postgres
from tests.helpers.thorough import THOROUGH

if TYPE_CHECKING:
    from pathlib import Path

    from harness.run.jobs import LoadedJob
    from harness.runs import RunResult
    from harness.sim.bench import SimulatedBench

# The same examples on every run, and no verdict on a busy machine's speed.
settings.register_profile("halfpower", derandomize=True, deadline=None, max_examples=25)
settings.register_profile("thorough", settings.get_profile("halfpower"), max_examples=100)
settings.load_profile("thorough" if THOROUGH else "halfpower")


def _hear_signals() -> None:
    """Undo what a job in the background or `nohup` makes every child inherit: the tests send these signals."""
    for name in ("SIGINT", "SIGHUP"):
        number = getattr(signal, name, None)
        if number is not None and signal.getsignal(number) == signal.SIG_IGN:
            signal.signal(number, signal.default_int_handler if name == "SIGINT" else signal.SIG_DFL)


if threading.current_thread() is threading.main_thread():
    _hear_signals()


def pytest_collection_finish() -> None:
    """What is loaded now stays: looking through it for garbage again and again is a fifth of the time of all tests."""
    gc.freeze()
    gc.set_threshold(100_000, 50, 50)


@pytest.fixture(scope="session", autouse=True)
def no_power_cut() -> Iterator[None]:
    """Nothing waits for the drive: what a process wrote outlives its death, if not the machine's."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(os, "fsync", os.fstat)
        yield


@pytest.fixture(scope="session", autouse=True)
def own_folders(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Locks and records of the tests are their own: the user's on the same machine are not in the way, nor touched."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("HALFPOWER_LOCKS", str(tmp_path_factory.mktemp("locks")))
        patch.setenv("XDG_STATE_HOME", str(tmp_path_factory.mktemp("state")))
        patch.setenv("XDG_DATA_HOME", str(tmp_path_factory.mktemp("data")))
        patch.delenv("HALFPOWER_STORE", raising=False)
        yield


@pytest.fixture(scope="session")
def digital(tmp_path_factory: pytest.TempPathFactory) -> RunResult:
    """The demo's digital job as it goes by itself, for tests that compare with it or look at it; nobody changes it."""
    from harness import runs as opening
    from tests.helpers.demo_lab import DEMO

    return opening.start(DEMO / "digital.toml", tmp_path_factory.mktemp("digital"))


@pytest.fixture(scope="session")
def short_job(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A job of every kind of sequence on a few settings, beside the demo's files; nobody changes them."""
    from tests.helpers.demo_lab import short_lab

    return short_lab(tmp_path_factory.mktemp("short") / "lab") / "short.toml"


@pytest.fixture(scope="session")
def short(short_job: Path, tmp_path_factory: pytest.TempPathFactory) -> RunResult:
    """That job as it goes by itself, to compare with."""
    from harness import runs as opening

    return opening.start(short_job, tmp_path_factory.mktemp("short-runs"))


@pytest.fixture
def benches(monkeypatch: pytest.MonkeyPatch) -> list[SimulatedBench]:
    """The simulated benches of the runs, to look at and to meddle with; the last one is the one that is run."""
    from harness import runs as opening

    made: list[SimulatedBench] = []
    load = opening.simulated_bench

    def keep(loaded: LoadedJob) -> SimulatedBench | None:
        simulated = load(loaded)
        assert simulated is not None
        made.append(simulated)
        return simulated

    monkeypatch.setattr(opening, "simulated_bench", keep)
    return made


@pytest.fixture(scope="session")
def postgresql() -> Iterator[postgres.Server]:
    """A PostgreSQL server of the tests' own."""
    if reason := postgres.why_not():
        pytest.skip(reason)
    with postgres.started() as server:
        yield server


@pytest.fixture(scope="session", params=["sqlite", pytest.param("postgresql", marks=pytest.mark.postgresql)])
def new_store_url(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Callable[[], str]:
    """Addresses of empty stores, on each of the two databases."""
    if request.param == "sqlite":
        return lambda: str(tmp_path_factory.mktemp("store") / "records.sqlite")
    server: postgres.Server = request.getfixturevalue("postgresql")
    return server.new


@pytest.fixture
def store_url(new_store_url: Callable[[], str]) -> str:
    """An empty store, on each of the two databases."""
    return new_store_url()
