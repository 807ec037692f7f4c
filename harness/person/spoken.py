"""A reading as a person says it: halves, small divisions, so much up and so much down, ±.   [pure]

What is said becomes amounts, each a number with or without a unit, and how they belong together.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from typing import Final, Literal

from harness.words.language import tr

Together = Literal["alone", "sum", "up and down", "up", "down", "either way"]

_COUNTS: Final[Mapping[str, Fraction]] = {
    "half": Fraction(1, 2), "quarter": Fraction(1, 4), "½": Fraction(1, 2), "¼": Fraction(1, 4), "¾": Fraction(3, 4),
    "one": Fraction(1), "two": Fraction(2), "three": Fraction(3), "four": Fraction(4), "five": Fraction(5),
    "six": Fraction(6), "seven": Fraction(7), "eight": Fraction(8), "nine": Fraction(9), "ten": Fraction(10),
}  # fmt: skip
_ARTICLES: Final = ("a", "an", "of")
_DIV: Final = frozenset(("div", "divs", "division", "divisions"))
_SMALL: Final = frozenset(("small", "minor", "subdivision", "subdivisions"))
_UP: Final = ("up", "above")
_DOWN: Final = ("down", "below")
_EITHER: Final = re.compile(r"^(?:±|\+\s*/?\s*[-−])\s*(.+)$|^(.+?)\s+(?:each way|either way|each side|either side)$")
_NUMBER: Final = re.compile(r"[+-]?(?:\d{1,12}(?:\.\d{0,12})?|\.\d{1,12})", re.ASCII)
_FRACTION: Final = re.compile(r"(\d{1,3})/([1-9]\d{0,2})", re.ASCII)
_BETWEEN: Final = re.compile(
    r"\s*\b(?:up|above|down|below|and)\b\s*|,\s|(?<=[\w.½¼¾])(?<!\d[eE])\s*\+\s*", re.IGNORECASE
)
_DECIMAL_COMMA: Final = re.compile(r"(?<=[0-9]),(?=[0-9])")


@dataclass(frozen=True, slots=True, kw_only=True)
class Spoken:
    """Amounts such as "2.8" or "1.4 V", and how they belong together."""

    amounts: tuple[str, ...]
    together: Together


def heard(text: str, subdivisions: int | None = None) -> Spoken:
    """What was said; raises ValueError with one sentence where small divisions are counted that nobody knows."""
    said = _DECIMAL_COMMA.sub(".", " ".join(text.split()))
    if (either := _EITHER.fullmatch(said)) is not None:
        return Spoken(amounts=(_amount(either[1] or either[2], subdivisions),), together="either way")
    turns = [word for word in said.lower().replace(",", " ").split() if word in (*_UP, *_DOWN)]
    parts = [part.strip(" ,") for part in _BETWEEN.split(said)]
    if not turns and not all(parts):
        return Spoken(amounts=(said,), together="alone")
    amounts = _with_units([_amount(part, subdivisions) for part in parts if part])
    if not turns:
        return Spoken(amounts=amounts, together="alone" if len(amounts) == 1 else "sum")
    ups = sum(word in _UP for word in turns)
    if len(amounts) == len(turns) == 1:
        return Spoken(amounts=amounts, together="up" if ups else "down")
    if len(amounts) == len(turns) == 2 and ups == 1:
        return Spoken(amounts=amounts, together="up and down")
    return Spoken(amounts=(said,), together="alone")


def _with_units(amounts: list[str]) -> tuple[str, ...]:
    """A number without a unit has the one that comes last: "1 and a half volts" are of one kind."""
    found = _NUMBER.match(amounts[-1]) if amounts else None
    unit = amounts[-1][found.end() :].strip() if found else ""
    return tuple(f"{each} {unit}" if unit and _NUMBER.fullmatch(each) else each for each in amounts)


def _amount(said: str, subdivisions: int | None) -> str:
    """One amount as digits and a unit; as it was said where no word of counting is in it."""
    words = [word for word in said.split() if word.lower() not in _ARTICLES]
    count, rest = Fraction(0), words
    while rest and (value := _count(rest[0])) is not None:
        count, rest = count + value, rest[1:]
        if rest and rest[0].lower() == "quarters":
            count, rest = count / 4, rest[1:]
    if rest is words:  # "a division" is one, "245mV" says its number itself
        count = Fraction(bool(rest) and len(words) < len(said.split()))
    unit = {word.lower() for word in rest}
    if not count or (len(words) - len(rest) == 1 and _NUMBER.fullmatch(words[0]) and not unit & (_DIV | _SMALL)):
        return said
    if not unit & _SMALL:
        return f"{float(count):.9g} {'div' if unit and unit <= _DIV else ' '.join(rest)}".strip()
    if subdivisions is None:
        raise ValueError(
            tr("{said!r}: how many small divisions make one is not known here; say it in divisions.", said=said)
        )
    return f"{float(count / subdivisions):.9g} div" if unit <= _DIV | _SMALL else said


def _count(word: str) -> Fraction | None:
    """The number that a word is."""
    word = word.lower()
    if word in _COUNTS:
        return _COUNTS[word]
    if (fraction := _FRACTION.fullmatch(word)) is not None:
        return Fraction(int(fraction[1]), int(fraction[2]))
    if word[-1:] in _COUNTS and _NUMBER.fullmatch(word[:-1]):
        return Fraction(word[:-1]) + _COUNTS[word[-1]]
    return Fraction(word) if _NUMBER.fullmatch(word) else None
