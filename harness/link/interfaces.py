"""What an address tells: which interface it is, and what that interface can do.   [pure]"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final, Literal

from harness.errors import ConfigError


@dataclass(frozen=True, slots=True, kw_only=True)
class Interface:
    """What an interface can do for a link that is out of step; docs/interfaces.md shows the same table."""

    name: str
    example: str
    way_back: Literal["reopen", "device clear", "quiet window"]
    marks_end: bool  # whether the end of a message is told apart from a newline in it
    needs: str
    pattern: str


_PURE: Final = "nothing more"
INTERFACES: Final = (
    Interface(
        name="raw socket",
        example="TCPIP0::192.0.2.11::5025::SOCKET",
        way_back="reopen",
        marks_end=False,
        needs=_PURE,
        pattern=r"TCPIP\d*::[^:]+::\d+::SOCKET",
    ),
    Interface(
        name="HiSLIP",
        example="TCPIP0::192.0.2.11::hislip0::INSTR",
        way_back="device clear",
        marks_end=True,
        needs=_PURE,
        pattern=r"TCPIP\d*::[^:]+::hislip\d+(,\d+)?(::INSTR)?",
    ),
    Interface(
        name="VXI-11",
        example="TCPIP0::192.0.2.11::inst0::INSTR",
        way_back="device clear",
        marks_end=True,
        needs=_PURE,
        pattern=r"TCPIP\d*::[^:]+(::[a-z][^:]*)?(::INSTR)?",
    ),
    Interface(
        name="GPIB",
        example="GPIB0::9::INSTR",
        way_back="device clear",
        marks_end=True,
        needs="the interface's VISA library or driver",
        pattern=r"GPIB\d*::\d+(::\d+)?(::INSTR)?",
    ),
    Interface(
        name="USBTMC",
        example="USB0::0x1234::0x5678::SN1::INSTR",
        way_back="device clear",
        marks_end=True,
        needs="a VISA library, or pyusb",
        pattern=r"USB\d*::(0x[\da-f]+|\d+)::(0x[\da-f]+|\d+)::[^:]+(::\d+)?(::INSTR)?",
    ),
    Interface(
        name="serial",
        example="ASRL/dev/ttyUSB0::INSTR",
        way_back="quiet window",
        marks_end=False,
        needs='`pip install ".[serial]"`',
        pattern=r"ASRL[^:]+(::INSTR)?",
    ),
)


def interface_of(address: str) -> Interface:
    """Tell the interface from the address; raises ConfigError with what is wrong with it."""
    for interface in INTERFACES:
        if re.fullmatch(interface.pattern, address, re.IGNORECASE):
            return interface
    forgotten = re.fullmatch(r"(TCPIP\d*::[^:]+::\d+)(::|::INSTR)?", address, re.IGNORECASE)
    if forgotten:
        raise ConfigError(
            f"address {address!r} has a port number but does not end in SOCKET; "
            f"write '{forgotten.group(1)}::SOCKET' for a raw socket"
        )
    *most, last = [f"'{each.example}'" for each in INTERFACES if each.name != "VXI-11"]
    raise ConfigError(f"{address!r} is no VISA address; expected one such as {', '.join(most)} or {last}")
