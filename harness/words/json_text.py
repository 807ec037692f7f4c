"""JSON as text that steers nothing: what a terminal, or the direction of a text, would obey is written as an escape."""

from __future__ import annotations

import json
import re
from typing import Any, Final

# DEL and the C1 controls, of which U+009B begins a command to a terminal; line and paragraph separators; the
# characters with the property Bidi_Control (Unicode Standard Annex 9); the byte order mark. json escapes C0 itself.
_STEERS: Final = re.compile("[\x7f-\x9f\u061c\u200e\u200f\u2028-\u202e\u2066-\u2069\ufeff]")


def json_text(value: Any, *, indent: int | None = None, compact: bool = False) -> str:
    """Write a value as JSON, its letters as they are; raises ValueError for NaN and infinity."""
    separators = (",", ":") if compact else None
    text = json.dumps(value, ensure_ascii=False, allow_nan=False, indent=indent, separators=separators)
    # Outside texts JSON has none of these, so each stands within one, where the escape means the same.
    return _STEERS.sub(lambda match: f"\\u{ord(match[0]):04x}", text)
