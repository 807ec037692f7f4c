"""What a re-analysis costs: `python -m tests.benchmarks.reanalysis`.

One run of the demo (51 results, two half-power frequencies) many times over, worked out again in this process, in two
and on a dask cluster of two on loopback; with another rule, so that every run is worked out twice. Ratios of processor
time count, that of the workers with it; the machine's speed does not.
"""

from __future__ import annotations

import os
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager, nullcontext
from functools import partial
from pathlib import Path
from typing import Any

from harness import runs as opening
from harness.journal.journal import NAME
from harness.years import reanalysis, workers

DEMO = Path(__file__).resolve().parents[2] / "demo" / "brackwater"
RUNS = 200


def main() -> None:
    """Print the table."""
    with tempfile.TemporaryDirectory() as folder:
        made = opening.start(DEMO / "digital.toml", folder)
        data = (made.folder / NAME).read_bytes()
    tasks = [reanalysis.Task(data=data, where=f"run {n}") for n in range(RUNS)]
    function = partial(reanalysis.reanalyse, changes=reanalysis.Changes(rule="simple"))
    print(
        f"{'':<22}{'runs/s':>8}{'s of processor':>16}{'over one process':>18}   digest   "
        f"({RUNS} runs, workers' start too)"
    )
    first = 0.0
    for name, spread in (
        ("this process", nullcontext(workers.Serial())),
        ("two processes", nullcontext(workers.Processes(2))),
        ("dask, two workers", local_cluster()),
    ):
        start, busy = time.perf_counter(), processor()
        with spread as some:
            outcomes = [each for each in some.map(function, tasks, lost) if each is not None]
        rate = RUNS / (time.perf_counter() - start)
        taken = processor() - busy
        first = first or taken
        print(f"{name:<22}{rate:>8.1f}{taken:>16.1f}{taken / first:>17.2f}×   {reanalysis.digest(outcomes)[:12]}")


def processor() -> float:
    """Processor time of this process and of those that it has ended."""
    return sum(os.times()[:4])


def lost(task: reanalysis.Task) -> reanalysis.Done:
    """Nothing is lost here."""
    return reanalysis.Outcome(where=task.where, problem="lost")


@contextmanager
def local_cluster() -> Iterator[Any]:
    """Two worker processes behind a scheduler of their own."""
    from distributed import LocalCluster

    with (
        LocalCluster(n_workers=2, threads_per_worker=1, host="127.0.0.1", dashboard_address=None) as local,
        workers.cluster(local.scheduler_address) as spread,
    ):
        yield spread


if __name__ == "__main__":
    main()
