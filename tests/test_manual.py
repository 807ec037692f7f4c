"""Roles worked by hand: what a person is told, and how every answer is taken."""

from __future__ import annotations

import contextlib
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.manual import ManualMeter, ManualScreen, ManualSource
from harness.errors import OperatorStop
from harness.fakes import FakePerson
from harness.models import Calibrator, Counter, Generator, Reference, SignalPath, Unit, UnitLink
from harness.person.operator import GoBack, Prompt, Value, ask_choice, ask_done, read_answer
from harness.steps import Dc, Measure, NoSignal, Reading, Sine, Square, TimeMarks, View

UNIT = Unit.model_validate(
    {
        "maker": "Northfen",
        "model": "Plover",
        "volts_per_div": [0.05],
        "bandwidth": 40e6,
        "input": {"maximum": 300.0},
        "tolerance": {"deflection": 0.03, "time": 0.02, "time_magnified": 0.05},
    },
    context={"si": True},
)
VIEW = View(channel=1, volts_per_div=0.05, s_per_div=1e-3, ground_line_div=-3.0)


def step(quantity="deflection", stimulus=None, view=VIEW, **changes) -> Measure:
    asked = {"source": "calibrator", "display": "unit", "stimulus": stimulus or Dc(level_v=0.3), **changes}
    return Measure(purpose="test", path="direct", view=view, quantity=quantity, **asked)


def screen(*answers: str) -> tuple[ManualScreen, FakePerson, list[tuple[str, str]]]:
    person, events = FakePerson(answers, then=None), []
    paths = {"direct": SignalPath(label="50 ohm lead")}
    driver = ManualScreen(
        person, UnitLink(), "unit", UNIT, paths=paths, on_event=lambda kind, text: events.append((kind, text))
    )
    return driver, person, events


def source(*answers: str) -> tuple[ManualSource, FakePerson]:
    person = FakePerson(answers, then=None)
    return ManualSource(person, Calibrator(maker="Aldermoor", model="Purbeck"), "calibrator"), person


# The display.


def test_the_first_prompt_says_everything():
    driver, person, _ = screen("6")
    driver.show(VIEW)
    reading = driver.read(step(expected=6.0))
    assert reading == Reading(value=6.0, said="6")
    prompt = person.asked[0]
    everything = " | ".join((*prompt.first[0].lines, prompt.title, *prompt.lines, prompt.hint))
    for part in (
        "Channel 1", "50 mV/div", "1 ms/div", "coupling: DC", "3 div below", "path: direct (50 ohm lead)",
        "applied: 300 mV DC",
        "expected about 6.0 div; the tolerance of ±3 %, before any uncertainty, is 5.82 to 6.18 div",
    ):  # fmt: skip
        assert part in everything
    assert prompt.kind == "read"
    assert prompt.step is not None


def test_later_prompts_say_what_changed():
    driver, person, _ = screen("6", "6", "6")
    driver.read(step())
    driver.read(step())
    driver.read(step(view=View(channel=1, volts_per_div=0.1, s_per_div=1e-3, ground_line_div=-3.0)))
    assert (person.asked[1].first, person.asked[1].lines) == ((), ("applied: 300 mV DC",))
    assert [errand.in_one_line for errand in person.asked[2].first] == [
        "Set channel 1 of the unit: deflection factor 100 mV/div"
    ]
    assert person.asked[2].unchanged.startswith("time factor 1 ms/div, coupling DC")


def test_each_channel_has_knobs_of_its_own():
    driver, person, _ = screen("6", "6")
    driver.read(step())
    driver.read(step(view=replace(VIEW, channel=2)))
    assert [errand.in_one_line for errand in person.asked[1].first] == [
        "Set channel 2 of the unit: deflection factor 50 mV/div, coupling DC, ground line 3 div below the centre"
    ]
    assert person.asked[1].unchanged == "time factor 1 ms/div, magnifier off"


def test_a_setting_counts_as_made_only_when_it_was_answered():
    driver, person, _ = screen("back", "6")
    with pytest.raises(GoBack):
        driver.read(step())
    driver.read(step())
    assert any("50 mV/div" in line for line in person.asked[1].first[0].lines)


@pytest.mark.parametrize(
    ("typed", "value"), [("4.9", 4.9), ("4.9 div", 4.9), ("245 mV", 4.9), ("4,9", 4.9), ("=", 5.0), ("-4.9", -4.9)]
)
def test_a_reading_is_taken_in_several_spellings(typed, value):
    driver, _, _ = screen(typed)
    assert driver.read(step(expected=5.0)).value == pytest.approx(value)


