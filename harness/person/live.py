"""What is shown while a run is under way: progress and time left, the last readings, the response as it builds up.

Four ways of showing the same events: a display that is redrawn, plain lines where there is no terminal, JSON
lines for scripts, and nothing.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final, Self, TextIO

from harness.measurement import quantity_of
from harness.person.progress import Progress
from harness.quantities import db, duration, show
from harness.steps import Connect, Look, Measure, Reading, Reply, Seen, Sine, Step, to_plain
from harness.words.clean import clean
from harness.words.json_text import json_text
from harness.words.language import tr
from harness.words.signals import describe

if TYPE_CHECKING:
    from rich.console import Console, RenderableType
    from rich.live import Live

SAID: Final = ("outputs", "own code")  # told once elsewhere: in the program's last line, and before its first
LAST: Final = 6  # readings kept in sight
_SURE_WITHIN: Final = 0.26  # of what is expected: the first reading of a search knows it within a quarter
CHART: Final = (65, 12)  # columns and rows of the response chart


# --- readings in words -------------------------------------------------------------------------------------------


def place(step: Measure) -> str:
    """The display and its setting: "channel 1, 50 mV/div"."""
    where = tr("channel {channel}", channel=step.view.channel) if step.display == "unit" else tr("reference")
    where = tr("{where} beside {driven}", where=where, driven=step.driven) if step.driven else where
    if quantity_of(step).axis == "time":
        magnified = f" ×{step.view.magnifier:g}" if step.view.magnifier != 1 else ""
        return f"{where}, {show(step.view.s_per_div, 's')}/div{magnified}"
    return f"{where}, {show(step.view.volts_per_div, 'V')}/div"


def _expected(step: Measure) -> float | None:
    """What is expected, where a sequence is sure of it: the middle of a search's wide span would only puzzle."""
    expected, low, high = step.expected, step.expected_low, step.expected_high
    if expected is not None and low is not None and high is not None and high - low > 2 * _SURE_WITHIN * abs(expected):
        return None
    return expected


def outcome(step: Measure, reading: Reading) -> str:
    """What was read, beside what was expected."""
    unit = quantity_of(step).unit
    if reading.status != "read" or reading.value is None:
        return tr(reading.status.replace("_", " "))
    digits = {"div": 4, "s": 4}.get(unit, 3)
    sure = _expected(step)
    expected = tr(" (expected {sure})", sure=show(sure, unit, digits)) if sure is not None else ""
    return f"{show(reading.value, unit, digits)}{expected}"


# --- the response as it builds up --------------------------------------------------------------------------------


@dataclass(slots=True)
class Responses:
    """The readings of a levelled sine by part and channel: frequency against shown over set."""

    points: dict[tuple[str, int], list[tuple[float, float]]] = field(default_factory=dict)

    def step(self, part: str, step: Measure, reading: Reading) -> bool:
        """Take a reading; says whether it belongs to a response."""
        stimulus = step.stimulus
        if step.display != "unit" or not isinstance(stimulus, Sine) or not quantity_of(step).amplitude:
            return False
        if reading.status != "read" or not reading.value or reading.value <= 0:
            return False
        gain = reading.value * step.view.volts_per_div / stimulus.level_vpp
        self.points.setdefault((part, step.view.channel), []).append((stimulus.frequency_hz, gain))
        return True

    def latest(self) -> tuple[tuple[str, int], list[tuple[float, float]]] | None:
        """The response that is growing, in dB against its lowest frequency."""
        if not self.points:
            return None
        name = next(reversed(self.points))
        points = sorted(self.points[name])
        reference = points[0][1]
        return name, [(frequency_hz, db(gain / reference)) for frequency_hz, gain in points]


def chart(points: list[tuple[float, float]]) -> RenderableType:
    """A response over frequency. Uncorrected: a picture to see the search by, not a result."""
    from harness.words.chart import ResponseChart

    return ResponseChart(readings=tuple(points), width=CHART[0], height=CHART[1])


# --- the four ways ----------------------------------------------------------------------------------------------


