"""Text that steers nothing: neither a terminal nor the direction of a page.   [pure]"""

from __future__ import annotations

import unicodedata
from typing import Final

_UNSEEN: Final = frozenset(
    "\u061c\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2028\u2029\u2066\u2067\u2068\u2069\ufeff"
)  # would turn the direction of the text around it, or break its line


def clean(text: str) -> str:
    r"""Write control characters out ("\x1b"): data never steers a terminal, nor the direction of a page's text."""
    if text.isprintable():  # nothing that steers is
        return text
    return "".join(
        f"\\x{ord(c):02x}" if unicodedata.category(c) in ("Cc", "Cs") or c in _UNSEEN else c
        for c in text.replace("\r\n", " ").replace("\n", " ").replace("\t", " ")
    )


def shortened(text: str, longest: int) -> str:
    """Cut a text to a number of characters, for places that have room for one line."""
    text = clean(text)
    return text if len(text) <= longest else text[: longest - 1] + "…"
