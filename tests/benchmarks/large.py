"""What the report of a very large run costs: `python -m tests.benchmarks.large`.

Readings that nobody judges, and judged results of ten readings each, with their budgets. Every rendering is made in a
process of its own; its peak of memory is that process's, with all that it imports.
"""

from __future__ import annotations

import resource
import subprocess
import sys
import time
from dataclasses import replace

from harness.report.html import html_pages
from harness.report.model import Report
from harness.report.pdf import pdf
from tests.helpers.report_examples import EXAMPLES

CASES = tuple((kind, *case) for kind in ("plain", "judged") for case in ((10_000, "pdf"), (50_000, "html")))
TEN = 10  # readings a result


def main() -> None:
    """Print the table."""
    print(f"{'':<26}{'CPU, s':>8}{'peak, MB':>10}{'files':>7}{'largest, MB':>13}")
    for kind, count, form in CASES:
        told = subprocess.run(
            [sys.executable, "-m", "tests.benchmarks.large", kind, str(count), form],
            capture_output=True, check=True, text=True,
        )  # fmt: skip
        print(f"{f'{form.upper()}, {count:,} {kind}':<26}{told.stdout.rstrip()}")


def one(kind: str, count: int, form: str) -> None:
    """Make one rendering and print what it cost."""
    report = large(kind, count)
    start = time.process_time()
    files = [pdf(report)] if form == "pdf" else [*html_pages(report, "report.html").values()]
    taken_s, peak_mb = time.process_time() - start, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"{taken_s:>8.2f}{peak_mb:>10.0f}{len(files):>7}{max(map(len, files)) / 1e6:>13.1f}")


def large(kind: str, count: int) -> Report:
    """A report of so many readings, by themselves or of judged results."""
    report = EXAMPLES["does_not_meet"]()
    part, reading = report.parts[0], EXAMPLES["plain_only"]().parts[0].plain[0]
    if kind == "plain":
        plain = tuple(replace(reading, setting=f"{n % 23} V/div") for n in range(count))
        return replace(report, parts=(replace(part, results=(), findings=(), plain=plain),))
    results = tuple(
        replace(
            part.results[n % len(part.results)], channel=1 + 8 * n * TEN // count, setting=f"{n % 99} mV/div",
            setting_value=float(n % 99), readings=part.results[0].readings * TEN,
        )
        for n in range(count // TEN)
    )  # fmt: skip
    return replace(report, parts=(replace(part, results=results),))


if __name__ == "__main__":
    if len(sys.argv) > 1:
        one(sys.argv[1], int(sys.argv[2]), sys.argv[3])
    else:
        main()
