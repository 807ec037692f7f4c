"""The person at the bench as a boundary: what they are asked to do, and how their answer is read.   [pure]

`Operator` is implemented by the console, by simulated eyes and by tests; all of them answer in the same
words, and `read_answer` is the only place that understands them. Over 400 lines because what is understood, and what
is answered to the rest, must be read together.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Final, Literal, Protocol, TypeAlias

from harness import quantities
from harness.errors import OperatorStop
from harness.measurement import quantity_of
from harness.person.spoken import heard
from harness.steps import EXTERNAL, Connect, Measure, Reading, Reply, Role, Seen, Step, Stimulus, View
from harness.words.language import tr


@dataclass(frozen=True, slots=True, kw_only=True)
class Prompt:
    """One thing asked of a person; `step` lets a simulated person look at the same bench."""

    kind: Literal["do", "read", "choose"]
    title: str
    lines: tuple[str, ...] = ()
    step: Step | None = None
    hint: str = ""
    choices: tuple[str, ...] = field(default=())
    role: Role | None = None  # what is to be set by hand: a source, and to which signal
    stimulus: Stimulus | None = None
    view: View | None = None  # to which a display is to be set by hand
    screen: Callable[[int, int], Sequence[str]] | None = None  # a simulated screen as text, in so many columns, rows
    trace: Callable[[], Sequence[tuple[float, float]]] | None = None  # and as points, in divisions from its centre
    done: str = ""  # what Enter alone says where a reading is asked for
    hazard: bool = False  # only somebody who is there may answer: no pipe, no file
    firm: bool = False  # it is done, or the run stops: nothing else leads on
    first: tuple[Prompt, ...] = ()  # what is to be done before it is answered: the answer says that it was
    in_words: bool = False  # answered with a few words, and not with a reading; choices are some that may be said
    unchanged: str = ""  # the settings that stay as they are
    progress: str = ""  # "12 of 64, about 9 min left"

    @property
    def in_one_line(self) -> str:
        """What is to be done first, as a line of the question that follows it."""
        return f"{self.title}: {', '.join(line.replace(': ', ' ', 1) for line in self.lines)}".removesuffix(": ")

    @property
    def in_order(self) -> Prompt:
        """As it is to be shown: something to do after something else stands last, a cable after its output is off."""
        if self.kind != "do" or not self.first:
            return self
        return replace(self, title=tr("In this order"), first=(*self.first, replace(self, first=())), lines=())


class Operator(Protocol):
    """Somebody, or something, that does what is asked and answers with a line of text."""

    def ask(self, prompt: Prompt) -> str:
        """Show the prompt, wait for one line; "" to a "do" prompt means done."""

    def tell(self, text: str) -> None:
        """Say something that needs no answer."""


class Nobody:
    """An unattended bench: whatever needs a person stops the run, which a person can then resume."""

    def ask(self, prompt: Prompt) -> str:
        """There is no answer."""
        raise OperatorStop(f"A person is needed, and this run has none: {prompt.title}. Resume it at a terminal.")

    def tell(self, text: str) -> None:
        """Nobody listens; what is told is in the journal as an event."""


class GoBack(Exception):  # noqa: N818 - a choice of the operator, not an error
    """The operator wants the previous reading again."""


class LeaveOut(Exception):  # noqa: N818 - a choice of the operator, not an error
    """The operator leaves out the rest of something: "channel", "part", or a path by its name."""


LEFT_OUT: Final = "skip "
"""Begins what is recorded as said of a step that went with something left out as a whole; what it is follows."""


def left_out(reply: Reply) -> str:
    """With what a step was left out, so that nobody was asked: "channel", "part" or a path; empty where it was not."""
    match reply:
        case Reading(status="skipped", said=said) | Seen(answer="skipped", remark=said) if said.startswith(LEFT_OUT):
            return said.removeprefix(LEFT_OUT)
    return ""


class Redo(Exception):  # noqa: N818 - a choice of the operator, not an error
    """The operator wants the readings of a setting again, such as "500 mV/div"."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Value:
    """A number, in the quantity's own unit; `meant` where it was said in a way that is told back first."""

    value: float
    meant: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Tuned:
    """The trace is on its lines, and this is what the source then says, by its name among a reading's numbers."""

    more: Mapping[str, float]


