"""What a view asks of a display beyond range and sweep is set, confirmed, refused or said, and never passed over."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from drivers.scope import NO_TRIGGER, ScpiScope
from drivers.words import view_parts
from harness.bench.limits import connection_of, hazards, refusal
from harness.link.link import Link
from harness.link.port import MemoryPort
from harness.models import Unit, UnitLink
from harness.sim.bench import SimulatedBench
from harness.steps import Measure, Sine, Trigger, View
from tests.helpers.setups import a_setup

DEMO = Path(__file__).parent.parent / "demo" / "brackwater" / "bench_sim.toml"
UNIT = Unit.model_validate(
    {"maker": "Aldermoor", "model": "Heron", "volts_per_div": ["0.1 V"], "bandwidth": "100 MHz",
     "input": {"maximum": "300 V"}, "read": "remote"}
)  # fmt: skip
VIEW = View(channel=1, volts_per_div=0.1, s_per_div=1e-4)
SINE = Measure(
    purpose="x", path="terminated", source="generator", stimulus=Sine(level_vpp=0.6, frequency_hz=2e3), display="unit",
    view=VIEW, quantity="peak_to_peak",
)  # fmt: skip


@pytest.fixture
def bench() -> SimulatedBench:
    bench = SimulatedBench.load(DEMO)
    bench.connect("terminated", "generator", "unit", 1)
    assert (
        bench.devices["generator"].handle(b":FUNC SIN;:VOLT 0.6;:FREQ 2000;:OUTP ON;*OPC?;:SYST:ERR?")
        == b'1;0,"No error"'
    )
    return bench


def driver(bench: SimulatedBench, **commands: str) -> ScpiScope:
    link = Link(MemoryPort(bench.devices["unit"].handle), "unit", clock=bench.clock)
    return ScpiScope(link, UnitLink(commands=commands), UNIT)


def test_limiter_and_input_are_set_as_the_view_says_and_back(bench):
    scope, entry = driver(bench), bench.world.screens["unit"].inputs[0]
    scope.show(replace(VIEW, limited=True, input_ohm=50.0))
    scope.check()
    assert (entry.limited, entry.input_ohm) == (True, 50.0)
    scope.show(VIEW)
    scope.check()
    assert (entry.limited, entry.input_ohm) == (False, None)


def test_the_trigger_is_that_of_the_channel_shown_and_whatever_a_view_says(bench):
    scope, knobs = driver(bench), bench.world.screens["unit"].knobs
    scope.show(replace(VIEW, channel=2))
    assert (bench.world.screens["unit"].knobs.source, knobs.slope) == ("2", "rising")
    asked = Trigger(source="external", slope="falling", coupling="high_reject", level_v=0.2, normal=True)
    scope.show(replace(VIEW, trigger=asked))
    scope.check()
    held = bench.world.screens["unit"].knobs
    assert (held.source, held.slope, held.coupling, held.high_reject) == ("external", "falling", "dc", True)
    assert (held.free_runs, held.middle, held.level_v) == (False, False, 0.2)


@pytest.mark.parametrize("slope", ["rising", "falling"])
@pytest.mark.parametrize("level_v", [-0.2, 0.0, 0.25])
def test_a_sweep_begins_where_level_and_slope_say(bench, slope, level_v):
    """What an edge trigger is: amid the record the signal crosses the level, in the direction of the slope."""
    scope = driver(bench)
    scope.show(replace(VIEW, trigger=Trigger(slope=slope, level_v=level_v, normal=True)))
    assert bench.devices["unit"].handle(b":FORM ASC;:INIT;:TRAC? CHAN1") is not None
    volts = np.fromstring(bench.devices["unit"].handle(b":TRAC? CHAN1"), sep=",")
    middle = volts.size // 2
    rises = volts[middle + 20 :][:20].mean() - volts[middle - 40 : middle - 20].mean()
    assert volts[middle] == pytest.approx(level_v, abs=0.02)
    assert rises * (1 if slope == "rising" else -1) > 0


def test_a_trigger_that_stays_away_is_waited_for_so_long_and_read_as_none(bench):
    scope = driver(bench)
    beyond = replace(SINE, view=replace(VIEW, trigger=Trigger(level_v=0.35, normal=True)))
    began_s = bench.clock.now()
    reading = scope.read(beyond)
    assert (reading.status, reading.flags, reading.value) == ("no_signal", (NO_TRIGGER,), None)
    assert bench.clock.now() - began_s < 1.0
    scope.check()  # nothing waits any more
    within = replace(SINE, view=replace(VIEW, trigger=Trigger(level_v=0.2, normal=True)))
    assert scope.read(within).value == pytest.approx(6.0, rel=0.02)


def test_one_that_cannot_say_that_it_waits_is_no_trigger_to_wait_for(bench):
    with pytest.raises(Exception, match=r"commands\.waits_is"):
        driver(bench, waits_is="").read(replace(SINE, view=replace(VIEW, trigger=Trigger(normal=True))))


@pytest.mark.parametrize(
    ("view", "override", "said"),
    [
        ({"limited": True}, {"limiter": ":CH{channel}:BWL OFF"}, "the bandwidth limiter on"),
        ({"input_ohm": 50.0}, {"input": ""}, "an input of 50 ohm"),
        ({"trigger": Trigger(source="external")}, {"trigger_source": ""}, "the external trigger"),
        ({"trigger": Trigger(normal=True)}, {"trigger_mode": ""}, "no sweep without a trigger"),
        ({"trigger": Trigger(level_v=0.1)}, {"trigger_level": ""}, "a trigger level"),
    ],
)
def test_what_no_command_sets_is_refused_beforehand(view, override, said):
    setup = a_setup()
    link = UnitLink(address="GPIB0::1::INSTR", commands=override)
    setup = replace(
        setup,
        bench=setup.bench.model_copy(update={"unit": link}),
        unit=setup.unit.model_copy(update={"read": "remote"}),
    )
    step = replace(SINE, view=replace(VIEW, **view))
    assert said in refusal(step, connection_of(step), setup)
    assert f"unit.commands.{next(iter(override))}" in refusal(step, connection_of(step), setup)
    usual = replace(SINE, view=VIEW)
    assert refusal(usual, connection_of(usual), setup) == ""
    by_eye = replace(setup, unit=setup.unit.model_copy(update={"read": "eye"}))
    assert refusal(step, connection_of(step), by_eye) == ""  # a person finds the knob


def test_an_input_switched_to_fifty_ohm_turns_what_is_applied_into_heat():
    """V²/R, as of any other input that ends a line: without a rating nothing may be applied."""
    lead = replace(SINE, path="lead", source="calibrator")
    step = replace(lead, view=replace(VIEW, input_ohm=50.0))
    assert [hazard.kind for hazard in hazards(step, a_setup())] == ["rating"]
    assert "maximum_rms" in hazards(step, a_setup())[0].sentence
    assert hazards(lead, a_setup()) == []
    nonsense = replace(SINE, view=replace(VIEW, input_ohm=math.nan))
    assert "input_ohm" in refusal(nonsense, connection_of(nonsense), a_setup())
    nonsense = replace(SINE, view=replace(VIEW, trigger=Trigger(level_v=math.inf)))
    assert "level_v" in refusal(nonsense, connection_of(nonsense), a_setup())


def test_a_person_is_told_of_unusual_knobs_and_of_their_return():
    asked = replace(VIEW, limited=True, input_ohm=50.0, trigger=Trigger(slope="falling", coupling="low_reject"))
    parts = view_parts(asked)
    assert parts["bandwidth limiter"] == "on"
    assert parts["input"] == "50 Ω"
    assert parts["triggered by"] == "channel 1, falling edge, LF reject, auto"
    assert not {"bandwidth limiter", "input", "triggered by"} & set(view_parts(VIEW))
    assert view_parts(VIEW, parts)["bandwidth limiter"] == "off"
    assert view_parts(VIEW, parts)["triggered by"] == "channel 1, rising edge, DC, auto"
