"""The live bench with drivers of a user's own, which may do anything: which outputs stay on, and what comes first."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import pytest

from harness.bench import LiveBench
from harness.clock import RealClock
from harness.errors import InstrumentError, LinkError, SafetyError
from harness.steps import Connect, Dc, Measure, NoSignal, Reading, Stimulus, View
from tests.setups import a_setup


@dataclass
class Driver:
    """A source and a display in one, as simple as a user may write it; it fails when told to, once for each."""

    said: list[Any]
    name: str
    failing: list[BaseException] = field(default_factory=list)

    def _fail(self) -> None:
        if self.failing:
            raise self.failing.pop(0)

    def apply(self, stimulus: Stimulus) -> None:
        self._fail()
        self.said.append((self.name, stimulus))

    def off(self) -> None:
        self._fail()
        self.said.append((self.name, "off"))

    def show(self, view: View) -> None:
        self.said.append((self.name, view.volts_per_div))

    def read(self, _step: Measure) -> Reading:
        return Reading(value=1.0)

    def check(self) -> None: ...

    def close(self) -> None:
        self.said.append((self.name, "closed"))


class Person:
    def ask(self, _prompt: object) -> str:
        return ""

    def tell(self, text: str) -> None: ...


def a_bench(**failing: list[BaseException]) -> tuple[LiveBench, list[Any], list[tuple[str, str]]]:
    said: list[Any] = []
    told: list[tuple[str, str]] = []
    drivers: dict[Any, Any] = {
        name: Driver(said, name, failing.get(name, [])) for name in ("calibrator", "generator", "unit")
    }
    bench = LiveBench(
        a_setup(), drivers, operator=Person(), clock=RealClock(), on_event=lambda *event: told.append(event)
    )
    return bench, said, told


def dc(level_v: float, volts_per_div: float) -> Measure:
    view = View(channel=1, volts_per_div=volts_per_div, s_per_div=1e-3)
    stimulus = Dc(level_v=level_v) if level_v else NoSignal()
    return Measure(
        purpose="deflection", path="lead", source="calibrator", stimulus=stimulus, display="unit", view=view,
        quantity="deflection",
    )  # fmt: skip


@pytest.mark.parametrize("error", [ZeroDivisionError("a bug"), KeyboardInterrupt(), LinkError("calibrator", "gone")])
def test_one_source_that_cannot_be_switched_off_does_not_leave_the_other_on(error: BaseException) -> None:
    bench, said, told = a_bench(calibrator=[error])
    with (
        pytest.raises(SafetyError, match=r"output of the calibrator .* may still be ON.*Switch it off by hand"),
        bench.guarded(),
    ):
        pass
    assert said == [("generator", "off"), ("calibrator", "closed"), ("generator", "closed"), ("unit", "closed")]
    assert told == [("outputs", told[0][1])]


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
    monkeypatch.setattr(Driver, "read", lambda _self, _step: Reading(value=value))
    with pytest.raises(InstrumentError, match="unit: gave a deflection that is no number"):
        bench.perform(dc(0.8, 0.1))


def test_no_hand_is_asked_to_a_cable_while_an_output_may_be_on() -> None:
    bench, _, _ = a_bench(generator=[RuntimeError("driver fails")])
    with pytest.raises(SafetyError, match=r"Do not touch the cables.*generator.*driver fails"):
        bench.perform(Connect(path="lead", source="calibrator", display="unit", channel=1))


def test_after_a_lost_answer_the_level_falls_before_the_range_does() -> None:
    """The source may still give the level before: a sensitive range is not set under it."""
    bench, said, _ = a_bench()
    bench.perform(dc(8.0, 1.0))
    bench.drivers["calibrator"].failing.append(LinkError("calibrator", "does not answer"))  # type: ignore[attr-defined]
    said.clear()
    bench.perform(dc(0.8, 0.1))
    assert [entry for entry in said if entry[0] != "generator"] == [
        ("calibrator", Dc(level_v=0.8)),
        ("unit", 0.1),
    ]
