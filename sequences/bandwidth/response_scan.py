"""The response from the reference frequency on: where a scan reads it, and what may be said of a crossing then.

A crossing is the lowest one as far as the readings below it are close: between two of them a dip may lie.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

from harness.words.language import tr
from sequences.bandwidth.response_model import Flag, ResponsePlan, hertz, of_drop

if TYPE_CHECKING:
    from sequences.bandwidth.response_reduce import Observation, Reduced

NEAR_PER_DECADE, FAR_PER_DECADE = 10, 3  # from a tenth of the rating on, and below that
SEEN = 0.25  # of a step: what was read that near is not read again
STEP = 1.3  # of a step: readings that far apart still follow a response
HALVED = 0.6  # of a step: as far as a dip is read between
DEEPER = 0.5  # of what a dip shows: how much deeper it may be between its readings
SURE = 3.0
FALLEN_LN = math.log(2.5)  # from the rating: by then most have fallen, and a scan ends
BESIDE_REFERENCE = 1.25


def scan_of(plan: ResponsePlan) -> tuple[list[float], list[float]]:
    """Return ln f of the scan below a tenth of the rating, and from there to the generator's end.

    It takes no more than half of the readings that the search has; what is too much comes at wider steps.
    """
    rated, low = math.log(plan.rated_hz), math.log(max(plan.min_hz, BESIDE_REFERENCE * plan.reference_hz))
    decade, high = math.log(10.0), math.log(plan.max_hz)
    for thinner in (1, 2, 3, 5):
        near_step, far_step = (decade * thinner / n for n in (NEAR_PER_DECADE, FAR_PER_DECADE))
        start = rated - near_step * math.floor(decade / near_step + 1e-9)
        near = [start + n * near_step for n in range(math.floor((high - start) / near_step + 1e-9) + 1)]
        far = [start - n * far_step for n in range(1, math.ceil((start - low) / far_step) + 1)]
        if len(far) + sum(x <= rated + FALLEN_LN for x in near) <= plan.max_readings // 2:
            break
    return [x for x in reversed(far) if low <= x <= high], [x for x in near if x >= low]


def next_of_scan(reduced: Reduced, plan: ResponsePlan) -> float | None:
    """Return ln f of the next reading of the scan: up to the rating, on to the first certain fall, then into dips."""
    far, near = scan_of(plan)
    step = math.log(10.0) / NEAR_PER_DECADE if len(near) < 2 else near[1] - near[0]
    read = [o.log_f for o in reduced.observations]
    fallen = [o.log_f for o in reduced.observations if o.y_db + plan.drop_db < -SURE * _s_db(o, reduced)]
    last = max(min(fallen, default=math.inf), math.log(plan.rated_hz) + 0.5 * step)
    for log_f in (*far, *near):
        if log_f <= last and all(abs(log_f - other) >= SEEN * step for other in read):
            return log_f
    return _into_a_dip(reduced, plan, step)


def _into_a_dip(reduced: Reduced, plan: ResponsePlan, step: float) -> float | None:
    """Return ln f between the lowest reading of a dip and its farther neighbour, where it may reach the level."""
    for left, low, right in zip(reduced.observations, reduced.observations[1:], reduced.observations[2:], strict=False):
        level_db = low.y_db + plan.drop_db
        if level_db < -SURE * _s_db(low, reduced):
            return None
        depth_db = max(left.y_db, right.y_db) - low.y_db
        apart = min(low.log_f - left.log_f, right.log_f - low.log_f) >= SEEN * step
        is_dip = apart and low.y_db < min(left.y_db, right.y_db)
        if is_dip and level_db - DEEPER * depth_db < SURE * _s_db(low, reduced):
            wider = max((left, right), key=lambda o: abs(o.log_f - low.log_f))
            if abs(wider.log_f - low.log_f) > HALVED * step:
                return 0.5 * (low.log_f + wider.log_f)
    return None


def _s_db(o: Observation, reduced: Reduced) -> float:
    return math.hypot(o.s_db, reduced.reference.s_db)


@dataclass(frozen=True, slots=True, kw_only=True)
class Followed:
    """Whether readings followed the response up to a frequency, and what is to be said of that."""

    lowest: bool
    flag: Flag


def followed(reduced: Reduced, plan: ResponsePlan, until_hz: float) -> Followed:
    """Say whether a fall below the level could lie unseen between the readings from the reference to a frequency."""
    until, near_from = math.log(until_hz), math.log(plan.rated_hz / 10.0)
    places = (math.log(plan.reference_hz), *(o.log_f for o in reduced.observations if o.log_f < until), until)
    gaps = list(pairwise(sorted(places)))
    far = max((b - a for a, b in gaps if a < near_from - 1e-3), default=0.0)
    near = max((b - a for a, b in gaps if a >= near_from - 1e-3), default=far)
    decade, reference = math.log(10.0), hertz(plan.reference_hz)
    if far > STEP * decade / FAR_PER_DECADE or (far != near and near > STEP * decade / NEAR_PER_DECADE):
        low, high = max(gaps, key=lambda gap: gap[1] - gap[0])
        sentence = tr(
            "A {drop_db} frequency below it is not excluded: between {low} and {high} nothing was read.",
            drop_db=of_drop(plan.drop_db),
            low=hertz(math.exp(low)),
            high=hertz(math.exp(high)),
        )
        return Followed(lowest=False, flag=Flag(code="a_crossing", sentence=sentence))
    wider = (
        tr(" (below {rated_hz}: {far:.1f})", rated_hz=hertz(plan.rated_hz / 10.0), far=math.exp(far))
        if far > near
        else ""
    )
    sentence = tr(
        "The response was read from {reference} on: a fall to this level that lasts over a "
        "factor of {near:.2f} in frequency would have been seen{wider}.",
        reference=reference,
        near=math.exp(near),
        wider=wider,
    )
    return Followed(lowest=True, flag=Flag(code="lowest", sentence=sentence))
