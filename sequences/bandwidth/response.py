"""The half-power frequency from readings, with its uncertainty, its budget and what the readings give away.

Numbered equations: docs/measurement.md, section 1.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from harness.words.language import code, tr
from sequences.bandwidth.response_budget import (
    FLATTEST_DB,
    STEEPEST_DB,
    Crossing,
    fitted,
    interpolated,
    just_beyond,
    locate,
)
from sequences.bandwidth.response_fit import CrossingFit, fit_crossing, fitted_db
from sequences.bandwidth.response_flags import (
    above_generator,
    above_until_hz,
    at_generator_limit,
    peaking,
    reference_too_near,
    several_crossings,
)
from sequences.bandwidth.response_model import (
    HALF_POWER_DB,
    CurvePoint,
    Flag,
    HalfPower,
    ResponsePlan,
    ResponseReading,
)
from sequences.bandwidth.response_reduce import Observation, Reduced, reduce
from sequences.bandwidth.response_scan import followed

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray


TOO_FLAT = Flag(code="too_flat", sentence="The response falls too slowly where it crosses: no value.")
NOT_BRACKETED = Flag(code="not_bracketed", sentence="The readings do not hold the crossing from both sides: no value.")


@dataclass(frozen=True, slots=True, kw_only=True)
class Evaluation:
    """A result together with the reduction and the fit it came from; the search for the next frequency needs all."""

    result: HalfPower
    reduced: Reduced | None
    fit: CrossingFit | None


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
    docs/measurement.md, equations (1) to (12) and (20).
    """
    return _evaluate(tuple(readings), plan, weigh_ripple=True, language=code()).result


def evaluate(readings: Sequence[ResponseReading], plan: ResponsePlan) -> Evaluation:
    """Do the work of `half_power` for a search: keep reduction and fit, weigh no ripple, for which none goes on."""
    return _evaluate(tuple(readings), plan, language=code())


@lru_cache(maxsize=64)
def _evaluate(
    readings: tuple[ResponseReading, ...],
    plan: ResponsePlan,
    *,
    language: str,  # noqa: ARG001 - of the flags' sentences: each has its own in the cache
    weigh_ripple: bool = False,
) -> Evaluation:
    """Pure, so the judgements of one reading (span, doubt, next request) share one fit."""
    reduced = reduce(readings, plan)
    if reduced is None or not reduced.observations:
        missing = "reference" if reduced is None else "response"
        flag = Flag(code="no_readings", sentence=tr("There is no usable {missing} reading.", missing=missing))
        result = HalfPower(status="failed", reference_hz=plan.reference_hz, drop_db=plan.drop_db, flags=(flag,))
        return Evaluation(result=result, reduced=reduced, fit=None)

    flags = [*reduced.flags, *peaking(reduced, plan)]
    recovery = several_crossings(reduced, plan)
    observations = reduced.observations
    if recovery is not None:
        observations = observations[: recovery.index]
        flags.append(recovery.flag)

    beyond = above_generator(reduced, plan)
    no_value = beyond or at_generator_limit(reduced, plan)
    crossing = None if no_value is not None else locate(observations, plan) or just_beyond(observations, plan)
    if crossing is None:
        return _without_value(readings, reduced, plan, [*flags, no_value or NOT_BRACKETED])

    stated = _state(observations, crossing, reduced, plan, flags, weigh_ripple=weigh_ripple)
    if stated is None:
        return _without_value(readings, reduced, plan, [*flags, TOO_FLAT])
    result, fit = stated
    lowest, claim = _lowest(reduced, plan, result.frequency_hz, result.flags)
    result = replace(
        result,
        flags=(*result.flags, *claim),
        lowest=lowest,
        status="several_crossings" if recovery is not None else "found",
        recovers_hz=None if recovery is None else recovery.recovers_hz,
        reference_div=reduced.reference.deflection_div,
        readings_used=len(reduced.active),
        points=_points(readings, reduced, fit, observations, plan.drop_db),
    )
    return Evaluation(result=result, reduced=reduced, fit=fit)


def _without_value(
    readings: Sequence[ResponseReading], reduced: Reduced, plan: ResponsePlan, flags: list[Flag]
) -> Evaluation:
    """Report a bound, never a value, where the crossing is not held from both sides; the last flag says why."""
    beyond = flags[-1].code == "above_generator"
    bound_hz = plan.max_hz if beyond else above_until_hz(reduced, plan)
    lowest, claim = _lowest(reduced, plan, bound_hz, flags)
    result = HalfPower(
        status="above_generator" if beyond else "not_bracketed",
        reference_hz=plan.reference_hz,
        drop_db=plan.drop_db,
        flags=(*claim, *flags),
        lowest=lowest,
        bound_hz=bound_hz,
        reference_div=reduced.reference.deflection_div,
        readings_used=len(reduced.active),
        points=_points(readings, reduced, None, (), plan.drop_db),
    )
    return Evaluation(result=result, reduced=reduced, fit=None)