def test_off_and_skip_are_statuses():
    driver, _, _ = screen("off", "SKIP")
    assert driver.read(step()).status == "off_screen"
    assert driver.read(step()).status == "skipped"


def test_stop_stops():
    driver, _, _ = screen("stop")
    with pytest.raises(OperatorStop, match="resume"):
        driver.read(step())


def test_notes_help_and_nonsense_leave_the_question_standing():
    driver, person, events = screen("note lamp flickers", "?", "lots", "", "400 div", "note", "5")
    assert driver.read(step()).value == 5.0
    assert events == [("note", "lamp flickers")]
    assert len(person.asked) == 7
    assert len(person.told) == 5  # the list of answers, and a sentence for each piece of nonsense
    assert "as expected" in person.told[0]


def test_an_implausible_reading_is_asked_again_and_believed_when_repeated():
    driver, person, _ = screen("28", "2.8", "2.8")
    reading = driver.read(step(expected=3.2, expected_low=3.0, expected_high=3.4))
    assert "screen has 8" in person.told[0]  # 28 cannot be; 2.8 can, but is unlikely
    assert person.told[1] == "2.8: expected about 3 div to 3.4 div. Read again; the same answer is believed."
    assert reading.value == 2.8
    assert reading.flags == ("asked again",)
    assert reading.more == {"first_div": 2.8}


def test_both_ways_counts_once_it_was_told_back():
    asked = step("peak_to_peak", Square(level_vpp=0.3, frequency_hz=1e3), expected=6.0)
    driver, person, _ = screen("±3", "")
    assert driver.read(asked) == Reading(value=6.0, said="±3")
    assert person.told == ["±3 is 6 div from bottom to top: Enter takes it; else type what the screen shows."]
    driver, person, _ = screen("±3", "mumble", "±2.9", "3.1")
    assert driver.read(asked).value == 3.1


def test_a_slip_of_the_finger_is_mended():
    driver, _, _ = screen("2.3", "3.2")
    reading = driver.read(step(expected=3.2, expected_low=3.0, expected_high=3.4))
    assert reading.value == 3.2
    assert reading.more == {"first_div": 2.3}
    assert reading.said == "2.3; again: 3.2"


def test_a_plausible_reading_is_asked_once():
    driver, person, _ = screen("3.3")
    driver.read(step(expected=3.2, expected_low=3.0, expected_high=3.4))
    assert len(person.asked) == 1


@pytest.mark.parametrize(
    ("quantity", "stimulus", "view", "sentence"),
    [
        ("span", TimeMarks(period_s=1e-3, level_vpp=1.0), VIEW, "is 7.84 to 8.16 div"),
        (
            "span",
            TimeMarks(period_s=1e-4, level_vpp=1.0),
            View(channel=1, volts_per_div=0.05, s_per_div=1e-3, magnifier=10.0),
            "is 7.60 to 8.40 div",
        ),
        ("peak_to_peak", Square(level_vpp=0.4, frequency_hz=1e3), VIEW, "is 7.76 to 8.24 div"),
    ],
)
def test_the_rating_is_named_where_it_applies(quantity, stimulus, view, sentence):
    driver, person, _ = screen("8")
    driver.read(step(quantity, stimulus, view, expected=8.0))
    assert sentence in person.asked[0].hint


def test_a_tolerance_finer_than_a_reading_is_said_to_be_so():
    driver, person, _ = screen("0.5")
    driver.read(step(expected=0.5))
    assert person.asked[0].hint == (
        f"expected about 0.5 div; the tolerance of ±3 % is finer than the {UNIT.resolution:g} div of a reading"
    )


@pytest.mark.parametrize(
    ("period_s", "expected", "question", "line"),
    [
        (
            1e-3,
            8.0,
            "from one mark to the 8th after it?",
            "marks: 1 div apart; begin at the mark nearest to 4 div left",
        ),
        (5e-4, 8.0, "from one mark to the 16th after it?", "marks: 0.5 div apart"),
        (2e-3, 8.0, "from one mark to the 4th after it?", "marks: 2 div apart"),
        (1e-3 / 4, 8.0, "from one mark to the 32nd after it?", "marks: 0.25 div apart"),
        (5e-3, 5.0, "from one mark to the next?", "marks: 5 div apart; begin at the mark nearest to 2.5 div left"),
    ],
)
def test_it_is_said_between_which_marks_to_read(period_s, expected, question, line):
    driver, person, _ = screen("8")
    driver.read(step("span", TimeMarks(period_s=period_s, level_vpp=1.0), expected=expected))
    assert person.asked[0].title.endswith(question)
    assert any(each.startswith(line) for each in person.asked[0].lines)


