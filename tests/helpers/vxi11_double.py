"""The device side of VXI-11, for tests: a port mapper and one instrument on the core channel.

Written from "TCP/IP Instrument Protocol Specification VXI-11", revision 1.0 (VXIbus Consortium, 1995): the procedures
of its section B.6 and the RPCL of its appendix C, numbers from memory; ONC RPC version 2 from RFC 5531 (record marking
in its section 11), XDR from RFC 4506, the port mapper from RFC 1833, section 3. No abort and no interrupt channel.
"""

from __future__ import annotations

import contextlib
import socket
import struct
import threading
from collections import deque
from enum import IntEnum

from tests.helpers.link_double import Double

CORE = (0x0607AF, 1)  # DEVICE_CORE, its version
PORT_MAPPER = (100000, 2)
GET_PORT = 3
END, TERMCHAR_SET = 8, 128  # flags
REQUESTED, CHARACTER, WHOLE = 1, 2, 4  # reasons of device_read


class Procedure(IntEnum):
    CREATE_LINK = 10
    DEVICE_WRITE = 11
    DEVICE_READ = 12
    DEVICE_READSTB = 13
    DEVICE_CLEAR = 15
    DESTROY_LINK = 23


class Error(IntEnum):
    NONE = 0
    INVALID_LINK = 4
    NOT_SUPPORTED = 8
    TIMEOUT = 15


