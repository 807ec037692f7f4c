"""The demo: an invented laboratory, a simulated bench, and the verdict beside what is really true of the unit."""

from __future__ import annotations

import math
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final

import rich_click as click

from harness import measurement
from harness.commands.helping import PlainHelpCommand
from harness.errors import HalfpowerError

if TYPE_CHECKING:
    from harness.person.live import Silent
    from harness.report.model import Report, Result
    from harness.run.loop import Watch
    from harness.sim.true_values import TrueValues
    from harness.steps import Reply, Step

WATCHABLE_S: Final = 0.04  # a step, at a terminal
JOBS: Final = {
    "digital": "digital.toml",
    "by-eye": "by_eye.toml",
    "by-hand": "by_hand.toml",
    "whole-digital": "whole_digital.toml",
    "whole-analogue": "whole_analogue.toml",
}


@click.command(cls=PlainHelpCommand)
@click.argument("which", type=click.Choice(tuple(JOBS)), default="digital")
@click.option(
    "--out", type=click.Path(path_type=Path), default=Path("halfpower-demo"), show_default=True,
    help="Where the files and the run are kept.",
)  # fmt: skip
@click.option("--quiet", is_flag=True, help="Show the result alone.")
@click.option("--fast", is_flag=True, help="At a terminal: as fast as it goes, too fast to watch.")
def demo(which: str, out: Path, quiet: bool, fast: bool) -> None:
    """Verify a simulated oscilloscope from the first volt to the half-power frequency.

    'digital' reads a 100 MHz scope over its interface; 'by-eye' a 40 MHz scope without one, through simulated eyes;
    'by-hand' a 20 MHz scope on a bench where nothing has an interface. 'whole-digital' and 'whole-analogue' try all
    that a scope is rated for: a 100 MHz one over its interface, a 20 MHz one by hand.
    The job, bench and unit files are written beside the run: change them and run them again.

    \b
    Examples:
      halfpower demo
      halfpower demo by-eye
      halfpower run halfpower-demo/by_hand.toml --by-hand    you set and read
    """
    from harness import runs as opening
    from harness.commands.run import a_console, finish, shown, told_how_to_resume
    from harness.person.console import wrapped

    for kept in unpack(out):
        click.echo(f"Kept as it is, changed since it was written: {kept}", err=True)
    job, runs = out / JOBS[which], out / "runs"
    loaded = opening.load(job)
    with shown(quiet, False, lambda: opening.rehearse(loaded)) as (live, _), told_how_to_resume() as began:
        watch = live.step if fast else paced(live)
        result = opening.start(job, runs, on_event=live.event, watch=watch, on_folder=began)
    page = finish(result)
    simulated = opening.simulated_bench(loaded)
    if simulated is not None:
        width = a_console().width if sys.stdout.isatty() else math.inf
        for line in truth_lines(compare(result.report, simulated.truth)):
            click.echo("\n".join(wrapped(line, width)))
    click.echo(f"Report: {page.resolve()}")


def paced(live: Silent) -> Watch:
    """Slow a simulated run down where somebody watches it being drawn."""
    from harness.person.live import Redrawn
    from harness.words.clock import RealClock

    if not isinstance(live, Redrawn):
        return live.step

    def watch(part: str, n: int, step: Step, reply: Reply) -> None:
        live.step(part, n, step, reply)
        RealClock().sleep(WATCHABLE_S)

    return watch


def unpack(out: Path) -> list[Path]:
    """Write the packaged files; what a user has changed is kept and returned."""
    from importlib import resources

    kept = []
    try:
        out.mkdir(parents=True, exist_ok=True)
        for source in resources.files("demo").joinpath("brackwater").iterdir():
            if not source.is_file():
                continue
            target = out / source.name
            if not target.exists():
                target.write_bytes(source.read_bytes())
            elif target.read_bytes() != source.read_bytes():
                kept.append(target)
    except OSError as error:
        raise HalfpowerError(f"{out}: cannot be written: {error.strerror}. Name another folder with --out.") from None
    return sorted(kept)


# --- the verdict beside the truth --------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Compared:
    """A stated interval and the value that it should hold, and a word and whether the truth is within the rating."""

    what: str
    low: float
    high: float
    true: float
    unit: str
    word: str
    within_rating: bool

    @property
    def held(self) -> bool:
        """Whether the truth lies in the stated interval."""
        return self.low <= self.true <= self.high

    @property
    def wrong(self) -> bool:
        """A pass of what is beyond its rating, or a fail of what is within."""
        return (self.word == "pass" and not self.within_rating) or (self.word == "fail" and self.within_rating)


def compare(made: Report, truth: TrueValues) -> tuple[Compared, ...]:
    """Every deflection, time factor and half-power frequency of a report beside its hidden true value."""
    results = (result for part in made.parts for result in part.results)
    return tuple(compared for result in results if (compared := _compared(made, result, truth)))


def _compared(made: Report, result: Result, truth: TrueValues) -> Compared | None:
    statement, limits, true_value = result.statement, result.limits, measurement.true_value(result.quantity)
    if statement is None or limits is None or true_value is None:
        return None
    true = true_value(truth, made.setup, result)
    return Compared(
        what=f"{result.quantity}, channel {result.channel}, {result.setting}, {result.path}",
        low=statement.low, high=statement.high, true=true, unit=statement.unit, word=result.word,
        within_rating=_within(true, limits.low, limits.high),
    )  # fmt: skip


def _within(value: float, low: float | None, high: float | None) -> bool:
    return (low is None or value >= low) and (high is None or value <= high)


def _in_words(point: Compared) -> str:
    """The interval and the truth, to the place of its half-width."""
    from harness.analysis.rounding import format_pair, readable

    scale, unit = readable(point.true, point.unit)
    half, some = (point.high - point.low) / 2, (point.low, point.high, point.true)
    low, high, true = (format_pair(each / scale, half / scale, signed=point.unit != "Hz")[0] for each in some)
    return f"{low} to {high} {unit}; true {true} {unit}"


def truth_lines(compared: tuple[Compared, ...]) -> Iterator[str]:
    """The comparison in words."""
    held = sum(point.held for point in compared)
    yield ""
    yield "Beside the hidden truth of the simulated unit, which no measurement sees:"
    yield f"  {held} of {len(compared)} stated intervals hold the true value; about 95 % should."
    for point in compared:
        if point.unit == "Hz" or not point.held:
            yield f"  {point.what}: {_in_words(point)}: {'held' if point.held else 'NOT held'}"
    for point in compared:
        if point.wrong:
            side = "within" if point.within_rating else "beyond"
            yield f"  {point.what}: called {point.word}, and is truly {side} its rating"
    if not any(point.wrong for point in compared):
        yield "  No pass is truly beyond its rating, and no fail truly within it."