def test_off_is_asked_again_where_the_trace_was_sure_to_be_seen():
    sure = {"expected": 6.0, "expected_low": 5.5, "expected_high": 6.5}
    driver, person, _ = screen("off", "5.9", "off", "off")
    reading = driver.read(step(**sure))
    assert (reading.value, reading.said, reading.flags) == (5.9, "off; again: 5.9", ("asked again",))
    assert person.told == ["off: expected about 5.5 div to 6.5 div. Read again; the same answer is believed."]
    assert driver.read(step(**sure)).status == "off_screen"
    assert len(person.asked) == 4


def test_off_is_believed_where_the_trace_may_leave_the_screen():
    driver, person, _ = screen("off")
    assert driver.read(step(expected=6.9, expected_low=6.0, expected_high=7.5)).status == "off_screen"  # 3 div below
    assert person.told == []


def test_an_answer_in_volts_is_told_in_divisions_where_it_is_doubted():
    driver, person, _ = screen("20 mV", "3.2")
    driver.read(step(expected=3.2, expected_low=3.0, expected_high=3.4))
    assert person.told[0].startswith("20 mV is 0.4 div: expected about 3 div to 3.4 div.")


def test_a_sine_has_no_rating_of_its_own():
    driver, person, _ = screen("6")
    driver.read(step("peak_to_peak", Sine(level_vpp=0.3, frequency_hz=1e6), expected=6.0))
    assert person.asked[0].hint == "expected about 6.0 div"


def test_the_width_of_the_screen_bounds_a_span():
    driver, person, _ = screen("9.5")
    assert driver.read(step("span", TimeMarks(period_s=1e-3, level_vpp=1.0))).value == 9.5
    assert person.told == []


def test_why_it_is_asked_again_is_said():
    driver, person, _ = screen("6")
    driver.read(step(because="it disagrees with its neighbours"))
    assert "why: it disagrees with its neighbours" in person.asked[0].lines


@pytest.mark.parametrize(
    ("typed", "value", "status"),
    [("", 4.2, "read"), ("=", 4.2, "read"), ("4.4", 4.4, "read"), ("skip", None, "skipped")],
)
def test_tuning_ends_on_the_line_or_on_what_it_spans(typed, value, status):
    driver, person, _ = screen("note warm", "what", typed)
    sine = Sine(level_vpp=0.3, frequency_hz=4e7)
    reading = driver.read(step("peak_to_peak", sine, source="generator", tune_to_div=4.2))
    assert (reading.value, reading.status) == (value, status)
    assert person.asked[0].title == "Tune until channel 1 of the unit shows 4.2 div"
    assert any("turn the generator's frequency" in line for line in person.asked[0].lines)
    assert any("50 mV/div" in line for line in person.asked[0].first[0].lines)


TURNED = {"tune_to_div": 6.0, "tune": "level", "expected": 6.0, "expected_low": 5.1, "expected_high": 6.9}


@pytest.mark.parametrize(
    ("typed", "value", "more"),
    [
        (["307.2 mV"], 6.0, {"level_v": 0.3072}),
        (["0,3072 V"], 6.0, {"level_v": 0.3072}),
        (["307.2"], 6.0, {"level_v": 0.3072}),  # as the dial has it, in the prefix of what it was set to
        (["="], 6.0, {"level_v": 0.3}),
        (["5.6 div"], 5.6, {}),  # the line could not be met
        (["30.72 mV", "307.2 mV"], 6.0, {"level_v": 0.3072}),
        (["360 mV", "360 mV"], 6.0, {"level_v": 0.36}),
        (["1.6 div", "5.6 div"], 5.6, {}),
    ],
)
def test_a_level_is_turned_until_the_trace_is_on_its_lines_and_the_source_says_what_it_is(typed, value, more):
    driver, person, _ = screen(*typed)
    reading = driver.read(step("deflection", Dc(level_v=0.3), **TURNED))
    assert reading.value == value
    assert {name: reading.more[name] for name in more} == pytest.approx(more)
    assert len(person.told) == len(typed) - 1  # what cannot be right is asked again, and the same answer believed
    assert any("turn the calibrator's level" in line for line in person.asked[0].lines)


