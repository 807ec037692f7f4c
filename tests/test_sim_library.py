"""The simulated instruments through pyvisa in this process, and the names of pyvisa-sim that this leans on."""

from __future__ import annotations

import inspect
from pathlib import Path

import numpy as np
import pytest
import pyvisa
from pyvisa.constants import StatusCode
from pyvisa.errors import VisaIOError
from pyvisa_sim.devices import Device, Devices
from pyvisa_sim.highlevel import SimVisaLibrary

from harness.sim.bench import SimulatedBench
from harness.sim.faults import FaultPlan

DEMO = Path(__file__).parent.parent / "demo" / "brackwater" / "bench_sim.toml"


@pytest.fixture
def bench() -> SimulatedBench:
    return SimulatedBench.load(DEMO)


def opened(bench: SimulatedBench, role: str, timeout: int = 2000) -> pyvisa.resources.MessageBasedResource:
    return bench.resource_manager().open_resource(
        bench.addresses[role], read_termination="\n", write_termination="\n", timeout=timeout
    )


def test_the_public_names_of_pyvisa_sim_that_we_build_on() -> None:
    """A contract: if one of these goes, the library has to be looked at, not only this test."""
    for name in (
        "_init",
        "open",
        "close",
        "read",
        "write",
        "clear",
        "read_stb",
        "get_attribute",
        "handle_return_value",
    ):
        assert callable(getattr(SimVisaLibrary, name)), name
    assert list(inspect.signature(SimVisaLibrary.read).parameters) == ["self", "session", "count"]
    assert list(inspect.signature(SimVisaLibrary.write).parameters) == ["self", "session", "data"]
    assert list(inspect.signature(SimVisaLibrary.open).parameters)[:3] == ["self", "session", "resource_name"]
    assert list(inspect.signature(Device.__init__).parameters) == ["self", "name", "delimiter"]
    assert list(inspect.signature(Devices.add_device).parameters) == ["self", "resource_name", "device"]


def test_every_instrument_answers_to_its_name(bench: SimulatedBench) -> None:
    manager = bench.resource_manager()
    assert set(manager.list_resources("?*")) == set(bench.addresses.values())
    identities = {role: opened(bench, role).query("*IDN?") for role in bench.addresses}
    assert identities["unit"] == "Aldermoor,Egret,Egret-3071,1.08"
    assert identities["generator"].startswith("Northfen,Nare,")


def test_a_calibrator_level_shows_on_the_unit(bench: SimulatedBench) -> None:
    opened(bench, "switch").query("ROUT:CLOS (@101);*OPC?")
    opened(bench, "calibrator").query("SOUR:FUNC DC;:SOUR:VOLT 3;:OUTP ON;*OPC?")
    unit = opened(bench, "unit")
    unit.query("SENS1:VOLT:RANG:PTP 8;*OPC?")
    true = bench.truth.gain_error(1, 1.0), bench.truth.offset_div(1)
    assert float(unit.query("MEAS:VOLT? (@1)")) == pytest.approx(3 * (1 + true[0]) + true[1] * 1.0, rel=2e-3)
    assert unit.query("SYST:ERR?") == '0,"No error"'
    assert bench.outputs_on() == ("calibrator",)
    opened(bench, "calibrator").query("OUTP OFF;*OPC?")
    assert bench.outputs_on() == ()


@pytest.mark.parametrize(
    ("form", "border"), [("REAL,32", "NORM"), ("REAL,64", "NORM"), ("REAL,32", "SWAP"), ("ASC", "NORM")]
)
def test_a_record_in_every_format_is_the_same(bench: SimulatedBench, form: str, border: str) -> None:
    opened(bench, "switch").query("ROUT:CLOS (@202);*OPC?")
    opened(bench, "generator").query("SOUR:FREQ 1E6;:SOUR:VOLT 0.6;:OUTP ON;*OPC?")
    unit = opened(bench, "unit")
    unit.query(f"SENS1:VOLT:RANG:PTP 0.8;:SENS:SWE:TIME 1E-5;POIN 500;:FORM {form};:FORM:BORD {border};:INIT;*OPC?")
    if form == "ASC":
        volts = np.array(unit.query_ascii_values("TRAC? CHAN1"))
    else:
        kind = "f" if form == "REAL,32" else "d"
        volts = np.array(unit.query_binary_values("TRAC? CHAN1", kind, is_big_endian=border == "NORM"))
    assert volts.size == 500 == int(unit.query("TRAC:POIN? CHAN1"))
    unit.write("FORM REAL,64;:FORM:BORD NORM")
    again = np.array(unit.query_binary_values("TRAC? CHANNEL1", "d", is_big_endian=True))
    assert volts == pytest.approx(again, rel=1e-6)  # one record, asked for twice
    assert unit.query("SYST:ERR?") == '0,"No error"'


def test_a_record_that_was_never_taken_is_stale(bench: SimulatedBench) -> None:
    unit = opened(bench, "unit", timeout=50)
    with pytest.raises(VisaIOError):
        unit.query("TRAC? CHAN1")
    assert unit.query("SYST:ERR?").startswith("-230,")


def test_waiting_costs_time_on_the_bench_and_none_here(bench: SimulatedBench) -> None:
    unit = opened(bench, "unit", timeout=120_000)
    before = bench.clock.now()
    unit.query("SENS:SWE:TIME 50;:INIT;*OPC?")
    assert bench.clock.now() - before >= 50


def test_a_busy_instrument_lets_a_short_time_out_pass_and_its_reply_comes_late(bench: SimulatedBench) -> None:
    generator = opened(bench, "generator", timeout=1)  # a raw socket: the stream keeps what is late
    with pytest.raises(VisaIOError) as caught:
        generator.query("SOUR:FREQ 1E6;*OPC?")
    assert caught.value.error_code == StatusCode.error_timeout == -1073807339
    generator.timeout = 1000
    assert generator.query("*IDN?") == "1"


