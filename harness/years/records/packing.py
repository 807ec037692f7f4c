"""A journal's bytes as a store keeps them: packed as closely as what stands in them allows, and back.   [pure]

The checksum at the end of a line follows from the lines up to it, so it is left out and worked out again. What is left
is mostly the readings' own digits. The first byte says how it was packed; zlib's own (RFC 1950) is of stores before.
"""

from __future__ import annotations

import lzma
import zlib
from typing import Final

from harness.journal.sealed import sealed, unsealed

ZLIB: Final = b"\x78"
_WHOLE: Final = b"\x01"  # LZMA
_UNSEALED: Final = b"\x02"  # LZMA of lines without their checksums
# Text has no words of 4 bytes, so pb = 0. These are part of the format: what was packed is unpacked with the same.
_FILTERS: Final = [
    {"id": lzma.FILTER_LZMA2, "preset": 6 | lzma.PRESET_EXTREME, "dict_size": 1 << 20, "lc": 2, "lp": 0, "pb": 0}
]


def pack(journal: bytes) -> bytes:
    """Pack a journal."""
    lines = unsealed(journal)
    kind, text = (_UNSEALED, lines) if sealed(lines) == journal else (_WHOLE, journal)
    return kind + lzma.compress(text, format=lzma.FORMAT_RAW, filters=_FILTERS)


def unpack(packed: bytes) -> bytes:
    """Unpack it; raises ValueError where it is damaged."""
    kind = packed[:1]
    try:
        if kind == ZLIB:
            return zlib.decompress(packed)
        if kind not in (_WHOLE, _UNSEALED):
            raise ValueError("packed in a way that is not known")
        text = lzma.decompress(packed[1:], format=lzma.FORMAT_RAW, filters=_FILTERS)
    except (zlib.error, lzma.LZMAError) as error:
        raise ValueError(str(error)) from None
    return sealed(text) if kind == _UNSEALED else text
