"""What a report costs: `python -m tests.benchmarks.renderings`.

The digital demo is run once; then each rendering is made of its journal several times, in one process and with what it
imports loaded. The first time of each, with its imports, stands beside it.
"""

from __future__ import annotations

import io
import statistics
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from rich.console import Console

from harness import runs as opening
from harness.journal.journal import read
from harness.report.html import html_page
from harness.report.model import Report
from harness.report.pdf import pdf
from harness.report.plots import pictures
from harness.report.results import to_json
from harness.report.summary import summarise
from harness.report.tables import points_csv
from harness.report.terminal import render

DEMO = Path(__file__).resolve().parents[2] / "demo" / "brackwater"
TIMES = 7


def main() -> None:
    """Print the table."""
    with tempfile.TemporaryDirectory() as folder:
        contents = read(opening.start(DEMO / "digital.toml", folder).folder)
    report = summarise(contents)
    ways: dict[str, Callable[[], object]] = {
        "summary, from the journal": lambda: summarise(contents),
        "terminal, 100 columns": lambda: shown_on_terminal(report),
        "CSV": lambda: points_csv(report),
        "JSON": lambda: to_json(report),
        "pictures, once": lambda: pictures(report),
        "HTML, pictures twice": lambda: html_page(report),
        "PDF, pictures once": lambda: pdf(report),
    }
    print(f"{'the digital demo':<28}{'first':>9}{'then':>9}{'bytes':>10}   (ms; medians of {TIMES})")
    for name, way in ways.items():
        first, made = timed(way)
        then = statistics.median(timed(way)[0] for _ in range(TIMES))
        size = f"{len(made):,}" if isinstance(made, str | bytes) else ""
        print(f"{name:<28}{first:>9.0f}{then:>9.0f}{size:>10}")


def timed(way: Callable[[], object]) -> tuple[float, object]:
    """How long a rendering takes, in milliseconds, and what it gives."""
    start = time.perf_counter()
    made = way()
    return 1e3 * (time.perf_counter() - start), made


def shown_on_terminal(report: Report) -> str:
    """The report as a terminal gets it."""
    console = Console(width=100, file=io.StringIO(), record=True, force_terminal=False)
    console.print(render(report))
    return console.export_text()


if __name__ == "__main__":
    main()
