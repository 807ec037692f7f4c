"""The adapter to pyvisa: addresses, foreign exceptions, loopback TCP and a serial line over a pseudo-terminal."""

from __future__ import annotations

import socket
import subprocess
import sys

import pytest
from pyvisa.constants import StatusCode
from pyvisa.errors import InvalidSession, VisaIOError

from harness.errors import ConfigError, InstrumentError, LinkError
from harness.link.interfaces import interface_of
from harness.link.link import Link, LinkDown, repeat_point
from harness.link.port import PortError
from harness.link.visa import LONGEST_LINE, VisaPort, open_link, resource_manager
from harness.models import Generator, SerialLine
from harness.words.clock import RealClock
from tests.helpers.link_double import Double, TcpDouble, Trouble, WaitingClock
from tests.helpers.serial_double import SerialDouble

SI = {"si": True}


@pytest.mark.parametrize(
    ("address", "name", "way_back"),
    [
        ("TCPIP0::192.0.2.11::5025::SOCKET", "raw socket", "reopen"),
        ("TCPIP::scope.example::5025::SOCKET", "raw socket", "reopen"),
        ("TCPIP0::192.0.2.11::hislip0::INSTR", "HiSLIP", "device clear"),
        ("TCPIP0::192.0.2.11::hislip0,4881::INSTR", "HiSLIP", "device clear"),
        ("TCPIP0::192.0.2.11::inst0::INSTR", "VXI-11", "device clear"),
        ("TCPIP0::192.0.2.11::INSTR", "VXI-11", "device clear"),
        ("GPIB0::9::INSTR", "GPIB", "device clear"),
        ("gpib0::9::2::instr", "GPIB", "device clear"),
        ("USB0::0x1234::0x5678::SN1::INSTR", "USBTMC", "device clear"),
        ("USB0::4660::22136::SN1::0::INSTR", "USBTMC", "device clear"),
        ("ASRL3::INSTR", "serial", "quiet window"),
        ("ASRL/dev/ttyUSB0::INSTR", "serial", "quiet window"),
    ],
)
def test_the_interface_is_told_from_the_address(address, name, way_back):
    interface = interface_of(address)
    assert (interface.name, interface.way_back) == (name, way_back)


@pytest.mark.parametrize("address", ["TCPIP0::192.0.2.10::5025::", "TCPIP0::192.0.2.10::5025", "TCPIP::h::5025::INSTR"])
def test_a_forgotten_socket_is_refused_with_the_right_address(address):
    """VISA takes the number for the name of a VXI-11 device, and waits for it in vain."""
    with pytest.raises(ConfigError, match=r"write 'TCPIP0?::\S+::5025::SOCKET'"):
        interface_of(address)


@pytest.mark.parametrize("address", ["", "192.0.2.10", "TCPIP", "COM3", "GPIB0::INSTR", "USB0::SN1"])
def test_what_is_no_address_is_refused_with_examples(address):
    with pytest.raises(ConfigError, match="expected one such as"):
        interface_of(address)


class Resource:
    """A pyvisa resource that fails as told."""

    session, bytes_in_buffer = 1, 0

    def __init__(self, fail=None, chunks=(b"1\n",)):
        self.fail, self.chunks, self.closed = fail, list(chunks), False
        self.timeout = 0

    def write_raw(self, message):
        if self.fail:
            raise self.fail

    def read_bytes(self, count, chunk_size=None, break_on_termchar=False):
        if self.fail:
            raise self.fail
        return self.chunks.pop(0) if len(self.chunks) > 1 else self.chunks[0]

    def clear(self):
        if self.fail:
            raise self.fail

    def close(self):
        self.closed = True
        if self.fail:
            raise self.fail


class Manager:
    def __init__(self, resource=None, fail=None):
        self.resource, self.fail, self.opened = resource or Resource(), fail, 0
        self.visalib = object()

    def open_resource(self, address, **_options):
        if self.fail:
            raise self.fail
        self.opened += 1
        return self.resource

    def list_resources(self):
        return ("GPIB0::9::INSTR",)


FOREIGN = [
    VisaIOError(StatusCode.error_timeout),
    VisaIOError(StatusCode.error_connection_lost),
    InvalidSession(),
    OSError(32, "Broken pipe"),
    ConnectionResetError(),
    RuntimeError("no lock"),
    Exception("could not connect"),
    UnicodeDecodeError("ascii", b"\xff", 0, 1, "ordinal not in range"),
    ValueError("unknown"),
    NotImplementedError(),
    KeyError("attribute"),
]


