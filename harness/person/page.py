"""The page of a run: what every page shows, and the answer that counts, which is the first.

The run's thread asks, tells and shows; the server's threads look at `state` and answer. Nothing here knows the web.
"""

from __future__ import annotations

import secrets
import threading
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from queue import SimpleQueue
from typing import TYPE_CHECKING, Any, Final, Literal, TypeAlias

from harness.errors import HalfpowerError
from harness.measurement import quantity_of
from harness.person import expected
from harness.person.live import SAID, Responses, Silent, outcome, place
from harness.person.operator import PHOTOGRAPH, Prompt
from harness.person.progress import Progress
from harness.steps import Measure, Reading, Reply, Step
from harness.words.clean import clean
from harness.words.json_text import json_text
from harness.words.language import ENGLISH, speaking, tr, tr_later
from harness.words.signals import describe

if TYPE_CHECKING:
    from harness.person.photographs import Album

Who: TypeAlias = Literal["terminal", "page"]
LONGEST: Final = 400  # characters of an answer, a remark included
_MOST_RESULTS: Final = 400
_MOST_EVENTS: Final = 20
_WORDS: Final = {"read": ("=", "off", "back", "skip", "?", "stop"), "do": ("back", "?", "stop"), "choose": ()}
_MORE: Final = ("where am I", "skip channel", "skip probe", "skip part")
_ASIDE: Final = ("note", "?", PHOTOGRAPH)  # the question stands, and what is being typed to it
_UNITS: Final = {"level": ("mV", "V"), "time": ("ns", "µs", "ms"), "none": ("%",)}  # as a reading may be typed in
_UNITS_TUNED: Final = {"frequency": (), "level": ("mV", "V"), "period": ("ns", "µs", "ms")}
_FREQUENCIES: Final = ("Hz", "kHz", "MHz")


