"""Which levels a calibrator can give, and which of them a range is tried with.   [pure]"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

from harness.errors import AnalysisError
from harness.models import Calibrator, SignalPath, Unit
from harness.quantities import round_to, stepped

_SLACK = 1 + 1e-9
_LIST_DIGITS = 12  # enough for any level of a list; takes the binary dust off products


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelChoice:
    """A level at the source, and what it makes of the unit's input and screen."""

    level_v: float
    at_input_v: float
    deflection_div: float


def available_levels(calibrator: Calibrator) -> tuple[float, ...] | None:
    """Return the levels that a calibrator steps through, rising; None where any level can be set."""
    low, high = calibrator.level_low, calibrator.level_high
    match calibrator.levels:
        case "continuous":
            return None
        case "decade":
            levels = tuple(stepped(low, high, (1,)))
        case "1-2-5":
            levels = tuple(stepped(low, high))
        case listed:
            levels = tuple(sorted({level for level in listed if low / _SLACK <= level <= high * _SLACK}))
    if not levels:
        raise AnalysisError(f"{calibrator.label}: no level lies between level_low and level_high.")
    return levels


def choose_level(
    calibrator: Calibrator,
    unit: Unit,
    path: SignalPath,
    *,
    volts_per_div: float,
    stimulus: Literal["dc", "square"] = "dc",
) -> LevelChoice | None:
    """
    Return the level for a range: the largest deflection that stays one division inside the screen at both ends.

    A whole number of divisions is preferred, because a trace can be nulled on a line. Ratings of source, path,
    termination and input are kept.

    Returns
    -------
    The choice, or None where even the lowest level is too much or the ratings allow none.
    """
    most_v = min(unit.usable_div * volts_per_div * path.divides_by, rated_level_v(calibrator, unit, path, stimulus))
    levels = available_levels(calibrator)
    if levels is not None:
        return _pick(levels, most_v, volts_per_div, path)
    whole = math.floor(most_v / (volts_per_div * path.divides_by) * _SLACK)
    wanted_v = whole * volts_per_div * path.divides_by if whole >= 1 else most_v
    level_v = round_to(wanted_v, calibrator.level_digits)
    if level_v > most_v * _SLACK:  # rounded above a rating
        level_v = _rounded_down(most_v, calibrator.level_digits)
    if level_v < calibrator.level_low / _SLACK:
        level_v = calibrator.level_low if calibrator.level_low <= most_v * _SLACK else 0.0
    return _choice(level_v, volts_per_div, path) if level_v > 0.0 else None


def lower_level(
    choice: LevelChoice,
    calibrator: Calibrator,
    path: SignalPath,
    *,
    volts_per_div: float,
) -> LevelChoice | None:
    """Return the next lower level, for a trace that left the screen: a division less, or the next of the list."""
    levels = available_levels(calibrator)
    if levels is not None:
        below = [level for level in levels if level < choice.level_v / _SLACK]
        return _choice(below[-1], volts_per_div, path) if below else None
    whole = math.ceil(choice.deflection_div / _SLACK) - 1
    level_v = round_to(whole * volts_per_div * path.divides_by, calibrator.level_digits)
    return _choice(level_v, volts_per_div, path) if whole >= 1 and level_v >= calibrator.level_low / _SLACK else None


def higher_levels(calibrator: Calibrator, level_v: float, per_div_v: float, unit: Unit) -> tuple[float, ...]:
    """The levels above one that the whole height of the screen still holds; of a continuous source the highest."""
    most_v = min(unit.vertical_div * per_div_v, calibrator.level_high)
    levels = available_levels(calibrator)
    if levels is None:
        levels = (_rounded_down(most_v, calibrator.level_digits),)
    return tuple(level for level in levels if level_v * _SLACK < level <= most_v * _SLACK)


