"""A small laboratory for tests of the unattended night: the demo's files with short jobs, on virtual clocks.

Units, serial numbers and readings are invented.
"""

from __future__ import annotations

import datetime as dt
import shutil
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from harness.night import plan, runner
from harness.night.account import account
from harness.night.plan import CheckedJob
from harness.night.start import start_of
from harness.person.live import Silent
from harness.report.night import Night
from harness.sim.clock import VirtualClock
from harness.steps import Reply, Step
from tests.helpers.demo_lab import DEMO, LEAD, a_job, change

EVENING = dt.datetime(2026, 11, 25, 17, 50, tzinfo=dt.UTC)


class Recorder(Silent):
    """Remembers what is told, and lets a test act at any moment of the night."""

    def __init__(self) -> None:
        self.told: list[str] = []
        self.waited: list[str] = []
        self.events: list[tuple[str, str]] = []
        self.on_step: Callable[[str, int], None] = lambda _part, _n: None
        self.on_told: Callable[[str], None] = lambda _text: None
        self.on_wait: Callable[[str], None] = lambda _text: None

    def tell(self, text: str) -> None:
        self.told.append(text)
        self.on_told(text)

    def waiting(self, text: str) -> None:
        self.waited.append(text)
        self.on_wait(text)

    @contextmanager
    def run(self, checked: CheckedJob, recorded: Mapping[str, int]) -> Iterator[Recorder]:
        yield self

    def event(self, what: str, text: str) -> None:
        self.events.append((what, text))

    def step(self, part: str, n: int, step: Step, reply: Reply) -> None:
        self.on_step(part, n)


@dataclass
class Lab:
    """The files, and what a night is run with."""

    folder: Path
    clock: VirtualClock = field(default_factory=lambda: VirtualClock(EVENING))
    showing: Recorder = field(default_factory=Recorder)
    keep: runner.Keep = lambda _folder: ()  # drawing every run's page would take longer than the night

    @classmethod
    def make(cls, folder: Path) -> Lab:
        """Three short jobs: `first` and `third` on the sound bench, `second` on the one with the loose plug."""
        lab = cls(folder=shutil.copytree(DEMO, folder / "lab"))
        lab.change("second_bench_sim.toml", 'rate = "30 %"', 'rate = "40 %"')
        lab.job("first", channel=1)
        lab.job("second", bench="second_bench", serial="Egret-3088")
        lab.job("third", channel=2)
        return lab

    def job(self, name: str, *, bench: str = "bench", serial: str = "Egret-3071", channel: int = 1) -> Path:
        part = f'{LEAD}\nchannels = [{channel}]\nranges = ["100 mV", "200 mV", "500 mV"]'
        return a_job(self.folder / f"{name}.toml", part, bench=f"{bench}.toml", serial=serial)

    def change(self, name: str, old: str, new: str) -> None:
        change(self.folder / name, (old, new))

    def mend(self) -> None:
        """Push the plug in: the second bench's replies come again."""
        self.change("second_bench_sim.toml", 'rate = "40 %"', 'rate = "0 %"')

    def plan(self, *names: str, begins: dt.datetime = EVENING) -> plan.NightPlan:
        return plan.look_through([self.folder / f"{name}.toml" for name in names], begins)

    def refusals(self, *names: str, begins: dt.datetime = EVENING) -> str:
        return "\n".join(problem for each in self.plan(*names, begins=begins).refused for problem in each.problems)

    @property
    def runs(self) -> Path:
        return self.folder / "runs"

    def begin(self, *names: str, at: str = "", **settings: object) -> Path:
        return runner.begin(
            self.plan(*names),
            runner.Settings(awake=False, **settings),  # type: ignore[arg-type]
            self.runs,
            clock=self.clock,
            start=start_of(at, self.clock),
            showing=self.showing,
            keep=self.keep,
        )

    def go_on(self, folder: Path, **more: object) -> Night:
        runner.go_on(folder, clock=self.clock, showing=self.showing, keep=self.keep, **more)  # type: ignore[arg-type]
        return account(folder)

    def night(self, *names: str, **settings: object) -> Night:
        return account(self.begin(*names, **settings))

    def the_folder(self) -> Path:
        (folder,) = self.runs.glob("night-*")
        return folder
