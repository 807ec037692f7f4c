"""How long a setting is waited for, and readings that must agree before they count."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from harness.bench import settling
from harness.bench.perform import LiveBench
from harness.bench.settling import Criterion, planned_s, wait_s
from harness.fakes import FakeDriver, FakePerson
from harness.models import Bench, Setup
from harness.sim.clock import VirtualClock
from harness.steps import NOT_SETTLED, Connect, Dc, Measure, NoSignal, Reading, Sine, Stimulus, TimeMarks, View
from tests.helpers.setups import a_setup


def a_bench_with(rated: dict[str, Any] | None = None, **tables: Any) -> Setup:
    """A remote scope; `rated` goes into the unit file, tables laid over those of the bench."""
    setup = a_setup(read="remote", **(rated or {}))
    described = setup.bench.model_dump(exclude_none=True, exclude_unset=True)
    bench = Bench.model_validate(
        {**described, "unit": {"address": "GPIB0::1::INSTR"}, "counter": {"address": "GPIB0::2::INSTR"}},
        context={"si": True},
    )
    updates = {
        role: type(getattr(bench, role)).model_validate(
            {**getattr(bench, role).model_dump(exclude_none=True, exclude_unset=True), **table}, context={"si": True}
        )
        for role, table in tables.items()
    }
    return replace(setup, bench=bench.model_copy(update=updates))


def a_step(stimulus: Stimulus = Dc(level_v=1.0), volts_per_div: float = 0.1, **more: Any) -> Measure:  # noqa: B008 - frozen
    return Measure(
        purpose="deflection", path="lead", source="calibrator", stimulus=stimulus, display="unit",
        view=View(channel=1, volts_per_div=volts_per_div, s_per_div=1e-3), quantity="deflection",
        **more,
    )  # fmt: skip


CONNECTED = Connect(path="lead", source="calibrator", display="unit", channel=1)
LINES = [
    {"level_from": "100 V", "wait": "5 s"},
    {"level_to": "1 mV", "wait": "2 s"},
    {"frequency_to": "10 Hz", "wait": "3 s"},
]


@pytest.mark.parametrize(
    ("stimulus", "wait"),
    [
        (Dc(level_v=1.0), 3.0),  # no frequency: a line for slow signals holds for it too
        (Dc(level_v=-150.0), 5.0),  # by size; of two lines that hold the longer wait
        (Dc(level_v=1e-3), 3.0),
        (Sine(level_vpp=1.0, frequency_hz=1e3), 0.05),
        (Sine(level_vpp=100.0, frequency_hz=1e3), 5.0),
        (TimeMarks(level_vpp=1.0, period_s=0.5), 3.0),
        (TimeMarks(level_vpp=1.0, period_s=1e-6), 0.05),
        (NoSignal(), 5.0),
    ],
)
def test_a_source_waits_as_its_table_says_and_else_as_settle_says(stimulus: Stimulus, wait: float) -> None:
    assert wait_s(a_bench_with(calibrator={"settle": "50 ms", "settling": LINES}), a_step(stimulus)) == wait


def test_the_slowest_that_takes_part_is_waited_for() -> None:
    setup = a_bench_with(
        calibrator={"settle": "50 ms"},
        unit={"settle": "20 ms", "settling": [{"volts_per_div_to": "10 mV", "wait": "1 s"}]},
        counter={"settle": "4 s"},
        generator={"settle": "9 s"},
    )
    assert wait_s(setup, a_step()) == 0.05
    assert wait_s(setup, a_step(volts_per_div=0.01)) == 1.0
    assert wait_s(setup, a_step(with_counter=True)) == 4.0


def test_a_rehearsal_reckons_with_the_second_reading() -> None:
    slow = {"calibrator": {"settle": "2 s"}}
    assert planned_s(a_bench_with(**slow), a_step()) == 2.0
    assert planned_s(a_bench_with({"settled_within": "0.1 div"}, **slow), a_step()) == 4.0


# --- readings that must agree ------------------------------------------------------------------------------------


class Slow(FakeDriver):
    """A display whose readings come from a list, the last for ever."""

    def __init__(self, readings: Sequence[Reading]) -> None:
        super().__init__("unit")
        self.readings, self.asked = list(readings), 0

    def read(self, _step: Measure) -> Reading:
        self.asked += 1
        return self.readings.pop(0) if len(self.readings) > 1 else self.readings[0]


def read(
    values: Sequence[float | None], *, step: Measure | None = None, by: str = "10 s", wait: str = "1 s"
) -> tuple[Reading, Slow, float, list[tuple[str, str]]]:
    events: list[tuple[str, str]] = []
    clock = VirtualClock()
    setup = a_bench_with({"settled_within": "0.1 div", "settled_by": by}, calibrator={"settle": wait})
    screen = Slow([Reading(value=v, status="read" if v is not None else "off_screen") for v in values])
    drivers: dict[Any, Any] = {"calibrator": FakeDriver("calibrator"), "unit": screen}
    bench = LiveBench(
        setup, drivers, operator=FakePerson(), clock=clock, on_event=lambda what, text: events.append((what, text))
    )
    bench.perform(CONNECTED)
    reading = bench.perform(step or a_step())
    assert isinstance(reading, Reading)
    return reading, screen, clock.now(), events


def test_the_last_of_two_readings_that_agree_counts() -> None:
    reading, screen, took_s, events = read([4.0, 4.6, 4.9, 4.95, 4.97])
    assert (reading.value, reading.flags, reading.scatter) == (4.95, (), None)
    assert (screen.asked, took_s, events) == (4, 4.0, [])  # one wait before each reading


def test_what_never_stands_still_is_marked_and_told_and_its_last_step_counts_as_scatter() -> None:
    walking = [0.2 * n for n in range(40)]
    reading, screen, took_s, events = read(walking)
    assert screen.asked == 11  # ten waits of a second
    assert took_s == 11.0
    assert reading.flags == (NOT_SETTLED,)
    assert reading.value == pytest.approx(2.0)
    assert reading.scatter == pytest.approx(0.2)
    (event,) = events
    assert event[0] == NOT_SETTLED
    assert "unit, channel 1, 100 mV/div: 11 readings in 10 s never agreed within 0.1 div" in event[1]
    assert "1.8 div and 2 div" in event[1]


def test_readings_without_a_wait_are_bounded_by_their_number() -> None:
    walking = [0.2 * n for n in range(400)]
    reading, screen, _, _ = read(walking, wait="0 s")
    assert screen.asked == settling.MOST_READINGS
    assert reading.flags == (NOT_SETTLED,)


def test_a_trace_that_comes_onto_the_screen_is_waited_for_and_one_that_stays_off_is_not() -> None:
    assert read([None, 7.0, 6.9])[0].value == 6.9
    reading, screen, _, events = read([None, None])
    assert (reading.status, screen.asked, events) == ("off_screen", 2, [])


def test_a_repeat_settles_by_itself_so_that_a_resumed_run_reads_alike() -> None:
    setup = a_bench_with({"settled_within": "0.1 div"}, calibrator={"settle": "1 s"})
    screen = Slow([Reading(value=5.0)])
    drivers: dict[Any, Any] = {"calibrator": FakeDriver("calibrator"), "unit": screen}
    bench = LiveBench(setup, drivers, operator=FakePerson(), clock=VirtualClock())
    bench.perform(CONNECTED)
    for repeat in range(3):
        bench.perform(a_step(repeat=repeat))
    assert screen.asked == 6


def test_a_rise_time_is_compared_in_divisions_of_its_sweep_and_a_ratio_is_read_once() -> None:
    setup = a_bench_with({"settled_within": "0.1 div"})
    rise = settling.criterion(setup, replace(a_step(), quantity="rise_time"))
    assert rise == Criterion(within=pytest.approx(1e-4), by_s=30.0, apart_s=0.0)
    assert settling.criterion(setup, replace(a_step(), quantity="overshoot")) is None
    assert settling.criterion(a_setup(settled_within="0.1 div"), a_step()) is None  # read by eye


def test_agreeing_readings_scatter_no_more_than_the_budget_says() -> None:
    """Docs/uncertainty.md, section 10: unbiased, variance from σ²/2 to σ²; 95.45 % agree at W = 2√2 σ (erf √2)."""
    rng = np.random.default_rng(4)
    pairs = rng.standard_normal((50_000, 2))
    for within, share, low, high in ((2 * math.sqrt(2), math.erf(math.sqrt(2)), 0.87, 0.9), (0.2, None, 0.49, 0.52)):
        wanted = Criterion(within=within, by_s=1.0, apart_s=1.0)
        kept = [b for a, b in pairs.tolist() if settling.agree(Reading(value=a), Reading(value=b), wanted)]
        assert abs(np.mean(kept)) < 5 / math.sqrt(len(kept))
        assert low < np.var(kept) < high
        if share is not None:
            assert len(kept) / len(pairs) == pytest.approx(share, abs=0.004)


def test_a_connection_by_switch_settles_too() -> None:
    clock = VirtualClock()
    setup = a_bench_with()
    paths = {"lead": setup.bench.paths["lead"].model_copy(update={"routes": {"unit-1": "(@101)"}})}
    switched = Bench.model_validate({"name": "x", "switch": {"address": "GPIB0::3::INSTR", "settle": "20 ms"}}).switch
    setup = replace(setup, bench=setup.bench.model_copy(update={"switch": switched, "paths": paths}))

    class Switch(FakeDriver):
        def route(self, channels: str) -> None:
            self.said.append((self.name, channels))

    switch = Switch("switch")
    bench = LiveBench(setup, {"switch": switch}, operator=FakePerson(), clock=clock)  # type: ignore[dict-item]  # a double
    bench.perform(CONNECTED)
    assert switch.said == [("switch", "(@101)")]
    assert clock.now() == pytest.approx(0.02)
