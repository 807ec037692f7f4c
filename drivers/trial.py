"""A generic driver's commands, each tried by itself: what an instrument refuses, and what the bench file must say then.

A command is sent with several values and asked back each time. What is refused is taken apart at its semicolons, and
what remains is proposed as the override; of a question that is answered otherwise, how far off it may be.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from typing import Final, TypeAlias

from drivers.commands import ReadBack, fill, read_backs
from drivers.remote import Remote
from harness.errors import InstrumentError, LinkError
from harness.link.dialect import split
from harness.link.link import LinkDown, NoValue, repeat_point
from harness.link.replies import rooted
from harness.quantities import round_to, stepped
from harness.words.found import Found, Line

Values: TypeAlias = Mapping[str, float | str]

TRIES: Final = 3
WIDEST: Final = 0.01
"""A setting that is answered farther off than by this share was not taken, and is no matter of rounding."""
_LEVELS: Final = ("level_v", "level_vpp")
_NEEDED: Final = (
    "dc", "square", "sine", "time_marks", "edge", "output_on", "output_off", "range", "sweep", "coupling", "start",
    "close", "setup",
)  # fmt: skip
"""Without what these set by their fields, nothing of the kind can be done: it cannot be left out."""
_OWN_WORDS: Final = "its own words belong here: it {}"
_WITHOUT_FIELDS: Final = ("output_on", "output_off", "start")
_FIXED: Final = ("limiter", "trigger_slope", "trigger_coupling", "trigger_mode")
"""What may stand as it usually does: a step that asks for more is refused beforehand, with the name of the command."""


@dataclass(slots=True, kw_only=True)
class Trial:
    """The trial of one driver's commands; everything here grows while it lasts."""

    driver: Remote
    level_digits: int | None = None  # of a calibrator: to how many it can be set, as its file says
    found: list[Found] = field(default_factory=list)
    rows: list[tuple[str, str, str]] = field(default_factory=list)  # command, template, what came of it
    longest_s: float = 0.0

    # What is set.

    def setting(self, name: str, *values: Values, asks: str = "", extra_s: float = 0.0) -> bool:
        """Send a command with each of these values; `asks` names its question where that is called otherwise."""
        commands, asks = self.driver.commands, asks or name
        if not commands.has(name):
            return True
        if all(self._taken(commands.text(name, **each), self._backs(asks, each), extra_s) for each in values):
            self._row(name, "taken, and answered as set" if self._backs(asks, values[0]) else "taken")
            return True
        if not self._standards(name, asks, values, extra_s):
            self._apart(name, asks, values, extra_s)
        return False

    def refuses(self, template: str, values: Values = {}, extra_s: float = 0.0) -> str:  # noqa: B006 - never changed
        """Why a command is not taken; "" where it is."""
        text = rooted(fill(template, values))

        def sent() -> None:
            self.driver.link.set(text, extra_s=extra_s)
            self.driver.link.check()

        why = self._refused(sent)
        return f"refuses {text!r}: {why.removeprefix('reports ')}" if why.startswith("reports ") else why

    def _taken(self, text: str, backs: Sequence[ReadBack], extra_s: float) -> bool:
        link = self.driver.link
        replies: tuple[str, ...] = ()
        asked = tuple((back.query, back.shape) for back in backs)

        def sent() -> None:
            nonlocal replies
            began = link.clock.now()
            replies = link.set(text, confirm=asked, extra_s=extra_s)
            if not extra_s:
                self.longest_s = max(self.longest_s, link.clock.now() - began)
            if not asked:
                link.check()

        refused = self._refused(sent)
        return not refused and all(back.agrees(reply) for back, reply in zip(backs, replies, strict=True))

    def _standards(self, name: str, asks: str, values: Sequence[Values], extra_s: float) -> bool:
        """Whether the standard's is taken where the bench file's is not; none of a level, which may mean another."""
        template, standard = self.driver.commands.template(name), self.driver.commands.standard(name)
        if standard in ("", template) or name == "preset" or "{level" in standard:
            return False
        question = self.driver.commands.standard(f"{asks}_is")
        why = next(
            filter(None, (self.refuses(template, each, extra_s) for each in values)), "is not set as it is asked"
        )
        for each in values:
            if not self._taken(rooted(fill(standard, each)), read_backs(asks, fill(question, each)), extra_s):
                return False
        lines = [Line(f"commands.{name}", standard, "the standard's own, which is taken: no line does as well")]
        lines += [Line(f"commands.{asks}_is", question, "")] if question else []
        self.tell(name, [why], lines, helped=True)
        return True

    def _apart(self, name: str, asks: str, values: Sequence[Values], extra_s: float) -> None:
        """Which part is not taken, and what the bench file would have to say."""
        template = self.driver.commands.template(name)
        kept, said, helped = [], [], True
        whole = True  # whether it still sets what its fields say
        for part in split(template):
            refused = [self.refuses(part, each, extra_s) for each in values]
            why = next(filter(None, refused), "")
            needed = name in _NEEDED and (bool(_fields_of(part, values)) or name in _WITHOUT_FIELDS)
            usual = name in _FIXED and not refused[0]
            said += [why] if why else []
            kept += [part] if needed or usual or not why else []
            helped = helped and not (why and needed)
            whole = whole and not (why and _fields_of(part, values))
        if not whole and name not in _NEEDED:  # a step that asks for another value must be refused by what is left
            kept, values = [self._fixed(part, values) for part in kept] if name in _FIXED else [], values[:1]
        asked = self._answers(name, asks, kept, values, extra_s) if kept else ([], [], [], True)
        questions, why_not, more, answers = asked
        if not whole and name in _FIXED:
            questions = [self._fixed(part, values) for part in questions]
        before = split(self.driver.commands.template(f"{asks}_is")) if self._has(f"{asks}_is") else []
        why = "; ".join(said) if helped else _OWN_WORDS.format("; ".join(said))
        lines = [Line(f"commands.{name}", _joined(kept), why, not helped)] if said else []
        if before != questions or (said and before):
            lines.append(
                Line(f"commands.{asks}_is", _joined(questions), "" if said else "; ".join(why_not), not helped)
            )
        if said or why_not:
            self.tell(name, [*said, *why_not], [*lines, *more], helped=helped and answers)
        else:
            self._row(name, "taken, and not at the first try")

    def _fixed(self, part: str, values: Sequence[Values]) -> str:
        """A part of a template with all but the channel as it usually stands."""
        return fill(part, values[0], only=_fields_of(part, values) - {"channel"})

    def _answers(
        self, name: str, asks: str, kept: Sequence[str], values: Sequence[Values], extra_s: float
    ) -> tuple[list[str], list[str], list[Line], bool]:
        """The parts of a question that hold; what is said of the others, what helps, and whether that is enough."""
        questions, said, more, enough = [], [], [], True
        for part in split(self.driver.commands.template(f"{asks}_is")) if self._has(f"{asks}_is") else ():
            refused, differing = self._held_against(asks, part, kept, values, extra_s)
            if refused:
                said.append(refused)
                continue
            if differing:
                back, reply = differing[0]
                said.append(f"answers {reply} to {back.query!r} where {back.expected} was set")
                wider, line, helps = self._wider(name, part, differing)
                more += [line] if line else []
                enough = enough and helps
            questions.append(wider if differing else part)
        return questions, said, more, enough

    def _held_against(
        self, asks: str, part: str, kept: Sequence[str], values: Sequence[Values], extra_s: float
    ) -> tuple[str, list[tuple[ReadBack, str]]]:
        """Ask one part of a question after each setting: why it is refused, and what is answered otherwise."""
        refused, differing = "", []
        for each in values:
            for command in kept:
                self.refuses(command, each, extra_s)
            for back in read_backs(asks, fill(part, each)):
                reply, why = self._reply(back)
                refused = refused or why
                if not why and not back.agrees(reply):
                    differing.append((back, reply))
        return refused, differing

    def _wider(self, name: str, part: str, differing: Sequence[tuple[ReadBack, str]]) -> tuple[str, Line | None, bool]:
        """A question that holds after all: by a calibrator's digits, or by how far off its answer may be."""
        off = max((_off(back, reply) for back, reply in differing), default=math.inf)
        if self.level_digits and any(f"{{{level}}}" in part for level in _LEVELS):
            digits = next((n for n in range(1, self.level_digits) if _rounded_so(differing, n)), None)
            if digits is not None:
                return part, Line("level_digits", digits, f"'{name}' is rounded to so many"), True
        if off > WIDEST:
            return part, None, False
        share = next(step for step in stepped(1e-6, 100.0) if step >= 100 * off)
        return f"{part.partition('~')[0]}~{share:g}%", None, True

    # What is asked.

    def number(self, name: str, values: Values, *, extra_s: float = 0.0) -> Callable[[], object]:
        """What asks for a number; that there is none now is an answer."""
        text = self.driver.commands.text(name, **values)

        def asked() -> None:
            with suppress(NoValue):
                self.driver.link.query_float(text, extra_s=extra_s)

        return asked

    def why_not(self, name: str, ask: Callable[[], object]) -> str:
        """Why something is not answered; "" where it is, or where the bench file says already that there is none."""
        if not self.driver.commands.has(name):
            return ""

        def closed() -> None:
            ask()
            began = self.driver.link.clock.now()
            self.driver.link.check()
            self.longest_s = max(self.longest_s, self.driver.link.clock.now() - began)

        why = self._refused(closed)
        self._row(name, why or "answered")
        return why

    def answer(self, name: str, ask: Callable[[], object], without: str = "") -> bool:
        """Ask for something; `without` says what it means to do without it, where that can be done."""
        why = self.why_not(name, ask)
        if why:
            template = self.driver.commands.template(name)
            line = Line(f"commands.{name}", "" if without else template, without or _OWN_WORDS.format(why), not without)
            self.tell(name, [why], [line], helped=bool(without))
        return not why

    def holds(self, name: str) -> None:
        """Ask what must hold whatever is set."""
        if not self._has(f"{name}_is"):
            return
        questions, said, more, enough = self._answers(name, name, (), ({},), 0.0)
        if said:
            lines = [Line(f"commands.{name}_is", _joined(questions), "; ".join(said)), *more]
            self.tell(f"{name}_is", said, lines, helped=enough)
        else:
            self._row(f"{name}_is", "holds")

    def lacks(self, names: Mapping[str, str], instead: str) -> None:
        """Of things that a run can do without, those that are refused, by what was said: one word about all."""
        if missing := {name: why for name, why in names.items() if why}:
            lines = tuple(Line(f"commands.{name}", "", why) for name, why in missing.items())
            said = f"has not {', '.join(missing)}; {instead}"
            self.found.append(Found(check="what it can do without", word="pass", said=said, lines=lines))

    def _reply(self, back: ReadBack) -> tuple[str, str]:
        reply = ""

        def asked() -> None:
            nonlocal reply
            reply = self.driver.link.query(back.query, back.shape)

        why = self._refused(asked)
        return reply, why

    # What is told.

    def _refused(self, action: Callable[[], object]) -> str:
        """Why an instrument did not do something: its no, or that no answer came; LinkDown where it has gone away."""
        link = self.driver.link
        try:
            repeat_point(action, tries=TRIES, on_event=link.on_event)
        except LinkDown:
            raise
        except InstrumentError as error:
            why = str(error).removeprefix(f"{link.name}: ")
            return f"answers nothing: {why}" if isinstance(error, LinkError) else why
        return ""

    def _backs(self, name: str, values: Values) -> tuple[ReadBack, ...]:
        return self.driver.commands.read_backs(name, **values) if self._has(f"{name}_is") else ()

    def _has(self, name: str) -> bool:
        try:
            return self.driver.commands.has(name)
        except KeyError:
            return False

    def _row(self, name: str, outcome: str) -> None:
        self.rows.append((name, self.driver.commands.template(name), outcome))

    def tell(self, name: str, said: Iterable[str], lines: Sequence[Line], *, helped: bool) -> None:
        """Keep what was found of a command, and the lines that help."""
        sentence = "; ".join(dict.fromkeys(said))
        self._row(name, sentence)
        self.found.append(
            Found(
                check=f"command '{name}'", word="conditional pass" if helped else "fail", said=sentence, lines=(*lines,)
            )
        )


def _fields_of(part: str, values: Sequence[Values]) -> set[str]:
    """The fields of a part of a template."""
    return {name for name in values[0] if f"{{{name}}}" in part}


def _joined(parts: Iterable[str]) -> str:
    return ";".join(map(rooted, parts))


def _off(back: ReadBack, reply: str) -> float:
    """By what share an answer is off; more than any where it is a word, or where nothing was set."""
    try:
        wanted, got = float(back.expected), [float(each) for each in reply.split(",")]
    except ValueError:
        return math.inf
    return max(abs(each - wanted) for each in got) / abs(wanted) if wanted else math.inf


def _rounded_so(differing: Iterable[tuple[ReadBack, str]], digits: int) -> bool:
    try:
        return all(
            math.isclose(float(reply), round_to(float(back.expected), digits), rel_tol=1e-6)
            for back, reply in differing
        )
    except ValueError:
        return False
