"""What a person at the bench is told besides the question, and what they may say to any question."""

from __future__ import annotations

import time
from collections import Counter, defaultdict
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from typing import Final, TypeAlias

from harness.measurement import quantity_of
from harness.person.operator import LeaveOut, Operator, Prompt, Redo, describe_connection, left_out
from harness.person.progress import Progress
from harness.quantities import show
from harness.steps import Connect, Measure, Reading, Reply, Step
from harness.words.language import tr, tr_count
from harness.words.spelling import SIGN

Judged: TypeAlias = tuple[str, str]
"""The word of a reading, and the sentence of what it came to; both empty where nothing is judged."""

_LEFT_OUT: Final = "left out"
_WHERE: Final = ("where am i", "where am i?", "where")


def _none_planned() -> Mapping[str, int]:
    return {}


def _not_judged(_step: Measure, _reading: Reading) -> Judged:
    return "", ""


@dataclass(slots=True, kw_only=True)
class Guide:
    """How far a run is, and what its readings came to; `planned` are the readings of each part, asked for once."""

    planned: Callable[[], Mapping[str, int]] = _none_planned
    judge: Callable[[Measure, Reading], Judged] = _not_judged
    now: Callable[[], float] = time.monotonic
    part: str = ""  # that is on; empty while none is
    _progress: Progress | None = None
    _taken: defaultdict[str, dict[int, str]] = field(default_factory=lambda: defaultdict(dict))
    """The readings of each part that stand, and their words."""
    _connected: Connect | None = None

    def took(self, part: str, n: int, step: Step, reply: Reply) -> str:
        """A step was answered: what is said of it at once, empty where nothing is."""
        self.part = part
        if isinstance(step, Connect):
            self._connected = step
            return ""
        word = sentence = ""
        if isinstance(step, Measure) and isinstance(reply, Reading):
            word, sentence = self.judge(step, reply)
        self._taken[part][n] = _LEFT_OUT if left_out(reply) else word
        self._far().step(part, len(self._taken[part]) - 1, asked=not left_out(reply))
        if not isinstance(step, Measure) or not isinstance(reply, Reading):
            return ""
        judged = f": {SIGN.get(word, '?')} {sentence}" if sentence else ""
        return f"{_read(step, reply)}{judged}" if judged or reply.said else ""

    def back(self) -> None:
        """The last reading of the part that is on is wanted again."""
        if taken := self._taken[self.part]:
            del taken[max(taken)]
            self._far().step(self.part, len(taken) - 1)

    def resumed(self) -> str:
        """What was taken until now was taken in another session, and says nothing of the pace: a summary of it."""
        self._progress = None
        far, counts = self._far(), self._counts()
        parts = ", ".join(
            tr(
                "{part} {counts} of {counts_2}",
                part=part,
                counts=counts[part],
                counts_2=max(far.planned.get(part, 0), counts[part]),
            )
            for part in counts
        )
        return tr(
            "Going on, {done} of {total} done ({parts}): {so_far}",
            done=far.done,
            total=far.total,
            parts=parts,
            so_far=self.so_far(),
        )

    def _counts(self) -> dict[str, int]:
        return {part: len(taken) for part, taken in self._taken.items() if taken}

    def _far(self) -> Progress:
        if self._progress is None:
            self._progress = Progress(planned=self.planned(), now=self.now)
            self._progress.begin(self._counts())
        return self._progress

    def progress(self) -> str:
        """How far it is: "12 of 64, about 9 min left"; empty where nothing was planned, and at the end."""
        far = self._far()
        return "" if far.done >= far.total else far.at(far.done + 1)

    def so_far(self) -> str:
        """What came out so far, in a sentence."""
        taken = [word for words in self._taken.values() for word in words.values()]
        found = Counter(word for word in taken if word)
        left_out = found.pop(_LEFT_OUT, 0)
        judged = ", ".join(f"{number} {tr(word)}" for word, number in found.most_common())
        answers = f"{tr_count(len(taken) - left_out, 'answer')}{f': {judged}' if judged else ''}."
        return tr("{answers} {left_out} left out.", answers=answers, left_out=left_out) if left_out else answers

    def where(self, prompt: Prompt) -> Iterator[str]:
        """Where a person is, line by line."""
        yield (
            tr("In part {part}: {progress}.", part=self.part, progress=self.progress())
            if self.part
            else tr("Nothing is being measured yet.")
        )
        if self._connected is not None:
            yield tr("The last connection asked for: {connected}.", connected=describe_connection(self._connected))
        yield self.so_far()
        yield tr("The question that stands: {title}", title=prompt.title)


def _read(step: Measure, reading: Reading) -> str:
    """What was understood: a person may have said it in another way."""
    if reading.status != "read" or reading.value is None:
        return tr("off the screen") if reading.status == "off_screen" else ""
    return show(reading.value, quantity_of(step).unit, 4)


class Guided:
    """A person who is guided: every question says how far it is, and hears what is meant for more than itself."""

    def __init__(self, operator: Operator, guide: Guide) -> None:
        self._operator, self._guide = operator, guide

    def ask(self, prompt: Prompt) -> str:
        """Ask, until the answer is one for whoever asks."""
        while True:
            typed = self._operator.ask(replace(prompt, progress="" if prompt.firm else self._guide.progress()))
            word, _, rest = " ".join(typed.split()).partition(" ")
            if " ".join((word, rest)).strip().lower() in _WHERE:
                self.tell("\n".join(self._guide.where(prompt)))
            elif word.lower() not in ("skip", "redo") or (word.lower() == "skip" and not rest):
                if typed.strip().lower() == "back" and prompt.kind != "choose" and not prompt.firm:
                    self._guide.back()
                return typed
            elif prompt.firm or not self._guide.part:
                self.tell(tr("Not now: what is asked here comes first."))
            elif not rest:
                self.tell(tr("Write the setting after 'redo', such as redo 500 mV/div."))
            else:
                raise LeaveOut(rest) if word.lower() == "skip" else Redo(rest)

    def tell(self, text: str) -> None:
        """Pass it on."""
        self._operator.tell(text)
