"""The half-power frequency with its budget, from a fit or, where the fit is refused, from an interpolation."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from harness.analysis.estimate import Budget, normal
from harness.words.language import tr
from sequences.bandwidth.response_flags import AT_TOP
from sequences.bandwidth.response_model import HALF_POWER, HALF_POWER_DB, Flag, HalfPower, ResponsePlan, hertz
from sequences.bandwidth.response_ripple import SHOWN, ripple

if TYPE_CHECKING:
    from collections.abc import Sequence

    from sequences.bandwidth.response_fit import CrossingFit
    from sequences.bandwidth.response_reduce import Observation, Reduced

READINGS, REFERENCE, LEVEL, METER, FREQUENCY = "readings", "reference", "level", "reference meter", "frequency"
RIPPLE = "ripple at the crossing"
COVERAGE_FACTOR = 2.0
COARSE_LN = 0.35
SEPARATE_LN = 0.1
SAME_LN = 1e-3
FLATTEST_DB, STEEPEST_DB = 2.5, 25.0  # per ln f at half power: what roll-offs have; a single pole has 4.3
SCATTER_FREEDOM = 4.0  # what the assumed scatter counts for, in readings
NOTHING_KNOWN = 50.0  # in ln f: the interval of a frequency read from next to no signal is left finite


@dataclass(frozen=True, slots=True, kw_only=True)
class Crossing:
    """The first fall through the level between two neighbouring observations."""

    left: Observation
    right: Observation
    log_f: float
    slope_db: float
    gap: float


def locate(observations: Sequence[Observation], plan: ResponsePlan) -> Crossing | None:
    """Find the first crossing from below by interpolation in dB against ln f, equation (2)."""
    for left, right in pairwise(_by_frequency(observations)):
        if left.y_db >= -plan.drop_db > right.y_db and right.log_f > left.log_f:
            gap = right.log_f - left.log_f
            slope = (right.y_db - left.y_db) / gap
            x = left.log_f - (left.y_db + plan.drop_db) / slope
            return Crossing(left=left, right=right, log_f=x, slope_db=slope, gap=gap)
    return None


def just_beyond(observations: Sequence[Observation], plan: ResponsePlan) -> Crossing | None:
    """Find a crossing a little beyond the outermost of several readings on one side, where the plan allows for it."""
    merged = _by_frequency(observations)
    if plan.beyond_ln <= 0.0 or len(merged) < 2:
        return None
    left, right = merged[0], merged[-1]
    scale = plan.drop_db / HALF_POWER_DB
    slope = max((right.y_db - left.y_db) / (right.log_f - left.log_f), -STEEPEST_DB * scale)
    if slope > -FLATTEST_DB * scale:
        return None
    near = left if left.y_db < -plan.drop_db else right
    x = near.log_f - (near.y_db + plan.drop_db) / slope
    gap = abs(x - near.log_f)
    at_the_end = near is right and right.set_hz >= plan.max_hz * (1.0 - AT_TOP)
    if gap > plan.beyond_ln or at_the_end:
        return None
    return Crossing(left=left, right=right, log_f=x, slope_db=slope, gap=2.0 * gap)


def _by_frequency(observations: Sequence[Observation]) -> list[Observation]:
    """Merge what was read at one frequency with several levels: the lowest of them alone is below by chance."""
    merged: list[Observation] = []
    for o in observations:
        last = merged[-1] if merged else None
        if last is None or o.set_hz != last.set_hz or o.log_f - last.log_f > SAME_LN:
            merged.append(o)
            continue
        weight = 1.0 / (1.0 + (o.s_db / last.s_db) ** 2)
        merged[-1] = replace(
            last,
            y_db=last.y_db + weight * (o.y_db - last.y_db),
            s_db=o.s_db * math.sqrt(weight),
            members=last.members + o.members,
        )
    return merged


def fitted(
    fit: CrossingFit,
    *,
    observations: Sequence[Observation],
    reduced: Reduced,
    plan: ResponsePlan,
    flags: list[Flag],
    weigh_ripple: bool,
) -> HalfPower:
    """State a fitted crossing: readings and reference grown by equations (7) and (8), then the other lines, (9)."""
    used = [o for o, inside in zip(observations, fit.used, strict=True) if inside]
    growth = birge_ratio(fit, used, reduced) * fit.slope_factor
    coarse = _coarse_variance(fit, used, flags)
    readings_db = math.sqrt(fit.variance_db * growth + coarse * fit.slope_db**2)
    reference_db = math.sqrt(_reference_variance(used, reduced) * growth)
    level_db, meter_db = (
        u_db * math.sqrt(fit.slope_factor) for u_db in (_level_db(observations, fit.log_f), plan.u_reference_meter_db)
    )
    ripple_db = _ripple_db(fit, used, reduced, plan, flags) if weigh_ripple else 0.0
    return _result(
        frequency_hz=math.exp(fit.log_f),
        slope_db=fit.slope_db,
        u_db=(readings_db, reference_db, level_db, meter_db, ripple_db),
        plan=plan,
        flags=flags,
    )


def interpolated(
    crossing: Crossing, *, observations: Sequence[Observation], reduced: Reduced, plan: ResponsePlan, flags: list[Flag]
) -> HalfPower | None:
    """Interpolate between the neighbours of the crossing; what lies between is as good as unknown.

    None where the response is flatter there than any roll-off: which of the readings is below is then chance.
    """
    slope_db = _wide_slope_db(crossing, observations)
    if slope_db > -FLATTEST_DB * plan.drop_db / HALF_POWER_DB:
        return None
    slope_db = max(slope_db, -STEEPEST_DB * plan.drop_db / HALF_POWER_DB)
    flags.append(
        Flag(
            code="interpolated",
            sentence=tr("The readings do not settle a fit: interpolated between the two neighbours of the crossing."),
        )
    )
    reading_variance = max(crossing.left.s_db, crossing.right.s_db) ** 2
    readings_db = math.sqrt(reading_variance + (slope_db * crossing.gap) ** 2 / 12.0)
    return _result(
        frequency_hz=math.exp(crossing.log_f),
        slope_db=slope_db,
        u_db=(
            readings_db,
            reduced.reference.s_db,
            _level_db(observations, crossing.log_f),
            plan.u_reference_meter_db,
            0.0,
        ),
        plan=plan,
        flags=flags,
    )


def _wide_slope_db(crossing: Crossing, observations: Sequence[Observation]) -> float:
    """Return the slope between readings far enough apart to show one."""
    left = next((o for o in reversed(observations) if o.log_f <= crossing.log_f - SEPARATE_LN), crossing.left)
    right = next((o for o in observations if o.log_f >= crossing.log_f + SEPARATE_LN), crossing.right)
    if left.log_f == right.log_f:  # a crossing beyond the readings has one of them on both sides
        return crossing.slope_db
    return (right.y_db - left.y_db) / (right.log_f - left.log_f)


def birge_ratio(fit: CrossingFit, used: Sequence[Observation], reduced: Reduced) -> float:
    """Equation (7): the ratio of observed to assumed scatter where it is above one by more than chance."""
    chi2 = fit.chi2 + reduced.reference.chi2
    chi2 += sum(o.chi2 + o.spread * fit.slope_db**2 / (o.s_db**2 * len(o.members)) for o in used)
    freedom = fit.degrees_of_freedom + reduced.reference.degrees_of_freedom + sum(len(o.members) - 1 for o in used)
    return max(1.0, (SCATTER_FREEDOM + chi2 - math.sqrt(2.0 * freedom)) / (SCATTER_FREEDOM + freedom))


def _reference_variance(used: Sequence[Observation], reduced: Reduced) -> float:
    """Variance of the reference, and of its drift carried to where the crossing was read."""
    reference = reduced.reference
    indices = [i for o in used for i in o.members]
    distance = sum(indices) / len(indices) - reference.mean_index
    return reference.s_db**2 + (reference.u_drift * distance) ** 2


def _coarse_variance(fit: CrossingFit, used: Sequence[Observation], flags: list[Flag]) -> float:
    """Variance in ln f added where a steep crossing lies between two readings far apart."""
    left = max((o.log_f for o in used if o.log_f <= fit.log_f), default=fit.log_f)
    right = min((o.log_f for o in used if o.log_f >= fit.log_f), default=fit.log_f)
    limit = COARSE_LN / fit.narrowing
    if right - left <= limit or min(right - fit.log_f, fit.log_f - left) <= 0.25 * limit:
        return 0.0
    flags.append(
        Flag(
            code="coarse",
            sentence=tr(
                "The response falls steeply between {left} and {right} and nothing was read between "
                "them: the interval is widened.",
                left=hertz(math.exp(left)),
                right=hertz(math.exp(right)),
            ),
        )
    )
    return (right - left) ** 2 / 12.0


def _ripple_db(
    fit: CrossingFit, used: Sequence[Observation], reduced: Reduced, plan: ResponsePlan, flags: list[Flag]
) -> float:
    """Return what a ripple adds to readings and reference, equation (23), and tell of one that the readings show."""
    found = ripple(fit, used, reduced, plan)
    if found is None:
        return 0.0
    if found.probability >= SHOWN:
        flags.append(
            Flag(
                code="ripple",
                sentence=tr(
                    "The response ripples about the crossing, by about {size_db:.2f} dB (rms): the interval "
                    "is of the frequencies at which it may cross; which of them is the lowest is not known.",
                    size_db=found.size_db,
                ),
            )
        )
    reach_db = found.reach_ln * abs(fit.slope_db) / COVERAGE_FACTOR
    return math.sqrt(max(reach_db**2 - fit.variance_db - reduced.reference.s_db**2, 0.0))


def _level_db(observations: Sequence[Observation], log_f: float) -> float:
    """Return the standard uncertainty of the level at a frequency, between its neighbours."""
    return float(np.interp(log_f, [o.log_f for o in observations], [o.u_level_db for o in observations]))


def _result(
    *,
    frequency_hz: float,
    slope_db: float,
    u_db: tuple[float, float, float, float, float],
    plan: ResponsePlan,
    flags: list[Flag],
) -> HalfPower:
    """State a result: the lines that are known in dB in the order of their names, and the frequency's own."""
    steep = abs(slope_db)
    in_db = [
        normal(name, u=u, unit="dB", sensitivity=frequency_hz / steep)
        for name, u in zip((READINGS, REFERENCE, LEVEL, METER, RIPPLE), u_db, strict=True)
        if u or name not in (METER, RIPPLE)
    ]
    own = normal(FREQUENCY, u=plan.u_frequency_rel, unit="", sensitivity=frequency_hz)
    budget = Budget(quantity=HALF_POWER.name, unit="Hz", estimate=frequency_hz, contributions=(*in_db, own))
    u_rel = budget.u / frequency_hz
    factor = math.exp(min(COVERAGE_FACTOR * u_rel, NOTHING_KNOWN))
    return HalfPower(
        status="found",
        frequency_hz=frequency_hz,
        u_rel=u_rel,
        interval_hz=(frequency_hz / factor, frequency_hz * factor),
        k=COVERAGE_FACTOR,
        slope_db_per_ln=slope_db,
        u_readings_rel=math.hypot(u_db[0], u_db[1]) / steep,
        reference_hz=plan.reference_hz,
        drop_db=plan.drop_db,
        flags=tuple(flags),
        budget=budget,
    )
