"""Any role worked by hand: a person is told what to set, and asked what they read.

Everything that is said goes through `harness.person.operator`, so a console, a page, simulated eyes and a test can all
answer. A person is told only what has changed; the first prompt says everything. Over 400 lines because every hole of a
sentence that a language fills is named on a line.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING, Final

from drivers import words
from drivers.words import FARTHEST_TURNED, OF_A_CHANNEL, expectation, marks_asked, to_turn, told_besides, view_parts
from harness import quantities
from harness.measurement import quantity_of
from harness.person.errands import Errands
from harness.person.operator import (
    DONE,
    HELP,
    MOST_MISSES,
    SEEN,
    STOPPED,
    Answer,
    Operator,
    Prompt,
    Tuned,
    Value,
    ask_done,
    no_person,
    read_answer,
    read_tuned,
    replies,
)
from harness.steps import Connect, Measure, NoSignal, Reading, Stimulus, View
from harness.words.language import going_on, tr
from harness.words.signals import describe, knobs

if TYPE_CHECKING:
    from harness.models import Instrument, SignalPath, Unit
    from harness.steps import Role

OnEvent = Callable[[str, str], None]
_AGREES: Final = 0.05  # a second reading this near to the first is the same answer
OVERDRIVE: Final = 10  # screens: from one range to the next a level stays within three, and no input minds
FARTHEST_FREQUENCY: Final = 0.1  # relative; a count farther off is asked for again
_OUTPUT_ON: Final = "output: on"


class Manual:
    """Base of the manual drivers; on a bench their requests may wait for the next question, as its `errands`."""

    errands: Errands | None = None

    def __init__(self, operator: Operator, model: Instrument, role: Role, *, on_event: OnEvent) -> None:
        self.role = role
        self._operator, self._on_event = operator, on_event
        self._label = f"{role} ({model.label})" if model.label != "?" else str(role)

    def identify(self) -> str:
        """Its label: nobody answers by wire."""
        return self._label

    def check(self) -> None:
        """Nothing to check: a person has no error queue."""

    def close(self) -> None:
        """Nothing to let go of."""

    def _replies(self, prompt: Prompt, help_text: str) -> Iterator[str]:
        return replies(self._operator, prompt, self._on_event, help_text)

    def _do(self, prompt: Prompt, doubt: Callable[[], None]) -> None:
        """Have it done: with the next question, where there is a bench that asks one; else now."""
        if self.errands is not None:
            self.errands.add(prompt, doubt=doubt)
        else:
            ask_done(self._operator, prompt, self._on_event, stopped=STOPPED)


class ManualSource(Manual):
    """A calibrator or generator set by hand."""

    def __init__(
        self, operator: Operator, model: Instrument, role: Role, *, on_event: OnEvent = lambda _kind, _text: None
    ) -> None:
        super().__init__(operator, model, role, on_event=on_event)
        self._parts: dict[str, str] | None = None  # what it is set to, as far as is known
        self._on: bool | None = None
        self._is_known = False  # a person has been told which one it is
        self._has_switch = getattr(model, "output_switch", True)

    def apply(self, stimulus: Stimulus) -> None:
        """Have it set, the output last."""
        if isinstance(stimulus, NoSignal):
            self.off()
            return
        parts = knobs(stimulus)
        known = self._parts or {}
        lines = [f"{tr(what)}: {value}" for what, value in parts.items() if known.get(what) != value]
        if self._on and not lines:
            return
        if not self._on and self._has_switch:
            lines.append(tr(_OUTPUT_ON))
        title = tr("Set the {called} to {stimulus}", called=self._called, stimulus=describe(stimulus))
        if lines == [tr(_OUTPUT_ON)]:
            title, lines = (
                tr("Switch the output of the {called} on again, its settings as they stand", called=self._called),
                [],
            )
        self._doubt()
        self._do(Prompt(kind="do", title=title, lines=tuple(lines), role=self.role, stimulus=stimulus), self._doubt)
        self._parts, self._on, self._is_known = parts, True, True

    def is_turned(self, knob: str) -> None:
        """A person turns one knob as a trace asks for it: where it stands then nobody has asked for."""
        (self._parts or {}).pop(knob, None)

    @property
    def _called(self) -> str:
        """With its label where somebody hears of it first; there is one of each role."""
        return tr(self.role) if self._is_known else self._label

    def off(self) -> None:
        """Have the output switched off, unless a person has said that it is."""
        if self._on is False:
            return
        self._on = None
        ask_done(self._operator, self._off(), self._on_event, stopped=STOPPED, may_go_back=False)
        self._is_off()

    def off_soon(self, doubt: Callable[[], None]) -> bool:
        """Have it switched off before whatever the next question asks; one without a switch stays as it is: False.

        For what is no hazard alone, on a bench that asks the question.
        """
        if not self._has_switch or self._on is False or self.errands is None:
            return self._on is False

        def not_known() -> None:
            self._on = None
            doubt()

        self.errands.add(self._off(), doubt=not_known)
        self._is_off()
        return True

    def _off(self) -> Prompt:
        title = (
            tr("Switch the output of the {called} off", called=self._called)
            if self._has_switch
            else (
                tr(
                    "Turn the {called} down to nothing; where it cannot, as far as it goes, and then unplug its lead",
                    called=self._called,
                )
            )
        )
        return Prompt(kind="do", title=title, role=self.role, stimulus=NoSignal(), firm=True)

    def _is_off(self) -> None:
        self._on = False
        if not self._has_switch:
            self._parts = None

    def _doubt(self) -> None:
        self._parts, self._on = None, None  # until it is done


class ManualMeter(Manual):
    """A counter read by eye."""

    def __init__(
        self, operator: Operator, model: Instrument, role: Role = "counter", *,
        on_event: OnEvent = lambda _kind, _text: None,
    ) -> None:  # fmt: skip
        super().__init__(operator, model, role, on_event=on_event)

    def read_frequency_hz(self, expected_hz: float) -> float:
        """Ask; a count far from what is expected is asked for once more, and believed when it is repeated."""
        known = expected_hz > 0
        hint = tr("about {expected_hz}", expected_hz=quantities.show(expected_hz, "Hz")) if known else ""
        prompt = Prompt(
            kind="read", title=tr("What does the {label} show?", label=self._label), hint=hint, role=self.role
        )
        asked_again = False
        for typed in self._replies(prompt, words.HELP_FREQUENCY):
            try:
                frequency_hz = expected_hz if typed == "=" and known else quantities.parse(typed, "Hz")
                if frequency_hz <= 0:
                    raise ValueError(tr("A frequency is above zero; type what the counter shows, such as 19.98 MHz."))
            except ValueError as error:
                self._operator.tell(str(error))
                continue
            if not known or asked_again or abs(frequency_hz / expected_hz - 1) <= FARTHEST_FREQUENCY:
                return frequency_hz
            asked_again = True
            self._operator.tell(
                tr("{typed}: expected {hint}. Read again; the same answer is believed.", typed=typed, hint=hint)
            )
        raise no_person()


class ManualScreen(Manual):
    """A display read by eye."""

    def __init__(
        self,
        operator: Operator,
        model: Instrument,
        role: Role = "unit",
        unit: Unit | None = None,
        *,
        paths: Mapping[str, SignalPath] | None = None,
        on_event: OnEvent = lambda _kind, _text: None,
    ) -> None:
        super().__init__(operator, model, role, on_event=on_event)
        self._unit, self._paths = unit, paths or {}
        self._height_div = unit.vertical_div if unit else float(getattr(model, "vertical_div", 8.0))
        self._width_div = unit.horizontal_div if unit else 10.0
        self.errands: Errands = Errands()  # a bench has its own, for all
        self._known: dict[tuple[int, str], str] = {}  # by channel, 0 for what all of them share
        self._unchanged = ""
        self._view: View | None = None
        self._path = ""
        self._least_v = min(unit.volts_per_div if unit else getattr(model, "volts_per_div", (1e-3,)))
        self._turned: dict[int, float] = {}  # V/div at which each channel stands, as far as is known

    def is_to_turn_first(self, view: View, peak_v: float) -> bool:
        """Whether it must be set before a level that would be far beyond what the standing range shows."""
        stands = self._turned.get(view.channel, self._least_v)
        return view.volts_per_div > stands * (1 + 1e-9) and peak_v > OVERDRIVE * self._height_div * stands

    def show(self, view: View) -> None:
        """Have it set with the next question; what stands already is told as that."""
        self._view, known = view, self._known
        parts = view_parts(view, (what for number, what in known if number in (0, view.channel)))
        of = {what: view.channel if what in OF_A_CHANNEL else 0 for what in parts}
        lines = tuple(f"{tr(what)}: {value}" for what, value in parts.items() if known.get((of[what], what)) != value)
        same = [f"{tr(what)} {value}" for what, value in parts.items() if known.get((of[what], what)) == value]
        self._unchanged = ", ".join(same)
        if lines:
            title = tr("Set {where}", where=going_on(self._where(view)))
            prompt = Prompt(kind="do", title=title, lines=lines, role=self.role, view=view)
            self.errands.add(prompt, done=partial(self._is_turned, view), doubt=self._doubt)
        known.update({(of[what], what): value for what, value in parts.items()})

    def _is_turned(self, view: View) -> None:
        self._turned[view.channel] = view.volts_per_div

    def _doubt(self) -> None:
        """Nobody knows how much of what was asked for was done."""
        self._view = None
        self._known.clear()
        self._turned.clear()

    def read(self, step: Measure) -> Reading:
        """Ask for the settings that changed, and for the reading."""
        if self._view != step.view:
            self.show(step.view)
        reading = self._ask(step)
        first: Reading | None = None
        typed: list[str] = []
        while self._is_doubtful(step, reading) and not (first and _is_same(first, reading)):
            if len(typed) >= MOST_MISSES:
                raise no_person()
            first = reading
            typed.append(reading.said)
            span = (
                tr("about {stimulus}", stimulus=describe(step.stimulus)) if reading.more else self._span(step)
            )  # of the source itself
            self._operator.tell(
                tr(
                    "{step}: expected {span}. Read again; the same answer is believed.",
                    step=_in_words(step, reading),
                    span=span,
                )
            )
            reading = self._ask(step)
        if first is None or reading.status != "read":
            return reading
        return replace(
            reading,
            said="; again: ".join([*typed, reading.said]),
            flags=("asked again",),
            more=reading.more
            if first.value is None
            else {**reading.more, f"first_{quantity_of(step).unit}": first.value},
        )

    def _ask(self, step: Measure) -> Reading:
        prompt = self._prompt(step) if step.tune_to_div is None else self._tuning(step, step.tune_to_div)
        return self._answered(step, prompt)

    def _answered(self, step: Measure, prompt: Prompt) -> Reading:
        try:
            typed, answer = self._understood(step, self.errands.with_question(prompt))
        except BaseException:
            self.errands.drop()
            raise
        if answer == "skip":
            self.errands.drop()
            return Reading(status="skipped", said=typed)
        self.errands.settled()
        self._path, self._unchanged = step.path, ", ".join(f"{tr(k)} {v}" for k, v in view_parts(step.view).items())
        if isinstance(answer, Tuned):
            return Reading(value=step.tune_to_div, said=typed, more=answer.more)
        if isinstance(answer, Value):
            return Reading(value=answer.value, said=typed)
        return Reading(status="off_screen", said=typed)

    def _understood(self, step: Measure, prompt: Prompt) -> tuple[str, Answer | Tuned]:
        """What was typed, and what it says of a reading."""
        subdivisions = self._unit.subdivisions if self._unit else None
        echoed: tuple[str, Value] | None = None
        for typed in self._replies(prompt, HELP):
            if echoed is not None and typed.lower() in DONE:
                return echoed
            try:
                answer = read_tuned(typed, step) or read_answer(typed, step, self._screen_div(step), subdivisions)
            except ValueError as error:
                self._operator.tell(str(error))
                continue
            if not isinstance(answer, Value) or not answer.meant:
                return typed, answer
            echoed = typed, answer
            self._operator.tell(tr("{meant}: Enter takes it; else type what the screen shows.", meant=answer.meant))
        raise no_person()

    def _tuning(self, step: Measure, target_div: float) -> Prompt:
        """The person brings the trace onto its lines with a knob of the source; source or counter has the answer."""
        lines = (*self._on_path(step), *to_turn(step, target_div))
        hint = tr("{target_div:g} div", target_div=target_div)
        title = tr("Tune until {where} shows {hint}", where=going_on(self._where(step.view)), hint=hint)
        return Prompt(kind="read", title=title, lines=lines, unchanged=self._unchanged, step=step, hint=hint)

    def _prompt(self, step: Measure) -> Prompt:
        lines = self._on_path(step)
        if not any(errand.stimulus for errand in self.errands.waiting):
            lines.append(tr("applied: {stimulus}", stimulus=describe(step.stimulus)))
        lines += told_besides(step)
        hint = expectation(step, self._unit)
        question, marks = marks_asked(step)
        lines += [marks] if marks else []
        return Prompt(
            kind="read", title=f"{self._where(step.view)}: {question or tr(quantity_of(step).question)}", hint=hint,
            lines=tuple(lines), unchanged=self._unchanged, step=step, choices=SEEN if quantity_of(step).sweeps else (),
        )  # fmt: skip

    def _on_path(self, step: Measure) -> list[str]:
        """Behind which path it is read, where that is news and no cable is moved."""
        if step.path == self._path or any(isinstance(errand.step, Connect) for errand in self.errands.waiting):
            return []
        label = self._paths[step.path].label if step.path in self._paths else ""
        return [tr("path: {path}", path=step.path) + (f" ({label})" if label else "")]

    def _where(self, view: View) -> str:
        return tr("Channel {channel} of the {role}", channel=view.channel, role=self.role)

    def _screen_div(self, step: Measure) -> float:
        return self._width_div if quantity_of(step).axis == "time" else self._height_div

    def _is_doubtful(self, step: Measure, reading: Reading) -> bool:
        """Whether it is another reading than was sure to come, or no trace where one was sure to be on the screen."""
        if reading.more and (known := step.said_nominally):
            return any(abs(value / known - 1) > FARTHEST_TURNED for value in reading.more.values())
        if reading.status == "off_screen":
            return self._stays_on_screen(step)
        return reading.status == "read" and reading.value is not None and not self._is_plausible(step, reading.value)

    def _stays_on_screen(self, step: Measure) -> bool:
        low, high, half_div = step.expected_low, step.expected_high, self._height_div / 2
        if low is None or high is None:
            return False
        if quantity_of(step).from_ground:
            ground_div = step.view.ground_line_div
            return -half_div <= ground_div + low and ground_div + high <= half_div
        return high <= self._screen_div(step) if quantity_of(step).unit == "div" else False

    @staticmethod
    def _is_plausible(step: Measure, value: float) -> bool:
        return (step.expected_low is None or value >= step.expected_low) and (
            step.expected_high is None or value <= step.expected_high
        )

    @staticmethod
    def _span(step: Measure) -> str:
        unit = quantity_of(step).unit
        low, high = (
            None if end is None else quantities.show(end, unit, 3) for end in (step.expected_low, step.expected_high)
        )
        if low is not None and high is not None:
            return tr("about {low} to {high}", low=low, high=high)
        return tr("at least {low}", low=low) if low is not None else tr("at most {high}", high=high)


def _is_same(first: Reading, again: Reading) -> bool:
    if first.more and again.more:  # both on the line: it is the source that was read
        return all(math.isclose(again.more[name], first.more[name], rel_tol=_AGREES) for name in first.more)
    if first.value is None or again.value is None:
        return first.status == again.status
    return math.isclose(again.value, first.value, rel_tol=_AGREES)


def _in_words(step: Measure, reading: Reading) -> str:
    """What was typed, and what it comes to in the unit of what was expected."""
    unit = quantity_of(step).unit
    plainly = unit == "div" and not any(letter.isalpha() for letter in reading.said)
    if reading.more or reading.value is None or plainly:
        return reading.said
    shown = quantities.show(reading.value, unit, 3)
    return reading.said if "".join(shown.split()) == "".join(reading.said.split()) else f"{reading.said} is {shown}"
