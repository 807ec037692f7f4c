"""What is to be set, moved and read stands in one question; what may hurt somebody keeps a question of its own."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

import pytest

from drivers.manual import ManualScreen, ManualSource
from harness.bench.perform import LiveBench
from harness.errors import OperatorStop
from harness.fakes import FakeDriver, FakePerson, VirtualClock
from harness.models import Setup, UnitLink
from harness.person.operator import GoBack, Prompt
from harness.steps import CONTROLS_STAND, Connect, Dc, Measure, NoSignal, Reading, Sine, TimeMarks, View
from tests.helpers.setups import a_setup


def by_hand(**calibrator: object) -> Setup:
    setup = a_setup()
    manual = setup.bench.calibrator.model_copy(
        update={"driver": "manual", "address": None, "level_high": 40.0, **calibrator}
    )
    return setup.__class__(
        bench=setup.bench.model_copy(update={"calibrator": manual, "generator": None}), unit=setup.unit, job=setup.job
    )


class Asked(FakePerson):
    """Says by themselves that the controls stand as they should."""

    def ask(self, prompt: Prompt) -> str:
        return "" if prompt.lines == CONTROLS_STAND else super().ask(prompt)


def a_bench(answers: Iterable[str], **calibrator: object) -> tuple[LiveBench, FakePerson]:
    setup, person = by_hand(**calibrator), Asked(answers, then=None)
    drivers = {
        "calibrator": ManualSource(person, setup.bench.calibrator, "calibrator"),
        "unit": ManualScreen(person, UnitLink(), "unit", setup.unit, paths=setup.bench.paths),
    }
    return LiveBench(setup, drivers, operator=person, clock=VirtualClock()), person


def cable(channel: int = 1) -> Connect:
    return Connect(path="lead", source="calibrator", display="unit", channel=channel)


def point(level_v: float, volts_per_div: float = 0.1, channel: int = 1) -> Measure:
    return Measure(
        purpose="deflection", path="lead", source="calibrator", stimulus=Dc(level_v=level_v) if level_v else NoSignal(),
        display="unit", view=View(channel=channel, volts_per_div=volts_per_div, s_per_div=1e-3), quantity="deflection",
    )  # fmt: skip


def first(prompt: Prompt) -> list[str]:
    return [errand.in_one_line for errand in prompt.first]


EVERYTHING = (
    "Set channel 1 of the unit: deflection factor 100 mV/div, time factor 1 ms/div, coupling DC, "
    "ground line at the centre, magnifier off"
)
OFF = "Switch the output of the calibrator off"


def test_cable_source_screen_and_reading_are_one_question() -> None:
    bench, person = a_bench(["6", "6", "6"])
    bench.perform(cable())
    assert bench.perform(point(0.6)) == Reading(value=6.0, said="6")
    bench.perform(point(1.2, 0.2))
    bench.perform(cable(2))
    bench.perform(point(1.2, 0.2, channel=2))
    assert [first(prompt) for prompt in person.asked] == [
        [
            OFF,
            "Connect calibrator → lead → channel 1 of the unit",
            EVERYTHING,
            "Set the calibrator to 600 mV DC: function DC, level 600 mV, output on",
        ],
        [
            "Set channel 1 of the unit: deflection factor 200 mV/div",
            "Set the calibrator to 1.2 V DC: level 1.2 V",
        ],
        [
            OFF,
            "Connect calibrator → lead → channel 2 of the unit",
            "Set channel 2 of the unit: deflection factor 200 mV/div, coupling DC, ground line at the centre",
            "Switch the output of the calibrator on again, its settings as they stand",
        ],
    ]
    assert person.asked[1].unchanged == ("time factor 1 ms/div, coupling DC, ground line at the centre, magnifier off")


def test_nobody_knows_at_the_start_how_a_panel_was_left() -> None:
    bench, person = a_bench(["", "6"], level_high=100.0)
    bench.perform(cable())
    bench.perform(point(0.6))
    assert (person.asked[0].kind, person.asked[0].title) == ("do", OFF)


def test_hands_do_not_touch_a_cable_after_a_hazardous_voltage_before_somebody_says_that_it_is_off() -> None:
    bench, person = a_bench(["", "", "go on", "6", "", "6"], level_high=100.0)
    bench.perform(cable())
    bench.perform(point(90.0, 1.0))
    assert [prompt.kind for prompt in person.asked] == ["do", "do", "choose", "read"]
    assert person.asked[1].title == "Connect calibrator → lead → channel 1 of the unit"
    bench.perform(cable(2))
    bench.perform(point(0.6, 0.1, channel=2))
    assert [(prompt.kind, prompt.title.split(":")[0]) for prompt in person.asked[4:]] == [
        ("do", OFF), ("read", "Channel 2 of the unit")
    ]  # fmt: skip


def test_a_hazard_is_over_once_a_reading_at_a_lower_level_says_so() -> None:
    bench, person = a_bench(["", "", "go on", "6", "6", "6"], level_high=100.0)
    bench.perform(cable())
    bench.perform(point(90.0, 1.0))
    bench.perform(point(1.0, 0.2))
    bench.perform(cable(2))
    bench.perform(point(1.0, 0.2, channel=2))
    assert first(person.asked[-1])[0] == OFF


@pytest.mark.parametrize(("answer", "error"), [("back", GoBack), ("stop", OperatorStop)])
def test_what_was_not_answered_is_in_doubt_and_asked_again(answer: str, error: type[Exception]) -> None:
    bench, person = a_bench(["6", answer, "6", ""])
    bench.perform(cable())
    bench.perform(point(0.6))
    bench.perform(cable(2))
    with pytest.raises(error):
        bench.perform(point(1.2, 0.2, channel=2))
    bench.perform(point(1.2, 0.2, channel=2))
    assert first(person.asked[2])[:2] == [OFF, "Connect calibrator → lead → channel 2 of the unit"]
    assert "function DC" in first(person.asked[2])[3]
    assert bench.outputs_off() == []
    assert person.asked[3].title == OFF


def test_a_reading_left_out_leaves_cable_and_source_in_doubt() -> None:
    bench, person = a_bench(["skip", "6", ""])
    bench.perform(cable())
    assert bench.perform(point(0.6)).status == "skipped"
    bench.perform(point(0.6))
    assert first(person.asked[0]) == first(person.asked[1])


def test_an_output_whose_going_off_was_only_asked_for_is_asked_for_again_at_the_end() -> None:
    bench, person = a_bench(["6", "stop", ""])
    bench.perform(cable())
    bench.perform(point(0.6))
    bench.perform(cable(2))
    with pytest.raises(OperatorStop), bench.guarded():
        bench.perform(point(0.6, channel=2))
    assert person.asked[-1].title == OFF


def test_a_source_without_a_switch_is_turned_down_only_where_it_matters() -> None:
    bench, person = a_bench(["6", "6", ""], output_switch=False)
    bench.perform(cable())
    bench.perform(point(0.6))
    bench.perform(cable(2))
    bench.perform(point(1.2, 0.2, channel=2))
    assert first(person.asked[1]) == [
        "Connect calibrator → lead → channel 2 of the unit",
        "Set channel 2 of the unit: deflection factor 200 mV/div, coupling DC, ground line at the centre",
        "Set the calibrator to 1.2 V DC: level 1.2 V",
    ]
    bench.outputs_off()
    assert person.asked[2].title == (
        "Turn the calibrator down to nothing; where it cannot, as far as it goes, and then unplug its lead"
    )


def test_a_source_without_a_switch_comes_down_before_the_cable_leads_it_elsewhere() -> None:
    bench, person = a_bench(["6", "6"], output_switch=False)
    bench.perform(cable())
    bench.perform(point(6.0, 1.0))
    bench.perform(cable(2))
    bench.perform(point(0.6, channel=2))
    assert [line.split(":")[0] for line in first(person.asked[1])] == [
        "Set the calibrator to 600 mV DC",
        "Set channel 2 of the unit",
        "Connect calibrator → lead → channel 2 of the unit",
    ]


def test_a_remote_display_is_read_after_somebody_has_said_that_all_is_set() -> None:
    setup, person = by_hand(), FakePerson()
    link = UnitLink.model_validate({"address": "GPIB0::7::INSTR"})
    unit = FakeDriver("unit", reads=lambda _step: Reading(value=float(len(person.asked))))
    bench = LiveBench(
        setup.__class__(
            bench=setup.bench.model_copy(update={"unit": link}), job=setup.job,
            unit=setup.unit.model_copy(update={"read": "remote"}),
        ),
        {"calibrator": ManualSource(person, setup.bench.calibrator, "calibrator"), "unit": unit},
        operator=person, clock=VirtualClock(),
    )  # fmt: skip
    bench.perform(cable())
    assert bench.perform(point(0.6)).value == 1.0
    assert first(person.asked[0]) == [OFF, "Connect calibrator → lead → channel 1 of the unit"]
    assert person.asked[0].title == "Set the calibrator to 600 mV DC"


class Watched(FakeDriver):
    """A display that is set over its interface, and tells how much was asked of the person before it was."""

    def __init__(self, person: FakePerson) -> None:
        super().__init__("unit", reads=lambda _step: Reading(value=6.0))
        self.person, self.set_after = person, list[tuple[float, int]]()

    def show(self, view: View) -> None:
        super().show(view)
        self.set_after.append((view.volts_per_div, len(self.person.asked)))


def test_a_remote_display_is_made_finer_after_somebody_has_turned_the_source_down() -> None:
    setup, person = by_hand(), FakePerson()
    unit = Watched(person)
    bench = LiveBench(
        setup.__class__(
            bench=setup.bench.model_copy(update={"unit": UnitLink.model_validate({"address": "GPIB0::7::INSTR"})}),
            job=setup.job, unit=setup.unit.model_copy(update={"read": "remote"}),
        ),
        {"calibrator": ManualSource(person, setup.bench.calibrator, "calibrator"), "unit": unit},
        operator=person, clock=VirtualClock(),
    )  # fmt: skip
    bench.perform(cable())
    bench.perform(point(30.0, 5.0))
    assert person.asked[-1].title == "Set the calibrator to 30 V DC"
    bench.perform(point(0.03, 0.005))
    assert person.asked[-1].title == "Set the calibrator to 30 mV DC"
    assert unit.set_after[-1] == (0.005, len(person.asked))


def test_a_source_without_a_switch_that_nobody_knows_comes_down_before_a_cable_leads_it_anywhere() -> None:
    bench, person = a_bench(["6"], output_switch=False)
    bench.perform(cable())
    bench.perform(point(0.6))
    assert [line.split(":")[0] for line in first(person.asked[0])] == [
        "Set the calibrator to 600 mV DC",
        "Set channel 1 of the unit",
        "Connect calibrator → lead → channel 1 of the unit",
    ]


def turned(level_v: float = 0.6) -> Measure:
    return replace(point(level_v), expected=6.0, tune_to_div=6.0, tune="level")


@pytest.mark.parametrize("said", [("60 V", "60 V"), ("skip",), ("3 div",)])
def test_a_level_that_was_turned_nobody_knows_how_far_is_off_before_a_cable_is_touched(said: tuple[str, ...]) -> None:
    bench, person = a_bench(["", *said, "", "6"], level_high=100.0)
    bench.perform(cable())
    bench.perform(turned())
    bench.perform(cable(2))
    bench.perform(point(0.6, channel=2))
    assert (person.asked[-2].kind, person.asked[-2].title) == ("do", OFF)
    assert any("level 600 mV, output on" in line for line in first(person.asked[-1]))


def test_a_period_that_was_turned_is_set_again_for_a_reading_that_turns_nothing() -> None:
    marks = TimeMarks(period_s=1e-3, level_vpp=1.0)
    step = replace(point(0.6), stimulus=marks, quantity="span", expected=8.0)
    bench, person = a_bench(["1.02 ms", "8"])
    bench.perform(cable())
    bench.perform(replace(step, tune_to_div=8.0, tune="period"))
    bench.perform(step)
    assert any("period 1 ms" in line for line in first(person.asked[-1]))


def test_a_level_that_was_turned_to_what_it_was_expected_to_be_needs_no_question_of_its_own() -> None:
    bench, person = a_bench(["", "0.61 V", "6"], level_high=100.0)
    bench.perform(cable())
    bench.perform(turned())
    bench.perform(cable(2))
    bench.perform(point(0.6, channel=2))
    assert first(person.asked[-1])[0] == OFF


@pytest.mark.parametrize(("level_vpp", "own_question"), [(50.0, True), (10.0, False)])
def test_a_termination_keeps_a_generator_below_hazard_only_until_the_lead_is_pulled_from_it(
    level_vpp: float, own_question: bool
) -> None:
    """50 Vpp into 50 Ω are 25 V peak, and twice that once nothing loads them: above 42.4 V."""
    setup = a_setup(generator_level_high="60 Vpp", termination_power="20 W")
    manual = setup.bench.generator.model_copy(update={"driver": "manual", "address": None})
    bench_file = setup.bench.model_copy(update={"calibrator": None, "generator": manual})
    person = Asked(["", "6", *[""] * own_question, "6"], then=None)
    bench = LiveBench(
        replace(setup, bench=bench_file),
        {
            "generator": ManualSource(person, manual, "generator"),
            "unit": ManualScreen(person, UnitLink(), "unit", setup.unit, paths=bench_file.paths),
        },
        operator=person, clock=VirtualClock(),
    )  # fmt: skip
    for channel in (1, 2):
        bench.perform(Connect(path="terminated", source="generator", display="unit", channel=channel))
        sine = Sine(level_vpp=level_vpp, frequency_hz=1e3)
        at = replace(point(1.0, 10.0, channel), source="generator", path="terminated", stimulus=sine)
        bench.perform(replace(at, quantity="peak_to_peak"))
    assert [prompt.kind for prompt in person.asked] == ["do", "read", *["do"] * own_question, "read"]
