"""One protocol on every interface, under every fault of a line: a fault costs a repeat, never a value.

Each interface goes the whole way through pyvisa: pyvisa-sim in process (GPIB, raw socket), pyvisa-py to a double on
loopback (raw socket, HiSLIP, VXI-11) or behind a pseudo-terminal (serial).
"""

from __future__ import annotations

import gc
import re
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import pytest
from pyvisa_py.protocols import rpc

from harness.errors import LinkError
from harness.link.interfaces import INTERFACES
from harness.link.link import Link, LinkDown, repeat_point
from harness.link.visa import open_link, resource_manager
from harness.models import Generator
from harness.sim.bench import SimulatedBench
from harness.sim.faults import Delivery, Endpoint
from harness.sim.library import resource_manager as simulated_manager
from harness.words.clock import Clock, RealClock
from tests.helpers.hislip_double import HislipDouble
from tests.helpers.link_double import Double, TcpDouble, WaitingClock
from tests.helpers.serial_double import SerialDouble
from tests.helpers.vxi11_double import Vxi11Double

ROOT = Path(__file__).resolve().parent.parent
SIMULATED = ROOT / "demo" / "brackwater" / "bench_sim.toml"
FAULTS: dict[str, Callable[[bytes], tuple[bytes, bytes]]] = {
    "late": lambda reply: (b"", reply),
    "cut, tail late": lambda reply: (reply[:1], reply[1:]),
    "cut": lambda reply: (reply[:1], b""),
    "lost": lambda _reply: (b"", b""),
    "doubled": lambda reply: (reply + reply, b""),
    "noise before": lambda reply: (b"\xff?" + reply, b""),
    "damaged": lambda reply: (bytes([reply[0] | 0x80]) + reply[1:], b""),
}


@dataclass
class Line:
    """A link, and what happens to the next replies: a fault, or None to let one pass."""

    plan: list[str | None] = field(default_factory=list)
    events: list[str] = field(default_factory=list)
    link: Link = None  # type: ignore[assignment]  # built last, with the line's own `damage`
    server: Any = None
    points: int = 0

    def next_level(self) -> float:
        """No two alike."""
        self.points += 1
        return round(1 + (self.points * 0.618034) % 1, 6)

    def damage(self, reply: bytes) -> tuple[bytes, bytes]:
        kind = self.plan.pop(0) if self.plan else None
        return FAULTS[kind](reply) if kind else (reply, b"")

    def point(self, level_v: float) -> float:
        """Set, read back, close: the three exchanges of every point."""

        def once() -> float:
            self.link.set(f":SOUR:VOLT {level_v:.6f}")
            value = self.link.query_float(":SOUR:VOLT?")
            self.link.check()
            return value

        return repeat_point(once)


class DamagedEndpoint(Endpoint):
    """A simulated instrument whose replies go through a line's damage."""

    line: Line

    def message(self, line: bytes) -> Delivery:
        delivery = super().message(line)
        reply = b"".join(piece for _, piece in delivery.pieces)
        if not reply:
            return delivery
        now, late = self.line.damage(reply)
        return replace(delivery, pieces=tuple((at, piece) for at, piece in ((0.0, now), (3.0, late)) if piece))


def make_double() -> Double:
    held = {"level": "0"}
    return Double(
        {
            "SOURce:VOLTage": lambda value: held.update(level=value),
            "SOURce:VOLTage?": lambda *_: f"{float(held['level']):.6E}",
            "TRACe?": lambda *_: b"#41024" + bytes(range(256)) * 4,
            "TRACe:ALL?": lambda *_: b"#0" + bytes(range(256)) * 4,
            "LINE?": lambda: "1." + "0" * 253,  # with its newline exactly one chunk of 256 bytes
        }
    )


def simulated(address: str, line: Line, changes: dict[str, Any]) -> Link:
    bench = SimulatedBench.load(SIMULATED)
    endpoint = DamagedEndpoint(bench.devices["generator"], bench._lock)
    endpoint.line = line
    manager = simulated_manager({address: endpoint}, bench.clock)
    return connected(address, line, lambda: manager, bench.clock, changes)


