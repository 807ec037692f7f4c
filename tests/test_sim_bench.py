"""The simulated bench as a file: what it accepts, what it says about mistakes, profiles as data, the hidden truth."""

from __future__ import annotations

import datetime as dt
import math
import re
from importlib.resources import files
from pathlib import Path

import pytest
from pyvisa.rname import ResourceName

from harness.errors import ConfigError, InstrumentError
from harness.sim import bench_file, dialect, profile, truth
from harness.sim.bench import SimulatedBench, full_address
from harness.sim.clock import VirtualClock
from harness.sim.eyes import Eyes
from harness.sim.faults import FAULTS, FaultPlan
from harness.sim.picture import rows
from harness.steps import Dc, Measure, Sine, Square, View

DEMO = Path(__file__).parent.parent / "demo" / "brackwater"


def write(folder: Path, text: str, name: str = "bench_sim.toml") -> Path:
    path = folder / name
    path.write_text(text, "utf-8")
    return path


def problems(folder: Path, text: str) -> tuple[str, ...]:
    with pytest.raises(ConfigError) as caught:
        SimulatedBench.load(write(folder, text))
    return caught.value.problems


# --- files ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["bench_sim.toml", "hand_bench_sim.toml"])
def test_the_demo_loads(name: str) -> None:
    bench = SimulatedBench.load(DEMO / name)
    assert bench.outputs_on() == ()
    assert set(bench.devices) == set(bench.addresses)


@pytest.mark.parametrize("name", profile.shipped())
def test_every_shipped_profile_loads_and_says_what_it_is(name: str) -> None:
    loaded = profile.load(name, Path("x.toml"), "unit.profile")
    assert loaded.maker in ("Northfen", "Aldermoor")
    assert (files("sim_profiles") / f"{name}.toml").read_text("utf-8").startswith("# ")


SCOPE = "[unit]\nprofile = 'aldermoor_digital_scope'\n"
CHANNEL = f"{SCOPE}[[unit.truth.channel]]\n"
ROUTES = """
[generator]
profile = 'northfen_generator'
address = 'GPIB0::1::INSTR'
[switch]
profile = 'northfen_switch'
address = 'GPIB0::2::INSTR'
[switch.routes]
1 = { path = 'lead', source = 'generator', display = 'unit' }
"""
MISTAKES = [
    ("sed = 1", "sed", "unknown key"),
    ("[unit]\nprofile = 'aldermoor_digital_scop'", "unit.profile", "expected one of aldermoor_analogue_scope,"),
    ("[unit]\naddress = 'GPIB0::1::INSTR'", "unit.profile", "missing"),
    ("[unit]\nprofile = 'northfen_counter'", "unit.profile", "is a counter; the unit must be a scope"),
    ("[unit]\nprofile = 'gone.toml'", "gone.toml", "there is no such file"),
    (f"{SCOPE}address = 'GPIB0'", "unit.address", "no VISA address"),
    (
        "[unit]\nprofile = 'aldermoor_analogue_scope'\naddress = 'GPIB0::1::INSTR'",
        "unit.address",
        "no remote interface",
    ),
    (SCOPE + "truth = { noise = '0.02 V' }", "unit.truth: noise", "expected divisions"),
    (f"{CHANNEL}bandwidth = '1 MHz'", "unit.truth: channel.0.bandwidth", "unknown key"),
    (CHANNEL + "response.stages = [{ kind = 'pair', at = '1 MHz' }]", "response.stages.0", "a pair needs the key 'q'"),
    (f"{CHANNEL}response = {{ stages = [], half_power = '1 MHz' }}", "channel.0.response", "no half-power frequency"),
    ("[counter]\nprofile = 'northfen_counter'\naddress = 'GPIB0::1::INSTR'", "counter.counts", "no source"),
    ("[eyes]\nresolution = '0 div'", "eyes.resolution", "greater than 0"),
    ("[faults]\nrate = '120 %'", "faults.rate", "less than or equal to 1"),
    ("[faults]\nkinds = ['explosion']", "faults.kinds.0", "'explosion'"),
    ("[paths.lead]\ntermination = 50", "paths.lead.termination", "has no unit"),
    ("name = ", "bench_sim.toml:1", "this value cannot be read"),
    (ROUTES, "switch.routes.1", "no path 'lead'"),
    (ROUTES.replace("'unit'", "'left'"), "switch.routes.1.display", "expected one of unit, reference"),
    (
        "[positions.left]\nprofile = 'northfen_counter'",
        "positions.left.profile",
        "is a counter; the left must be a scope",
    ),
    ("[positions.left]\nprofile = 'aldermoor_digital_scope'\naddress = 'GPIB0'", "positions.left.address", "no VISA"),
]