Answer: TypeAlias = Value | Literal["off", "skip"]

HELP = """\
4.9         a reading in divisions; '4.9 div' says the same, '2.45 V' is divided by the V/div setting
4 1/2       as it is said: half a division, 4 small divisions, 2.8 up 2.8 down, ±3 (told back first)
=           as expected
off         the trace leaves the screen: the level or the range is lowered and you are asked again
back        take the previous reading again
skip        leave this reading out; the report says so
where am I  what is connected, how far it is, what came out so far
redo 500 mV/div   take the readings of that setting again, in this part
skip channel      leave out what is left of this channel; 'skip probe' of that path, 'skip part' of this part
note TEXT   keep a remark with the run; the question stands
stop        stop here, outputs off; 'halfpower resume' goes on later
?           this list"""

HELP_DO = """\
Enter       it is done
back        take the previous reading again
where am I  what is connected, how far it is, what came out so far
redo 500 mV/div   take the readings of that setting again, in this part
skip channel      leave out what is left of this channel; 'skip probe' of that path, 'skip part' of this part
note TEXT   keep a remark with the run
stop        stop here, outputs off; 'halfpower resume' goes on later
?           this list"""

PHOTOGRAPH: Final = "photograph"
"""Begins an answer of a page that has kept one: its name, SHA-256 and caption follow. The question stands."""
_PHOTOGRAPH: Final = re.compile(r"\d{3}\.(jpg|png) [0-9a-f]{64} \S.*")
HELP_LOOK: Final = HELP_DO.replace(
    "Enter       it is done",
    "yes         as it should be; yes or no may have a remark: no, the spot is blurred\n"
    "no          not as it should be\nTEXT        what you see\nskip        leave it out; the report says so",
)

DONE: Final = ("", "done", "ok", "yes")
MOST_MISSES: Final = 50  # answers in a row that lead nowhere: nobody is there
_LONGEST: Final = 40  # characters of a reading
STOPPED: Final = "Stopped by the operator; 'halfpower resume' goes on from here."
STOPPED_OFF: Final = "Stopped by the operator; the outputs are off. 'halfpower resume' goes on from here."


def read_answer(text: str, step: Measure, screen_div: float, subdivisions: int | None = None) -> Answer:
    """Understand what was typed; raises ValueError with one sentence for what makes no sense.

    `subdivisions`: how many small divisions make one, where that is known.
    """
    typed = " ".join(text.split())
    if not typed:
        raise ValueError(tr("Type what the screen shows, such as 4.9, or ? for the other answers."))
    if quantity_of(step).sweeps and typed.lower() not in ("off", "skip"):
        return _said_yes(typed)
    if typed == "=":
        if step.expected is None:
            raise ValueError(tr("There is no expected value here; type what the screen shows."))
        return Value(value=step.expected)
    match typed.lower():
        case "off" | "skip" as word:
            return word
    return _reading(typed, step, screen_div, subdivisions)


def _said_yes(typed: str) -> Value:
    """Whether a display stands still: all of its sweeps are started, or not."""
    if (said := _SAID.get(typed.lower().strip(",;:."))) is None:
        raise ValueError(
            tr(
                "{typed!r} is no answer here; type yes where the display stands still, no where it does not.",
                typed=typed,
            )
        )
    return Value(value=1.0 if said == "yes" else 0.0)


def read_tuned(text: str, step: Measure) -> Tuned | None:
    """Understand what is typed when the trace should be on its lines; None for what may be another answer."""
    if step.tune_to_div is None:
        return None
    typed = _DECIMAL_COMMA.sub(".", " ".join(text.split()))
    says, done = step.said_when_tuned, typed.lower() in (*DONE, "=")
    if says is None:
        return Tuned(more={}) if done else None
    name, unit = says
    nominal = step.said_nominally
    if done:
        return Tuned(more={name: nominal})
    if _BARE.fullmatch(typed):  # as the dial has it, in the prefix of what it was set to
        typed += f" {quantities.show(nominal, unit).split()[1]}"
    if len(typed) <= _LONGEST and typed.endswith((unit, f"{unit}pp")) and not typed.endswith("div"):
        value = quantities.parse(typed.removesuffix("pp"), unit)
        if value <= 0:
            raise ValueError(
                tr(
                    "{typed!r} puts no trace on its lines; type what the {source} says, above zero.",
                    typed=typed,
                    source=step.source,
                )
            )
        return Tuned(more={name: value})
    return None