def connected(address: str, line: Line, factory: Callable[[], Any], clock: Clock, changes: dict[str, Any]) -> Link:
    model = Generator.model_validate({"address": address, "timeout": 0.04, **changes}, context={"si": True})
    return open_link(model, "generator", factory, clock, lambda kind, _text: line.events.append(kind))


SERVED = {"raw socket": TcpDouble, "HiSLIP": HislipDouble, "VXI-11": Vxi11Double, "serial": SerialDouble}
IN_PROCESS = {"simulated GPIB": "GPIB0::9::INSTR", "simulated socket": "TCPIP0::192.0.2.11::5025::SOCKET"}


@pytest.fixture
def lines() -> Iterator[Callable[..., Line]]:
    made: list[Line] = []

    def make(interface: str, **changes: Any) -> Line:
        line = Line()
        made.append(line)
        if interface in IN_PROCESS:
            line.link = simulated(IN_PROCESS[interface], line, changes)
            return line
        if interface == "serial" and sys.platform == "win32":
            pytest.skip("no pseudo-terminals on Windows")
        line.server = SERVED[interface](make_double(), damage=line.damage)
        clock = WaitingClock() if interface == "serial" else RealClock()  # a quiet window is not waited for
        line.link = connected(line.server.address, line, resource_manager("@py"), clock, changes)
        return line

    yield make
    for line in made:
        if line.link is not None:
            line.link.close()
        if line.server is not None:
            line.server.close()


BOTH_WAYS: list[Any] = [(interface, tag) for interface in (*IN_PROCESS, *SERVED) for tag in (False, True)]
BOTH_WAYS.remove(("HiSLIP", True))  # its device clear waits 0.1 s in pyvisa-py: once is enough
BOTH_WAYS[BOTH_WAYS.index(("HiSLIP", False))] = pytest.param("HiSLIP", False, marks=pytest.mark.soak)


@pytest.mark.parametrize(("interface", "tag"), BOTH_WAYS)
def test_a_fault_costs_a_repeat_and_never_a_value(lines, interface, tag):
    """Each fault at each of the three exchanges of a point: what is kept is what was set for it."""
    line = lines(interface, tag_queries=tag)
    for kind in FAULTS:
        for exchange in range(3):
            before = len(line.events)
            line.plan = [None] * exchange + [kind]
            for _ in range(2):  # the fault's own point, and the next one, which a late reply would answer
                level_v = line.next_level()
                assert line.point(level_v) == pytest.approx(level_v, abs=1e-6), (kind, exchange)
            assert not line.plan, "the fault was met"
            # A bus instrument throws a second reply away by itself, and says so: IEEE 488.2, 6.3.2.3.
            assert {"resync", "query_error"} & set(line.events[before:]), (kind, exchange)
    line.link.check()


@pytest.mark.parametrize("interface", [*IN_PROCESS, "raw socket", "HiSLIP", "serial"])
def test_a_reply_that_came_twice_and_one_that_is_lost_do_not_cancel_out(lines, interface):
    """Without the tag: the set's "1" comes twice, the reading not at all, and "1" is a valid reading.

    VXI-11 cannot be looked at without a call of its own; its instruments throw away what is unread (IEEE 488.2,
    6.3.2.3), which the double does not.
    """
    line = lines(interface, tag_queries=False)
    line.plan = ["doubled", "lost"]
    assert line.point(1.5) == 1.5
    assert {"resync", "query_error"} & set(line.events)


@pytest.mark.parametrize("interface", ["raw socket", "HiSLIP", "VXI-11"])
def test_a_connection_that_is_closed_is_opened_anew(lines, interface):
    line = lines(interface)
    assert line.point(1.5) == 1.5
    line.server.hang_up()
    assert line.point(1.25) == 1.25
    assert line.events == ["resync"]


def test_a_serial_plug_that_is_pulled_is_said_in_one_sentence(lines):
    """The device itself is gone, and the tries are bounded."""
    line = lines("serial")
    line.server.close()
    line.server = None
    with pytest.raises(LinkDown, match=r"generator .*does not answer after 5 tries .*its cable and its address"):
        line.point(1.5)


