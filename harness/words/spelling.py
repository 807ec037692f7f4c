"""Text for a terminal: no control characters, and only signs that the terminal's encoding carries.   [pure]"""

from __future__ import annotations

import re
import unicodedata
from functools import lru_cache
from typing import Final

from harness.words.clean import clean

# What stands beside the word of a verdict, so that no colour carries a meaning alone.
SIGN: Final[dict[str, str]] = {
    "pass": "✓", "conditional pass": "(✓)", "conditional fail": "(✗)", "fail": "✗", "undecided": "?",
    "not measured": "–", "meets": "✓", "conditionally meets": "(✓)", "does not meet": "✗", "cannot be decided": "?",
    "not done": "!", "not tried": "–",
}  # fmt: skip
_SPELT: Final = {
    "✓": "+", "✗": "x", "µ": "u", "μ": "u", "Ω": "ohm", "±": "+/-", "−": "-", "–": "-", "—": "-", "×": "x", "…": "...",
    "°": "deg ", "≤": "<=", "≥": ">=", "·": "-", "√": "sqrt ", "∞": "inf", "“": '"', "”": '"', "’": "'", "‘": "'",
    "●": "o", "◆": "X", "▾": "v",
}  # fmt: skip


def spelt(text: str, encoding: str) -> str:
    """Write a text in what an encoding carries: "(+1.2 ± 0.4) %" is "(+1.2 +/- 0.4) %" in ASCII."""
    text = clean(text)
    if carries(text, encoding):
        return text
    text = re.sub(" × 10([⁻⁰¹²³⁴⁵⁶⁷⁸⁹]+)", lambda m: "e" + unicodedata.normalize("NFKC", m[1]), text)
    return "".join(c if carries(c, encoding) else _SPELT.get(c) or _nearest(c, encoding) for c in text)


@lru_cache(maxsize=4096)
def carries(text: str, encoding: str) -> bool:
    """Whether an encoding can write a text."""
    try:
        text.encode(encoding)
    except UnicodeEncodeError:
        return False
    except LookupError:
        return text.isascii()
    return True


def _nearest(character: str, encoding: str) -> str:
    """The letter without its accent, or a question mark."""
    plain = "".join(c for c in unicodedata.normalize("NFKD", character) if not unicodedata.combining(c))
    return plain if plain and carries(plain, encoding) else "?"
