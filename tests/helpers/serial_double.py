"""The far end of a serial line, for tests: the double behind a pseudo-terminal."""

from __future__ import annotations

import contextlib
import os
import select
import threading

from tests.helpers.link_double import Double


class SerialDouble:
    """One instrument on a pseudo-terminal. A late reply comes before the next one; `hang_up` pulls the plug."""

    def __init__(self, double: Double, damage=lambda reply: (reply, b"")) -> None:
        import pty  # not on Windows
        import tty

        self.double, self.damage = double, damage
        self._late = b""
        self._stop = threading.Event()
        self.far, self.near = pty.openpty()
        tty.setraw(self.far)
        tty.setraw(self.near)
        self.address = f"ASRL{os.ttyname(self.near)}::INSTR"
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def _serve(self) -> None:
        waiting = b""
        while not self._stop.is_set():
            if not select.select([self.far], [], [], 0.01)[0]:
                continue
            with contextlib.suppress(OSError):
                waiting += os.read(self.far, 4096)
            while b"\n" in waiting:
                line, waiting = waiting.split(b"\n", 1)
                reply = self.double.handle(line)
                if reply is not None:
                    now, late = self.damage(reply + b"\n")
                    self.send(self._late + now)
                    self._late = late

    def send(self, data: bytes) -> None:
        if data:
            os.write(self.far, data)

    def close(self) -> None:
        self._stop.set()
        self._thread.join()
        os.close(self.far)
        os.close(self.near)
