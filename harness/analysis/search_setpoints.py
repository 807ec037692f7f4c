"""Setpoints of the search: rounded where they are made, levelled, dithered, with the span they should read in."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from harness.analysis.response_model import DB_PER_NEPER, Purpose, ResponsePlan, ResponseReading, Tuning
from harness.analysis.response_reduce import is_reference
from harness.analysis.response_suspect import expected_span
from harness.quantities import round_to

if TYPE_CHECKING:
    from collections.abc import Sequence

SETPOINT_DIGITS = 4
LINE_STEPS_DB = (0.0, 0.5, -0.5)


@dataclass(frozen=True, slots=True, kw_only=True)
class Ask:
    """A reading to take: where, at which level, what for, and the span it is expected in.

    `tune` is what a person turns until the trace meets `line_div`; with "none" the deflection is read.
    `because` is a sentence when something is asked again.
    """

    frequency_hz: float
    level_db: float
    purpose: Purpose
    expected_div: tuple[float, float] | None = None
    because: str = ""
    tune: Tuning = "none"
    line_div: float | None = None


def repeat(reading: ResponseReading, others: Sequence[ResponseReading], plan: ResponsePlan, because: str) -> Ask:
    """Ask for one earlier reading again, at its own setting."""
    if reading.on_line:
        tune: Tuning = "level" if is_reference(reading, plan) else plan.line
        return Ask(
            frequency_hz=_round_hz(reading.frequency_hz, plan),
            level_db=reading.level_db,
            purpose="re-ask",
            because=because,
            tune=tune,
            line_div=reading.deflection_div,
        )
    return ask_at(reading.frequency_hz, reading.level_db, "re-ask", others, plan, because=because)


def dither_db(count: int, deflection_div: float, plan: ResponsePlan) -> float:
    """Spread repeated settings over one resolution step by van der Corput's sequence, equation (14)."""
    if not plan.dither or plan.reader.resolution_div <= 0.0:
        return 0.0
    step_db = DB_PER_NEPER * plan.reader.resolution_div / deflection_div
    return round(step_db * (van_der_corput(count) - 0.5), 2)


def van_der_corput(n: int) -> float:
    """Return the n-th element (from 0) of van der Corput's sequence in base 2, starting in the middle: ½, ¼, ¾, …."""
    value, denominator, n = 0.0, 1.0, n + 1
    while n:
        n, digit = divmod(n, 2)
        denominator *= 2.0
        value += digit / denominator
    return value


def ask_at_crossing(
    log_f: float, count: int, purpose: Purpose, readings: Sequence[ResponseReading], plan: ResponsePlan
) -> Ask:
    """Ask for a reading at the crossing: on a line where a person tunes to one, else at equal deflection."""
    if plan.line == "none":
        return ask_at(math.exp(log_f), None, purpose, readings, plan)
    line_div, level_db = crossing_line(plan, count)
    if plan.line == "level":
        level_db = min(plan.drop_db, plan.headroom_db)
    return Ask(
        frequency_hz=_round_hz(math.exp(log_f), plan),
        level_db=level_db,
        purpose=purpose,
        tune=plan.line,
        line_div=line_div,
    )


def reference_line_div(plan: ResponsePlan) -> int:
    """Return the whole number of divisions that the reference is brought to."""
    return max(1, round(plan.deflection_div))


def crossing_line(plan: ResponsePlan, count: int) -> tuple[float, float]:
    """Return the line and the level that brings the crossing onto it, equation (19); three levels show the slope."""
    reference_div = reference_line_div(plan)
    spare_db = plan.headroom_db - plan.drop_db - max(LINE_STEPS_DB)
    line_div = reference_div if spare_db >= 0.0 else max(1, math.floor(reference_div * 10.0 ** (spare_db / 20.0)))
    level_db = plan.drop_db + 20.0 * math.log10(line_div / reference_div) + LINE_STEPS_DB[count % 3]
    return float(line_div), float(round(level_db, 2))


def ask_at(
    frequency_hz: float,
    level_db: float | None,
    purpose: Purpose,
    readings: Sequence[ResponseReading],
    plan: ResponsePlan,
    *,
    because: str = "",
) -> Ask:
    """Round the setpoint, choose the level for equal deflection where none is given, name the expected span."""
    frequency_hz = frequency_hz if frequency_hz == plan.reference_hz else _round_hz(frequency_hz, plan)
    if level_db is None:
        level_db = _equal_deflection_db(frequency_hz, readings, plan)
    span = expected_span(frequency_hz, level_db, readings, plan)
    return Ask(frequency_hz=frequency_hz, level_db=level_db, purpose=purpose, expected_div=span, because=because)


def _round_hz(frequency_hz: float, plan: ResponsePlan) -> float:
    return min(max(round_to(frequency_hz, SETPOINT_DIGITS), plan.min_hz), plan.max_hz)


def _equal_deflection_db(frequency_hz: float, readings: Sequence[ResponseReading], plan: ResponsePlan) -> float:
    """Raise the level by what the response is expected to have dropped, as far as head-room and screen allow."""
    if plan.headroom_db <= 0.0:
        return 0.0
    span = expected_span(frequency_hz, 0.0, readings, plan)
    if span is None or span[1] <= 0.0:
        return 0.0
    room_db = 20.0 * math.log10((plan.screen_div - 1.0) / span[1])
    wanted_db = min(plan.drop_db, plan.headroom_db, DB_PER_NEPER * math.log(plan.deflection_div / (span[0] + 1e-9)))
    return round(max(0.0, min(room_db, wanted_db)), 2)
