"""What the laboratory's register says of its standards: which certificates run out soon, or have run out."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from harness.errors import HalfpowerError
from harness.files.files import read_register
from harness.files.register import Register, Standard
from harness.office.sight import Due
from harness.office.stored import due


@dataclass(slots=True, kw_only=True)
class Registered:
    """A register that is looked at again and again; it is read anew where the file has changed."""

    path: Path
    within: dt.timedelta
    _stamp: tuple[int, int] = (0, 0)
    _register: Register | None = None
    _trouble: str = ""

    def look(self, today: dt.date) -> tuple[tuple[Due, ...], frozenset[str], str]:
        """What is due, the serial numbers that it knows, and why it cannot be read."""
        self._read()
        if self._register is None:
            return (), frozenset(), self._trouble
        soon = sorted(self._due(self._register, today), key=lambda each: (each.day, each.what))
        return tuple(soon), frozenset(each.serial for each in self._register.standard), self._trouble

    def _read(self) -> None:
        try:
            status = self.path.stat()
            if self._stamp != (stamp := (status.st_mtime_ns, status.st_size)):
                self._stamp = stamp
                self._register, self._trouble = read_register(self.path).value, ""
        except HalfpowerError as error:  # what it said before stands
            self._trouble = str(error)
        except OSError as error:
            self._trouble = f"{self.path}: cannot be read: {error.strerror}."

    def _due(self, register: Register, today: dt.date) -> Iterator[Due]:
        for standard in register.standard:
            certificate = standard.on(today)
            if isinstance(certificate, str):
                yield Due(what=_name(standard), detail=certificate, day="", word="not to be used", kind="bad")
            elif certificate.last_day <= today + self.within:
                yield due(_name(standard), f"certificate {certificate.number}", certificate.last_day, today)


def _name(standard: Standard) -> str:
    """As a bench shows it."""
    made = " ".join(part for part in (standard.maker, standard.model) if part)
    return f"{made} no. {standard.serial}" if made else standard.serial
