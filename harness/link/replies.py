"""What replies look like, and what they say, after IEEE 488.2 and SCPI-1999.   [pure]"""

from __future__ import annotations

import re
from functools import lru_cache
from typing import Final

NUMBER: Final = r"[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[Ee][+-]?\d+)?"
WHOLE: Final = r"\+?\d+"
ERROR_ENTRY: Final = r'[+-]?\d+(?:\s*,\s*(?:"(?:[^"]|"")*"|[^"]*?))?'
"""SCPI-1999 has the text in quotes; instruments leave the quotes out, or the text."""
COMPLETE: Final = r"\+?0*1"

NO_NUMBER: Final = r"(?i:[+-]?(?:NAN|N?INF(?:INITY)?))"
NO_VALUE: Final = 9.9e37 * (1 - 1e-6)
"""SCPI-1999 says 9.9E37 for infinity and 9.91E37 for "not a number"; instruments pad and round both."""

POWER_ON: Final = 128  # bit 7 of the standard event status register, IEEE 488.2
EVENT_ERRORS: Final = {32: -100, 16: -200, 8: -300, 4: -400}  # its error bits and their classes, SCPI-1999


def identity_agrees(answered: str, expected: str) -> bool:
    """Compare field by field; the expected identity may leave out the last fields, such as the firmware's version."""
    theirs = [part.strip() for part in answered.split(",")]
    ours = [part.strip() for part in expected.split(",")]
    return theirs[: len(ours)] == ours


def model_of(identity: str) -> str:
    """The second field, IEEE 488.2, clause 10.14; empty where there is none."""
    fields = identity.split(",")
    return fields[1].strip() if len(fields) > 1 else ""


def serial_of(identity: str) -> str:
    """The third field; empty where there is none, or where it is the "0" of an instrument that does not say."""
    fields = identity.split(",")
    serial = fields[2].strip() if len(fields) > 2 else ""
    return serial if serial.strip("0") else ""


def folded(text: str) -> str:
    """For comparison: case and blanks aside."""
    return "".join(text.split()).casefold()


def is_model(answered: str, stated: str) -> bool:
    """Whether two names may be one model's: equal, or all words of one among those of the other ("MODEL 2041")."""
    ours, theirs = set(stated.casefold().split()), set(answered.casefold().split())
    return folded(answered) == folded(stated) or ours <= theirs or theirs <= ours


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


def untagged(reply: str, tag: int | None) -> str | None:
    """Return a reply without the number that it must end in; None where that is another number, or missing."""
    if tag is None:
        return reply
    body, _, last = reply.rpartition(";")
    return body.rstrip() if pattern(WHOLE).fullmatch(last.strip()) and int(last) == tag else None


@lru_cache(maxsize=512)
def pattern(shape: str) -> re.Pattern[str]:
    """Compile a shape; \\d means 0 to 9 and no other script's digits."""
    return re.compile(shape, re.ASCII)


@lru_cache(maxsize=512)
def joined(shapes: tuple[str, ...]) -> tuple[re.Pattern[str], tuple[str, ...]]:
    """Compile the shape of a reply of several parts; with the names of its parts."""
    names = tuple(f"_{number}" for number in range(len(shapes)))
    parts = (f"(?P<{name}>{shape})" for name, shape in zip(names, shapes, strict=True))
    return pattern(r"\s*;\s*".join(parts)), names


def short(reply: str) -> str:
    """Quote a reply in a sentence."""
    return repr(reply if len(reply) <= 60 else reply[:57] + "…")
