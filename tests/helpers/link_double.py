"""An instrument for tests of the link and the drivers: IEEE 488.2 status behind a parser by another hand (scpipy)."""

from __future__ import annotations

import random
import socketserver
import threading
from collections.abc import Callable, Mapping
from typing import Any

from scpipy.server import Router
from scpipy.server.dispatcher import Dispatcher
from scpipy.shared.ast import Command
from scpipy.shared.parser import Parser

Handler = Callable[..., Any]


class Refusal(Exception):  # noqa: N818 - says what the instrument does
    """What a handler raises to put an entry on the error queue."""

    def __init__(self, entry: str, bit: int = 16) -> None:
        self.entry, self.bit = entry, bit


class Double:
    """Headers in the standard's notation to handlers; `goes_on` says whether units after a refused one are obeyed."""

    def __init__(
        self,
        handlers: Mapping[str, Handler] | None = None,
        *,
        identity: str = "Northfen,NF-1,1,2",
        goes_on: bool = True,
        reset: Callable[[], object] = lambda: None,
    ) -> None:
        self.identity, self.goes_on, self.reset = identity, goes_on, reset
        self.heard: list[str] = []
        self.errors: list[str] = []
        self.esr, self.ese = 128, 0
        self._parser = Parser()
        self._match = Dispatcher(Router(), "\n")._match_command
        self._routes = [(self._parser.parse(header)[0], handler) for header, handler in (handlers or {}).items()]

    def power_cycle(self) -> None:
        self.errors.clear()
        self.esr, self.ese = 128, 0

    def handle(self, message: bytes) -> bytes | None:
        text = message.decode("ascii")
        self.heard.append(text)
        replies: list[bytes] = []
        for command in self._parser.parse(text):
            try:
                reply = self._obey(command)
            except Refusal as refusal:
                self.errors.append(refusal.entry)
                self.esr |= refusal.bit
                if not self.goes_on:
                    break
                continue
            if command.query:
                replies.append(reply if isinstance(reply, bytes) else str(reply).encode("latin-1"))
        return b";".join(replies) if replies else None

    def _obey(self, command: Command) -> Any:
        name = ":".join(node.full.upper() for node in command.nodes) + "?" * command.query
        arguments = [argument.value for argument in command.args]
        match name:
            case "*ESE":
                self.ese = int(arguments[0])
                return None
            case "*ESE?":
                return self.ese
            case "*ESR?":
                status, self.esr = self.esr, 0
                return status
            case "*IDN?":
                return self.identity
            case "*OPC?":
                return 1
            case "*RST":
                return self.reset()
            case "SYST:ERR?" | "SYSTEM:ERROR:NEXT?":
                return self.errors.pop(0) if self.errors else '+0,"No error"'
        for pattern, handler in self._routes:
            bindings = self._match(command, pattern)
            if bindings is not None:
                return handler(*arguments, **bindings)
        raise Refusal('-113,"Undefined header"', 32)


class Trouble:
    """What a poor line does to replies, at a stated rate and seed; `tampered` counts."""

    def __init__(self, rate: float, seed: int, kinds: tuple[str, ...] = ()) -> None:
        self.kinds = kinds or ("late", "cut, tail late", "lost", "doubled", "garbage before", "cut")
        self._rate, self._random = rate, random.Random(seed)
        self.tampered = 0

    def __call__(self, reply: bytes) -> tuple[bytes, bytes]:
        if self._random.random() >= self._rate:
            return reply, b""
        self.tampered += 1
        at = self._random.randrange(len(reply))
        match self._random.choice(self.kinds):
            case "late":
                return b"", reply
            case "cut, tail late":
                return reply[:at], reply[at:]
            case "doubled":
                return reply + reply, b""
            case "garbage before":
                return b"\xff?" + reply, b""
            case "cut":
                return reply[:at], b""
            case _:
                return b"", b""


class WaitingClock:
    """Time that passes only by waiting; remembers the waits."""

    def __init__(self) -> None:
        self.waits: list[float] = []
        self._now = 0.0

    def now(self) -> float:
        return self._now

    def sleep(self, seconds: float) -> None:
        self.waits.append(seconds)
        self._now += seconds

    def utc(self) -> Any:
        raise AssertionError("a link asks no date")


class TcpDouble:
    """The same instrument on loopback TCP. A late reply comes before the next one, on the connection it was for."""

    def __init__(
        self, double: Double, damage: Callable[[bytes], tuple[bytes, bytes]] = lambda reply: (reply, b"")
    ) -> None:
        self.double, self.damage = double, damage
        self.connections = 0
        outer = self

        class Handler(socketserver.StreamRequestHandler):
            disable_nagle_algorithm = True

            def handle(self) -> None:
                outer.connections += 1
                outer._open.add(self.request)
                late = b""
                try:
                    for line in self.rfile:
                        with outer._lock:
                            reply = outer.double.handle(line.rstrip(b"\r\n"))
                        now, later = outer.damage(reply + b"\n") if reply is not None else (b"", b"")
                        self.request.sendall(late + now)
                        late = later
                except (OSError, ValueError):
                    pass
                finally:
                    outer._open.discard(self.request)

        self._open: set[Any] = set()
        self._lock = threading.Lock()
        self._server = socketserver.ThreadingTCPServer(("127.0.0.1", 0), Handler, bind_and_activate=True)
        self._server.daemon_threads = True
        self.address = f"TCPIP0::127.0.0.1::{self._server.server_address[1]}::SOCKET"
        threading.Thread(target=self._server.serve_forever, args=(0.01,), daemon=True).start()

    def hang_up(self) -> None:
        for connection in list(self._open):
            connection.shutdown(2)

    def close(self) -> None:
        self._server.shutdown()
        self._server.server_close()
        self.hang_up()