def test_a_time_out_loses_the_part_that_has_come(bench: SimulatedBench) -> None:
    bench.inject(FaultPlan(rate=1.0, kinds=("cut",), late="3 s"))
    generator = opened(bench, "generator")
    seen = set()
    for _ in range(20):
        with pytest.raises(VisaIOError):
            generator.query("*IDN?")
        bench.clock.sleep(2)
        bench.inject(FaultPlan())
        tail = generator.read()
        assert "Northfen,Nare,Nare-0093,1.7".endswith(tail)
        seen.add(tail)
        bench.inject(FaultPlan(rate=1.0, kinds=("cut",), late="3 s", seed=len(seen) + 7))
        generator = opened(bench, "generator")
    assert len(seen) > 3


def test_a_bus_interrupts_and_says_so(bench: SimulatedBench) -> None:
    """IEEE 488.2, 6.3: a new message discards the reply; a read without a query is an error as well."""
    counter = opened(bench, "counter", timeout=10)
    counter.write("*IDN?")
    assert counter.read_stb() & 16
    counter.write("*ESE?")
    assert counter.read() == "0"
    assert counter.query("SYST:ERR?").startswith("-410,")
    with pytest.raises(VisaIOError):
        counter.read()
    assert counter.query("SYST:ERR?").startswith("-420,")


def test_device_clear_empties_the_buffers_and_keeps_the_status(bench: SimulatedBench) -> None:
    counter = opened(bench, "counter", timeout=10)
    counter.write("BOGUS;*IDN?")
    counter.clear()
    assert not counter.read_stb() & 16
    assert counter.query("SYST:ERR?").startswith("-113,")


def test_device_clear_ends_a_measurement_that_nobody_waits_for(bench: SimulatedBench) -> None:
    counter = opened(bench, "counter", timeout=1000)
    counter.query("SENS:FREQ:APER 100;*OPC?")
    with pytest.raises(VisaIOError):
        counter.query("MEAS:FREQ?")
    counter.clear()
    assert counter.query("*ESE?") == "0"


def test_an_address_that_is_not_there(bench: SimulatedBench) -> None:
    with pytest.raises(VisaIOError) as caught:
        bench.resource_manager().open_resource("GPIB0::30::INSTR")
    assert caught.value.error_code == StatusCode.error_resource_not_found


def test_two_benches_are_two_worlds(bench: SimulatedBench) -> None:
    other = SimulatedBench.load(DEMO)
    opened(bench, "calibrator").query("OUTP ON;*OPC?")
    assert bench.outputs_on() == ("calibrator",)
    assert other.outputs_on() == ()
    assert opened(other, "calibrator").query("OUTP?") == "0"


@pytest.mark.parametrize(
    ("address", "is_bus"),
    [
        ("GPIB0::7::INSTR", True),
        ("TCPIP0::192.0.2.40::inst0::INSTR", True),
        ("TCPIP0::192.0.2.40::hislip0::INSTR", True),
        ("USB0::0x1234::0x5678::SN1::INSTR", True),
        ("ASRL3::INSTR", False),
        ("TCPIP0::192.0.2.40::5025::SOCKET", False),
    ],
)
def test_every_kind_of_address_carries_the_same_talk(tmp_path: Path, address: str, is_bus: bool) -> None:
    """A bus interrupts an unread reply (IEEE 488.2, 6.3); a stream keeps everything in order."""
    file = tmp_path / "one.toml"
    file.write_text(f"[generator]\nprofile = 'northfen_generator'\naddress = '{address}'", "utf-8")
    bench = SimulatedBench.load(file)
    device = opened(bench, "generator")
    assert device.query("*IDN?").startswith("Northfen,Nare")
    device.write("*IDN?")
    device.write("SYST:ERR?")
    first = device.read()
    assert first.startswith("-410") if is_bus else first.startswith("Northfen")


def test_a_serial_line_says_how_much_it_holds(tmp_path: Path) -> None:
    file = tmp_path / "one.toml"
    file.write_text("[generator]\nprofile = 'northfen_generator'\naddress = 'ASRL3::INSTR'", "utf-8")
    device = opened(SimulatedBench.load(file), "generator")
    assert device.bytes_in_buffer == 0
    device.write("*OPC?")
    assert device.bytes_in_buffer == 2


def test_a_level_meter_is_another_reference(tmp_path: Path) -> None:
    """600 mVpp into 50 Ω is 212.1 mV rms, −0.4576 dBm: 20·log10(Vpp/2√2) + 13.0103."""
    file = tmp_path / "meter.toml"
    file.write_text(
        "[generator]\nprofile = 'northfen_generator'\naddress = 'GPIB0::1::INSTR'\ntruth.response.stages = []\n"
        "[reference]\nprofile = 'northfen_level_meter'\naddress = 'GPIB0::2::INSTR'\ntruth.scatter = '0 %'\n"
        "[paths.lead]\n",
        "utf-8",
    )
    bench = SimulatedBench.load(file)
    bench.connect("lead", "generator", "reference", 1)
    opened(bench, "generator").query("SOUR:FREQ 50 KHZ;:SOUR:VOLT 600 MV;:OUTP ON;*OPC?")
    meter = opened(bench, "reference")
    assert float(meter.query("MEAS:VOLT:AC?")) == pytest.approx(0.6 / (2 * 2**0.5), rel=1e-6)
    assert float(meter.query("MEAS:POW?")) == pytest.approx(-0.4576, abs=0.5e-4)