class Vxi11Double:
    """An instrument whose damaged replies lose their END or their place.

    It has no clock: where the specification waits for `io_timeout` and answers error 15, it answers so at once.
    A late reply comes before the next one, as from an instrument that does not clear its output on a new message.
    """

    def __init__(self, double: Double, damage=lambda reply: (reply, b"")) -> None:
        self.double, self.damage = double, damage
        self.links = self.clears = 0
        self.mute = False  # hangs: takes calls and never answers
        self._known: set[int] = set()
        self._into = b""
        self._out: deque[tuple[bytes, bool]] = deque()  # bytes, and whether their last one carries END
        self._late = b""
        self._open: set[socket.socket] = set()
        self._core = self._listen()
        self._mapper = self._listen()
        self.port = self._core.getsockname()[1]
        self.port_mapper_port = self._mapper.getsockname()[1]
        self.address = f"TCPIP0::127.0.0.1,{self.port}::inst0::INSTR"  # with its port: no port mapper is asked

    def _listen(self) -> socket.socket:
        listener = socket.create_server(("127.0.0.1", 0))
        threading.Thread(target=self._accept, args=(listener,), daemon=True).start()
        return listener

    def _accept(self, listener: socket.socket) -> None:
        while True:
            try:
                connection, _ = listener.accept()
            except OSError:
                return
            connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self._open.add(connection)
            threading.Thread(target=self._serve, args=(connection,), daemon=True).start()

    def _serve(self, connection: socket.socket) -> None:
        with contextlib.suppress(OSError, EOFError), connection.makefile("rb") as stream:
            while True:
                reply = self._called(_record(stream))
                if not self.mute:
                    connection.sendall(struct.pack(">I", 0x80000000 | len(reply)) + reply)
        self._open.discard(connection)
        connection.close()

    def _called(self, record: bytes) -> bytes:
        """Answer one call: its header is xid, CALL, RPC version, program, version, procedure, credential, verifier."""
        call = Xdr(record)
        xid, kind, rpc, program, version, procedure = (call.uint() for _ in range(6))
        assert (kind, rpc) == (0, 2)
        for _ in range(2):
            call.uint()
            call.opaque()
        head = struct.pack(">IIIII", xid, 1, 0, 0, 0)  # REPLY, accepted, no verifier
        if (program, version) == PORT_MAPPER and procedure == GET_PORT:
            asked, asked_version, protocol, _ = (call.uint() for _ in range(4))
            known = (asked, asked_version) == CORE and protocol == socket.IPPROTO_TCP
            return head + struct.pack(">II", 0, self.port if known else 0)
        if (program, version) != CORE:
            return head + struct.pack(">I", 1)  # PROG_UNAVAIL
        return head + struct.pack(">I", 0) + self._obey(procedure, call)

    def _obey(self, procedure: int, call: Xdr) -> bytes:
        if procedure == Procedure.CREATE_LINK:
            self.links += 1
            self._known.add(self.links)
            self._forget()
            return struct.pack(">iiII", Error.NONE, self.links, 0, 1 << 16)
        if call.uint() not in self._known:
            return struct.pack(">iI", Error.INVALID_LINK, 0) + struct.pack(">I", 0)
        match procedure:
            case Procedure.DEVICE_WRITE:
                call.uint(), call.uint()  # both time-outs
                return struct.pack(">iI", Error.NONE, self._write(call.uint(), call.opaque()))
            case Procedure.DEVICE_READ:
                count, _, _, flags, character = (call.uint() for _ in range(5))
                return self._read(count, character if flags & TERMCHAR_SET else None)
            case Procedure.DEVICE_READSTB:
                return struct.pack(">iI", Error.NONE, 16 * bool(self._out))  # message available
            case Procedure.DEVICE_CLEAR:
                self.clears += 1
                self._forget()
                return struct.pack(">i", Error.NONE)
            case Procedure.DESTROY_LINK:
                return struct.pack(">i", Error.NONE)
        return struct.pack(">i", Error.NOT_SUPPORTED)

    def _write(self, flags: int, data: bytes) -> int:
        self._into += data
        if flags & END:
            reply = self.double.handle(self._into.rstrip(b"\r\n"))
            self._into = b""
            if self._late:
                self._out.append((self._late, True))
                self._late = b""
            if reply is not None:
                now, self._late = self.damage(reply + b"\n")
                if now:
                    self._out.append((now, now.endswith(b"\n")))
        return len(data)

    def _read(self, count: int, character: int | None) -> bytes:
        if not self._out:
            return struct.pack(">iiI", Error.TIMEOUT, 0, 0)
        data, ends = self._out.popleft()
        at = data.find(character) + 1 if character is not None else 0
        size = min(count, at or len(data))
        reason = CHARACTER * (size == at) | REQUESTED * (size == count)
        if size < len(data):
            self._out.appendleft((data[size:], ends))
        elif ends:
            reason |= WHOLE
        return struct.pack(">ii", Error.NONE, reason) + _opaque(data[:size])

    def _forget(self) -> None:
        self._into, self._late = b"", b""
        self._out.clear()

    def hang_up(self) -> None:
        """Close every connection, as a pulled cable would; the links go with them."""
        self._known.clear()
        for connection in list(self._open):
            with contextlib.suppress(OSError):
                connection.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
                connection.shutdown(socket.SHUT_RDWR)

    def close(self) -> None:
        self._core.close()
        self._mapper.close()
        self.hang_up()


class Xdr:
    """The few types of XDR that calls hold."""

    def __init__(self, data: bytes) -> None:
        self._data, self._at = data, 0

    def uint(self) -> int:
        (value,) = struct.unpack_from(">I", self._data, self._at)
        self._at += 4
        return int(value)

    def opaque(self) -> bytes:
        size = self.uint()
        data = self._data[self._at : self._at + size]
        self._at += size + -size % 4
        return data


def _opaque(data: bytes) -> bytes:
    return struct.pack(">I", len(data)) + data + b"\0" * (-len(data) % 4)


def _record(stream) -> bytes:
    """One record: fragments, the last of which has the highest bit of its length set."""
    record = b""
    while True:
        head = stream.read(4)
        if len(head) < 4:
            raise EOFError
        (length,) = struct.unpack(">I", head)
        record += stream.read(length & 0x7FFFFFFF)
        if length & 0x80000000:
            return record