@pytest.mark.parametrize("error", FOREIGN, ids=lambda error: type(error).__name__)
def test_every_foreign_exception_ends_in_the_adapter(error):
    resource = Resource()
    port = VisaPort("GPIB0::9::INSTR", factory=lambda: Manager(resource), clock=WaitingClock())
    port.reopen()
    resource.fail = error
    for call in (
        lambda: port.write(b"*IDN?"),
        lambda: port.read_line(1.0),
        lambda: port.read_bytes(4, 1.0),
        lambda: port.read_rest(1.0),
        port.clear,
    ):
        with pytest.raises(PortError):
            call()
    port.close()  # never fails
    assert resource.closed
    shut = VisaPort("GPIB0::9::INSTR", factory=lambda: Manager(fail=error), clock=WaitingClock())
    with pytest.raises(PortError):
        shut.reopen()


def test_an_interrupt_is_nobody_elses():
    resource = Resource()
    port = VisaPort("GPIB0::9::INSTR", factory=lambda: Manager(resource), clock=WaitingClock())
    port.reopen()
    resource.fail = KeyboardInterrupt()
    with pytest.raises(KeyboardInterrupt):
        port.read_line(1.0)


def test_a_port_that_is_closed_says_so():
    port = VisaPort("GPIB0::9::INSTR", factory=Manager, clock=WaitingClock())
    with pytest.raises(PortError, match="closed"):
        port.write(b"*IDN?")


def test_a_line_without_end_is_bounded_in_length():
    endless = Resource(chunks=[b"x" * 256])
    port = VisaPort("TCPIP::h::1::SOCKET", factory=lambda: Manager(endless), clock=WaitingClock())
    port.reopen()
    with pytest.raises(PortError, match=f"{LONGEST_LINE} bytes"):
        port.read_line(1.0)


def test_a_line_that_dribbles_is_bounded_in_time():
    clock = WaitingClock()

    class Dribbling(Resource):
        def read_bytes(self, count, chunk_size=None, break_on_termchar=False):
            clock.sleep(0.4)
            return b"x"

    port = VisaPort("TCPIP::h::1::SOCKET", factory=lambda: Manager(Dribbling()), clock=clock)
    port.reopen()
    with pytest.raises(PortError, match="without an end"):
        port.read_line(1.0)
    with pytest.raises(PortError, match="of 100 bytes"):
        port.read_bytes(100, 1.0)
    assert clock.now() < 4.0


def test_a_raw_socket_is_never_cleared():
    """Below pyvisa-py that call never returns when the other end has closed."""
    resource = Resource()
    port = VisaPort("TCPIP::h::1::SOCKET", factory=lambda: Manager(resource), clock=WaitingClock())
    port.reopen()
    resource.clear = lambda: pytest.fail("cleared")
    with pytest.raises(PortError, match="no device clear"):
        port.clear()
    with pytest.raises(PortError, match="does not mark the end"):
        port.read_rest(1.0)


def test_importing_the_adapter_does_not_import_pyvisa():
    code = "import sys, harness.link.visa; sys.exit('pyvisa' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def test_an_instrument_without_address_is_a_fault_of_the_file():
    with pytest.raises(ConfigError, match=r"generator has no address"):
        open_link(Generator(), "generator", Manager, WaitingClock())


# Loopback TCP, the whole way through pyvisa and pyvisa-py.


@pytest.fixture
def tcp():
    made: list[TcpDouble] = []

    def make(double: Double, **options) -> TcpDouble:
        made.append(TcpDouble(double, **options))
        return made[-1]

    yield make
    for server in made:
        server.close()


def make_double() -> Double:
    held = {"level": "0"}
    return Double(
        {
            "SOURce:VOLTage": lambda value: held.update(level=value),
            "MEASure:VOLTage?": lambda *_: f"{float(held['level']):.6E}",
            "TRACe?": lambda *_: b"#3300" + bytes(range(256)) + b"\n;" * 22,
        }
    )


def link_to(server: TcpDouble, **changes) -> Link:
    model = Generator.model_validate({"address": server.address, "timeout": 0.06, **changes}, context=SI)
    return open_link(model, "generator", resource_manager("@py"), RealClock())


def test_a_point_over_tcp(tcp):
    link = link_to(tcp(make_double()), identity="Northfen,NF-1")
    link.set(":SOUR:VOLT 1.25")
    assert link.query_float(":MEAS:VOLT?") == 1.25
    assert link.query_block(":TRAC?") == bytes(range(256)) + b"\n;" * 22
    link.check()
    link.close()


def test_nagles_delay_is_off(tcp):
    server = tcp(make_double())
    manager = resource_manager("@py")()
    port = VisaPort(server.address, factory=lambda: manager, clock=RealClock())
    port.reopen()
    connection = manager.visalib.sessions[port._resource.session].interface
    assert connection.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY)
    port.close()


def test_a_connection_that_the_instrument_closes_is_opened_again(tcp):
    server = tcp(make_double())
    link = link_to(server)
    link.set(":SOUR:VOLT 2")
    server.hang_up()
    assert repeat_point(lambda: link.query_float(":MEAS:VOLT?")) == 2.0
    assert server.connections == 2
    link.close()


