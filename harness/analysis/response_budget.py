"""The half-power frequency with its budget, from a fit or, where the fit is refused, from an interpolation."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from harness.analysis.response_model import HALF_POWER_DB, BudgetLine, Flag, HalfPower, ResponsePlan, hertz

if TYPE_CHECKING:
    from collections.abc import Sequence

    from harness.analysis.response_fit import CrossingFit
    from harness.analysis.response_reduce import Observation, Reduced

COVERAGE_FACTOR = 2.0
COARSE_LN = 0.35
SEPARATE_LN = 0.1


@dataclass(frozen=True, slots=True, kw_only=True)
class Crossing:
    """The first fall through the level between two neighbouring observations."""

    below: int
    log_f: float
    slope_db: float
    gap: float


def locate(observations: Sequence[Observation], plan: ResponsePlan) -> Crossing | None:
    """Find the first crossing from below by interpolation in dB against ln f, equation (2)."""
    for index in range(1, len(observations)):
        left, right = observations[index - 1], observations[index]
        if left.y_db >= -plan.drop_db > right.y_db and right.log_f > left.log_f:
            gap = right.log_f - left.log_f
            slope = (right.y_db - left.y_db) / gap
            x = left.log_f - (left.y_db + plan.drop_db) / slope
            return Crossing(below=index, log_f=x, slope_db=slope, gap=gap)
    return None


def fitted(
    fit: CrossingFit,
    *,
    observations: Sequence[Observation],
    reduced: Reduced,
    plan: ResponsePlan,
    flags: list[Flag],
    droop_db: float,
) -> HalfPower:
    """State a fitted crossing: readings and reference grown by equations (7) and (8), then the other lines, (9)."""
    used = [o for o, inside in zip(observations, fit.used, strict=True) if inside]
    growth = birge_ratio(fit, used, reduced) * fit.slope_factor
    coarse = _coarse_variance(fit, used, flags)
    readings_db = math.sqrt(fit.variance_db * growth + coarse * fit.slope_db**2)
    reference_db = math.sqrt(_reference_variance(used, reduced) * growth)
    return _result(
        frequency_hz=math.exp(fit.log_f),
        slope_db=fit.slope_db,
        parts=_budget(readings_db, reference_db, math.sqrt(fit.slope_factor), droop_db, plan),
        plan=plan,
        flags=flags,
    )


def interpolated(
    crossing: Crossing,
    *,
    observations: Sequence[Observation],
    reduced: Reduced,
    plan: ResponsePlan,
    flags: list[Flag],
    droop_db: float,
) -> HalfPower:
    """Interpolate between the neighbours of the crossing; what lies between is as good as unknown."""
    flags.append(
        Flag(
            code="interpolated",
            sentence="The readings do not settle a fit: interpolated between the two neighbours of the crossing.",
        )
    )
    pair = observations[crossing.below - 1 : crossing.below + 1]
    reading_variance = max(o.s_db**2 for o in pair)
    slope_db = _wide_slope_db(crossing, observations, plan)
    readings_db = math.sqrt(reading_variance + (slope_db * crossing.gap) ** 2 / 12.0)
    return _result(
        frequency_hz=math.exp(crossing.log_f),
        slope_db=slope_db,
        parts=_budget(readings_db, reduced.reference.s_db, 1.0, droop_db, plan),
        plan=plan,
        flags=flags,
    )


def _wide_slope_db(crossing: Crossing, observations: Sequence[Observation], plan: ResponsePlan) -> float:
    """Return the slope between readings far enough apart to show one, within what roll-offs have."""
    left = next(
        (o for o in reversed(observations) if o.log_f <= crossing.log_f - SEPARATE_LN), observations[crossing.below - 1]
    )
    right = next((o for o in observations if o.log_f >= crossing.log_f + SEPARATE_LN), observations[crossing.below])
    scale = plan.drop_db / HALF_POWER_DB
    slope_db = (right.y_db - left.y_db) / (right.log_f - left.log_f)
    return -min(max(-slope_db, 2.5 * scale), 25.0 * scale)


def birge_ratio(fit: CrossingFit, used: Sequence[Observation], reduced: Reduced) -> float:
    """Equation (7): the ratio of observed to assumed scatter where it is above one."""
    chi2 = fit.chi2 + reduced.reference.chi2
    chi2 += sum(o.chi2 + o.spread * fit.slope_db**2 / (o.s_db**2 * len(o.members)) for o in used)
    freedom = fit.degrees_of_freedom + reduced.reference.degrees_of_freedom + sum(len(o.members) - 1 for o in used)
    return max(1.0, (1.0 + chi2) / (1.0 + freedom))


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
            sentence=f"The response falls steeply between {hertz(math.exp(left))} and {hertz(math.exp(right))} and "
            "nothing was read between them: the interval is widened.",
        )
    )
    return (right - left) ** 2 / 12.0


def _budget(
    readings_db: float, reference_db: float, slope_growth: float, droop_db: float, plan: ResponsePlan
) -> tuple[tuple[str, float | None, float], ...]:
    """Name, u in dB (None for the frequency) and u of f where it is known without the slope."""
    return (
        ("readings", readings_db, 0.0),
        ("reference", reference_db, 0.0),
        ("level", plan.u_level_db * slope_growth, 0.0),
        ("reference meter", plan.u_reference_meter_db * slope_growth, 0.0),
        ("frequency", None, plan.u_frequency_rel),
        ("reference frequency", droop_db / math.sqrt(12.0), 0.0),
    )


def _result(
    *,
    frequency_hz: float,
    slope_db: float,
    parts: tuple[tuple[str, float | None, float], ...],
    plan: ResponsePlan,
    flags: list[Flag],
) -> HalfPower:
    steep = abs(slope_db)
    budget = tuple(
        BudgetLine(name=name, u_db=u_rel * steep, u_rel=u_rel)
        if u_db is None
        else BudgetLine(name=name, u_db=u_db, u_rel=u_db / steep)
        for name, u_db, u_rel in parts
    )
    u_rel = math.sqrt(math.fsum(line.u_rel**2 for line in budget))
    factor = math.exp(COVERAGE_FACTOR * u_rel)
    return HalfPower(
        status="found",
        frequency_hz=frequency_hz,
        u_rel=u_rel,
        interval_hz=(frequency_hz / factor, frequency_hz * factor),
        k=COVERAGE_FACTOR,
        slope_db_per_ln=slope_db,
        u_readings_rel=math.hypot(budget[0].u_rel, budget[1].u_rel),
        reference_hz=plan.reference_hz,
        drop_db=plan.drop_db,
        flags=tuple(flags),
        budget=budget,
    )