@pytest.mark.parametrize("typed", ["0 V", "-3 V", "nan V", "V", "1e400 V", "307 mA", "12 div"])
def test_nonsense_where_a_source_should_say_its_level_is_one_sentence(typed):
    driver, person, _ = screen(typed, "307.2 mV")
    assert driver.read(step("deflection", Dc(level_v=0.3), **TURNED)).more == {"level_v": 0.3072}
    assert len(person.told) == 1


@pytest.mark.parametrize(("typed", "value"), [("", 6.0), ("5.6", 5.6)])
def test_on_the_reference_the_lines_say_what_the_level_is(typed, value):
    person = FakePerson([typed])
    sine = step("peak_to_peak", Sine(level_vpp=0.3, frequency_hz=4e7, turned=True), source="generator",
                display="reference", **TURNED)  # fmt: skip
    reading = ManualScreen(person, Reference(), "reference").read(sine)
    assert (reading.value, dict(reading.more)) == (value, {})


# A source.


def test_a_source_is_told_everything_once_and_then_the_change():
    driver, person = source("", "", "", "")
    driver.apply(Square(level_vpp=0.3, frequency_hz=1e3))
    driver.apply(Square(level_vpp=0.6, frequency_hz=1e3))
    driver.apply(Square(level_vpp=0.6, frequency_hz=1e3))
    assert [prompt.lines for prompt in person.asked] == [
        ("function: square wave from 0 V", "frequency: 1 kHz", "level: 300 mVpp", "output: on"),
        ("level: 600 mVpp",),
    ]
    assert "Aldermoor Purbeck" in person.asked[0].title
    driver.off()
    driver.off()
    assert len(person.asked) == 3
    driver.apply(Square(level_vpp=0.6, frequency_hz=1e3))
    assert (person.asked[3].lines, "on again, its settings as they stand" in person.asked[3].title) == ((), True)


def test_no_signal_is_the_output_off():
    driver, person = source("")
    driver.apply(NoSignal())
    assert person.asked[0].title == "Switch the output of the calibrator (Aldermoor Purbeck) off"


def test_a_setting_that_was_not_confirmed_is_asked_for_again():
    driver, person = source("stop", "")
    with pytest.raises(OperatorStop):
        driver.apply(Dc(level_v=1.0))
    driver.apply(Dc(level_v=1.0))
    assert person.asked[0].lines == person.asked[1].lines


def test_nobody_goes_back_while_an_output_is_switched_off():
    driver, person = source("back", "done")
    driver.off()
    assert person.told == ["'back' is no answer here. Press Enter when it is done, or type stop or note TEXT."]


def test_a_source_is_asked_until_it_is_done():
    driver, person = source("5 V", "?", "ok")
    driver.apply(Dc(level_v=1.0))
    assert "'5 V' is no answer here" in person.told[0]
    assert "it is done" in person.told[1]


# A counter.


def counter(*answers: str) -> tuple[ManualMeter, FakePerson]:
    person = FakePerson(answers, then=None)
    return ManualMeter(person, Counter()), person


@pytest.mark.parametrize(("typed", "value"), [("19.98 MHz", 19.98e6), ("=", 2e7), ("20000 kHz", 2e7)])
def test_a_count_is_taken_with_its_unit(typed, value):
    driver, _ = counter(typed)
    assert driver.read_frequency_hz(2e7) == pytest.approx(value)


def test_a_count_without_unit_or_sense_is_asked_again():
    driver, person = counter("20", "fast", "-3 MHz", "0 Hz", "20 MHz")
    assert driver.read_frequency_hz(2e7) == 2e7
    assert len(person.told) == 4
    assert "has no unit" in person.told[0]


def test_a_count_far_off_is_believed_when_it_is_repeated():
    driver, person = counter("2 MHz", "2 MHz")
    assert driver.read_frequency_hz(2e7) == 2e6
    assert "expected about 20 MHz" in person.told[0]


def test_labels_and_checks():
    driver = ManualSource(FakePerson([], then=None), Generator(), "generator")
    assert driver.identify() == "generator"
    driver.check()
    driver.close()