class Refused(HalfpowerError):  # noqa: N818 - the run is well; it waits
    """What a page sent does not count; the sentence is for whoever sent it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Graticule:
    """A display as a person reads it."""

    height_div: float = 8.0
    width_div: float = 10.0
    step_div: float = 0.1  # finest step of a reading
    time_step_div: float = 0.1


@dataclass(slots=True, kw_only=True)
class Question:
    """A prompt that stands, and the first answer to it."""

    number: int
    prompt: Prompt
    shown: dict[str, Any]  # of it, on every page
    first: tuple[Who, str] | None = None


@dataclass(slots=True)
class Page(Silent):
    """What all pages of a run show; whoever asks waits in `heard` for what comes from a page or from elsewhere."""

    title: str
    progress: Progress
    graticules: Mapping[str, Graticule]
    album: Album
    heard: SimpleQueue[tuple[Question | None, str | None]] = field(
        default_factory=SimpleQueue
    )  # none of a page: a line
    on_change: Callable[[], None] = lambda: None  # told in whichever thread the change was made
    run: str = field(default_factory=lambda: secrets.token_hex(8))  # tells its questions from another run's
    ended: str = ""
    language: str = ENGLISH  # that of the run
    _lock: threading.RLock = field(default_factory=threading.RLock)
    _asked: Question | None = None
    _number: int = 0
    _answered: tuple[Who, str] | None = None
    _told: list[str] = field(default_factory=list)
    _events: list[str] = field(default_factory=list)
    _results: dict[tuple[str, int], dict[str, str]] = field(default_factory=dict)
    _responses: Responses = field(default_factory=Responses)
    _live: Mapping[str, Any] | None = None
    _part: str = ""
    _round: int = 0  # goes up with each answer that is more than an aside: what is being typed is void then

    def tells(self, whom: Callable[[], None]) -> None:
        """Who is told of every change."""
        self.on_change = whom

    # --- the run's side ------------------------------------------------------------------------------------------

    @contextmanager
    def asking(self, prompt: Prompt) -> Iterator[Question]:
        """Have a question stand on every page; afterwards no answer to it is taken any more."""
        with self._changing():
            before, self._number = self._asked, self._number + 1
            shown = {"number": self._number, "round": self._round, **_shown(prompt), **self._reading(prompt)}
            self._asked = question = Question(number=self._number, prompt=prompt, shown=shown)
        try:
            yield question
        finally:
            with self._changing():
                self._asked = before  # one may stand while another is asked
                self._told.clear()

    def take(self, question: Question, who: Who, text: str) -> bool:
        """Take an answer; False where another was first, or the question stands no more."""
        with self._changing():
            if self._asked is not question or question.first is not None:
                return False
            question.first = self._answered = (who, text)
            self._round += text.split(" ", 1)[0] not in _ASIDE
            return True

    def tell(self, text: str) -> None:
        """Show it with the question that stands or comes next."""
        with self._changing():
            self._told.append("\n".join(clean(line) for line in text.splitlines()))

    def event(self, what: str, text: str) -> None:
        """Something happened."""
        with self._changing():
            self.progress.event(what)
            if what not in SAID:
                self._events = [*self._events, clean(f"{what}: {text}")][-_MOST_EVENTS:]

    def step(self, part: str, n: int, step: Step, reply: Reply) -> None:
        """A step was answered, and is on disk."""
        with self._changing():
            self.progress.step(part, n)
            self.earlier(part, n, step, reply)

    def earlier(self, part: str, n: int, step: Step, reply: Reply) -> None:
        """Show a step that an earlier session of this run has taken."""
        self._part = part
        if isinstance(step, Measure) and isinstance(reply, Reading):
            self._responses.step(part, step, reply)
            self._results.pop((part, n), None)  # one that is taken again stands last
            self._results[part, n] = {
                "part": clean(part), "place": place(step), "applied": describe(step.stimulus),
                "read": outcome(step, reply),
            }  # fmt: skip

    def look(self, live: Mapping[str, Any] | None) -> None:
        """Show a reading that is taken again and again, large, in place of the one before."""
        with self._changing():
            self._live = live

    def end(self, sentence: str) -> None:
        """Show how the run ended."""
        with self._changing():
            self.ended = sentence

    @contextmanager
    def _changing(self) -> Iterator[None]:
        with self._lock, speaking(self.language):
            yield
        self.on_change()

    # --- the pages' side -----------------------------------------------------------------------------------------

    def answer(self, run: str, number: int, text: str) -> None:
        """Answer the question of that number; raises Refused, with a sentence, where it does not count."""
        question = self._standing(run, number)
        if len(text) > LONGEST:
            raise Refused(tr("An answer has at most {longest} characters; this one was not taken.", longest=LONGEST))
        if clean(text) != text or "\n" in text:
            raise Refused(tr("An answer is one line of plain text; this one was not taken."))
        if text.split(" ", 1)[0].lower() == PHOTOGRAPH:
            raise Refused(tr("A photograph is sent, not typed; this one was not taken."))
        self._take(question, text)

    def photograph(self, run: str, number: int, data: bytes) -> None:
        """Keep a photograph with the question of that number, which goes on standing."""
        question = self._standing(run, number)
        if question.prompt.kind == "choose":
            raise Refused(tr("Answer this question first; a photograph belongs to what is set or read."))
        kept = self.album.keep(data)
        self._take(question, f"{PHOTOGRAPH} {kept.name} {kept.sha256} {_caption(question.prompt)}")

    def _take(self, question: Question, text: str) -> None:
        if not self.take(question, "page", text):
            raise Refused(self._too_late())
        self.heard.put((question, text))

    def _standing(self, run: str, number: int) -> Question:
        with self._lock:
            if run != self.run:
                raise Refused(tr("This page belongs to an earlier run; open the address that the terminal shows now."))
            if self.ended:
                raise Refused(tr("The run has ended; this answer was not taken."))
            if self._asked is None or self._asked.number != number or self._asked.first is not None:
                raise Refused(self._too_late())
            return self._asked

    def _too_late(self) -> str:
        if self._answered is None:
            return tr("Nothing is asked now; this answer was not taken.")
        who, text = self._answered
        return tr(
            "Somebody was quicker: {text} ({where}). Yours was not taken.", text=said(text), where=tr(_WHERE[who])
        )

    def state(self) -> str:
        """Everything a page shows, as JSON."""
        with self._lock:
            asked = self._asked if self._asked is not None and self._asked.first is None else None
            progress = self.progress
            shown = {
                "run": self.run, "title": clean(self.title), "ended": clean(self.ended),
                "question": None if asked is None else asked.shown,
                "answered": self._answered and [tr(_WHERE[self._answered[0]]), said(self._answered[1])],
                "told": self._told, "events": self._events, "live": self._live, "chart": self._chart(),
                "results": list(self._results.values())[-_MOST_RESULTS:],
                "far": clean(asked.prompt.progress if asked else "")
                or (progress.at(progress.done) if progress.total else ""),
                "done": progress.done, "total": progress.total,
            }  # fmt: skip
            return json_text(shown)

    def _reading(self, prompt: Prompt) -> dict[str, Any]:
        """The graticule to read on, and how a reading lies on it."""
        step = prompt.step
        if prompt.kind != "read" or not isinstance(step, Measure):
            return {"graticule": None}
        quantity, graticule = quantity_of(step), self.graticules.get(step.display, Graticule())
        upright = quantity.axis == "time"
        on_screen = upright or quantity.unit == "div"
        return {
            "done": prompt.done or (
                "" if step.tune_to_div is None else tr("It covers {div:g} div", div=step.tune_to_div)
            ),
            "units": () if quantity.sweeps else (
                _UNITS_TUNED[step.tune] if step.said_when_tuned else _UNITS[quantity.axis]
            ),
            "graticule": {
                "height": graticule.height_div, "width": graticule.width_div, "ground": step.view.ground_line_div,
                "step": (graticule.time_step_div if upright else graticule.step_div) or 0.02,
                "cursors": "none" if not on_screen or step.tune_to_div is not None else "across" if upright else (
                    "ground" if quantity.from_ground else "upright"
                ),
                "expected": expected.trace(step, graticule.width_div),
                "seen": None if prompt.trace is None else [(round(x, 3), round(y, 3)) for x, y in prompt.trace()],
            },
        }  # fmt: skip

    def _chart(self) -> dict[str, Any] | None:
        latest = self._responses.latest()
        if latest is None or len(latest[1]) < 2:
            return None
        (part, channel), points = latest
        return {"title": tr("{what}, channel {channel}", what=part, channel=channel), "points": points}


def _shown(prompt: Prompt) -> dict[str, Any]:
    """The words of a question, and the answers that it takes."""
    step = prompt.step if isinstance(prompt.step, Measure) else None
    left_out = {"=", "off", "skip"} if step is None else {"="} if step.expected is None else set()
    left_out |= {"back"} if prompt.firm else set()
    shown = prompt.in_order
    return {
        "kind": prompt.kind, "title": clean(shown.title),
        "first": [clean(errand.in_one_line) for errand in shown.first],
        "lines": [clean(line) for line in shown.lines], "unchanged": clean(prompt.unchanged),
        "hint": clean(prompt.hint), "hazard": prompt.hazard, "choices": prompt.choices,
        "words": [word for word in _WORDS[prompt.kind] if word not in left_out],
        "more": () if prompt.firm or prompt.in_words else _MORE, "in_words": prompt.in_words,
        "photograph": prompt.kind != "choose" and not prompt.in_words,
        "units": _FREQUENCIES if prompt.role == "counter" else (),
    }  # fmt: skip


def _caption(prompt: Prompt) -> str:
    """What a photograph is of."""
    step = prompt.step
    return f"{place(step)}, {describe(step.stimulus)}" if isinstance(step, Measure) else clean(prompt.title)


_WHERE: Final[Mapping[Who, str]] = {
    "terminal": tr_later("at the terminal"), "page": tr_later("on a page"),
}  # fmt: skip


def said(text: str) -> str:
    """An answer as it is told to the others."""
    return {"": tr("done"), PHOTOGRAPH: tr("a photograph")}.get(text.split(" ", 1)[0], text)
