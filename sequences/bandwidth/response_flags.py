"""What response readings give away besides the crossing: a generator too low, a recovery, peaking, a near reference."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from harness.analysis.special import ndtr, ndtri
from harness.words.language import tr
from sequences.bandwidth.response_model import Flag, ResponsePlan, hertz, of_drop

if TYPE_CHECKING:
    from sequences.bandwidth.response_reduce import Observation, Reduced

SIGNIFICANT = 3.0
PEAK_CERTAIN_DB = 0.5
# One-sided 95 % is 1.6449. A claim may be looked at more than once while readings come in: this keeps it below 5 %.
CLAIM = 2.0
LEAST_AT_TOP = 4
AT_TOP = 1e-3
DROOP_FROM, DROOP_TO = 0.02, 0.1


@dataclass(frozen=True, slots=True, kw_only=True)
class Recovery:
    """A rise back through the level: indices of the first observation below and of the first above again."""

    fell: int
    index: int
    recovers_hz: float
    flag: Flag


def several_crossings(reduced: Reduced, plan: ResponsePlan) -> Recovery | None:
    """Find an observation above the level by 3σ after one below by 3σ."""
    below: int | None = None
    s_reference = reduced.reference.s_db
    for index, o in enumerate(reduced.observations):
        margin = SIGNIFICANT * math.hypot(o.s_db, s_reference)
        if below is None:
            below = index if o.y_db + plan.drop_db < -margin else None
        elif o.y_db + plan.drop_db > margin:
            last = reduced.observations[index - 1]
            rise = (o.y_db - last.y_db) / max(o.log_f - last.log_f, 1e-9)
            log_f = last.log_f if rise <= 0.0 else last.log_f - (last.y_db + plan.drop_db) / rise
            recovers_hz = math.exp(min(max(log_f, last.log_f), o.log_f))
            sentence = tr(
                "The response recovers at {recovers_hz} after it has fallen by {drop_db:.2f} dB: the "
                "first crossing is given, and no verdict rests on it alone.",
                recovers_hz=hertz(recovers_hz),
                drop_db=plan.drop_db,
            )
            return Recovery(
                fell=below, index=index, recovers_hz=recovers_hz, flag=Flag(code="several_crossings", sentence=sentence)
            )
    return None


def _u_db(o: Observation, reduced: Reduced, plan: ResponsePlan) -> float:
    """Return the standard uncertainty of a response: reading, reference and level."""
    return math.hypot(o.s_db, reduced.reference.s_db, o.u_level_db, plan.u_reference_meter_db)


def peaking(reduced: Reduced, plan: ResponsePlan) -> tuple[Flag, ...]:
    """Flag a response above the reference, by the largest of all readings; the 3σ chance is that of the largest."""
    count = len(reduced.observations)
    threshold = -float(ndtri((1.0 - ndtr(SIGNIFICANT)) / max(count, 1)))
    peaks = [
        o
        for o in reduced.observations
        if o.y_db > min(threshold * (u_db := _u_db(o, reduced, plan)), max(PEAK_CERTAIN_DB, SIGNIFICANT * u_db))
    ]
    if not peaks:
        return ()
    peak = max(peaks, key=lambda o: (o.y_db, o.log_f))
    return (
        Flag(
            code="peaking",
            sentence=tr(
                "The response peaks by {y_db:+.2f} dB at {log_f}.", y_db=peak.y_db, log_f=hertz(math.exp(peak.log_f))
            ),
        ),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Top:
    """The readings at the generator's highest frequency; `u_readings_db` is what more readings make smaller."""

    count: int
    mean_db: float
    u_readings_db: float
    u_db: float


def at_top(o: Observation, plan: ResponsePlan) -> bool:
    """Say whether the generator was set to its highest frequency."""
    return o.set_hz >= plan.max_hz * (1.0 - AT_TOP)


