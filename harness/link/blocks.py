"""A block of bytes on its way in: IEEE 488.2, 8.7.9 (definite length) and 8.7.10 (indefinite)."""

from __future__ import annotations

import re
from typing import Final

from harness.link.port import Port, PortError
from harness.link.replies import short

LARGEST_BLOCK: Final = 1 << 26
LONGEST_HEADER: Final = 64


def read_block(
    port: Port, expected_bytes: int | None, timeout_s: float, *, tagged: bool = False, headed: bool = False
) -> tuple[bytes, str]:
    """Read a block and what follows it; `tagged` says that a counted echo does. Raises PortError for what is no block.

    `headed`: a header may stand before it.

    A block of unknown length, `#0…`, ends with the message; `expected_bytes` ends it where no end is marked.
    """
    head = port.read_bytes(1 if headed else 2, timeout_s)
    if headed:
        for _ in range(LONGEST_HEADER):
            if head == b"#":
                break
            head = port.read_bytes(1, timeout_s)
        head += port.read_bytes(1, timeout_s)
    if re.fullmatch(rb"#\d", head) is None:
        raise PortError(f"a block of data was expected, not {short(head.decode('latin-1'))}")
    if head != b"#0":
        length = port.read_bytes(int(head[1:]), timeout_s)
        if not length.isdigit() or int(length) > LARGEST_BLOCK:
            raise PortError(f"a block cannot be {length!r} bytes long")
        data = port.read_bytes(int(length), timeout_s)
    elif expected_bytes is not None:
        data = port.read_bytes(expected_bytes, timeout_s)
    else:
        rest = port.read_rest(timeout_s)
        if tagged:
            rest, _, tag = rest.rpartition(b";")
            return rest, f";{tag.decode('latin-1').strip()}"
        return rest.removesuffix(b"\n"), ""
    return data, port.read_line(timeout_s).decode("latin-1").strip()
