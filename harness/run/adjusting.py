"""A point of a run that is read again and again while somebody turns a trimmer, and what else that has moved.

The readings of the run stay as they were found; before and after are told as events of its journal.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass, field, replace
from typing import Any, Final, Protocol, TypeAlias

from drivers.manual import Manual
from harness.analysis.rounding import format_pair
from harness.assess import judge, limits_for
from harness.bench.perform import LiveBench
from harness.errors import AnalysisError, HalfpowerError, OperatorStop
from harness.journal.journal import Contents, Record
from harness.measurement import quantity_of
from harness.models import Setup
from harness.person.operator import DONE, STOPPED_OFF, Operator, Prompt, ask_choice, ask_done
from harness.quantities import counted, show
from harness.run import again
from harness.steps import GROUND, Connect, Measure, Reading
from harness.words.language import tr, tr_later
from harness.words.signals import describe

ADJUSTED: Final = "adjusted"  # kind of the event
DONE_SAYS: Final = tr_later("It is adjusted")
CAUTIONS: Final = (
    tr_later("An open oscilloscope holds voltages that kill, some of them long after it is switched off."),
    tr_later(
        "Turn what the maker's manual names, with the tool it names; leave open instruments to those qualified "
        "for them."
    ),
    tr_later("Local rules and licensed practice come first."),
)
_PACE_S: Final = 0.3  # from one reading to the next, for eyes that look at the trimmer as well
_HELP: Final = tr_later("Turn, and press Enter when it is adjusted; or type stop or note TEXT.")


class Present(Operator, Protocol):
    """A person whose answer to a question may come while something else goes on."""

    def standing(self, prompt: Prompt) -> AbstractContextManager[Callable[[float], str | None]]:
        """Have a question stand; gives what waits so many seconds for the answer, None where none came."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Point:
    """A reading of the run that can be taken again by itself."""

    step: Measure
    connection: Connect
    ground: Measure | None  # of a display that reads its ground line too

    @property
    def name(self) -> str:
        """The channel, the setting and what is applied."""
        view = self.step.view
        s_per_div, volts_per_div = f"{show(view.s_per_div, 's')}/div", f"{show(view.volts_per_div, 'V')}/div"
        setting = s_per_div if quantity_of(self.step).axis == "time" else volts_per_div
        magnified = f" ×{view.magnifier:g}" if view.magnifier != 1 else ""
        place = tr(
            "channel {channel}, {setting}{magnified}", channel=view.channel, setting=setting, magnified=magnified
        )
        return f"{place}, {self.step.path}, {describe(self.step.stimulus)}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Sight:
    """What one reading of a point comes to, by the budget and the limits of the report."""

    name: str
    said: str  # "+0.4 %"; what came instead of a value
    limits: str = ""
    word: str = ""
    value: float | None = None
    low: float | None = None
    high: float | None = None


Show: TypeAlias = Callable[[Sight], None]


class _Finished(Exception):  # noqa: N818 - a choice of the operator, not an error
    """It is adjusted."""


class Turning:
    """A person who turns something and reads: Enter alone says that it is adjusted."""

    def __init__(self, operator: Operator) -> None:
        self._operator = operator
        self.turning = False

    def ask(self, prompt: Prompt) -> str:
        """Ask; where a reading is asked for, say how to end."""
        if not (self.turning and prompt.kind == "read" and isinstance(prompt.step, Measure)):
            return self._operator.ask(prompt)
        typed = self._operator.ask(replace(prompt, done=tr(DONE_SAYS)))
        if typed.strip().lower() in DONE:
            raise _Finished
        return typed

    def tell(self, text: str) -> None:
        """Pass it on."""
        self._operator.tell(text)


# --- which points ------------------------------------------------------------------------------------------------


