"""The one place that speaks to pyvisa: an address becomes a `Port`, and every foreign exception a `PortError`.

pyvisa is imported when the first instrument is opened, not before.
"""

from __future__ import annotations

import math
import os
import select
import socket
from collections.abc import Callable
from functools import cache
from typing import TYPE_CHECKING, Any, Final, TypeAlias

from harness.errors import ConfigError, HalfpowerError
from harness.link.dialect import ENDS, IEEE_488_2, Dialect
from harness.link.interfaces import interface_of
from harness.link.link import Link, OnEvent
from harness.link.port import ConnectionRefused, NoLibrary, Port, PortError
from harness.words.clock import BETWEEN_SIGNS_S, Clock, OnLife, no_sign

if TYPE_CHECKING:
    from harness.link.trace import Trace
    from harness.models import Instrument, SerialLine
    from harness.steps import Role

ResourceManagerFactory: TypeAlias = Callable[[], Any]
"""Returns a pyvisa ResourceManager, or something that opens resources like one; called once a port."""

OPEN_S: Final = 5.0
LASTS: Final = (
    4  # what a call may take, in time-outs: a GPIB controller rounds up to 1, 3, 10, …; the last piece comes late
)
CHUNK: Final = 1 << 22  # a VXI-11 reply that is an exact multiple of it would time out
LINE_CHUNK: Final = 256
LONGEST_LINE: Final = 1 << 16
QUIET_S: Final = 0.2
QUIET_WINDOWS: Final = 25
LARGEST_DRAIN: Final = 1 << 20