def _lowest(
    reduced: Reduced, plan: ResponsePlan, until_hz: float | None, flags: Sequence[Flag]
) -> tuple[bool, tuple[Flag, ...]]:
    """Say whether a frequency is the lowest with that drop, and why; with a ripple on it that is said already."""
    if until_hz is None or any(flag.code == "ripple" for flag in flags):
        return False, ()
    known = followed(reduced, plan, until_hz)
    return known.lowest, (known.flag,)


def _state(
    observations: Sequence[Observation],
    crossing: Crossing,
    reduced: Reduced,
    plan: ResponsePlan,
    flags: list[Flag],
    *,
    weigh_ripple: bool,
) -> tuple[HalfPower, CrossingFit | None] | None:
    """Fit, or interpolate where the fit is refused, and state the result; None where the response is too flat."""
    log_f = np.array([o.log_f for o in observations])
    y_db = np.array([o.y_db for o in observations])
    s_db = np.array([o.s_db for o in observations])
    scale = plan.drop_db / HALF_POWER_DB
    start = (crossing.log_f, -min(max(-crossing.slope_db, FLATTEST_DB * scale), STEEPEST_DB * scale))
    fit = fit_crossing(log_f, y_db, s_db, drop_db=plan.drop_db, start=start)
    if fit is not None and not log_f[0] - plan.beyond_ln <= fit.log_f <= log_f[-1] + plan.beyond_ln:
        fit = None
    if fit is not None:
        result = fitted(
            fit, observations=observations, reduced=reduced, plan=plan, flags=flags, weigh_ripple=weigh_ripple
        )
    else:
        between = interpolated(crossing, observations=observations, reduced=reduced, plan=plan, flags=flags)
        if between is None:
            return None
        result = between
    if result.frequency_hz and (near := reference_too_near(plan.reference_hz, result.frequency_hz)) is not None:
        result = replace(result, flags=(*result.flags, near))
    return result, fit


def _points(
    readings: Sequence[ResponseReading],
    reduced: Reduced,
    fit: CrossingFit | None,
    fit_observations: Sequence[Observation],
    target_db: float,
) -> tuple[CurvePoint, ...]:
    """Return one point an observation, in order of frequency."""
    at: dict[int, tuple[float, float]] = {}
    if fit is not None:
        chosen = [n for n, inside in enumerate(fit.used) if inside]
        w = np.array([fit_observations[n].log_f - fit.log_f for n in chosen])
        value, variance, model = fitted_db(fit, w, target_db)
        for n, v, var, m in zip(chosen, value, variance, model, strict=True):
            o = fit_observations[n]
            total = o.s_db**2 + m**2
            at[n] = (float(v), float((o.y_db - v) / math.sqrt(max(total - var, 0.25 * total))))
    return tuple(
        CurvePoint(
            frequency_hz=math.exp(o.log_f),
            response_db=o.y_db,
            u_db=o.s_db,
            purpose=readings[o.members[-1]].purpose,
            used=n in at,
            fitted_db=at[n][0] if n in at else None,
            residual=at[n][1] if n in at else None,
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
        observations, the reference among them, its uncertainty grown by what a roll-off can do between; NaN outside.
    """
    grid = np.log(np.asarray(frequencies_hz, dtype=np.float64))
    value, u_db = np.full(grid.shape, np.nan), np.full(grid.shape, np.nan)
    evaluation = evaluate(readings, plan)
    if evaluation.reduced is None or not evaluation.reduced.observations:
        return value, u_db
    observations = evaluation.reduced.observations
    # The reference itself is where the response is nothing, known as well as it is.
    start = [(math.log(plan.reference_hz), 0.0, 0.0)]
    known = np.array(sorted([*start, *((o.log_f, o.y_db, o.s_db) for o in observations)]))
    log_f, y_db, s_db = known[:, 0], known[:, 1], known[:, 2]
    s_reference = evaluation.reduced.reference.s_db
    within = (grid >= log_f[0]) & (grid <= log_f[-1])
    right = np.clip(np.searchsorted(log_f, grid[within]), 1, log_f.size - 1)
    left = right - 1
    a, b = grid[within] - log_f[left], log_f[right] - grid[within]
    value[within] = np.interp(grid[within], log_f, y_db)
    # A roll-off with the slope c bends by about c per ln f (Gaussian); a line misses it by up to c·a·b.
    bend = (np.abs(y_db[right] - y_db[left]) / np.maximum(a + b, 1e-9) + 1.0) * a * b
    u_db[within] = np.sqrt(np.interp(grid[within], log_f, s_db) ** 2 + bend**2 + s_reference**2)
    if (fit := evaluation.fit) is not None:
        near = within & (np.abs(grid - fit.log_f) <= 0.7 / fit.narrowing)
        value_db, variance, model = fitted_db(fit, grid[near] - fit.log_f, plan.drop_db)
        u_fit = np.sqrt(variance + model**2 + s_reference**2)
        better = u_fit <= np.nan_to_num(u_db[near], nan=np.inf)
        value[near] = np.where(better, value_db, value[near])
        u_db[near] = np.where(better, u_fit, u_db[near])
    return value, u_db