@pytest.mark.parametrize(("text", "key", "said"), MISTAKES)
def test_every_mistake_is_named_with_its_file_and_key(tmp_path: Path, text: str, key: str, said: str) -> None:
    found = problems(tmp_path, text)
    assert len(found) == 1
    assert "bench_sim.toml" in found[0] or "gone.toml" in found[0]
    assert key in found[0]
    assert said in found[0]


def test_all_problems_at_once(tmp_path: Path) -> None:
    found = problems(tmp_path, "sed = 1\n[eyes]\nslip = '200 %'\n[paths.lead]\ncapacitance = '1 V'")
    assert len(found) == 3


def test_two_instruments_cannot_share_an_address(tmp_path: Path) -> None:
    found = problems(
        tmp_path,
        "[generator]\nprofile = 'northfen_generator'\naddress = 'GPIB::9'\n"
        "[counter]\nprofile = 'northfen_counter'\naddress = 'GPIB0::9::INSTR'",
    )
    assert "taken by another" in found[0]


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ('"freq" = { sets = "frequency_hz", unit = "Hz" }', "is not a header"),
        ('"FREQuency" = { sets = "frequency_mhz", unit = "Hz" }', "a source has nothing named 'frequency_mhz'"),
        ('"FREQuency" = { sets = "frequency_hz", unit = "Hz", low = 5 }', "has no unit"),
        ('"FREQuency" = { sets = "frequency_hz", unit = "Hz", low = "1 kHz", high = "1 Hz" }', "outside"),
        ('"FREQuency" = { sets = "frequency_hz", answers = "error" }', "exactly one of"),
        ('"SYSTem:ERRor" = { answers = "error" }', "ends in ?"),
        ('"FUNCtion" = { sets = "function", words = { SINus = "sinus" } }', "sinus"),
        ('"*IDN?" = { answers = "error" }', "common commands"),
    ],
)
def test_mistakes_in_a_profile_are_named(tmp_path: Path, line: str, said: str) -> None:
    path = write(tmp_path, f'kind = "source"\nmaker = "Northfen"\nmodel = "X"\n[commands]\n{line}\n', "mine.toml")
    found = problems(tmp_path, "[generator]\nprofile = 'mine.toml'\naddress = 'GPIB0::1::INSTR'")
    assert str(path) in found[0]
    assert said in found[0]


def test_a_copied_profile_can_be_given_other_commands(tmp_path: Path) -> None:
    """What a user does with an unusual instrument: the table is data."""
    text = (files("sim_profiles") / "northfen_generator.toml").read_text("utf-8")
    changed = text.replace('"[SOURce]:FREQuency[:CW]"', '"RADio:FREQuency"').replace('"Nare"', '"Dodman"')
    write(tmp_path, changed, "mine.toml")
    bench = SimulatedBench.load(
        write(
            tmp_path, "[generator]\nprofile = 'mine.toml'\naddress = 'GPIB0::1::INSTR'\nserial = '77'\ngoes_on = false"
        )
    )
    device = bench.devices["generator"]
    assert device.handle(b"*IDN?") == b"Northfen,Dodman,77,1.7"
    assert device.handle(b"RAD:FREQ 1MHZ;:RAD:FREQ?") == b"1.000000000E+06"
    assert device.handle(b"FREQ 1E6;*OPC?") is None  # not listed, and this one does not go on


def test_the_bench_overrides_the_truth_of_a_profile_channel_by_channel(tmp_path: Path) -> None:
    bench = SimulatedBench.load(
        write(tmp_path, "[unit]\nprofile = 'aldermoor_digital_scope'\n[[unit.truth.channel]]\ngain = '2 %'\n")
    )
    assert bench.truth.gain_error(1, 0.1) == 0.02
    assert bench.truth.gain_error(2, 0.1) == -0.008  # the profile's own
    assert bench.truth.half_power_hz(1) == pytest.approx(118e6, rel=1e-6)


