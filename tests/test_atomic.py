"""What is said to be on the disk is there, whole, and only its owner reads it."""

from __future__ import annotations

import os
import stat
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from harness import runs as opening
from harness.errors import HalfpowerError, JournalError
from harness.journal import atomic
from harness.journal.journal import NAME, Journal
from harness.sim.bench import SimulatedBench
from harness.years.records.store import Store
from tests.helpers.demo_lab import DEMO
from tests.helpers.night_lab import Lab

posix = pytest.mark.skipif(os.name != "posix", reason="POSIX's modes and folders")


@pytest.fixture
def open_to_all() -> Iterator[None]:
    """A user whose mask takes nothing away."""
    before = os.umask(0)
    yield
    os.umask(before)


def mode(path: Path) -> int:
    return stat.S_IMODE(path.stat().st_mode)


def synced_paths(monkeypatch: pytest.MonkeyPatch) -> list[Path]:
    """What is synced from now on, under the name that it has then."""
    real, paths = os.fsync, []

    def fsync(handle: int) -> None:
        paths.append(Path(f"/proc/self/fd/{handle}").readlink())
        real(handle)

    monkeypatch.setattr(os, "fsync", fsync)
    return paths


@pytest.mark.skipif(sys.platform != "linux", reason="asks Linux which file a handle is")
def test_a_whole_file_and_its_name_are_on_the_disk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    synced = synced_paths(monkeypatch)
    atomic.write_text(tmp_path / "report.html", "x")
    assert synced == [tmp_path / "report.html.part", tmp_path]
    del synced[:]
    Journal.create(tmp_path / "runs" / "one", {}, lambda: "t").close()
    folder = tmp_path / "runs" / "one"
    assert synced == [folder / NAME, folder, folder.parent]


def test_where_fsync_ends_at_the_drive_the_drive_is_asked_too(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """macOS: fcntl(2) says that fsync does not make a drive write its own buffer, and that F_FULLFSYNC does."""
    fcntl = pytest.importorskip("fcntl")
    asked: list[tuple[int, ...]] = []
    monkeypatch.setattr(atomic, "F_FULLFSYNC", 51)
    monkeypatch.setattr(fcntl, "fcntl", lambda *words: asked.append(words))
    atomic.write_text(tmp_path / "report.html", "x")
    assert [command for _handle, command in asked] == [51, 51]

    def unknown(*_words: Any) -> None:
        raise OSError(45, "Operation not supported")

    monkeypatch.setattr(fcntl, "fcntl", unknown)
    fallen_back: list[int] = []
    monkeypatch.setattr(os, "fsync", fallen_back.append)
    atomic.write_text(tmp_path / "report.html", "y")
    assert len(fallen_back) == 2


@pytest.mark.parametrize(("refusals", "written"), [(0, True), (2, True), (3, False)])
def test_a_file_that_somebody_reads_is_replaced_as_soon_as_that_is_allowed(
    refusals: int, written: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As Windows does it: a file that another process has open is not replaced (ERROR_ACCESS_DENIED)."""
    monkeypatch.setattr(atomic, "TRIES", 3)
    monkeypatch.setattr(atomic, "BETWEEN_TRIES_S", 0.0)
    real, left = Path.replace, refusals

    def replace(path: Path, target: Path) -> Path:
        nonlocal left
        if left:
            left -= 1
            raise PermissionError(13, "Permission denied")
        return real(path, target)

    monkeypatch.setattr(Path, "replace", replace)
    path = tmp_path / "heartbeat.json"
    if written:
        atomic.write_text(path, "x", passing=True)
        assert path.read_text("utf-8") == "x"
    else:
        with pytest.raises(HalfpowerError, match="cannot be written: Permission denied"):
            atomic.write_text(path, "x", passing=True)
        assert list(tmp_path.iterdir()) == []


@posix
@pytest.mark.usefixtures("open_to_all")
def test_runs_nights_and_stores_are_their_owners_alone(tmp_path: Path) -> None:
    lab = Lab.make(tmp_path)
    folder = lab.begin("first")
    (run,) = (each.parent for each in lab.runs.rglob(NAME))
    with Store.open(str(tmp_path / "mine" / "records.sqlite")) as store:
        store.add(run)
        beside = [*(tmp_path / "mine").iterdir()]  # with what the database keeps beside its file
        assert [mode(each) for each in beside] == [0o600] * len(beside)
    assert [mode(each) for each in (folder, run, tmp_path / "mine")] == [0o700] * 3
    assert [mode(each) for each in (folder / "queue.jsonl", run / NAME)] == [0o600] * 2
    assert mode(lab.runs) == 0o777  # what lies above is as the user has it


def moved(folder: Path) -> None:
    folder.rename(folder.with_name("elsewhere"))


def deleted(folder: Path) -> None:
    (folder / NAME).unlink()
    folder.rmdir()


def another(folder: Path) -> None:
    data = (folder / NAME).read_bytes()
    (folder / NAME).unlink()
    (folder / NAME).write_bytes(data)


@posix
@pytest.mark.parametrize("away", [moved, deleted, another])
def test_a_run_folder_that_goes_away_during_the_run_is_noticed_at_the_next_line(
    away: Any, tmp_path: Path, benches: list[SimulatedBench]
) -> None:
    folders: list[Path] = []
    told: list[tuple[str, str]] = []
    steps: list[int] = []

    def watch(_part: str, n: int, *_: Any) -> None:
        steps.append(n)
        if n == 10:
            assert benches[-1].outputs_on()
            away(folders[0])

    with pytest.raises(JournalError, match=r"is no longer there: it, or a folder above it, was deleted or renamed"):
        opening.start(
            DEMO / "digital.toml",
            tmp_path,
            watch=watch,
            on_folder=folders.append,
            on_event=lambda *event: told.append(event),
        )
    assert steps[-1] == 10
    assert benches[-1].outputs_on() == ()
    assert ("off",) in [event[:1] for event in told]
