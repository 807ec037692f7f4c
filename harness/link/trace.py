"""A trace: every exchange with every instrument, with its time, in a file that a person reads.

A line is the time, the instrument, `>` for what is sent or `<` for what comes back, and the text. A block of data is
its length; what follows a word of secrecy in a command is left out, and so is every address. The file ends at a bound.
"""

from __future__ import annotations

import re
import threading
from collections.abc import Callable
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Final

from harness.errors import HalfpowerError
from harness.link.port import PortError

if TYPE_CHECKING:
    from harness.link.port import Port
    from harness.words.clock import Clock

MOST_BYTES: Final = 50_000_000
LONGEST: Final = 400  # characters of a line of data
_SECRET: Final = re.compile(
    r"([^;\s?]*(?:PASS|PWD|SECR|TOKEN|LOGIN|LICEN|KEY|CRED)[^;\s?]*\??)(?:\s+|=)[^;]*", re.IGNORECASE
)


class Trace:
    """The file; closed at the end of the block."""

    def __init__(self, path: Path, *, most_bytes: int = MOST_BYTES) -> None:
        try:
            self._file = path.open("w", encoding="utf-8", newline="\n")
        except OSError as error:
            raise HalfpowerError(f"{path}: no trace can be written there: {error.strerror}.") from None
        self._left, self._lock = most_bytes, threading.Lock()  # runs that share a bench share it

    def __enter__(self) -> Trace:
        return self

    def __exit__(self, _kind: type[BaseException] | None, _e: BaseException | None, _t: TracebackType | None) -> None:
        with self._lock:
            self._file.close()

    def port(self, role: str, port: Port, clock: Clock) -> Port:
        """The same port, traced."""
        return TracedPort(self, role, port, clock)

    def write(self, clock: Clock, role: str, way: str, text: str) -> None:
        """One line; a disk that is full costs the rest of the trace, and no run."""
        line = f"{clock.utc().isoformat(timespec='milliseconds')} {role} {way} {text}\n"
        with self._lock:
            if self._left <= 0 or self._file.closed:
                return
            self._left -= len(line.encode())
            try:
                self._file.write(line if self._left > 0 else "The trace ends here: it has its largest size.\n")
                self._file.flush()
            except OSError:
                self._left = 0


class TracedPort:
    """A port that tells a trace what passes."""

    def __init__(self, trace: Trace, role: str, port: Port, clock: Clock) -> None:
        self._trace, self._role, self._port, self._clock = trace, role, port, clock

    def write(self, message: bytes) -> None:
        """Send one message."""
        self._say(">", without_secrets(message.decode("latin-1")))
        self._port.write(message)

    def unread(self) -> bool:
        """Whether bytes wait."""
        return self._port.unread()

    def read_line(self, timeout_s: float) -> bytes:
        """Read a line."""
        return self._heard(lambda: self._port.read_line(timeout_s))

    def read_bytes(self, count: int, timeout_s: float) -> bytes:
        """Read so many bytes."""
        return self._heard(lambda: self._port.read_bytes(count, timeout_s), data=True)

    def read_rest(self, timeout_s: float) -> bytes:
        """Read to the end."""
        return self._heard(lambda: self._port.read_rest(timeout_s), data=True)

    def clear(self) -> None:
        """Throw away what is under way."""
        self._say("!", "device clear")
        self._port.clear()

    def reopen(self) -> None:
        """Open anew."""
        self._say("!", "opened")
        self._port.reopen()

    def close(self) -> None:
        """Let go."""
        self._say("!", "closed")
        self._port.close()

    def _heard(self, read: Callable[[], bytes], *, data: bool = False) -> bytes:
        try:
            heard = read()
        except PortError as error:
            self._say("!", str(error))
            raise
        plain = not data or len(heard) < 12
        self._say("<", heard.decode("latin-1") if plain else f"({len(heard)} bytes of data)")
        return heard

    def _say(self, way: str, text: str) -> None:
        kept = text if len(text) <= LONGEST else f"{text[:LONGEST]}… ({len(text)} characters)"
        self._trace.write(self._clock, self._role, way, "".join(c if c.isprintable() else repr(c)[1:-1] for c in kept))


def without_secrets(text: str) -> str:
    """A message without what follows a word of secrecy."""
    return _SECRET.sub(r"\1 (left out)", text)
