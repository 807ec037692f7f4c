"""What replies look like, and what they say, after IEEE 488.2 and SCPI-1999.   [pure]"""

from __future__ import annotations

import re
from functools import lru_cache
from typing import Final

NUMBER: Final = r"[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[Ee][+-]?\d+)?"
ERROR_ENTRY: Final = r'[+-]?\d+,\s*".*"'
COMPLETE: Final = r"\+?1"

NO_VALUE: Final = 9.9e37 * (1 - 1e-6)
"""SCPI-1999 says 9.9E37 for infinity and 9.91E37 for "not a number"; instruments pad and round both."""

POWER_ON: Final = 128  # bit 7 of the standard event status register, IEEE 488.2
EVENT_ERRORS: Final = {32: -100, 16: -200, 8: -300, 4: -400}  # its error bits and their classes, SCPI-1999


def identity_agrees(answered: str, expected: str) -> bool:
    """Compare field by field; the expected identity may leave out the last fields, such as the firmware's version."""
    theirs = [part.strip() for part in answered.split(",")]
    ours = [part.strip() for part in expected.split(",")]
    return theirs[: len(ours)] == ours


def is_of_the_way(code: int) -> bool:
    """SCPI-1999: −4xx are query errors, −36x errors of the communication; neither is the instrument's no."""
    return -500 < code <= -400 or -370 < code <= -360


def code_of(entry: str) -> int:
    """Return the number of an error entry."""
    return int(entry.split(",", 1)[0])


def rooted(text: str) -> str:
    """Start at the root of the command tree, wherever the message before ended."""
    text = text.strip()
    return text if not text or text[0] in ":*" else f":{text}"


@lru_cache(maxsize=512)
def pattern(shape: str) -> re.Pattern[str]:
    """Compile a shape; \\d means 0 to 9 and no other script's digits."""
    return re.compile(shape, re.ASCII)


def short(reply: str) -> str:
    """Quote a reply in a sentence."""
    return repr(reply if len(reply) <= 60 else reply[:57] + "…")
