"""What a person leaves out of a part, or wants to read once more.   [pure]"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from typing import Final, Literal

from harness import quantities
from harness.journal.journal import Record
from harness.measurement import quantity_of
from harness.person.operator import LEFT_OUT, left_out
from harness.steps import GROUND, Connect, Done, Look, Measure, Reading, Reply, Seen, Step
from harness.words.language import tr

MOST_LEFT_OUT: Final = 1000  # steps in a row: a sequence that asks on for ever is ended


@dataclass(frozen=True, slots=True, kw_only=True)
class Left:
    """What is left out from here on: a channel of the unit, a path, or all of it."""

    of: Literal["channel", "path", "part"]
    said: str
    path: str = ""
    channel: int = 0

    @classmethod
    def named(cls, what: str, step: Step) -> Left | None:
        """What somebody means who says so at a step; None where it means nothing there."""
        word, channel = what.lower(), _channel(step)
        if word == "part":
            return cls(of="part", said=LEFT_OUT + word)
        if word == "channel" and channel:
            return cls(of="channel", said=LEFT_OUT + word, channel=channel)
        if word in ("path", step.path.lower()):
            return cls(of="path", said=LEFT_OUT + word, path=step.path)
        return None

    @classmethod
    def of_record(cls, record: Record) -> Left | None:
        """What was left out from a recorded step on."""
        what = left_out(record.reply)
        return cls.named(what, record.step) if what else None

    @property
    def in_words(self) -> str:
        """What that is."""
        return {
            "channel": tr("channel {channel}", channel=self.channel),
            "path": self.path,
            "part": tr("the rest of this part"),
        }[self.of]

    def covers(self, step: Step) -> bool:
        """Whether a step belongs to it."""
        match self.of:
            case "channel":
                return _channel(step) == self.channel
            case "path":
                return step.path == self.path
            case "part":
                return True

    def reply(self, step: Step) -> Reply:
        """What is recorded of a step that is left out."""
        match step:
            case Connect():
                return Done()
            case Measure():
                return Reading(status="skipped", said=self.said)
            case Look():
                return Seen(answer="skipped", remark=self.said)


def _channel(step: Step) -> int:
    """The channel of the unit that a step is about; 0 where it is about another display."""
    if step.display != "unit":
        return 0
    return step.channel if isinstance(step, Connect) else step.view.channel


# --- once more ---------------------------------------------------------------------------------------------------


def chosen(wanted: str, records: Sequence[Record], standing: Step | None) -> tuple[int, ...]:
    """The indices of the readings of a setting, such as "500 mV/div" or "channel 2, 20 us/div": of one pass over it.

    Where several passes have it, the one that the standing step belongs to goes first, else the last one taken.
    """
    setting, channel = _parsed(wanted)
    fitting = [
        (index, record.step)
        for index, record in enumerate(records)
        if isinstance(record.step, Measure)
        and _is_at(record.step, setting)
        and channel in (None, _channel(record.step))
    ]
    if not fitting:
        return ()
    here = [each for each in fitting if standing is not None and _place(each[1]) == _place(standing)]
    _, last = (here or fitting)[-1]
    return tuple(index for index, step in fitting if _place(step) == _place(last) and step.view == last.view)


def connection(records: Sequence[Record], index: int) -> Connect | None:
    """The connection that a reading was taken behind."""
    return next((r.step for r in reversed(records[:index]) if isinstance(r.step, Connect)), None)


def turned(records: Sequence[Record], step: Step) -> int | None:
    """The index of the reading by which a person turned the level that a step rests on; None where none did."""
    if not isinstance(step, Measure) or step.display == "reference" or not getattr(step.stimulus, "turned", False):
        return None
    at = (i for i, r in enumerate(records) if isinstance(r.step, Measure) and r.step.display == "reference"
          and r.step.stimulus == step.stimulus)  # fmt: skip
    return max(at, default=None)


def known(records: Sequence[Record]) -> str:
    """The settings that were read, for whoever names another."""
    settings = (_setting(record.step) for record in records if isinstance(record.step, Measure))
    return ", ".join(dict.fromkeys(settings)) or "nothing"


def _place(step: Step) -> tuple[str, str, int]:
    return step.path, step.display, step.channel if isinstance(step, Connect) else step.view.channel


def _setting(step: Measure) -> str:
    view = step.view
    if quantity_of(step).axis == "time":
        return f"{quantities.show(view.s_per_div, 's')}/div"
    return f"{quantities.show(view.volts_per_div, 'V')}/div"


_CHANNEL: Final = re.compile(r"\b(?:channel|ch)\s*(\d{1,2})\b,?")


def _parsed(wanted: str) -> tuple[tuple[str, float], int | None]:
    """The unit and the value of a setting, and the channel where one is named."""
    found = _CHANNEL.search(wanted.lower())
    text = (wanted if found is None else wanted[: found.start()] + wanted[found.end() :]).strip(" ,")
    text = re.sub(r"\s*/\s*div$", "", text)
    channel = None if found is None else int(found[1])
    for unit in ("V", "s"):
        with suppress(ValueError):
            return (unit, quantities.parse(text, unit)), channel
    return ("", math.nan), channel


def _is_at(step: Measure, setting: tuple[str, float]) -> bool:
    unit, value = setting
    if step.purpose == GROUND:
        return False
    stands = {"V": step.view.volts_per_div, "s": step.view.s_per_div}.get(unit, math.nan)
    tried = "s" if quantity_of(step).axis == "time" else "V"
    return tried == unit and math.isclose(stands, value, rel_tol=1e-6)
