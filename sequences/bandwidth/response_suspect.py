"""Readings that cannot be right: what a reading must lie between, given the others, and which of them to ask again."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from sequences.bandwidth.response import Evaluation, evaluate
from sequences.bandwidth.response_fit import fitted_db, model_error_db
from sequences.bandwidth.response_flags import several_crossings
from sequences.bandwidth.response_model import DB_PER_NEPER, CurvePoint, ResponsePlan, ResponseReading, hertz
from sequences.bandwidth.response_reduce import (
    Reduced,
    is_reference,
    leaving_out,
    off_screen,
    standard_db,
    superseded,
    usable,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

UNLIKELY = 4.5
# A reading is only called wrong where no response would excuse it: the model error counts several times.
LENIENT = 3.0
LEAST_FREEDOM = 3
REFERENCE_OFF = 0.25
HIGHEST_DB, LOWEST_TO_RATED_DB = 4.0, -14.0
# A fifth-order filter with ripple falls by 70 dB per ln f at its steepest; two poles rise by less than 6.
RISE_DB_PER_LN, FALL_DB_PER_LN = 6.0, 90.0


def implausible(reading: ResponseReading, readings: Sequence[ResponseReading], plan: ResponsePlan) -> str | None:
    """Judge a reading that was just taken against those before it.

    Returns
    -------
    str or None
        A sentence for the operator, with the span expected where there is one; None when nothing speaks against it.
    """
    value = reading.deflection_div
    where = hertz(reading.frequency_hz)
    if not math.isfinite(value) or value < 0.0:
        return f"{value:g} at {where} is not a deflection. Read again."
    if reading.on_line and plan.line == "level":
        return _line_level(reading, readings, plan)
    span = expected_span(_place_hz(reading, plan), reading.level_db, readings, plan)
    if value > plan.screen_div or (off_screen(reading, plan) and (span is None or value > span[1])):
        return f"{value:g} at {where}: the screen has {plan.screen_div:g} div{_expected(span)}. Read again."
    if off_screen(reading, plan):
        return f"{value:g} at {where} is off the screen or clipped. Lower the level and read again."
    if span is None or span[0] <= value <= span[1]:
        return None
    return f"{value:g} at {where}{_expected(span)}. Read again."


def _place_hz(reading: ResponseReading, plan: ResponsePlan) -> float:
    return plan.reference_hz if is_reference(reading, plan) else reading.frequency_hz


def _expected(span: tuple[float, float] | None) -> str:
    return "" if span is None else f": expected about {span[0]:.1f} to {span[1]:.1f} div"


def _line_level(reading: ResponseReading, readings: Sequence[ResponseReading], plan: ResponsePlan) -> str | None:
    """Judge a level that was turned until the trace met a line: the deflection it stands for at level 0."""
    equivalent = reading.deflection_div * 10.0 ** (-reading.level_db / 20.0)
    span = expected_span(_place_hz(reading, plan), 0.0, readings, plan)
    if span is None or span[0] <= equivalent <= span[1]:
        return None
    low, high = (20.0 * math.log10(reading.deflection_div / max(limit, 1e-3)) for limit in reversed(span))
    return (
        f"{reading.level_db:+.2f} dB at {hertz(reading.frequency_hz)}: expected about {low:+.1f} to {high:+.1f} dB. "
        "Set it again."
    )


def expected_span(
    frequency_hz: float, level_db: float, readings: Sequence[ResponseReading], plan: ResponsePlan
) -> tuple[float, float] | None:
    """Return the deflections between which a reading is expected, from the plan and the readings so far.

    References
    ----------
    docs/measurement.md, equation (18).
    """
    evaluation = evaluate(readings, plan)
    reduced = evaluation.reduced
    if frequency_hz == plan.reference_hz:
        return _reference_span(level_db, reduced, plan)
    if reduced is None:
        return None
    low_db, high_db = _both(
        _envelope_db(math.log(frequency_hz), reduced, plan), _fit_span_db(math.log(frequency_hz), evaluation)
    )
    scale = reduced.reference.deflection_div * 10.0 ** (level_db / 20.0)
    low_div, high_div = scale * 10.0 ** (low_db / 20.0), scale * 10.0 ** (high_db / 20.0)
    return (
        max(0.0, low_div - UNLIKELY * plan.reader.standard_div(low_div)),
        high_div + UNLIKELY * plan.reader.standard_div(high_div),
    )


def _reference_span(level_db: float, reduced: Reduced | None, plan: ResponsePlan) -> tuple[float, float]:
    nominal = plan.deflection_div * 10.0 ** (level_db / 20.0)
    if reduced is None:
        return nominal * (1.0 - REFERENCE_OFF), nominal * (1.0 + REFERENCE_OFF)
    shown_div = reduced.reference.deflection_div * 10.0 ** (level_db / 20.0)
    single = plan.reader.standard_div(shown_div)
    mean = shown_div * reduced.reference.s_db / DB_PER_NEPER
    # A drift is for the fit to see, not for the operator to be asked about: 1 % is let through.
    reach = UNLIKELY * math.hypot(single, mean) + 0.01 * shown_div
    return shown_div - reach, shown_div + reach


def _envelope_db(log_f: float, reduced: Reduced, plan: ResponsePlan) -> tuple[float, float]:
    """Return what a response can do from its neighbours on either side, at most and at least."""
    low = LOWEST_TO_RATED_DB if log_f <= math.log(plan.rated_hz) + 1e-6 else -math.inf
    high = HIGHEST_DB
    below = [o for o in reduced.observations if o.log_f <= log_f]
    above = [o for o in reduced.observations if o.log_f > log_f]
    reach = UNLIKELY * reduced.reference.s_db
    if below:
        o = below[-1]
        slack, distance = reach + UNLIKELY * o.s_db, log_f - o.log_f
        low = max(low, o.y_db - FALL_DB_PER_LN * distance - slack)
        high = min(high, o.y_db + RISE_DB_PER_LN * distance + slack)
    if above:
        o = above[0]
        slack, distance = reach + UNLIKELY * o.s_db, o.log_f - log_f
        low = max(low, o.y_db - RISE_DB_PER_LN * distance - slack)
        high = min(high, o.y_db + FALL_DB_PER_LN * distance + slack)
    return (low, high) if low < high else (min(low, high), max(low, high))


def _fit_span_db(log_f: float, evaluation: Evaluation) -> tuple[float, float]:
    """Return what the fit leads one to expect, where it reaches; anything elsewhere."""
    fit = evaluation.fit
    if fit is None or evaluation.reduced is None:
        return -math.inf, math.inf
    w = log_f - fit.log_f
    coarse = any(flag.code == "coarse" for flag in evaluation.result.flags)
    if coarse or abs(w) > 0.7 / fit.narrowing or fit.degrees_of_freedom < LEAST_FREEDOM:
        return -math.inf, math.inf
    value, variance, model = fitted_db(fit, np.array([w]), evaluation.result.drop_db)
    reach = UNLIKELY * math.hypot(math.sqrt(float(variance[0])), LENIENT * float(model[0]))
    return float(value[0]) - reach, float(value[0]) + reach


def _both(one: tuple[float, float], other: tuple[float, float]) -> tuple[float, float]:
    """Return what two spans have in common; where they contradict each other, all from one to the other."""
    low, high = max(one[0], other[0]), min(one[1], other[1])
    return (low, high) if low <= high else (min(one[0], other[0]), max(one[1], other[1]))


def blamed(readings: Sequence[ResponseReading], plan: ResponsePlan) -> tuple[int, str] | None:
    """Return the older reading that makes the last one, read twice, look wrong: the one at fault may be the older.

    Left out, it lets the last be as expected, and itself lies outside what all others lead one to expect.
    """
    newest = len(readings) - 1
    gone = superseded(readings)
    suspects: list[tuple[float, int, str]] = []
    for index, reading in enumerate(readings[:-1]):
        if index in gone or reading.replaces is not None or reading.on_line:
            continue
        if implausible(readings[newest], leaving_out(readings, index, newest), plan) is not None:
            continue
        others = leaving_out(readings, index)
        sentence = implausible(reading, others, plan)
        if sentence is not None:
            suspects.append((_excess(reading, others, plan), -index, sentence))
    if not suspects:
        return None
    _, index, sentence = max(suspects)
    return -index, sentence


def _excess(reading: ResponseReading, others: Sequence[ResponseReading], plan: ResponsePlan) -> float:
    """Return how far a reading lies outside its span, in its own standard uncertainties."""
    span = expected_span(_place_hz(reading, plan), reading.level_db, others, plan)
    if span is None:
        return 0.0
    value = reading.deflection_div
    return max(span[0] - value, value - span[1]) / plan.reader.standard_div(value)


def reference_in_doubt(readings: Sequence[ResponseReading], plan: ResponsePlan) -> bool:
    """Say whether the reference rests on two readings that disagree; a third then tells which of them to drop."""
    indices = [i for i in usable(readings, plan) if is_reference(readings[i], plan)]
    if len(indices) != 2:
        return False
    first, second = (readings[i] for i in indices)
    ratio_db = DB_PER_NEPER * math.log(max(second.deflection_div, 1e-6) / max(first.deflection_div, 1e-6))
    difference_db = ratio_db - second.level_db + first.level_db
    return abs(difference_db) > UNLIKELY * math.hypot(standard_db(first, plan), standard_db(second, plan))


def crossing_in_doubt(
    readings: Sequence[ResponseReading], reduced: Reduced, plan: ResponsePlan
) -> tuple[int, str] | None:
    """Return a single reading on which a recovery after the first fall rests, to be asked again once."""
    recovery = several_crossings(reduced, plan)
    if recovery is None:
        return None
    for n in (recovery.fell, recovery.index):
        members = reduced.observations[n].members
        reading = readings[members[-1]]
        if len(members) == 1 and reading.replaces is None and not reading.on_line:
            sentence = (
                f"{reading.deflection_div:g} at {hertz(reading.frequency_hz)}: the response would fall and rise again. "
                "Read again."
            )
            return members[0], sentence
    return None


def audit(readings: Sequence[ResponseReading], evaluation: Evaluation, plan: ResponsePlan) -> tuple[int, str] | None:
    """Return the reading to ask again before stopping: the largest studentised residual above 4.5, once a setting.

    It must lie outside what the other readings lead one to expect, too: that is the span the operator is told.
    """
    reduced = evaluation.reduced
    if reduced is None:
        return None
    suspects: list[tuple[float, int]] = []
    for point, o in zip(evaluation.result.points, reduced.observations, strict=True):
        members = [i for i in o.members if readings[i].replaces is None]
        tuned = readings[o.members[-1]].on_line and plan.line == "frequency"
        if members and not tuned and (residual := _lenient_residual(point, evaluation)) > UNLIKELY:
            above = (point.residual or 0.0) > 0.0
            farthest = max(members, key=lambda i: readings[i].deflection_div * (1.0 if above else -1.0))
            suspects.append((-residual, farthest))
    for _, index in sorted(suspects):
        reading = readings[index]
        span = expected_span(_place_hz(reading, plan), reading.level_db, leaving_out(readings, index), plan)
        if span is None or not span[0] <= reading.deflection_div <= span[1]:
            return index, f"{reading.deflection_div:g} at {hertz(reading.frequency_hz)}{_expected(span)}. Read again."
    return None


def _lenient_residual(point: CurvePoint, evaluation: Evaluation) -> float:
    """Return the size of a studentised residual with the model error counted several times."""
    fit = evaluation.fit
    if fit is None or point.fitted_db is None or point.residual is None:
        return 0.0
    w = np.array([math.log(point.frequency_hz) - fit.log_f])
    model = float(model_error_db(w, c1=fit.slope_db, k=fit.narrowing)[0])
    return abs(point.residual) * math.hypot(point.u_db, model) / math.hypot(point.u_db, LENIENT * model)