def levels_for_linearity(
    choice: LevelChoice,
    calibrator: Calibrator,
    path: SignalPath,
    *,
    volts_per_div: float,
    n: int,
) -> tuple[LevelChoice, ...]:
    """
    Return up to `n` rising levels for linearity, the largest of them `choice`.

    A continuous source gives them evenly from the ground line up, on whole divisions where there are enough; a source
    that steps gives its own from half a division up, those nearest to evenly spread.
    """
    if n < 1:
        raise AnalysisError(f"linearity needs a number of levels, not {n}.")
    ideal = [choice.deflection_div * k / n for k in range(1, n + 1)]
    levels = available_levels(calibrator)
    if levels is None:
        whole = [float(round(d)) for d in ideal]
        apart = whole[0] >= 1.0 and all(a < b for a, b in pairwise(whole))
        wanted = [d * volts_per_div * path.divides_by for d in (whole if apart else ideal)[:-1]]
        found = [round_to(level, calibrator.level_digits) for level in wanted]
        found = [level for level in found if calibrator.level_low / _SLACK <= level < choice.level_v / _SLACK]
    else:
        smaller = [v for v in levels if v < choice.level_v / _SLACK and _div(v, volts_per_div, path) >= 0.5 / _SLACK]
        found = _nearest(smaller, [d * volts_per_div * path.divides_by for d in ideal[:-1]])
    return (*(_choice(level, volts_per_div, path) for level in sorted(set(found))), choice)


def rated_level_v(calibrator: Calibrator, unit: Unit, path: SignalPath, stimulus: Literal["dc", "square"]) -> float:
    """Largest level at the source that its own range and the ratings behind it allow."""
    rated = [calibrator.level_high, unit.input.maximum * path.divides_by]
    if path.maximum is not None:
        rated.append(path.maximum)
    peak_to_rms = math.sqrt(2.0) if stimulus == "square" else 1.0  # 0 V to the top at half duty
    if path.termination is not None and path.termination_power is not None:
        rated.append(math.sqrt(path.termination_power * path.termination) * peak_to_rms * path.divides_by)
    if unit.input.maximum_rms is not None:
        rated.append(unit.input.maximum_rms * peak_to_rms * path.divides_by)
    return min(rated)


def _pick(levels: Sequence[float], most_v: float, volts_per_div: float, path: SignalPath) -> LevelChoice | None:
    """The largest level that fits, unless one less than a division below it makes whole divisions."""
    fitting = [_choice(level, volts_per_div, path) for level in levels if level <= most_v * _SLACK]
    if not fitting:
        return None
    largest = fitting[-1].deflection_div
    near = [c for c in fitting if c.deflection_div > largest - 1.0 and _is_whole(c.deflection_div)]
    return near[-1] if near else fitting[-1]


def _is_whole(divisions: float) -> bool:
    return round(divisions) >= 1 and math.isclose(divisions, round(divisions), rel_tol=1e-9)


def _nearest(levels: Sequence[float], ideal: Sequence[float]) -> list[float]:
    """One level for each ideal one from the top down, each used once."""
    free = list(levels)
    found = []
    for want in reversed(ideal):
        if not free:
            break
        best = min(free, key=lambda level: (abs(level - want), -level))
        free.remove(best)
        found.append(best)
    return found


def _rounded_down(value: float, digits: int) -> float:
    quantum = 10.0 ** (math.floor(math.log10(value)) - digits + 1)
    return round_to(math.floor(value / quantum * _SLACK) * quantum, digits)


def _div(level_v: float, volts_per_div: float, path: SignalPath) -> float:
    return level_v / path.divides_by / volts_per_div


def _choice(level_v: float, volts_per_div: float, path: SignalPath) -> LevelChoice:
    level_v = round_to(level_v, _LIST_DIGITS)
    return LevelChoice(
        level_v=level_v,
        at_input_v=round_to(level_v / path.divides_by, _LIST_DIGITS),
        deflection_div=round_to(_div(level_v, volts_per_div, path), _LIST_DIGITS),
    )