class Silent:
    """Shows nothing: for --quiet, and the base of the others."""

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Leave the screen as it should stay."""

    def event(self, what: str, text: str) -> None:
        """Something happened."""

    def step(self, part: str, n: int, step: Step, reply: Reply) -> None:
        """A step was answered, and is on disk."""

    @contextmanager
    def aside(self) -> Iterator[None]:
        """Make room for a question to a person."""
        yield


class JsonLines(Silent):
    """One JSON object a line; a reader that goes away does not end the run."""

    def __init__(self, stream: TextIO) -> None:
        self._stream: TextIO | None = stream

    def write(self, **entry: Any) -> None:
        """Write one line."""
        if self._stream is None:
            return
        try:
            self._stream.write(json_text(entry) + "\n")
            self._stream.flush()
        except OSError:
            self._stream = None

    def event(self, what: str, text: str) -> None:
        """Something happened."""
        self.write(event=what, text=text)

    def step(self, part: str, n: int, step: Step, reply: Reply) -> None:
        """A step was answered, and is on disk."""
        self.write(event="step", part=part, n=n, step=to_plain(step), reply=to_plain(reply))


class Followed(Silent):
    """What the two ways for a person have in common: how far the run is, its responses, its events as lines."""

    wraps = False  # a line too long is broken between words, as a display that is redrawn needs it

    def __init__(self, console: Console, progress: Progress) -> None:
        self._console, self.progress = console, progress
        self.responses = Responses()

    def event(self, what: str, text: str) -> None:
        """Something happened."""
        self.progress.event(what)
        if what not in SAID:
            self._print(f"{what}: {text}")

    def _print(self, text: str) -> None:
        from rich.text import Text

        self._console.print(Text(clean(text)), soft_wrap=not self.wraps)


class PlainLines(Followed):
    """Plain lines, for a file, a pipe, or a person who answers between them."""

    _drawn = ""

    def step(self, part: str, n: int, step: Step, reply: Reply) -> None:
        """A step was answered, and is on disk."""
        if part != self._drawn:
            self._finish_part()
        self._drawn = part
        self.progress.step(part, n)
        if isinstance(step, Measure) and isinstance(reply, Reading):
            self.responses.step(part, step, reply)
            count = f"{self.progress.done}/{self.progress.total}"
            self._print(
                f"{count:>9}  {part}: {place(step)}, {describe(step.stimulus)}: {outcome(step, reply)}"
                f"  (left: {duration(self.progress.left_s())})"
            )
        elif isinstance(step, Look) and isinstance(reply, Seen):
            self._print(f"{'':>9}  {part}: {step.what}: {reply.answer}{f', {reply.remark}' if reply.remark else ''}")
        elif isinstance(step, Connect):
            self._print(f"{'':>9}  {part}: connected {step.source}, {step.path}, {step.display} {step.channel}")

    def close(self) -> None:
        """Draw the last response."""
        self._finish_part()

    def _finish_part(self) -> None:
        """Draw each response of the part that is over."""
        for (part, channel), points in self.responses.points.items():
            if part == self._drawn and len(points) > 2:
                response = Responses({(part, channel): points}).latest()
                assert response is not None
                self._print(f"{part}, channel {channel}, uncorrected, relative to its lowest frequency:")
                self._console.print(chart(response[1]))
        self._drawn = ""


class Redrawn(Followed):
    """A display that is redrawn in place; events stay above it."""

    wraps = True

    def __init__(self, console: Console, progress: Progress) -> None:
        super().__init__(console, progress)
        self._last: deque[tuple[str, str, str, str]] = deque(maxlen=LAST)
        self._part = ""
        self._live: Live | None = None

    def __enter__(self) -> Self:
        self._start()
        return self

    def close(self) -> None:
        """Leave the terminal as it was."""
        if self._live is not None:
            self._live.stop()
            self._live = None

    def step(self, part: str, n: int, step: Step, reply: Reply) -> None:
        """A step was answered, and is on disk."""
        self._part = part
        self.progress.step(part, n)
        if isinstance(step, Measure) and isinstance(reply, Reading):
            self.responses.step(part, step, reply)
            self._last.append((part, place(step), describe(step.stimulus), outcome(step, reply)))

    @contextmanager
    def aside(self) -> Iterator[None]:
        """Take the display away while a person is asked."""
        self.close()
        try:
            yield
        finally:
            self._start()

    def _start(self) -> None:
        from rich.live import Live

        self._live = Live(
            console=self._console, get_renderable=self.drawn, refresh_per_second=8, transient=True,
            redirect_stdout=False, redirect_stderr=False,
        )  # fmt: skip
        self._live.start()

    def drawn(self) -> RenderableType:
        """The display as it stands now."""
        from rich.console import Group
        from rich.progress_bar import ProgressBar
        from rich.table import Table
        from rich.text import Text

        done, total = self.progress.done, self.progress.total
        head = Text(clean(f"{self._part or 'starting'}  {done}/{total}  left: {duration(self.progress.left_s())}"))
        table = Table(box=None, show_header=False, padding=(0, 2, 0, 0))
        for row in tuple(self._last):  # drawn by another thread than the one that measures
            table.add_row(*(Text(clean(cell)) for cell in row))
        bar = Table.grid()  # a bar by itself ends no line
        bar.add_row(ProgressBar(total=max(total, 1), completed=done, width=60))
        shown: list[RenderableType] = [head, bar, table]
        if self._is_responding() and (latest := self.responses.latest()) and len(latest[1]) > 2:
            (part, channel), points = latest
            shown.append(Text(clean(f"{part}, channel {channel}, uncorrected, relative to its lowest frequency")))
            shown.append(chart(points))
        return Group(*shown)

    def _is_responding(self) -> bool:
        latest = self.responses.latest()
        return latest is not None and latest[0][0] == self._part
