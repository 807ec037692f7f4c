"""The live bench with drivers of a user's own, which may do anything: which outputs stay on, and what comes first."""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from typing import Any

import pytest

from harness.bench.perform import LiveBench
from harness.errors import InstrumentError, LinkError, OperatorStop, SafetyError, StepRefused
from harness.fakes import FakeDriver, FakePerson
from harness.link.link import POINT_TRIES
from harness.models import Switch
from harness.steps import Connect, Dc, Measure, NoSignal, Reading, Sine, Square, View
from harness.words.clock import RealClock
from tests.helpers.setups import a_setup


def a_bench(**failing: list[BaseException]) -> tuple[LiveBench, list[Any], list[tuple[str, str]]]:
    said: list[Any] = []
    told: list[tuple[str, str]] = []
    drivers: dict[Any, Any] = {
        name: FakeDriver(name, said, failing=failing.get(name, [])) for name in ("calibrator", "generator", "unit")
    }
    bench = LiveBench(
        a_setup(), drivers, operator=FakePerson(), clock=RealClock(), on_event=lambda *event: told.append(event)
    )
    bench._controls_asked = True
    return bench, said, told


def dc(level_v: float, volts_per_div: float) -> Measure:
    view = View(channel=1, volts_per_div=volts_per_div, s_per_div=1e-3)
    stimulus = Dc(level_v=level_v) if level_v else NoSignal()
    return Measure(
        purpose="deflection", path="lead", source="calibrator", stimulus=stimulus, display="unit", view=view,
        quantity="deflection",
    )  # fmt: skip


TO_CHANNEL_1 = Connect(path="lead", source="calibrator", display="unit", channel=1)


@pytest.mark.parametrize("error", [ZeroDivisionError("a bug"), LinkError("calibrator", "gone")])
def test_one_source_that_cannot_be_switched_off_does_not_leave_the_other_on(error: BaseException) -> None:
    bench, said, told = a_bench(calibrator=[error])
    with (
        pytest.raises(SafetyError, match=r"output of the calibrator .* may still be ON.*Switch it off by hand"),
        bench.guarded(),
    ):
        pass
    assert said == [("generator", "off"), ("calibrator", "closed"), ("generator", "closed"), ("unit", "closed")]
    assert told == [("outputs", told[0][1])]


def test_every_output_is_off_before_a_display_is_brought_to_a_known_state() -> None:
    """An earlier user may have left a voltage on, and a preset range may be a sensitive one."""
    bench, said, _ = a_bench()
    idle = bench.drivers.pop("generator")  # type: ignore[attr-defined]
    for name, driver in (*bench.drivers.items(), ("generator", idle)):
        driver.preset = partial(said.append, (name, "preset"))  # type: ignore[attr-defined]
    bench = LiveBench(a_setup(), bench.drivers, operator=FakePerson(), clock=RealClock(), idle={"generator": idle})
    bench.prepare()
    assert said[:2] == [("calibrator", "off"), ("generator", "off")]
    assert sorted(said[2:]) == [("calibrator", "preset"), ("generator", "preset"), ("unit", "preset")]


def test_a_driver_that_brings_its_instrument_to_no_known_state_is_named() -> None:
    bench, _, told = a_bench()
    bench.prepare()
    assert [text.split(":")[0] for what, text in told if what == "on trust"] == ["calibrator", "generator"]


ALL_SWITCHED_OFF = [("calibrator", "off"), ("generator", "off")]
ALL_CLOSED = [("calibrator", "closed"), ("generator", "closed"), ("unit", "closed")]


def test_a_signal_that_comes_while_outputs_go_off_costs_no_source_its_turn_and_is_not_lost() -> None:
    bench, said, told = a_bench(calibrator=[KeyboardInterrupt()])
    with pytest.raises(KeyboardInterrupt), bench.guarded():
        pass  # a run that ends well, and the next job of a queue is not begun
    assert said == [*ALL_SWITCHED_OFF, *ALL_CLOSED]
    assert told == [("off", "Every output was switched off.")]