# --- the hidden truth ----------------------------------------------------------------------------------------------


def test_the_truth_of_the_demo() -> None:
    true = SimulatedBench.load(DEMO / "bench_sim.toml").truth
    assert true.half_power_hz(1) == pytest.approx(118e6, rel=1e-6)
    assert true.half_power_hz(2) == pytest.approx(92e6, rel=1e-6)
    assert true.gain_error(2, 0.5) == 0.042
    assert true.response_db(1, 118e6) == pytest.approx(true.response_db(1, 1e3) - 3.0103, abs=1e-3)
    out = [
        (channel, size)
        for channel in (1, 2)
        for size in (2e-3, 5e-3, 1e-2, 2e-2, 5e-2, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0)
        if abs(true.gain_error(channel, size)) > 0.03
    ]
    assert out == [(2, 0.5)]
    assert true.half_power_behind_hz(1, "terminated") < true.half_power_hz(1)  # the input's own capacitance
    assert true.rise_time_s(1) == pytest.approx(0.35 / 118e6, rel=0.05)  # common practice for a smooth response
    assert 0 <= true.overshoot(1) < 0.05


def test_finding_the_truth_by_hand_as_a_person_would(tmp_path: Path) -> None:
    """Sweep the levelled sine upwards and look where the trace has fallen to 1/√2."""
    bench = SimulatedBench.load(DEMO / "hand_bench_sim.toml")
    bench.connect("terminated", "generator", "unit", 1)
    bench.set_by_hand("unit", View(channel=1, volts_per_div=0.1, s_per_div=1e-6))

    def height(frequency_hz: float) -> float:
        bench.apply_by_hand("generator", Sine(level_vpp=0.6, frequency_hz=frequency_hz))
        low, high = bench.world.look("unit", 1).extremes_div()
        return high - low

    low, high = 1e6, 2e8
    wanted = height(5e4) * math.sqrt(0.5)
    for _ in range(60):
        middle = math.sqrt(low * high)
        low, high = (middle, high) if height(middle) > wanted else (low, middle)
    # The generator's flatness, uncorrected here, is within 0.06 dB: under 1 % of the frequency.
    assert low == pytest.approx(bench.truth.half_power_behind_hz(1, "terminated"), rel=0.01)


# --- hands ---------------------------------------------------------------------------------------------------------


def test_hands_do_only_what_the_instruments_can() -> None:
    bench = SimulatedBench.load(DEMO / "hand_bench_sim.toml")
    assert bench.is_manual("calibrator")
    assert bench.is_manual("unit")
    assert not bench.is_manual("generator")
    bench.apply_by_hand("calibrator", Square(level_vpp=1.0, frequency_hz=1e3))
    assert bench.outputs_on() == ("calibrator",)
    with pytest.raises(InstrumentError, match="no level of 5 V"):
        bench.apply_by_hand("calibrator", Dc(level_v=5.0))
    assert bench.outputs_on() == ()
    with pytest.raises(InstrumentError, match=r"no range of 0\.3 V/div"):
        bench.set_by_hand("unit", View(channel=1, volts_per_div=0.3, s_per_div=1e-3))
    with pytest.raises(InstrumentError, match="no path 'rope'"):
        bench.connect("rope", "calibrator", "unit", 1)
    with pytest.raises(InstrumentError, match="no channel 3"):
        bench.connect("lead", "calibrator", "unit", 3)
    bench.apply_by_hand("calibrator", Dc(level_v=1.0))
    bench.off_by_hand("calibrator")
    assert bench.outputs_on() == ()


def test_the_noise_of_a_step_depends_on_the_step_alone() -> None:
    view = View(channel=1, volts_per_div=0.1, s_per_div=1e-5)
    sine = Sine(level_vpp=0.6, frequency_hz=1e5)
    step = Measure(purpose="search", path="terminated", source="generator", stimulus=sine, display="unit", view=view,
                   quantity="peak_to_peak")  # fmt: skip
    replies = []
    for before in (0, 3):
        bench = SimulatedBench.load(DEMO / "bench_sim.toml")
        unit = bench.devices["unit"]
        unit.handle(b"SENS1:VOLT:RANG:PTP 0.8;:FORM ASC")
        for _ in range(before):
            unit.handle(b"MEAS:VOLT:PTP? (@1)")
        bench.begin(step)
        replies.append([unit.handle(b"INIT;:TRAC? CHAN1"), unit.handle(b"MEAS:VOLT:PTP? (@1)")])
    assert replies[0] == replies[1]


