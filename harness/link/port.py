"""The bytes below a link, so that a link knows nothing of VISA; and an instrument in memory behind them."""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol, TypeAlias

from harness.errors import HalfpowerError

Handle: TypeAlias = Callable[[bytes], bytes | None]
"""An instrument without I/O: one program message in, its response message (no newline) or None out."""

Damage: TypeAlias = Callable[[bytes], tuple[bytes, bytes]]
"""What becomes of a reply on its way: the bytes that arrive in time, and those that arrive late."""


class PortError(HalfpowerError):
    """Bytes could not be moved; a link makes a `LinkError` of it."""


class NoLibrary(PortError):  # noqa: N818 - says what is the matter
    """What the interface needs is not installed: no try helps, and no look at the cable."""


class ConnectionRefused(PortError):  # noqa: N818 - says what happened
    """The other end does not take the connection, or has closed it."""


class Port(Protocol):
    """Every call ends within its time, and fails with `PortError` alone."""

    def write(self, message: bytes) -> None:
        """Send one message; the port adds the terminator."""

    def unread(self) -> bool:
        """Whether bytes wait that nobody has read; False where the interface cannot tell."""

    def read_line(self, timeout_s: float) -> bytes:
        """Read up to the newline or the end of the message, both taken off."""

    def read_bytes(self, count: int, timeout_s: float) -> bytes:
        """Read exactly so many bytes, newlines among them."""

    def read_rest(self, timeout_s: float) -> bytes:
        """Read to the end of the message; PortError where the interface marks no end."""

    def clear(self) -> None:
        """Throw away what is under way, the interface's own way; PortError where there is none."""

    def reopen(self) -> None:
        """Close, and open anew."""

    def close(self) -> None:
        """Let go; never fails."""


class MemoryPort:
    """An instrument in this process; with `damage`, a poor line to it. A time-out loses the part that came."""

    def __init__(self, handle: Handle, *, damage: Damage = lambda reply: (reply, b""), can_clear: bool = False) -> None:
        self.messages: list[bytes] = []
        self.reopened = 0
        self._handle, self._damage, self._can_clear = handle, damage, can_clear
        self._open = False
        self._waiting = b""
        self._late = b""

    def write(self, message: bytes) -> None:
        """Send one message."""
        self._require_open()
        self._waiting += self._late
        self._late = b""
        self.messages.append(message)
        reply = self._handle(message)
        if reply is not None:
            now, late = self._damage(reply + b"\n")
            self._waiting += now
            self._late += late

    def unread(self) -> bool:
        """Whether bytes wait that nobody has read."""
        self._require_open()
        return bool(self._waiting)

    def read_line(self, timeout_s: float) -> bytes:
        """Read up to the newline."""
        self._require_open()
        line, newline, rest = self._waiting.partition(b"\n")
        if not newline:
            raise self._timed_out(timeout_s)
        self._waiting = rest
        return line

    def read_bytes(self, count: int, timeout_s: float) -> bytes:
        """Read exactly so many bytes."""
        self._require_open()
        if len(self._waiting) < count:
            raise self._timed_out(timeout_s)
        data, self._waiting = self._waiting[:count], self._waiting[count:]
        return data

    def read_rest(self, timeout_s: float) -> bytes:
        """Read to the end of the message."""
        self._require_open()
        if not self._waiting:
            raise self._timed_out(timeout_s)
        data, self._waiting = self._waiting.removesuffix(b"\n"), b""
        return data

    def clear(self) -> None:
        """Throw away what is under way, if this line can."""
        if not self._can_clear:
            raise PortError("this line has no device clear")
        self._waiting = self._late = b""

    def reopen(self) -> None:
        """Start afresh."""
        self._open, self._waiting, self._late = True, b"", b""
        self.reopened += 1

    def close(self) -> None:
        """Let go."""
        self._open = False

    def hang_up(self) -> None:
        """The other end closes the connection."""
        self._open = False

    def _require_open(self) -> None:
        if not self._open:
            raise PortError("the connection is closed")

    def _timed_out(self, timeout_s: float) -> PortError:
        self._waiting = b""
        return PortError(f"no answer within {timeout_s:g} s")
