"""The page of a run beside its terminal: built from the job, announced with a code to scan, told all that happens."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from harness.errors import HalfpowerError
from harness.words.language import speaking

if TYPE_CHECKING:
    from rich.console import Console

    from harness.journal.events import OnEvent
    from harness.journal.journal import Contents
    from harness.models import Setup
    from harness.person.console import Terminal
    from harness.person.operator import Operator
    from harness.person.page import Graticule, Page
    from harness.person.progress import Progress
    from harness.run.jobs import LoadedJob
    from harness.run.loop import Watch

OnFolder = Callable[[Path], None]


@dataclass(frozen=True, slots=True)
class Pages:
    """What is added to the ways in which a run is shown and answered, where it has a page."""

    page: Page | None = None

    def operator(self, terminal: Terminal) -> Operator:
        """Who is asked."""
        from harness.person.several import Several

        return terminal if self.page is None else Several(terminal, self.page)

    def event(self, also: OnEvent) -> OnEvent:
        """What is told of what happens."""
        return _both(also, None if self.page is None else self.page.event)

    def step(self, also: Watch) -> Watch:
        """What is told of every step."""
        return _both(also, None if self.page is None else self.page.step)

    def folder(self, also: OnFolder) -> OnFolder:
        """What is told of the run's folder."""
        return _both(also, None if self.page is None else self._keeps_in)

    def end(self, sentence: str) -> None:
        """Show how the run ended."""
        if self.page is not None:
            self.page.end(sentence)

    def _keeps_in(self, folder: Path) -> None:
        assert self.page is not None
        self.page.album.folder = folder


def _both(first: Callable[..., None], second: Callable[..., None] | None) -> Callable[..., None]:
    if second is None:
        return first

    def both(*told: object) -> None:
        first(*told)
        second(*told)

    return both


@contextmanager
def paged(
    where: str | None,
    loaded: LoadedJob,
    progress: Callable[[], Progress],
    contents: Contents | None,
    console: Console,
) -> Iterator[Pages]:
    """Serve a page of the run there, for as long as this lasts; nothing where none is wanted."""
    if where is None:
        yield Pages()
        return
    page = built(loaded, progress(), contents)
    with serving(page, where, console):
        yield Pages(page)


def built(loaded: LoadedJob, progress: Progress, contents: Contents | None) -> Page:
    """The page of a job's run, with what it has read already."""
    from harness.journal.atomic import write_bytes
    from harness.person.page import Page
    from harness.person.photographs import Album

    setup = loaded.setup
    title = f"{setup.unit.maker} {setup.unit.model}, no. {setup.job.serial}"
    page = Page(title, progress, graticules(setup), Album(write_bytes), language=setup.job.language)
    with speaking(page.language):
        for record in contents.records if contents else ():
            page.earlier(record.part, record.n, record.step, record.reply)
    return page


@contextmanager
def serving(page: Page, where: str | None, console: Console) -> Iterator[None]:
    """Serve a page, if it is wanted anywhere, and announce it; whatever ends this is shown on it."""
    from harness.person.page_server import served

    if where is None:
        yield
        return
    with served(page, where) as address:
        announce(console, address)
        try:
            yield
        except HalfpowerError as stopped:
            page.end(str(stopped))
            raise
        except KeyboardInterrupt:
            page.end("Stopped at the terminal; what was measured is kept.")
            raise


def graticules(setup: Setup) -> dict[str, Graticule]:
    """The displays of a job as a person reads them."""
    from harness.person.page import Graticule

    unit, reference = setup.unit, setup.bench.reference
    made = {
        "unit": Graticule(
            height_div=unit.vertical_div, width_div=unit.horizontal_div, step_div=unit.resolution,
            time_step_div=unit.time_resolution,
        )
    }  # fmt: skip
    if reference is not None:
        made["reference"] = Graticule(height_div=reference.vertical_div, step_div=reference.step_div)
    return made


def announce(console: Console, address: str) -> None:
    """Show the address, and its code where it can be scanned."""
    from rich.text import Text

    console.print(Text(f"Answer here or on the page: {address}"), soft_wrap=True)
    if console.is_terminal:
        for row in code(address):
            console.print(Text(row, style="black on white"))


def code(address: str) -> list[str]:
    """A QR code of the address, two rows of it in one of text; dark is dark on a white ground."""
    import segno

    rows = [list(row) for row in segno.make(address, error="l", micro=False).matrix_iter(border=2)]
    rows += [[0] * len(rows[0])] * (len(rows) % 2)
    marks = {(0, 0): " ", (1, 0): "▀", (0, 1): "▄", (1, 1): "█"}
    return [
        "".join(marks[int(bool(a)), int(bool(b))] for a, b in zip(upper, lower, strict=True))
        for upper, lower in zip(rows[::2], rows[1::2], strict=True)
    ]