_BARE = re.compile(r"[+-]?(\d+([.,]\d*)?|[.,]\d+)")
_DECIMAL_COMMA = re.compile(r"(?<=[0-9]),(?=[0-9])")


def _reading(typed: str, step: Measure, screen_div: float, subdivisions: int | None) -> Value:
    if len(typed) > _LONGEST:
        raise ValueError(tr("That is too long for a reading; type a number such as 4.9, or ? for the other answers."))
    spoken = heard(typed, subdivisions)
    quantity = quantity_of(step)
    values = [_number(amount, step) for amount in spoken.amounts]
    value, meant = float(f"{sum(values):.12g}") if len(values) > 1 else values[0], ""
    match spoken.together:
        case "either way" | "up and down" if not quantity.amplitude:
            one, both = (quantities.show(each, quantity.unit, 3) for each in (values[0], sum(values)))
            both = quantities.show(2 * values[0], quantity.unit, 3) if spoken.together == "either way" else both
            raise ValueError(
                tr(
                    "{typed!r}: is that {one} or {both} here? Type the one that you mean.",
                    typed=typed,
                    one=one,
                    both=both,
                )
            )
        case "either way":
            value = 2 * values[0]
            meant = tr(
                "{typed} is {show} from bottom to top", typed=typed, show=quantities.show(value, quantity.unit, 3)
            )
        case "up" | "down" if quantity.amplitude:
            raise ValueError(
                tr(
                    "{typed!r}: and how far the other way? Type such as 2.8 up 2.8 down, or the whole height.",
                    typed=typed,
                )
            )
        case "down":
            value = -abs(value)
    if not math.isfinite(value):
        raise ValueError(
            tr("{typed!r} is not a reading; type a number such as 4.9, or ? for the other answers.", typed=typed)
        )
    if value < 0 and not quantity.signed:
        raise ValueError(
            tr("{typed!r} is negative, which this reading cannot be; type what the screen shows.", typed=typed)
        )
    if quantity.unit == "div" and abs(value) > screen_div:
        raise ValueError(
            tr(
                "{typed!r} is {value:g} div, but the screen has {screen_div:g}. Read again, or type 'off' if the trace "
                "leaves it.",
                typed=typed,
                value=value,
                screen_div=screen_div,
            )
        )
    return Value(value=value, meant=meant)


def _number(amount: str, step: Measure) -> float:
    """An amount in the unit of the quantity: bare numbers are divisions, or percent; volts and seconds are divided."""
    unit = quantity_of(step).unit
    volts_per_div, s_per_div = step.view.volts_per_div, step.view.s_per_div / step.view.magnifier
    if _BARE.fullmatch(amount):
        value = float(amount)
        value = value / 100 if unit == "ratio" else value  # a person says "4" for 4 %
        return value * s_per_div if unit == "s" else value  # and counts rise time in divisions
    if any(character.isdigit() for character in amount):  # "yes" is no time, for its last letter
        if unit == "div" and amount.endswith("V"):
            return quantities.parse(amount, "V") / volts_per_div
        if unit == "div" and amount.endswith("s"):
            return quantities.parse(amount, "s") / s_per_div
        if unit == "s" and amount.endswith("div"):
            return quantities.parse(amount, "div") * s_per_div
    return quantities.parse(amount, "ratio" if unit == "share" else unit)


def called(channel: int) -> str:
    """An input in words."""
    return tr("the external trigger") if channel == EXTERNAL else tr("channel {channel}", channel=channel)


