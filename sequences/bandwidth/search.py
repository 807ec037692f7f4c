"""Which reading to take next on the way to the half-power frequency: a pure function of the readings so far.

No clock, no random numbers; setpoints are rounded where they are made, so a replay asks the same questions.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from sequences.bandwidth.response import TOO_FLAT, Evaluation, evaluate
from sequences.bandwidth.response_fit import CrossingFit
from sequences.bandwidth.response_flags import (
    AT_TOP,
    LEAST_AT_TOP,
    Top,
    at_generator_limit,
    at_top,
    top_of_generator,
)
from sequences.bandwidth.response_model import (
    DB_PER_NEPER,
    Purpose,
    ResponsePlan,
    ResponseReading,
    hertz,
)
from sequences.bandwidth.response_reduce import Observation, Reduced, is_reference, leaving_out, off_screen, usable
from sequences.bandwidth.response_scan import next_of_scan
from sequences.bandwidth.response_suspect import audit, blamed, crossing_in_doubt, implausible, reference_in_doubt
from sequences.bandwidth.search_setpoints import (
    Ask,
    ask_at,
    ask_at_crossing,
    dither_db,
    reference_line_div,
    repeat,
    van_der_corput,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

__all__ = ["Ask", "Stop", "StopReason", "implausible", "next_request"]

StopReason = Literal[
    "reached", "above_generator", "at_generator_limit", "several_crossings", "below_generator", "too_flat",
    "too_many_readings",
]  # fmt: skip

CONFIRM_TYPED, CONFIRM_AUTOMATIC = 3, 2
CONFIRM_EACH_SLIP, MOST_FOR_SLIPS = 2, 4
EXACT = (0.5, 0.3)  # of the target: below it, what one reading leaves, the shape decides and not the scatter
LEAST_AT_CROSSING, LEAST_AT_REFERENCE = 4, 2
AT_RATED_READINGS = 2
TOP_RESOLUTION_DB = 0.058
MOST_AT_TOP = 24
CLOSE_LN, CLOSE_SPAN_LN = 0.05, 0.5
FIRST_STEP_LN, LONGEST_STEP_LN = 0.35, 0.7
USUAL_Z_SLOPE, FLATTEST_Z_SLOPE, STEEPEST_Z_SLOPE = 2.6, 1.8, 14.0
LEAST_Z_STEP, LEAST_EXCESS = 0.15, 0.001
LONELY_LN = 0.05
TOLD_APART = 4.0
ENOUGH_WHERE_FLAT = 20
LOWER_BY_DB, LOWEST_LEVEL_DB = 3.0, -12.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Stop:
    """The end of the search, and why."""

    reason: StopReason
    sentence: str


def next_request(readings: Sequence[ResponseReading], plan: ResponsePlan) -> Ask | Stop:
    """Decide the next reading, or stop.

    Parameters
    ----------
    readings
        All readings so far, in order, superseded ones among them.
    plan
        As for `half_power`.

    Returns
    -------
    Ask or Stop
        The same readings and plan always give the same answer.

    References
    ----------
    docs/measurement.md, equations (13) to (19).
    """
    if (again := _ask_again(readings, plan)) is not None:
        return again
    if len(readings) >= plan.max_readings:
        return Stop(
            reason="too_many_readings",
            sentence=f"{len(readings)} readings have not reached the uncertainty wanted; the result stands as it is.",
        )
    evaluation = evaluate(readings, plan)
    reduced = evaluation.reduced
    if reduced is None:
        return _reference(readings, plan)
    if (doubt := crossing_in_doubt(readings, reduced, plan)) is not None:
        return repeat(doubt, readings, plan)
    if (scan := _scan(readings, reduced, plan)) is not None:
        return scan
    if evaluation.fit is None or any(flag.code == "coarse" for flag in evaluation.result.flags):
        return _without_fit(readings, evaluation, reduced, plan)
    return _refine_or_stop(readings, evaluation, reduced, plan)


def next_at_rated(readings: Sequence[ResponseReading], plan: ResponsePlan) -> Ask | Stop:
    """The same where only the response at the rated frequency is wanted: there twice, the reference around it."""
    if (again := _ask_again(readings, plan)) is not None:
        return again
    at_reference = _reference_count(readings, plan)
    count = len(usable(readings, plan)) - at_reference
    if not at_reference or (count >= AT_RATED_READINGS and at_reference < LEAST_AT_REFERENCE):
        return _reference(readings, plan)
    if count < AT_RATED_READINGS and plan.rated_hz <= plan.max_hz * (1.0 + 1e-9):
        level_db = dither_db(count, plan.deflection_div * 10.0 ** (-plan.drop_db / 20.0), plan)
        return ask_at(plan.rated_hz, level_db, "confirm", readings, plan)
    return Stop(reason="reached", sentence=f"{hertz(plan.rated_hz)} has been read.")


def _ask_again(readings: Sequence[ResponseReading], plan: ResponsePlan) -> Ask | None:
    """Ask the last reading again when it cannot be trusted; where it stands, an older one that is to blame."""
    if not readings:
        return None
    index, last = len(readings) - 1, readings[-1]
    again = last.replaces is not None
    slip = plan.typed and not again and last.deflection_div > plan.screen_div
    if off_screen(last, plan) and not slip and last.setting[1] > LOWEST_LEVEL_DB:
        because = f"{last.deflection_div:g} at {hertz(last.frequency_hz)} is off the screen or clipped: level lowered."
        return repeat((index, because), readings, plan, lower_db=LOWER_BY_DB)
    lowered = last.replaces is not None and last.setting[1] < readings[last.replaces].setting[1]
    if lowered or (last.on_line and not plan.typed):
        return None
    sentence = implausible(last, leaving_out(readings, index) if again else readings[:-1], plan)
    if sentence is None:
        return None
    if not again:
        return repeat((index, sentence), readings, plan)
    # An instrument does not mistype: where it stands by a reading, what moved since is a drift.
    doubt = blamed(readings, plan) if plan.typed else None
    return None if doubt is None else repeat(doubt, readings, plan)


def _reference_count(readings: Sequence[ResponseReading], plan: ResponsePlan) -> int:
    return sum(1 for i in usable(readings, plan) if is_reference(readings[i], plan))


def _reference(readings: Sequence[ResponseReading], plan: ResponsePlan) -> Ask:
    """Ask for a reference reading; small known level steps let rounded readings average."""
    count = _reference_count(readings, plan)
    if plan.line != "none":
        return Ask(
            frequency_hz=plan.reference_hz,
            level_db=0.0,
            purpose="reference",
            tune="level",
            line_div=float(reference_line_div(plan)),
        )
    level_db = _reference_level_db(readings, plan) + dither_db(count, plan.deflection_div, plan)
    return ask_at(plan.reference_hz, level_db, "reference", readings, plan)


def _reference_level_db(readings: Sequence[ResponseReading], plan: ResponsePlan) -> float:
    """Where the reference left the screen it is asked for at the lower level from then on, not driven off again."""
    off_db = [r.level_db for r in readings if is_reference(r, plan) and off_screen(r, plan)]
    return max(min(off_db) - LOWER_BY_DB, LOWEST_LEVEL_DB) if off_db else 0.0


def _scan(readings: Sequence[ResponseReading], reduced: Reduced, plan: ResponsePlan) -> Ask | None:
    """Ask for the next point of the scan, if there is one."""
    if not plan.scan or (log_f := next_of_scan(reduced, plan)) is None:
        return None
    return ask_at(math.exp(log_f), _reference_level_db(readings, plan), "scan", readings, plan)


def _without_fit(
    readings: Sequence[ResponseReading], evaluation: Evaluation, reduced: Reduced, plan: ResponsePlan
) -> Ask | Stop:
    """Bracket the crossing, or find that the generator does not reach it."""
    if TOO_FLAT in evaluation.result.flags and len(readings) >= ENOUGH_WHERE_FLAT:
        return Stop(reason="too_flat", sentence=TOO_FLAT.sentence)
    if (evaluation.result.u_readings_rel or math.inf) <= plan.target_rel:
        return _audit_or_stop(readings, evaluation, plan)
    top = top_of_generator(reduced, plan)
    enough = top.count >= MOST_AT_TOP or (top.count >= LEAST_AT_TOP and top.u_readings_db <= TOP_RESOLUTION_DB)
    if evaluation.result.status == "above_generator" and (enough or top.mean_db - 4.0 * top.u_db > -plan.drop_db):
        if not _reference_at_end(readings, plan):
            return _reference(readings, plan)
        return Stop(reason="above_generator", sentence=evaluation.result.flags[-1].sentence)
    limit = at_generator_limit(reduced, plan)
    if enough and limit is not None:
        return Stop(reason="at_generator_limit", sentence=limit.sentence)
    fallen = any(o.y_db < -plan.drop_db for o in _below_top(reduced, plan))
    if limit is not None or (top.count > 0 and not fallen):
        return _at_top(readings, reduced, plan, top, enough=enough)
    log_f = bracket_log_f(reduced, plan)
    floor = math.log(max(plan.min_hz, 1.5 * plan.reference_hz))
    if log_f <= floor and any(o.log_f <= floor + 1e-6 for o in reduced.observations):
        sentence = f"The response has dropped by {plan.drop_db:.2f} dB already at {hertz(math.exp(floor))}: no value."
        return Stop(reason="below_generator", sentence=sentence)
    return ask_at(math.exp(max(log_f, floor)), None, "bracket", readings, plan)


def _below_top(reduced: Reduced, plan: ResponsePlan) -> tuple[Observation, ...]:
    return tuple(o for o in reduced.observations if not at_top(o, plan))


def _at_top(
    readings: Sequence[ResponseReading], reduced: Reduced, plan: ResponsePlan, top: Top, *, enough: bool
) -> Ask:
    """Repeat the highest frequency, dithered, and the reference, until a claim has its power; else come back down."""
    if enough or top.mean_db + 3.0 * top.u_db < -plan.drop_db:
        below = max((o.log_f for o in _below_top(reduced, plan)), default=math.log(plan.rated_hz / 2.0))
        return ask_at(math.exp(0.5 * (below + math.log(plan.max_hz))), None, "bracket", readings, plan)
    reference = reduced.reference
    top_variance = max(top.u_readings_db**2 - reference.s_db**2, 0.0)
    if top.count >= 2 and reference.s_db**2 / (reference.count + 1) > top_variance / (top.count + 1):
        return _reference(readings, plan)
    shown_div = reference.deflection_div * 10.0 ** (top.mean_db / 20.0)
    return ask_at(plan.max_hz, dither_db(top.count, shown_div, plan), "bracket", readings, plan)


def bracket_log_f(reduced: Reduced, plan: ResponsePlan) -> float:
    """Return ln f of the next bracketing step, equation (15).

    With z = ln((10^(−y/10) − 1)/(10^(drop/10) − 1)) a roll-off of any order is nearly straight in ln f, and z = 0 is
    the crossing. Neighbours closer than readings can tell apart are spread again, so that a slope can be seen.
    """
    top, bottom = math.log(plan.max_hz), math.log(plan.min_hz)
    if not reduced.observations:
        return min(max(math.log(plan.rated_hz), bottom), top)
    first_below = next((n for n, o in enumerate(reduced.observations) if o.y_db < -plan.drop_db), None)
    if first_below is None:
        return min(_onward(reduced.observations[::-1], 1.0, plan), top)
    if first_below == 0:
        return max(_onward(reduced.observations, -1.0, plan), bottom)
    left, right = reduced.observations[first_below - 1 : first_below + 1]
    told_apart = left.y_db - right.y_db > TOLD_APART * (left.s_db + right.s_db)
    if right.log_f - left.log_f < CLOSE_LN and not told_apart:
        middle = 0.5 * (left.log_f + right.log_f)
        # Readings are counted, not settings: one setting read again does not ask for itself once more.
        count = sum(len(o.members) for o in reduced.observations)
        return middle + CLOSE_SPAN_LN * (van_der_corput(count) - 0.5)
    z_left, z_right = z_of(left, plan), z_of(right, plan)
    share = min(max(z_left / (z_left - z_right), 0.1), 0.9)
    return left.log_f + share * (right.log_f - left.log_f)


def _onward(observations: Sequence[Observation], side: float, plan: ResponsePlan) -> float:
    """Step from the nearest of several readings on one side towards the crossing: a secant of z where two show one."""
    nearest, z = observations[0], abs(z_of(observations[0], plan))
    second = next((o for o in observations[1:] if abs(o.log_f - nearest.log_f) >= CLOSE_LN), None)
    slope, most = USUAL_Z_SLOPE, FIRST_STEP_LN
    if second is not None:
        slope = (abs(z_of(second, plan)) - z) / abs(second.log_f - nearest.log_f)
        slope = min(max(slope, FLATTEST_Z_SLOPE), STEEPEST_Z_SLOPE)
        if -second.y_db > 3.0 * second.s_db or len(observations) > 2:  # two readings without a fall show no slope
            most = LONGEST_STEP_LN
    return nearest.log_f + side * min(max(z, LEAST_Z_STEP) / slope, most)


def z_of(o: Observation, plan: ResponsePlan) -> float:
    """How far a response is from half power, nearly straight in ln f, equation (15), as far as the reading tells."""
    at_crossing = 10.0 ** (plan.drop_db / 10.0) - 1.0
    excess = max(10.0 ** (-o.y_db / 10.0) - 1.0, 10.0 ** (o.s_db / 10.0) - 1.0, LEAST_EXCESS * at_crossing)
    return math.log(excess / at_crossing)


def _refine_or_stop(
    readings: Sequence[ResponseReading], evaluation: Evaluation, reduced: Reduced, plan: ResponsePlan
) -> Ask | Stop:
    """Read where the next reading helps most, equations (13) and (16), until equation (17) holds."""
    fit, result = evaluation.fit, evaluation.result
    if fit is None or result.u_readings_rel is None or result.frequency_hz is None:
        return _without_fit(readings, evaluation, reduced, plan)
    slope = abs(fit.slope_db)
    near = [o for o in reduced.observations if abs(o.log_f - fit.log_f) <= 0.35 / fit.narrowing]
    n_near = sum(len(o.members) for o in near)
    n_used = sum(len(o.members) for o in reduced.observations if abs(o.log_f - fit.log_f) <= 0.7 / fit.narrowing)
    single_db = _single_db(reduced, plan)
    confirmations = _confirmations(near, fit.log_f, slope, single_db, result.u_readings_rel)
    wanted = _wanted(readings, single_db / slope, plan)
    lonely = _lonely(reduced, fit, plan) if plan.typed else None
    settled = n_used >= LEAST_AT_CROSSING and confirmations >= wanted and lonely is None
    if result.u_readings_rel <= plan.target_rel and settled:
        return _audit_or_stop(readings, evaluation, plan)
    reference = reduced.reference
    gain_reference = reference.s_db**2 / (reference.count + 1)
    gain_crossing = fit.variance_db / (n_near + 1)
    if gain_reference > gain_crossing and result.u_readings_rel > plan.target_rel:
        return _reference(readings, plan)
    span = min(max(6.0 * single_db / slope, 0.03), 0.35)
    aside = span * (van_der_corput(n_near) - 0.5)
    if lonely is not None:
        aside = min(max(lonely.log_f - fit.log_f, -LONELY_LN), LONELY_LN)
    log_f = fit.log_f + aside
    purpose: Purpose = "confirm" if result.u_readings_rel <= plan.target_rel else "refine"
    # Below the top itself: the test of a claim above the generator is made once, not at every further reading.
    log_f = min(max(log_f, math.log(plan.min_hz)), math.log(plan.max_hz) - 2.0 * AT_TOP)
    return ask_at_crossing(log_f, n_near, purpose, readings, plan)


def _wanted(readings: Sequence[ResponseReading], single_rel: float, plan: ResponsePlan) -> int:
    """Return how many readings have to confirm the crossing: who has slipped may have slipped unseen."""
    if plan.typed:
        slips = sum(r.replaces is not None for r in readings)
        return CONFIRM_TYPED + min(CONFIRM_EACH_SLIP * slips, MOST_FOR_SLIPS)
    return CONFIRM_AUTOMATIC + sum(single_rel < share * plan.target_rel for share in EXACT)


def _lonely(reduced: Reduced, fit: CrossingFit, plan: ResponsePlan) -> Observation | None:
    """Return the one typed reading that alone holds the crossing on its side, if any: the next is taken beside it."""
    near = [o for o in reduced.observations if abs(o.log_f - fit.log_f) <= 0.7 / fit.narrowing]
    below = [o for o in near if o.y_db < -plan.drop_db]
    above = [o for o in near if o.y_db >= -plan.drop_db]
    return next((side[0] for side in (below, above) if len(side) == 1 and len(side[0].members) == 1), None)


def _single_db(reduced: Reduced, plan: ResponsePlan) -> float:
    """Return the standard uncertainty of one more reading at the crossing."""
    drop_db = max(plan.drop_db - plan.headroom_db, 0.0)
    shown_div = reduced.reference.deflection_div * math.exp(-drop_db / DB_PER_NEPER)
    return DB_PER_NEPER * plan.reader.standard_div(shown_div) / shown_div


def _confirmations(near: Sequence[Observation], log_f: float, slope: float, single_db: float, u_rel: float) -> int:
    """Count the readings at the estimate itself: within what one reading can tell apart."""
    reach = max(8.0 * single_db / slope, 2.0 * u_rel, 0.03)
    return sum(len(o.members) for o in near if abs(o.log_f - log_f) <= reach)


def _reference_at_end(readings: Sequence[ResponseReading], plan: ResponsePlan) -> bool:
    """Say whether the reference has been visited again after most of the other readings."""
    indices = [i for i in usable(readings, plan) if is_reference(readings[i], plan)]
    return len(indices) >= LEAST_AT_REFERENCE and len(readings) - 1 - indices[-1] <= 3


def _audit_or_stop(readings: Sequence[ResponseReading], evaluation: Evaluation, plan: ResponsePlan) -> Ask | Stop:
    """Before stopping: the reference once more, doubtful readings again, and the reason."""
    if not _reference_at_end(readings, plan):
        return _reference(readings, plan)
    if reference_in_doubt(readings, plan):
        return _reference(readings, plan)
    if (doubt := audit(readings, evaluation, plan)) is not None:
        return repeat(doubt, readings, plan)
    result = evaluation.result
    if result.status == "several_crossings":
        sentence = next(flag.sentence for flag in result.flags if flag.code == "several_crossings")
        return Stop(reason="several_crossings", sentence=sentence)
    frequency, u_rel = hertz(result.frequency_hz or 0.0), 100.0 * (result.u_readings_rel or 0.0)
    return Stop(
        reason="reached",
        sentence=f"{frequency} from {result.readings_used} readings; they leave u = {u_rel:.2g} %.",
    )
