"""What people say of instruments, understood: "decades 10 mV to 100 V, 0.25 %", "0.2 us to 0.5 s, x10".   [pure]

Every reader takes what was typed and returns a value whose text is what was understood, or raises ValueError with one
sentence. What stands in an answer besides is refused, never passed over.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Final, Literal

from harness.quantities import counted, show
from harness.start.words import (
    NUMBER,
    STEPPING,
    TO,
    Ladder,
    ladder_in,
    nothing_more,
    plain,
    quantity_in,
    ratio_text,
    ratios_in,
    span_of,
    wanted_in,
)

_COUNTS: Final = ("one", "two", "three", "four", "five", "six", "seven", "eight")
_NO_SWITCH: Final = re.compile(r"[,;]?\s*\b(?:no|without(?: an?)?) (?:output )?switch\b", re.IGNORECASE)
_NONE: Final = ("none", "no", "not any", "nothing", "without", "-")
_TIMES: Final = re.compile(
    rf"(?:\b1\s?:\s?({NUMBER})|[x×*]\s?({NUMBER})|\b({NUMBER})\s?(?:[x×]|:\s?1\b))", re.IGNORECASE
)
# The limits by their names, as "V/div" and "s/div" are left by `plain`, in the order in which bare ones are meant.
_LIMITED: Final = (
    re.compile(r"\b(?:V|vertical|deflection)\b", re.IGNORECASE),
    re.compile(r"\b(?:s|time(?: base)?|horizontal|sweep)\b", re.IGNORECASE),
    re.compile(r"\b(?:s\s*)?(?:with )?(?:the )?mag(?:nifie[rd])?\b", re.IGNORECASE),
)
_LIMIT_ENDS: Final = re.compile(r"[,;]|\band\b|(?<=[%m])\s+(?=[±+.0-9])")
_WHICH_LIMITS: Final = (
    "Type one to three limits with commas between them: V/div, s/div, s/div with the magnifier, "
    "such as '3 %, 3 %, 5 %', or '3 %, magnified 5 %'."
)
_PEAK: Final = re.compile(
    r"\(?(?:(?<=V)|\b)(?:DC ?\+ ?(?:(?:peak|pk) AC|AC (?:peak|pk))|DC|max(?:imum)?"
    r"|(?<!to[- ])peak(?![- ]to)|(?<!-)pk(?!-))\b\.?\)?",
    re.IGNORECASE,
)
_NO_PEAK: Final = re.compile(r"(?:(?<=V)|\b)(?:pp|p-p|pk-pk|peak[- ]to[- ]peak|rms|AC)\b", re.IGNORECASE)


@dataclass(frozen=True, slots=True, kw_only=True)
class Identity:
    """Which oscilloscope."""

    maker: str
    model: str
    serial: str

    def __str__(self) -> str:
        return f"{self.maker} {self.model}, serial number {self.serial}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Rated:
    """How many channels up to what frequency."""

    channels: int
    bandwidth_hz: float

    def __str__(self) -> str:
        return f"{counted(self.channels, 'channel')}, {show(self.bandwidth_hz, 'Hz')}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Sweep:
    """Time factors, and the magnifier (1: there is none)."""

    ladder: Ladder
    magnifier: float

    def __str__(self) -> str:
        return f"{self.ladder}; " + (f"magnifier ×{self.magnifier:g}" if self.magnifier != 1 else "no magnifier")


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """The maker's limits of V/div, of s/div, and of s/div with the magnifier."""

    deflection: float
    time: float
    time_magnified: float

    def __str__(self) -> str:
        return (
            f"V/div ±{ratio_text(self.deflection)}, s/div ±{ratio_text(self.time)}, "
            f"with the magnifier ±{ratio_text(self.time_magnified)}"
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Highest:
    """The largest voltage at an input."""

    volts: float

    def __str__(self) -> str:
        return f"at most {show(self.volts, 'V')}, DC + peak AC"


@dataclass(frozen=True, slots=True, kw_only=True)
class Probe:
    """A divider probe that is verified with the unit."""

    divides_by: float
    tolerance: float
    maximum: float

    def __str__(self) -> str:
        return f"×{self.divides_by:g} probe, ±{ratio_text(self.tolerance)}, at most {show(self.maximum, 'V')}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Given:
    """What a calibrator gives of volts or of time marks, and how true it is."""

    ladder: Ladder
    accuracy: float
    only: Literal["", "dc", "square"] = ""  # the one shape that it has
    switch: bool = True  # of its output

    def __str__(self) -> str:
        shape = {"": "", "dc": ", DC only", "square": ", square wave only"}[self.only]
        return f"{self.ladder}, ±{ratio_text(self.accuracy)}{shape}{_switched(self.switch)}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Sines:
    """What a sine generator gives."""

    low_hz: float
    high_hz: float
    level_vpp: float
    flatness_db: float | None
    switch: bool = True  # of its output

    def __str__(self) -> str:
        level = "" if self.flatness_db is None else f", levelled within ±{self.flatness_db:g} dB"
        level += _switched(self.switch)
        return f"{show(self.low_hz, 'Hz')} to {show(self.high_hz, 'Hz')}, up to {show(self.level_vpp, 'Vpp')}{level}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Faster:
    """The faster scope on which the sine is levelled."""

    bandwidth_hz: float
    at_least: bool

    def __str__(self) -> str:
        return f"{'at least' if self.at_least else 'measured:'} {show(self.bandwidth_hz, 'Hz')}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Counting:
    """How true a frequency is: by a counter, or by the generator's own dial."""

    by: Literal["counter", "dial"]
    accuracy: float

    def __str__(self) -> str:
        return (
            f"a counter, ±{ratio_text(self.accuracy)}"
            if self.by == "counter"
            else f"the dial, ±{ratio_text(self.accuracy)}"
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Missing:
    """There is none."""

    def __str__(self) -> str:
        return "none"


@dataclass(frozen=True, slots=True, kw_only=True)
class Name:
    """A name; empty where nobody is named."""

    text: str

    def __str__(self) -> str:
        return self.text or "nobody named"


MISSING: Final = Missing()


# --- readers -----------------------------------------------------------------------------------------------------


def is_none(text: str) -> bool:
    """Whether somebody says that there is none."""
    return text.strip().lower() in _NONE


def or_none(read: Callable[[str], object]) -> Callable[[str], object]:
    """A reader for what a bench need not have."""
    return lambda text: MISSING if is_none(text) else read(text)


def identity(text: str) -> Identity:
    """ "Aldermoor, Skua, 0958", or three words."""
    text = re.sub(r"\b(?:no\.|serial(?: number)?|s/n)\s*", "", text, flags=re.IGNORECASE)
    parts = [part.strip() for part in text.split(",")] if "," in text else text.split()
    if len(parts) != 3 or not all(parts):
        raise ValueError(
            "Type maker, model and serial number with commas between them, such as 'Aldermoor, Skua, 0958'."
        )
    return Identity(maker=parts[0], model=parts[1], serial=parts[2])


def rated(text: str) -> Rated:
    """ "two channels, 20 MHz"."""
    text = re.sub("|".join(rf"\b{word}\b" for word in _COUNTS), _digit, plain(text), flags=re.IGNORECASE)
    found = re.search(r"\b([0-9]+)\s*(?:channels?|ch|traces?)\b", text, re.IGNORECASE)
    if found is None or not 1 <= int(found[1]) <= 16:
        raise ValueError("Say how many channels, 1 to 16, and the rated bandwidth, such as 'two channels, 20 MHz'.")
    rest, bandwidth_hz = wanted_in(
        text[: found.start()] + text[found.end() :], "Hz", "the rated bandwidth, such as 20 MHz"
    )
    nothing_more(rest)
    return Rated(channels=int(found[1]), bandwidth_hz=bandwidth_hz)


def volts_per_div(text: str) -> Ladder:
    """ "1-2-5 from 5 mV to 5 V"; that it steps in 1-2-5 is what all do, unless the ranges are listed."""
    return ladder_in(text, "V", "1-2-5", most=40)


def sweep(text: str) -> Sweep:
    """ "0.2 us to 0.5 s, x10"."""
    text = plain(text)
    times = [found for found in _TIMES.finditer(text) if not STEPPING.search(text, *found.span())]
    magnifier = float(next(filter(None, times[0].groups()))) if times else 1.0
    if not 1 <= magnifier <= 100:
        raise ValueError(f"A magnifier of {magnifier:g} is not meant; it lies between 1 and 100, such as 'x10'.")
    rest = text[: times[0].start()] + text[times[0].end() :] if times else text
    return Sweep(ladder=ladder_in(rest, "s", "1-2-5", most=60), magnifier=magnifier)


def limits(text: str) -> Limits:
    """ "3 %"; "3 %, 3 %, 5 %": V/div, s/div, s/div with the magnifier; or by name, "3 %, magnified 5 %"."""
    of: dict[int, float] = {}  # what was named, by its place in `_LIMITED`
    bare: list[float] = []
    for part in filter(str.strip, _LIMIT_ENDS.split(plain(text))):
        place = max((n for n, words in enumerate(_LIMITED) if words.search(part)), default=None)
        rest, ratios = ratios_in(part if place is None else _LIMITED[place].sub(" ", part))
        if len(ratios) != 1 or not 0 < ratios[0] < 1 or place in of:
            raise ValueError(_WHICH_LIMITS)
        nothing_more(rest.replace(":", " "))
        if place is None:
            bare += ratios
        else:
            of[place] = ratios[0]
    left = [place for place in range(len(_LIMITED)) if place not in of]
    if len(bare) > len(left) or (not bare and left not in ([], [2])):
        raise ValueError(_WHICH_LIMITS)
    bare += [bare[-1] if bare else of[1]] * len(left)  # the last one holds for the rest
    of |= zip(left, bare, strict=False)
    return Limits(deflection=of[0], time=of[1], time_magnified=of[2])


def highest(text: str) -> Highest:
    """ "400 V", or as it is printed beside an input: "400 V (DC + peak AC)", "400 Vpk max"."""
    rest, volts = wanted_in(_borne(text), "V", "the largest voltage that its input bears, such as 400 V")
    nothing_more(rest)
    return Highest(volts=volts)


def probe(text: str) -> Probe:
    """ "x10, 2 %, 500 V"."""
    rest, ratios = ratios_in(_borne(text))
    found = _TIMES.search(rest)
    if found is None or len(ratios) != 1:
        raise ValueError("Type by how much it divides, how true it is and what it bears: 'x10, 2 %, 500 V', or 'none'.")
    divides_by = float(next(filter(None, found.groups())))
    if not 1 < divides_by <= 1e4:
        raise ValueError(f"A probe that divides by {divides_by:g} is not meant; a usual one divides by 10: 'x10'.")
    rest = rest[: found.start()] + rest[found.end() :]
    rest, volts = wanted_in(rest, "V", "the largest voltage that the probe bears, such as 'x10, 2 %, 500 V'")
    nothing_more(rest)
    return Probe(divides_by=divides_by, tolerance=ratios[0], maximum=volts)


def given_volts(text: str) -> Given:
    """ "decades 10 mV to 100 V, 0.25 %"; "square wave" or "DC" where it has only that."""
    square = re.search(r"\bsquare(?: waves?)?(?: only)?\b", text, re.IGNORECASE)
    dc = re.search(r"\bdc(?: only)?\b", text, re.IGNORECASE)
    for found in sorted((each for each in (square, dc) if each), key=lambda each: -each.start()):
        text = text[: found.start()] + text[found.end() :]
    text, switch = _without_switch(text)
    only: Literal["", "dc", "square"] = "" if bool(square) == bool(dc) else "square" if square else "dc"
    return replace(_given(text, "V", "decades 10 mV to 100 V, 0.25 %", only), switch=switch)


def given_marks(text: str) -> Given:
    """ "1-2-5 from 100 ns to 0.5 s, 20 ppm"."""
    return _given(text, "s", "1-2-5 from 100 ns to 0.5 s, 20 ppm", "")


def sines(text: str) -> Sines:
    """ "25 MHz", "10 Hz to 25 MHz, 10 Vpp", "25 MHz, 0.5 dB"."""
    text, switch = _without_switch(plain(text))
    rest, flatness_db = quantity_in(text, "dB")
    rest, level_vpp = quantity_in(rest, "Vpp")
    low_hz, high_hz = 10.0, 0.0
    if span := TO.search(rest):
        rest, low_hz, high_hz = span_of(rest, span, "Hz")
    else:
        rest, high_hz = wanted_in(rest, "Hz", "where it ends, such as 25 MHz")
    nothing_more(rest)
    if high_hz <= low_hz:
        raise ValueError(f"A generator that ends at {show(high_hz, 'Hz')} gives no sine to try a scope with.")
    return Sines(low_hz=low_hz, high_hz=high_hz, level_vpp=level_vpp or 5.0, flatness_db=flatness_db, switch=switch)


def faster(text: str) -> Faster:
    """ "at least 100 MHz", or "measured 103 MHz"."""
    measured = re.search(r"\b(?:measured|exactly|known)\b:?", text, re.IGNORECASE)
    text = text[: measured.start()] + text[measured.end() :] if measured else text
    rest, bandwidth_hz = wanted_in(plain(text), "Hz", "its bandwidth, such as 'at least 100 MHz'")
    nothing_more(rest)
    return Faster(bandwidth_hz=bandwidth_hz, at_least=measured is None)


def counting(text: str) -> Counting:
    """ "1 ppm"; "none, dial within 3 %" where there is no counter."""
    by: Literal["counter", "dial"] = "dial" if re.match(r"(?:none|no|without)\b|-", text, re.IGNORECASE) else "counter"
    rest, ratios = ratios_in(plain(re.sub(r"^(?:none|no|without|-)(?:\s+counter)?", "", text, flags=re.IGNORECASE)))
    nothing_more(re.sub(r"\b(?:a|counter|its|true)\b", "", rest, flags=re.IGNORECASE))
    if len(ratios) != 1 or not 0 < ratios[0] < 1:
        raise ValueError("Say how true it is, such as '1 ppm'; without a counter how true the dial is: 'none, 3 %'.")
    return Counting(by=by, accuracy=ratios[0])


def name(text: str) -> Name:
    """A name, or none."""
    if len(text) > 200:
        raise ValueError("That is too long for a name; type one line of at most 200 characters.")
    return Name(text="" if is_none(text) else text)


def _borne(text: str) -> str:
    """A text without the words that say that a voltage is DC + peak AC; a figure of another kind is no such voltage."""
    rest = _PEAK.sub(" ", plain(text))
    if _NO_PEAK.search(rest):
        raise ValueError(
            "Type it in volts, DC + peak AC: half of a peak-to-peak figure; an rms figure as it stands, which is safe."
        )
    return rest


def _without_switch(text: str) -> tuple[str, bool]:
    """What is left of a text that may say that an output has no switch, and whether it has one."""
    rest = _NO_SWITCH.sub("", text)
    return rest, rest == text


def _switched(switch: bool) -> str:
    return "" if switch else ", no output switch"


def _digit(found: re.Match[str]) -> str:
    return str(_COUNTS.index(found[0].lower()) + 1)


def _given(text: str, unit: str, such: str, only: Literal["", "dc", "square"]) -> Given:
    rest, ratios = ratios_in(plain(text))
    ladder = ladder_in(rest, unit, None)
    if len(ratios) != 1 or not 0 < ratios[0] < 1:
        raise ValueError(f"Say how true it is, too, such as '{such}'.")
    return Given(ladder=ladder, accuracy=ratios[0], only=only)