def top_of_generator(reduced: Reduced, plan: ResponsePlan) -> Top:
    """Combine the readings at the highest frequency."""
    top = [o for o in reduced.observations if at_top(o, plan)]
    if not top:
        return Top(count=0, mean_db=0.0, u_readings_db=math.inf, u_db=math.inf)
    weight = math.fsum(o.s_db**-2 for o in top)
    mean_db = math.fsum(o.y_db / o.s_db**2 for o in top) / weight
    u_readings_db = math.hypot(weight**-0.5, reduced.reference.s_db)
    u_db = math.hypot(u_readings_db, top[-1].u_level_db, plan.u_reference_meter_db)
    count = sum(len(o.members) for o in top)
    return Top(count=count, mean_db=mean_db, u_readings_db=u_readings_db, u_db=u_db)


def above_generator(reduced: Reduced, plan: ResponsePlan) -> Flag | None:
    """Say that the crossing lies above the generator's range where that holds with 95 % confidence, equation (11)."""
    top = top_of_generator(reduced, plan)
    if top.count < plan.least_at_top or top.mean_db - CLAIM * top.u_db <= -plan.drop_db:
        return None
    s_reference = reduced.reference.s_db
    if any(o.y_db + plan.drop_db < -SIGNIFICANT * math.hypot(o.s_db, s_reference) for o in reduced.observations):
        return None
    sentence = tr(
        "At {max_hz}, the highest frequency of the generator, the response stands at {mean_db:+.2f} dB: the {drop_db} "
        "frequency is above it (95 %).",
        max_hz=hertz(plan.max_hz),
        mean_db=top.mean_db,
        drop_db=of_drop(plan.drop_db),
    )
    return Flag(code="above_generator", sentence=sentence)


def at_generator_limit(reduced: Reduced, plan: ResponsePlan) -> Flag | None:
    """Say that the crossing cannot be told from the end of the generator's range: neither above it nor below."""
    top = top_of_generator(reduced, plan)
    if top.count < LEAST_AT_TOP or top.mean_db + plan.drop_db <= -CLAIM * top.u_db:
        return None
    sentence = tr(
        "The crossing cannot be told from {max_hz}, the end of the generator's range: no value.",
        max_hz=hertz(plan.max_hz),
    )
    return Flag(code="at_generator_limit", sentence=sentence)


def above_until_hz(reduced: Reduced, plan: ResponsePlan) -> float | None:
    """Return the highest frequency up to which every reading is above the level with 95 % confidence, level included.

    As for a claim above the generator the readings are looked at more than once.
    """
    until: float | None = None
    for o in reduced.observations:
        if o.y_db + plan.drop_db <= CLAIM * _u_db(o, reduced, plan):
            break
        until = math.exp(o.log_f)
    return until


def too_near(reference_hz: float, frequency_hz: float) -> bool:
    """Say whether a reference frequency is so near that half power relative to it is not what a rating means."""
    return reference_hz > DROOP_TO * frequency_hz


def reference_too_near(reference_hz: float, frequency_hz: float) -> Flag | None:
    """Say what the result is relative to where the response may have dropped there already, equation (10)."""
    ratio = reference_hz / frequency_hz
    if ratio <= DROOP_FROM:
        return None
    droop_db = 10.0 * math.log10(1.0 + ratio**2)
    where = tr(
        "The reference frequency {reference_hz} is {ratio:.2g} of the result",
        reference_hz=hertz(reference_hz),
        ratio=ratio,
    )
    if not too_near(reference_hz, frequency_hz):
        sentence = tr(
            "{where}, which is relative to the response there: that may have dropped by up to {droop_db:.3f} dB.",
            where=where,
            droop_db=droop_db,
        )
        return Flag(code="reference_droop", sentence=sentence)
    sentence = tr(
        "{where}: too near, for the response there may have dropped by {droop_db:.2f} dB. "
        "No verdict; take one below {highest}.",
        where=where,
        droop_db=droop_db,
        highest=hertz(DROOP_TO * frequency_hz),
    )
    return Flag(code="reference_too_near", sentence=sentence)
