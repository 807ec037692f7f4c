"""Instruments that do not speak as the standards say: what a profile's table `dialect` changes in a device."""

from __future__ import annotations

import re
from typing import Any, Final, Literal, TypeAlias

from pydantic import Field

from harness.sim.device import Device
from harness.sim.scpi import MessageUnit, ScpiError
from harness.values import Model, Seconds

End: TypeAlias = Literal["LF", "CR", "CR LF"]

_ENDS: Final = {"LF": b"\n", "CR": b"\r", "CR LF": b"\r\n"}
OWN: Final = {
    "mean": b"V", "ac_rms": b"V", "peak_to_peak": b"V", "amplitude": b"V", "period": b"s", "rise_time": b"s",
    "frequency": b"Hz", "overshoot": b"%",
}  # fmt: skip
"""What a scope measures by itself, each a function of `harness.sim.own`, and the unit of the answer."""
_UNITS: Final = OWN | {"vrms": b"V", "dbm": b"dBm"}
_NUMBER: Final = re.compile(rb"[+-]?(?:\d+\.?\d*|\.\d+)(?:E[+-]?\d+)?")


class SimulatedDialect(Model):
    """What is not as in IEEE 488.2 and SCPI-1999."""

    ends_with: End = Field("LF", description="what ends a message to it")
    answers_end_with: End = Field("LF", description="what ends its answers")
    compounds: bool = Field(True, description="whether it takes several commands in one message")
    colons: bool = Field(True, description="whether a command may begin with a colon")
    common: tuple[str, ...] | None = Field(None, description="the common commands that it knows; all where left out")
    acknowledges: str = Field("", description="what it answers to a command that asks nothing")
    refuses: str = Field("", description="what it answers to what it does not take")
    headers: bool = Field(False, description="whether answers begin with their header")
    units: bool = Field(False, description="whether numbers end in their unit")
    plus: bool = Field(False, description="whether it writes a plus before numbers")
    small_e: bool = Field(False, description="whether exponents begin with a small letter")
    quotes: bool = Field(True, description="whether the text of an error stands in quotes")
    connections: int = Field(0, ge=0, description="how many it serves at a time; any number where it is 0")
    lingers: Seconds = Field(0.0, ge=0, description="how long after one has ended it serves no other, in real time")


class DialectDevice(Device):
    """A device with a dialect."""

    def __init__(self, dialect: SimulatedDialect, **options: Any) -> None:
        self.dialect = dialect
        self._failed = False
        super().__init__(**options)
        self.ends_with = _ENDS[dialect.ends_with]
        self.answers_end_with = _ENDS[dialect.answers_end_with]

    def handle(self, line: bytes) -> bytes | None:
        """Obey a message, and say so or not."""
        self._failed = False
        if (not self.dialect.compounds and len(self._units(line)) > 1) or (
            not self.dialect.colons and line.startswith(b":")
        ):
            self.fail(-102)
            reply = None
        else:
            reply = super().handle(line)
        return self.dialect.refuses.encode() if self._failed and self.dialect.refuses else reply

    def fail(self, code: int) -> None:
        """Remember that something was not taken."""
        self._failed = True
        super().fail(code)

    def _obey(self, unit: MessageUnit) -> bytes | None:
        common = self.dialect.common
        if unit.header[0] == "*" and common is not None and unit.header not in common:
            raise ScpiError(-113)
        if unit.header[0] != "*" and self._find(unit.header)[0].name == "identity":
            return self.identity.encode("latin-1", "replace")
        reply = super()._obey(unit)
        if reply is None:
            return self.dialect.acknowledges.encode() or None
        return self._dressed(unit, reply)

    def _dressed(self, unit: MessageUnit, reply: bytes) -> bytes:
        dialect, name, suffix = self.dialect, "", b""
        if unit.header[0] != "*":
            command = self._find(unit.header)[0]
            name = command.name
            suffix = getattr(command.holds, "unit", "").encode() or _UNITS.get(name, b"")
        number = _NUMBER.fullmatch(reply) is not None
        if name == "error" and not dialect.quotes:
            reply = reply.replace(b'"', b"")
        if dialect.plus and reply[:1].isdigit():
            reply = b"+" + reply
        if number and dialect.small_e:
            reply = reply.replace(b"E", b"e")
        if number and dialect.units and suffix:
            reply += b" " + suffix
        if dialect.headers and name:
            reply = unit.header.rstrip("?").encode() + b" " + reply
        return reply
