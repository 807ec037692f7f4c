"""The simulated instruments on loopback TCP, so that any SCPI client can talk to them."""

from __future__ import annotations

import contextlib
import math
import socket
import socketserver
import struct
import threading
import time
from collections.abc import Iterator, Mapping
from types import TracebackType
from typing import Any, Final

from harness.errors import ConfigError
from harness.sim.faults import Delivery, Endpoint

_LONGEST_LINE: Final = 1 << 20
_PIECE: Final = 1 << 16
_LOOPBACK: Final = ("127.0.0.1", "localhost")


class _Server(socketserver.ThreadingTCPServer):
    allow_reuse_address = True
    daemon_threads = True

    def __init__(self, endpoint: Endpoint, host: str, port: int) -> None:
        self.endpoint = endpoint
        self.clients: set[socket.socket] = set()
        self.resetting: set[socket.socket] = set()
        self.ended_at = -math.inf
        super().__init__((host, port), _Handler)

    def verify_request(self, request: Any, client_address: Any) -> bool:
        """Take a connection, unless the instrument serves no more of them."""
        dialect = getattr(self.endpoint.device, "dialect", None)
        if dialect is not None and dialect.connections:
            lingers = time.monotonic() - self.ended_at < dialect.lingers
            if lingers or len(self.clients) >= dialect.connections:
                return False
        self.clients.add(request)
        return super().verify_request(request, client_address)

    def shutdown_request(self, request: Any) -> None:
        """End a connection: orderly, or without lingering, which sends RST."""
        if request in self.resetting:
            self.resetting.discard(request)
            request.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
            request.close()
        else:
            super().shutdown_request(request)

    def handle_error(self, _request: object, _client_address: object) -> None:
        """A client that goes away is no error of ours."""


class _Handler(socketserver.BaseRequestHandler):
    server: _Server

    def handle(self) -> None:
        """Serve one client until it goes away."""
        self.request.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        try:
            for line in self._lines(self.server.endpoint.device.ends_with):
                if not self._answer(self.server.endpoint.message(line.rstrip(b"\r"))):
                    return
        except (OSError, ValueError):
            pass  # the client has gone away
        finally:
            self.server.clients.discard(self.request)
            self.server.ended_at = time.monotonic()

    def _lines(self, end: bytes) -> Iterator[bytes]:
        """What comes, message by message, each without its end."""
        into = bytearray()
        while piece := self.request.recv(_PIECE):
            into += piece
            while (at := into.find(end)) >= 0:
                yield bytes(into[:at])
                del into[: at + len(end)]
            if len(into) > _LONGEST_LINE:
                self.server.endpoint.device.fail(-363)
                return

    def _answer(self, delivery: Delivery) -> bool:
        """Send what comes in time, leave the rest to a timer; False when the connection has ended."""
        if delivery.busy_s:
            self.server.endpoint.device.clock.sleep(delivery.busy_s)
        for delay_s, piece in delivery.pieces:
            if delay_s > 0:
                timer = threading.Timer(delay_s, self._late, (piece,))
                timer.daemon = True
                timer.start()
            elif piece:
                self.request.sendall(piece)
        if delivery.ending == "reset":
            self.server.resetting.add(self.request)
        return not delivery.ending

    def _late(self, piece: bytes) -> None:
        with contextlib.suppress(OSError, ValueError):
            self.request.sendall(piece)


class Servers:
    """Running servers, one an instrument; a context manager. `addresses` maps simulated to real addresses."""

    def __init__(self, endpoints: Mapping[str, Endpoint], *, host: str = "127.0.0.1", port: int = 0) -> None:
        if host not in _LOOPBACK:
            raise ConfigError(f"the simulated bench is served on loopback only, not on {host!r}; expected 127.0.0.1")
        self._servers: list[_Server] = []
        self.addresses: dict[str, str] = {}
        try:
            for number, (address, endpoint) in enumerate(endpoints.items()):
                self._start(address, endpoint, host, port + number if port else 0)
        except OSError as error:
            self.close()
            raise ConfigError(
                f"port {port} … {port + len(endpoints) - 1} of {host}: {error.strerror or error}"
            ) from None

    def _start(self, address: str, endpoint: Endpoint, host: str, port: int) -> None:
        server = _Server(endpoint, host, port)
        self._servers.append(server)
        self.addresses[address] = f"TCPIP0::{host}::{server.server_address[1]}::SOCKET"
        threading.Thread(target=server.serve_forever, args=(0.02,), daemon=True, name=f"serve {address}").start()

    def drop(self) -> None:
        """Close every connection that is open now, as a pulled cable would."""
        for server in self._servers:
            for client in list(server.clients):
                with contextlib.suppress(OSError):
                    client.shutdown(socket.SHUT_RDWR)

    def close(self) -> None:
        """Stop serving."""
        self.drop()
        for server in self._servers:
            server.shutdown()
            server.server_close()
        self._servers = []

    def __enter__(self) -> Servers:
        return self

    def __exit__(
        self, _kind: type[BaseException] | None, _error: BaseException | None, _tb: TracebackType | None
    ) -> None:
        self.close()
