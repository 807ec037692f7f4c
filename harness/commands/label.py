"""The command that makes a label for a unit."""

from __future__ import annotations

import re
from functools import partial
from pathlib import Path
from typing import Any

import rich_click as click

from harness.commands.helping import PlainHelpCommand, say
from harness.commands.run import PATH
from harness.words.language import in_language


class _Size(click.ParamType[tuple[float, float]]):
    """Width and height in mm."""

    name = "WxH"

    def convert(self, value: Any, param: Any, ctx: Any) -> tuple[float, float]:
        """Read "60x30"."""
        found = re.fullmatch(
            r"\s*([0-9]{1,3}(?:\.[0-9]+)?)\s*[x×]\s*([0-9]{1,3}(?:\.[0-9]+)?)\s*(?:mm)?\s*", str(value)
        )
        if found is None:
            self.fail(f"{value!r} is no size; expected width x height in mm, such as 60x30.", param, ctx)
        return float(found[1]), float(found[2])


@click.command(cls=PlainHelpCommand)
@click.argument("run_folder", type=PATH)
@click.option("--pdf", "path", type=PATH, help="Where to write it; else label.pdf in the run's folder.")
@click.option("--size", type=_Size(), default="60x30", show_default=True, help="Width x height in mm.")
@click.option("--link", default="", help="What the code says before the number: where your reports are found.")
@click.option("--fonts", type=PATH, help="A folder of fonts, for scripts that the program's own lack.")
def label(run_folder: Path, path: Path | None, size: tuple[float, float], link: str, fonts: Path | None) -> None:
    """Make a label for the unit of a finished run: unit, date, verdict, number and a code that leads to the number.

    A date for the next time stands on it only where the job has one (next_due), agreed with the customer.

    \b
    Examples:
      halfpower label runs/2026-05-04-Plover
      halfpower label runs/2026-05-04-Plover --size 50x25 --pdf plover.pdf
    """
    from harness.journal.atomic import write_bytes
    from harness.report.label import label as made
    from harness.years.issuing import report_of

    width_mm, height_mm = size
    report = report_of(run_folder)
    path = path or run_folder / "label.pdf"
    with in_language(report, report.setup.job.language, partial(report_of, run_folder)) as spoken:
        write_bytes(path, made(spoken, width_mm=width_mm, height_mm=height_mm, link=link, fonts=fonts))
    say(f"Written: {path}")
