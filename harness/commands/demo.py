"""The demo: an invented laboratory, a simulated bench, and the verdict beside what is really true of the unit."""

from __future__ import annotations

from pathlib import Path
from typing import Final

import rich_click as click

JOBS: Final = {"digital": "digital.toml", "by-eye": "by-eye.toml"}


@click.command()
@click.argument("which", type=click.Choice(sorted(JOBS)), default="digital")
@click.option(
    "--out", type=click.Path(path_type=Path), default=Path("halfpower-demo"), show_default=True,
    help="Where the files and the run are kept.",
)  # fmt: skip
def demo(which: str, out: Path) -> None:
    """Verify a simulated oscilloscope from the first volt to the half-power frequency.

    'digital' reads a 100 MHz scope over its interface; 'by-eye' a 40 MHz scope without one, through simulated eyes.
    The job, bench and unit files are written beside the run: change them and run them again.

    \b
    Examples:
      halfpower demo
      halfpower demo by-eye
      halfpower run halfpower-demo/by-eye.toml --by-hand    you read the screen
    """