def test_nothing_listens():
    with socket.create_server(("127.0.0.1", 0)) as probe:
        port = probe.getsockname()[1]
    model = Generator.model_validate({"address": f"TCPIP::127.0.0.1::{port}::SOCKET", "timeout": 0.02}, context=SI)
    clock = WaitingClock()
    with pytest.raises(LinkDown, match=r"generator .*does not answer after 5 tries"):
        open_link(model, "generator", resource_manager("@py"), clock)
    assert sum(clock.waits) == pytest.approx(3.0)


def test_the_wrong_instrument_over_tcp(tcp):
    with pytest.raises(InstrumentError, match="answers as"):
        link_to(tcp(make_double()), identity="Aldermoor,AM-2")


@pytest.mark.parametrize("tag", [False, True])
def test_no_value_is_silently_wrong_over_a_poor_connection(tcp, tag):
    trouble = Trouble(0.03, seed=3)
    server = tcp(make_double(), damage=trouble)
    link = link_to(server, tag_queries=tag, timeout=0.02)
    wrong = failed = 0
    for number in range(300):
        level = 1 + (number * 0.618034) % 1

        def point(level=level) -> float:
            link.set(f":SOUR:VOLT {level:.6f}")
            value = link.query_float(":MEAS:VOLT?")
            link.check()
            return value

        try:
            wrong += abs(repeat_point(point) - level) > 1e-5
        except LinkError:
            failed += 1
    link.close()
    assert trouble.tampered > 5
    assert wrong == 0
    assert failed <= 3


# A serial line.


def test_a_serial_line_falls_quiet_before_it_is_trusted():
    pytest.importorskip("pty")
    noise = [b""] * 5 + [b"\x00garbage\n9.99E9\n"]
    line = SerialDouble(make_double(), damage=lambda reply: ((noise.pop(0) if noise else b"") + reply, b""))
    model = Generator.model_validate({"address": line.address, "timeout": 0.1}, context=SI)
    line.send(b"stale 9.99E9\n1.0\nhalf a li")
    clock = WaitingClock()
    link = open_link(model, "generator", resource_manager("@py"), clock)
    assert link.identity == "Northfen,NF-1,1,2"
    with pytest.raises(LinkError):
        link.set(":SOUR:VOLT 3")
    link.set(":SOUR:VOLT 3")
    assert link.query_float(":MEAS:VOLT?") == 3.0
    link.check()
    assert 0.2 in clock.waits
    link.close()
    line.close()


def test_a_line_is_set_in_pyvisas_words():
    """The names of VPP-4.3's attributes for a serial line, as pyvisa spells them."""
    from pyvisa.constants import ControlFlow, Parity, StopBits

    opened: dict[str, object] = {}

    class Noting(Manager):
        def open_resource(self, address, **options):
            opened.update(options)
            return super().open_resource(address, **options)

    line = SerialLine(baud=19200, data_bits=7, parity="even", stop_bits=2, flow_control="rts_cts")
    VisaPort("ASRL1::INSTR", factory=Noting, clock=WaitingClock(), serial_line=line).reopen()
    assert (opened["baud_rate"], opened["data_bits"]) == (19200, 7)
    assert (opened["parity"], opened["stop_bits"]) == (Parity.even, StopBits.two)
    assert opened["flow_control"] == ControlFlow.rts_cts
    opened.clear()
    VisaPort("ASRL1::INSTR", factory=Noting, clock=WaitingClock()).reopen()
    assert "baud_rate" not in opened


def test_a_serial_line_that_never_falls_quiet_is_bounded():
    babbling = Resource(chunks=[b"x" * 64])
    babbling.bytes_in_buffer = 64
    clock = WaitingClock()
    port = VisaPort("ASRL1::INSTR", factory=lambda: Manager(babbling), clock=clock)
    with pytest.raises(PortError, match="silent"):
        port.reopen()
    assert sum(clock.waits) < 10.0


@pytest.mark.parametrize(
    "error",
    [ValueError("Please install linux-gpib to use this resource type.\nNo module named 'gpib'"), ImportError("no usb")],
)
def test_a_library_that_is_not_installed_is_said_at_once_and_tried_once(error):
    """pyvisa-py's own words for an interface without its package (`Session.register_unavailable`, version 0.8)."""
    manager, clock = Manager(fail=error), WaitingClock()
    asked = []
    port = VisaPort("GPIB0::9::INSTR", factory=lambda: asked.append(1) or manager, clock=clock)
    began = clock.now()
    with pytest.raises(LinkDown) as told:
        Link(port, "calibrator (Northfen C1)", clock=clock).connect()
    said = str(told.value)
    assert "cannot be asked from this computer: " in said
    assert ("install linux-gpib" if isinstance(error, ValueError) else "no usb") in said
    assert "cable" not in said
    assert "tries" not in said
    assert (len(asked), clock.now()) == (1, began)
