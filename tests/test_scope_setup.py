"""What a view asks of a display beyond range and sweep is set, confirmed, refused or said, and never passed over."""

from __future__ import annotations

import math
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from drivers.scope import NO_TRIGGER, NOT_REAL_TIME, ScpiScope
from drivers.words import view_parts
from harness import runs as opening
from harness.bench.limits import connection_of, hazards, refusal
from harness.errors import InstrumentError, LinkError
from harness.link.link import Link
from harness.link.port import MemoryPort
from harness.link.visa import VisaPort
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


def driver(bench: SimulatedBench, setup: tuple[str, ...] = (), **commands: str) -> ScpiScope:
    port = VisaPort(bench.addresses["unit"], factory=bench.resource_manager, clock=bench.clock)
    link = Link(port, "unit", clock=bench.clock)
    return ScpiScope(link, UnitLink(commands=commands, setup=setup), UNIT)


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


def test_own_commands_follow_every_preset_and_are_taken_on_trust(bench):
    scope = driver(bench, setup=("INP2:FILT ON",))
    entry = bench.world.screens["unit"].inputs[1]
    scope.preset()
    assert entry.limited
    assert "setup" in scope.on_trust()
    entry.limited = False
    scope.forget()
    bench.devices["unit"].power_cycle()
    with pytest.raises(LinkError):
        scope.check()
    scope.preset()
    assert entry.limited
    with pytest.raises(InstrumentError, match=r"correct 'CH1:INV OFF' in 'setup' of the bench file"):
        driver(bench, setup=("CH1:INV OFF",)).preset()


def test_where_the_position_has_a_command_of_its_own_the_offset_stays(bench):
    link = bench.devices["unit"]
    heard: list[bytes] = []

    def handle(line: bytes) -> bytes | None:
        heard.append(line)
        return link.handle(line)

    port = Link(MemoryPort(handle), "unit", clock=bench.clock)
    own = {"position": ":SENS{channel}:VOLT:RANG:OFFS:POS {position_div}"}
    with pytest.raises(InstrumentError):  # this one has none
        ScpiScope(port, UnitLink(commands=own), UNIT).show(replace(VIEW, ground_line_div=-3.0))
    assert any(b":OFFS 0.0;" in line and b":OFFS:POS -3.0" in line for line in heard)


def test_a_record_that_no_single_sweep_can_have_is_marked(bench):
    """1000 samples over 10 × 20 ns are 5 Gsample/s; the converter takes 1 Gsample/s."""
    fast = replace(SINE, stimulus=Sine(level_vpp=0.6, frequency_hz=20e6), view=replace(VIEW, s_per_div=20e-9))
    assert bench.devices["generator"].handle(b":FREQ 20E6;*OPC?") == b"1"
    told = driver(bench, sample_rate="ACQ:SRAT?")
    assert NOT_REAL_TIME in told.read(fast).flags
    assert told.read(fast).more["sample_rate_hz"] == 1e9
    assert NOT_REAL_TIME not in driver(bench).read(fast).flags  # who cannot say is not asked
    assert bench.devices["generator"].handle(b":FREQ 2E3;*OPC?") == b"1"
    assert NOT_REAL_TIME not in told.read(SINE).flags


def test_a_unit_calibrates_itself_and_says_what_came_of_it(bench):
    assert "went well, in 60 s" in driver(bench).calibrate_itself(600.0)
    with pytest.raises(InstrumentError, match="has not ended its self-calibration within 30 s"):
        driver(bench).calibrate_itself(30.0)
    bench.clock.sleep(60.0)  # it does end
    with pytest.raises(InstrumentError, match=r"no way to calibrate itself; see 'commands\.calibrate'"):
        driver(bench, calibrate="").calibrate_itself(600.0)
    truth = bench.world.screens["unit"].truth
    bench.world.screens["unit"].truth = truth.model_copy(update={"self_calibration": 3})
    with pytest.raises(InstrumentError, match="failed its self-calibration \\(it answers 3"):
        driver(bench).calibrate_itself(600.0)


def test_a_run_whose_unit_file_asks_for_it_begins_with_a_self_calibration(tmp_path):
    lab = Path(shutil.copytree(DEMO.parent, tmp_path / "lab"))
    unit, job = lab / "aldermoor_egret.toml", lab / "one.toml"
    unit.write_text("self_calibration = true\n" + unit.read_text("utf-8"), "utf-8")
    text = (lab / "digital.toml").read_text("utf-8")
    one = 'use = "vertical"\nchannels = [1]\nranges = ["100 mV"]\n'
    job.write_text(text[: text.index("[[sequence]]")] + "[[sequence]]\n" + one, "utf-8")
    result = opening.start(job, tmp_path / "runs")
    assert any("its self-calibration went well" in line for line in result.report.deviations)
    sim = lab / "bench_sim.toml"
    entry = "[unit]\n"
    assert entry in sim.read_text("utf-8")
    sim.write_text(sim.read_text("utf-8").replace(entry, entry + "truth.self_calibration = 3\n"), "utf-8")
    with pytest.raises(InstrumentError, match="failed its self-calibration"):
        opening.start(job, tmp_path / "again")


def test_a_person_is_told_of_unusual_knobs_and_of_their_return():
    asked = replace(VIEW, limited=True, input_ohm=50.0, trigger=Trigger(slope="falling", coupling="low_reject"))
    parts = view_parts(asked)
    assert parts["bandwidth limiter"] == "on"
    assert parts["input"] == "50 Ω"
    assert parts["triggered by"] == "channel 1, falling edge, LF reject, auto"
    assert not {"bandwidth limiter", "input", "triggered by"} & set(view_parts(VIEW))
    assert view_parts(VIEW, parts)["bandwidth limiter"] == "off"
    assert view_parts(VIEW, parts)["triggered by"] == "channel 1, rising edge, DC, auto"


def test_a_record_of_another_length_than_is_set_is_refused(bench):
    """A record of half the points would be spread over the whole sweep, and every time would be doubled."""
    scope = driver(bench, record=":SENS:SWE:POIN 500;:TRAC? CHAN{channel}", start=":SENS:SWE:POIN 500;:INIT")
    with pytest.raises(InstrumentError, match="sends a record of 500 samples and says that it is set to 1000"):
        scope.read(SINE)
