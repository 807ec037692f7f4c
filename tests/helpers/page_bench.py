"""A run's side of a page, for tests: questions that stand, a terminal that types when told to, a picture."""

from __future__ import annotations

import io
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from PIL import Image
from rich.console import Console

from harness.errors import OperatorStop
from harness.journal.atomic import write_bytes
from harness.person.console import Terminal
from harness.person.live import Progress
from harness.person.operator import Prompt, replies
from harness.person.page import Graticule, Page
from harness.person.photographs import Album
from harness.person.several import Several
from harness.steps import Dc, Measure, View

READ = Measure(
    purpose="deflection", path="lead", source="calibrator", stimulus=Dc(level_v=0.3), display="unit",
    view=View(channel=2, volts_per_div=0.05, s_per_div=1e-3, ground_line_div=-3.0), quantity="deflection", expected=6.0,
)  # fmt: skip
READING = Prompt(kind="read", title="How many divisions?", lines=("level: 300 mV",), hint="about 6", step=READ)
HAZARD = Prompt(kind="choose", title="The next setting is hazardous.", choices=("go on", "stop"), hazard=True)
DO = Prompt(kind="do", title="Connect the lead")


class Bench:
    """A run's side: a page that is served, and questions asked in a thread of their own."""

    def __init__(self, folder: Path, typed: io.StringIO | None = None, *, terminal: bool = False) -> None:
        self.page = Page(
            "Aldermoor Skua, no. 7",
            Progress(planned={"1 vertical": 4}),
            {"unit": Graticule()},
            Album(write_bytes, folder),
        )
        self.out = Terminals() if terminal else io.StringIO()
        self.terminal = Terminal(Console(file=self.out, width=100))
        self.operator = Several(self.terminal, self.page, answers=typed if typed is not None else io.StringIO())
        self.events: list[tuple[str, str]] = []
        self.answered: list[Any] = []

    @contextmanager
    def asking(self, *prompts: Prompt) -> Iterator[None]:
        """Ask one after another; afterwards all of them are answered."""

        def ask() -> None:
            try:
                for prompt in prompts:
                    self.answered.append(self.operator.ask(prompt))
            except OperatorStop as stopped:
                self.answered.append(stopped)

        with self._thread(ask):
            yield

    @contextmanager
    def replying(self, prompt: Prompt) -> Iterator[None]:
        """Ask until something answers the question itself."""
        with self._thread(
            lambda: self.answered.append(next(replies(self.operator, prompt, lambda *e: self.events.append(e), "help")))
        ):
            yield

    @contextmanager
    def _thread(self, target: Callable[[], None]) -> Iterator[None]:
        thread = threading.Thread(target=target, daemon=True)
        thread.start()
        yield
        thread.join(20)
        assert not thread.is_alive()


class Terminals(io.StringIO):
    def isatty(self) -> bool:
        return True


class Typing(io.StringIO):
    """A person at the terminal who types when they are told to."""

    def __init__(self) -> None:
        super().__init__()
        self.lines: list[str] = []
        self.there = threading.Semaphore(0)

    def type(self, line: str) -> None:
        self.lines.append(f"{line}\n")
        self.there.release()

    def readline(self, _size: int = -1, /) -> str:
        self.there.acquire()
        return self.lines.pop(0)


def a_picture(kind: str = "JPEG", size: tuple[int, int] = (32, 24)) -> bytes:
    held = io.BytesIO()
    Image.new("RGB", size, (0, 90, 30)).save(held, kind)
    return held.getvalue()