# --- the clock and the picture -------------------------------------------------------------------------------------


def test_the_clock_starts_where_the_file_says_and_moves_only_by_sleep(tmp_path: Path) -> None:
    bench = SimulatedBench.load(write(tmp_path, "start = 2031-05-04T18:00:00Z"))
    assert bench.clock.utc() == dt.datetime(2031, 5, 4, 18, tzinfo=dt.UTC)
    bench.clock.sleep(3600)
    bench.clock.sleep(-5)
    assert bench.clock.now() == 3600
    assert bench.clock.utc() == dt.datetime(2031, 5, 4, 19, tzinfo=dt.UTC)
    assert abs((VirtualClock().utc() - dt.datetime.now(dt.UTC)).total_seconds()) < 5


def test_the_picture_shows_what_the_unit_shows() -> None:
    bench = SimulatedBench.load(DEMO / "hand_bench_sim.toml")
    bench.connect("lead", "calibrator", "unit", 2)
    bench.set_by_hand("unit", View(channel=2, volts_per_div=0.2, s_per_div=1e-3, ground_line_div=-2.0))
    dark = bench.picture(61, 17)
    assert len(dark) == 17
    assert {len(row) for row in dark} == {61}
    traces = [number for number, row in enumerate(dark) if any(character >= "\u2800" for character in row)]
    assert traces == [12]  # the ground line, two divisions below the centre of 17 rows
    bench.apply_by_hand("calibrator", Dc(level_v=1.0))
    lit = bench.picture(61, 17)
    traces = [number for number, row in enumerate(lit) if any(character >= "\u2800" for character in row)]
    assert traces == [2]  # five divisions higher
    bench.set_by_hand("unit", View(channel=2, volts_per_div=0.1, s_per_div=1e-3, ground_line_div=-2.0))
    off = bench.picture(61, 17)
    assert not any(character >= "\u2800" for row in off for character in row)
    screen = bench.world.screens["unit"]
    assert rows(bench.world.look("unit", 2), screen, time_error=0.0, width=61, height=17) == off


# --- the description -----------------------------------------------------------------------------------------------


def test_the_description_names_every_key_and_every_fault() -> None:
    text = (DEMO.parent.parent / "docs" / "simulated_bench.md").read_text("utf-8")
    models = (
        bench_file.BenchFile, bench_file.InstrumentEntry, bench_file.Route, Eyes, FaultPlan, truth.SourceTruth,
        truth.CounterTruth, truth.ChannelTruth, truth.TriggerTruth, truth.OutputTruth, truth.ScreenTruth,
        truth.MeterTruth, truth.RoomTruth, truth.PathTruth, truth.Stage, truth.ResponseTruth, profile.Profile,
        profile.ProfileCommand, profile.Output, profile.ScreenSize, dialect.SimulatedDialect,
    )  # fmt: skip
    words = set(re.findall(r"[a-z_0-9]+", text))
    assert [(m.__name__, key) for m in models for key in m.model_fields if key not in words] == []
    assert [name for kind in profile.KNOWN.values() for names in kind.values() for name in names - words] == []
    assert [fault for fault in FAULTS if f"`{fault}`" not in text] == []
    assert [name for name in profile.shipped() if f"`{name}`" not in text] == []


@pytest.mark.parametrize(
    "address",
    [
        "GPIB0::9::INSTR", "GPIB12::09::INSTR", "TCPIP0::192.0.2.21::5025::SOCKET", "TCPIP1::Scope-1.lab::1::SOCKET",
        "gpib::9", "TCPIP::192.0.2.21::INSTR", "TCPIP0::192.0.2.21::inst0::INSTR", "ASRL3", "GPIB0::9::3",
    ],
)  # fmt: skip
def test_an_address_stands_in_full_as_pyvisa_has_it(address):
    assert full_address(address) == str(ResourceName.from_string(address))