class VisaPort:
    """A pyvisa resource. After trouble always a new one: closing and opening the old one loses its settings."""

    def __init__(
        self,
        address: str,
        *,
        factory: ResourceManagerFactory,
        clock: Clock,
        serial_line: SerialLine | None = None,
        dialect: Dialect = IEEE_488_2,
        on_life: OnLife = no_sign,
        between_s: float = BETWEEN_SIGNS_S,
    ) -> None:
        self._ends_with, self._end = ENDS[dialect.ends_with], ENDS[dialect.answers_end_with][-1:]
        self._between_connections_s, self._closed_at = dialect.between_s, -math.inf
        self._address, self._interface, self._serial_line = address, interface_of(address), serial_line
        self._factory, self._clock, self._on_life, self._between_s = factory, clock, on_life, between_s
        self._manager: Any = None
        self._resource: Any = None
        self._look: Callable[[], bool] = lambda: False
        self._timeout_s = 0.0

    def write(self, message: bytes) -> None:
        """Send one message and its end."""
        self._alive(self._timeout_s)
        with _FOREIGN:
            self._open_resource().write_raw(message + self._ends_with)

    def unread(self) -> bool:
        """Whether bytes wait; PortError where the other end has closed the connection."""
        with _FOREIGN:
            return self._look()

    def read_line(self, timeout_s: float) -> bytes:
        """Read up to the newline or the end of the message.

        In small pieces with a look at the clock: a line that dribbles for ever would never time out by itself.
        """
        self._begin(timeout_s)
        line, end = bytearray(), self._clock.now() + timeout_s
        while True:
            chunk = self._read(LINE_CHUNK)
            line += chunk
            if line.endswith(self._end) or (self._interface.marks_end and len(chunk) < LINE_CHUNK):
                return bytes(line).rstrip(b"\r\n")
            if len(line) >= LONGEST_LINE or self._clock.now() > end:
                raise PortError(f"sends without an end ({len(line)} bytes so far)")

    def read_bytes(self, count: int, timeout_s: float) -> bytes:
        """Read exactly so many bytes; a long block without regard to newlines, each of which would end a piece."""
        if count < LINE_CHUNK:
            return self._read_exactly(count, timeout_s)
        with _FOREIGN:
            resource = self._open_resource()
            termination, resource.read_termination = resource.read_termination, None
        try:
            return self._read_exactly(count, timeout_s)
        finally:
            with _FOREIGN:
                resource.read_termination = termination

    def _read_exactly(self, count: int, timeout_s: float) -> bytes:
        self._begin(timeout_s)
        data, end = bytearray(), self._clock.now() + timeout_s
        while len(data) < count:
            chunk = self._read(min(CHUNK, count - len(data)))
            data += chunk
            if len(data) < count and (not chunk or self._clock.now() > end):
                raise PortError(f"sent only {len(data)} of {count} bytes within {timeout_s:g} s")
        return bytes(data)

    def read_rest(self, timeout_s: float) -> bytes:
        """Read to the end of the message."""
        if not self._interface.marks_end:
            raise PortError(f"a {self._interface.name} does not mark the end of a block of unknown length")
        self._begin(timeout_s)
        with _FOREIGN:
            resource = self._open_resource()
            with resource.read_termination_context(None):
                return bytes(resource.read_raw()).removesuffix(self._end)

    def clear(self) -> None:
        """Device clear, or a quiet window; a raw socket has neither: clearing it may never return."""
        self._alive(self._timeout_s)
        match self._interface.way_back:
            case "device clear":
                with _FOREIGN:
                    self._open_resource().clear()
            case "quiet window":
                self._wait_for_quiet()
            case "reopen":
                raise PortError("a raw socket has no device clear")

    def reopen(self) -> None:
        """Build a new resource."""
        self.close()
        if (wait_s := self._closed_at + self._between_connections_s - self._clock.now()) > 0:
            self._clock.sleep(wait_s)
        self._alive(OPEN_S)
        with _FOREIGN:
            if self._manager is None:
                self._manager = self._factory()
            self._resource = self._manager.open_resource(
                self._address,
                open_timeout=int(OPEN_S * 1000),
                timeout=int(OPEN_S * 1000),
                chunk_size=CHUNK,
                read_termination=self._end.decode("ascii"),
                write_termination=self._end.decode("ascii"),
                **_line_attributes(self._serial_line),
            )
            self._timeout_s = OPEN_S
            below = _below(self._manager, self._resource)
            if isinstance(connection := getattr(below, "interface", None), socket.socket):
                connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)  # Nagle's delay off
                if code := connection.getsockopt(socket.SOL_SOCKET, socket.SO_ERROR):
                    raise ConnectionRefused(os.strerror(code))
            # What marks the end of a message throws an unread one away by itself.
            self._look = (lambda: False) if self._interface.marks_end else _looking(below, self._resource)
        if self._interface.way_back == "quiet window":
            self._wait_for_quiet()

    def close(self) -> None:
        """Let go; what fails here does not matter any more."""
        resource, self._resource = self._resource, None
        if resource is not None:
            self._alive(self._timeout_s)
            try:
                with _FOREIGN:
                    resource.close()
            except PortError:
                pass
            self._closed_at = self._clock.now()

    def _alive(self, timeout_s: float) -> None:
        """Say before a call how long it may take."""
        self._on_life(LASTS * timeout_s + self._between_s)

    def _begin(self, timeout_s: float) -> None:
        self._alive(timeout_s)
        self._set_timeout(timeout_s)

    def _open_resource(self) -> Any:
        if self._resource is None:
            raise PortError("the connection is closed")
        return self._resource

    def _read(self, count: int) -> bytes:
        """Read once, to a newline, the message's end or `count`: asked for more, pyvisa waits at an end for ever."""
        try:
            with _FOREIGN:
                return bytes(self._open_resource().read_bytes(count, chunk_size=count, break_on_termchar=True))
        except PortError:
            self.unread()  # a connection that is closed looks like a time-out otherwise
            raise

    def _set_timeout(self, timeout_s: float) -> None:
        if timeout_s != self._timeout_s:
            with _FOREIGN:
                self._open_resource().timeout = max(1, round(timeout_s * 1000))
            self._timeout_s = timeout_s

    def _wait_for_quiet(self) -> None:
        """Throw away what comes in until a whole window passes without a byte."""
        thrown_away = 0
        for _ in range(QUIET_WINDOWS):
            self._clock.sleep(QUIET_S)
            with _FOREIGN:
                waiting = int(self._open_resource().bytes_in_buffer)
            if waiting == 0:
                return
            self._set_timeout(OPEN_S)
            thrown_away += len(self._read(waiting))
            if thrown_away > LARGEST_DRAIN:
                break
        raise PortError("the line does not fall silent")


class _Foreign:
    """Map what pyvisa and its libraries throw: VisaIOError, InvalidSession, OSError, RuntimeError, bare Exception, …

    A class, and one of it: a point enters it dozens of times, and a generator would cost ten times as much.
    """

    def __enter__(self) -> None:
        """Nothing to prepare."""

    def __exit__(self, _kind: object, error: BaseException | None, _traceback: object) -> None:
        """Make a PortError of what is no error of ours; an interrupt is nobody's."""
        if isinstance(error, Exception) and not isinstance(error, HalfpowerError):
            if missing := _not_installed(error):
                raise NoLibrary(missing) from error
            raise PortError(_in_words(error)) from error


_FOREIGN: Final = _Foreign()


def _in_words(error: Exception) -> str:
    code = getattr(error, "error_code", None)
    if code is not None and getattr(code, "name", "") == "error_timeout":
        return "no answer in time"
    text = " ".join(str(error).split()) or type(error).__name__
    return text.rstrip(".")


