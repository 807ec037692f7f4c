"""The half-power frequency from readings, with its uncertainty, its budget and what the readings give away.

Numbered equations: docs/measurement.md, section 1.
Over 400 lines because one budget is put together here from every way in which a reading can be wrong.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from harness.analysis.response_fit import CrossingFit, fit_crossing, model_error_db
from harness.analysis.response_flags import (
    above_generator,
    above_until_hz,
    peaking,
    reference_droop_db,
    reference_too_near,
    several_crossings,
)
from harness.analysis.response_model import (
    DB_PER_NEPER,
    HALF_POWER_DB,
    BudgetLine,
    Flag,
    HalfPower,
    Purpose,
    ReadingModel,
    ResponsePlan,
    ResponsePoint,
    ResponseReading,
    Status,
    Tuning,
    hertz,
)
from harness.analysis.response_reduce import Observation, Reduced, reduce

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

__all__ = [
    "DB_PER_NEPER",
    "HALF_POWER_DB",
    "BudgetLine",
    "Evaluation",
    "Flag",
    "HalfPower",
    "Purpose",
    "ReadingModel",
    "ResponsePlan",
    "ResponsePoint",
    "ResponseReading",
    "Status",
    "Tuning",
    "evaluate",
    "half_power",
    "response_band",
]

COVERAGE_FACTOR = 2.0
COARSE_LN = 0.35
SEPARATE_LN = 0.1


@dataclass(frozen=True, slots=True, kw_only=True)
class Evaluation:
    """A result together with the reduction and the fit it came from; the search for the next frequency needs all."""

    result: HalfPower
    reduced: Reduced | None
    fit: CrossingFit | None
    target_db: float


def half_power(readings: Sequence[ResponseReading], plan: ResponsePlan) -> HalfPower:
    """Estimate the frequency at which the response has dropped by `plan.drop_db`.

    Parameters
    ----------
    readings
        Reference and response readings, in the order they were taken. The order matters only for drift.
    plan
        Rating, generator, reader and the uncertainties that do not come from reading.

    Returns
    -------
    HalfPower
        Frequency, standard uncertainty, 95 % interval, slope, status, flags, budget and the points. Odd readings
        never raise: the status and the flags say what they allow.

    References
    ----------
    docs/measurement.md, equations (1) to (12).
    """
    return evaluate(readings, plan).result


def evaluate(readings: Sequence[ResponseReading], plan: ResponsePlan) -> Evaluation:
    """Do the work of `half_power` and keep the reduction and the fit."""
    return _evaluate(tuple(readings), plan)


@lru_cache(maxsize=64)
def _evaluate(readings: tuple[ResponseReading, ...], plan: ResponsePlan) -> Evaluation:
    """Pure, so the judgements of one reading (span, doubt, next request) share one fit."""
    reduced = reduce(readings, plan)
    if reduced is None or not reduced.observations:
        missing = "reference" if reduced is None else "response"
        flag = Flag(code="no_readings", sentence=f"There is no usable {missing} reading yet.")
        result = HalfPower(status="failed", reference_hz=plan.reference_hz, drop_db=plan.drop_db, flags=(flag,))
        return Evaluation(result=result, reduced=reduced, fit=None, target_db=plan.drop_db)

    flags = [*reduced.flags, *peaking(reduced)]
    recovery = several_crossings(reduced, plan)
    observations = reduced.observations
    if recovery is not None:
        observations = observations[: recovery.index]
        flags.append(recovery.flag)

    beyond = above_generator(reduced, plan)
    crossing = None if beyond is not None else _locate(observations, plan)
    if beyond is not None or crossing is None:
        return _without_value(readings, reduced, plan, flags, beyond)

    result, fit, target_db = _state(observations, crossing, reduced, plan, flags)
    result = replace(
        result,
        status="several_crossings" if recovery is not None else "found",
        recovers_hz=None if recovery is None else recovery.recovers_hz,
        reference_div=reduced.reference.deflection_div,
        readings_used=len(reduced.active),
        points=_points(readings, reduced, fit, observations, target_db),
    )
    return Evaluation(result=result, reduced=reduced, fit=fit, target_db=target_db)


def _without_value(
    readings: Sequence[ResponseReading],
    reduced: Reduced,
    plan: ResponsePlan,
    flags: list[Flag],
    beyond: Flag | None,
) -> Evaluation:
    """Report a bound, never a value, where the crossing is not held from both sides."""
    if beyond is None:
        flags.append(
            Flag(code="not_bracketed", sentence="The readings do not hold the crossing from both sides: no value.")
        )
    result = HalfPower(
        status="not_bracketed" if beyond is None else "above_generator",
        reference_hz=plan.reference_hz,
        drop_db=plan.drop_db,
        flags=(*flags, beyond) if beyond is not None else tuple(flags),
        bound_hz=plan.max_hz if beyond is not None else above_until_hz(reduced, plan),
        reference_div=reduced.reference.deflection_div,
        readings_used=len(reduced.active),
        points=_points(readings, reduced, None, (), plan.drop_db),
    )
    return Evaluation(result=result, reduced=reduced, fit=None, target_db=plan.drop_db)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Crossing:
    """The first fall through the level between two neighbouring observations."""

    below: int
    log_f: float
    slope_db: float
    gap: float


def _locate(observations: Sequence[Observation], plan: ResponsePlan) -> _Crossing | None:
    """Find the first crossing from below by interpolation in dB against ln f, equation (2)."""
    for index in range(1, len(observations)):
        left, right = observations[index - 1], observations[index]
        if left.y_db >= -plan.drop_db > right.y_db and right.log_f > left.log_f:
            gap = right.log_f - left.log_f
            slope = (right.y_db - left.y_db) / gap
            x = left.log_f - (left.y_db + plan.drop_db) / slope
            return _Crossing(below=index, log_f=x, slope_db=slope, gap=gap)
    return None


def _state(
    observations: Sequence[Observation],
    crossing: _Crossing,
    reduced: Reduced,
    plan: ResponsePlan,
    flags: list[Flag],
) -> tuple[HalfPower, CrossingFit | None, float]:
    """Fit, or interpolate where the fit is refused, and state the result with its budget."""
    log_f = np.array([o.log_f for o in observations])
    y_db = np.array([o.y_db for o in observations])
    s_db = np.array([o.s_db for o in observations])
    scale = plan.drop_db / HALF_POWER_DB
    start = (crossing.log_f, -min(max(-crossing.slope_db, 2.5 * scale), 25.0 * scale))
    target_db, droop_db = plan.drop_db, 0.0
    fit = fit_crossing(log_f, y_db, s_db, drop_db=target_db, start=start)
    frequency_hz = math.exp(fit.log_f if fit is not None else crossing.log_f)
    if (droop := reference_droop_db(plan.reference_hz, frequency_hz)) > 0.0:
        droop_db, target_db = droop, plan.drop_db - droop / 2.0
        if fit is not None:
            fit = fit_crossing(log_f, y_db, s_db, drop_db=target_db, start=(fit.log_f, fit.slope_db))
    if (near := reference_too_near(plan.reference_hz, frequency_hz)) is not None:
        flags.append(near)
    if fit is not None and not log_f[0] <= fit.log_f <= log_f[-1]:
        fit = None
    if fit is None:
        interpolated = _interpolated(
            crossing, observations=observations, reduced=reduced, plan=plan, flags=flags, droop_db=droop_db
        )
        return interpolated, None, target_db
    fitted = _fitted(fit, observations=observations, reduced=reduced, plan=plan, flags=flags, droop_db=droop_db)
    return fitted, fit, target_db


def _fitted(
    fit: CrossingFit,
    *,
    observations: Sequence[Observation],
    reduced: Reduced,
    plan: ResponsePlan,
    flags: list[Flag],
    droop_db: float,
) -> HalfPower:
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


def _interpolated(
    crossing: _Crossing,
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


def _wide_slope_db(crossing: _Crossing, observations: Sequence[Observation], plan: ResponsePlan) -> float:
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


def fitted_db(fit: CrossingFit, w: NDArray[np.float64], target_db: float) -> tuple[NDArray[np.float64], ...]:
    """Return the fitted response at w = ln(f/f3), its variance and the model error there, in dB."""
    powers = np.stack([np.ones_like(w), w, w**2, w**3])
    value = np.array(fit.coefficients) @ powers - target_db
    variance = np.einsum("iw,ij,jw->w", powers, np.array(fit.covariance), powers)
    return value, variance, model_error_db(w, c1=fit.slope_db, k=fit.narrowing)


def _points(
    readings: Sequence[ResponseReading],
    reduced: Reduced,
    fit: CrossingFit | None,
    fit_observations: Sequence[Observation],
    target_db: float,
) -> tuple[ResponsePoint, ...]:
    """Return one point an observation, in order of frequency."""
    fitted: dict[int, tuple[float, float]] = {}
    if fit is not None:
        chosen = [n for n, inside in enumerate(fit.used) if inside]
        w = np.array([fit_observations[n].log_f - fit.log_f for n in chosen])
        value, variance, model = fitted_db(fit, w, target_db)
        for n, v, var, m in zip(chosen, value, variance, model, strict=True):
            o = fit_observations[n]
            total = o.s_db**2 + m**2
            fitted[n] = (float(v), float((o.y_db - v) / math.sqrt(max(total - var, 0.25 * total))))
    return tuple(
        ResponsePoint(
            frequency_hz=math.exp(o.log_f),
            response_db=o.y_db,
            u_db=o.s_db,
            purpose=readings[o.members[-1]].purpose,
            used=n in fitted,
            fitted_db=fitted[n][0] if n in fitted else None,
            residual=fitted[n][1] if n in fitted else None,
        )
        for n, o in enumerate(reduced.observations)
    )


def response_band(
    readings: Sequence[ResponseReading], plan: ResponsePlan, frequencies_hz: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the response in dB and its standard uncertainty over a grid of frequencies, for a plot.

    Parameters
    ----------
    readings, plan
        As for `half_power`.
    frequencies_hz
        Shape (n,), Hz.

    Returns
    -------
    response_db, u_db : ndarray
        Shape (n,) each. Near the crossing the fit with its model error; elsewhere a line between neighbouring
        observations, its uncertainty grown by what a roll-off can do between them; NaN outside the readings.
    """
    grid = np.log(np.asarray(frequencies_hz, dtype=np.float64))
    value, u_db = np.full(grid.shape, np.nan), np.full(grid.shape, np.nan)
    evaluation = evaluate(readings, plan)
    if evaluation.reduced is None or not evaluation.reduced.observations:
        return value, u_db
    observations = evaluation.reduced.observations
    log_f = np.array([o.log_f for o in observations])
    y_db = np.array([o.y_db for o in observations])
    s_db = np.array([o.s_db for o in observations])
    s_reference = evaluation.reduced.reference.s_db
    within = (grid >= log_f[0]) & (grid <= log_f[-1])
    right = np.clip(np.searchsorted(log_f, grid[within]), 1, max(1, log_f.size - 1))
    if log_f.size > 1:
        left = right - 1
        a, b = grid[within] - log_f[left], log_f[right] - grid[within]
        value[within] = np.interp(grid[within], log_f, y_db)
        # A roll-off with the slope c bends by about c per ln f (Gaussian); a line misses it by up to c·a·b.
        bend = (np.abs(y_db[right] - y_db[left]) / np.maximum(a + b, 1e-9) + 1.0) * a * b
        u_db[within] = np.sqrt(np.interp(grid[within], log_f, s_db) ** 2 + bend**2 + s_reference**2)
    if (fit := evaluation.fit) is not None:
        near = within & (np.abs(grid - fit.log_f) <= 0.7 / fit.narrowing)
        fitted, variance, model = fitted_db(fit, grid[near] - fit.log_f, evaluation.target_db)
        u_fit = np.sqrt(variance + model**2 + s_reference**2)
        better = u_fit <= np.nan_to_num(u_db[near], nan=np.inf)
        value[near] = np.where(better, fitted, value[near])
        u_db[near] = np.where(better, u_fit, u_db[near])
    return value, u_db
