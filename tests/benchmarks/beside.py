"""Two versions beside each other: `python -m tests.benchmarks.beside OLD_TREE [WHAT...]`, run from the newer tree.

Processor time of whole commands, user and system, as a shell would see it, each tree in turn: the machine's mood meets
both alike. The least of a few times counts, since nothing makes a command need less than it needs. Modules are compiled
beforehand, as an installed program's are; the reports' journal is the older version's, which both can read.
"""

from __future__ import annotations

import os
import resource
import subprocess
import sys
import tempfile
from pathlib import Path

TIMES = 3
AIMS = {"demo": 3.0, "check": 0.6, "rehearse": 0.9, "HTML": 1.5, "PDF": 2.0}


def main() -> None:
    """Print the table."""
    trees = (Path(sys.argv[1]).resolve(), Path(__file__).resolve().parents[2])
    print(f"{'processor time, s':<20}{'old':>7}{'new':>7}{'aim':>7}   (least of {TIMES})")
    with tempfile.TemporaryDirectory() as name:
        place = Path(name)
        os.environ["PYTHONPYCACHEPREFIX"] = str(place / "compiled")
        os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
        spent(trees[0], "demo", "--quiet", "--out", str(place / "kept"))
        run = next(place.glob("kept/runs/*/journal.jsonl")).parent
        job = str(place / "kept" / "digital.toml")
        ways = {
            "demo": ("demo", "--quiet", "--out", str(place / "demo")),
            "check": ("check", job),
            "rehearse": ("rehearse", job),
            "HTML": ("report", str(run), "--html", str(place / "report.html")),
            "PDF": ("report", str(run), "--pdf", str(place / "report.pdf")),
        }
        for what in sys.argv[2:] or ways:
            arguments = ways[what]
            for tree in trees:
                spent(tree, *arguments)
            taken = [[spent(tree, *arguments) for tree in trees] for _ in range(TIMES)]
            old, new = (min(each) for each in zip(*taken, strict=True))
            print(f"{what:<20}{old:>7.2f}{new:>7.2f}{AIMS[what]:>7.2f}", flush=True)


def spent(tree: Path, *arguments: str) -> float:
    """Processor time of a command and whatever it starts, s."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run(
        [sys.executable, "-m", "harness.cli", *arguments],
        cwd=tree, env={**os.environ, "PYTHONPATH": str(tree)}, stdout=subprocess.DEVNULL, check=True,
    )  # fmt: skip
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


if __name__ == "__main__":
    main()