def _not_installed(error: Exception) -> str:
    """What an interface lacks, in the words of the library that looked for it: it names the packages."""
    text = _in_words(error)
    asks = isinstance(error, ValueError) and text.startswith("Please install ")
    return text.removeprefix("Please ") if asks or isinstance(error, ImportError) else ""


def _line_attributes(line: SerialLine | None) -> dict[str, Any]:
    """How a serial line is set, in pyvisa's words; without the table the library's own 9600 baud, 8N1 stands."""
    if line is None:
        return {}
    from pyvisa.constants import ControlFlow, Parity, StopBits

    return {
        "baud_rate": line.baud,
        "data_bits": line.data_bits,
        "parity": Parity[line.parity],
        "stop_bits": {1: StopBits.one, 2: StopBits.two}[line.stop_bits],
        "flow_control": ControlFlow[line.flow_control],
    }


def _below(manager: Any, resource: Any) -> Any:
    """Return pyvisa-py's own session, where it is the library: some things cannot be asked through an attribute."""
    sessions = getattr(manager.visalib, "sessions", None)
    return sessions.get(resource.session) if isinstance(sessions, dict) else None


def _looking(below: Any, resource: Any) -> Callable[[], bool]:
    """How to look for bytes that wait: below pyvisa-py at the socket, else by the attribute, where there is one."""
    connection = getattr(below, "interface", None)
    if isinstance(connection, socket.socket):
        return lambda: bool(getattr(below, "_pending_buffer", b"")) or _waits(connection)

    from pyvisa.constants import ResourceAttribute

    def attribute() -> bool:
        return int(resource.get_visa_attribute(ResourceAttribute.asrl_avalaible_number)) > 0

    try:
        with _FOREIGN:
            attribute()
    except PortError:
        return lambda: False  # a raw socket below another library
    return attribute


def _waits(connection: socket.socket) -> bool:
    """Whether there is something to read at a socket, without reading it."""
    if not select.select([connection], [], [], 0)[0]:
        return False
    if not connection.recv(1, socket.MSG_PEEK):
        raise ConnectionRefused("the instrument has closed the connection")
    return True


def resource_manager(library: str = "") -> ResourceManagerFactory:
    """Return a factory for pyvisa's own manager: the installed VISA, or pyvisa-py where there is none."""

    @cache  # looking for an installed library starts processes, 0.1 s a time; and pyvisa has one manager a library
    def open_manager() -> Any:
        import pyvisa

        try:
            return pyvisa.ResourceManager(library)
        except (OSError, ValueError):  # no VISA library is installed
            return pyvisa.ResourceManager("@py")

    return open_manager


def library_of(factory: ResourceManagerFactory) -> str:
    """What `resource_manager` must be told to use the same library without looking for it."""
    visalib = factory().visalib
    return "@py" if type(visalib).__module__.startswith("pyvisa_py") else str(visalib.library_path)


def dialect_of(instrument: Instrument) -> Dialect:
    """How the bench file says that an instrument is spoken to."""
    return IEEE_488_2 if instrument.link is None else Dialect.of(instrument.link.model_dump())


def open_link(
    instrument: Instrument,
    role: Role,
    resource_manager_factory: ResourceManagerFactory,
    clock: Clock,
    on_event: OnEvent = lambda _kind, _text: None,
    *,
    on_life: OnLife = no_sign,
    between_s: float = BETWEEN_SIGNS_S,
    first_nonce: int = 0,
    trace: Trace | None = None,
) -> Link:
    """Open an instrument of the bench file: in step, recognised, its old errors cleared; `trace` is told all of it."""
    if instrument.address is None:
        raise ConfigError(f'the {role} has no address; write its VISA address, or driver = "manual"')
    dialect = dialect_of(instrument)
    port: Port = VisaPort(
        instrument.address, factory=resource_manager_factory, clock=clock, serial_line=instrument.serial_line,
        dialect=dialect, on_life=on_life, between_s=between_s,
    )  # fmt: skip
    if trace is not None:
        port = trace.port(role, port, clock)
    link = Link(
        port, f"{role} ({instrument.label})", clock=clock, timeout_s=instrument.timeout,
        expected_identity=instrument.identity, tag_queries=instrument.tag_queries, on_event=on_event,
        next_error=instrument.commands.get("next_error", ":SYST:ERR?"), dialect=dialect, first_nonce=first_nonce,
    )  # fmt: skip
    try:
        link.connect()
    except BaseException:
        link.close()
        raise
    return link
