"""One name for each instrument, however its VISA address is written: what a lock is taken on.

References
----------
VPP-4.3, section 4.3.1.1 (from memory): case does not matter; board 0, `INSTR`, the LAN device `inst0` and the USB
interface 0 may be left out. IANA's register of ports (from memory): 5025 is scpi-raw, 4880 is hislip.
"""

from __future__ import annotations

import ipaddress
import re
import socket
import threading
from pathlib import Path
from typing import Final

_INTERFACE: Final = re.compile(r"(gpib|tcpip|usb|asrl)(\d*)::(.*)", re.IGNORECASE)
_SERIAL: Final = re.compile(r"asrl([^:]+)", re.IGNORECASE)
_NUMBER: Final = re.compile(r"0x[0-9a-f]+|\d+")
_OF_THE_HOST: Final = ("", "inst0", "hislip0", "hislip0,4880", "5025::socket")  # one instrument, by three protocols
LOOK_UP_S: Final = 2.0  # a name server that is away holds nobody up for longer


def same_for_all(name: str) -> tuple[str, ...]:
    """The names that every spelling of an address comes to, one for each IP address of its host; others as they are.

    What comes out may be put in again: it comes to itself.
    """
    if serial := _SERIAL.match(name.strip()):
        return (f"asrl{_port(serial.group(1))}",)
    match = _INTERFACE.fullmatch(name.strip())
    if match is None:
        return (name,)
    interface, board, rest = match.group(1).lower(), int(match.group(2) or 0), match.group(3).casefold()
    if interface == "tcpip":
        host, _, device = rest.partition("::")
        device = device.removesuffix("instr").removesuffix("::")
        host, comma, port = host.partition(",")  # of a VXI-11 server that no port mapper is asked for
        place = f"{comma}{port}" + ("" if device in _OF_THE_HOST else f"::{device}")
        return tuple(f"tcpip0::{address}{place}" for address in _numeric(host))
    parts = [_plain(part) for part in rest.removesuffix("::instr").split("::")]
    if interface == "usb" and parts[3:] == ["0"]:
        parts = parts[:3]
    return (f"{interface}{board}::{'::'.join(parts)}",)


def _port(port: str) -> str:
    """A serial port by its number, or by the device that a link to it leads to."""
    if Path(port).is_absolute():
        return str(Path(port).resolve())
    return port.casefold().removeprefix("com")


def _plain(part: str) -> str:
    return str(int(part, 0 if part.startswith("0x") else 10)) if _NUMBER.fullmatch(part) else part


def _numeric(host: str) -> tuple[str, ...]:
    """A host by its IP addresses; by its name where no name server tells them in time."""
    try:
        return (str(ipaddress.ip_address(host)),)
    except ValueError:
        pass
    numbers: set[str] = set()
    thread = threading.Thread(target=_look_up, args=(host, numbers), daemon=True)
    thread.start()
    thread.join(LOOK_UP_S)
    return tuple(sorted(numbers)) or (host.removesuffix("."),)


def _look_up(host: str, numbers: set[str]) -> None:
    try:
        answers = socket.getaddrinfo(host, None, family=socket.AF_INET)  # an address of VISA has no other
    except (OSError, UnicodeError):
        return
    numbers |= {str(answer[4][0]) for answer in answers}