def test_a_signal_between_two_connections_ends_the_run() -> None:
    bench, said, _ = a_bench(generator=[KeyboardInterrupt()])
    with pytest.raises(KeyboardInterrupt), bench.guarded():
        bench.perform(TO_CHANNEL_1)
    assert said == [*ALL_SWITCHED_OFF, *ALL_SWITCHED_OFF, *ALL_CLOSED]


def test_a_signal_that_comes_while_a_failure_unwinds_is_obeyed_and_the_failure_is_told_with_it() -> None:
    gone = LinkError("calibrator", "gone", remedy="check its cable, or write 'patience'")
    bench, _, _ = a_bench(calibrator=[KeyboardInterrupt(), gone])
    with pytest.raises(KeyboardInterrupt) as ended, bench.guarded():
        raise LinkError("unit", "does not answer")
    assert str(gone) == "calibrator: gone: check its cable, or write 'patience'"
    assert ended.value.__notes__[0] == (  # what is to be done about the output, and about nothing else
        "The output of the calibrator (GPIB0::9::INSTR) may still be ON: calibrator: gone. Switch it off by hand."
    )
    assert ended.value.__notes__[1] == "unit: does not answer"


def test_an_output_goes_off_and_everything_is_closed_whoever_else_fails() -> None:
    bench, said, told = a_bench()

    def share_gone(_within_s: float) -> None:
        raise OSError(116, "Stale file handle")

    bench._on_life = share_gone
    assert bench.outputs_off() == []
    assert said == ALL_SWITCHED_OFF
    bench._on_life = lambda _within_s: None
    bench.drivers["calibrator"].close = lambda: 1 / 0  # a user's own driver
    bench.close()
    assert said == [*ALL_SWITCHED_OFF, *ALL_CLOSED[1:]]
    assert told == [("close", "division by zero")]


def test_an_output_that_may_still_be_on_is_the_last_word_of_whatever_ended_the_run() -> None:
    bench, _, told = a_bench(generator=[LinkError("generator", "gone")])
    with pytest.raises(ZeroDivisionError) as ended, bench.guarded():
        raise ZeroDivisionError
    assert ended.value.__notes__ == [text for _, text in told]
    assert len(told) == 1
    assert "generator" in told[0][1]


@pytest.mark.parametrize("value", [float("nan"), float("inf")])
def test_a_reading_that_is_no_number_is_the_instruments_failure(value: float, monkeypatch: pytest.MonkeyPatch) -> None:
    bench, _, _ = a_bench()
    bench.perform(TO_CHANNEL_1)
    monkeypatch.setattr(FakeDriver, "read", lambda _self, _step: Reading(value=value))
    with pytest.raises(InstrumentError, match="unit: gave a deflection that is no number"):
        bench.perform(dc(0.8, 0.1))


def test_a_hazardous_voltage_is_asked_for_again_once_hands_were_at_the_cables() -> None:
    asked: list[str] = []

    class Asked(FakePerson):
        def ask(self, prompt: Any) -> str:
            asked.append(prompt.title)
            return "go on" if prompt.kind == "choose" else ""

    bench, _, _ = a_bench()
    bench._operator = Asked()
    for step in (TO_CHANNEL_1, dc(80.0, 10.0), dc(70.0, 10.0), TO_CHANNEL_1, dc(70.0, 10.0)):
        bench.perform(step)
    hazardous = ["hazardous" in title for title in asked]
    assert hazardous == [False, True, False, True]


class Choosing(FakePerson):
    """Answers the hazard question as told; keeps what happened in order."""

    def __init__(self, said: list[Any], *answers: str) -> None:
        self.said, self.answers, self.told = said, list(answers), []  # type: ignore[var-annotated]  # texts

    def ask(self, prompt: Any) -> str:
        self.said.append("asked" if "hazardous" in prompt.title else prompt.title)
        return self.answers.pop(0)

    def tell(self, text: str) -> None:
        self.told.append(text)


