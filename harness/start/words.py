"""Quantities in a sentence: ratios, single values, ladders of values, each taken out of the text around it.   [pure]"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal, TypeAlias

from harness.quantities import counted, parse, show, stepped, unphysical

Stepping: TypeAlias = Literal["continuous", "decade", "1-2-5"]
_MANTISSAS: Final = {"decade": (1,), "1-2-5": (1, 2, 5)}
_WORDS: Final[dict[str, Stepping]] = {"continuous": "continuous", "decade": "decade", "1-2-5": "1-2-5"}
NUMBER: Final = r"[0-9]+(?:\.[0-9]*)?|\.[0-9]+"
_COMMA: Final = re.compile(r"(?<![0-9,.])([0-9]+),([0-9]+)(?![0-9,])")  # a decimal comma, no list of numbers
STEPPING: Final = re.compile(r"\b(continuous|decade|1[-– ]2[-– ]5)(?:s|ly)?\b|\bany (?:value|level)s?\b", re.IGNORECASE)
TO: Final = re.compile(rf"({NUMBER})\s*(\S*)\s*(?:\bto\b|–|—|…|\.\.\.?|-)\s*({NUMBER})\s*(\S+)", re.IGNORECASE)
_RATIO: Final = re.compile(rf"(?:±|\+/-|\+-)?\s*({NUMBER})\s*(%|ppm)")
# As many type them: no scope is rated in millihertz, and what was understood is shown. "MV" is left, to be refused.
_UNITS: Final = {
    spelt.lower(): spelt
    for spelt in ["Hz", "kHz", "MHz", "GHz", "V", "mV", "kV", "Vpp", "mVpp", "dB", "s", "us", "ms", "ns"]
}
_CARELESS: Final = re.compile(
    r"(?<![^\W0-9])(?!(?-i:MV)\b)(?:[kmg]?hz|[mk]?v|m?vpp|db|[umn]?s)(?![^\W0-9])", re.IGNORECASE
)
_FILLERS: Final = re.compile(
    r"\b(?:from|in|steps?|within|and|with|of|a|an|the|at|least|about|up|to|probe|magnifier|levelled|dial)\b|/div\b|±",
    re.IGNORECASE,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Ladder:
    """Values that a knob has, or a span in which any can be set; `stepping` is None where they were listed."""

    unit: str
    stepping: Stepping | None
    low: float
    high: float
    listed: tuple[float, ...] = ()

    @property
    def values(self) -> tuple[float, ...]:
        """Every value, rising; of a continuous source none."""
        if self.stepping is None or self.stepping == "continuous":
            return self.listed
        return tuple(stepped(self.low, self.high, _MANTISSAS[self.stepping]))

    def __str__(self) -> str:
        ends = f"{show(self.low, self.unit)} to {show(self.high, self.unit)}"
        if self.stepping == "continuous":
            return f"any value from {ends}"
        how = "as listed" if self.stepping is None else "in decades" if self.stepping == "decade" else "in 1-2-5 steps"
        return f"{ends} {how}, {counted(len(self.values), 'value')}"


def plain(text: str) -> str:
    """A text with decimal points and units as they are written, without "per division", which goes without saying."""
    text = text.replace("per division", "").replace("per div", "").replace("/div", "")
    return _CARELESS.sub(lambda found: _UNITS.get(found[0].lower(), found[0]), _COMMA.sub(r"\1.\2", text))


def ratio_text(value: float) -> str:
    """A ratio as people write it."""
    return f"{value * 1e6:.6g} ppm" if value < 9.99e-5 else show(value, "ratio", 6)


def ratios_in(text: str) -> tuple[str, list[float]]:
    """What is left of a text without its ratios, and those."""
    return _RATIO.sub(" ", text), [parse(f"{found[1]} {found[2]}", "ratio") for found in _RATIO.finditer(text)]


def quantity_in(text: str, unit: str) -> tuple[str, float | None]:
    """What is left of a text without its one quantity of a unit, and that; units are told apart by their ends."""
    found = re.search(rf"(?:±\s*)?({NUMBER})\s*([^\s,;0-9]*{re.escape(unit)})(?![A-Za-z])", text)
    if found is None:
        return text, None
    return text[: found.start()] + " " + text[found.end() :], _sound(f"{found[1]} {found[2]}", unit)


def wanted_in(text: str, unit: str, wanted: str) -> tuple[str, float]:
    """The same, where it must be there."""
    rest, value = quantity_in(text, unit)
    if value is None:
        found = re.search(rf"({NUMBER})\s*([^\s,;0-9]+)", text)
        if found is not None:  # it may be a slip of the unit, which the parser names
            value = _sound(found[0], unit)
            rest = text[: found.start()] + text[found.end() :]
        else:
            raise ValueError(f"Say {wanted}.")
    return rest, value


def _sound(text: str, unit: str) -> float:
    value = parse(text, unit)
    if value <= 0 or (why := unphysical(value, unit)):
        raise ValueError(f"{text!r} {'is nothing' if value <= 0 else why}; type it again.")
    return value


def nothing_more(rest: str) -> None:
    """Refuse what was not understood: it may have been meant."""
    left = " ".join(_FILLERS.sub(" ", rest).replace(",", " ").replace(";", " ").split())
    if left:
        raise ValueError(f"{left!r} is not understood here; leave it out, or say it as in the example.")


def ladder_in(text: str, unit: str, usual: Stepping | None, *, most: int = 0) -> Ladder:
    """The values that a text spans or lists; `usual`: how they step unless said, `most`: positions of a switch."""
    text = plain(text)
    stepping = usual
    if found := STEPPING.search(text):
        word = (found[1] or "continuous").lower()
        stepping = _WORDS.get(word, "1-2-5")
        text = text[: found.start()] + " " + text[found.end() :]
    if span := TO.search(text):
        rest, low, high = span_of(text, span, unit)
        nothing_more(rest)
        return _spanned(unit, stepping, low, high, most)
    return _listed(text, unit)


def span_of(text: str, found: re.Match[str], unit: str) -> tuple[str, float, float]:
    """What is left of a text without its span, and both ends; the first may leave its unit to the second."""
    low, of_low, high, of_high = found.groups()
    of_high = of_high.rstrip(",;")
    ends = _sound(f"{low} {of_low or of_high}", unit), _sound(f"{high} {of_high}", unit)
    if ends[0] >= ends[1]:
        raise ValueError(f"{show(ends[0], unit)} is not below {show(ends[1], unit)}; type the smaller one first.")
    return text[: found.start()] + " " + text[found.end() :], *ends


def _spanned(unit: str, stepping: Stepping | None, low: float, high: float, most: int) -> Ladder:
    if stepping is None:
        raise ValueError("Say how it steps as well: 'decades', '1-2-5', or 'any value'.")
    ladder = Ladder(unit=unit, stepping=stepping, low=low, high=high)
    if stepping == "continuous":
        if most:
            raise ValueError("A switch has steps; say '1-2-5 from 5 mV to 5 V', or list its positions.")
        return ladder
    for end in (low, high):
        if not any(math.isclose(end, value, rel_tol=1e-9) for value in ladder.values):
            steps = "a decade" if stepping == "decade" else "a step of 1-2-5"
            raise ValueError(f"{show(end, unit)} is not {steps}; list the values instead, with commas.")
    if most and len(ladder.values) > most:
        raise ValueError(f"That would be {len(ladder.values)} positions of one switch; look at both ends again.")
    return ladder


def _listed(text: str, unit: str) -> Ladder:
    """ "5 mV, 10 mV, 20 mV", or "5, 10, 20 mV": a bare number has the unit of the next."""
    values: list[float] = []
    suffix = ""
    for part in reversed([part for part in re.split(r"[,;]|\band\b|\s(?=[0-9.])", text) if part.strip()]):
        found = re.fullmatch(rf"\s*({NUMBER})\s*(\S*)\s*", part)
        if found is None:
            nothing_more(part)
            continue
        suffix = found[2] or suffix
        values.append(_sound(f"{found[1]} {suffix}".strip(), unit))
    if not values:
        raise ValueError(f"Say from where to where it goes, such as {'5 mV to 5 V' if unit == 'V' else '1 us to 1 s'}.")
    listed: Sequence[float] = sorted(set(values))
    return Ladder(unit=unit, stepping=None, low=listed[0], high=listed[-1], listed=tuple(listed))