def points_of(setup: Setup, contents: Contents) -> list[Point]:
    """Every point of the unit that the run has read and that is judged by itself."""
    found: dict[Any, Point] = {}
    for part in contents.header["parts"]:
        records = contents.replies(str(part["name"]))
        for index, record in enumerate(records):
            step, connection = record.step, again.connection(records, index)
            left_out = isinstance(record.reply, Reading) and record.reply.status == "skipped"
            if isinstance(step, Measure) and connection and not left_out and _is_judged(setup, step):
                point = Point(
                    step=replace(step, repeat=0, because=""),
                    connection=connection,
                    ground=_ground(records[:index], step),
                )
                found.setdefault((step.path, step.view, step.quantity, step.stimulus), point)
    return list(found.values())


def _is_judged(setup: Setup, step: Measure) -> bool:
    try:
        limits_for(setup, step)
    except AnalysisError:
        return False
    return step.display == "unit" and step.purpose != GROUND


def _ground(records: Sequence[Record], step: Measure) -> Measure | None:
    """The step that read the ground line of a reading."""
    grounds = (r.step for r in reversed(records) if isinstance(r.step, Measure) and r.step.purpose == GROUND)
    return next(
        (g for g in grounds if (g.path, replace(g.view, coupling=step.view.coupling)) == (step.path, step.view)), None
    )


def named(wanted: str, points: Sequence[Point], paths: Sequence[str]) -> Point:
    """The point that somebody means by "ch 1, 50 mV/div" or "ch 2, 20 us/div, probe"; refused, with what there is."""
    path = next((each for each in paths if re.search(rf"\b{re.escape(each)}\b", wanted, re.IGNORECASE)), None)
    bare = wanted if path is None else re.sub(rf"\b{re.escape(path)}\b", "", wanted, flags=re.IGNORECASE)

    def fits(point: Point) -> bool:
        records = [Record(part="", n=0, step=point.step, reply=Reading(), at="")]
        return path in (None, point.step.path) and bool(again.chosen(bare.strip(" ,"), records, None))

    fitting = [point for point in points if fits(point)]
    if not fitting:
        known = "; ".join(dict.fromkeys(point.name for point in points[:20])) or "no point that is judged by itself"
        raise HalfpowerError(f"{wanted!r} names no point of this run. Such as 'ch 1, 50 mV/div'; it has read: {known}.")
    if len({(point.step.view.channel, point.step.path) for point in fitting}) > 1:  # another trimmer, another voltage
        known = "; ".join(dict.fromkeys(point.name for point in fitting[:20]))
        raise HalfpowerError(f"{wanted!r} may be any of: {known}. Name the channel and the path as well.")
    alike = [point for point in fitting if point.step.view == fitting[-1].step.view]
    return max(alike, key=lambda point: abs(point.step.stimulus.level))


def neighbours(point: Point, points: Sequence[Point]) -> list[Point]:
    """What a trimmer of this point may move too: the other settings of its channel, the nearest first, one of each."""
    here = point.step

    def belongs(step: Measure) -> tuple[str, int, str]:
        return step.path, step.view.channel, step.quantity

    def away(other: Point) -> float:
        there = other.step
        return abs(math.log(there.view.volts_per_div / here.view.volts_per_div)) + abs(
            math.log(there.view.s_per_div / here.view.s_per_div)
        )

    alike = [each for each in points if belongs(each.step) == belongs(here) and each.step.view != here.view]
    return list({other.step.view: other for other in sorted(alike, key=away)}.values())


# --- the work ----------------------------------------------------------------------------------------------------