def test_a_hazardous_voltage_is_confirmed_after_the_warm_up_and_again_after_another_wait() -> None:
    bench, said, _ = a_bench()
    bench.perform(TO_CHANNEL_1)

    class Wait:
        left = 0

        def wait(self, outputs_off: Any) -> None:
            if self.left:
                outputs_off()
                said.append("warm")
                self.left = 0

    bench._warm_up, bench._operator = Wait(), Choosing(said, "go on", "go on")  # type: ignore[assignment]
    for left in (1, 0, 1):
        bench._warm_up.left = left  # type: ignore[union-attr]
        bench.perform(dc(80.0, 10.0))
    found = [entry for entry in said if entry in ("warm", "asked", ("calibrator", Dc(level_v=80.0)))]
    applied = ("calibrator", Dc(level_v=80.0))
    assert found == ["warm", "asked", applied, applied, "warm", "asked", applied]


def test_an_answer_that_is_none_of_the_choices_is_asked_for_again_before_a_hazardous_voltage() -> None:
    bench, said, _ = a_bench()
    bench.perform(TO_CHANNEL_1)
    bench._operator = person = Choosing(said, "", "yes", "stop")
    with pytest.raises(OperatorStop, match="Stopped before a hazardous voltage"):
        bench.perform(dc(80.0, 10.0))
    assert person.told == [
        "Enter alone is no answer here. Type one of: go on, stop.",
        "'yes' is no answer here. Type one of: go on, stop.",
    ]
    assert ("calibrator", Dc(level_v=80.0)) not in said


def test_no_hand_is_asked_to_a_cable_while_an_output_may_be_on() -> None:
    bench, _, _ = a_bench(generator=[RuntimeError("driver fails")])
    with pytest.raises(SafetyError, match=r"Do not touch the cables.*generator.*driver fails"):
        bench.perform(TO_CHANNEL_1)


def test_after_a_lost_answer_the_source_is_off_before_a_range_is_set() -> None:
    """The source may still give the level before: a sensitive range is not set under it."""
    bench, said, _ = a_bench()
    bench.perform(TO_CHANNEL_1)
    bench.perform(dc(8.0, 1.0))
    bench.drivers["calibrator"].failing.append(LinkError("calibrator", "does not answer"))  # type: ignore[attr-defined]
    said.clear()
    bench.perform(dc(0.8, 0.1))
    assert [entry for entry in said if entry[0] != "generator"] == [
        ("calibrator", "off"),
        ("unit", 0.1),
        ("calibrator", Dc(level_v=0.8)),
    ]


def test_where_nobody_is_left_to_ask_that_is_the_reason_and_no_rating() -> None:
    bench, _, _ = a_bench(calibrator=[OperatorStop("Nobody answers.")])
    with pytest.raises(OperatorStop, match="Nobody answers"):
        bench.perform(TO_CHANNEL_1)


def switched(**failing: list[BaseException]) -> tuple[LiveBench, list[Any], list[tuple[str, str]]]:
    """The same bench with a switch that reaches channel 1."""
    bench, said, told = a_bench(**failing)
    path = bench.setup.bench.paths["lead"].model_copy(update={"routes": {"unit-1": "(@101)"}})
    update = {"switch": Switch(address="GPIB0::3::INSTR"), "paths": {**bench.setup.bench.paths, "lead": path}}
    bench.setup = replace(bench.setup, bench=bench.setup.bench.model_copy(update=update))

    class Routes(FakeDriver):
        def route(self, channels: str) -> None:
            self.fail()
            self.said.append((self.name, channels))

    bench.drivers = {**bench.drivers, "switch": Routes("switch", said, failing=failing.get("switch", []))}
    return bench, said, told


def test_a_connection_by_switch_is_tried_again_and_told() -> None:
    bench, said, told = switched(switch=[LinkError("switch", "lost a message")])
    bench.perform(TO_CHANNEL_1)
    assert ("switch", "(@101)") in said
    assert told == [("repeat", "switch: lost a message; try 2 of 8")]


