"""A journal of two versions beside each other: `python -m tests.benchmarks.journals OLD_TREE [READINGS]`.

Bytes a reading, in the digital demo; and a run of 50,000 readings that is gone on with for its last one: processor time
and memory of the process, from its imports to the report's values. Each tree writes and reads a journal of its own.
"""

from __future__ import annotations

import os
import resource
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

READINGS = 50_000
SEQUENCE = """
from harness.models import Model
from harness.steps import Dc, Measure, View, connect, measure

class Options(Model):
    readings: int = 1

def script(setup, options):
    yield from connect(path="lead", source="calibrator", display="unit", channel=1)
    for n in range(options.readings):
        yield from measure(
            Measure(
                purpose="linearity", path="lead", source="calibrator", stimulus=Dc(level_v=round(0.3 + 1e-6 * n, 6)),
                display="unit", view=View(channel=1, volts_per_div=0.1, s_per_div=1e-3), quantity="deflection",
                expected=round(3 + 1e-5 * n, 5), expected_low=2.0, expected_high=5.0,
            )
        )
"""
JOB = """
unit = "aldermoor_egret.toml"
bench = "bench.toml"
serial = "Egret-3071"
[[sequence]]
use = "many.py"
readings = {readings}
"""


def main() -> None:
    """Print the table."""
    readings = int(sys.argv[2]) if len(sys.argv) > 2 else READINGS
    trees = {"old": Path(sys.argv[1]).resolve(), "new": Path(__file__).resolve().parents[2]}
    print(f"{'':<6}{'bytes a reading':>17}{'journal, MB':>13}{'resume, s':>11}{'MB':>7}   ({readings} readings)")
    for name, tree in trees.items():
        said = subprocess.run(
            [sys.executable, __file__, "--one", str(readings)],
            cwd=tree, env={**os.environ, "PYTHONPATH": str(tree)}, stdout=subprocess.PIPE, check=True, text=True,
        ).stdout.split()  # fmt: skip
        each, size, spent, most = (float(value) for value in said)
        print(f"{name:<6}{each:>17.0f}{size / 1e6:>13.1f}{spent:>11.2f}{most:>7.0f}", flush=True)


def one(readings: int) -> None:
    """The figures of the tree that is imported."""
    from harness import runs
    from harness.journal import journal

    tree = Path(runs.__file__).parents[1]
    with tempfile.TemporaryDirectory() as name:
        place = Path(shutil.copytree(tree / "demo" / "brackwater", Path(name) / "lab"))
        demo = runs.start(place / "digital.toml", place / "demo").folder / journal.NAME
        lines = [line for line in demo.read_bytes().splitlines(keepends=True) if b'"step":' in line[:80]]
        (place / "many.py").write_text(SEQUENCE, "utf-8")
        (place / "many.toml").write_text(JOB.format(readings=readings), "utf-8")
        run = subprocess.run([sys.executable, __file__, "--write", str(place)], check=True, stdout=subprocess.PIPE)
        folder = Path(run.stdout.decode().strip())
        size = (folder / journal.NAME).stat().st_size
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        subprocess.run([sys.executable, __file__, "--resume", str(folder)], check=True)
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
    spent = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    print(sum(map(len, lines)) / len(lines), size, spent, after.ru_maxrss / 1e3)


def write(place: Path) -> None:
    """A run without its last reading, as if it had been cut off there; no line waits for the disk."""
    from harness import runs
    from harness.journal import sealed
    from harness.journal.journal import Journal
    from harness.steps import Connect, Done, Reading

    job = runs.load(place / "many.toml")
    with runs.opened(job) as bench:
        identities = bench.identify()
    header = runs._header(job, "many", "2026-11-25T18:00:00+00:00", identities)
    sealed.sync = lambda _file: None
    made = Journal.create(place / "runs" / "many", header, lambda: "2026-11-25T18:00:00.123+00:00")
    script = job.uses[0].script(job.setup)
    step, n = next(script), 0
    while n < job.uses[0].options.readings:
        value = round(getattr(step, "expected", 0) + 0.0123456789 / (n + 1), 12)
        reply = Done() if isinstance(step, Connect) else Reading(value=value, scatter=0.0007092 + 1e-9 * n)
        made.reply(job.uses[0].name, n, step, reply)
        step, n = script.send(reply), n + 1
    made.close()
    print(made.path.parent)


def resumed(folder: Path) -> None:
    """Go on with it to its end, as the command does but for what it shows."""
    import gc

    from harness import cli, runs

    gc.set_threshold(*cli._GARBAGE)
    result = runs.resume(folder)
    assert not result.ended_early


if __name__ == "__main__":
    match sys.argv[1:]:
        case ["--one", readings]:
            one(int(readings))
        case ["--write", place]:
            write(Path(place))
        case ["--resume", folder]:
            resumed(Path(folder))
        case _:
            main()