def test_whoever_never_makes_sense_is_not_asked_for_ever():
    driver, person, _ = screen(*["mumble"] * 1000)
    with pytest.raises(OperatorStop, match="made no sense"):
        driver.read(step())
    assert len(person.asked) == 50


PROMPT = Prompt(kind="choose", title="?", choices=("go on", "stop"))


@pytest.mark.parametrize("ask", [
    lambda person: ask_choice(person, PROMPT),
    lambda person: ask_done(person, Prompt(kind="do", title="?"), lambda _kind, _text: None),
    lambda person: ManualSource(person, Generator(), "generator").off(),
    lambda person: ManualMeter(person, Counter(), "counter").read_frequency_hz(2e7),
    lambda person: ManualScreen(person, UnitLink(), "unit", UNIT).read(step()),
    lambda person: ManualScreen(person, UnitLink(), "unit", UNIT).read(step("peak_to_peak", tune_to_div=6.0)),
])  # fmt: skip
@pytest.mark.parametrize("typed", ["?", "note it rains", "mumble"])
def test_no_question_is_put_for_ever(ask, typed):
    person = FakePerson([typed] * 1000, then=None)
    with pytest.raises(OperatorStop, match="50 answers in a row made no sense"):
        ask(person)
    assert len(person.asked) == 50


def test_readings_that_never_agree_are_not_asked_for_for_ever():
    driver, _, _ = screen(*["1", "2"] * 500)
    with pytest.raises(OperatorStop, match="made no sense"):
        driver.read(step(expected_low=5.0, expected_high=7.0))


def test_a_simulated_person_is_told_what_to_do_in_values_too():
    driver, person = source("", "")
    driver.apply(Dc(level_v=1.0))
    driver.off()
    assert [(prompt.role, prompt.stimulus) for prompt in person.asked] == [
        ("calibrator", Dc(level_v=1.0)),
        ("calibrator", NoSignal()),
    ]


# Whatever is typed.

TYPED = st.one_of(
    st.text(max_size=40),
    st.from_regex(r"[-+]?[0-9]{0,4}[.,]?[0-9]{0,4} ?(m|k|µ|M)?(V|div|s|%|Hz|Vpp)?", fullmatch=True),
    st.sampled_from(["=", "?", "off", "note", "note x", "1e999", "nan", "inf", "9" * 400, "١٢", "²"]),
)
QUANTITIES = st.sampled_from(["deflection", "peak_to_peak", "span", "rise_time", "overshoot"])


@given(TYPED, QUANTITIES, st.none() | st.floats(-8, 8))
def test_any_answer_is_understood_or_refused_in_a_sentence(typed, quantity, expected):
    try:
        answer = read_answer(typed, step(quantity, expected=expected), 8.0)
    except ValueError as error:
        sentence = str(error)
    else:
        sentence = "understood"
        assert isinstance(answer, Value) or answer in ("off", "skip")
    assert 0 < len(sentence) < 300


@given(st.lists(TYPED, max_size=6))
def test_a_screen_survives_any_typing(typed):
    driver, _, _ = screen(*typed, "stop")
    with contextlib.suppress(OperatorStop, GoBack):
        assert isinstance(driver.read(step(expected=5.0)), Reading)


@given(st.lists(TYPED, max_size=6))
def test_a_counter_survives_any_typing(typed):
    driver, _ = counter(*typed, "stop")
    with contextlib.suppress(OperatorStop, GoBack):
        assert driver.read_frequency_hz(1e6) > 0


def test_a_second_answer_is_believed_only_where_it_agrees_or_is_plausible():
    driver, person, _ = screen("2.8", "4.9", "3.1")
    reading = driver.read(step(expected=3.2, expected_low=3.0, expected_high=3.4))
    assert reading.value == 3.1
    assert len(person.told) == 2
    assert reading.said == "2.8; again: 4.9; again: 3.1"


def test_nobody_is_sent_to_a_lead_before_its_source_is_turned_down():
    person = FakePerson()
    ManualSource(person, Calibrator(output_switch=False), "calibrator").off()
    assert "as far as it goes, and then unplug" in person.asked[0].title


def test_a_level_is_turned_no_farther_than_is_believed():
    display, person, _ = screen("600 mV")
    display.read(step(stimulus=Dc(level_v=0.6), expected=6.0, tune_to_div=6.0, tune="level"))
    assert any("no higher than 690 mV" in line for line in person.asked[0].lines)
