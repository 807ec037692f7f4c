"""Fourteen questions to the person at the bench, through the boundary that a run asks through.   [pure]"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from harness.errors import OperatorStop
from harness.person.operator import STOPPED as NOT_A_RUN
from harness.person.operator import GoBack, Operator, Prompt, replies
from harness.start import said
from harness.words.clean import clean

STOPPED: Final = "Stopped; no file was written."
UNIT, BENCH, PEOPLE = "The oscilloscope", "The bench", "The people"

HELP: Final = """\
Say it as in the example; what was understood is shown before the next question.
Enter       what stands in brackets, where something does
1, 2, …     one of those that are offered
none        there is none
back        the question before
stop        write nothing"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """One question: how its answer is read, what Enter alone says, and whether it is asked after other answers."""

    key: str
    about: str
    title: str
    example: str
    read: Callable[[str], Any]
    usual: str = ""
    asked: Callable[[Mapping[str, str]], bool] = lambda _: True
    why: str = ""


def _has(key: str) -> Callable[[Mapping[str, str]], bool]:
    return lambda answers: not said.is_none(answers.get(key, "none"))


QUESTIONS: Final = (
    Question(
        key="identity", about=UNIT, title="Maker, model and serial number?",
        example="Aldermoor, Skua, 0958", read=said.identity,
    ),
    Question(
        key="rated", about=UNIT, title="How many channels, and up to what frequency is it rated?",
        example="two channels, 20 MHz", read=said.rated,
    ),
    Question(
        key="volts_per_div", about=UNIT, title="Which V/div ranges?",
        example="5 mV to 5 V (in steps of 1-2-5), or 5 mV, 50 mV, 0.5 V", read=said.volts_per_div,
    ),
    Question(
        key="sweep", about=UNIT, title="Which s/div ranges, and is there a magnifier?",
        example="0.2 us to 0.5 s, x10", read=said.sweep,
    ),
    Question(
        key="limits", about=UNIT, title="What are the maker's limits?",
        example="3 %, or V/div 3 %, s/div 3 %, magnified 5 %",
        read=said.limits, why="From the data sheet; every verdict is against them.",
    ),
    Question(
        key="highest", about=UNIT, title="What is the largest voltage that its input bears?", example="400 V",
        read=said.highest, why="As it stands beside the input (DC + peak AC); nothing above it is ever asked for.",
    ),
    Question(
        key="probe", about=UNIT, title="Is a divider probe verified with it?", example="x10, 2 %, 500 V",
        read=said.or_none(said.probe), usual="none",
    ),
    Question(
        key="volts", about=BENCH, title="What voltages can the calibrator give, and how true are they?",
        example="decades 10 mV to 100 V, 0.25 %", read=said.given_volts,
    ),
    Question(
        key="marks", about=BENCH, title="What time marks can it give?",
        example="1-2-5 from 100 ns to 0.5 s, 20 ppm", read=said.or_none(said.given_marks), usual="none",
    ),
    Question(
        key="sines", about=BENCH, title="Where does the sine generator end?",
        example="25 MHz, 10 Vpp, no output switch", read=said.or_none(said.sines), usual="none",
    ),
    Question(
        key="counting", about=BENCH, title="Is there a frequency counter, and how true is it?",
        example="1 ppm; or how true the generator's dial is: none, 3 %", read=said.counting, asked=_has("sines"),
    ),
    Question(
        key="faster", about=BENCH, title="Is there a faster scope to hold the generator's level by?",
        example="at least 100 MHz", read=said.or_none(said.faster), usual="none", asked=_has("sines"),
    ),
    Question(
        key="customer", about=PEOPLE, title="Whose is it?", example="Training ship Petrel", read=said.name,
        usual="none",
    ),
    Question(
        key="operator", about=PEOPLE, title="Who does the work?", example="M. Tern", read=said.name, usual="none",
    ),
)  # fmt: skip


def understood(answers: Mapping[str, str]) -> dict[str, Any]:
    """What the answers say; raises ValueError with a sentence for one that makes no sense."""
    return {each.key: each.read(answers[each.key]) for each in QUESTIONS if each.key in answers}


def ask(
    operator: Operator, *, offered: Mapping[str, Sequence[Mapping[str, str]]], without: Sequence[str] = ()
) -> dict[str, str]:
    """
    Ask, and return every answer as it was typed; raises OperatorStop where the person stops.

    Parameters
    ----------
    offered
        By question, what was entered before: each an answer to it, and those that follow from choosing it.
    without
        What nothing is asked about.
    """
    answers: dict[str, str] = {}
    follow: dict[str, set[str]] = {}  # the answers that came with one
    place, way = 0, list[int]()
    asked = [each for each in QUESTIONS if each.about not in without]
    while place < len(QUESTIONS):
        question = QUESTIONS[place]
        if question.about in without or any(question.key in keys for keys in follow.values()):
            place += 1
            continue
        if not question.asked(answers):
            answers.pop(question.key, None)
            place += 1
            continue
        usual, choices = answers.get(question.key, "") or question.usual, offered.get(question.key, ())
        prompt = _prompt(question, choices, usual, f"{asked.index(question) + 1} of {len(asked)}")
        try:
            found = _asked(operator, question, prompt, choices, usual, may_go_back=bool(way))
        except OperatorStop as stopped:
            why = str(stopped).removesuffix(f" {NOT_A_RUN}")
            raise OperatorStop(why if why == STOPPED else f"{why} No file was written.") from None
        except GoBack:
            place = way.pop()
            for key in follow.pop(QUESTIONS[place].key, ()):
                del answers[key]
            continue
        follow[question.key] = set(found) - {question.key}
        answers |= found
        way.append(place)
        place += 1
    return answers


def _prompt(question: Question, offered: Sequence[Mapping[str, str]], usual: str, far: str) -> Prompt:
    lines = [question.why] if question.why else []
    lines += [f"{number}  {_in_short(one[question.key])}" for number, one in enumerate(offered, 1)]
    return Prompt(
        kind="read", title=f"{question.about}. {question.title}", lines=tuple(lines), in_words=True, progress=far,
        hint=f"such as: {question.example}" + (f"    [Enter: {usual}]" if usual else ""),
        choices=tuple(str(number) for number in range(1, len(offered) + 1)) if question.key != "identity" else (),
    )  # fmt: skip


def _asked(
    operator: Operator, question: Question, prompt: Prompt, offered: Sequence[Mapping[str, str]], usual: str, *,
    may_go_back: bool,
) -> Mapping[str, str]:  # fmt: skip
    """What one question brings: its answer, and what follows from it."""

    def on_event(_kind: str, _text: str) -> None:
        operator.tell("There is no run yet to keep a remark with; answer the question.")

    for typed in replies(operator, prompt, on_event, HELP, stopped=STOPPED, may_go_back=may_go_back):
        try:
            found = _answers(question, clean(typed or usual), offered)
            operator.tell(f"Understood: {'; '.join(map(str, understood(found).values()))}.")
        except ValueError as error:
            operator.tell(str(error))
        else:
            return found
    raise AssertionError("unreachable: replies end in an answer or a stop")


def _answers(question: Question, typed: str, offered: Sequence[Mapping[str, str]]) -> Mapping[str, str]:
    if not typed:
        raise ValueError(f"Type an answer, such as: {question.example}.")
    found = re.fullmatch(r"([0-9]{1,2})(?:[,.]?\s+(.*)|[,.]\s*(.+))?", typed)
    if not offered or found is None:
        return {question.key: typed}
    if not 1 <= int(found[1]) <= len(offered):
        raise ValueError(f"There is no {found[1]} among those offered; type 1 to {len(offered)}, or a new one.")
    chosen = offered[int(found[1]) - 1]
    if question.key != "identity":
        return chosen
    model, serial = chosen[question.key].rsplit(",", 1)[0], found[2] or found[3]
    if not serial:
        raise ValueError("Type its serial number behind the number, such as '1, 0958'.")
    return {**chosen, question.key: f"{model}, {serial}"}  # a model is known, the unit is another


def _in_short(answer: str) -> str:
    return answer.rsplit(",", 1)[0].replace(",", "") if answer.count(",") == 2 else answer
