"""What the program makes of the journals here; `python -m tests.golden.render` writes it down.

The page is kept without its drawings, which have tests of their own.
"""

from __future__ import annotations

import io
import json
import re
from collections.abc import Callable, Iterator
from functools import cache
from pathlib import Path
from typing import Final

from rich.console import Console

from harness.journal import journal
from harness.report.html import html_page
from harness.report.model import Report
from harness.report.results import to_json
from harness.report.sheet import sheet
from harness.report.summary import summarise
from harness.report.tables import budget_csv, points_csv, response_csv
from harness.report.terminal import render

FORMATS: Final = tuple(sorted(Path(__file__).parent.glob("format-*")))
JOURNALS: Final = tuple(sorted(path.parent for folder in FORMATS for path in folder.glob(f"*/{journal.NAME}")))


def page(report: Report) -> str:
    """The HTML page without its drawings."""
    return re.sub(r"<svg.*?</svg>", "<svg></svg>", html_page(report), flags=re.DOTALL)


def printed(report: Report) -> str:
    """The printed report as it is handed to the type-setter: a line a block, a line a row."""

    def said() -> Iterator[object]:
        told = sheet(report)
        yield {name: value for name, value in told.items() if name not in ("blocks", "annex")}
        for block in (*told["blocks"], *told["annex"]):
            yield {name: value for name, value in block.items() if name != "rows"}
            yield from block.get("rows", ())

    return "".join(json.dumps(each, ensure_ascii=False) + "\n" for each in said())


def terminal(report: Report) -> str:
    """The report at 100 columns."""
    console = Console(width=100, file=io.StringIO(), record=True, force_terminal=False)
    console.print(render(report))
    return console.export_text()


RENDERINGS: Final[dict[str, Callable[[Report], str]]] = {
    "report.json": to_json,
    "points.csv": points_csv,
    "response.csv": response_csv,
    "budget.csv": budget_csv,
    "report.txt": terminal,
    "report.html": page,
    "printed.jsonl": printed,
}


@cache
def report_of(folder: Path) -> Report:
    """The report of a journal here."""
    return summarise(journal.read(folder))


def main() -> None:
    """Write every rendering of every journal, and say which have changed."""
    for folder in JOURNALS:
        for name, rendering in RENDERINGS.items():
            path, text = folder / name, rendering(report_of(folder))
            changed = not path.exists() or path.read_bytes() != text.encode("utf-8")
            path.write_bytes(text.encode("utf-8"))
            if changed:
                print(path.relative_to(Path.cwd()) if path.is_relative_to(Path.cwd()) else path)


if __name__ == "__main__":
    main()
