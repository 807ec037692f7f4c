"""What a person types: understood in every spelling that means a reading, refused with a sentence otherwise."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.errors import OperatorStop
from harness.fakes import FakePerson
from harness.measurement import quantity, quantity_names
from harness.person.operator import Answer, GoBack, Prompt, Value, read_answer, replies
from harness.steps import Dc, Measure, View
from tests.helpers.thorough import examples

VIEW = View(channel=1, volts_per_div=0.5, s_per_div=1e-6, magnifier=10.0)


def step(quantity: str = "deflection", expected: float | None = 5.0) -> Measure:
    return Measure(
        purpose="test", path="direct", source="calibrator", stimulus=Dc(level_v=2.5), display="unit", view=VIEW,
        quantity=quantity, expected=expected,
    )  # fmt: skip


def answer(text: str, quantity: str = "deflection") -> Answer:
    return read_answer(text, step(quantity), screen_div=8.0, subdivisions=5)


READINGS: list[tuple[str, str, float]] = [
    ("deflection", "4.9", 4.9),
    ("deflection", "  4.9  ", 4.9),
    ("deflection", "4,9", 4.9),
    ("deflection", "4.9 div", 4.9),
    ("deflection", "4,9div", 4.9),
    ("deflection", "-4.9", -4.9),
    ("deflection", "+.5", 0.5),
    ("deflection", "5.", 5.0),
    ("deflection", "0", 0.0),
    ("deflection", "2.45 V", 4.9),  # at 0.5 V/div
    ("deflection", "2450mV", 4.9),
    ("deflection", "=", 5.0),
    ("peak_to_peak", "8", 8.0),
    ("span", "0.8 us", 8.0),  # at 1 µs/div, magnified 10 times
    ("span", "790 ns", 7.9),
    ("rise_time", "3.5 ns", 3.5e-9),
    ("rise_time", "2", 2e-7),  # divisions of 0.1 µs
    ("rise_time", "1,5 div", 1.5e-7),
    ("overshoot", "4", 0.04),  # a person says "4" for 4 %
    ("overshoot", "4 %", 0.04),
    ("top_aberration", "-1.5", -0.015),
    ("peak_to_peak", "2.8 up 2.8 down", 5.6),
    ("peak_to_peak", "2,8 Up, 2,7 DOWN", 5.5),
    ("peak_to_peak", "up 2.8 and down 2.8", 5.6),
    ("peak_to_peak", "3+3", 6.0),
    ("peak_to_peak", "3 + 2.5 div", 5.5),
    ("peak_to_peak", "1.2 V up 1.3 V down", 5.0),
    ("deflection", "half a division", 0.5),
    ("deflection", "a division", 1.0),
    ("deflection", "three quarters of a division", 0.75),
    ("deflection", "1 and a half", 1.5),
    ("deflection", "one and a half divisions", 1.5),
    ("deflection", "4 1/2", 4.5),
    ("deflection", "4½", 4.5),
    ("deflection", "1 and a half V", 3.0),
    ("deflection", "4 small divisions", 0.8),  # of five
    ("deflection", "4 divisions and 2 small", 4.4),
    ("deflection", "3 up", 3.0),
    ("deflection", "3 down", -3.0),
    ("span", "half a division", 0.5),
    ("rise_time", "2 small divisions", 4e-8),
]


@pytest.mark.parametrize(("quantity", "text", "expected"), READINGS)
def test_readings(quantity: str, text: str, expected: float) -> None:
    understood = answer(text, quantity)
    assert isinstance(understood, Value)
    assert understood.value == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize(("text", "expected"), [("off", "off"), (" OFF ", "off"), ("skip", "skip"), ("Skip", "skip")])
def test_words(text: str, expected: Answer) -> None:
    assert answer(text) == expected


def said_to(*typed: str, **options: bool) -> tuple[str, list[str], list[str]]:
    """What comes through to the question, what was told, and which remarks were kept."""
    person, kept = FakePerson([*typed, "4.9"]), []
    prompt = Prompt(kind="read", title="What does it show?")
    through = next(replies(person, prompt, lambda _kind, text: kept.append(text), "the list", **options))
    return through, person.told, kept


@pytest.mark.parametrize(("text", "told", "kept"), [
    ("?", ["the list"], []),
    ("note the lead was loose", [], ["the lead was loose"]),
    ("NOTE  Two   blanks", [], ["Two blanks"]),
    ("note off", [], ["off"]),
    ("note", ["Write the remark after 'note'."], []),
])  # fmt: skip
def test_help_and_remarks_leave_the_question_standing(text: str, told: list[str], kept: list[str]) -> None:
    assert said_to(text) == ("4.9", told, kept)


def test_back_and_stop_end_the_question() -> None:
    with pytest.raises(GoBack):
        said_to(" Back ")
    with pytest.raises(OperatorStop, match="Stopped by the operator"):
        said_to("Stop")
    assert said_to("back", may_go_back=False)[0] == "back"


NONSENSE: list[tuple[str, str, str]] = [
    ("deflection", "", "Type what the screen shows, such as 4.9"),
    ("deflection", "abc", "'abc' is not a quantity; expected divisions such as"),
    ("deflection", "4.9.1", "expected divisions such as"),
    ("deflection", "49", "'49' is 49 div, but the screen has 8. Read again, or type 'off'"),
    ("deflection", "-8.1", "but the screen has 8"),
    ("deflection", "4.9 V", "'4.9 V' is 9.8 div, but the screen has 8"),
    ("deflection", "5 MHz", "'5 MHz' has the unit 'MHz'"),
    ("deflection", "yes", "'yes' is not a quantity; expected divisions such as"),
    ("deflection", "1e400", "not a quantity|too large|not a reading"),
    ("deflection", "nan", "'nan' is not a quantity"),
    ("deflection", "inf", "'inf' is not a quantity"),
    ("deflection", "9" * 400, "too long for a reading"),
    ("deflection", "offf", "is not a quantity"),
    ("peak_to_peak", "-4.9", "'-4.9' is negative, which this reading cannot be"),
    ("rise_time", "-1", "is negative"),
    ("rise_time", "5 mV", "expected a time such as '20 ns'"),
    ("overshoot", "4 V", "expected a ratio such as '3 %'"),
    ("deflection", "±3", "'±3': is that 3 div or 6 div here\\? Type the one that you mean."),
    ("deflection", "+/-3", "is that 3 div or 6 div here"),
    ("span", "4 each side", "is that 4 div or 8 div here"),
    ("deflection", "2 up 3 down", "is that 2 div or 5 div here"),
    ("peak_to_peak", "2.8 up", "and how far the other way"),
    ("peak_to_peak", "2.8 up 2.8 up", "expected divisions"),
    ("peak_to_peak", "±5", "'±5' is 10 div, but the screen has 8"),
    ("deflection", "4 and", "expected divisions"),
    ("deflection", "a", "not a quantity"),
    ("deflection", "half a banana", "has the unit 'banana'"),
]


@pytest.mark.parametrize(("quantity", "text", "sentence"), NONSENSE)
def test_nonsense_is_refused_with_a_sentence(quantity: str, text: str, sentence: str) -> None:
    with pytest.raises(ValueError, match=sentence):
        answer(text, quantity)


@pytest.mark.parametrize("text", ["±3", "+-3", "+/- 3 div", "3 each way", "± 1,5 V", "±three"])
def test_both_ways_is_twice_as_much_and_told_back(text: str) -> None:
    understood = answer(text, "peak_to_peak")
    assert understood == Value(value=6.0, meant=f"{text} is 6 div from bottom to top")


def test_small_divisions_are_counted_where_somebody_has_said_how_many_there_are() -> None:
    with pytest.raises(ValueError, match="how many small divisions make one is not known here; say it in divisions"):
        read_answer("4 small divisions", step(), screen_div=8.0)


def test_as_expected_needs_something_expected() -> None:
    with pytest.raises(ValueError, match="no expected value here"):
        read_answer("=", step(expected=None), screen_div=8.0)


@given(st.floats(-8, 8), st.sampled_from(["{:.6f}", "{:.6f} div", " {:.6f}div "]), st.booleans())
def test_a_deflection_comes_back_as_typed(value: float, form: str, comma: bool) -> None:
    text = form.format(value)
    understood = answer(text.replace(".", ",") if comma else text)
    assert isinstance(understood, Value)
    assert understood.value == pytest.approx(value, abs=1e-6)


@given(st.floats(0.001, 8), st.sampled_from([1e-3, 5e-3, 0.2, 5.0]))
def test_volts_are_divisions_times_volts_per_div(value: float, volts_per_div: float) -> None:
    view = View(channel=1, volts_per_div=volts_per_div, s_per_div=1e-3)
    asked = Measure(purpose="", path="", source="calibrator", stimulus=Dc(level_v=1.0), display="unit", view=view,
                    quantity="deflection")  # fmt: skip
    understood = read_answer(f"{value * volts_per_div:.9e} V", asked, screen_div=8.001)
    assert isinstance(understood, Value)
    assert understood.value == pytest.approx(value, rel=1e-8)


SPOKEN = ("±", "up", "down", "and", "half", "a", "quarters", "three", "1/2", "4½", "small", "div", "V", "2,8", "+", ",")
TYPED = st.one_of(
    st.text(max_size=60),
    st.lists(
        st.sampled_from(
            [
                "note",
                "off",
                "=",
                "?",
                "4",
                ".",
                ",",
                "9",
                "e",
                "-",
                "+",
                "±",
                " ",
                "div",
                "V",
                "m",
                "%",
                "s",
                "\x1b",
                "٣",
            ]
        ),
        max_size=12,
    ).map("".join),
    st.lists(st.sampled_from(SPOKEN), max_size=7).map(" ".join),
)


@settings(max_examples=examples(2000))
@given(TYPED, st.sampled_from(quantity_names()))
def test_things_typed_give_a_finite_answer_or_one_sentence(text: str, name: str) -> None:
    try:
        understood = answer(text, name)
    except ValueError as error:
        sentence = str(error)
        if not (0 < len(sentence) < 1200 and sentence.isprintable()):
            raise AssertionError(f"no sentence for a person: {sentence!r}") from error
        return
    if isinstance(understood, Value):
        assert math.isfinite(understood.value)
        assert quantity(name).unit != "div" or abs(understood.value) <= 8.0


def test_what_is_to_be_done_last_is_shown_last() -> None:
    off, connect = Prompt(kind="do", title="Switch it off"), Prompt(kind="do", title="Connect it", lines=("lead: 1 m",))
    shown = Prompt(kind="do", title=connect.title, lines=connect.lines, first=(off,)).in_order
    assert [errand.in_one_line for errand in shown.first] == ["Switch it off", "Connect it: lead 1 m"]
    assert shown.title not in (off.title, connect.title)
    assert connect.in_order == connect
    reading = Prompt(kind="read", title="What is there?", first=(off,))
    assert reading.in_order == reading
