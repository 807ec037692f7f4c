"""A study of very many runs: `nice -n 19 python -m tests.benchmarks.many [RUNS]`; 100,000 small ones by default.

One short run told again under other identities, decided by another rule, and worked out on a dask cluster of two worker
processes on loopback as `halfpower reanalyse --cluster` does, each run twice, as it stood and as it is now; but a
hundred are handed out at once, as dask takes several milliseconds over whatever it hands out. What counts is that
neither memory nor the cost of a run grows with their number: both are told at each tenth. After 13 minutes it hands out
no more, and says how many it has done.
"""

from __future__ import annotations

import os
import resource
import shutil
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

from harness import runs as opening
from harness.journal import journal
from harness.journal.sealed import sealed, unsealed
from harness.years import reanalysis
from harness.years.outcomes import Outcomes
from tests.benchmarks.reanalysis import local_cluster
from tests.helpers.demo_lab import DEMO, LEAD, a_job

AT_ONCE, LONGEST_S = 100, 780.0


def main() -> None:
    """Print the table."""
    runs = int(sys.argv[1]) if len(sys.argv) > 1 else 100_000
    short = a_short_run()
    print(f"{runs} runs of {len(short)} bytes each; load average {os.getloadavg()[0]:.1f}")
    print(f"{'runs':>9}{'s':>8}{'runs/s':>8}{'ms of processor a run: workers':>32}{'here':>7}", end="")
    print(f"{'MB: a worker':>14}{'here':>7}")
    with local_cluster() as spread:
        start, before = time.perf_counter(), spent(spread)

        def each() -> Iterator[reanalysis.Outcome]:
            done = 0
            for some in spread.map(work, tasks(short, runs, start + LONGEST_S), lambda _: []):
                yield from some
                done += len(some)
                if done % max(AT_ONCE, runs // 10) == 0:
                    tell(done, time.perf_counter() - start, before, spent(spread))

        with Outcomes(each()) as kept:
            worked_s = time.perf_counter() - start
            tell(len(kept), worked_s, before, spent(spread))
            totals = reanalysis.totals(kept)
            print(f"{totals.runs} runs gone over again in {time.perf_counter() - start - worked_s:.0f} s: "
                  f"{totals.moved_results} moved, {totals.unreadable} unreadable")  # fmt: skip
    print(f"load average {os.getloadavg()[0]:.1f}")


def a_short_run() -> bytes:
    """The journal of one point of the demo."""
    with tempfile.TemporaryDirectory() as folder:
        lab = shutil.copytree(DEMO, Path(folder) / "lab")
        job = a_job(lab / "short.toml", f'{LEAD}\nchannels = [1]\nranges = ["100 mV"]')
        return journal.sound(opening.start(job, lab / "runs").folder)


def work(tasks: list[reanalysis.Task]) -> list[reanalysis.Outcome]:
    """What a worker does at once."""
    changes = reanalysis.Changes(rule="simple")
    return [done for task in tasks if (done := reanalysis.reanalyse(task, changes)) is not None]


def tasks(short: bytes, runs: int, until: float) -> Iterator[list[reanalysis.Task]]:
    """Journals of so many runs, made as they are asked for."""
    identity = str(journal.parse(short, Path()).header["id"]).encode()
    begin, end = unsealed(short).split(identity)
    for first in range(0, runs, AT_ONCE):
        if time.perf_counter() > until:
            return
        some = range(first, min(first + AT_ONCE, runs))
        yield [reanalysis.Task(data=sealed(begin + b"%032x" % n + end), where=f"run {n}") for n in some]


Spent = tuple[float, float, float, float]


def spent(spread: object) -> Spent:
    """Processor time of the workers and of this process, s; the most memory of a worker and of this process, MB."""
    workers = spread.client.run(of_this_process)  # type: ignore[attr-defined]
    here = of_this_process()
    return sum(s for s, _ in workers.values()), here[0], max(mb for _, mb in workers.values()), here[1]


def of_this_process() -> tuple[float, float]:
    """Its processor time, s, and the most memory that it ever took, MB."""
    return time.process_time(), resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def tell(n: int, s: float, before: Spent, now: Spent) -> None:
    """A line of the table."""
    workers, here = (1e3 * (now[k] - before[k]) / n for k in (0, 1))
    print(f"{n:>9}{s:>8.0f}{n / s:>8.0f}{workers:>32.2f}{here:>7.2f}{now[2]:>14.0f}{now[3]:>7.0f}", flush=True)


if __name__ == "__main__":
    main()
