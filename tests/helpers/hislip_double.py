"""The server side of HiSLIP, for tests: one instrument behind a synchronous and an asynchronous channel.

IVI-6.1, High-Speed LAN Instrument Protocol, message types from its table 4 (from memory).
"""

from __future__ import annotations

import contextlib
import socket
import struct
import threading
from enum import IntEnum

from tests.helpers.link_double import Double

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

    def hang_up(self) -> None:
        """Close every connection, as a pulled cable would."""
        for connection in self._open:
            with contextlib.suppress(OSError):
                connection.shutdown(socket.SHUT_RDWR)

    def close(self) -> None:
        self._listener.close()
        for connection in self._open:
            connection.close()
