"""For pytest: a simulated bench for tests of a measurement, a sequence or a driver of your own.

Write `pytest_plugins = ("harness.testing",)` in the test file, or import `simulated_bench` in a conftest.py.
"""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Final

import pytest

from harness import runs
from harness.errors import ConfigError

if TYPE_CHECKING:
    from harness.run.rehearsal import Rehearsal
    from harness.sim.bench import SimulatedBench

_COPIED: Final = (".toml", ".py", ".csv")


class TestedBench:
    """A job on its simulated bench, in a folder of the test's own."""

    __test__ = False  # a name that pytest would collect

    def __init__(self, job: Path) -> None:
        self.job = job

    @property
    def bench(self) -> SimulatedBench:
        """The simulated bench afresh: its `truth`, its clock, its instruments."""
        found = runs.simulated_bench(runs.load(self.job))
        if found is None:
            raise ConfigError(f"{self.job}: its bench file names no simulation, and a test drives no real instrument")
        return found

    def rehearse(self) -> Rehearsal:
        """What the job would do, and what it can decide."""
        return runs.rehearse(runs.load(self.job))

    def run(self) -> runs.RunResult:
        """Measure and judge; `.report.parts` have the results. Refused where the bench is a real one."""
        assert self.bench
        return runs.start(self.job, self.job.parent / "runs")


@pytest.fixture
def simulated_bench(tmp_path: Path, request: pytest.FixtureRequest) -> Callable[..., TestedBench]:
    """`simulated_bench("job.toml", (OLD, NEW), …)`: a copy of the job's folder, with texts of its files changed."""

    def made(job: str | Path = "job.toml", *changes: tuple[str, str]) -> TestedBench:
        named = request.path.parent / job
        folder = Path(shutil.copytree(named.parent, _free(tmp_path), ignore=_others))
        for old, new in changes:
            _change(folder, old, new)
        return TestedBench(folder / named.name)

    return made


def _free(tmp_path: Path) -> Path:
    return tmp_path / f"bench-{len(list(tmp_path.glob('bench-*'))) + 1}"


def _others(folder: str, names: list[str]) -> list[str]:
    return [name for name in names if not (Path(folder) / name).is_file() or Path(name).suffix not in _COPIED]


def _change(folder: Path, old: str, new: str) -> None:
    holding = [path for path in sorted(folder.glob("*.toml")) if old in path.read_text("utf-8")]
    if not holding:
        raise ConfigError(f"no file of {folder.name} holds {old!r}; a change must change something")
    for path in holding:
        path.write_text(path.read_text("utf-8").replace(old, new), "utf-8")