@pytest.mark.parametrize("interface", ["HiSLIP", "VXI-11"])
def test_a_device_clear_is_enough_where_there_is_one(lines, interface):
    """The session stays: no new one is opened."""
    line = lines(interface)
    line.plan = ["late"]
    assert line.point(1.5) == 1.5
    sessions = line.server.sessions if interface == "HiSLIP" else line.server.links
    assert (line.server.clears, sessions) == (1, 1)


@pytest.mark.parametrize("interface", ["HiSLIP", "VXI-11"])
def test_blocks_and_lines_of_any_length_where_the_end_is_marked(lines, interface):
    line = lines(interface)
    block = bytes(range(256)) * 4
    assert line.link.query_block(":TRAC?") == block
    assert line.link.query_block(":TRAC:ALL?") == block  # no length in it: the message's end is its end
    assert line.link.query_float(":LINE?") == 1.0
    line.link.check()


@pytest.mark.parametrize("interface", ["raw socket", "HiSLIP", "VXI-11", "serial"])
def test_after_a_power_cycle_everything_is_set_again(lines, interface):
    """The point that met it is done again with its settings, and is told as one event."""
    line = lines(interface)
    assert line.point(1.5) == 1.5
    cycle = line.server.double.power_cycle

    def lose_settings(reply: bytes) -> tuple[bytes, bytes]:
        line.server.damage = line.damage
        cycle()
        line.server.double.handle(b":SOUR:VOLT 0")  # what it wakes up with
        return reply, b""

    line.server.damage = lose_settings  # right after the setting was confirmed
    assert line.point(1.25) == 1.25
    assert line.events == ["power_cycle"]
    line.server.damage = lambda _reply: lose_settings(b"") and (b"", b"")  # and with its confirmation lost
    assert line.point(1.75) == 1.75
    assert line.events.count("power_cycle") == 2


# --- VXI-11 ------------------------------------------------------------------------------------------------------


def test_vxi11_asks_the_port_mapper(monkeypatch):
    """VXI-11 leaves the port to the port mapper of ONC RPC, at 111, where no test may listen: so pyvisa-py's constant
    is another one here."""
    server = Vxi11Double(make_double())
    monkeypatch.setattr(rpc, "PMAP_PORT", server.port_mapper_port)
    line = Line(server=server)
    line.link = connected("TCPIP0::127.0.0.1::inst0::INSTR", line, resource_manager("@py"), RealClock(), {})
    assert line.point(1.5) == 1.5
    line.link.close()
    server.close()


@pytest.mark.soak
@pytest.mark.filterwarnings("ignore:unclosed <socket:ResourceWarning")  # pyvisa-py's, of each try that failed
def test_vxi11_that_hangs_is_bounded(lines):
    """It takes calls and answers none: pyvisa-py gives up a second after the time-out, and 5 s when it closes."""
    line = lines("VXI-11")
    line.server.mute = True
    with pytest.raises(LinkError):
        line.link.query_float(":SOUR:VOLT?")
    line.server.mute = False
    assert line.point(1.5) == 1.5
    gc.collect()  # here, not in a later test


# --- serial ------------------------------------------------------------------------------------------------------


def test_a_serial_line_is_set_as_the_bench_file_says(lines):
    termios = pytest.importorskip("termios")
    settings = {"baud": 19200, "stop_bits": 2, "flow_control": "xon_xoff"}
    line = lines("serial", serial_line=settings)
    assert line.point(1.5) == 1.5
    input_flags, _, control, _, in_speed, out_speed, _ = termios.tcgetattr(line.server.near)
    assert (in_speed, out_speed) == (termios.B19200, termios.B19200)
    # A pseudo-terminal refuses 7 data bits and parity; test_visa.py holds those.
    assert control & termios.CSTOPB
    assert input_flags & termios.IXON


# --- one table ---------------------------------------------------------------------------------------------------


def test_the_table_in_the_documents_is_the_one_in_the_code():
    page = (ROOT / "docs" / "interfaces.md").read_text("utf-8")
    rows = [tuple(cell.strip() for cell in row.split("|")[1:-1]) for row in re.findall(r"^\|.*\|$", page, re.M)]
    written = rows[2 : 2 + len(INTERFACES)]
    assert written == [
        (each.name, f"`{each.example}`", each.way_back, "yes" if each.marks_end else "no", each.needs)
        for each in INTERFACES
    ]
