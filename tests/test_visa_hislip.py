"""The link over HiSLIP, which marks the end of a message and knows a device clear; the server side is written here.

IVI-6.1, High-Speed LAN Instrument Protocol, message types from its table 4 (from memory).
"""

from __future__ import annotations

import socket
import struct
import threading
from enum import IntEnum

import pytest
from link_double import Double, Trouble

from harness.clock import RealClock
from harness.errors import LinkError
from harness.link import Link, repeat_point
from harness.models import Generator
from harness.visa import open_link, resource_manager

HEADER = struct.Struct("!2sBBIQ")


class Kind(IntEnum):
    INITIALIZE = 0
    INITIALIZE_RESPONSE = 1
    DATA = 6
    DATA_END = 7
    DEVICE_CLEAR_COMPLETE = 8
    DEVICE_CLEAR_ACKNOWLEDGE = 9
    ASYNC_SIZE = 15
    ASYNC_SIZE_RESPONSE = 16
    ASYNC_INITIALIZE = 17
    ASYNC_INITIALIZE_RESPONSE = 18
    ASYNC_CLEAR = 19
    ASYNC_CLEAR_ACKNOWLEDGE = 23


class HislipDouble:
    """One instrument behind a synchronous and an asynchronous channel. A damaged reply loses its end or its place."""

    def __init__(self, double: Double, damage=lambda reply: (reply, b"")) -> None:
        self.double, self.damage = double, damage
        self.sessions = self.clears = 0
        self._late = b""
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.address = f"TCPIP0::127.0.0.1::hislip0,{self._listener.getsockname()[1]}::INSTR"
        self._open: list[socket.socket] = []
        threading.Thread(target=self._accept, daemon=True).start()

    def _accept(self) -> None:
        while True:
            try:
                connection, _ = self._listener.accept()
            except OSError:
                return
            connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self._open.append(connection)
            threading.Thread(target=self._serve, args=(connection,), daemon=True).start()

    def _serve(self, connection: socket.socket) -> None:
        try:
            with connection.makefile("rb") as stream:
                while len(head := stream.read(HEADER.size)) == HEADER.size:
                    _, kind, _, parameter, length = HEADER.unpack(head)
                    self._answer(connection, kind, parameter, stream.read(length))
        except OSError:
            pass

    def _answer(self, connection: socket.socket, kind: int, parameter: int, payload: bytes) -> None:
        def send(kind: int, parameter: int = 0, payload: bytes = b"") -> None:
            connection.sendall(HEADER.pack(b"HS", kind, 0, parameter, len(payload)) + payload)

        match kind:
            case Kind.INITIALIZE:
                self.sessions += 1
                self._late = b""
                send(Kind.INITIALIZE_RESPONSE, 0x0100 << 16 | self.sessions)
            case Kind.ASYNC_INITIALIZE:
                send(Kind.ASYNC_INITIALIZE_RESPONSE)
            case Kind.ASYNC_SIZE:
                send(Kind.ASYNC_SIZE_RESPONSE, 0, struct.pack("!Q", 1 << 20))
            case Kind.ASYNC_CLEAR:
                self.clears += 1
                self._late = b""
                send(Kind.ASYNC_CLEAR_ACKNOWLEDGE)
            case Kind.DEVICE_CLEAR_COMPLETE:
                send(Kind.DEVICE_CLEAR_ACKNOWLEDGE)
            case Kind.DATA | Kind.DATA_END:
                reply = self.double.handle(payload.rstrip(b"\r\n"))
                if reply is None:
                    return
                now, late = self.damage(reply + b"\n")
                if self._late:
                    send(Kind.DATA_END, 0xFFFFFFFF, self._late)
                self._late = late
                if now.endswith(b"\n"):
                    send(Kind.DATA_END, parameter, now)
                elif now:
                    send(Kind.DATA, parameter, now)

    def close(self) -> None:
        self._listener.close()
        for connection in self._open:
            connection.close()


BLOCK = bytes(range(256)) * 4


@pytest.fixture
def instrument():
    made: list[HislipDouble] = []

    def make(**options) -> tuple[Link, HislipDouble]:
        held = {"level": "0"}
        double = Double(
            {
                "SOURce:VOLTage": lambda value: held.update(level=value),
                "MEASure:VOLTage?": lambda *_: f"{float(held['level']):.6E}",
                "TRACe?": lambda *_: b"#41024" + BLOCK,
                "TRACe:ALL?": lambda *_: b"#0" + BLOCK,
                "TRACe:SHORt?": lambda *_: b"#41024" + BLOCK[:500],
                "LINE?": lambda: "1." + "0" * 253,  # with its newline exactly one chunk of 256 bytes
            }
        )
        made.append(HislipDouble(double, **options))
        model = Generator.model_validate({"address": made[-1].address, "timeout": 0.06}, context={"si": True})
        return open_link(model, "generator", resource_manager("@py"), RealClock()), made[-1]

    yield make
    for server in made:
        server.close()


def test_a_point_over_hislip(instrument):
    link, _ = instrument()
    link.set(":SOUR:VOLT 1.25")
    assert link.query_float(":MEAS:VOLT?") == 1.25
    assert link.query_block(":TRAC?") == BLOCK
    assert link.query_block(":TRAC:ALL?") == BLOCK  # no length in it: the message's end is its end
    assert link.query_float(":LINE?") == 1.0
    link.check()
    link.close()


def test_a_block_that_ends_too_soon_is_no_endless_wait(instrument):
    link, _ = instrument()
    with pytest.raises(LinkError, match=r"only 50[01] of 1024 bytes"):
        link.query_block(":TRAC:SHOR?")
    assert link.query_float(":MEAS:VOLT?") == 0.0
    link.close()


def test_a_lost_reply_is_cleared_away_without_a_new_session(instrument):
    troubled = iter([False] * 5 + [True] + [False] * 100)
    link, server = instrument(damage=lambda reply: (b"", b"") if next(troubled) else (reply, b""))
    with pytest.raises(LinkError):
        link.query_float(":MEAS:VOLT?")
    assert link.query_float(":MEAS:VOLT?") == 0.0
    assert (server.clears, server.sessions) == (1, 1)
    link.close()


def test_no_value_is_silently_wrong_over_hislip(instrument):
    trouble = Trouble(0.03, seed=2)
    link, _ = instrument(damage=trouble)
    wrong = failed = 0
    for number in range(60):
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
    assert trouble.tampered > 3
    assert wrong == 0
    assert failed <= 1