def test_a_path_of_the_switch_in_doubt_is_forgotten_where_hands_have_made_another() -> None:
    bench, _, _ = switched()
    bench.perform(TO_CHANNEL_1)
    bench._route_in_doubt = True
    bench.perform(replace(TO_CHANNEL_1, channel=2))
    assert bench.perform(replace(dc(0.8, 0.1), view=View(channel=2, volts_per_div=0.1, s_per_div=1e-3)))


def test_a_source_that_would_not_go_off_is_told_once_and_the_other_goes_on_behind_a_switch() -> None:
    stuck: list[BaseException] = [LinkError("generator", "does not answer") for _ in range(9)]
    bench, said, told = switched(generator=stuck)
    bench.perform(TO_CHANNEL_1)
    bench.perform(dc(0.8, 0.1))
    bench.make_safe()
    assert ("calibrator", Dc(level_v=0.8)) in said
    outputs = [text for what, text in told if what == "outputs"]
    assert len(outputs) == 1
    assert "output of the generator" in outputs[0]


def test_a_source_that_would_not_go_off_ends_its_own_part_alone() -> None:
    bench, _, _ = switched(calibrator=[LinkError("calibrator", "does not answer")])
    with pytest.raises(LinkError, match="calibrator: does not answer"):
        bench.perform(TO_CHANNEL_1)


def test_nothing_is_read_while_another_output_may_be_on_and_cables_are_moved_by_hand() -> None:
    bench, _, _ = a_bench()
    bench.perform(TO_CHANNEL_1)
    away = [LinkError("generator", "does not answer") for _ in range(2 * POINT_TRIES)]
    bench.drivers["generator"].failing.extend(away)  # type: ignore[attr-defined]
    bench.make_safe()
    with pytest.raises(InstrumentError, match="generator: does not answer"):
        bench.perform(dc(0.8, 0.1))


# --- a reading is taken where the connection leads ---------------------------------------------------------------

ELSEWHERE = [
    {"path": "probe"},
    {"source": "generator"},
    {"display": "reference"},
    {"view": View(channel=2, volts_per_div=0.1, s_per_div=1e-3)},
    {"path": "a path without ratings"},
    {"stimulus": Square(level_vpp=-118.0, frequency_hz=1e3)},
]


@pytest.mark.parametrize("other", ELSEWHERE)
def test_nothing_is_set_for_a_reading_elsewhere_or_for_numbers_that_cannot_be(other: dict[str, Any]) -> None:
    bench, said, _ = a_bench()
    bench.perform(TO_CHANNEL_1)
    said.clear()
    with pytest.raises(StepRefused):
        bench.perform(replace(dc(0.8, 0.1), **other))
    assert said == []
    bench.perform(dc(0.8, 0.1))  # and the bench is as it was
    assert said


def test_nothing_is_read_before_a_connection_nor_after_one_that_failed() -> None:
    bench, said, _ = a_bench()
    with pytest.raises(StepRefused, match=r"The step measures before anything is connected; yield a Connect first\."):
        bench.perform(dc(0.8, 0.1))
    assert said == []
    bench.perform(TO_CHANNEL_1)
    bench._operator = Choosing(said, "stop")
    with pytest.raises(OperatorStop):
        bench.perform(replace(TO_CHANNEL_1, channel=2))
    with pytest.raises(StepRefused, match="before anything is connected"):
        bench.perform(dc(0.8, 0.1))


def test_a_generators_voltage_on_an_open_path_is_confirmed_at_twice_its_level() -> None:
    bench, said, _ = a_bench()
    bench.setup = a_setup(generator_level_high="300 Vpp")
    open_path = replace(TO_CHANNEL_1, source="generator")
    sine = replace(dc(0.0, 10.0), source="generator", stimulus=Sine(level_vpp=50.0, frequency_hz=1e3))
    bench.perform(open_path)
    bench._operator = Choosing(said, "go on")
    bench.perform(sine)  # 50 V peak on the open path
    assert said.count("asked") == 1
    bench.perform(replace(sine, stimulus=Sine(level_vpp=49.0, frequency_hz=1e3)))
    assert said.count("asked") == 1
