"""What an address tells: which interface it is, and what that interface can do.   [pure]"""

from __future__ import annotations

import re
from typing import Final, Literal, NamedTuple

from harness.errors import ConfigError


class Interface(NamedTuple):
    """What an interface can do for a link that is out of step; docs/interfaces.md shows the same table."""

    name: str
    example: str
    pattern: str
    way_back: Literal["reopen", "device clear", "quiet window"]
    needs: str = "nothing more"

    @property
    def marks_end(self) -> bool:
        """Whether the end of a message is told apart from a newline in it: what has a device clear does so."""
        return self.way_back == "device clear"


INTERFACES: Final = (
    Interface("raw socket", "TCPIP0::192.0.2.11::5025::SOCKET", r"TCPIP\d*::[^:]+::\d+::SOCKET", "reopen"),
    Interface(
        "HiSLIP", "TCPIP0::192.0.2.11::hislip0::INSTR", r"TCPIP\d*::[^:]+::hislip\d+(,\d+)?(::INSTR)?", "device clear"
    ),
    Interface(
        "VXI-11", "TCPIP0::192.0.2.11::inst0::INSTR", r"TCPIP\d*::[^:]+(::[a-z][^:]*)?(::INSTR)?", "device clear"
    ),
    Interface(
        "GPIB", "GPIB0::9::INSTR", r"GPIB\d*::\d+(::\d+)?(::INSTR)?", "device clear",
        needs="the interface's VISA library or driver",
    ),
    Interface(
        "USBTMC", "USB0::0x1234::0x5678::SN1::INSTR",
        r"USB\d*::(0x[\da-f]+|\d+)::(0x[\da-f]+|\d+)::[^:]+(::\d+)?(::INSTR)?", "device clear",
        needs="a VISA library, or pyusb",
    ),
    Interface(
        "serial", "ASRL/dev/ttyUSB0::INSTR", r"ASRL[^:]+(::INSTR)?", "quiet window", needs='`pip install ".[serial]"`'
    ),
)  # fmt: skip


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
    *most, last = [f"'{known.example}'" for known in INTERFACES if known.name != "VXI-11"]
    raise ConfigError(f"{address!r} is no VISA address; expected one such as {', '.join(most)} or {last}")
