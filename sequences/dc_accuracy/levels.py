"""The voltages that are applied about the centre of the screen.   [pure]"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final, Literal, TypeAlias

from harness.quantities import round_to
from sequences.vertical.levels import available_levels, rated_level_v

if TYPE_CHECKING:
    from harness.models import Calibrator, SignalPath, Unit

Zero: TypeAlias = Literal["applied", "coupling"]
"""How 0 V is given: by the source, or by the input's coupling switch."""
_SLACK: Final = 1 + 1e-9
_LEAST_SPAN_DIV: Final = 2.0  # between the outermost levels: less says nothing of a gain
_DIGITS: Final = 12  # takes the binary dust off products


def levels_about(
    calibrator: Calibrator,
    unit: Unit,
    path: SignalPath,
    *,
    volts_per_div: float,
    centre_v: float,
    n: int,
    zero: Zero,
) -> tuple[float, ...]:
    """
    Return up to n levels at the source, rising, evenly about the voltage at the screen's centre.

    They stay a division inside the screen and within what the source gives and the ratings allow; of a source that
    steps those nearest to even. Empty where the outermost would not span two divisions.
    """
    half_div = unit.usable_div / 2
    half_div = math.floor(half_div * _SLACK) if half_div >= 1 else half_div
    reach_v, by = half_div * volts_per_div, path.divides_by
    most_v = rated_level_v(calibrator, unit, path, "dc")
    wanted = [(centre_v + reach_v * (2 * k / (n - 1) - 1)) * by for k in range(n)]
    steps = available_levels(calibrator)
    if steps is None:
        found = [round_to(round(level, _DIGITS), calibrator.level_digits) for level in wanted]
    else:
        signs = (1, -1) if calibrator.negative else (1,)
        there = [sign * step for step in steps for sign in signs] + ([0.0] if zero == "coupling" else [])
        inside = [level for level in there if wanted[0] - _edge(reach_v) <= level <= wanted[-1] + _edge(reach_v)]
        found = [min(inside, key=lambda level: abs(level - ideal)) for ideal in wanted] if inside else []
    rated = sorted(
        {level for level in found if not level or calibrator.level_low / _SLACK <= abs(level) <= most_v * _SLACK}
    )
    if not calibrator.negative:
        rated = [level for level in rated if level >= 0]
    spans = len(rated) > 1 and (rated[-1] - rated[0]) / by / volts_per_div >= _LEAST_SPAN_DIV / _SLACK
    return tuple(rated) if spans else ()


def _edge(reach_v: float) -> float:
    return 1e-9 * abs(reach_v)
