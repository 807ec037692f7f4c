"""A VISA library over simulated instruments, in this process: pyvisa-sim carries names, sessions and attributes.

Public names of pyvisa-sim only; a test holds them. Replies are due at a time of the bench's clock, and a
time-out loses the part that has come, as it does with real interfaces.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from typing import Any

from pyvisa import ResourceManager
from pyvisa.constants import ResourceAttribute, StatusCode
from pyvisa_sim.devices import Device as SimDevice
from pyvisa_sim.devices import Devices
from pyvisa_sim.highlevel import SimVisaLibrary

from harness.sim.faults import Endpoint
from harness.words.clock import Clock

_LONGEST_INPUT = 1 << 20  # bytes without a newline; then the device says so and forgets them
_TIMEOUT_MS = 2000  # VPP-4.3's own, where none was set
_numbers = itertools.count(1)


class Wire(SimDevice):  # type: ignore[misc]  # pyvisa-sim ships no types
    """One instrument on its wire: bytes in, bytes out when they are due."""

    def __init__(self, name: str, endpoint: Endpoint, clock: Clock, *, stream: bool) -> None:
        super().__init__(name, b"")
        for interface in ("TCPIP SOCKET", "TCPIP INSTR", "GPIB INSTR", "USB INSTR", "ASRL INSTR"):
            self.add_eom(interface, "\n", "\n")  # else pyvisa-sim logs a warning for each instrument
        self.endpoint, self.clock, self.stream = endpoint, clock, stream
        self.broken = ""
        self.out = bytearray()
        self.due: list[tuple[float, bytes]] = []
        self._into = bytearray()

    def write(self, data: bytes) -> None:
        """Take bytes; every terminator ends a message."""
        self._into += data
        mark = self.endpoint.device.ends_with
        while (end := self._into.find(mark)) >= 0:
            line = bytes(self._into[:end]).rstrip(b"\r")
            del self._into[: end + len(mark)]
            if not self.broken:
                self._message(line)
        if len(self._into) > _LONGEST_INPUT:
            self._into.clear()
            self.endpoint.device.fail(-363)

    def _message(self, line: bytes) -> None:
        device = self.endpoint.device
        if not self.stream and (self.out or self.due):
            self.out.clear()
            self.due.clear()
            device.interrupted()
        delivery = self.endpoint.message(line)
        now = self.clock.now() + delivery.busy_s
        self.due += [(now + delay_s, piece) for delay_s, piece in delivery.pieces]
        if len(self.due) > 1:
            self.due.sort(key=lambda item: item[0])
        self.broken = delivery.ending
        device.unread = not self.stream and bool(self.due)

    def pump(self) -> None:
        """Move what is due into the output."""
        now = self.clock.now()
        while self.due and self.due[0][0] <= now:
            self.out += self.due.pop(0)[1]

    def take(self, count: int, newline: int) -> bytes:
        """Remove bytes from the output: up to `count`, to the newline where one is given (−1: none)."""
        end = self.out.find(newline) + 1 if newline >= 0 else 0 if self.due else len(self.out)
        size = min(end or len(self.out), count)
        if not size or (not end and size < count):
            return b""
        taken = bytes(self.out[:size])
        del self.out[:size]
        if not self.out and not self.due:
            self.endpoint.device.unread = False
        return taken

    def attached(self) -> None:
        """A new session: a new connection begins empty, a bus keeps what is under way."""
        self.broken = ""
        if self.stream:
            self.cleared()

    def cleared(self) -> None:
        """Device clear: buffers empty, status untouched."""
        self.broken = ""
        self._into.clear()
        self.out.clear()
        self.due.clear()
        self.endpoint.device.unread = False

    def nothing_to_say(self) -> bool:
        """Whether a read can only time out."""
        return not self.out and not self.due


class BenchLibrary(SimVisaLibrary):  # type: ignore[misc]  # pyvisa-sim ships no types
    """pyvisa-sim's library with our instruments in it."""

    clock: Clock

    def _init(self) -> None:
        self.sessions: dict[int, Any] = {}
        self.devices = Devices()

    def install(self, endpoints: Mapping[str, Endpoint], clock: Clock) -> None:
        """Put instruments on their addresses."""
        self.clock = clock
        for address, endpoint in endpoints.items():
            stream = address.upper().endswith("SOCKET") or address.upper().startswith("ASRL")
            self.devices.add_device(address, Wire(address, endpoint, clock, stream=stream))

    def open(self, session: Any, resource_name: str, *args: Any, **kwargs: Any) -> tuple[Any, StatusCode]:
        """Open a session; the wire learns of it."""
        number, status = super().open(session, resource_name, *args, **kwargs)
        self.handle_return_value(None, status)
        self.sessions[number].device.attached()
        return number, status

    def write(self, session: Any, data: bytes) -> tuple[int, StatusCode]:
        """Send bytes; a reset connection says so."""
        wire = self._wire(session)
        if wire.broken == "reset":
            self.handle_return_value(session, StatusCode.error_connection_lost)
        wire.write(bytes(data))
        return len(data), self.handle_return_value(session, StatusCode.success)

    def read(self, session: Any, count: int) -> tuple[bytes, StatusCode]:
        """Read up to the termination character, `count` bytes, or the end of the message."""
        wire, values = self._wire(session), self.sessions[session].attrs
        newline = (
            int(values.get(ResourceAttribute.termchar, 10)) if values.get(ResourceAttribute.termchar_enabled) else -1
        )
        until = self.clock.now() + values.get(ResourceAttribute.timeout_value, _TIMEOUT_MS) / 1e3
        if not wire.stream and wire.nothing_to_say() and not wire.broken:
            wire.endpoint.device.unterminated()
        while True:
            if wire.broken == "reset":
                self.handle_return_value(session, StatusCode.error_connection_lost)
            wire.pump()
            taken = wire.take(count, newline)
            if taken:
                return taken, self.handle_return_value(session, _status(taken, count, newline))
            now = self.clock.now()
            if now >= until:
                wire.out.clear()
                self.handle_return_value(session, StatusCode.error_timeout)
            self.clock.sleep(min(until, wire.due[0][0] if wire.due else until) - now)

    def clear(self, session: Any) -> StatusCode:
        """Device clear; on a bus it also ends what the instrument is at (IEEE 488.2, 5.8: ready for a new message)."""
        wire = self._wire(session)
        wire.cleared()
        if not wire.stream:
            wire.endpoint.device.ready_at = 0.0
        return StatusCode.success

    def read_stb(self, session: Any) -> tuple[int, StatusCode]:
        """Serial poll."""
        wire = self._wire(session)
        if wire.stream:
            return 0, self.handle_return_value(session, StatusCode.error_nonsupported_operation)
        return wire.endpoint.device.status_byte(), self.handle_return_value(session, StatusCode.success)

    def get_attribute(self, session: Any, attribute: Any) -> tuple[Any, StatusCode]:
        """Attributes as pyvisa-sim keeps them, and how many bytes a serial line holds."""
        if attribute == ResourceAttribute.asrl_avalaible_number and session in self.sessions:
            wire = self._wire(session)
            wire.pump()
            return len(wire.out), StatusCode.success
        result: tuple[Any, StatusCode] = super().get_attribute(session, attribute)
        return result

    def _wire(self, session: Any) -> Wire:
        entry = self.sessions.get(session)
        device = getattr(entry, "device", None)
        if not isinstance(device, Wire):
            self.handle_return_value(session, StatusCode.error_invalid_object)
            raise AssertionError("unreachable")
        return device


def _status(taken: bytes, count: int, newline: int) -> StatusCode:
    if newline >= 0 and taken[-1] == newline:
        return StatusCode.success_termination_character_read
    return StatusCode.success_max_count_read if len(taken) == count else StatusCode.success


def resource_manager(endpoints: Mapping[str, Endpoint], clock: Clock) -> ResourceManager:
    """A pyvisa ResourceManager that knows just these instruments."""
    library = BenchLibrary(f"simulated bench {next(_numbers)}")
    library.install(endpoints, clock)
    return ResourceManager(library)
