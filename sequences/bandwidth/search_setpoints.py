"""Setpoints of the search: rounded where they are made, levelled, dithered, with the span they should read in."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from harness.quantities import round_to
from sequences.bandwidth.response_model import DB_PER_NEPER, Purpose, ResponsePlan, ResponseReading, Tuning
from sequences.bandwidth.response_reduce import is_reference, leaving_out
from sequences.bandwidth.response_suspect import expected_span

if TYPE_CHECKING:
    from collections.abc import Sequence

SETPOINT_DIGITS = 4
LINE_STEPS_DB = (0.0, 0.5, -0.5)


@dataclass(frozen=True, slots=True, kw_only=True)
class Ask:
    """A reading to take: where, at which level, what for, and the span it is expected in.

    Frequency and level are what the generator is set to. `tune` is what a person turns until the trace meets
    `line_div`; with "none" the deflection is read. When something is asked again, `because` is a sentence, and
    `replaces` the index of the one reading that the next one stands for.
    """

    frequency_hz: float
    level_db: float
    purpose: Purpose
    expected_div: tuple[float, float] | None = None
    because: str = ""
    tune: Tuning = "none"
    line_div: float | None = None
    replaces: int | None = None


def repeat(
    doubt: tuple[int, str], readings: Sequence[ResponseReading], plan: ResponsePlan, *, lower_db: float = 0.0
) -> Ask:
    """Ask for the reading at an index again, as it was set or lower, with the reason and what the others expect."""
    index, because = doubt
    reading = readings[index]
    set_hz, set_level_db = reading.setting
    span: tuple[float, float] | None = None
    tune: Tuning = "none"
    if reading.on_line:
        tune = "level" if is_reference(reading, plan) else plan.line
    else:
        others = leaving_out(readings, index)
        span = expected_span(set_hz, reading.level_db - lower_db, others, plan)
    return Ask(
        frequency_hz=set_hz,
        level_db=round(set_level_db - lower_db, 2) if lower_db else set_level_db,
        purpose="re-ask",
        expected_div=span,
        because=because,
        tune=tune,
        line_div=reading.deflection_div if reading.on_line else None,
        replaces=index,
    )


def dither_db(count: int, deflection_div: float, plan: ResponsePlan) -> float:
    """Spread repeated settings over one resolution step by van der Corput's sequence, equation (14).

    A level above the head-room is taken a whole step lower, which rounds the same way.
    """
    if not plan.dither or plan.reader.resolution_div <= 0.0:
        return 0.0
    step_db = DB_PER_NEPER * plan.reader.resolution_div / deflection_div
    level_db = round(step_db * (van_der_corput(count) - 0.5), 2)
    return level_db if level_db <= plan.headroom_db else round(level_db - step_db, 2)


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
    frequency_hz = _round_hz(math.exp(log_f), plan)
    correction_db = level_correction_db(frequency_hz, readings)
    line_div, level_db = crossing_line(plan, count, correction_db)
    if plan.line == "level":
        level_db = min(round(plan.drop_db - correction_db, 2), plan.headroom_db)
    return Ask(frequency_hz=frequency_hz, level_db=level_db, purpose=purpose, tune=plan.line, line_div=line_div)


def level_correction_db(set_hz: float, readings: Sequence[ResponseReading]) -> float:
    """Return by how much the level will differ from what is set, as the readings at their settings had it."""
    known = {r.setting[0]: r.level_db - r.setting[1] for r in readings if r.set_level_db is not None}
    if not known:
        return 0.0
    frequencies = sorted(known)
    return float(np.interp(math.log(set_hz), np.log(frequencies), [known[f] for f in frequencies]))


def reference_line_div(plan: ResponsePlan) -> int:
    """Return the whole number of divisions that the reference is brought to."""
    return max(1, round(plan.deflection_div))


def crossing_line(plan: ResponsePlan, count: int, correction_db: float = 0.0) -> tuple[float, float]:
    """Return the line and the level that brings the crossing onto it, equation (19); three levels show the slope."""
    reference_div = reference_line_div(plan)
    raised_db = plan.drop_db - round(correction_db, 1)  # coarsely, so that settings of one level stay one
    spare_db = min(plan.headroom_db - raised_db, 0.0)
    line_div = max(1, math.floor(reference_div * 10.0 ** (spare_db / 20.0)))
    level_db = raised_db + 20.0 * math.log10(line_div / reference_div) + LINE_STEPS_DB[count % 3]
    return float(line_div), min(float(round(level_db, 2)), plan.headroom_db)


def ask_at(
    frequency_hz: float,
    level_db: float | None,
    purpose: Purpose,
    readings: Sequence[ResponseReading],
    plan: ResponsePlan,
) -> Ask:
    """Round the setpoint, choose the level for equal deflection where none is given, name the expected span."""
    frequency_hz = frequency_hz if frequency_hz == plan.reference_hz else _round_hz(frequency_hz, plan)
    correction_db = level_correction_db(frequency_hz, readings)
    if level_db is None:
        level_db = _equal_deflection_db(frequency_hz, correction_db, readings, plan)
    span = expected_span(frequency_hz, level_db + correction_db, readings, plan)
    return Ask(frequency_hz=frequency_hz, level_db=level_db, purpose=purpose, expected_div=span)


def _round_hz(frequency_hz: float, plan: ResponsePlan) -> float:
    return min(max(round_to(frequency_hz, SETPOINT_DIGITS), plan.min_hz), plan.max_hz)


def _equal_deflection_db(
    frequency_hz: float, correction_db: float, readings: Sequence[ResponseReading], plan: ResponsePlan
) -> float:
    """Raise the level by what the response is expected to have dropped, as far as head-room and screen allow."""
    if plan.headroom_db <= 0.0:
        return 0.0
    span = expected_span(frequency_hz, correction_db, readings, plan)
    if span is None or span[1] <= 0.0:
        return 0.0
    room_db = 20.0 * math.log10((plan.screen_div - 1.0) / span[1])
    wanted_db = min(plan.drop_db - correction_db, DB_PER_NEPER * math.log(plan.deflection_div / (span[0] + 1e-9)))
    return max(0.0, min(round(min(room_db, wanted_db), 2), plan.headroom_db))