def describe_connection(step: Connect) -> str:
    """The connection in words."""
    inputs = tr(" and ").join(map(called, (step.channel, *step.also)))
    by_tee = tr(", by a tee") if step.also else ""
    where = (
        tr("the reference")
        if step.display == "reference"
        else tr("{inputs} of the unit{by_tee}", inputs=inputs, by_tee=by_tee)
    )
    tee = tr(", the reference with it on a tee") if step.watched else ""
    if step.replugged:
        return tr("the switch's lead → {where} again", where=where)
    source = tr("the unit's own output") if step.source == "unit" else tr(step.source)
    return f"{source} → {step.path} → {where}{tee}"


def answers(operator: Operator, prompt: Prompt) -> Iterator[str]:
    """What is answered to a prompt, time after time; whoever never gives a usable answer is not a person."""
    for _ in range(MOST_MISSES):
        yield " ".join(operator.ask(prompt).split())
    raise no_person()


def no_person() -> OperatorStop:
    """Why a run stops that is answered by nobody."""
    return OperatorStop(f"Stopped: {MOST_MISSES} answers in a row made no sense. {STOPPED}")


def replies(
    operator: Operator,
    prompt: Prompt,
    on_event: Callable[[str, str], None],
    help_text: str,
    *,
    stopped: str = STOPPED,
    may_go_back: bool = True,
) -> Iterator[str]:
    """What is answered to the question itself, time after time; help, notes, back and stop are dealt with here."""
    for typed in answers(operator, prompt):
        word, _, note = typed.partition(" ")
        match word.lower():
            case "?" if not note:
                operator.tell(tr(help_text))
            case "stop" if not note:
                raise OperatorStop(stopped)
            case "back" if may_go_back and not note:
                raise GoBack
            case "note" if note:
                on_event("note", note)
            case "note":
                operator.tell(tr("Write the remark after 'note'."))
            case "photograph" if _PHOTOGRAPH.fullmatch(note):
                on_event(PHOTOGRAPH, note)
                operator.tell(tr("The photograph is kept: {partition}.", partition=note.partition(" ")[0]))
            case "photograph":
                operator.tell(tr("A photograph is taken on the page of the run (--page), not typed."))
            case _:
                yield typed


def ask_done(
    operator: Operator,
    prompt: Prompt,
    on_event: Callable[[str, str], None],
    *,
    stopped: str = STOPPED_OFF,
    may_go_back: bool = True,
) -> None:
    """Ask a person to do something until they have done it."""
    back = "back, " if may_go_back else ""
    for typed in replies(operator, prompt, on_event, HELP_DO, stopped=stopped, may_go_back=may_go_back):
        if typed.lower() in DONE:
            return
        operator.tell(
            tr(
                "{typed!r} is no answer here. Press Enter when it is done, or type {back}stop or note TEXT.",
                typed=typed,
                back=back,
            )
        )


SEEN: Final = ("yes", "no")
_SAID: Final[Mapping[str, Literal["yes", "no"]]] = {"yes": "yes", "y": "yes", "ok": "yes", "no": "no", "n": "no"}


def ask_seen(operator: Operator, prompt: Prompt, on_event: Callable[[str, str], None]) -> Seen:
    """Ask what somebody sees: yes or no, with a remark or without; anything else is a remark by itself."""
    for typed in replies(operator, prompt, on_event, HELP_LOOK):
        word, _, remark = typed.partition(" ")
        if typed.lower() == "skip":
            return Seen(answer="skipped", remark=typed.lower())
        if (said := _SAID.get(word.lower().strip(",;:."))) is not None:
            return Seen(answer=said, remark=remark.strip(" ,;:.") and remark)
        if typed:
            operator.tell(tr("Kept as a remark, neither yes nor no: {typed}", typed=typed))
            return Seen(answer="remark", remark=typed)
        operator.tell(tr("Type yes, no, or what you see."))
    raise no_person()


def ask_choice(operator: Operator, prompt: Prompt) -> str:
    """Ask until one of the prompt's choices is typed; which one."""
    typed = answers(operator, prompt)
    while (answer := next(typed).lower()) not in prompt.choices:
        wrong = repr(answer) if answer else tr("Enter alone")
        operator.tell(
            tr("{wrong} is no answer here. Type one of: {choices}.", wrong=wrong, choices=", ".join(prompt.choices))
        )
    return answer
