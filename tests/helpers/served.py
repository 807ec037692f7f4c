"""A bench served on loopback TCP, and runs in processes of their own that can be killed; what stands is measured here.

The instruments live in the test's process: what is at their outputs is seen without asking the run or its guardian.
"""

from __future__ import annotations

import multiprocessing
import os
import re
import shutil
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from multiprocessing.process import BaseProcess
from pathlib import Path
from typing import Any

import numpy as np

from harness.sim.bench import SimulatedBench
from harness.sim.faults import FaultPlan
from tests.helpers.demo_lab import DEMO, change, with_sequences

LONGEST_S = 60.0

SMALL = """
[[sequence]]
use = "vertical"
channels = [2]
ranges = ["100 mV", "500 mV"]
"""
LARGE = """
[[sequence]]
use = "vertical"
paths = ["lead"]

[[sequence]]
use = "time_base"
path = "lead"

[[sequence]]
use = "bandwidth"
channels = [1, 2]
target = "1 %"
"""

WITHIN_S = 2.0  # what is promised
SLOW = "15 ms"
LEASE_S = 1.0  # of the driver that hangs: short, but enough on a machine that is busy
DRIVER = """
import os, signal, time
from drivers.scope import ScpiScope

class Hanging(ScpiScope):
    longest_s = {lease_s}
    readings = 0

    def read(self, step):
        Hanging.readings += 1
        if Hanging.readings == 3:
            {hang}
        return super().read(step)
"""


class NoChance:
    """A random generator without chance: over a line the noise cannot be tied to the step, so there is none."""

    def random(self, size: int) -> Any:
        return np.full(size, 0.5)

    def standard_normal(self, size: int | None = None) -> Any:
        return 0.0 if size is None else np.zeros(size)


@dataclass
class Lab:
    """The demo's bench at loopback addresses, without waits for settling; its job is `job`."""

    folder: Path
    simulated: SimulatedBench
    addresses: dict[str, str]

    @property
    def job(self) -> Path:
        return self.folder / "tcp.toml"

    @property
    def bench(self) -> Path:
        return self.folder / "tcp_bench.toml"

    @property
    def runs(self) -> Path:
        return self.folder / "runs"

    def run_folder(self) -> Path:
        (folder,) = self.runs.iterdir()
        return folder

    def on(self) -> tuple[str, ...]:
        """The sources whose outputs are on, measured at the instruments."""
        return self.simulated.outputs_on()

    def change(self, old: str, new: str, path: Path | None = None) -> None:
        change(path or self.bench, (old, new))

    def slow(self, unit: str = SLOW) -> None:
        """Let every unit take so much longer: a run is under way when something happens to it."""
        self.simulated.inject(FaultPlan(slow=dict.fromkeys(("unit", "right"), unit)))

    def quick(self) -> None:
        """Let them take their time no more."""
        self.simulated.inject(FaultPlan())

    def until_on(self, run: BaseProcess) -> None:
        """Wait for a voltage at an output."""
        wait_for(self.on, while_=run.is_alive)

    def until_off(self) -> float:
        """Wait until every output is off; seconds."""
        began = time.perf_counter()
        wait_for(lambda: not self.on())
        return time.perf_counter() - began


@contextmanager
def a_lab(
    folder: Path, sequences: str = SMALL, *, chance: bool = False, prepare: Callable[[Path], object] = lambda _lab: None
) -> Iterator[Lab]:
    shutil.copytree(DEMO, folder)
    prepare(folder)
    job = with_sequences(folder / "digital.toml", "digital.toml", sequences)
    simulated = SimulatedBench.load(folder / "bench_sim.toml")
    if not chance:
        simulated.world.rng = NoChance()  # type: ignore[assignment]  # as much of a generator as is asked
    with simulated.serve() as servers:
        bench = re.sub(r"\nsimulation = .*", "", (folder / "bench.toml").read_text("utf-8"))
        bench = re.sub(r'settle = ".*"', 'settle = "0 s"', bench)
        for address, real in servers.addresses.items():
            bench = bench.replace(address, real)
        (folder / "tcp_bench.toml").write_text(bench, "utf-8")
        text = job.read_text("utf-8").replace('"bench.toml"', '"tcp_bench.toml"')
        (folder / "tcp.toml").write_text(text, "utf-8")
        yield Lab(folder=folder, simulated=simulated, addresses=servers.addresses)


def own_unit(lab: Lab, hang: str) -> None:
    """The unit behind a driver of the user's own, which hangs at its third reading."""
    (lab.folder / "mine.py").write_text(DRIVER.format(hang=hang, lease_s=LEASE_S), "utf-8")
    lab.change("\n[unit]\n", '\n[unit]\ndriver = "mine.py:Hanging"\n')


def wait_for(what: Callable[[], object], *, while_: Callable[[], bool] = lambda: True) -> None:
    """Look again and again until it is so."""
    until = time.monotonic() + LONGEST_S
    while not what():
        assert time.monotonic() < until, "it does not come"
        assert while_(), "it can come no more"
        time.sleep(0.002)  # often enough, and without taking the processor from what it waits for


# --- runs in processes of their own ------------------------------------------------------------------------------


def started(action: Callable[..., None], *args: Any, log: Path) -> BaseProcess:
    """Do something in a process forked from a warm one; what it says, and its guardian, goes to a file."""
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(["tests.helpers.served_warm"])
    process = context.Process(target=_logged, args=(log, action, args), daemon=True)
    process.start()
    return process


def _logged(log: Path, action: Callable[..., None], args: tuple[Any, ...]) -> None:
    file = os.open(log, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o600)
    os.dup2(file, 1)
    os.dup2(file, 2)
    action(*args)


def start(job: Path, runs: Path) -> None:
    """Run a job."""
    from harness import runs as opening

    opening.start(job, runs)


def resume(folder: Path) -> None:
    """Go on with a run."""
    from harness import runs as opening

    opening.resume(folder)


def command(*args: str) -> None:
    """A command of the program."""
    from harness.cli import main

    sys.argv = ["halfpower", *args]
    main()


def guardians_of(pid: int | None) -> list[int]:
    """The guardians of a process, as the system lists them."""
    wanted = f"-m harness.bench.guardian {pid}"
    return [number for number, command_line in _processes() if command_line.endswith(wanted)]


def _processes() -> Iterator[tuple[int, str]]:
    """Every process with its command line; of one that has ended it is empty."""
    if not Path("/proc/self/cmdline").exists():
        listed = subprocess.run(["ps", "-Ao", "pid=,args="], capture_output=True, encoding="utf-8", check=True).stdout
        for line in listed.splitlines():
            number, _, command_line = line.strip().partition(" ")
            yield int(number), command_line.strip()
        return
    for folder in Path("/proc").iterdir():
        if folder.name.isdigit():
            with suppress(OSError):  # it has ended meanwhile
                yield int(folder.name), (folder / "cmdline").read_text("utf-8").replace("\0", " ").strip()


def end(process: BaseProcess) -> int | None:
    """Wait for a process; its exit code."""
    process.join(LONGEST_S)
    with suppress(ValueError):
        process.kill()
    return process.exitcode