@dataclass(slots=True, kw_only=True)
class Adjusting:
    """Somebody at the bench with a trimmer."""

    bench: LiveBench
    setup: Setup
    person: Present
    turning: Turning  # the same person, as the bench asks them
    show: Show
    on_event: Callable[[str, str], None]
    taken: int  # readings in the run until now
    _made: Connect | None = None
    _grounds: dict[Measure, Reading] = field(default_factory=dict)

    def run(self, point: Point, points: Sequence[Point]) -> None:
        """Adjust a point, then offer what that may have moved."""
        title = tr("Make ready to adjust {point}", point=point.name)
        ask_done(self.turning, Prompt(kind="do", title=title, lines=tuple(map(tr, CAUTIONS))), self.on_event)
        self.adjust(point)
        for other in neighbours(point, points):
            title = tr("It may have moved {point}", point=other.name)
            prompt = Prompt(kind="choose", title=title, choices=("read", "adjust", "leave", "end"))
            match ask_choice(self.turning, prompt):
                case "read":
                    sight = self._read(other)
                    self._tell(
                        tr_later("{point}: {said}, limit {limits}, after another was adjusted."),
                        point=other.name, said=sight.said, limits=sight.limits,
                    )  # fmt: skip
                case "adjust":
                    self.adjust(other)
                case "end":
                    return
                case _:
                    pass

    def adjust(self, point: Point) -> None:
        """Read a point until somebody says that it is adjusted."""
        by_hand = isinstance(self.bench.drivers[point.step.display], Manual)
        sights = list(self._asked(point) if by_hand else self._looked(point))
        if len(sights) > 1:
            before, after = sights[0], sights[-1]
            self._tell(
                tr_later("{point}: {before} before, {after} after, limit {limits}."),
                point=point.name, before=before.said, after=after.said, limits=after.limits,
            )  # fmt: skip

    def _tell(self, what: str, **holes: str) -> None:
        self.on_event(
            ADJUSTED, f"Adjusted when {counted(self.taken, 'reading')} had been taken: {what.format(**holes)}"
        )
        self.person.tell(tr(what, **holes))

    def _asked(self, point: Point) -> Iterator[Sight]:
        """Reading by reading, as a person types them."""
        self.turning.turning = True
        try:
            while True:
                yield self._read(point)
        except _Finished:
            return
        finally:
            self.turning.turning = False

    def _looked(self, point: Point) -> Iterator[Sight]:
        """Reading by reading, as the instrument gives them, until somebody answers."""
        prompt = Prompt(kind="do", title=tr("Adjust {point}", point=point.name), lines=(tr(_HELP),))
        while True:
            yield self._read(point)  # what has to be confirmed or plugged is asked for before the question that stands
            with self.person.standing(prompt) as answered:
                while (typed := answered(_PACE_S)) is None:
                    yield self._read(point)
            word, _, rest = " ".join(typed.split()).partition(" ")
            if typed.strip().lower() in DONE:
                return
            if word.lower() == "stop" and not rest:
                raise OperatorStop(STOPPED_OFF)
            if word.lower() in ("note", "photograph") and rest:
                self.on_event(word.lower(), rest)
            else:
                self.person.tell(tr(_HELP))

    def _read(self, point: Point) -> Sight:
        if self._made != point.connection:
            self._made = None
            self.bench.perform(point.connection)
            self._made = point.connection
        if point.ground is not None and point.ground not in self._grounds:
            self._grounds[point.ground] = self._reading(point.ground)
        ground = () if point.ground is None else (self._grounds[point.ground],)
        sight = seen(self.setup, point, self._reading(point.step), ground)
        self.show(sight)
        return sight

    def _reading(self, step: Measure) -> Reading:
        reply = self.bench.perform(step)
        assert isinstance(reply, Reading)
        return reply


def seen(setup: Setup, point: Point, reading: Reading, ground: Sequence[Reading] = ()) -> Sight:
    """A reading as it is judged by itself."""
    if reading.status != "read":
        return Sight(name=point.name, said=tr(reading.status.replace("_", " ")))
    try:
        statement, verdict = judge(setup, point.step, (reading,), ground)
    except AnalysisError as error:
        return Sight(name=point.name, said=str(error))
    limits = verdict.limits
    value, _ = format_pair(statement.estimate, statement.expanded, signed=limits.low is not None)
    return Sight(
        name=point.name, said=f"{value} {statement.unit}", limits=limits.text(statement.unit), word=verdict.word,
        value=statement.estimate, low=limits.low, high=limits.high,
    )  # fmt: skip


def as_plain(sight: Sight) -> Mapping[str, Any]:
    """A sight for a page."""
    return {
        "name": sight.name, "said": sight.said, "limits": sight.limits, "word": sight.word, "judged": tr(sight.word),
        "value": sight.value,
"low": sight.low, "high": sight.high,
    }  # fmt: skip
