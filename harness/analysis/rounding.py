"""Value ± uncertainty as it is printed: the uncertainty to two significant digits, the value to the same decimal.

The rule (GUM 7.2.6, EA-4/02 M:2022 section 6, ISO 80000-1 annex B): round to nearest, a tie to the even digit; but
where that would bring the uncertainty down by more than 5 %, round it up. With two digits the second clause never acts
(the most that is lost is 4.8 %); with one it does.
"""

from __future__ import annotations

import math
from decimal import ROUND_CEILING, ROUND_HALF_EVEN, Decimal

from harness.words.language import localised

_MOST_LOST = Decimal("0.05")


def round_uncertainty(uncertainty: float, *, digits: int = 2) -> Decimal:
    """Return `uncertainty` rounded to `digits` significant digits, up where rounding would take off more than 5 %."""
    if not (math.isfinite(uncertainty) and uncertainty > 0.0):
        raise ValueError(f"an uncertainty to be rounded must be positive and finite, not {uncertainty!r}")
    exact = Decimal(repr(float(uncertainty)))
    quantum = Decimal(1).scaleb(exact.adjusted() - digits + 1)
    nearest = exact.quantize(quantum, ROUND_HALF_EVEN)
    if nearest < exact * (1 - _MOST_LOST):
        nearest = exact.quantize(quantum, ROUND_CEILING)
    if nearest.adjusted() > exact.adjusted():  # 0.0996 → 0.10, not 0.100
        nearest = nearest.quantize(quantum.scaleb(1), ROUND_HALF_EVEN)
    return nearest


def round_to(value: float, quantum: Decimal) -> Decimal:
    """Return `value` rounded to the decimal place of `quantum`, a tie to the even digit; never a negative zero."""
    return Decimal(repr(float(value))).quantize(quantum, ROUND_HALF_EVEN) + Decimal(0)


def format_pair(value: float, uncertainty: float, *, digits: int = 2, signed: bool = False) -> tuple[str, str]:
    """Return value and uncertainty as text, both to the decimal place that the uncertainty asks for."""
    if uncertainty == 0.0 or not math.isfinite(uncertainty) or not math.isfinite(value):
        return f"{value:+g}" if signed else f"{value:g}", f"{uncertainty:g}"
    rounded_u = round_uncertainty(uncertainty, digits=digits)
    quantum = Decimal(1).scaleb(int(rounded_u.as_tuple().exponent))
    rounded = round_to(value, quantum)
    if quantum > 1:  # 1.2E+2 is written 120
        rounded, rounded_u = rounded.quantize(Decimal(1)), rounded_u.quantize(Decimal(1))
    return localised(f"{rounded:{'+' if signed else ''}f}"), localised(f"{rounded_u:f}")


def format_value_u(value: float, uncertainty: float, unit: str = "", *, digits: int = 2, signed: bool = False) -> str:
    """Return "(1.7 ± 1.5) %": value and expanded uncertainty by the rule of this module, in plain text."""
    shown, shown_u = format_pair(value, uncertainty, digits=digits, signed=signed)
    return f"({shown} ± {shown_u}) {unit}".rstrip()


def readable(value: float, unit: str) -> tuple[float, str]:
    """What values beside this one are divided by to be read, and their unit then: hertz by the thousands."""
    prefixes = {1e9: "G", 1e6: "M", 1e3: "k"} if unit == "Hz" else {}
    return next(((by, prefix + unit) for by, prefix in prefixes.items() if abs(value) >= by), (1.0, unit))
