"""Quantities in and out: "20 MHz" ↔ 2e7, "±3 %" ↔ 0.03. The only place that knows prefixes.

The spelling follows the SI brochure: a number, optional space, optional prefix, unit; case matters
("m" is milli, "M" is mega). `ohm` stands for Ω and `u` for µ, so that any keyboard will do.
Ratios (%, ppm, dB) and div take no prefix.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from decimal import Decimal
from typing import Final

from harness.words.language import localised

HALF_POWER_RATIO: Final = math.sqrt(0.5)
HALF_POWER_DB: Final = 10 * math.log10(2)  # a drop of 3.0103 dB, not 3 dB
_HALF_POWER_WITHIN_DB: Final = 0.02
DB_PER_NEPER: Final = 20 / math.log(10)
VPP_PER_VRMS_SINE: Final = 2 * math.sqrt(2)

_PREFIX: Final = {
    "f": -15, "p": -12, "n": -9, "u": -6, "µ": -6, "μ": -6, "m": -3, "": 0, "k": 3, "M": 6, "G": 9, "T": 12,
}  # fmt: skip
_SPELLING: Final = {"ohm": "Ω", "Ohm": "Ω", "deg": "°", "\u2126": "Ω"}  # U+2126 is the old ohm sign
_PREFIXED: Final = ("Hz", "Vpp", "Vrms", "V", "s", "Ω", "F", "W")
_PLAIN: Final = {
    "dB": Decimal(1), "dBc": Decimal(1), "div": Decimal(1), "°C": Decimal(1), "°": Decimal(1),
    "min": Decimal(60), "h": Decimal(3600),
}  # fmt: skip
_RATIO: Final = {"%": Decimal("0.01"), "ppm": Decimal("1e-6"), "": Decimal(1)}
_SIGNED: Final = r"(?:[+-]?(?:[0-9]+(?:[.][0-9]*)?|[.][0-9]+)(?:[eE][+-]?[0-9]+)?)"
_NUMBER: Final = re.compile(rf"\s*(±|\+/-|\+-)?\s*({_SIGNED})\s*(.*?)\s*")
_LONGEST: Final = 64  # characters; a longer text is no quantity, and Decimal is slow on megabytes


def with_unit(number: str, unit: str) -> str:
    """A number before its unit, with a space between them; degrees of an angle have none (SI brochure, 5.4.3)."""
    number = localised(number)
    return f"{number}{unit}" if unit in ("", "°") else f"{number} {unit}"


def parse(text: str | float, unit: str) -> float:
    """Read a quantity in the unit asked for: Hz, V, Vpp, Vrms, s, Ω, F, W, dB, dBc, div, °C, ° or "ratio".

    The unit may be spelled as in a text, "ohm" or "deg". A bare number is taken only for "ratio" and "div"; everything
    else says its unit.
    """
    unit = _SPELLING.get(unit, unit)
    if isinstance(text, bool) or not isinstance(text, str | int | float):
        kind = {bool: "true or false", list: "a list", dict: "a table"}.get(type(text), "a value of that kind")
        raise ValueError(f"{kind} is not a quantity; expected {example(unit)}")
    if isinstance(text, int) and abs(text) >= 10**_LONGEST:  # Python refuses to write out the longest integers
        raise ValueError(f"an integer of that size is not a quantity; expected {example(unit)}")
    written = str(text)
    shown = text if len(written) <= _LONGEST else written[:24] + "…"
    match = _NUMBER.fullmatch(written) if len(written) <= _LONGEST else None
    if match is None:
        raise ValueError(f"{shown!r} is not a quantity; expected {example(unit)}")
    _, number, suffix = match.groups()
    scale = _scale(suffix, unit)
    if scale is None:
        missing = "has no unit" if not suffix else f"has the unit {suffix!r}"
        raise ValueError(f"{shown!r} {missing}; expected {example(unit)}{_hint(suffix, unit)}")
    try:
        value = float(Decimal(number) * scale)
    except ArithmeticError:  # those of Decimal, and that of a float
        value = math.inf
    if not math.isfinite(value):
        raise ValueError(f"{shown!r} is too large to be a quantity; expected {example(unit)}")
    return value


# The smallest magnitude above zero and the largest that a bench for oscilloscopes can mean, with room on either side;
# what lies beyond is a slip of the prefix or the pen.
_PHYSICAL: Final[Mapping[str, tuple[float, float]]] = {
    "Hz": (1e-6, 1e12),
    "V": (1e-12, 1e5),
    "Vpp": (1e-12, 1e5),
    "Vrms": (1e-12, 1e5),
    "s": (1e-15, 1e7),
    "Ω": (1e-3, 1e12),
    "F": (1e-15, 1e-6),
    "W": (1e-12, 1e4),
    "dB": (1e-6, 200.0),
    "dBc": (1e-6, 200.0),
    "div": (0.0, 100.0),
    "°C": (1e-3, 200.0),
    "°": (1e-6, 360.0),
    "ratio": (0.0, 1000.0),
}
_SIGNED_UNITS: Final = ("V", "dB", "dBc", "div", "°C", "°", "ratio")


def unphysical(value: float, unit: str) -> str:
    """What is wrong with a number as a quantity of a bench, in words that follow it; empty if nothing is."""
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        return "is no number"
    unit = _SPELLING.get(unit, unit)
    if unit not in _PHYSICAL:
        return ""
    least, most = _PHYSICAL[unit]
    if value < 0 and unit not in _SIGNED_UNITS:
        return "is negative"
    if abs(value) > most * (1 + 1e-9):
        return f"is more than the {show(most, unit)} that can be meant"
    if 0 < abs(value) < least * (1 - 1e-9):
        return f"is less than the {show(least, unit)} that can be meant"
    return ""


def largest(unit: str) -> float:
    """The largest that can be meant in this unit."""
    return _PHYSICAL[unit][1]


_LIKELY: Final = {"Hz": "M", "s": "m"}


def _scale(suffix: str, unit: str) -> Decimal | None:
    if unit == "ratio":
        return _RATIO.get(suffix)
    for spelling, sign in _SPELLING.items():
        if suffix.endswith(spelling):
            suffix = suffix[: -len(spelling)] + sign
            break
    if suffix == "" and unit == "div":
        return Decimal(1)
    if suffix == unit and unit in _PLAIN:
        return _PLAIN[unit]
    if unit == "s" and suffix in ("min", "h"):
        return _PLAIN[suffix]
    if suffix.endswith(unit) and unit in _PREFIXED:
        exponent = _PREFIX.get(suffix[: -len(unit)])
        return None if exponent is None else Decimal(1).scaleb(exponent)
    return None


def _hint(suffix: str, unit: str) -> str:
    wanted = unit.replace("Ω", "ohm")
    spellings = [prefix + wanted for prefix in _PREFIX if prefix.isascii()]
    near = [spelling for spelling in spellings if spelling.lower() == suffix.lower() and spelling != suffix]
    likely = _LIKELY.get(unit, suffix[:1])  # nobody rates a scope in millihertz, nor a sweep in megaseconds
    near.sort(key=lambda spelling: spelling[0] != likely)
    return f" (case matters: {near[0]!r}?)" if near else ""


def pattern(unit: str) -> str:
    """The same spelling as a regular expression (ECMA-262) for JSON Schema, so that editors check units."""
    number = rf"^\s*(?:±|\+/-|\+-)?\s*{_SIGNED}\s*"
    if unit == "ratio":
        return rf"{number}(?:%|ppm)?\s*$"
    names = f"(?:{'|'.join((*(spelt for spelt, sign in _SPELLING.items() if sign == unit), unit))})"
    if unit in _PLAIN:
        return rf"{number}{names}{'?' if unit == 'div' else ''}\s*$"
    longer = "|min|h" if unit == "s" else ""
    return rf"{number}(?:[{''.join(_PREFIX)}]?{names}{longer})\s*$"


def example(unit: str) -> str:
    """An example that an error message shows for this unit."""
    return {
        "Hz": "a frequency such as '20 MHz'",
        "V": "a voltage such as '50 mV'",
        "Vpp": "a peak-to-peak voltage such as '600 mVpp'",
        "Vrms": "an rms voltage such as '5 Vrms'",
        "s": "a time such as '20 ns' or '30 min'",
        "Ω": "a resistance such as '1 Mohm'",
        "F": "a capacitance such as '20 pF'",
        "W": "a power such as '1 W'",
        "dB": "a level such as '0.1 dB'",
        "dBc": "a level below the carrier such as '-40 dBc'",
        "div": "divisions such as '0.1 div'",
        "°": "an angle such as '3 deg'",
        "°C": "a temperature such as '23 °C'",
        "ratio": "a ratio such as '3 %' or '2 ppm'",
    }[unit]


def show(value: float, unit: str, digits: int = 4) -> str:
    """Write a value for a person: `show(0.05, "V")` is "50 mV"; never more than `digits` significant digits."""
    if not math.isfinite(value):
        return str(value)
    if unit in ("ratio", "%"):
        return f"{localised(_plain(value * 100, digits))} %"
    if unit not in _PREFIXED:
        return f"{localised(_plain(value, digits))} {unit}".rstrip()
    if value == 0:
        return f"0 {unit}"
    rounded = float(f"{value:.{digits - 1}e}")
    prefix, exponent = _prefix_of(rounded)
    return f"{localised(_plain(float(Decimal(repr(rounded)).scaleb(-exponent)), digits))} {prefix}{unit}"


def prefixed(value: float, unit: str, digits: int = 4) -> tuple[str, float]:
    """The unit in which `show` writes a value other than zero, and what that value is multiplied by to be in it."""
    prefix, exponent = _prefix_of(float(f"{value:.{digits - 1}e}"))
    return f"{prefix}{unit}", float(f"1e{-exponent}")


def _prefix_of(rounded: float) -> tuple[str, int]:
    exponent = max(-15, min(12, 3 * math.floor(math.log10(abs(rounded)) / 3 + 1e-12)))
    return next(p for p, e in _PREFIX.items() if e == exponent and p not in ("u", "μ")), exponent


def _plain(value: float, digits: int) -> str:
    rounded = float(f"{value:.{digits - 1}e}")
    return f"{rounded:.15g}" if 1e-4 <= abs(rounded) < 1e15 or rounded == 0 else f"{rounded:.{digits - 1}e}"


def round_to(value: float, digits: int) -> float:
    """Round to significant digits: setpoints are rounded where they are made, so that a replay compares equal."""
    return 0.0 if value == 0 else float(f"{value:.{digits - 1}e}")


def nearest(values: Iterable[float], wanted: float) -> float:
    """The value that is nearest to what is wanted by their ratio."""
    return min(values, key=lambda value: abs(math.log(value / wanted)))


def stepped(low: float, high: float, mantissas: Sequence[int] = (1, 2, 5)) -> Iterator[float]:
    """The values from low to high that a knob steps through, rising: 1-2-5, or decades by one mantissa."""
    slack = 1 + 1e-9  # an end is one of them, whatever its binary form
    for exponent in range(math.floor(math.log10(low)) - 1, math.ceil(math.log10(high)) + 2):
        for mantissa in mantissas:
            value = float(f"{mantissa}e{exponent}")
            if low / slack <= value <= high * slack:
                yield value


def db(ratio: float) -> float:
    """A voltage ratio in decibels."""
    return 20 * math.log10(ratio)


def ratio_of_db(level_db: float) -> float:
    """The voltage ratio of a level in decibels."""
    return float(10 ** (level_db / 20))


def is_half_power(drop_db: float) -> bool:
    """Whether a drop is that of half power; a plain "3 dB" is meant so, too: common practice."""
    return abs(drop_db - HALF_POWER_DB) <= _HALF_POWER_WITHIN_DB


def duration(seconds: float | None) -> str:
    """A duration as a person says it: "45 s", "12 min", "3 h 05 min"."""
    if seconds is None:
        return "unknown"
    if seconds < 59.5:
        return f"{seconds:.0f} s"
    minutes = round(seconds / 60)
    return f"{minutes} min" if minutes < 60 else f"{minutes // 60} h {minutes % 60:02d} min"


def counted(count: int, what: str) -> str:
    """Write how many there are of something: "1 run", "3 runs"."""
    return f"{count} {what}{'' if count == 1 else 's'}"


def often(count: int) -> str:
    """Write how often something was: "once", "twice", "3 times"."""
    return {1: "once", 2: "twice"}.get(count, f"{count} times")
